"""What counts of a mail: the first line a person wrote, however their program quotes, signs and wraps it."""

from __future__ import annotations

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchman import mailbox
from watchman.mailbox import read

OURS = "<wm.0123456789abcdef0123@example.org>"


def mail(body: str, kind: str = "text/plain; charset=utf-8", head: str = "") -> bytes:
    """Return a mail of one part, as it is kept."""
    return f"From: Tech <tech-1@example.org>\r\n{head}Content-Type: {kind}\r\n\r\n{body}".encode()


WRITTEN = {
    "alone": ("OK", "OK"),
    "above a quotation": (
        "OK\n\nOn Tue, 21 Oct 2025 at 14:20, Veldran Hills <w@example.org> wrote:\n> Reply OK\n",
        "OK",
    ),
    "below a quotation": ("On Tue 21 Oct 2025, Veldran Hills wrote:\n> Hollin\n> NOT A FAULT why\n\nOK\n", "OK"),
    "an attribution over two lines": (
        "LATER THU\n\nOn Tue, 21 Oct 2025 at 14:20, Veldran Hills\n<w@example.org> wrote:\n> OK\n",
        "LATER THU",
    ),
    "only a quotation": ("On Tue, 21 Oct 2025, Veldran Hills wrote:\n> OK\n> DONE\n", ""),
    "a quotation without marks": ("On Tue, 21 Oct 2025 14:20, Veldran Hills <w@example.org> wrote:\nOK\n", ""),
    "another language": (
        "DONE\n\nAm Di., 21. Okt. 2025 um 14:20 Uhr schrieb Veldran Hills <w@example.org>:\n> OK",
        "DONE",
    ),
    "headers of the mail below": (
        "VISIT HOLLIN 2H\n\nFrom: Veldran Hills <w@example.org>\nSent: Tuesday\nOK\n",
        "VISIT HOLLIN 2H",
    ),
    "nothing above headers": ("\n\nFrom: Veldran Hills <w@example.org>\nSent: Tuesday\nSubject: x\n\nOK\n", ""),
    "a line of underscores": ("RAIN\n________________________________\nOK", "RAIN"),
    "the original below": ("TEST\n-----Original Message-----\nOK", "TEST"),
    "a greeting": ("Hi,\n\nok, I go\n\nBest,\nTech", "ok, I go"),
    "a signature alone": ("-- \nTech\nOK", ""),
    "a signature below": ("DONE\n-- \nTech", "DONE"),
    "signs alone": ("...\n\n***\nOK", "OK"),
}


@pytest.mark.parametrize("case", WRITTEN)
def test_the_line_a_person_wrote(case: str) -> None:
    """Quotations, greetings and signatures are none."""
    body, line = WRITTEN[case]
    assert read(mail(body)).line == line
    assert read(mail(body.replace("\n", "\r\n"))).line == line


PAGES = {
    "a line": ("<html><head><title>DONE</title><style>p{}</style></head><body><p>OK</p></body></html>", "OK"),
    "a head without end": ("<html><head><meta x><body><div>OK</div>", "OK"),
    "a quotation": ("<div>LATER&nbsp;THU</div><blockquote><p>OK</p></blockquote>", "LATER THU"),
    "a quotation under a line": (
        "<div>DONE</div><hr><div><b>From:</b> V &lt;w@example.org&gt;</div><div>OK</div>",
        "DONE",
    ),
    "what is hidden": ("<script>OK</script><!-- OK --><style>OK</style><p>RAIN", "RAIN"),
    "entities": ("<p>NOT A FAULT Smith &amp; Sons&#39; sprinkler</p>", "NOT A FAULT Smith & Sons' sprinkler"),
    "something to fetch": ('<img src="http://127.0.0.1:1/x.png"><iframe src="file:///etc/passwd"></iframe>OK', "OK"),
}


@pytest.mark.parametrize("case", PAGES)
def test_a_page_without_a_plain_part(case: str) -> None:
    """A mail that is a page alone is read as its words."""
    body, line = PAGES[case]
    assert read(mail(body, "text/html; charset=utf-8")).line == line


def test_the_plain_part_comes_first() -> None:
    """Of two parts the plain one is read, and no attachment is."""
    parts = [
        "Content-Type: text/plain\r\nContent-Disposition: attachment; filename=a.txt\r\n\r\nDONE",
        "Content-Type: text/html\r\n\r\n<p>RAIN</p>",
        "Content-Type: text/plain; charset=iso-8859-1\r\nContent-Transfer-Encoding: quoted-printable\r\n\r\nOK f=FCr",
    ]
    body = "".join(f"--x\r\n{part}\r\n" for part in parts) + "--x--\r\n"
    assert read(mail(body, "multipart/mixed; boundary=x")).line == "OK für"


@pytest.mark.parametrize("charset", ["x-unknown", "zip", "unicode_escape", "punycode", "idna", "utf-7", "", "\x00"])
def test_odd_charsets(charset: str) -> None:
    """Letters in a charset nobody knows, or that is a trick, are read as far as they are plain."""
    assert read(mail("OK \\u0041", f"text/plain; charset={charset}")).line == "OK \\u0041"


MACHINES = {
    "Auto-Submitted: auto-replied": "Auto-Submitted",
    "Auto-Submitted: auto-generated (rejected)": "Auto-Submitted",
    "Precedence: auto_reply": "Precedence",
    "Precedence: Bulk": "Precedence",
    "Return-Path: <>": "no way back",
    "X-Autoreply: yes": "automatic answer",
    "Subject: Out of Office: back on Monday": "subject",
    "Subject: Automatische Antwort: Hollin": "subject",
    "Subject: Automatic reply: Hollin": "subject",
    "List-Id: <all.example.org>": "list",
}


@pytest.mark.parametrize("head", MACHINES)
def test_what_a_machine_wrote(head: str) -> None:
    """Such a mail is nobody's answer, whatever its words (RFC 3834, section 2, and common practice)."""
    reply = read(mail("OK", head=f"{head}\r\n"))
    assert reply.machine == MACHINES[head]
    assert reply.line == ""


@pytest.mark.parametrize(
    "head", ["Auto-Submitted: no", "Precedence: first-class", "Return-Path: <t@example.org>", "Subject: Re: x"]
)
def test_what_a_person_wrote(head: str) -> None:
    """Ordinary headers make no machine of anybody."""
    assert read(mail("OK", head=f"{head}\r\n")).line == "OK"


def test_which_notice_is_answered() -> None:
    """The one in In-Reply-To first, then the newest of References; ids of others, and made-up ones, are passed by."""
    other, third = OURS.replace("0123", "4567", 1), OURS.replace("0123", "89ab", 1)
    head = f"In-Reply-To: <x@y.z> {OURS}\r\nReferences: <wm.alarm.41.net@example.org> {third}\r\n {other} <q@r>\r\n"
    assert read(mail("OK", head=head)).notices == (OURS, other, third)
    assert read(mail("OK", head="In-Reply-To: <wm.xyz@example.org> <wm.12@example.org>\r\n")).notices == ()


@given(st.one_of(st.binary(max_size=3000), st.text(max_size=2000).map(lambda text: mail(text, "text/html"))))
def test_anything_that_may_come_is_read_or_refused_at_once(content: bytes) -> None:
    """No mail takes long; what can't be read is one ordinary error."""
    begun = time.perf_counter()
    try:
        reply = read(content)
    except Exception:  # noqa: BLE001 -- whatever Python's parser raises
        assert time.perf_counter() - begun < 1
        return
    assert len(reply.line) <= mailbox.LINE
    assert time.perf_counter() - begun < 1


@pytest.mark.parametrize(
    "piece", ["<!--", "<a ", "<a b='", "</", "<![", "<blockquote>", "&", "On 1 wrote: ", "> ", "-- "]
)
def test_bombs_of_words(piece: str) -> None:
    """As much as is ever fetched, of the pieces that other parsers take minutes over, is read in a moment."""
    begun = time.perf_counter()
    read(mail(piece * (mailbox.LARGEST // len(piece)), "text/html"))
    read(mail((piece * 80 + "\n") * 600))
    assert time.perf_counter() - begun < 3

"""Replies by mail: the box is looked into over IMAP (RFC 9051), and what people wrote is acted on once.

A reply finds its notice by the notice's own Message-ID, which nobody guesses, in In-Reply-To or References; it must
come from the address of the person the notice went to. What a machine wrote is left alone (RFC 3834). Of a mail the
first line that a person wrote is read; nothing in it is fetched, opened or run.
"""

from __future__ import annotations

import contextlib
import email
import html
import imaplib
import logging
import re
import socket
import ssl
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from email.message import Message
from email.utils import parseaddr
from threading import Timer
from typing import Any

from watchman import answers, links
from watchman.errors import OutsideError
from watchman.model import EventKind, Notice
from watchman.network import Contact, Network
from watchman.settings import MailAnswersSettings
from watchman.store import Store
from watchman.telling import answering
from watchman.telling.answering import Kind

log = logging.getLogger(__name__)

LARGEST = 262_144
"""How much of one mail is fetched [bytes]: a reply with a long history, without its attachments."""
AT_ONCE = 50
"""How many mails are read in one look; the rest waits for the next."""
LARGEST_HEAD = 65_536
"""A longer header is no person's, and takes seconds to read [bytes]."""
PARTS, LINES, LINE = 50, 400, 500
"""How many parts of a mail, lines of a part and characters of a line are looked at."""
BODY = 65_536
"""How much of a part is read [characters]."""
ANSWER_S, WHOLE_S = 20.0, 120.0
"""How long the server may take for one answer, and for one look as a whole [s] (judgement, no source)."""
LARGEST_ANSWER = 1_000_000
"""More than this in one piece no honest server sends for what is asked of it [bytes]."""
SEEN = "mail seen:"
"""How the mark begins of how far a box was read: the folder's UIDVALIDITY and the last UID."""

MACHINES = re.compile(r"(bulk|junk|list|auto_reply)", re.IGNORECASE)
VACATION = re.compile(
    r"\s*(re: *|aw: *)?(auto(matic|matische|mated)?[ -]?(reply|response|antwort)|out of (the )?office|vacation|abwesen"
    r"|r.ponse automatique|absence du bureau|respuesta autom|fuera de la oficina|risposta autom|undeliver"
    r"|delivery status)",
    re.IGNORECASE,
)
"""How vacation answers and returned mail begin their subjects, where no header says what they are (common practice)."""
NO_PERSON = re.compile(r"(mailer-daemon|postmaster|no-?reply|do-?not-?reply)@", re.IGNORECASE)
MESSAGE_ID = re.compile(r"<wm\.[0-9a-f]{16,40}@[^<>\s]{1,255}>")
CHARSET = re.compile(
    r"(us-ascii|ascii|utf-?(8|16|16le|16be)|iso-?8859-?\d{1,2}|latin-?\d|windows-?125\d|cp125\d|koi8-[ru]|gb(k|2312|18030)"
    r"|big5|shift_?jis|euc-(jp|kr)|iso-2022-(jp|kr)|mac-?roman)",
    re.IGNORECASE,
)
"""The charsets mail is written in; Python knows codecs beside them that unpack, run long or are no charsets."""


@dataclass(frozen=True, slots=True)
class Reply:
    """What counts of a mail. sender: its From address; notices: Message-IDs of ours that it answers, the nearest first;
    line: the first line a person wrote; machine: why it is taken for a machine's, or "".
    """

    sender: str
    notices: tuple[str, ...]
    line: str
    machine: str


def look(network: Network, store: Store, key: str, clock: Callable[[], datetime]) -> int:
    """Act on what has come into the box since the last look, and return how many mails were read.

    key: what people's own codes are signed with, "" without a board. A mail that can't be read stops no other; how far
    the box was read is written down after each. Raises OutsideError for a server that can't be used.
    """
    settings = network.answers.mail
    if settings is None:
        return 0
    mark = f"{SEEN}{settings.user}@{settings.host}/{settings.folder}"
    read = 0
    with _open(settings) as box:
        for uid, content in box.new_mails(store.marks(mark).get(mark, "")):
            if content is not None:
                _act_safely(network, store, key, content, clock())
                read += 1
            store.set_mark(mark, f"{box.validity} {uid}")
    return read


def knock(settings: MailAnswersSettings) -> None:
    """Open the box and close it again, reading nothing. Raises OutsideError, with what is wrong in words."""
    with _open(settings):
        pass


def _act_safely(network: Network, store: Store, key: str, content: bytes, now: datetime) -> None:
    """Act on one mail; whatever is wrong with it is logged, and trouble of the store is let through."""
    try:
        act(network, store, key, content, now)
    except OutsideError:
        raise
    except Exception as error:  # noqa: BLE001 -- a bad mail never stops the next
        log.warning("mail: one could not be read (%s)", type(error).__name__)


def act(network: Network, store: Store, key: str, content: bytes, now: datetime) -> None:
    """Act on one mail as it came. Raises OutsideError."""
    reply = read(content)
    if reply.machine:
        answers.refuse("mail", f"a machine's: {reply.machine}")
        return
    contact = _who(network, store, reply)
    if contact is None:
        answers.refuse("mail", "from an address that is no contact's")
        return
    notice = _answered(store, reply, contact)
    said = answering.read(reply.line, network, now)
    own = isinstance(said, answering.Said) and bool(said.own_code) and bool(key)
    if notice is None and own and isinstance(said, answering.Said):
        own = links.same(said.own_code, links.own_code(key, contact.name))
    if notice is None and not own:
        answers.refuse("mail", f"from {contact.name}'s address, but no reply to a notice of theirs")
        _say_unmatched(network, store, contact, now)
        return
    if notice is not None and answers.is_stale(notice, now):
        answers.refuse("mail", f"from {contact.name}, notice {notice.number} is stale")
        sentence = f"That notice is more than {answers.STALE.days} days old and can't be answered any more."
        answers.tell(store, network, contact.name, "mail", sentence, now, notice)
        return
    if isinstance(said, str):
        answers.refuse("mail", f"not understood, from {contact.name}")
        answers.tell(store, network, contact.name, "mail", said, now, notice)
        return
    done = answers.act(store, network, said, contact.name, now, notice=notice)
    if not done.acted or done.visit is not None or said.kind in (Kind.STOP, Kind.START):
        answers.tell(store, network, contact.name, "mail", done.sentence, now, notice)


def _who(network: Network, store: Store, reply: Reply) -> Contact | None:
    """Return whose address a mail came from; of several who share one, whose notice it answers, else the first."""
    sharing = [one for one in network.contacts if one.mail and one.mail.lower() == reply.sender.lower()]
    return next((one for one in sharing if _answered(store, reply, one)), next(iter(sharing), None))


def _answered(store: Store, reply: Reply, contact: Contact) -> Notice | None:
    """Return the notice that a mail answers: one that went to this very person, by mail.

    What confirmed an earlier answer asks nothing: a reply to it is one to the notice before it in the thread.
    """
    found = [store.notice_of_message(message_id) for message_id in reply.notices]
    theirs = [one for one in found if one is not None and (one.person, one.channel) == (contact.name, "mail")]
    asking = [one for one in theirs if one.event != EventKind.ANSWERED]
    return next(iter([*asking, *theirs]), None)


def _say_unmatched(network: Network, store: Store, contact: Contact, now: datetime) -> None:
    """Tell a person that a mail in their name changed nothing: once a day, since anybody can write their address."""
    day = now.astimezone(network.zone).replace(hour=12, minute=0, second=0, microsecond=0)
    sentence = (
        "A mail from your address answered no notice of yours, and changed nothing. Use the reply button of the "
        "notice itself, or its link. If you wrote none, somebody used your address."
    )
    answers.tell(store, network, contact.name, "mail", sentence, now, once=day)


# What stands in a mail


def read(content: bytes) -> Reply:
    """Return what counts of a mail as it came. Raises ValueError, or what Python's parser does, for no mail at all."""
    head = re.search(rb"\r?\n\r?\n", content)
    if (head.start() if head else len(content)) > LARGEST_HEAD:
        raise ValueError("its header is too long")
    message = email.message_from_bytes(content)
    _, sender = parseaddr(_header(message, "From"))
    told = f"{_header(message, 'In-Reply-To')} {' '.join(reversed(_header(message, 'References').split()))}"
    machine = _machine(message, sender)
    return Reply(
        sender, tuple(dict.fromkeys(MESSAGE_ID.findall(told)))[:20], "" if machine else _line(message), machine
    )


def _header(message: Message, name: str) -> str:
    return " ".join(str(message.get(name, ""))[:8000].split())


def _machine(message: Message, sender: str) -> str:
    """Return why a mail is taken for a machine's (RFC 3834, and what programs do that don't keep to it), or ""."""
    submitted = _header(message, "Auto-Submitted").partition(";")[0].strip().lower()
    checks = (
        ("Auto-Submitted", submitted not in ("", "no")),
        ("Precedence", bool(MACHINES.fullmatch(_header(message, "Precedence")))),
        ("no way back", _header(message, "Return-Path") == "<>"),
        ("automatic answer", any(name in message for name in ("X-Autoreply", "X-Autorespond", "X-Autorespond-To"))),
        ("report", message.get_content_type() == "multipart/report"),
        ("list", "List-Id" in message),
        ("no person", bool(NO_PERSON.match(sender))),
        ("subject", bool(VACATION.match(_header(message, "Subject")))),
    )
    return next((name for name, holds in checks if holds), "")


def _line(message: Message) -> str:
    """Return the first line a person wrote, "" if there is none."""
    plain, page = "", ""
    for place, part in enumerate(message.walk()):
        if place >= PARTS or (plain and page):
            break
        if part.is_multipart() or part.get_filename() or part.get_content_disposition() == "attachment":
            continue
        if part.get_content_type() == "text/plain" and not plain:
            plain = _words(part)
        elif part.get_content_type() == "text/html" and not page:
            page = _words(part)
    written = first_written(plain)
    return written or first_written(_without_tags(page))


def _words(part: Message) -> str:
    """Return a part's text; letters that can't be read are replaced."""
    content = part.get_payload(decode=True)
    if not isinstance(content, bytes):
        return ""
    charset = str(part.get_content_charset() or "utf-8")
    if not CHARSET.fullmatch(charset):
        charset = "utf-8"
    try:
        return content[: 4 * BODY].decode(charset, "replace")[:BODY]
    except LookupError:
        return content[: 4 * BODY].decode("utf-8", "replace")[:BODY]


ATTRIBUTION = re.compile(r".{0,400}(wrote|schrieb|a .crit|escribi.|ha scritto|skrev|schreef)\b.{0,200}:", re.IGNORECASE)
ATTRIBUTION_BEGINS = re.compile(r"(on|am|le|el|il|den|op)\s.*\d.*", re.IGNORECASE)
HISTORY = re.compile(
    r"(-{2,} ?(original|forwarded|weitergeleitete|urspr).*|_{10,}|(from|von|de|da|van) ?: .*@.*|\*?from:\*? .*)",
    re.IGNORECASE,
)
GREETING = re.compile(r"(hi|hello|hey|dear|good (morning|afternoon|evening)|morning)\b[^.?]{0,40}[,!]?", re.IGNORECASE)
SIGNATURE = "--"


def first_written(text: str) -> str:
    """Return the first line that a person wrote themselves: no quotation, greeting or signature; or ""."""
    lines = [" ".join(line.split())[:LINE] for line in text.splitlines()[:LINES]]
    for place, line in enumerate(lines):
        following = next((one for one in lines[place + 1 : place + 4] if one), "")
        both = f"{line} {following}"
        if line == SIGNATURE or HISTORY.fullmatch(line):
            return ""
        if ATTRIBUTION.fullmatch(line) or (ATTRIBUTION_BEGINS.fullmatch(line) and ATTRIBUTION.fullmatch(both)):
            # Below it stands what we wrote; who answers below that has the rest of it marked as quoted.
            if not any(one.startswith(">") for one in lines[place : place + 6]):
                return ""
            continue
        if line.startswith(">") or not re.search(r"\w", line) or GREETING.fullmatch(line):
            continue
        if ATTRIBUTION.fullmatch(f"{lines[place - 1] if place else ''} {line}") and following.startswith(">"):
            continue
        return line
    return ""


BREAKS = frozenset({"br", "p", "div", "li", "tr", "h1", "h2", "h3", "table", "hr", "blockquote", "pre", "body"})
"""The tags at which a page's lines end."""
SKIPPED = frozenset({"script", "style", "head", "title", "blockquote", "template", "svg"})
"""What is quoted, hidden or made for machines."""
TAG = re.compile(r"<(/?)([a-z][a-z0-9]{0,19})", re.IGNORECASE)


def _without_tags(page: str) -> str:
    """Return a page's words by lines; nothing in it is fetched.

    Python's own parser takes minutes over some pages of 64 kB; this walks once from tag to tag.
    """
    words: list[str] = []
    skipping: list[str] = []
    place = 0
    while (begin := page.find("<", place)) >= 0:
        if not skipping:
            words.append(" ".join(html.unescape(f"x{page[place:begin]}x").split())[1:-1])
        comment = page.startswith("<!--", begin)
        end = page.find("-->" if comment else ">", begin)
        if end < 0:
            return "".join(words)
        place = end + (3 if comment else 1)
        tag = TAG.match(page, begin)
        if tag is not None and not comment:
            _walk_past(tag[2].lower(), bool(tag[1]), skipping, words)
    return "".join([*words, "" if skipping else html.unescape(page[place:])])


def _walk_past(tag: str, closes: bool, skipping: list[str], words: list[str]) -> None:
    """Take note of one tag of a page."""
    if tag == "body":
        skipping.clear()
    if tag in BREAKS and not skipping:
        words.append("\n" + ("_" * 20 + "\n" if tag == "hr" else ""))
    if tag in SKIPPED and not closes and len(skipping) < PARTS:
        skipping.append(tag)
    elif closes and tag in skipping:
        del skipping[skipping.index(tag) :]


# The box


class _Client(imaplib.IMAP4):
    """imaplib's client: TLS from the start if asked for, an end for good, and nothing larger than was asked for."""

    def __init__(self, settings: MailAnswersSettings) -> None:
        self._wrapped = settings.security == "tls"
        self._end = Timer(WHOLE_S, self.hang_up)
        self._end.daemon = True
        try:
            super().__init__(settings.host, settings.port, timeout=ANSWER_S)
            if settings.security == "starttls":
                self.starttls(ssl.create_default_context())
        except BaseException:
            self._end.cancel()
            raise

    def _create_socket(self, timeout: float | None) -> socket.socket:
        """Return a connected socket (imaplib's own seam for this); the whole time allowed runs from here."""
        self.sock = super()._create_socket(timeout)  # type: ignore[misc]
        self._end.start()
        if self._wrapped:
            context = ssl.create_default_context()
            self.sock = context.wrap_socket(self.sock, server_hostname=self.host, do_handshake_on_connect=False)
            self.sock.do_handshake()
        return self.sock

    def read(self, size: int) -> bytes:
        """Return so many bytes, if they are not too many."""
        if size > LARGEST_ANSWER:
            raise self.abort("the mail server sends more than was asked for")
        return super().read(size)

    def hang_up(self) -> None:
        """End the connection from another thread: whoever waits for the server wakes up with an error."""
        with contextlib.suppress(OSError):
            # The plain socket's own: a TLS socket would first take its TLS away under the other thread.
            socket.socket.shutdown(self.sock, socket.SHUT_RDWR)

    def shutdown(self) -> None:
        """Close the connection, and wait for nothing more."""
        self._end.cancel()
        super().shutdown()


class Box:
    """A folder that has been opened to be read."""

    def __init__(self, client: imaplib.IMAP4, folder: str) -> None:
        self._client = client
        quoted = folder.replace("\\", "\\\\").replace('"', '\\"')
        self._ask("SELECT", client.select(f'"{quoted}"'))
        self.validity = self._number("UIDVALIDITY")

    def new_mails(self, before: str) -> Iterator[tuple[int, bytes | None]]:
        """Yield the UID and the content of mails that came since, the oldest first; None for what can't be fetched.

        before: "validity uid" of the last one read. The very first look reads nothing: what lies there answers nothing
        of ours. Of a folder that was made anew only what nobody has seen is read.
        """
        validity, _, last = before.partition(" ")
        if not last.isdigit():
            yield self._newest(), None
            return
        same = validity == str(self.validity)
        wanted = f"UID {int(last) + 1}:*" if same else "UNSEEN"
        found = self._ask("SEARCH", self._client.uid("SEARCH", wanted))
        uids = sorted(int(one) for one in re.findall(rb"\d+", (found[0] or b"")[:200_000]))
        uids = [uid for uid in uids if uid > int(last)][:AT_ONCE] if same else uids[-AT_ONCE:]
        for uid in uids:
            yield uid, self._content(uid)
        if not same:
            yield self._newest(), None

    def _newest(self) -> int:
        found = self._ask("SEARCH", self._client.uid("SEARCH", "UID *:*"))
        return max((int(one) for one in re.findall(rb"\d+", (found[0] or b"")[-20:])), default=0)

    def _content(self, uid: int) -> bytes | None:
        """Return the beginning of a mail, and mark it as seen."""
        found = self._ask("FETCH", self._client.uid("FETCH", str(uid), f"(BODY.PEEK[]<0.{LARGEST}>)"))
        content = next((one[1] for one in found if isinstance(one, tuple) and len(one) == 2), None)
        with contextlib.suppress(imaplib.IMAP4.error):
            self._client.uid("STORE", str(uid), "+FLAGS.SILENT", r"(\Seen)")
        return content if isinstance(content, bytes) else None

    def _number(self, name: str) -> int:
        _, found = self._client.response(name)
        given = found[0] if found else None
        return int(given) if isinstance(given, bytes) and given.isdigit() else 0

    def _ask(self, what: str, answer: tuple[str, list[Any]]) -> list[Any]:
        status, found = answer
        if status != "OK":
            raise imaplib.IMAP4.error(f"{what} was answered with {status}")
        return found


@contextlib.contextmanager
def _open(settings: MailAnswersSettings) -> Iterator[Box]:
    """Open a box for the length of a block. Raises OutsideError, which never holds the password."""
    place = f"The mail box {settings.user} at {settings.host}"
    try:
        client = _Client(settings)
    except ssl.SSLCertVerificationError as trouble:
        raise OutsideError(f"{place} can't be trusted: {trouble.verify_message}.") from None
    except (imaplib.IMAP4.error, OSError) as trouble:
        raise OutsideError(f"{place} can't be reached: {_short(trouble)}.") from None
    try:
        _log_in(client, settings, place)
        yield Box(client, settings.folder)
    except (imaplib.IMAP4.error, OSError) as trouble:
        raise OutsideError(f"{place}, folder {settings.folder}: {_short(trouble)}.") from None
    finally:
        with contextlib.suppress(imaplib.IMAP4.error, OSError):
            client.logout()
        with contextlib.suppress(OSError):
            client.shutdown()


def _log_in(client: imaplib.IMAP4, settings: MailAnswersSettings, place: str) -> None:
    """Log in. Raises OutsideError, without the server's own words: they may repeat what was sent to it."""
    try:
        client.login(settings.user, settings.password.get_secret_value())
    except imaplib.IMAP4.abort:
        raise
    except (imaplib.IMAP4.error, UnicodeError):
        raise OutsideError(f"{place} does not let us in: user or password not accepted.") from None


def _short(trouble: Exception) -> str:
    return " ".join(str(trouble).split())[:200].rstrip(".") or type(trouble).__name__

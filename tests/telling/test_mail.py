"""A mail on a phone: colours and letters that can be read, pictures inside, and a plain part that is whole."""

from __future__ import annotations

import email
import html
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from email.message import EmailMessage
from email.policy import default
from html.parser import HTMLParser
from typing import cast

import pytest

from tests.telling.contrast import contrast
from tests.telling.mails import LINK, clogged_mail, illustrated, sketched
from tests.telling.test_channels import MailServer, Post
from tests.telling.veldran import at, clogged, network, notice, silent, storm
from watchman import speech
from watchman.model import Alarm, EventKind, Fate, Notice
from watchman.settings import Contact, MailSettings
from watchman.telling import charts, compose
from watchman.telling.channels import Channels
from watchman.telling.gsm import septets

NOW = datetime(2025, 10, 27, 13, tzinfo=UTC)
MAILS = ("clogged", "battery", "storm", "silent", "week")


# --- colours and letters ---


def styles(page: str) -> tuple[dict[str, dict[str, str]], dict[str, dict[str, str]]]:
    """Return the style sheet's rules, selector to properties, for light and for dark."""
    sheet = re.search(r"<style>(.*?)</style>", page, re.DOTALL)
    assert sheet is not None
    light, _, dark = sheet[1].partition("@media (prefers-color-scheme: dark) {")
    return _rules(light), _rules(dark)


def _rules(sheet: str) -> dict[str, dict[str, str]]:
    rules: dict[str, dict[str, str]] = {}
    for selectors, body in re.findall(r"([^{}]+)\{([^{}]*)\}", sheet):
        pairs = [part.split(":", 1) for part in body.split(";") if ":" in part]
        for selector in selectors.split(","):
            rules.setdefault(selector.strip(), {}).update({name.strip(): value.strip() for name, value in pairs})
    return rules


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
def test_every_text_stands_out_from_its_ground(scheme: int) -> None:
    """At least 4.5 to 1 in both schemes (WCAG 2.2, success criterion 1.4.3)."""
    rules = styles(illustrated()["clogged"].html)[scheme]
    ground = rules["body"]["background-color"]
    texts = {name: rule["color"] for name, rule in rules.items() if "color" in rule}
    ratios = {name: contrast(colour, rules[name].get("background-color", ground)) for name, colour in texts.items()}

    assert set(texts) == {"body", ".mail", ".soft", ".go", ".link"}
    assert {name: ratio for name, ratio in ratios.items() if ratio < 4.5} == {}


def test_colours_stand_in_the_sheet_alone_and_in_both_schemes() -> None:
    """A mail program that drops the sheet drops all of them, and never half of a pair."""
    for name in MAILS:
        page = illustrated()[name].html
        light, dark = styles(page)
        assert {rule for rule in light if "color" in light[rule]} == {rule for rule in dark if "color" in dark[rule]}
        assert not re.search(r'style="[^"]*(?<![-\w])(color|background)[^"]*"', page.replace("color-scheme", ""))
        assert 'name="color-scheme" content="light dark"' in page


@pytest.mark.parametrize("name", MAILS)
def test_letters_are_16_px_or_larger(name: str) -> None:
    """Whatever a mail says can be read in a van."""
    sizes = [float(size) for size in re.findall(r"font-size:([\d.]+)px", illustrated()[name].html)]

    assert sizes
    assert min(sizes) >= 16


class Tags(HTMLParser):
    """Collects the tags of a page with their attributes."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str]]] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, {name: value or "" for name, value in attrs}))

    def of(self, *names: str) -> list[dict[str, str]]:
        return [attributes for tag, attributes in self.found if tag in names]


@pytest.mark.parametrize("name", MAILS)
def test_nothing_is_fetched_or_run_and_tables_have_headers(name: str) -> None:
    """Only the person's own link leads out; every table says what its rows or columns are; the language is named."""
    tags = Tags(illustrated()[name].html)

    assert not tags.of("script", "link", "iframe", "object", "form", "base")
    assert all(image["src"].startswith("cid:") and image["alt"] for image in tags.of("img"))
    assert {one["href"] for one in tags.of("a")} <= {LINK}
    assert "url(" not in illustrated()[name].html
    assert "@import" not in illustrated()[name].html
    assert tags.of("html")[0]["lang"] == "en"
    assert len(tags.of("th")) >= len(tags.of("table"))
    assert all(header["scope"] in ("col", "row", "rowgroup") for header in tags.of("th"))


def test_a_table_too_wide_for_a_phone_has_its_first_column_in_lines_of_their_own() -> None:
    """Seven days, a sum and a share fit beside each other only without the names."""
    rows = (
        "Station | Mon | Tue | Wed | Thu | Fri | Sat | Sun | Sum | %\nHollin Dam | 1 | 2 | 3 | 4 | 5 | 6 | 7 | 28 | 99"
    )
    words = compose.mail("Week", [("", [("Rain by day", rows)])], "", network())
    headers = Tags(words.html).of("th")

    assert [header["scope"] for header in headers] == ["col"] * 9 + ["rowgroup"]
    assert headers[-1]["colspan"] == "9"
    assert "Hollin Dam  1    2    3" in words.text


# --- pictures ---


def test_the_plain_part_says_what_the_picture_shows() -> None:
    """Whoever reads it misses nothing."""
    counts = {}
    for name, words in illustrated().items():
        counts[name] = len(words.pictures)
        for picture in words.pictures:
            assert f"Picture: {picture.alternative}" in " ".join(words.text.split())
            assert f'alt="{html.escape(picture.alternative).replace("&#x27;", "&#39;")}"' in words.html
    assert counts == {"clogged": 1, "battery": 1, "storm": 1, "silent": 0, "week": 2}


def test_a_picture_that_cannot_be_drawn_leaves_its_words(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """The mail goes, the trouble is logged, and no empty frame stands in it."""
    monkeypatch.setattr(charts, "draw", lambda _shown: (b"", "it took longer than 10 s"))
    mail = clogged_mail()
    awkward = replace(mail.sketches[0], alternative=r'Bars: 3 < 4 & "5" \1')
    words = speech.illustrated(sketched(clogged(), awkward))

    assert words.pictures == ()
    assert words.sketches == ()
    assert "<img" not in words.html
    assert "cid:" not in words.html
    assert r"Bars: 3 &lt; 4 &amp; &quot;5&quot; \1" in words.html
    assert r'Bars: 3 < 4 & "5" \1' in " ".join(words.text.split())
    assert "it took longer than 10 s" in caplog.text


# --- on its way ---


@contextmanager
def post_office() -> Iterator[tuple[Post, MailSettings]]:
    """Run a mail server, and say how to reach it."""
    post = Post()
    server = MailServer(post, hostname="localhost", port=0)
    server.start()
    try:
        yield post, MailSettings(host="localhost", port=server.port, security="none", sender="watch@example.org")
    finally:
        server.stop()


def sent(words: compose.Words, **changed: object) -> tuple[bytes, EmailMessage]:
    """Send a mail by a real server, and return what arrived, as bytes and as Python's own parser reads it."""
    fields: dict[str, object] = {
        "number": 7,
        "occasion": "alarm:43:1",
        "person": "tech-1",
        "channel": "mail",
        "kind": "fault",
        "due_at": NOW,
        "made_at": NOW,
        "subject": words.subject,
        "text": words.text,
        "html": words.html,
        "message_id": "<wm.5f2a@example.org>",
        "references": "<wm.alarm.43.veldran-hills@example.org>",
        "pictures": words.pictures,
    }
    with post_office() as (post, settings):
        channels = Channels(network(mail=settings))
        row = Notice(**fields | changed)  # type: ignore[arg-type]
        outcome = channels.send(row, Contact(name="tech-1", roles=("crew",), mail="tech-1@example.org"), "mail", NOW)
    assert outcome.fate is Fate.ACCEPTED
    return post.received[0], cast(EmailMessage, email.message_from_bytes(post.received[0], policy=default))


@pytest.mark.parametrize("name", MAILS)
def test_a_mail_is_read_back_whole(name: str) -> None:
    """Plain part, page and pictures, each picture where the page asks for it (RFC 2387, RFC 2392)."""
    words = illustrated()[name]
    _, message = sent(words)

    assert [part.defects for part in message.walk() if part.defects] == []
    plain, page = message.get_body(("plain",)), message.get_body(("html",))
    assert plain is not None
    assert page is not None
    assert plain.get_content().splitlines() == words.text.splitlines()
    assert page.get_content().splitlines() == words.html.splitlines()
    assert message["Subject"] == words.subject
    images = [part for part in message.walk() if part.get_content_type() == "image/png"]
    assert [image.get_content() for image in images] == [picture.png for picture in words.pictures]  # type: ignore[attr-defined]
    asked_for = re.findall(r'src="cid:([^"]+)"', words.html)
    assert [image["Content-ID"] for image in images] == [f"<{name}>" for name in asked_for]
    assert all(image.get_content_disposition() == "inline" for image in images)
    kinds = [part.get_content_type() for part in message.walk()]
    related = ["multipart/related", "text/html", *["image/png"] * len(images)] if images else ["text/html"]
    assert kinds == ["multipart/alternative", "text/plain", *related]


@pytest.mark.parametrize("name", MAILS)
def test_lines_and_headers_are_as_the_standard_has_them(name: str) -> None:
    """At most 78 bytes a line, ASCII, one of each header that may be there only once (RFC 5322, 2.1.1 and 3.6)."""
    raw, message = sent(illustrated()[name])
    lines = raw.split(b"\r\n")

    assert max(map(len, lines)) <= 78
    assert not any(b"\n" in line or b"\r" in line for line in lines)
    assert raw.isascii()
    for header in ("From", "To", "Subject", "Date", "Message-ID", "In-Reply-To", "References", "MIME-Version"):
        assert len(message.get_all(header, [])) == 1, header
    assert message["Message-ID"] == "<wm.5f2a@example.org>"
    # RFC 3834, 5: what a program sent by itself says so, and no vacation answer comes back.
    assert message["Auto-Submitted"] == "auto-generated"


def test_every_kind_of_mail_says_that_a_program_sent_it() -> None:
    """Digests and drills too."""
    for kind in ("storm", "fault", "digest", "tool", "drill", "visit"):
        _, message = sent(illustrated()["silent"], kind=kind)
        assert message["Auto-Submitted"] == "auto-generated"


# --- what stands on a lock screen ---


@pytest.mark.parametrize(
    ("kind", "opens"), [(EventKind.REMINDED, "Reminder: "), (EventKind.ESCALATED, "Nobody answered: ")]
)
def test_a_mail_that_says_it_again_says_so_in_its_subject(kind: EventKind, opens: str) -> None:
    """Unless somebody has answered meanwhile."""
    here, now = network(), "2025-10-23T09:20"

    def subject(of: Alarm) -> str:
        row = notice(of, kind, "mail", now)
        return compose.words(row, of, kind, here.contacts[0], here, at(now)).subject

    assert subject(silent()).startswith(f"{opens}Fennick Bridge silent since 02:10")
    assert subject(replace(silent(), acknowledged_by="tech-2")).startswith("Fennick Bridge silent")


def test_earlier_rain_is_not_said_to_rise_still() -> None:
    """What is told late is no news of now."""
    words = illustrated()["storm"]

    assert words.subject.startswith("Earlier, told late: ")
    assert "Act on your plan." in words.text
    assert "rising" not in words.text


# --- the chat form ---


def chat(of: Alarm, now: str) -> str:
    here = network()
    return compose.words(
        notice(of, EventKind.RAISED, "chat", now), of, EventKind.RAISED, here.contacts[0], here, at(now), link=LINK
    ).text


def test_a_chat_message_is_complete_in_plain_lines() -> None:
    """The whole text with its link first, then the evidence, what to bring and the cautions; no markup, no table."""
    words = chat(clogged(), "2025-10-23T18:00")
    first, _, rest = words.partition("\n\n")

    assert first.startswith("Hollin Dam clogged? 0 mm since Mon 11:00, 5 neighbours 9.4-19 mm.")
    assert LINK in first
    assert "Evidence:\nDay, Hollin Dam, Neighbour, Away, Rain\nTue 21 Oct, 0 mm, Fennick Bridge, 6.1 km, 19 mm" in rest
    assert "Bring:\nBrush, wire, tweezers, test bottle, spare switch lead." in rest
    assert "Never walk or drive into moving water" in rest
    assert not set("<>|*`#") & set(words)


def test_a_chat_message_is_never_longer_than_a_room_takes() -> None:
    """Whole sections are left out, the text with what to do never."""
    gauges = [replace(storm()).numbers["gauges"][0] | {"name": f"Station with a long name {n}"} for n in range(60)]
    words = chat(
        replace(storm(), numbers={**storm().numbers, "gauges": gauges, "gauges_total": 60}), "2025-10-22T17:21"
    )

    assert septets(words) <= compose.CHAT_SEPTETS
    assert "Evidence:" not in words
    assert "not an official warning" in words
    assert "Act on your plan." in words


def test_a_page_kept_as_a_file_has_its_pictures_inside() -> None:
    """Nobody has to send it to themselves to see them."""
    page = compose.standing_alone(illustrated()["week"])

    assert "cid:" not in page
    assert page.count('src="data:image/png;base64,iVBORw0KGgo') == 2

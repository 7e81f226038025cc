"""How a notice says that it can be answered: only in ways that are set up, and never in the place of what counts."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from pydantic import SecretStr

from tests.telling.test_compose import LINK, said, text
from tests.telling.veldran import alarm, at, battery, clogged, mast_out, network, notice, silent, source_out, storm
from watchman.model import Alarm, EventKind
from watchman.network import Network
from watchman.settings import AnswersSettings, MailAnswersSettings
from watchman.telling import answering, compose
from watchman.telling.gsm import septets

BOX = MailAnswersSettings(host="mail.example.org", user="watch@example.org", password=SecretStr("x" * 8))
NOON = "2025-10-23T12:00"


def by_mail() -> Network:
    """Return the network with a box for replies."""
    return network(answers=AnswersSettings(mail=BOX))


def tips(held: bool = True) -> Alarm:
    """Return test tips that nobody booked."""
    numbers: dict[str, Any] = {
        "kind": "test tips",
        "held": held,
        "tips": 50,
        "mm": 10.0,
        "began_at": "2025-10-23T16:05:00+00:00",
        "ended_at": "2025-10-23T16:20:00+00:00",
        "reading_minutes": 5,
        "by_reading": [17, 17, 16],
        "dry_neighbours": 5,
    }
    return alarm(48, "doubtful-rain", "station:hollin", "2025-10-23T10:05", numbers)


EVERY: dict[str, tuple[Alarm, tuple[str, ...]]] = {
    "silent": (silent(), ("Fennick Br silent since 02:10", "Bring modem")),
    "clogged": (clogged(), ("Hollin Dam clogged?", "Bring brush, wire, test bottle.")),
    "battery": (battery(), ("Larkmoor battery", "Bring")),
    "mast": (mast_out(since="2025-10-23T02:10"), ("Mast T3: 4 stations silent", "Don't drive")),
    "source": (source_out(since="2025-10-23T11:05"), ("Source main",)),
    "storm": (
        storm(since="2025-10-22T17:05"),
        ("Ashlow Gap", "14 mm/15 min", "Gauge reading, not an official warning."),
    ),
    "tips": (tips(), ("Hollin Dam: test tips?", "Held out of rain totals.", "was somebody there?")),
}


@pytest.mark.parametrize("which", EVERY)
def test_a_text_with_its_letters(which: str) -> None:
    """The letters take the link's place and the number's; what, where and what to do stay, in one text."""
    of, stays = EVERY[which]
    now = "2025-10-22T17:25" if which == "storm" else NOON
    words = text(of, now, code="kxq", link=LINK)
    assert f"{of.number}kxq" in words
    assert LINK not in words
    assert f"No. {of.number}." not in words
    assert all(part in words for part in stays)
    assert septets(words) <= 160


@pytest.mark.parametrize("which", EVERY)
def test_a_text_without_letters_offers_no_reply(which: str) -> None:
    """Where no text is read, none is asked for."""
    words = text(EVERY[which][0], NOON, link=LINK)
    assert "Reply" not in words
    assert septets(words) <= 160


def test_the_letters_are_read_back() -> None:
    """What the text says to reply is understood as it stands there."""
    here = network()
    for of, kind in ((silent(), "OK"), (storm(), "OK"), (tips(), "TEST"), (tips(held=False), "OK")):
        words = text(of, NOON, code="kxq")
        line = words.split("Reply ", 1)[1].split(".")[0].split(" or ")[0].split(",")[0]
        understood = answering.read(line, here, at(NOON))
        assert isinstance(understood, answering.Said)
        assert (understood.kind, understood.number, understood.code) == (kind, of.number, "kxq")


def test_held_tips_ask_test_or_rain() -> None:
    """The question is answered by its own two words."""
    assert "Reply TEST 48kxq or RAIN 48kxq." in text(tips(), NOON, code="kxq")


def test_a_mail_offers_what_this_notice_takes() -> None:
    """A table of words and what they do, in both parts, above the button; nothing of it where no mail is read."""
    for part in ("text", "html"):
        plain = getattr(said(clogged(), NOON, channel="mail", here=by_mail(), link=LINK), part)
        for line in (
            "Reply to this mail",
            "LATER THU",
            "NOT A FAULT why",
            "VISIT HOLLIN DAM 2H",
            "Or press a button here:",
        ):
            assert line in plain, (part, line)
        assert "RAIN" not in plain.split("Answer", 1)[1].split("Why me", 1)[0]
        assert "Reply to this mail" not in getattr(said(clogged(), NOON, channel="mail", link=LINK), part)


def test_a_storms_mail_is_acknowledged_and_no_more() -> None:
    """No visit, no closing: sent in error they would blind the network in the very rain."""
    plain = said(storm(), "2025-10-22T17:25", channel="mail", here=by_mail()).text
    answer = plain.split("Answer", 1)[1].split("Why me", 1)[0]
    assert "OK" in answer
    assert not any(word in answer for word in ("VISIT", "LATER", "NOT A FAULT", "DONE"))


def test_tips_by_mail() -> None:
    """Both words stand there with what they mean."""
    plain = said(tips(), NOON, channel="mail", here=by_mail()).text
    assert "TEST" in plain
    assert "somebody made these tips" in plain
    assert "it was rain after all" in plain


def drill(channel: str, here: Network, **ways: str) -> str:
    row = replace(notice(None, EventKind.TOLD, channel, NOON), kind="drill")
    return compose.occasion_words(compose.Drill(3), row, here.contacts[0], here, at(NOON), **ways).text


def test_a_drill() -> None:
    """By text with its letters and the person's own, by mail with a word, else with the link."""
    words = drill("text", network(), code="kxq", own_code="bcdfg", link=LINK)
    assert "Reply CAME 3kxq." in words
    assert "2H bcdfg" in words
    assert LINK not in words
    assert septets(words) <= 160
    assert "Reply CAME to this mail." in drill("mail", by_mail())
    assert LINK in drill("text", network(), link=LINK)
    assert "Nothing to do." in drill("text", network())


def test_what_became_of_an_answer() -> None:
    """The sentence, in one text, and in a mail whose subject stands alone."""
    sentence = "You are on site at Gorsehill School from 09:40 until Thu 11:40. Tips are kept, but not counted as rain."
    here = network()
    row = replace(notice(None, EventKind.ANSWERED, "text", NOON), kind="visit")
    words = compose.occasion_words(compose.Answered(sentence), row, here.contacts[0], here, at(NOON))
    assert septets(words.text) <= 160
    assert "Gorsehill School from 09:40 until Thu 11:40" in words.text
    mail = compose.occasion_words(
        compose.Answered(sentence), replace(row, channel="mail"), here.contacts[0], here, at(NOON)
    )
    assert mail.subject.startswith("Your answer: You are on site at Gorsehill School")
    assert sentence in " ".join(mail.text.split())

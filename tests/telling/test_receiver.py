"""Which page of "you got this: do this" belongs to a notice, and how a mail leads to it."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from pydantic import SecretStr

from tests.telling import test_digest
from tests.telling.veldran import (
    alarm,
    at,
    battery,
    clogged,
    mast_out,
    network,
    notice,
    silent,
    source_out,
    storm,
    storm_over,
)
from watchman.judging.checks import CHECKS
from watchman.model import Alarm, EventKind, Notice
from watchman.network import Network
from watchman.settings import BoardSettings
from watchman.telling import compose, digest, receiver

FOLDER = Path(compose.__file__).parent / "templates" / "receiver"
NOW = "2025-10-23T07:10"
BOARD = BoardSettings(address="https://watch.example.org/a/", key=SecretStr("sixteen letters and more"))
HERE = network(board=BOARD)


def mail(of: Alarm, kind: EventKind, here: Network = HERE, channel: str = "mail") -> str:
    words = compose.words(notice(of, kind, channel, NOW), of, kind, here.contacts[0], here, at(NOW))
    assert words.trouble == ""
    return words.text


def test_every_check_and_every_part_of_the_list_has_a_page() -> None:
    """A new check is not done before its receiver knows what to do."""
    written = {path.stem for path in FOLDER.glob("*.txt")} - {"page"}
    assert written == receiver.KINDS
    assert set(CHECKS) <= written
    assert sum(map(len, receiver.PAGES.values())) == len(receiver.KINDS)
    assert set(receiver.OF_OCCASION.values()) <= written


@pytest.mark.parametrize(
    ("of", "kind", "page"),
    [
        (silent(), EventKind.RAISED, "overdue"),
        (silent(), EventKind.REMINDED, "overdue"),
        (mast_out(), EventKind.RAISED, "overdue-group"),
        (battery(), EventKind.UPDATED, "battery-decline"),
        (clogged(), EventKind.RAISED, "dry-among-wet"),
        (storm(), EventKind.RAISED, "heavy-rain"),
        (storm_over(), EventKind.ENDED, "heavy-rain-over"),
        (silent(), EventKind.RETURNED, "over"),
        (alarm(1, "check-failure", "tool:x", NOW, {"what": "x", "trouble": "y"}), EventKind.RAISED, "check-failure"),
        (alarm(1, "clock", "source:main", NOW, {"cause": "source"}), EventKind.RAISED, "clock"),
    ],
)
def test_a_step_of_an_alarm_has_its_page(of: Alarm, kind: EventKind, page: str) -> None:
    """By the check, and by whether several stations are one matter or it is over."""
    assert receiver.page_of(notice(of, kind, "mail", NOW), of) == page


@pytest.mark.parametrize(
    ("occasion", "kind", "page"),
    [
        ("off:2025-10-23T01:40/2025-10-23T07:15", "tool", "watch-was-off"),
        ("drill:3", "drill", "drill"),
        ("unanswered:3", "tool", "drill-unanswered"),
        ("undelivered:7", "tool", "not-delivered"),
        ("window:4", "visit", "visit"),
        ("answer:2025-10-23T07:10:abc", "tool", "answered"),
        ("digest:2025-W43", "digest", "digest"),
    ],
)
def test_what_is_no_step_of_an_alarm_has_its_page(occasion: str, kind: str, page: str) -> None:
    row = Notice(1, occasion, "tech-1", "mail", kind, due_at=at(NOW), made_at=at(NOW))
    assert receiver.page_of(row, None) == page


def test_a_check_without_a_page_has_no_line() -> None:
    """Somebody's own check sends nobody to a page that isn't there."""
    of = alarm(41, "warm-box", "station:kettle", NOW, {"tips": 14})
    assert receiver.page_of(notice(of, EventKind.RAISED, "mail", NOW), of) == ""
    assert "/help" not in mail(of, EventKind.RAISED)


def test_a_mail_leads_to_its_page() -> None:
    """In the plain part and as a link, where the board is set up; no secret stands in the address."""
    text = mail(silent(), EventKind.RAISED)
    assert "Help      What to do with it: https://watch.example.org/a/help/overdue\n" in text
    assert "called" not in text
    assert "/help" not in mail(silent(), EventKind.RAISED, network())


def test_who_was_called_also_learns_why() -> None:
    """Both pages: what to do with it, and why it is theirs now."""
    of = replace(silent(), called=("tech-1",))
    text = mail(of, EventKind.ESCALATED)
    assert "https://watch.example.org/a/help/overdue\n" in text
    assert "Why you were called: https://watch.example.org/a/help/called\n" in text


def test_a_text_has_no_room_for_it() -> None:
    """The form behind the person's own link leads there."""
    assert "/help" not in mail(silent(), EventKind.RAISED, channel="text")


def test_a_networks_own_words_for_an_occasion(tmp_path: Path) -> None:
    """Whatever is told, its words may be the network's: here a drill's, built on ours."""
    folder = tmp_path / "templates" / "occasions"
    folder.mkdir(parents=True)
    (folder / "drill.txt").write_text(
        '{% extends "ours/occasions/drill.txt" %}\n{% block text %}\nDrill {{ number }}, {{ name }}: phone the hut.\n'
        "{% endblock %}\n"
    )
    here = network(folder=tmp_path)
    row = Notice(1, "drill:3", "tech-1", "text", "drill", due_at=at(NOW), made_at=at(NOW))
    words = compose.occasion_words(compose.Drill(3), row, here.contacts[0], here, at(NOW))
    assert (words.text, words.trouble) == ("Drill 3, tech-1: phone the hut.", "")
    mail_ = compose.occasion_words(compose.Drill(3), replace(row, channel="mail"), here.contacts[0], here, at(NOW))
    assert "nothing is wrong" in mail_.text


def test_the_html_part_has_it_as_a_link() -> None:
    """A phone opens it with a tap; an address among the words of a fault stays plain text."""
    of = replace(source_out(trouble="see https://example.org/outage"), called=("tech-1",))
    words = compose.words(
        notice(of, EventKind.ESCALATED, "mail", NOW), of, EventKind.ESCALATED, HERE.contacts[0], HERE, at(NOW)
    )
    assert re.findall(r'href="([^"]*)"[^>]*>([^<]*)<', words.html) == [
        ("https://watch.example.org/a/help/source-outage", "What to do with it"),
        ("https://watch.example.org/a/help/called", "Why you were called"),
    ]
    assert "see https://example.org/outage" in words.html


def test_the_digest_says_what_to_do_when_it_does_not_come() -> None:
    """The page is reached from last week's digest, which the reader still has."""
    week = digest.week(HERE, test_digest.facts())
    assert "https://watch.example.org/a/help/digest\n" in digest.digest_words(week, HERE.contacts[2], HERE).text


def test_a_volunteer_is_told_how_to_stop() -> None:
    """In every mail to somebody who has no other role, and in no other."""
    host = HERE.contacts[0].model_copy(update={"roles": ("volunteer host",)})
    here = network(board=BOARD, contacts=(host,))
    stop = "What you get, and how to stop it: https://watch.example.org/a/help/volunteer\n"
    # A line too long for its column is broken at a space.
    assert stop.replace(": ", ":\n          ") in mail(clogged(), EventKind.RAISED, here)
    assert "volunteer" not in mail(clogged(), EventKind.RAISED)

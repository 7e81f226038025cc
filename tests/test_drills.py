"""A drill that nobody answers is told of: once, by day, to those who can phone."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from pydantic import SecretStr

from tests.telling.veldran import at, contact, network
from watchman import drills, overview, speech, watch
from watchman.model import NoticeState
from watchman.network import Network
from watchman.settings import BoardSettings
from watchman.store import Store
from watchman.telling import roster
from watchman.telling.gsm import septets

PEOPLE = (
    contact("tech-1", "technician", mail=False),
    contact("warden-1", "warden"),
    contact("crew-1", "crew", text=False),
    contact("supervisor-1", "supervisor", mail=False),
)
BOARD = BoardSettings(address="https://watch.example.org", key=SecretStr("0123456789abcdef"))
TEN = at("2025-10-22T10:00")


class Drilled:
    """A network on a real store, a drill made at ten."""

    def __init__(self, folder: Path, **changed: Any) -> None:
        self.network: Network = network(**{"folder": folder, "contacts": PEOPLE, "board": BOARD} | changed)
        self.store = Store.open("sqlite:///watch.db", folder)
        self.watch = watch.begin(self.network, self.store, TEN)
        self.drill(TEN)

    def drill(self, now: datetime) -> None:
        number = int(self.store.marks().get("last_drill", 0)) + 1
        notices = roster.summon(self.network, f"drill:{number}", "drill", self.network.contacts, now)
        self.store.add_notices(notices, {"last_drill": str(number), "last_drill_at": now.isoformat()})

    def came(self, *people: str, number: int = 1) -> None:
        for person in people:
            self.store.add_answer(TEN + timedelta(minutes=5), "came", person, 0, reason=f"drill:{number}")

    def cycle(self, now: datetime) -> list[tuple[str, datetime]]:
        """Run a cycle; return who is told that some have not answered, and when."""
        watch.cycle(self.watch, [], now)
        made = [one for one in self.store.notices() if one.occasion.startswith("unanswered:")]
        return sorted({(one.person, one.due_at) for one in made})

    def said(self, now: datetime, person: str = "tech-1") -> str | None:
        """Return what a person is told."""
        speaker = speech.Speaker(self.network, self.store, self.watch, now)
        row = next(one for one in self.store.notices() if one.occasion == "unanswered:1" and one.person == person)
        words = speaker.words(row)
        return words.text if words else None


@pytest.fixture
def drilled(tmp_path: Path) -> Drilled:
    """A drill that the technician alone has answered."""
    made = Drilled(tmp_path)
    made.came("tech-1")
    return made


def test_four_hours_later_the_technician_and_the_supervisor_hear_who_has_not_answered(drilled: Drilled) -> None:
    """Once; by name, the count first, within one message."""
    assert drilled.cycle(TEN + timedelta(minutes=239)) == []
    told = drilled.cycle(TEN + timedelta(hours=4))
    assert told == [(person, TEN + timedelta(hours=4)) for person in ("supervisor-1", "tech-1")]
    said = drilled.said(TEN + timedelta(hours=4))
    assert said is not None
    assert said.startswith("Drill 1 of 10:00: 1 of 4 answered. Not warden-1, crew-1, supervisor-1.")
    assert "Phone them" in said
    assert septets(said) <= 160
    assert drilled.cycle(TEN + timedelta(hours=9)) == told


def test_when_all_have_answered_nobody_is_told(drilled: Drilled) -> None:
    """Nor later."""
    drilled.came("warden-1", "crew-1", "supervisor-1")
    assert drilled.cycle(TEN + timedelta(hours=4)) == []
    assert drilled.cycle(TEN + timedelta(hours=40)) == []


def test_who_answers_before_it_is_said_is_not_named(drilled: Drilled) -> None:
    """And when the last one has answered meanwhile, nothing is said."""
    drilled.cycle(TEN + timedelta(hours=4))
    drilled.came("warden-1", "crew-1")
    assert "Not supervisor-1." in str(drilled.said(TEN + timedelta(hours=4)))
    drilled.came("supervisor-1")
    assert drilled.said(TEN + timedelta(hours=4)) is None


def test_an_evening_drill_is_told_of_in_the_morning(tmp_path: Path) -> None:
    """Nobody is woken by it."""
    made = Drilled(tmp_path)
    made.drill(at("2025-10-22T18:00"))
    assert {due for _, due in made.cycle(at("2025-10-22T22:00"))} == {at("2025-10-23T07:00")}


def test_a_newer_drill_takes_the_older_one_s_place(drilled: Drilled) -> None:
    """Answers to the first are none to the second, and only the second is told of."""
    drilled.drill(TEN + timedelta(hours=1))
    assert drilled.cycle(TEN + timedelta(hours=4)) == []
    drilled.cycle(TEN + timedelta(hours=5))
    assert {one.occasion for one in drilled.store.notices() if "unanswered" in one.occasion} == {"unanswered:2"}
    last = drills.last(drilled.store)
    assert last is not None
    assert last.missing == ("tech-1", "warden-1", "crew-1", "supervisor-1")


def test_where_nobody_can_answer_nobody_is_blamed(tmp_path: Path) -> None:
    """Without page, mail or text for answers a drill only shows what was accepted."""
    made = Drilled(tmp_path, board=None)
    assert made.cycle(TEN + timedelta(hours=4)) == []


def test_a_restart_tells_it_neither_twice_nor_never(drilled: Drilled) -> None:
    """What was looked at is in the store."""
    drilled.watch = watch.begin(drilled.network, drilled.store, TEN + timedelta(hours=5))
    assert len(drilled.cycle(TEN + timedelta(hours=5))) == 2
    drilled.watch = watch.begin(drilled.network, drilled.store, TEN + timedelta(hours=6))
    drilled.cycle(TEN + timedelta(hours=6))
    assert [one.occasion for one in drilled.store.notices()].count("unanswered:1") == 2


def test_the_command_shows_who_has_answered_and_what_became_of_the_rest(drilled: Drilled) -> None:
    """By person, with each way."""
    text = next(one for one in drilled.store.notices() if (one.person, one.channel) == ("warden-1", "text"))
    drilled.store.begin_attempt(text.number, TEN)
    drilled.store.settle(text.number, TEN, NoticeState.REFUSED, error="550 no such number")
    lines = overview.drill_answers(drilled.network, drilled.store, TEN + timedelta(hours=1))
    assert lines[0] == "Drill 1, Wed 22 Oct 10:00 UTC-6: 1 of 4 people answered."
    assert "  tech-1         answered Wed 22 Oct 10:05 UTC-6" in lines
    assert "  warden-1       NOT answered (text refused: 550 no such number, mail due)" in lines


def test_without_a_drill_the_command_says_so(tmp_path: Path) -> None:
    """Rather than nothing."""
    store = Store.open("sqlite:///watch.db", tmp_path)
    assert "no drill yet" in overview.drill_answers(replace(network(), folder=tmp_path), store, TEN)[0]


def test_whom_no_notice_reached_is_named_as_such_in_the_mail(drilled: Drilled) -> None:
    """A refused number is worse than a busy person."""
    for row in drilled.store.notices():
        if row.person == "warden-1":
            drilled.store.begin_attempt(row.number, TEN)
            drilled.store.settle(row.number, TEN, NoticeState.REFUSED, error="no")
    last = drills.last(drilled.store)
    assert last is not None
    assert last.lost == ("warden-1",)

"""Who would be told now, in a sentence a role; and which role heavy rain would not reach."""

from __future__ import annotations

from datetime import date, time
from typing import Any

import pytest
from pydantic import SecretStr

from tests.telling.veldran import at, contact, network
from watchman.judging.rule import BesideRain, Rule
from watchman.model import When
from watchman.network import Network
from watchman.settings import BoardSettings, DutySettings, HolidaySettings, QuietHoursSettings
from watchman.telling import who

PEOPLE = (
    contact("warden-1", "warden"),
    contact("warden-2", "warden", mail=False),
    contact("warden-3", "warden", text=False),
    contact("supervisor-1", "supervisor", text=False, chat=True),
)
TURNS = DutySettings(role="warden", people=("warden-1", "warden-2", "warden-3"), first_day=date(2025, 10, 17))
RULES = (
    Rule(name="heavy-rain", check="heavy-rain", when=When.NOW, tell=("warden",)),
    Rule(name="overdue", check="overdue", tell=("technician",), beside_rain=BesideRain(tell=("warden", "supervisor"))),
)
NIGHT = QuietHoursSettings(begins=time(22), ends=time(6, 30))


def here(**changed: Any) -> Network:
    board = BoardSettings(address="https://watch.example.org", key=SecretStr("0123456789abcdef"))
    return network(**{"contacts": PEOPLE, "duty": (TURNS,), "rules": RULES, "board": board} | changed)


def people(**changed: Any) -> tuple[Any, ...]:
    """Return the contacts with the first warden changed."""
    return (PEOPLE[0].model_copy(update=changed), *PEOPLE[1:])


def away(person: str) -> HolidaySettings:
    return HolidaySettings(person=person, first_day=date(2025, 10, 20), last_day=date(2025, 10, 26))


def test_who_is_on_duty_how_they_are_reached_until_when_and_who_is_next() -> None:
    """One line that a supervisor reads on the phone."""
    assert who.would_tell(here(), "warden", at("2025-10-22T12:00")) == (
        "warden: warden-1 (text and mail, on duty until Fri 24 Oct 12:00 UTC-6), then warden-2 and warden-3."
    )


def test_who_is_away_and_who_has_quiet_hours() -> None:
    """With the day on which they are back, and what rings all the same."""
    asleep = people(quiet_hours=NIGHT)
    of = here(contacts=asleep, holidays=(away("warden-2"),))
    assert who.would_tell(of, "warden", at("2025-10-22T23:00")).endswith(
        "then warden-3. warden-1 has quiet hours until Thu 06:30, heavy rain apart. warden-2 is away until Sun 26 Oct."
    )
    holds = here(contacts=people(quiet_hours=NIGHT, hold_heavy_rain=True))
    assert who.would_tell(holds, "warden", at("2025-10-22T23:00")).endswith("warden-1 has quiet hours until Thu 06:30.")


def test_a_role_without_turns_names_everybody_and_one_without_people_nobody() -> None:
    """So that a slip is seen."""
    assert who.would_tell(here(duty=()), "supervisor", at("2025-10-22T12:00")) == (
        "supervisor: supervisor-1 (mail and chat)."
    )
    assert who.would_tell(here(), "technician", at("2025-10-22T12:00")) == "technician: NOBODY."
    stopped = here(contacts=(PEOPLE[3],), stopped=frozenset({"supervisor-1"}))
    assert who.would_tell(stopped, "supervisor", at("2025-10-22T12:00")) == "supervisor: NOBODY."


def test_the_roles_are_those_of_all_rules() -> None:
    """Also those told beside rain alone."""
    assert who.roles_told(here()) == ["warden", "technician", "supervisor"]


@pytest.mark.parametrize(
    ("changed", "now", "answered", "expected"),
    [
        ({}, "2025-10-22T12:00", None, ""),
        ({}, "2025-10-22T12:00", {"warden-1"}, ""),
        ({}, "2025-10-22T12:00", {"warden-3"}, ""),
        ({}, "2025-10-22T12:00", set(), "of warden-1, warden-2 and warden-3 nobody answered the last drill"),
        ({}, "2025-10-22T12:00", {"supervisor-1"}, "nobody answered the last drill"),
        (
            {"holidays": (away("warden-1"), away("warden-2"))},
            "2025-10-22T12:00",
            None,
            "nobody who is there now has text",
        ),
        ({"contacts": PEOPLE[2:], "duty": ()}, "2025-10-22T12:00", None, "nobody who is there now has text or chat"),
        (
            {"contacts": people(quiet_hours=NIGHT, hold_heavy_rain=True), "duty": (), "holidays": (away("warden-2"),)},
            "2025-10-22T23:00",
            None,
            "everybody who is there now holds heavy rain back",
        ),
        (
            {"contacts": people(quiet_hours=NIGHT, hold_heavy_rain=True), "holidays": (away("warden-2"),)},
            "2025-10-22T12:00",
            None,
            "",
        ),
    ],
)
def test_a_role_that_heavy_rain_would_not_reach_is_named(changed: Any, now: str, answered: Any, expected: str) -> None:
    """Nobody with a text, all asleep by their own wish, or nobody who answers."""
    said = list(who.unsafe(here(**changed), at(now), answered))
    assert len(said) == bool(expected)
    assert all(line.startswith("warden: ") and expected in line for line in said)

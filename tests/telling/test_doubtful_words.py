"""Doubtful rain in words: what is doubted, whether it is held, what to do; each fits one message."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from tests.telling.veldran import alarm, at, network, notice, written
from watchman.model import Alarm, AlarmKey, EventKind
from watchman.telling import compose
from watchman.telling.gsm import septets

BURST: dict[str, Any] = {
    "held": True,
    "began_at": written("2025-10-22T10:05"),
    "ended_at": written("2025-10-22T10:20"),
    "tips": 50,
    "by_reading": [16, 17, 17],
    "reading_minutes": 5,
    "mm": 10.0,
    "restlessness": 0.0,
    "limit_restlessness": 0.3,
    "unlike_rain": True,
    "alone_a_month": None,
    "limit_alone_a_month": 0.15,
    "dry_neighbours": 6,
    "least_tips": 20,
}
SPIKE: dict[str, Any] = {
    "impossible": False,
    "ended_at": written("2025-10-22T10:15"),
    "mm": 17.8,
    "minutes": 5,
    "limit_mm": 30.0,
    "around_mm": 0.0,
    "neighbours": 9,
    "neighbours_median_mm": 0.0,
}
DOUBLED: dict[str, Any] = {
    "ratio": 2.04,
    "ratio_before": 1.02,
    "over_mm": 41.3,
    "even_hours": 38,
    "wet_hours": 40,
    "even_odds": 3e8,
    "odds": 41000,
    "limit_odds": 30,
}
KINDS: dict[str, dict[str, Any]] = {
    "test tips": BURST,
    "poured": BURST | {"held": False, "tips": 40, "mm": 8.0},
    "spike": SPIKE,
    "unit": {"held": True, "factor": 0.0394, "times": "a 25.4th of", "tip_mm": 0.254, "relied_on": True},
    "doubled": DOUBLED,
    "off the grid": {"tip_mm": 0.2, "moves_in_mm": 0.254},
    "wrong tip size": {"ratio": 0.79, "over_mm": 320, "tip_mm": 0.2, "perhaps_mm": 0.254},
    "stray tips": {"hours": 14, "in_days": 14, "limit_hours": 8},
    "sprinkler": {"days": 4, "in_days": 14, "limit_days": 3, "last_at": written("2025-10-21T20:00")},
}
MORE: list[tuple[str, dict[str, Any]]] = [
    *KINDS.items(),
    ("test tips", {"held": True, "began_at": written("2025-10-22T10:05"), "ended_at": written("2025-10-22T10:20")}),
    ("test tips", BURST | {"held": False}),
    ("poured", BURST | {"held": False, "unlike_rain": False, "alone_a_month": 0.07}),
    ("spike", {"impossible": True, "held": True, "ended_at": written("2025-10-22T10:15"), "mm": None}),
    ("spike", SPIKE | {"neighbours_median_mm": None}),
    ("unit", KINDS["unit"] | {"factor": None, "times": ""}),
    ("doubled", DOUBLED | {"ratio_before": None}),
]


def doubtful(kind: str, numbers: dict[str, Any]) -> Alarm:
    """Return such an alarm at a station whose short name has twelve letters."""
    given = {"kind": kind, "looked_for": [kind], "held": False} | numbers
    one = alarm(48, "doubtful-rain", "station:juniper", "2025-10-22T10:05", given)
    return replace(one, key=AlarmKey("doubtful-rain", "doubtful-rain", "station:ashlow"), stations=("ashlow",))


def said(of: Alarm, channel: str = "text", kind: EventKind = EventKind.RAISED) -> compose.Words:
    here = network()
    row = notice(of, kind, channel, "2025-10-22T11:00")
    words = compose.words(row, of, kind, here.contacts[0], here, at("2025-10-22T11:00"))
    assert words.trouble == ""
    return words


def test_s8_test_tips_nobody_booked() -> None:
    """What, when, how much, that it is held, and the question."""
    assert said(doubtful("test tips", BURST)).text == (
        "Ashlow Gap: test tips? 50 tips (10 mm) since 10:05, 6 neighbours dry. Held out of rain totals. "
        "No visit booked: was somebody there? No. 48."
    )


def test_a_changed_unit_says_that_the_gauge_is_on_hold() -> None:
    """The warden must know that no storm will be told from here."""
    words = said(doubtful("unit", KINDS["unit"])).text
    assert "Readings are a 25.4th of what tips make" in words
    assert "Its rain is on hold: no totals, no heavy rain from here." in words


@pytest.mark.parametrize(("kind", "numbers"), MORE)
def test_every_kind_has_its_words_and_fits_one_message(kind: str, numbers: dict[str, Any]) -> None:
    """Place first, one message, a mail that stands alone, and a return."""
    one = doubtful(kind, numbers)
    for event in (EventKind.RAISED, EventKind.REMINDED, EventKind.ESCALATED):
        words = said(one, kind=event).text
        assert words.startswith("Ashlow Gap: ")
        assert septets(words) <= 160
    mail = said(one, "mail")
    assert "Ashlow Gap" in mail.subject
    assert "Meaning" in mail.text
    back = said(replace(one, absent_since=at("2025-10-22T10:55")), kind=EventKind.RETURNED)
    assert septets(back.text) <= 160
    assert "Nothing to do." in back.text


@pytest.mark.parametrize(("kind", "numbers"), [*MORE, ("", {"looked_for": list(KINDS)})])
def test_why_is_answered_for_every_kind(kind: str, numbers: dict[str, Any]) -> None:
    """In a sentence, with nothing that is not known; what was not seen is named in words."""
    facts = {"n": doubtful(kind, numbers).numbers, "verdict": "present" if kind else "absent", "reason": ""}
    said = compose.account("doubtful-rain", facts, network(), at("2025-10-22T11:00"))

    assert said.endswith(".")
    assert "None" not in said
    assert kind or said.startswith("No sign of test tips, poured water, a spike, another unit, tips counted twice,")


@pytest.mark.parametrize(
    ("unlike_rain", "words"), [(True, "going up and down"), (False, "rain hardly ever came to one")]
)
def test_why_says_on_what_poured_water_is_asked_about(unlike_rain: bool, words: str) -> None:
    """Its shape, or that such rain is rare here."""
    shown = doubtful("poured", BURST | {"held": False, "unlike_rain": unlike_rain}).numbers
    facts = {"n": shown, "verdict": "present", "reason": ""}
    assert words in compose.account("doubtful-rain", facts, network(), at("2025-10-22T11:00"))

"""Limit: beyond a limit for a time, and not because the weather is."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from tests.helpers import moment, stations_at, view_of
from watchman.judging.checks import limit
from watchman.judging.checks.limit import Limit, Settings
from watchman.judging.view import View
from watchman.model import BATTERY, HUMIDITY, RAIN, SIGNAL, TEMPERATURE, Severity, Verdict

NOW = moment("2025-08-21T18:00Z")
ABSENT, PRESENT, UNDETERMINED = Verdict.ABSENT, Verdict.PRESENT, Verdict.UNDETERMINED
RULES = Path(__file__).parents[3] / "rules"
STATIONS, DAYS = 4, 31


def shipped(name: str) -> Settings:
    """Return the settings of a rule file that we ship."""
    written = tomllib.loads((RULES / f"{name}.toml").read_text(encoding="utf-8"))["settings"]
    return Settings.model_validate(written)


def seen(kind: int, values: np.ndarray, *, stations: int = STATIONS, far: bool = False, **columns: Any) -> View:
    """Return stations that have sent a variable [reading, station] every half hour until now, and rain."""
    times = NOW - 60 - 1800 * np.arange(len(values))[::-1]
    places = [((100.0 if far else 4.0) * place, 0.0) for place in range(stations)]
    table = np.broadcast_to(values, (len(times), stations)).astype(float)
    return view_of(stations_at(places, **columns), NOW, times, {RAIN: np.zeros_like(table), kind: table})


def month(usual: float, swing: float, seed: int = 1) -> np.ndarray:
    """Return a month of half hours that swing with the day around a usual value [reading, station]."""
    random = np.random.default_rng(seed)
    hour = np.arange(DAYS * 48) / 2.0
    day = swing * np.sin(2 * np.pi * hour / 24.0)[:, None]
    return np.asarray(usual + day + random.normal(0, abs(swing) / 5 + 0.5, (len(hour), STATIONS)))


def verdicts(view: View, name: str) -> list[int]:
    return limit.judge(view, shipped(name)).verdict.tolist()


def test_a_box_that_stays_damp_beside_dry_ones_is_told() -> None:
    """88 % with dips at noon, for three days and a half."""
    values = month(55, 8)
    values[-7 * 24 :, 0] += 33
    found = limit.judge(seen(HUMIDITY, values), shipped("damp-box"))
    assert found.verdict.tolist() == [PRESENT, ABSENT, ABSENT, ABSENT]
    assert NOW - 5 * 86400 < found.since[0] < NOW - 2 * 86400


def test_a_box_that_was_damp_and_dries_is_left_in_peace() -> None:
    """Three damp days, and a dry one."""
    values = month(55, 8)
    values[-8 * 24 :, 0] += 33
    values[-2 * 24 :, 0] -= 33
    assert verdicts(seen(HUMIDITY, values), "damp-box")[0] == ABSENT


def test_a_wet_week_makes_no_box_damp() -> None:
    """When half of the neighbours are as damp it is the weather."""
    values = month(55, 8)
    values[-10 * 24 :, :3] += 35
    found = limit.judge(seen(HUMIDITY, values), shipped("damp-box"))
    assert PRESENT not in found.verdict.tolist()
    assert "weather" in found.reason[0]


def test_a_box_without_neighbours_must_be_damp_for_twice_as_long() -> None:
    """Alone it might be the weather."""
    values = month(55, 8)
    values[-7 * 24 :, 0] += 33
    assert verdicts(seen(HUMIDITY, values, far=True), "damp-box")[0] == UNDETERMINED
    values[-12 * 24 : -7 * 24, 0] += 33
    assert verdicts(seen(HUMIDITY, values, far=True), "damp-box")[0] == PRESENT


def test_a_signal_under_its_limit_is_told() -> None:
    """-108 dBm for three days."""
    values = month(-90, 1)
    values[-6 * 24 :, 1] = -108
    assert verdicts(seen(SIGNAL, values), "weak-signal") == [ABSENT, PRESENT, ABSENT, ABSENT]


def test_a_signal_that_fell_by_six_decibels_in_a_month_is_told() -> None:
    """From -80 to -88 dBm, far from the limit."""
    values = month(-80, 1)
    values[-8 * 24 :, 2] -= 8
    view = seen(SIGNAL, values)
    found = limit.judge(view, shipped("weak-signal"))
    assert found.verdict.tolist() == [ABSENT, ABSENT, PRESENT, ABSENT]
    told = limit.evidence(view, shipped("weak-signal"), found, 2)
    assert told["side"] == "fallen"
    assert told["value"] == pytest.approx(-88, abs=0.5)
    assert told["limit"] == pytest.approx(-86, abs=0.5)


def days_of(values: np.ndarray, *fallen: float) -> np.ndarray:
    """Return a month with the first station so much lower on its last whole days and in the hours since."""
    for days_ago, by in enumerate(reversed(fallen)):
        begin = len(values) - 36 - 48 * (days_ago + 1)
        values[begin : begin + 48 if days_ago else len(values), 0] -= by
    return values


@pytest.mark.parametrize(
    ("usual", "fallen", "told"),
    [
        (-80.0, (8.0, 8.0, 8.0), True),
        (-80.0, (8.0, 2.0, 8.0), False),
        (-91.0, (8.0, 2.0, 8.0), True),
        (-91.0, (2.0, 2.0, 8.0), False),
    ],
)
def test_two_bad_days_of_three_are_a_fall_only_where_the_signal_is_weak(
    usual: float, fallen: tuple[float, ...], told: bool
) -> None:
    """Under -95 dBm two will do; a good signal must be down on each of three; what is shown is what is compared."""
    values = days_of(month(usual, 1), *fallen)
    values[-30:, 0] -= 20
    view = seen(SIGNAL, values)
    found = limit.judge(view, shipped("weak-signal"))
    assert (found.verdict[0] == PRESENT) == told, "the day that runs is not looked at"
    fall = limit.evidence(view, shipped("weak-signal"), found, 0)["limits"][1]
    assert fall["value"] == pytest.approx(usual - sorted(fallen)[1], abs=0.5)
    assert (fall["fall_days"], fall["weak_dbm"]) == (3, -95.0)
    if told:
        assert fall["value"] <= fall["limit"]


def test_works_at_a_mast_are_no_fault_of_its_stations() -> None:
    """All fell alike."""
    values = month(-80, 1)
    values[-10 * 24 :] -= 8
    assert verdicts(seen(SIGNAL, values), "weak-signal") == [UNDETERMINED] * 4


def test_a_hot_box_is_told_and_a_heat_wave_is_not() -> None:
    """60 degC for an hour and a half in one box; in all of them it is the sun."""
    values = month(30, 12)
    values[-5:, 0] = 60
    assert verdicts(seen(TEMPERATURE, values), "hot-battery") == [PRESENT, ABSENT, ABSENT, ABSENT]
    values[-5:] = 60
    assert PRESENT not in verdicts(seen(TEMPERATURE, values), "hot-battery")


@pytest.mark.parametrize(
    ("chemistry", "usual", "honest", "too_much"),
    [
        ("lithium", 3.9, 4.25, 4.4),
        ("lithium-iron", 3.3, 3.7, 3.9),
        ("lead-acid", 12.8, 15.1, 15.6),
        ("", 12.8, 14.8, 15.6),
    ],
)
def test_a_battery_charged_too_far_is_told_by_its_chemistry(
    chemistry: str, usual: float, honest: float, too_much: float
) -> None:
    """What a good charger does is no alarm; above it is, and severe."""
    values = np.full((DAYS * 48, STATIONS), usual)
    values[-5:, 0] = honest
    view = seen(BATTERY, values, chemistry=(chemistry,) * STATIONS)
    assert verdicts(view, "hot-battery")[0] == ABSENT
    values[-5:, 0] = too_much
    found = limit.judge(seen(BATTERY, values, chemistry=(chemistry,) * STATIONS), shipped("hot-battery"))
    assert found.verdict[0] == PRESENT
    assert found.severity[0] == Severity.SEVERE.rank


def test_another_kind_of_battery_than_is_written_is_not_overcharged() -> None:
    """A 24 V battery has 26 V on every day."""
    values = np.full((DAYS * 48, STATIONS), 26.0)
    found = limit.judge(seen(BATTERY, values), shipped("hot-battery"))
    assert found.verdict[0] == UNDETERMINED
    assert "chemistry" in found.reason[0]


def test_what_is_not_sent_cannot_be_judged_and_evidence_answers_all_the_same() -> None:
    """Rain and volts only: damp can't be seen."""
    view = seen(BATTERY, np.full((DAYS * 48, STATIONS), 3.9))
    found = limit.judge(view, shipped("damp-box"))
    assert found.verdict.tolist() == [UNDETERMINED] * 4
    assert limit.evidence(view, shipped("damp-box"), found, 0)["limits"][0]["value"] is None


@pytest.mark.parametrize(
    "written",
    [
        {"variable": "signal", "hours": 1},
        {"variable": "signal", "below": -100, "above": 3, "hours": 1},
        {"variable": "signal", "below": -100},
        {"variable": "signal", "below": -100, "hours": 1, "days": 2},
        {"variable": "signal", "above_full_v": 0.1, "hours": 1},
    ],
)
def test_a_limit_that_is_none_is_refused(written: dict[str, Any]) -> None:
    """One side, one length of time."""
    with pytest.raises(ValidationError):
        Limit.model_validate(written)

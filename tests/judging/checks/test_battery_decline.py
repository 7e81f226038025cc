"""Battery decline: weather accuses nobody, a single decline is told in days, and what is missing makes it cautious."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from tests.helpers import moment, stations_at, view_of
from watchman.judging.checks import battery_decline
from watchman.judging.checks.battery_decline import SIGNS
from watchman.judging.science.battery import LEAD_ACID, LITHIUM, LITHIUM_IRON, TABLES
from watchman.judging.view import Findings, View
from watchman.model import BATTERY, Verdict

HOUR, DAY = 3600, 86400
BEGIN = moment("2025-10-01T00:00Z")
DAYS = 30
TIMES = BEGIN + HOUR * np.arange(1, DAYS * 24 + 1)
NOW = BEGIN + (DAYS - 1) * DAY + 9 * HOUR
PLACES = ((0.0, 0.0), (6.0, 0.0), (0.0, 6.0), (7.0, 7.0), (-6.0, 2.0), (3.0, -5.0))
ONE = 0


def steady(level: float = 0.8) -> np.ndarray:
    """Return each day's dawn charge [share of the table; day, station] of six healthy stations."""
    return np.full((DAYS, len(PLACES)), level)


def declining(per_day: float, for_days: int) -> np.ndarray:
    """Return such charges with the first one's falling over the last days."""
    dawn = steady()
    dawn[-for_days:, ONE] -= per_day * np.arange(1, for_days + 1)
    return dawn


def volts(dawn: np.ndarray, kind: str = LITHIUM, full_v: float | np.ndarray = 4.15) -> np.ndarray:
    """Return hourly volts: resting by night, up to full_v at noon [V; hour, station]."""
    night = np.interp(dawn, *TABLES[kind])
    hours = np.repeat(night, 24, axis=0)
    hours[13::24] = np.maximum(np.broadcast_to(full_v, dawn.shape), night)
    return hours


def judged(hours: np.ndarray, *, kind: str = LITHIUM, now: int = NOW, **columns: Any) -> tuple[View, Findings]:
    size = hours.shape[1]
    columns.setdefault("chemistry", (kind,) * size)
    stations = stations_at(columns.pop("places", PLACES[:size]), **columns)
    view = view_of(stations, now, TIMES, {BATTERY: hours})
    return view, battery_decline.judge(view, battery_decline.Settings())


def sign(findings: Findings, position: int = ONE) -> str:
    return SIGNS[int(findings.numbers["sign"][position])]


def test_a_steady_network_is_quiet() -> None:
    """Healthy batteries are absent, with many days left."""
    _, findings = judged(volts(steady()))
    assert (findings.verdict == Verdict.ABSENT).all()
    assert (findings.numbers["days_left"] == battery_decline.MANY_DAYS).all()


def test_a_decline_of_one_is_told_in_days() -> None:
    """Falling by 0.06 a day from 0.8, after 8 days 0.32 are left above nothing, some 5 above the cut-off's 0.05."""
    _, findings = judged(volts(declining(0.06, 8)))
    assert findings.present().tolist() == [ONE]
    assert sign(findings) == "declining"
    left, low, high = (float(findings.numbers[f"days_left{end}"][ONE]) for end in ("", "_low", "_high"))
    assert left == pytest.approx((0.8 - 8 * 0.06 - 0.05) / 0.06, abs=0.3)
    assert low <= left <= high
    # The last morning with its usual charge.
    assert findings.since[ONE] == BEGIN + (DAYS - 9) * DAY + 8 * HOUR


def test_cold_over_all_accuses_nobody() -> None:
    """When all fall alike, some from a lower level, it is the weather."""
    dawn = steady()
    dawn[:, 3] = 0.6
    dawn[-7:] -= 0.05 * np.arange(1, 8)[:, None]
    _, findings = judged(volts(dawn))
    assert len(findings.present()) == 0
    assert findings.numbers["days_left"][3] < 6


def test_falling_no_faster_than_its_peers_accuses_nobody() -> None:
    """One that fell last week and now falls with all the others suffers from the weather like them."""
    dawn = steady()
    dawn[-9:, ONE] -= 0.15
    dawn[-7:] -= 0.05 * np.arange(1, 8)[:, None]
    _, findings = judged(volts(dawn))
    assert findings.numbers["days_left"][ONE] < 6
    assert len(findings.present()) == 0


def test_falling_back_to_its_usual_charge_accuses_nobody() -> None:
    """One that had a good week, and falls to where it always was, doesn't decline; nor when it no longer fills."""
    dawn = steady()
    dawn[:, ONE] = 0.45
    dawn[-8:, ONE] = 0.8 - 0.05 * np.arange(8)
    full_v = np.full((DAYS, len(PLACES)), 4.15)
    full_v[-8:, ONE] = 3.9
    _, findings = judged(volts(dawn, full_v=full_v))
    assert findings.numbers["days_left"][ONE] < 12
    assert len(findings.present()) == 0


def test_one_cold_night_accuses_nobody() -> None:
    """A single night's fall of one battery is no decline."""
    dawn = steady()
    dawn[-1, ONE] = 0.4
    _, findings = judged(volts(dawn))
    assert len(findings.present()) == 0


def test_a_slow_fall_with_weeks_left_is_not_told() -> None:
    """0.01 a day leaves more than 12 days."""
    _, findings = judged(volts(declining(0.01, 20)))
    assert findings.verdict[ONE] == Verdict.ABSENT
    assert findings.numbers["days_left"][ONE] > 12


def test_not_full_while_the_peers_are_is_told_earlier() -> None:
    """20 days left are enough when it has not filled for 5 days and all five peers have."""
    full_v = np.full((DAYS, len(PLACES)), 4.15)
    full_v[-8:, ONE] = 3.9
    hours = volts(declining(0.025, 10), full_v=full_v)
    _, findings = judged(hours)
    assert findings.present().tolist() == [ONE]
    assert sign(findings) == "not full"
    assert 12 < findings.numbers["days_left"][ONE] <= 25
    assert [int(findings.numbers[name][ONE]) for name in ("days_not_full", "peers_full", "peers_total")] == [7, 5, 5]
    assert findings.since[ONE] == BEGIN + (DAYS - 8) * DAY


def test_nobody_full_in_a_cloudy_week_is_the_weather() -> None:
    """When fewer than 60 % of the peers fill, not filling says nothing."""
    full_v = np.full((DAYS, len(PLACES)), 4.15)
    full_v[-8:, :4] = 3.9
    _, findings = judged(volts(declining(0.025, 10), full_v=full_v))
    assert len(findings.present()) == 0


def test_under_the_floor_is_told_whatever_the_cause() -> None:
    """All at 3 % of their usable charge: each is told, and urgent."""
    dawn = steady(0.3)
    dawn[-1] = 0.07
    _, findings = judged(volts(dawn))
    assert (findings.verdict == Verdict.PRESENT).all()
    assert {sign(findings, position) for position in range(6)} == {"floor"}
    assert (findings.level == 1).all()


def test_the_last_three_days_are_a_level_more() -> None:
    """Ten days left are level 0, two are level 1: the rise is worth an update."""
    for per_day, level in ((0.042, 0), (0.08, 1)):
        _, findings = judged(volts(declining(per_day, 8)))
        assert (findings.verdict[ONE], findings.level[ONE]) == (Verdict.PRESENT, level)


def test_flat_curve_cells_are_judged_by_their_filling() -> None:
    """Iron phosphate names no days left; not filling for 5 days while the peers do is told."""
    full_v = np.full((DAYS, len(PLACES)), 3.5)
    full_v[-6:, ONE] = 3.3
    _, findings = judged(volts(declining(0.03, 6), LITHIUM_IRON, full_v), kind=LITHIUM_IRON)
    assert findings.present().tolist() == [ONE]
    assert sign(findings) == "not full"
    assert np.isnan(findings.numbers["days_left"]).all()


def test_lead_acid_declines_in_charge_too() -> None:
    """A 12 V battery is judged by its own table, also when nobody wrote its chemistry."""
    hours = volts(declining(0.07, 8), LEAD_ACID, 13.8)
    for chemistry in ((LEAD_ACID,) * 6, ("",) * 6):
        _, findings = judged(hours, chemistry=chemistry)
        assert findings.present().tolist() == [ONE]


def test_only_batteries_of_the_same_kind_are_peers() -> None:
    """One lithium cell among lead-acid has no peers, and is judged by its own past, more cautiously."""
    hours = volts(steady(), LEAD_ACID, 13.8)
    hours[:, ONE] = volts(declining(0.042, 8))[:, ONE]
    _, findings = judged(hours, chemistry=(LITHIUM,) + (LEAD_ACID,) * 5)
    assert findings.verdict[ONE] == Verdict.ABSENT
    assert "fewer than 3 peers" in findings.reason[ONE]
    hours[:, ONE] = volts(declining(0.06, 8))[:, ONE]
    _, findings = judged(hours, chemistry=(LITHIUM,) + (LEAD_ACID,) * 5)
    assert findings.verdict[ONE] == Verdict.PRESENT


def test_the_first_weeks_are_more_cautious() -> None:
    """With ten mornings of past, 10 days left are not told and 5 days left are."""
    for per_day, expected in ((0.042, Verdict.ABSENT), (0.065, Verdict.PRESENT)):
        hours = volts(declining(per_day, 8))
        hours[: (DAYS - 10) * 24] = np.nan
        _, findings = judged(hours)
        assert findings.verdict[ONE] == expected
        assert "two weeks" in findings.reason[ONE]


def test_a_new_lone_station_has_only_the_floor() -> None:
    """No peers and no past: a fall is not told, the floor is."""
    hours = volts(declining(0.06, 8))[:, :1]
    hours[: (DAYS - 10) * 24] = np.nan
    _, findings = judged(hours)
    assert findings.verdict[ONE] == Verdict.ABSENT
    hours[-48:] = 3.35
    _, findings = judged(hours)
    assert sign(findings) == "floor"


def test_too_few_or_too_old_mornings_are_undetermined() -> None:
    """Three mornings in seven are too few; two silent dawns are too old; no volts at all says so."""
    few, old, none = (volts(steady()) for _ in range(3))
    few[(DAYS - 6) * 24 : (DAYS - 2) * 24, ONE] = np.nan
    old[(DAYS - 2) * 24 :, ONE] = np.nan
    none[:, ONE] = np.nan
    for hours, words in ((few, "fewer than 4"), (old, "last 2 days"), (none, "sends no battery volts")):
        _, findings = judged(hours)
        assert findings.verdict[ONE] == Verdict.UNDETERMINED
        assert words in findings.reason[ONE]


def test_dawn_is_by_local_standard_time() -> None:
    """At seven hours west, the lowest hour of 3 to 8 h local is that of 10 to 15 h UTC."""
    hours = volts(steady())
    hours[12::24, ONE] = 3.7
    view, findings = judged(hours, utc_offset_s=-7 * HOUR, now=NOW + 8 * HOUR)
    assert findings.numbers["dawn_v"][ONE] == pytest.approx(3.7, abs=0.001)
    _, elsewhere = judged(hours, now=NOW + 8 * HOUR)
    assert elsewhere.numbers["dawn_v"][ONE] > 3.9
    assert view.stations.utc_offset_s == -7 * HOUR


def test_a_written_cutoff_holds() -> None:
    """A station that cuts off at 3.6 V has fewer days left than one that lasts to 3.3 V."""
    hours = volts(declining(0.05, 8))
    left = [
        float(judged(hours, cutoff_v=np.full(6, cutoff_v))[1].numbers["days_left"][ONE])
        for cutoff_v in (3.3, np.nan, 3.6)
    ]
    assert left[0] == left[1] > left[2] + 2


def test_evidence_is_fit_for_json() -> None:
    """All numbers are there, rounded; what the volts don't tell is null."""
    view, findings = judged(volts(declining(0.06, 8)))
    evidence = battery_decline.evidence(view, battery_decline.Settings(), findings, ONE)
    json.dumps(evidence, allow_nan=False)
    assert set(evidence) == {
        *("days_left", "days_left_low", "days_left_high", "charge_percent", "dawn_v", "cutoff_v"),
        *("days_not_full", "peers_full", "peers_total", "sign"),
    }
    assert (evidence["sign"], evidence["cutoff_v"]) == ("declining", 3.3)
    view, findings = judged(volts(steady(), LITHIUM_IRON, 3.5), kind=LITHIUM_IRON)
    assert battery_decline.evidence(view, battery_decline.Settings(), findings, ONE)["days_left"] is None


def test_the_order_of_stations_does_not_matter() -> None:
    """The last line of stations.csv is judged as the first."""
    hours = volts(declining(0.06, 8))
    _, findings = judged(hours[:, ::-1], places=PLACES[::-1])
    assert findings.present().tolist() == [len(PLACES) - 1]

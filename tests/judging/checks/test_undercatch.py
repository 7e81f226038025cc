"""Undercatch: a changed ratio is found with its date, showers that scatter and a neighbour's fault accuse nobody."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.helpers import moment, stations_at, view_of
from tests.telling.veldran import alarm, contact, network, notice
from watchman.judging.checks import undercatch
from watchman.judging.view import Findings, View, aware
from watchman.model import RAIN, TEMPERATURE, EventKind, Verdict
from watchman.telling import compose
from watchman.telling.gsm import septets

DAY = 86400
BEGIN = moment("2025-03-02T00:00Z")
DAYS = 300
PLACES = ((0.0, 0.0), (7.0, 0.0), (0.0, 8.0), (-9.0, 3.0), (5.0, -9.0), (12.0, 9.0))
FAULTY, BROKE_ON = 0, 170


def rain(scatter: float = 0.15, seed: int = 1) -> np.ndarray:
    """Return daily rain [mm; day, station]: every third day some 9 mm everywhere, each gauge scattering about it."""
    rng = np.random.default_rng(seed)
    common = np.where(np.arange(DAYS) % 3 == 0, rng.gamma(3.0, 3.0, DAYS), 0.0)[:, None]
    return np.round(common * np.exp(scatter * rng.normal(size=(DAYS, len(PLACES)))) / 0.2) * 0.2


def changed(mm: np.ndarray, factor: float, begin: int = BROKE_ON, end: int = DAYS, station: int = FAULTY) -> np.ndarray:
    """Return such rain with one gauge counting only a part of it for some days."""
    mm = mm.copy()
    mm[begin:end, station] = np.round(mm[begin:end, station] * factor / 0.2) * 0.2
    return mm


def judged(
    mm: np.ndarray, settings: undercatch.Settings | None = None, degrees: np.ndarray | None = None, **columns: Any
) -> tuple[View, Findings]:
    """Judge days of rain; a thermometer at every station unless others are given."""
    degrees = np.full(mm.shape, 15.0) if degrees is None else degrees
    times = BEGIN + DAY * np.arange(1, len(mm) + 1)
    now = int(times[-1]) + 3600
    view = view_of(stations_at(PLACES, **columns), now, times, {RAIN: mm, TEMPERATURE: degrees})
    return view, undercatch.judge(view, settings or undercatch.Settings())


def test_thirty_percent_less_is_told_with_its_date() -> None:
    """The gauge alone, 70 % of the usual, within a week of the day on which it broke."""
    view, findings = judged(changed(rain(), 0.7))
    assert findings.present().tolist() == [FAULTY]
    assert findings.numbers["ratio"][FAULTY] == pytest.approx(0.7, abs=0.05)
    assert abs(findings.since[FAULTY] - (BEGIN + BROKE_ON * DAY)) <= 7 * DAY
    shown = undercatch.evidence(view, undercatch.Settings(), findings, FAULTY)
    assert shown["percent_low"] <= 70 <= shown["percent_high"]
    assert shown["agree"] == shown["neighbours"] == 5
    assert shown["too_little"]


def test_weeks_that_it_was_stopped_before_hide_nothing() -> None:
    """Three weeks without a tip, mended, and then 70 %: told all the same, and by all neighbours."""
    view, findings = judged(changed(changed(rain(), 0.0, 120, 141), 0.7))
    assert findings.present().tolist() == [FAULTY]
    assert findings.numbers["ratio"][FAULTY] == pytest.approx(0.7, abs=0.05)
    assert undercatch.evidence(view, undercatch.Settings(), findings, FAULTY)["agree"] == 5


def test_too_much_is_told_alike() -> None:
    """A gauge that counts a third more than it used to."""
    view, findings = judged(changed(rain(), 1.35))
    assert findings.present().tolist() == [FAULTY]
    assert not undercatch.evidence(view, undercatch.Settings(), findings, FAULTY)["too_little"]


@pytest.mark.parametrize("scatter", [0.1, 0.5, 1.0])
def test_scatter_accuses_hardly_anybody(scatter: float) -> None:
    """Of 60 equal gauges over 300 days, in smooth rain and in showers, two at most."""
    assert sum(len(judged(rain(scatter, seed))[1].present()) for seed in range(10)) <= 2


def test_a_month_before_and_a_wet_month_after_are_enough_in_steady_rain() -> None:
    """A gauge that is new enough to have only a dozen wet days before it fails."""
    mm = changed(rain(0.15)[BROKE_ON - 36 : BROKE_ON + 45], 0.7, 36)
    assert judged(mm)[1].present().tolist() == [FAULTY]


def test_a_small_change_is_not_worth_a_visit() -> None:
    """10 % less is beyond chance here, and under the limit; with a lower limit it is told."""
    mm = changed(rain(0.05), 0.9)
    assert len(judged(mm)[1].present()) == 0
    assert judged(mm, undercatch.Settings(limit_percent=5))[1].present().tolist() == [FAULTY]


def test_showers_ask_for_more_rain() -> None:
    """The change that smooth rain shows in 60 days is not claimed among wild showers."""
    assert judged(changed(rain(0.15), 0.7)[: BROKE_ON + 60])[1].present().tolist() == [FAULTY]
    assert len(judged(changed(rain(0.8), 0.7)[: BROKE_ON + 60])[1].present()) == 0


def test_a_gauge_that_was_put_right_is_no_longer_told_nor_called_too_high() -> None:
    """70 % for three months, then as before for two: it is as it always was."""
    _, findings = judged(changed(rain(), 0.7, 120, 230))
    assert findings.verdict[FAULTY] == Verdict.ABSENT


def test_a_ratio_that_it_had_before_is_nothing_new() -> None:
    """70 % in the first 60 days and again in the last: such is this gauge now and then."""
    _, findings = judged(changed(changed(rain(0.1), 0.7, 0, 60), 0.7, 200))
    assert findings.numbers["odds"][FAULTY] > undercatch.ODDS[-1]
    assert findings.verdict[FAULTY] == Verdict.ABSENT


def test_a_neighbour_that_dies_accuses_nobody_else() -> None:
    """The nearest neighbour counts nothing from a day on: all others agree with each other."""
    _, findings = judged(changed(rain(), 0.0, station=1))
    assert set(findings.present().tolist()) <= {1}


def test_a_gauge_that_moved_starts_anew() -> None:
    """What it counted at its old place is not held against it."""
    from_s = np.zeros(len(PLACES), np.int64)
    from_s[FAULTY] = BEGIN + BROKE_ON * DAY
    assert len(judged(changed(rain(), 0.7), from_s=from_s)[1].present()) == 0


def test_days_of_frost_do_not_count() -> None:
    """A gauge that loses its snow is no gauge that loses its rain."""
    degrees = np.full((DAYS, len(PLACES)), 15.0)
    degrees[BROKE_ON:] = 1.0
    assert len(judged(changed(rain(), 0.5), degrees=degrees)[1].present()) == 0


def test_missing_days_are_no_rain_lost() -> None:
    """Two days in three that didn't arrive make no undercatch."""
    mm = rain()
    mm[BROKE_ON::2, FAULTY] = np.nan
    assert len(judged(mm)[1].present()) == 0


def test_what_cannot_be_judged_says_why_and_shows_numbers_all_the_same() -> None:
    """Too little rain; too few neighbours; evidence of any of them fits JSON."""
    view, findings = judged(rain()[:40])
    assert findings.verdict[FAULTY] == Verdict.UNDETERMINED
    assert findings.reason[FAULTY] == "fewer than 15 wet days to compare yet"
    shown = undercatch.evidence(view, undercatch.Settings(), findings, FAULTY)
    assert shown["percent_of_usual"] is None
    assert json.loads(json.dumps(shown)) == shown
    far = stations_at(PLACES)
    lonely = replace(far, neighbours=np.full_like(far.neighbours, -1))
    assert set(undercatch.judge(replace(view, stations=lonely), undercatch.Settings()).reason) == {
        "fewer than 3 gauges within 60 km"
    }


def test_the_text_fits_and_says_what_to_do() -> None:
    """Place, part, date, range, neighbours, the next visit."""
    view, findings = judged(changed(rain(), 0.7))
    numbers = undercatch.evidence(view, undercatch.Settings(), findings, FAULTY)
    told = alarm(51, "undercatch", "station:bracken", aware(int(findings.since[0])).isoformat()[:16], numbers)
    here = network()
    for kind in (EventKind.RAISED, EventKind.RETURNED):
        of = told if kind is EventKind.RAISED else replace(told, absent_since=aware(view.now))
        row = notice(of, kind, "text", aware(view.now).isoformat()[:16])
        words = compose.words(row, of, kind, contact("data-1", "data manager"), here, aware(view.now))
        assert words.trouble == ""
        assert septets(words.text) <= 160
        if kind is EventKind.RAISED:
            assert words.text.startswith("Bracken Hd counts 7")
            assert "test bottle" in words.text

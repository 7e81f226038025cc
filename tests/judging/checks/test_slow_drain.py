"""Slow drain: a funnel that lets rain out evenly is found, rain that ends later or a storm elsewhere is not."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.helpers import deliver, moment, record_of, seen, stations_at
from tests.telling.veldran import alarm, network, notice
from watchman.judging.checks import slow_drain
from watchman.judging.holding import MELT
from watchman.judging.view import Findings, View, aware
from watchman.model import RAIN, TEMPERATURE, WATCH, EventKind, Span, Verdict
from watchman.telling import compose
from watchman.telling.gsm import septets

STEP, HOUR, DAY = 300, 3600, 86400
BEGIN = moment("2025-06-01T00:00Z")
PLACES = ((0.0, 0.0), (6.0, 0.0), (0.0, 7.0), (-8.0, 2.0))
HELD = 0
TIP = 0.2


def showers(starts_h: tuple[float, ...], days: int, mm: float = 12.0, seed: int = 1) -> np.ndarray:
    """Return rain [mm per 5 min; time, station]: an hour and a half of uneven rain from each of these hours on."""
    rng = np.random.default_rng(seed)
    rain = np.zeros((days * 288, len(PLACES)))
    for start in starts_h:
        first = int(start * 12)
        shape = np.sin(np.linspace(0.1, np.pi - 0.1, 18))[:, None] * rng.gamma(2.0, 1.0, (18, len(PLACES)))
        rain[first : first + 18] += mm * shape / shape.sum(axis=0)
    return rain


def through(rain: np.ndarray, mm_h: float, begin_h: float = 0.0, end_h: float = 1e9) -> np.ndarray:
    """Return such rain let out of the first gauge's funnel at no more than a rate, between two hours."""
    rain, store = rain.copy(), 0.0
    for row in range(len(rain)):
        store += rain[row, HELD]
        rain[row, HELD] = min(store, mm_h / 12) if begin_h <= row / 12 < end_h else store
        store -= rain[row, HELD]
    return rain


def tips(rain: np.ndarray) -> np.ndarray:
    """Return whole tips [mm]."""
    return np.diff(np.floor(np.cumsum(rain, axis=0) / TIP + 0.3), axis=0, prepend=0.0) * TIP


def judged(
    rain: np.ndarray,
    *,
    reading: int = 1,
    degrees: float = 15.0,
    visit_h: float = 0.0,
    places: tuple[tuple[float, float], ...] = PLACES,
    **columns: Any,
) -> tuple[View, Findings]:
    """Judge at the end of the rain, delivered day by day in readings of so many 5 minutes."""
    mm = tips(rain).reshape(-1, reading, rain.shape[1]).sum(axis=1)
    times = BEGIN + STEP * reading * np.arange(1, len(mm) + 1)
    stations = stations_at(places, **columns)
    record = record_of(stations, BEGIN, STEP * reading)
    for day in range(len(rain) // 288):
        part = slice(day * 288 // reading, (day + 1) * 288 // reading)
        warmth = np.full(mm[part].shape, degrees)
        deliver(record, BEGIN + (day + 1) * DAY, times[part], {RAIN: mm[part], TEMPERATURE: warmth})
    view = seen(stations, int(times[-1]), record)
    visits = np.zeros(len(places), np.int64)
    visits[HELD] = BEGIN + int(visit_h * HOUR) if visit_h else 0
    view = replace(view, last_visit=visits)
    return view, slow_drain.judge(view, slow_drain.Settings())


@pytest.mark.parametrize("mm_h", [0.5, 1.0, 2.0, 4.0])
def test_one_clear_spell_is_told_with_its_rate(mm_h: float) -> None:
    """12 mm held back and let out evenly: told on the same day, the gauge alone, with the rate it lets through."""
    view, findings = judged(through(showers((38,), 3), mm_h))
    assert findings.present().tolist() == [HELD]
    assert findings.numbers["rate_mm_h"][HELD] == pytest.approx(mm_h, rel=0.1)
    shown = slow_drain.evidence(view, slow_drain.Settings(), findings, HELD)
    assert json.loads(json.dumps(shown)) == shown
    assert shown["each"][0]["rate_mm_h"] == pytest.approx(mm_h, abs=0.1)
    assert shown["hours_after"] > 1


def test_honest_gauges_are_left_alone() -> None:
    """The same showers through clean funnels, for two weeks."""
    for seed in range(5):
        _, findings = judged(showers((14, 61, 110, 182, 205, 300), 14, seed=seed))
        assert len(findings.present()) == 0
        assert (findings.verdict == Verdict.ABSENT).any()


@pytest.mark.parametrize("seed", range(8))
def test_rain_that_lasts_longer_here_is_rain(seed: int) -> None:
    """Uneven rain goes on for 4 hours after the neighbours are dry, twice."""
    rng = np.random.default_rng(seed)
    rain = showers((14, 40), 3, seed=seed)
    for start in (14, 40):
        first = int(start * 12) + 16
        rain[first : first + 48, HELD] += 0.1 * rng.gamma(1.5, 1.0, 48) * np.repeat(rng.gamma(1.0, 1.0, 8), 6)
    assert len(judged(rain)[1].present()) == 0


def test_rain_that_fades_over_hours_is_rain() -> None:
    """From 2.4 to 1.2 mm/h in six hours, smoothly, while the neighbours are dry, on two days."""
    rain = showers((14, 38), 3, mm=2.0)
    for start in (14, 38):
        first = int(start * 12) + 18
        rain[first : first + 72, HELD] += np.linspace(2.4, 1.2, 72) / 12
    assert len(judged(rain)[1].present()) == 0


def test_the_same_drizzle_everywhere_is_no_tail() -> None:
    """An even drizzle of a tip an hour at the neighbours and hardly more here, on two days."""
    rain = np.zeros((4 * 288, len(PLACES)))
    for first in (60, 2 * 288 + 60):
        rain[first : first + 12] = 0.5 / 12
        rain[first + 12 : first + 250] = 0.18 / 12
        rain[first + 12 : first + 250, HELD] = 0.22 / 12
    assert len(judged(rain)[1].present()) == 0


def test_another_shower_an_hour_later_is_no_tail() -> None:
    """A short shower comes over this gauge alone after a dry pause: a drain makes no pause."""
    rain = showers((14,), 2, mm=2.6)
    first = int(16.8 * 12)
    rain[first : first + 4, HELD] = np.array([0.9, 1.0, 1.0, 0.9])
    assert len(judged(rain)[1].present()) == 0


def test_even_drizzle_after_a_burst_is_no_lid() -> None:
    """The drizzle that follows is even, but the burst before it came through."""
    rain = showers((14,), 2)
    rain[15 * 12 : 21 * 12, HELD] += 1.0 / 12
    assert len(judged(rain)[1].present()) == 0


def drizzle(starts_h: tuple[float, ...], days: int) -> np.ndarray:
    """Return 2.8 mm of even rain in 140 minutes from each of these hours on, everywhere."""
    rain = np.zeros((days * 288, len(PLACES)))
    for start in starts_h:
        rain[int(start * 12) : int(start * 12) + 28] = 0.1
    return rain


def test_one_spell_that_is_not_clear_waits_for_a_second() -> None:
    """Fourteen even tips, hardly held back, say "a second one will tell", and so they do."""
    first = judged(through(drizzle((14,), 2), 0.7))[1]
    assert first.verdict[HELD] == Verdict.UNDETERMINED
    assert first.reason[HELD] == "one wet spell drained slowly: a second one will tell"
    assert judged(through(drizzle((14, 38), 3), 0.7))[1].present().tolist() == [HELD]


def test_fourteen_tips_tell_at_once_where_the_neighbours_had_far_more_in_an_hour() -> None:
    """3 mm in an hour and a half came out at 0.9 mm/h: what runs out later had been missing."""
    view, findings = judged(through(showers((14,), 2, mm=2.8), 0.9))
    assert findings.present().tolist() == [HELD]
    spell = slow_drain.evidence(view, slow_drain.Settings(), findings, HELD)["each"][0]
    assert spell["neighbour_mm"] >= 2 * spell["most_mm"]


def test_one_ill_neighbour_of_four_hides_no_tail() -> None:
    """One of four counts a tip every ten minutes for ever; where two do, nothing is said."""
    places = (*PLACES, (3.0, -7.0))
    rain = through(showers((38,), 3), 2.0)
    rain = np.concatenate([rain, rain[:, 1:2]], axis=1)
    rain[::2, 4] += TIP
    assert judged(rain, places=places)[1].present().tolist() == [HELD]
    dead = rain.copy()
    dead[:, 2] = 0.0
    assert HELD not in judged(dead, places=places)[1].present(), "of three that work none is left out"
    rain[::2, 1] += TIP
    assert HELD not in judged(rain, places=places)[1].present()


def test_it_is_remembered_and_ends_after_two_faster_spells() -> None:
    """Days later, out of the fine memory, it still stands; after two wet spells through a clean funnel it is over."""
    blocked = through(showers((14, 38, 180, 250), 12), 2.0, end_h=60)
    assert judged(blocked[: 7 * 288])[1].verdict[HELD] != Verdict.ABSENT
    assert judged(blocked[: 9 * 288])[1].verdict[HELD] != Verdict.ABSENT
    assert judged(blocked)[1].verdict[HELD] == Verdict.ABSENT


def test_a_visit_begins_anew() -> None:
    """What drained before the latest visit is not told after it."""
    rain = through(showers((14,), 3), 2.0)
    assert judged(rain)[1].present().tolist() == [HELD]
    assert len(judged(rain, visit_h=40)[1].present()) == 0


def test_melting_snow_drains_alike() -> None:
    """Around frost one spell tells nothing, nor do two at rates of their own; two held back to one rate do."""
    assert len(judged(through(showers((14,), 2), 1.0), degrees=1.5)[1].present()) == 0
    own_rates = through(through(showers((14, 38), 3), 1.6, end_h=37), 1.0, begin_h=37)
    assert len(judged(own_rates, degrees=1.5)[1].present()) == 0
    both = np.r_[0 : 2 * 288, 0 : 2 * 288]
    assert judged(through(showers((14,), 2), 1.0)[both], degrees=1.5)[1].present().tolist() == [HELD]
    alike = np.repeat(through(showers((14,), 2), 1.0)[:, :1], len(PLACES), axis=1)
    assert len(judged(alike[both], degrees=1.5)[1].present()) == 0


def test_what_was_held_back_as_melt_is_looked_at_all_the_same() -> None:
    """The even tips of an afternoon were left out of totals; the blocked funnel is told."""
    view, findings = judged(through(showers((38,), 3), 1.0))
    assert findings.present().tolist() == [HELD]
    begins, ends = BEGIN + 40 * HOUR, BEGIN + 60 * HOUR
    record = view.record
    for grid in (record.fine, record.hourly):
        cells = slice(grid.cell(begins + 1), grid.cell(ends) + 1)
        grid.held[cells, HELD], grid.rain[cells, HELD] = grid.rain[cells, HELD].copy(), 0
        grid.sum_again(0)
    assert len(slow_drain.judge(view, slow_drain.Settings()).present()) == 0
    melt = Span(1, "S0", aware(begins), aware(ends), MELT, WATCH, aware(ends))
    assert slow_drain.judge(replace(view, held_back=(melt,)), slow_drain.Settings()).present().tolist() == [HELD]


def test_a_dead_neighbour_or_dry_ones_make_no_tail() -> None:
    """An ordinary storm beside a gauge that never counts."""
    rain = showers((14, 40), 3)
    rain[:, 1] = 0.0
    assert len(judged(rain)[1].present()) == 0


@pytest.mark.parametrize("reading", [3, 12])
def test_longer_readings_see_it_too(reading: int) -> None:
    """Readings of 15 minutes and an hour, at a rate that takes many hours."""
    assert judged(through(showers((14, 62), 5), 1.0), reading=reading)[1].present().tolist() == [HELD]
    assert len(judged(showers((14, 62), 5), reading=reading)[1].present()) == 0


def test_what_cannot_be_judged_says_why() -> None:
    """No neighbours; no rain; nobody in."""
    dry = np.zeros((2 * 288, len(PLACES)))
    assert judged(dry)[1].reason[HELD].startswith("no wet spell")
    view, _ = judged(through(showers((14,), 2), 1.0))
    lonely = replace(view.stations, neighbours=np.full_like(view.stations.neighbours, -1))
    findings = slow_drain.judge(replace(view, stations=lonely), slow_drain.Settings())
    assert set(findings.reason) == {"fewer than 2 gauges within 30 km"}
    away = slow_drain.judge(replace(view, in_service=np.zeros(len(PLACES), bool)), slow_drain.Settings())
    assert set(away.verdict) == {Verdict.UNDETERMINED}
    for position in range(len(PLACES)):
        json.dumps(slow_drain.evidence(view, slow_drain.Settings(), away, position))


def test_the_texts_fit_and_say_what_to_do() -> None:
    """Place, sign, that peaks are wrong, what to do; and the return."""
    view, findings = judged(through(showers((38,), 3), 2.0), relied_on_by=("warden",) * len(PLACES))
    numbers = slow_drain.evidence(view, slow_drain.Settings(), findings, HELD)
    assert numbers["relied_on"]
    told = alarm(44, "slow-drain", "station:bracken", aware(int(findings.since[0])).isoformat()[:16], numbers)
    here = network()
    for kind in (EventKind.RAISED, EventKind.RETURNED):
        of = told if kind is EventKind.RAISED else replace(told, absent_since=aware(view.now))
        for channel in ("text", "mail"):
            row = notice(of, kind, channel, aware(view.now).isoformat()[:16])
            words = compose.words(row, of, kind, here.contacts[0], here, aware(view.now))
            assert words.trouble == ""
            assert channel == "mail" or septets(words.text) <= 160
            if kind is EventKind.RAISED and channel == "text":
                assert words.text.startswith("Bracken Hd drains slowly")
                assert "Clean funnel" in words.text

"""Doubtful rain: each kind by its own evidence, and honest rain never."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from tests.helpers import moment, stations_at, view_of
from watchman.judging import doubled, holding
from watchman.judging.checks import doubtful_rain
from watchman.judging.checks.doubtful_rain import AT_ONCE, Settings, high_influx, limit_mm
from watchman.judging.view import Findings, View, aware
from watchman.model import RAIN, TEMPERATURE, WATCH, Span, Verdict

FIVE, HOUR, DAY = 300, 3600, 86400
BEGIN = moment("2025-06-01T00:00Z")
TEN = moment("2025-06-03T10:00Z")
PLACES = ((0.0, 0.0), (6.0, 0.0), (0.0, 8.0), (-9.0, 4.0), (14.0, 2.0), (5.0, -12.0), (-4.0, -7.0))
ONE = 0
WEEKLY = Settings(kinds=("doubled", "off the grid", "wrong tip size", "stray tips", "sprinkler"))


def seen(mm: list[float], begins: int = TEN, step: int = FIVE, after: int = 12, **others: float) -> View:
    """Return what is seen some readings after these began at the first gauge; others: mm at all others meanwhile."""
    times = np.arange(BEGIN + step, BEGIN + 3 * DAY + 1, step)
    table = np.zeros((len(times), len(PLACES)))
    first = (begins - BEGIN) // step
    table[first : first + len(mm), 1:] = others.get("others", 0.0)
    table[first : first + len(mm), ONE] = mm
    return view_of(stations_at(PLACES), begins + (len(mm) + after) * step, times, {RAIN: table})


def kind_of(view: View, settings: Settings | None = None, position: int = ONE) -> str:
    findings = doubtful_rain.judge(view, settings or Settings())
    shown = shown_of(view, findings, settings, position)
    assert (findings.verdict[position] == Verdict.PRESENT) == bool(shown["kind"])
    return str(shown["kind"])


def shown_of(view: View, findings: Findings, settings: Settings | None = None, position: int = ONE) -> dict[str, Any]:
    shown = doubtful_rain.evidence(view, settings or Settings(), findings, position)
    json.dumps(shown)
    return shown


def test_a_dry_network_is_quiet() -> None:
    """Nothing is doubtful, for any rule, and the evidence says what was looked for."""
    view = seen([])
    for settings in (Settings(), WEEKLY):
        findings = doubtful_rain.judge(view, settings)
        assert (findings.verdict == Verdict.ABSENT).all()
        assert shown_of(view, findings, settings) == {"kind": "", "looked_for": list(settings.kinds), "held": False}


def test_held_test_tips_are_asked_about_for_a_day() -> None:
    """As long as their span ended within a day; then it is told, and over."""
    view = seen([1.0, 2.0, 2.0, 2.2, 2.0, 0.8])
    (span,) = holding.decided(view, ())
    assert kind_of(view) == "", "what is not held is no test"
    later = replace(view, held_back=(span,))
    findings = doubtful_rain.judge(later, Settings())
    assert findings.since[ONE] == TEN
    shown = shown_of(later, findings)
    assert (shown["kind"], shown["tips"], shown["mm"], shown["held"]) == ("test tips", 50, 10.0, True)
    assert shown["dry_neighbours"] == 6
    old = Span(1, "S0", aware(TEN - 2 * DAY), aware(TEN - DAY - 2 * HOUR), "test tips", WATCH, aware(TEN - DAY))
    assert kind_of(replace(seen([]), held_back=(old,))) == ""


def test_hours_of_a_test_are_asked_about_and_count() -> None:
    """With hourly readings nobody can tell: not held, but asked where rain comes to one gauge alone only rarely."""
    times = np.arange(TEN - 31 * DAY, TEN + 3 * HOUR + 1, HOUR)
    table = np.zeros((len(times), len(PLACES)))
    table[times == TEN + HOUR, ONE] = 10.0
    view = view_of(stations_at(PLACES), TEN + 3 * HOUR, times, {RAIN: table})
    findings = doubtful_rain.judge(view, Settings())
    shown = shown_of(view, findings)
    assert (shown["kind"], shown["held"]) == ("test tips", False)
    assert holding.decided(view, ()) == []
    table[[100, 300, 500], [2, 3, 5]] = 6.0
    assert kind_of(view_of(stations_at(PLACES), TEN + 3 * HOUR, times, {RAIN: table})) == "test tips", "poured thrice"
    table[[150, 350, 550], [2, 3, 5]] = 1.0
    assert kind_of(view_of(stations_at(PLACES), TEN + 3 * HOUR, times, {RAIN: table})) == "", "three were alone lately"


def test_water_poured_in_bursts_is_told() -> None:
    """Forty tips in bursts with pauses, the neighbours dry."""
    assert kind_of(seen([2.8, 0.0, 3.2, 0.6, 1.4])) == "poured"


@pytest.mark.parametrize(
    ("silent", "wet_before", "told"), [(0, 0.0, "poured"), (2, 0.0, "poured"), (3, 0.0, ""), (0, 0.4, "")]
)
def test_water_is_poured_only_out_of_a_sky_that_four_gauges_saw_dry(silent: int, wet_before: float, told: str) -> None:
    """Heard from three hours before to an hour after; two hours before it rained at them."""
    times = np.arange(BEGIN + FIVE, BEGIN + 3 * DAY + 1, FIVE)
    table = np.zeros((len(times), len(PLACES)))
    first = (TEN - BEGIN) // FIVE
    table[first : first + 5, ONE] = [2.8, 0.0, 3.2, 0.6, 1.4]
    table[first - 24, 1:] = wet_before
    table[first + 5 :, 1 : 1 + silent] = np.nan
    assert kind_of(view_of(stations_at(PLACES), TEN + 20 * FIVE, times, {RAIN: table})) == told


@pytest.mark.parametrize(
    ("view", "why"),
    [
        (seen([0.6, 2.2, 4.0, 5.6, 3.0, 1.2, 0.4]), "a cell rises and falls"),
        (seen([0.4, 2.2, 3.4, 2.0, 0.4, 0.0, 0.4]), "with a drop or two after"),
        (seen([1.0, 3.2, 0.8, 1.4, 0.6]), "it is short, and hardly goes up and down"),
        (seen([2.8, 0.0, 3.2, 0.6, 1.4], after=9), "the hour after is not over"),
        (seen([2.8, 0.0, 3.2, 0.6, 1.4], others=0.4), "it rains everywhere"),
        (seen([2.8, 0.0, 3.2, 0.6, 1.4], begins=TEN - 8 * HOUR), "it is night"),
        (seen([0.4, 0.0, 0.6, 0.2, 0.4, 0.8]), "it is little"),
    ],
)
def test_rain_is_not_poured_water(view: View, why: str) -> None:
    """Only what rain does not do, beside dry gauges, by day."""
    assert kind_of(view) == "", why


def test_a_lone_reading_far_above_its_surroundings_is_a_spike() -> None:
    """17.8 mm in five minutes at night, nothing before and after, the neighbours dry."""
    view = seen([0.0, 17.8, 0.2], begins=TEN - 8 * HOUR)
    findings = doubtful_rain.judge(view, Settings())
    shown = shown_of(view, findings)
    assert (shown["kind"], shown["mm"], shown["minutes"], shown["around_mm"]) == ("spike", 17.8, 5, 0.2)


@pytest.mark.parametrize(
    ("mm", "others", "why"),
    [
        ([1.2, 6.0, 12.0, 7.0, 2.0], 0.0, "it rises and falls"),
        ([0.0, 17.8, 0.2], 1.0, "the median of the others allows 25 mm"),
        ([4.0, 22.0, 28.0, 18.0, 5.0], 3.0, "under the cap"),
        ([10.0, 34.0, 31.0, 12.0], 8.0, "others have a third of it within an hour"),
    ],
)
def test_a_violent_storm_is_no_spike(mm: list[float], others: float, why: str) -> None:
    """A storm has readings before and after, and a great one is seen around."""
    assert kind_of(seen(mm, begins=TEN - 8 * HOUR, others=others)) == "", why


def test_more_than_a_region_knows_is_a_spike_though_it_rains_around() -> None:
    """34 mm in five minutes within rain of 1 mm."""
    assert kind_of(seen([1.0, 34.0, 8.0], begins=TEN - 8 * HOUR, others=1.0)) == "spike"


def test_rain_that_no_place_ever_had_is_told_though_it_is_bad_already() -> None:
    """400 mm in five minutes does not count; somebody should know."""
    view = seen([0.0, 400.0])
    shown = shown_of(view, doubtful_rain.judge(view, Settings()))
    assert (shown["kind"], shown["impossible"]) == ("spike", True)


def test_limits_of_other_lengths_follow_the_records() -> None:
    """30 mm in 5 minutes is 51 in 15 and 98 in 60, near the 100-year depths of Irving, Texas: 50.8 and 92.2 mm."""
    assert [round(limit_mm(30.0, minutes)) for minutes in (1, 5, 15, 60)] == [30, 30, 51, 98]


def test_a_unit_on_hold_is_told_with_its_factor_and_who_relies_on_it() -> None:
    """As long as its span holds."""
    times = np.arange(BEGIN + FIVE, BEGIN + 3 * DAY + 1, FIVE)
    table = np.tile(np.array([0.2, 0.0, 0.4, 0.0, 0.0, 0.6])[:, None], (len(times) // 6, len(PLACES)))
    table[times > TEN, ONE] *= 25.4
    stations = stations_at(PLACES, relied_on_by=("warden", *[""] * 6))
    view = view_of(stations, TEN + HOUR, times, {RAIN: table})
    held_back = tuple(holding.decided(view, ()))
    view = replace(view, held_back=held_back)
    findings = doubtful_rain.judge(view, Settings())
    assert findings.present().tolist() == [ONE]
    shown = shown_of(view, findings)
    assert (shown["kind"], shown["times"], shown["relied_on"]) == ("unit", "25.4 times", True)


def test_a_gauge_without_three_near_it_is_not_judged_and_says_so() -> None:
    """Neither absent nor present."""
    times = np.arange(BEGIN + FIVE, BEGIN + 3 * DAY + 1, FIVE)
    view = view_of(stations_at(PLACES[:3]), TEN, times, {RAIN: np.zeros((len(times), 3))})
    findings = doubtful_rain.judge(view, Settings())
    assert (findings.verdict == Verdict.UNDETERMINED).all()
    assert findings.reason[ONE] == "fewer than 3 gauges within 30 km"


def test_only_slow_kinds_are_asked_once_a_day() -> None:
    """A rule that looks for anything of the same day is asked each cycle."""
    assert doubtful_rain.every_s(Settings()) == 0
    assert doubtful_rain.every_s(WEEKLY) == DAY
    assert doubtful_rain.every_s(Settings(kinds=("doubled", "unit"))) == 0
    assert set(AT_ONCE) & set(WEEKLY.kinds) == set()


# --- weeks ---


def months(days: int, seed: int = 1, scatter: float = 0.25) -> tuple[np.ndarray, np.ndarray]:
    """Return hours, and counts [hour, station] of rain that falls alike at all gauges but for some scatter."""
    rng = np.random.default_rng(seed)
    hours = BEGIN + HOUR * np.arange(1, days * 24 + 1)
    wet = np.repeat(rng.random(days * 4) < 0.12, 6)
    field = np.where(wet, rng.gamma(1.0, 1.6, days * 24), 0.0)
    local = np.exp(rng.normal(0, scatter, (days * 24, len(PLACES))))
    return hours, np.floor(np.cumsum(field[:, None] * local, axis=0) / 0.2)


def judged(counts: np.ndarray, hours: np.ndarray, **columns: Any) -> View:
    """Return what is seen of running counts at the end; 0.2 mm a tip."""
    mm = 0.2 * np.diff(counts, axis=0, prepend=0)
    return view_of(stations_at(PLACES, **columns), int(hours[-1]) + DAY // 2, hours, {RAIN: mm})


def test_counts_that_double_are_told_after_some_rain_and_not_before() -> None:
    """A switch that bounces from the 60th day on, in rain that scatters."""
    hours, counts = months(100)
    tips = np.diff(counts, axis=0, prepend=0)
    bounces = tips.copy()
    bounces[60 * 24 :, ONE] *= 2
    found = []
    for day in range(60, 100, 4):
        view = judged(np.cumsum(bounces[: day * 24], axis=0), hours[: day * 24])
        findings = doubtful_rain.judge(view, WEEKLY)
        found.append(findings.present().tolist())
    assert found[0] == []
    assert found[-1] == [ONE]
    first = next(day for day, one in zip(range(60, 100, 4), found, strict=True) if one)
    beside_mm = 0.2 * np.median(tips[60 * 24 : first * 24].sum(axis=0))
    assert beside_mm <= 80
    shown = shown_of(view, findings, WEEKLY)
    assert shown["kind"] == "doubled"
    assert 1.7 <= shown["ratio"] / shown["ratio_before"] <= 2.4


@pytest.mark.parametrize("scatter", [0.1, 0.4, 0.9])
def test_honest_scatter_is_hardly_ever_doubled(scatter: float) -> None:
    """Of 42 gauges over four months, whatever the scatter of showers, one at most; no other kind is seen."""
    called = set()
    for seed in range(6):
        hours, counts = months(120, seed, scatter)
        for day in (40, 80, 120):
            findings = doubtful_rain.judge(judged(counts[: day * 24], hours[: day * 24]), WEEKLY)
            called |= {(seed, one, int(findings.numbers["kind"][one])) for one in findings.present().tolist()}
    assert len(called) <= 1
    assert {WEEKLY.kinds[kind] for _seed, _one, kind in called} <= {"doubled"}


def test_a_gauge_that_always_counted_in_twos_is_not_doubled() -> None:
    """Its tip is written too small, perhaps, but nothing changed."""
    hours, counts = months(100)
    counts[:, ONE] -= counts[:, ONE] % 2
    assert doubtful_rain.judge(judged(counts, hours), WEEKLY).present().tolist() == []


def test_a_clog_that_was_cleared_is_not_doubled() -> None:
    """A gauge that had nothing at all for weeks, and then as much as the others, had no ratio before to double."""
    hours, counts = months(100)
    counts[:, ONE] -= np.minimum(counts[:, ONE], counts[60 * 24, ONE])
    for day in range(62, 100, 3):
        view = judged(counts[: day * 24], hours[: day * 24])
        assert doubtful_rain.judge(view, WEEKLY).present().tolist() == []
        assert doubled.doubled(view, np.array([ONE])) == {}


@pytest.mark.parametrize(("written", "times"), [(200, 0.787), (254, 1.27)])
def test_a_steady_ratio_of_another_tip_size_is_told(written: int, times: float) -> None:
    """0.2 written for 0.254 and the other way, over a season of rain, at gauges of like height."""
    hours, counts = months(180, scatter=0.1)
    counts[:, ONE] = np.floor(counts[:, ONE] * times)
    tip_um = np.where(np.arange(len(PLACES)) == ONE, written, 200)
    view = judged(counts, hours, tip_um=tip_um, elevation_m=np.full(len(PLACES), 400.0))
    findings = doubtful_rain.judge(view, WEEKLY)
    assert findings.present().tolist() == [ONE]
    assert shown_of(view, findings, WEEKLY)["kind"] == "wrong tip size"


def test_heights_explain_a_ratio() -> None:
    """A gauge 400 m above the others may have a quarter more."""
    hours, counts = months(180, scatter=0.1)
    counts[:, ONE] = np.floor(counts[:, ONE] * 1.27)
    height = np.where(np.arange(len(PLACES)) == ONE, 900.0, 500.0)
    view = judged(counts, hours, tip_um=np.full(len(PLACES), 254), elevation_m=height)
    assert doubtful_rain.judge(view, WEEKLY).present().tolist() == []


def test_readings_that_move_in_another_step_are_off_the_grid() -> None:
    """Written 0.2, sent in steps of 0.254 as a source rounds them."""
    counts = np.tile([1, 0, 2, 1, 0, 3, 1, 0], 40)
    times = np.arange(BEGIN + FIVE, BEGIN + 3 * DAY + 1, FIVE)
    table = np.zeros((len(times), len(PLACES)))
    table[: len(counts)] = 0.2 * counts[:, None]
    table[: len(counts), ONE] = np.round(0.254 * counts, 2)
    view = view_of(stations_at(PLACES), BEGIN + 2 * DAY, times, {RAIN: table})
    findings = doubtful_rain.judge(view, WEEKLY)
    assert findings.present().tolist() == [ONE]
    shown = shown_of(view, findings, WEEKLY)
    assert (shown["kind"], shown["tip_mm"], shown["moves_in_mm"]) == ("off the grid", 0.2, 0.254)


def lone_hours(
    hour_tips: dict[tuple[int, int], float],
    everywhere: bool = False,
    others: dict[tuple[int, int, int], float] | None = None,
    degrees: float = 15.0,
) -> View:
    """Return twenty dry days with tips at (day, hour) at the first gauge, or at all; others: (day, hour, gauge)."""
    hours = BEGIN + HOUR * np.arange(1, 20 * 24 + 1)
    mm = np.zeros((len(hours), len(PLACES)))
    for (day, hour), tips in hour_tips.items():
        mm[day * 24 + hour - 1, slice(None) if everywhere else ONE] = 0.2 * tips
    for (day, hour, gauge), tips in (others or {}).items():
        mm[day * 24 + hour - 1, gauge] = 0.2 * tips
    return view_of(stations_at(PLACES), int(hours[-1]), hours, {RAIN: mm, TEMPERATURE: np.full(mm.shape, degrees)})


def test_many_lone_tips_in_dry_weather_are_told() -> None:
    """One or two an hour on ten days, at different hours."""
    stray = {(day, 11 + day % 9): 1.0 + day % 2 for day in range(7, 19)}
    view = lone_hours(stray)
    findings = doubtful_rain.judge(view, WEEKLY)
    assert findings.present().tolist() == [ONE]
    assert shown_of(view, findings, WEEKLY)["kind"] == "stray tips"


STRAY = {(day, 11 + day % 9): 1.0 + day % 2 for day in range(7, 19)}


@pytest.mark.parametrize(
    ("others", "told"),
    [
        ({(day, 7, 1 + day % 6): 1.0 for day in range(20)}, "stray tips"),
        ({(day, 9 + day % 9, gauge): 1.0 for day in range(20) for gauge in (1, 4)}, ""),
        ({(day, 9 + day % 9, 5): 2.0 for day in range(20)}, "stray tips"),
        ({(day, 2 + day % 9, gauge): 5.0 for day in range(20) for gauge in (1, 4)}, "stray tips"),
        ({(day, 1 + hour, 5): 2.0 for day in range(20) for hour in range(23)}, "stray tips"),
        ({(day, 9 + day % 9, gauge): 1.0 for day in range(20) for gauge in (1, 4, 5)}, ""),
    ],
    ids=["dew at one", "tips at two of six", "two tips at one", "rain nine hours before", "one is ill", "drizzle"],
)
def test_stray_tips_are_lone_when_at_most_one_of_few_gauges_has_one_too(
    others: dict[tuple[int, int, int], float], told: str
) -> None:
    """Of six gauges near it one may have tips of its own within three hours before and one after."""
    assert kind_of(lone_hours(STRAY, others=others), WEEKLY) == told


@pytest.mark.parametrize(
    ("view", "why"),
    [
        (lone_hours({(day, 6): 1.0 for day in range(7, 19)}), "dew tips once at dawn"),
        (lone_hours({(day, 14): 1.0 for day in range(7, 19)}, everywhere=True), "it drizzles everywhere"),
        (lone_hours({(day, 14): 1.0 for day in range(7, 13)}), "six are not many"),
        (lone_hours(STRAY, degrees=2.0), "snow may be melting"),
        (lone_hours(STRAY | {(day, 8 + day % 9): 9.0 for day in range(6, 20)}), "its own rain runs out"),
    ],
)
def test_dew_drizzle_melt_and_what_runs_out_are_not_stray_tips(view: View, why: str) -> None:
    """A single tip at dawn is dew; what all have is rain."""
    assert kind_of(view, WEEKLY) == "", why


def test_where_nothing_melts_stray_tips_are_stray() -> None:
    """Two degrees of frost all day: neither rain nor melt comes through."""
    assert kind_of(lone_hours(STRAY, degrees=-2.0), WEEKLY) == "stray tips"


def test_rain_at_one_hour_of_dry_days_is_a_sprinkler() -> None:
    """Three dry days, the same hour, like amounts."""
    view = lone_hours({(8, 19): 9.0, (11, 19): 8.0, (15, 20): 10.0})
    findings = doubtful_rain.judge(view, WEEKLY)
    shown = shown_of(view, findings, WEEKLY)
    assert (shown["kind"], shown["days"]) == ("sprinkler", 3)
    assert kind_of(lone_hours({(8, 19): 9.0, (11, 13): 8.0, (15, 4): 10.0}), WEEKLY) == "", "not at one hour"
    assert kind_of(lone_hours({(8, 19): 9.0, (11, 19): 30.0, (15, 20): 70.0}), WEEKLY) == "", "not of one amount"
    across = {(8, 19): 5.0, (8, 20): 4.0, (11, 19): 2.0, (11, 20): 7.0, (15, 19): 9.0}
    assert kind_of(lone_hours(across), WEEKLY) == "sprinkler", "on both sides of a full hour"
    showers = {(9, 13): 8.0, (10, 5): 9.0, (12, 16): 8.0}
    watered = {(8, 19): 9.0, (11, 19): 8.0, (15, 20): 10.0}
    assert kind_of(lone_hours(watered | showers), WEEKLY) == "", "it has lone rain at any hour"
    assert kind_of(lone_hours({(8, 23): 9.0, (11, 24): 8.0, (15, 1): 10.0}), WEEKLY) == "sprinkler", "about midnight"


def test_a_held_span_outlives_what_it_was_seen_in() -> None:
    """The evidence answers also when the tips have been forgotten."""
    view = seen([])
    ends = aware(view.now) - timedelta(hours=2)
    span = Span(1, "S0", ends - timedelta(hours=1), ends, "test tips", WATCH, ends)
    findings = doubtful_rain.judge(replace(view, held_back=(span,)), Settings())
    shown = shown_of(replace(view, held_back=(span,)), findings)
    assert (shown["kind"], shown["held"]) == ("test tips", True)


def test_a_median_that_is_not_known_flags_nothing() -> None:
    """Fewer than three neighbours."""
    assert not high_influx(60.0, float("nan"), 5)

"""What the watch itself holds out of totals: unbooked test tips, melt, a changed unit; and never a storm."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from tests.helpers import deliver, moment, record_of, stations_at, view_of
from tests.helpers import seen as seen_in
from watchman.judging import holding
from watchman.judging.view import View, aware
from watchman.model import RAIN, TEMPERATURE, WATCH, Span

FIVE, HOUR, DAY = 300, 3600, 86400
BEGIN = moment("2025-06-01T00:00Z")
PLACES = ((0.0, 0.0), (6.0, 0.0), (0.0, 8.0), (-9.0, 4.0), (14.0, 2.0), (5.0, -12.0))
TEN = moment("2025-06-03T10:00Z")
ONE = 0


def tips_at(counts: list[float], begins: int = TEN, step: int = FIVE) -> tuple[np.ndarray, np.ndarray]:
    """Return three days' times and a table of dry readings with these tips at the first station from a time on [mm]."""
    times = np.arange(BEGIN + step, BEGIN + 3 * DAY + 1, step)
    table = np.zeros((len(times), len(PLACES)))
    first = (begins - BEGIN) // step
    table[first : first + len(counts), ONE] = 0.2 * np.array(counts)
    return times, table


def seen(counts: list[float], after: int, begins: int = TEN, step: int = FIVE, wet: float = 0.0) -> View:
    """Return what is seen so many readings after the tips began; wet: what one neighbour had in their first reading."""
    times, table = tips_at(counts, begins, step)
    table[(begins - BEGIN) // step, 1] = wet
    return view_of(stations_at(PLACES), begins + after * step, times, {RAIN: table})


def held(view: View, taken_back: tuple[Span, ...] = ()) -> list[tuple[str, str, int, int]]:
    """Return reason, station, and begin and end in minutes from ten."""
    return [
        (span.reason, span.station, *(int(at.timestamp() - TEN) // 60 for at in (span.begins_at, span.ends_at)))
        for span in holding.decided(view, taken_back)
    ]


def test_even_tips_are_held_as_soon_as_they_are_seen_to_be_even() -> None:
    """The fourth reading of a test at 25 mm/h is the first to reach 6 mm in 15 minutes: held in the same cycle."""
    counts = [5.0, 10, 11, 10, 10, 4]
    assert held(seen(counts, 3)) == []
    assert held(seen(counts, 4)) == [("test tips", "S0", 0, 20)]
    (span,) = holding.decided(seen(counts, 4), ())
    assert (span.number, span.who, span.decided_at) == (0, WATCH, aware(TEN + 4 * FIVE))


@pytest.mark.parametrize("last_heard", [BEGIN - 30 * DAY, 0], ids=["silent for a month", "never heard"])
def test_a_gauge_not_heard_for_long_is_no_witness_and_no_trouble(last_heard: int) -> None:
    """Beside three that were heard the test is held all the same; beside two it can't be."""
    view = seen([5.0, 10, 11, 10, 10, 4], 4)
    for silent, witnesses in (((1, 2), 3), ((1, 2, 3), 2)):
        for gauge in silent:
            view.record.last_value_at[RAIN, gauge] = last_heard
            view.record.fine.known[:, gauge] = 0
        view.record.fine.sum_again(0)
        assert holding.witnessed(view, ONE, TEN - HOUR, TEN + HOUR)[0] == witnesses
        assert len(holding.decided(view, ())) == (witnesses >= 3)


def test_a_span_grows_with_its_tips_and_keeps_its_number() -> None:
    """While the tips go on each reading makes it longer; when they are over it stays as it is."""
    counts = [5.0, 10, 11, 10, 10, 4]
    (span,) = holding.decided(seen(counts, 4), ())
    span = replace(span, number=7)
    (grown,) = holding.decided(replace(seen(counts, 5), held_back=(span,)), ())
    assert (grown.number, grown.begins_at, grown.ends_at) == (7, span.begins_at, span.ends_at + timedelta(minutes=5))
    (whole,) = holding.decided(replace(seen(counts, 13), held_back=(grown,)), ())
    assert (whole.ends_at - whole.begins_at) == timedelta(minutes=30)
    assert holding.decided(replace(seen(counts, 20), held_back=(whole,)), ()) == []


def test_what_a_person_took_back_is_not_held_again() -> None:
    """It was rain, somebody said."""
    counts = [5.0, 10, 11, 10, 10, 4]
    (span,) = holding.decided(seen(counts, 4), ())
    assert holding.decided(seen(counts, 5), (span,)) == []


def test_tips_too_fast_for_readings_are_held_when_they_are_over() -> None:
    """Fifty tips within ten minutes, nothing before and half an hour of nothing after: no rain does that."""
    assert held(seen([35.0, 15], 3)) == []
    assert held(seen([35.0, 15], 8)) == [("test tips", "S0", 0, 10)]


@pytest.mark.parametrize(
    ("counts", "begins"),
    [
        ([2.0, 8, 17, 26, 19, 9, 3, 1], TEN),
        ([12.0, 30, 41, 33, 12, 2], TEN),
        ([20.0, 10, 2], TEN),
        ([5.0, 10, 11, 10, 10, 4], TEN + 12 * HOUR),
        ([2.0, 2, 2, 2, 2, 2, 2, 2, 2, 2, 2, 2], TEN),
        ([2.0, 4, 4, 5], TEN),
    ],
    ids=["a cell", "a violent cell", "a burst that fades", "at night", "drizzle", "few"],
)
def test_rain_is_not_held(counts: list[float], begins: int) -> None:
    """Rain at one gauge alone rises and falls, comes at night, or drizzles: at no time is any of it held."""
    for after in range(1, len(counts) + 12):
        assert held(seen(counts, after, begins)) == []


@settings(max_examples=60, deadline=None)
@given(
    peak_mm_h=some.floats(25, 180),
    minutes=some.floats(25, 90),
    begins_s=some.floats(0, 299),
)
def test_a_cell_of_any_size_is_not_held(peak_mm_h: float, minutes: float, begins_s: float) -> None:
    """A storm at one gauge that rises and falls is never held while it lasts, and none of 40 minutes afterwards."""
    seconds = np.arange(0, int(minutes * 60))
    depth = np.cumsum(peak_mm_h / 3600 * np.sin(np.pi * seconds / len(seconds)) ** 2)
    tips = np.diff(np.floor(depth / 0.2), prepend=0)
    counts = np.bincount(((begins_s + seconds) // 300).astype(int), tips)
    for after in range(2, len(counts) + (8 if minutes >= 40 else 0)):
        assert held(seen(counts.tolist(), after)) == []


def test_nothing_is_held_beside_a_wet_neighbour() -> None:
    """However even the tips are: a second gauge saw the rain."""
    assert held(seen([5.0, 10, 11, 10, 10, 4], 5, wet=0.6)) == []
    assert held(seen([5.0, 10, 11, 10, 10, 4], 5, wet=0.2)) == [("test tips", "S0", 0, 25)], "a stray tip is no rain"


@pytest.mark.parametrize(
    ("lost", "tips_before", "expected"),
    [(0, 0.0, 1), (1, 0.0, 0), (9, 0.0, 0), (72, 0.0, 0), (800, 0.0, 0), (0, 1.0, 1)],
    ids=["none lost", "one", "three quarters of an hour", "six hours", "all before", "none lost, a tip before"],
)
def test_the_first_reading_of_a_running_total_after_a_gap_is_no_burst(
    lost: int, tips_before: float, expected: int
) -> None:
    """Its rise fell at any time of the gap: a shower nobody saw looks like a burst of one reading."""
    times, table = tips_at([50.0])
    first = (TEN - BEGIN) // FIVE
    table[first - 12, ONE] = 0.2 * tips_before
    totals = np.cumsum(table, axis=0)
    totals[max(first - lost, 1) : first, ONE] = np.nan
    stations = stations_at(PLACES)
    now = TEN + 8 * FIVE
    record = record_of(stations, now, FIVE, running=True)
    deliver(record, now, times[times <= now], {RAIN: totals[times <= now]})
    assert len(holding.decided(seen_in(stations, now, record), ())) == expected


def test_a_running_total_that_did_not_rise_over_a_gap_was_dry() -> None:
    """A test of two readings an eighth of an hour after a gap that brought nothing is held."""
    times, table = tips_at([35.0, 15])
    first = (TEN - BEGIN) // FIVE
    totals = np.cumsum(table, axis=0)
    totals[first - 30 : first - 2, ONE] = np.nan
    stations = stations_at(PLACES)
    now = TEN + 9 * FIVE
    record = record_of(stations, now, FIVE, running=True)
    deliver(record, now, times[times <= now], {RAIN: totals[times <= now]})
    assert len(holding.decided(seen_in(stations, now, record), ())) == 1


def test_nothing_is_held_without_three_neighbours() -> None:
    """Two dry gauges are not enough to call a shower a test."""
    times, table = tips_at([5.0, 10, 11, 10, 10, 4])
    view = view_of(stations_at(PLACES[:3]), TEN + 5 * FIVE, times, {RAIN: table[:, :3]})
    assert held(view) == []


def test_silent_neighbours_are_not_dry() -> None:
    """Missing is never zero: gauges that were not heard are no witnesses."""
    times, table = tips_at([5.0, 10, 11, 10, 10, 4])
    table[times > TEN - DAY, 1:4] = np.nan
    view = view_of(stations_at(PLACES), TEN + 5 * FIVE, times, {RAIN: table})
    assert held(view) == []


def test_a_gauge_out_of_service_is_left_to_its_visit() -> None:
    """A booked visit holds its tips already."""
    view = seen([5.0, 10, 11, 10, 10, 4], 5)
    assert held(replace(view, in_service=np.arange(len(PLACES)) != ONE)) == []


def after_a_month(counts: list[float], days: int, alone: tuple[tuple[int, int, int], ...] = ()) -> View:
    """Return what is seen two hours after tips by the quarter hour, with so many days before and, on some of them,
    lone rain (day, gauge, tips).
    """
    begins = TEN - days * DAY
    times = np.arange(begins + 900, TEN + 2 * HOUR + 1, 900)
    table = np.zeros((len(times), len(PLACES)))
    first = days * DAY // 900
    table[first : first + len(counts), ONE] = 0.2 * np.array(counts)
    for day, gauge, tips in alone:
        table[day * 96, gauge] = 0.2 * tips
    return view_of(stations_at(PLACES), TEN + 2 * HOUR, times, {RAIN: table})


@pytest.mark.parametrize(
    ("counts", "days", "alone", "asked"),
    [
        ([20.0, 30], 31, (), True),
        ([8.0, 20, 12], 31, ((12, ONE, 20), (20, ONE, 5)), False),
        ([8.0, 20, 12], 31, (), True),
        ([8.0, 20, 12], 3, (), False),
        ([8.0, 20, 12], 31, ((12, 3, 20), (20, 2, 5)), False),
        ([8.0, 20, 12], 31, ((8, ONE, 40), (12, 3, 20), (20, 2, 50)), True),
        ([8.0, 20, 12], 31, ((12, 3, 20), (20, 2, 1)), True),
        ([4.0, 9, 12, 11, 9], 31, (), False),
        ([4.0, 9, 5], 31, (), False),
    ],
    ids=[
        "over in two",
        "it was alone before",
        "rare here",
        "hardly known",
        "not rare",
        "never little",
        "but dew",
        "longer than an hour",
        "few tips",
    ],
)
def test_what_rises_and_falls_is_asked_about_where_it_hardly_ever_comes_to_one_gauge(
    counts: list[float], days: int, alone: tuple[tuple[int, int, int], ...], asked: bool
) -> None:
    """It counts; somebody is asked whether water was poured."""
    view = after_a_month(counts, days, alone)
    assert any(burst.poured for burst in holding.lone_bursts(view, HOUR * 3)) == asked
    assert held(view) == []


def test_water_that_people_poured_is_taken_for_rain_where_tips_would_be_held() -> None:
    """Forty tips at another gauge, and never little rain at one alone: no storm to who asks, one to what is held."""
    (burst,) = holding.lone_bursts(after_a_month([8.0, 20, 12], 31, ((8, 2, 40),)), HOUR * 3)
    assert burst.alone_a_month == pytest.approx(1 / 11, rel=0.01)
    assert burst.alone_at_most == pytest.approx(2 / 11, rel=0.01)


def test_hours_are_never_held() -> None:
    """In an hour a test and a shower look alike: somebody is asked, and it counts."""
    for after in range(1, 6):
        assert held(seen([50.0], after, step=3600)) == []


def frozen(counts: list[float], noon_c: float, low_c: float = 8.0, wet: float = 0.0) -> View:
    """Return noon of the third day: after a night at -6 degC at the first three gauges, and milder at the others."""
    times, table = tips_at(counts, TEN)
    table[(TEN - BEGIN) // FIVE, 4] = wet
    hours = np.arange(BEGIN + HOUR, BEGIN + 3 * DAY + 1, HOUR)
    rise = np.clip(np.cos((hours % DAY - 12 * HOUR) / DAY * 2 * np.pi), 0, 1)
    degrees = np.column_stack([-6 + (noon_c + 6) * rise] * 3 + [low_c + 5 * rise] * 3)
    table_c = np.full_like(table, np.nan)
    table_c[np.searchsorted(times, hours)] = degrees
    return view_of(stations_at(PLACES), TEN + len(counts) * FIVE, times, {RAIN: table, TEMPERATURE: table_c})


SLOWLY = [0.0, 1, 0, 0, 1, 0, 0, 1, 0, 0, 1, 0, 0, 1, 0, 0, 1, 0]


def test_melt_is_held_by_the_hour() -> None:
    """Smooth tips at noon after a night of frost, while gauges that did not freeze are dry."""
    assert held(frozen(SLOWLY, 5.0)) == [("melt", "S0", 0, 120)]


@pytest.mark.parametrize(
    ("view", "why"),
    [
        (frozen(SLOWLY, -1.0), "it still freezes"),
        (frozen(SLOWLY, 5.0, wet=0.6), "it rains where nothing froze"),
        (frozen(SLOWLY, 5.0, low_c=-9.0), "everything froze, nobody can tell"),
        (frozen([0.0, 3, 6, 5, 4, 3, 2, 1], 5.0), "it comes too fast"),
    ],
)
def test_rain_on_snow_is_not_held(view: View, why: str) -> None:
    """In doubt nothing is held."""
    assert held(view) == [], why


def in_units(values_mm: list[float]) -> View:
    """Return what is seen after a day of honest tips and then these readings."""
    times, table = tips_at([])
    honest = np.tile([0.2, 0.0, 0.4, 0.0, 0.0, 0.2], 60)
    table[: len(honest)] = honest[:, None]
    table[: len(honest) : 7] = 0.0
    first = (TEN - BEGIN) // FIVE
    table[first : first + len(values_mm), ONE] = values_mm
    return view_of(stations_at(PLACES), TEN + len(values_mm) * FIVE, times, {RAIN: table})


@pytest.mark.parametrize(
    "values_mm", [[5.08], [0.008, 0.016, 0.008], [0.01, 0.0, 0.02, 0.01], [0.0, 15.24, 5.08]], ids=str
)
def test_another_unit_is_held_from_its_first_reading(values_mm: list[float]) -> None:
    """A tip of 0.2 mm can make neither 5.08 mm nor 0.008: the span runs a day ahead, so that no storm comes of it."""
    ((reason, station, begins, ends),) = held(in_units(values_mm))
    assert (reason, station) == ("units", "S0")
    assert begins == 5 * next(place for place, value in enumerate(values_mm) if value)
    assert DAY // 60 - 60 <= ends - len(values_mm) * 5 <= DAY // 60


@pytest.mark.parametrize("values_mm", [[0.4, 2.0, 4.0, 8.2], [0.1], [12.0, 20.0, 8.0, 2.2], [25.4]], ids=str)
def test_heavy_honest_rain_is_no_other_unit(values_mm: list[float]) -> None:
    """Whole tips are whole tips however many; one odd value is none."""
    assert held(in_units(values_mm)) == []


def test_a_gauge_in_a_dry_place_is_known_by_its_few_wet_hours() -> None:
    """Five hours of whole tips will do, four won't; and what was odd weeks ago doesn't matter."""

    def held_after(hours: int, odd: int = 0) -> bool:
        times, table = tips_at([])
        table[: 12 * hours : 12] = 0.4
        table[: 12 * odd : 12] = 0.3
        first = (TEN - BEGIN) // FIVE
        table[first : first + 3, ONE] = 5.08
        return bool(held(view_of(stations_at(PLACES), TEN + 3 * FIVE, times, {RAIN: table})))

    assert held_after(5)
    assert not held_after(4)
    assert held_after(30, odd=10)
    assert not held_after(30, odd=20)


@pytest.mark.parametrize(("values_mm", "changed"), [([5.0, 5.0, 10.2], True), ([2.0, 4.0, 2.0, 6.0, 2.0], False)])
def test_of_counts_only_inches_are_another_unit(values_mm: list[float], *, changed: bool) -> None:
    """25, 25 and 51 tips are what a logger makes of one and two when it takes millimetres for inches; tens are tens."""
    view = in_units(values_mm)
    view.record.terms = replace(view.record.terms, in_tips=np.array([True]))
    assert bool(held(view)) is changed


def test_a_standing_span_of_units_is_made_longer_once_a_day() -> None:
    """Not with each reading."""
    view = in_units([5.08, 5.08])
    (span,) = holding.decided(view, ())
    assert holding.decided(replace(view, held_back=(span,)), ()) == []
    nearly_over = replace(span, number=3, ends_at=aware(view.now + HOUR // 2))
    assert [one.number for one in holding.decided(replace(view, held_back=(nearly_over,)), ())] == [3]

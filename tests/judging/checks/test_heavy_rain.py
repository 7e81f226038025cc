"""Heavy rain: exact at the limit, three-valued where data are missing or coarse, and news only while it is fresh."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.helpers import deliver, moment, record_of, seen, stations_at, table_of, view_of
from watchman.judging.checks import heavy_rain
from watchman.judging.checks.heavy_rain import IntensityLine, Limit, RainBefore, Settings
from watchman.judging.science.frequency import FrequencyTable
from watchman.judging.view import Findings
from watchman.model import RAIN, WATCH, Readings, Severity, Span, Verdict

NOW = moment("2025-10-21T18:00Z")
ABSENT, PRESENT, UNDETERMINED = Verdict.ABSENT, Verdict.PRESENT, Verdict.UNDETERMINED


def judged(rain_mm: dict[int, float], *, interval: int = 5, missing: tuple[int, ...] = (), **limit: float) -> Findings:
    """Judge one gauge: rain [mm] by minutes before NOW at which the reading ends, 0 in all others of the last 2
    days.
    """
    times = np.arange(NOW - 2 * 86400, NOW + 1, interval * 60)
    table = np.zeros((len(times), 1))
    for ago, depth in rain_mm.items():
        table[times == NOW - ago * 60] = depth
    for ago in missing:
        table[times == NOW - ago * 60] = np.nan
    settings = Settings(limits=(Limit(**limit),))  # type: ignore[arg-type]
    view = view_of(stations_at([(0, 0)]), NOW, times, {RAIN: table})
    return heavy_rain.judge(view, settings)


def verdict(rain_mm: dict[int, float], **given: object) -> int:
    return int(judged(rain_mm, **given).verdict[0])  # type: ignore[arg-type]


def test_the_limit_itself_is_reached() -> None:
    """Thirty tips of 0.2 mm are 6 mm: sums of tips are exact, floats would stop at 5.999."""
    three_times_ten_tips = {0: 10 * 0.2, 5: 10 * 0.2, 10: 10 * 0.2}
    assert verdict(three_times_ten_tips, depth_mm=6, minutes=15) == PRESENT
    assert verdict({0: 2.0, 5: 2.0, 10: 1.8}, depth_mm=6, minutes=15) == ABSENT


def test_a_limit_in_inches() -> None:
    """A quarter of an hour with 0.25 inch is 6.35 mm."""
    assert verdict({0: 6.35}, depth_inches=0.25, minutes=15) == PRESENT
    assert verdict({0: 6.2}, depth_inches=0.25, minutes=15) == ABSENT


def test_stretches_slide() -> None:
    """Rain split by the clock's quarter hour is still one quarter hour of rain."""
    assert verdict({10: 4.0, 20: 4.0}, depth_mm=8, minutes=15) == PRESENT
    assert verdict({10: 4.0, 25: 4.0}, depth_mm=8, minutes=15) == ABSENT


@pytest.mark.parametrize(("depth_mm", "expected"), [(45.0, PRESENT), (12.0, UNDETERMINED), (9.0, ABSENT)])
def test_what_an_hourly_reading_proves_of_a_quarter_hour(depth_mm: float, expected: Verdict) -> None:
    """45 mm in an hour had 10 mm in some quarter of it; 12 mm proves nothing about it; 9 mm can't have had it."""
    times = np.arange(NOW - 2 * 86400, NOW + 1, 3600)
    table = np.zeros((len(times), 1))
    table[-1] = depth_mm
    view = view_of(stations_at([(0, 0)]), NOW, times, {RAIN: table})
    found = heavy_rain.judge(view, Settings(limits=(Limit(depth_mm=10, minutes=15),)))
    assert found.verdict[0] == expected


def test_gaps_turn_absent_into_undetermined_but_never_take_back_what_is_proven() -> None:
    """A missing reading leaves the answer open, unless what arrived already reaches the limit."""
    assert verdict({0: 2.0}, depth_mm=6, minutes=15, missing=(5,)) == UNDETERMINED
    assert verdict({0: 6.0}, depth_mm=6, minutes=15, missing=(5,)) == PRESENT


def test_a_gauge_of_which_nothing_fresh_arrived_is_not_judged() -> None:
    """Silence is no dry weather."""
    last_hours = tuple(range(0, 90, 5))
    found = judged({}, depth_mm=6, minutes=15, missing=last_hours)
    assert found.verdict[0] == UNDETERMINED
    assert found.reason[0] == heavy_rain.BLIND


def test_rain_older_than_an_hour_is_history() -> None:
    """Back-filled readings wake nobody."""
    assert verdict({55: 20.0}, depth_mm=6, minutes=15) == PRESENT
    assert verdict({65: 20.0}, depth_mm=6, minutes=15) == ABSENT


def test_a_long_limit_is_news_when_reached_or_when_it_rains_on_at_its_rate() -> None:
    """Fifty millimetres that ended ten hours ago are no news, nor is a tip on top; the tip that reaches fifty is."""
    night = {600 + 5 * step: 5.0 for step in range(10)}
    assert verdict(night, depth_mm=50, hours=24) == ABSENT
    assert verdict({**night, 10: 0.2}, depth_mm=50, hours=24) == ABSENT
    assert verdict({**night, 10: 1.2, 20: 1.2}, depth_mm=50, hours=24) == PRESENT, "over 50/24 mm/h: still heavy"
    assert verdict({**night, 645: 4.8, 10: 0.2}, depth_mm=50, hours=24) == PRESENT, "crossed by this tip"


def test_a_long_limit_does_not_come_and_go_around_its_depth() -> None:
    """Reached in the night, a little under it when the first rain leaves the day, over it again by a shower: no
    news.
    """
    night = {1435: 1.0, **{600 + 5 * step: 5.0 for step in range(10)}}
    assert verdict({**night, 10: 0.4}, depth_mm=50.5, hours=24) == ABSENT, "reached at 51 mm, 50 mm, 50.4 mm"
    first = {1435: 11.0, **{600 + 5 * step: 4.0 for step in range(10)}}
    assert verdict({**first, 10: 0.4}, depth_mm=51.0, hours=24) == ABSENT
    never_low = {1800: 60.0, 420: 49.8, 10: 0.4}
    assert verdict(never_low, depth_mm=50, hours=24) == ABSENT, "60 mm, 109.8 mm, 49.8 mm, 50.2 mm"
    assert verdict({1500: 51.0, 600: 30.0, 10: 21.2}, depth_mm=51.0, hours=24) == PRESENT, "was under four fifths of it"


def test_the_most_severe_limit_counts_and_says_its_depth() -> None:
    """Of several limits reached the most severe one is told, with the depth in its own time."""
    times = np.arange(NOW - 2 * 86400, NOW + 1, 300)
    table = np.zeros((len(times), 2))
    table[-3:, 0] = 5.0
    settings = Settings()
    view = view_of(stations_at([(0, 0), (3, 0)]), NOW, times, {RAIN: table})
    found = heavy_rain.judge(view, settings)
    assert found.verdict.tolist() == [PRESENT, ABSENT]
    told = heavy_rain.evidence(view, settings, found, 0)
    assert (told["mm"], told["minutes"], told["severity"]) == (15.0, 15, Severity.SEVERE.value)
    assert {"mm": 15.0, "minutes": 60} in told["also"]
    assert found.since[0] == NOW - 300, "two readings made 10 mm, more than the lowest limit"


def test_a_limit_needs_one_depth_and_one_duration() -> None:
    """Both or neither is a mistake that says what to write."""
    with pytest.raises(ValueError, match="depth_mm = 6"):
        Limit(depth_mm=6, depth_inches=1, minutes=15)
    with pytest.raises(ValueError, match="minutes = 15"):
        Limit(depth_mm=6)


# --- other ways to say a limit ---

TABLE = FrequencyTable(
    (5.0, 15.0, 60.0, 1440.0), (2.0, 10.0, 100.0), ((6, 9, 12), (10, 20, 30), (20, 40, 60), (50, 80, 120))
)


def rare(rain_mm: dict[int, float], years: float = 10) -> tuple[Findings, dict[str, object]]:
    """Judge one gauge by a return period of TABLE."""
    times = np.arange(NOW - 5 * 86400, NOW + 1, 300)
    table = np.zeros((len(times), 1))
    for ago, depth in rain_mm.items():
        table[times == NOW - ago * 60] = depth
    settings = Settings(limits=(Limit(return_period_years=years, severity=Severity.SEVERE),))
    view = replace(view_of(stations_at([(0, 0)]), NOW, times, {RAIN: table}), frequency=TABLE)
    found = heavy_rain.judge(view, settings)
    return found, heavy_rain.evidence(view, settings, found, 0)


@pytest.mark.parametrize(
    ("rain_mm", "minutes"),
    [({0: 9.0}, 5), ({0: 7.0, 5: 7.0, 10: 6.0}, 15), (dict.fromkeys(range(0, 60, 5), 40 / 12), 60)],
)
def test_a_return_period_is_a_depth_in_each_duration_of_the_table(rain_mm: dict[int, float], minutes: int) -> None:
    """Exact at the table's own depths, a little less is no ten years."""
    found, told = rare({ago: round(depth, 3) + 0.001 for ago, depth in rain_mm.items()})
    assert found.verdict[0] == PRESENT
    assert told["minutes"] == minutes
    found, told = rare({ago: round(depth, 3) - 0.001 for ago, depth in rain_mm.items()})
    assert found.verdict[0] == ABSENT
    depth_mm = TABLE.depth_mm[TABLE.minutes.index(minutes)][1]
    assert told["limit"] == {"mm": depth_mm, "minutes": minutes, "severity": "severe", "years": 10.0}


def test_the_rarest_depth_is_named_and_never_beyond_the_table() -> None:
    """20 mm in a quarter of an hour is ten years, 13 mm in 5 minutes more than a hundred, 1 mm less than two."""
    assert rare({0: 7.0, 5: 7.0, 10: 6.0})[1]["rarest"] == {"mm": 20.0, "minutes": 15, "years": 10.0, "beyond": ""}
    assert rare({0: 13.0})[1]["rarest"] == {"mm": 13.0, "minutes": 5, "years": 100.0, "beyond": "more"}
    assert rare({0: 1.0})[1]["rarest"]["beyond"] == "less"  # type: ignore[index]


def test_an_intensity_line_is_crossed_in_any_of_its_durations() -> None:
    """I = 10 D^-0.5 asks for 10 mm in an hour, 20 mm in four; outside its range it asks for nothing."""
    line = IntensityLine(a=10, b=0.5, from_hours=1, to_hours=4)

    def verdict_of(rain_mm: dict[int, float]) -> int:
        return verdict(rain_mm, intensity_duration=line)

    assert verdict_of(dict.fromkeys(range(5, 65, 15), 2.5)) == PRESENT
    assert verdict_of(dict.fromkeys(range(5, 65, 15), 2.4)) == ABSENT
    assert verdict_of(dict.fromkeys(range(0, 240, 15), 1.25)) == PRESENT
    assert verdict_of(dict.fromkeys(range(0, 240, 15), 1.2)) == ABSENT
    assert verdict_of({0: 9.9}) == ABSENT, "5 minutes are no duration of the line"
    assert verdict(dict.fromkeys(range(5, 65, 15), 2.5), missing=(35,), intensity_duration=line) == UNDETERMINED


def before_and_after(before_mm: float, last_mm: float, *, missing_days: int = 0, last_hour_mm: float = 0.0) -> Findings:
    """Judge Seattle's line on hourly rain: evenly before, evenly in the last three days, and in the last hour."""
    hours = np.arange(NOW - 20 * 86400, NOW + 1, 3600)
    rain = np.zeros((len(hours), 1))
    rain[-72 - 360 : -72] = before_mm / 360
    rain[-72:] = (last_mm - last_hour_mm) / 72
    rain[-1] += last_hour_mm
    if missing_days:
        rain[-72 - 360 : -72 - 360 + missing_days * 24] = np.nan
    record = record_of(stations_at([(0, 0)]), NOW, 3600)
    deliver(record, NOW, hours, {RAIN: rain})
    limit = Limit(depth_mm=88.9, rain_before=RainBefore(days=3, before_days=15, factor=0.67), severity=Severity.SEVERE)
    return heavy_rain.judge(seen(stations_at([(0, 0)]), NOW, record), Settings(limits=(limit,)))


def test_rain_before_counts_by_its_share() -> None:
    """After 54 mm in 15 days 52.72 mm in three days are enough, and 52.7 are not; without it 88.9 are."""
    assert before_and_after(54.0, 60.0).verdict[0] == ABSENT, "reached hours ago, and no new rain to speak of"
    assert before_and_after(54.0, 52.8, last_hour_mm=3.0).verdict[0] == PRESENT
    assert before_and_after(54.0, 52.6, last_hour_mm=3.0).verdict[0] == ABSENT
    assert before_and_after(0.0, 88.95, last_hour_mm=3.0).verdict[0] == PRESENT
    found = before_and_after(54.0, 52.8, last_hour_mm=3.0)
    assert abs(found.numbers["depth_um"][0] - 52_800) < 100
    assert found.numbers["seconds"][0] == 3 * 86400


def test_rain_before_that_is_not_known_leaves_the_answer_open() -> None:
    """What came proves it, or nothing does."""
    assert before_and_after(54.0, 52.0, missing_days=3, last_hour_mm=3.0).verdict[0] == UNDETERMINED
    assert before_and_after(54.0, 89.0, missing_days=3, last_hour_mm=3.0).verdict[0] == PRESENT


def test_rain_before_makes_no_fine_record_of_weeks() -> None:
    """Eighteen days are read from the hourly cells."""
    assert Limit(depth_mm=9, rain_before=RainBefore(days=3, before_days=15, factor=0.67)).seconds == 3600
    assert Limit(return_period_years=10).seconds == 72 * 3600


def test_a_limit_is_one_thing() -> None:
    """A return period with a depth, or two ways at once, is a mistake."""
    with pytest.raises(ValueError, match="stands alone"):
        Limit(return_period_years=10, depth_mm=5)
    with pytest.raises(ValueError, match="durations of its own"):
        Limit(depth_mm=5, minutes=15, rain_before=RainBefore(days=3, before_days=15, factor=0.67))


def test_a_cell_longer_than_the_limit_proves_only_its_share() -> None:
    """On a grid of hours, 20 mm in one of them is 5 mm in some quarter of it, no more."""
    stations, hours = stations_at([(0, 0)]), np.arange(NOW - 86400, NOW + 1, 3600)
    rain = np.zeros((len(hours), 1))
    rain[-1] = 20.0
    record = type(record_of(stations, NOW, 3600))(
        NOW, record_of(stations, NOW, 3600).terms, stations.sends_every_s, grid_s=3600
    )
    deliver(record, NOW, hours, {RAIN: rain})
    view = seen(stations, NOW, record)
    assert heavy_rain.judge(view, Settings(limits=(Limit(depth_mm=5, minutes=15),))).verdict[0] == PRESENT
    assert heavy_rain.judge(view, Settings(limits=(Limit(depth_mm=6, minutes=15),))).verdict[0] == UNDETERMINED


def test_what_the_watch_itself_held_back_stays_so_at_a_visit() -> None:
    """Poured before the visitor came: not read; poured while he is there: read, and told only beside wet gauges."""
    stations, times = stations_at([(0, 0)]), np.arange(NOW - 86400, NOW + 1, 300)
    rain = np.zeros((len(times), 1))
    rain[-10] = rain[-2] = 10.0
    view = view_of(stations, NOW, times, {RAIN: rain})
    grid = view.record.fine
    grid.held[:], grid.rain[:] = grid.rain, 0
    grid.sum_again(0)
    early, late = (datetime.fromtimestamp(NOW - ago, UTC) for ago in (3000, 2000))
    own = Span(1, "S0", early, late, "test tips", WATCH, late)
    view = replace(view, in_service=np.zeros(1, bool), held_back=(own,))
    limits = (Limit(depth_mm=20, minutes=60), Limit(depth_mm=10, minutes=15))
    found = heavy_rain.judge(view, Settings(limits=limits))
    assert (found.verdict[0], found.numbers["depth_um"][0]) == (PRESENT, 10_000)
    assert heavy_rain.judge(replace(view, held_back=()), Settings(limits=limits[:1])).verdict[0] == PRESENT


# --- properties ---

tips = st.lists(st.integers(0, 20), min_size=24, max_size=24)
LIMITS = (
    Limit(depth_mm=6, minutes=15),
    Limit(depth_mm=12, minutes=30, severity=Severity.SEVERE),
    Limit(return_period_years=10, severity=Severity.EXTREME),
)


@settings(max_examples=40, deadline=None)
@given(counts=tips, order=st.permutations(range(24)), parts=st.integers(1, 24))
def test_any_order_of_delivery_gives_the_same_answer(counts: list[int], order: list[int], parts: int) -> None:
    """Two hours of readings, delivered in order at once, or in any order in any number of parts."""
    stations, times = stations_at([(0, 0)]), NOW + np.arange(-23, 1) * 300
    rain = np.array(counts, float)[:, None] * 0.2
    delivered = table_of(times, {RAIN: rain})

    def answer(pieces: list[np.ndarray]) -> list[object]:
        record = record_of(stations, NOW, 300)
        record.advance(NOW)
        arrived = np.empty(0, np.int64)
        for piece in pieces:
            arrived = np.concatenate([arrived, piece])

            def history(begin: int, end: int, _stations: np.ndarray, rows: np.ndarray = arrived) -> Readings:
                kept = delivered.take(rows)
                return kept.take((kept.observed_at > begin) & (kept.observed_at <= end))

            record.take(delivered.take(piece), history)
        found = heavy_rain.judge(replace(seen(stations, NOW, record), frequency=TABLE), Settings(limits=LIMITS))
        return [found.verdict[0], found.severity[0], found.since[0], *(one[0] for one in found.numbers.values())]

    assert answer(np.array_split(np.array(order), parts)) == answer([np.arange(24)])


@settings(max_examples=40, deadline=None)
@given(counts=tips, missing=st.sets(st.integers(0, 23), max_size=12))
def test_the_depth_is_exact_and_missing_never_turns_present(counts: list[int], missing: set[int]) -> None:
    """The greatest depth of a quarter of an hour is reached, a micrometre more is not; without some of the readings
    nothing is reached that was not with them, and nothing is absent that was present.
    """
    times = NOW + np.arange(-23, 1) * 300
    rain = np.array(counts, float) * 0.2
    fresh = np.convolve(np.array(counts), np.ones(3, int))[:24]
    wet = [um for um, count, place in zip(fresh * 200, counts, range(24), strict=True) if count and place >= 12]

    def verdict_of(table: np.ndarray, depth_um: int) -> int:
        view = view_of(stations_at([(0, 0)]), NOW, times, {RAIN: table[:, None]})
        return int(heavy_rain.judge(view, Settings(limits=(Limit(depth_mm=depth_um / 1000, minutes=15),))).verdict[0])

    if wet:
        most = int(max(wet))
        assert verdict_of(rain, most) == PRESENT
        assert verdict_of(rain, most + 1) == ABSENT
        holes = rain.copy()
        holes[list(missing)] = np.nan
        assert verdict_of(holes, most) != ABSENT or 23 in missing, "only what has not come yet may turn it absent"
        assert verdict_of(holes, most + 1) != PRESENT

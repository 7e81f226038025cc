"""The record: what is known stays known, whatever the order, and sums have an exact least and most."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watchman.model import BATTERY, RAIN, Readings
from watchman.readings.cleaning import Held, Terms
from watchman.readings.record import Record

NOW = 1_760_918_400  # 2025-10-20T00:00:00Z
STATIONS = 3


def terms(*, running: bool = False, tips: bool = False, covers_s: int = 900, wraps_at: float = 0.0) -> Terms:
    return Terms(
        in_tips=np.array([tips]),
        running=np.array([running]),
        each_tip=np.array([False]),
        wraps_at=np.array([wraps_at]),
        zeroed_at_s=np.array([-1]),
        tip_um=np.full(STATIONS, 200.0),
        covers_s=np.full(STATIONS, covers_s, np.int64),
    )


def readings(rows: list[tuple[int, int, float]], variable: int = RAIN, received_at: int | None = None) -> Readings:
    """Return rows of (station, observed_at, value); they arrive a minute after they were observed."""
    size = len(rows)
    station, at, value = (np.array(column) for column in zip(*rows, strict=True)) if rows else ([], [], [])
    at = np.array(at, np.int64)
    return Readings(
        station=np.array(station, np.int32),
        variable=np.full(size, variable, np.int8),
        observed_at=at,
        received_at=at + 60 if received_at is None else np.full(size, received_at, np.int64),
        value=np.array(value, np.float64),
        source=np.zeros(size, np.int16),
        delivery=np.arange(1, size + 1, dtype=np.int64),
        revision=np.zeros(size, np.int64),
    )


class Kept:
    """Everything delivered, as the store would give it back."""

    def __init__(self) -> None:
        self.rows = Readings.empty()

    def add(self, rows: Readings) -> Readings:
        self.rows = Readings.join([self.rows, rows])
        return rows

    def __call__(self, begin: int, end: int, stations: np.ndarray) -> Readings:
        rows = self.rows.take(np.isin(self.rows.station, stations))
        inside = (rows.observed_at > begin) & (rows.observed_at <= end)
        before = np.zeros(len(rows), bool)
        for station in stations:
            rain = (rows.station == station) & (rows.variable == RAIN)
            earlier = np.flatnonzero(rain & (rows.observed_at <= begin))
            if len(earlier):
                before[earlier[rows.observed_at[earlier] == rows.observed_at[earlier].max()]] = True
        return rows.take(inside | before)


def record_of(use: Terms, now: int = NOW) -> Record:
    return Record(now, use, np.zeros(STATIONS, np.int64), fine_days=4)


def arrays_of(record: Record) -> list[np.ndarray]:
    return [
        array
        for grid in (record.fine, record.hourly, record.daily)
        for array in (grid.rain, grid.held, grid.known, grid.covers, grid.straddle, grid.running, grid.running_known)
    ]


def test_a_reading_stands_in_the_cell_it_ends_and_covers_the_cells_before() -> None:
    """A 15-minute reading puts its rain where it ends, and makes three cells known."""
    record = record_of(terms())
    record.take(readings([(0, NOW - 3600, 1.4)]), Kept())
    cell = record.fine.cell(NOW - 3600)
    assert record.fine.rain[cell, 0] == 1400
    assert record.fine.known[cell - 3 : cell + 2, 0].tolist() == [0, 300, 300, 300, 0]
    assert record.fine.straddle[cell - 3 : cell + 1, 0].tolist() == [0, 1400, 1400, 0]


def test_stamps_off_the_grid_still_fill_whole_cells() -> None:
    """A logger that sends at 10:07, 10:22 and 10:37 is known without a gap, and its quarter hours stay quarter
    hours.
    """
    record = record_of(terms())
    at = NOW - 3 * 3600 + 420
    record.take(readings([(0, at, 1.0), (0, at + 900, 6.0), (0, at + 1800, 0.0)]), Kept())
    cell = record.fine.cell(at + 900)
    assert record.fine.known[cell - 5 : cell + 4, 0].tolist() == [300] * 9
    assert record.fine.covers[cell, 0] == 900
    assert record.fine.straddle[cell - 3, 0] == 0, "nothing lies across the edge between two readings"


def test_readings_shorter_than_a_cell_add_up() -> None:
    """Five readings of a minute make a cell known; four leave a minute of it missing."""
    record = record_of(terms(covers_s=60))
    edge = NOW - 3600
    record.take(readings([(0, edge + 60 * minute, 0.2) for minute in range(1, 6)]), Kept())
    record.take(readings([(1, edge + 60 * minute, 0.2) for minute in range(1, 5)]), Kept())
    cell = record.fine.cell(edge + 1)
    assert record.fine.known[cell].tolist() == [300, 240, 0]
    assert record.fine.rain[cell].tolist() == [1000, 800, 0]


def test_running_totals_become_increments_and_a_restart_is_no_negative_rain() -> None:
    """A counter that falls from 4312 to 3 tips has brought 3 tips since its restart."""
    record = record_of(terms(running=True, tips=True))
    at = NOW - 7200
    rows, _again = record.take(
        readings([(0, at, 4310), (0, at + 900, 4312), (0, at + 1800, 3), (0, at + 2700, 3)]), Kept()
    )
    assert rows.rain_um.tolist() == [0, 400, 600, 0]
    assert record.daily.rain[:, 0].sum() == 1000


def test_a_counter_that_wraps_goes_on() -> None:
    """From 65530 to 6 tips on a 16-bit counter are 12 tips."""
    record = record_of(terms(running=True, tips=True, wraps_at=65536))
    rows, _again = record.take(readings([(0, NOW - 1800, 65530), (0, NOW - 900, 6)]), Kept())
    assert rows.rain_um.tolist() == [0, 2400]


@pytest.mark.parametrize("batches", [[4], [1, 1, 1, 1], [2, 2], [1, 3]], ids=str)
@pytest.mark.parametrize("count", [4312, 200], ids=["862 mm", "40 mm"])
def test_a_glitch_to_zero_is_no_restart(count: int, batches: list[int]) -> None:
    """A counter that reads 0 once and then goes on has not brought everything again, however the readings arrive."""
    kept, record = Kept(), record_of(terms(running=True, tips=True))
    at = NOW - 7200
    rows = readings([(0, at, count), (0, at + 900, 0), (0, at + 1800, count + 1), (0, at + 2700, count + 2)])
    first = 0
    for size in batches:
        record.take(kept.add(rows.take(np.arange(first, first + size))), kept)
        first += size
    assert record.daily.rain[:, 0].sum() == 400


def test_little_rain_after_the_reset_of_a_daily_total_is_rain() -> None:
    """Yesterday's 0.4 mm, 0 at midnight, and 0.4 mm at once again: that is 0.4 mm of today."""
    kept, record = Kept(), record_of(terms(running=True))
    for step, total in enumerate((0.0, 0.4, 0.0, 0.4)):
        record.take(kept.add(readings([(0, NOW - 7200 + 900 * step, total)])), kept)
    assert record.daily.rain[:, 0].sum() == 800


def test_a_new_logger_begins_a_count_of_its_own() -> None:
    """An impossible jump is no rain, and the next tip after it counts."""
    kept, record = Kept(), record_of(terms(running=True, tips=True))
    at = NOW - 7200
    for step, count in enumerate((100, 8000, 8001, 8003)):
        record.take(kept.add(readings([(0, at + 900 * step, count)])), kept)
    assert record.daily.rain[:, 0].sum() == 600


def test_absurd_stamps_and_values_are_flagged_and_not_summed() -> None:
    """Stamps of 1970 and 2099, negative and impossible rain are kept with a flag, and stay out of the sums."""
    record = record_of(terms())
    rows = readings(
        [(0, 100, 1.0), (0, 4_070_908_800, 1.0), (0, NOW - 900, -3.0), (1, NOW - 900, 900.0)], received_at=NOW
    )
    flags = record.take(rows, Kept())[0].flag
    assert (flags == 4).all()
    assert record.daily.rain.sum() == 0
    assert record.last_rain_at[0] == 0


def test_of_contradicting_readings_the_larger_rain_counts_and_both_are_suspect() -> None:
    """Two values for one time are both kept suspect, and the larger one counts once."""
    kept, record = Kept(), record_of(terms())
    first = kept.add(readings([(0, NOW - 900, 1.0)]))
    record.take(first, kept)
    second = kept.add(readings([(0, NOW - 900, 2.0)]))
    second.delivery[:] = 2
    record.take(second, kept)
    assert record.fine.rain[:, 0].sum() == 2000
    assert record.hourly.rain[:, 0].sum() == 2000


def test_what_is_decided_not_to_count_leaves_the_sums_but_not_the_record() -> None:
    """Test tips in a visit booked afterwards leave rain and known, and stay in `held`."""
    kept, record = Kept(), record_of(terms())
    rows = kept.add(readings([(0, NOW - 3600, 10.0), (0, NOW - 2700, 1.0), (1, NOW - 3600, 3.0)]))
    record.take(rows, kept)
    begin, end = NOW - 4000, NOW - 3500
    record.decide(Held.of([(0, begin, end)]), [(0, begin, end)], kept)
    for grid in (record.fine, record.hourly, record.daily):
        assert grid.rain[:, 0].sum() == 0, "the reading after it still shares a moment with the visit"
        assert grid.held[:, 0].sum() == 11_000
        assert grid.rain[:, 1].sum() == 3000
    record.decide(Held.of(()), [(0, begin, end)], kept)
    assert record.daily.rain[:, 0].sum() == 11_000


def test_old_cells_are_forgotten_and_sums_go_on() -> None:
    """After many days the arrays have moved along and a sum over the last hours is still right."""
    record = record_of(terms())
    kept = Kept()
    for day in range(12):
        now = NOW + day * 86400
        record.advance(now)
        rows = readings([(0, now - 900, 1.0), (1, now - 1800, 2.0)])
        record.take(kept.add(rows), kept)
    grid = record.fine
    assert grid.head < grid.length
    assert grid.sum(grid.head - 12, grid.head).tolist() == [1000, 2000, 0]
    assert record.daily.rain[:, 0].sum() == 12_000


def test_rewriting_days_older_than_a_grid_leaves_its_recent_cells_alone() -> None:
    """A reading or a decision from before the fine or the hourly grid clears nothing of the last hours."""
    kept, record = Kept(), record_of(terms())
    record.take(kept.add(readings([(0, NOW - 3600, 1.0)])), kept)
    for grid in (record.fine, record.hourly):
        for half_days in range(2, 20):
            at = grid.start - half_days * 43_200
            record.decide(Held.of(()), [(0, at, at + 3600)], kept)
    for grid in (record.fine, record.hourly, record.daily):
        assert grid.rain[:, 0].sum() == 1000
        assert grid.known[:, 0].sum() == 900


def test_a_clock_that_steps_far_ahead_and_back_is_survived() -> None:
    """After a step longer than the fine grid new readings stand in it, old ones don't; stepping back raises nothing."""
    kept, record = Kept(), record_of(terms())
    record.take(kept.add(readings([(0, NOW - 900, 7.0)])), kept)
    later = NOW + 40 * 86400
    record.advance(later)
    record.take(kept.add(readings([(0, later - 900, 1.0)])), kept)
    grid = record.fine
    assert grid.sum(0, grid.head)[0] == grid.rain.sum() == 1000
    assert grid.known.sum() == 900
    record.advance(NOW + 900)
    record.take(kept.add(readings([(0, NOW, 2.0), (1, NOW, 3.0)])), kept)
    record.decide(Held.of([(0, NOW - 900, NOW)]), [(0, NOW - 900, NOW)], kept)
    assert grid.sum(0, grid.head)[0] == 1000
    assert record.last_rain_at[1] == NOW


def test_one_odd_stamp_does_not_change_how_long_readings_are() -> None:
    """A reading 3 minutes after the one before is odd, not a habit; a logger set to 5 minutes makes a new one."""
    kept, record = Kept(), record_of(terms(covers_s=0))
    day = NOW - 86400
    record.take(kept.add(readings([(0, day + 900 * number, 0.0) for number in range(40)])), kept)
    record.take(kept.add(readings([(0, day + 900 * 39 + 180, 0.0)])), kept)
    assert record.covers_s[0] == 900
    record.take(kept.add(readings([(0, day + 900 * 40 + 300 * number, 0.0) for number in range(40)])), kept)
    assert record.covers_s.tolist() == [300, 0, 0]


def test_the_largest_numbers_of_a_machine_are_no_rain() -> None:
    """Fillings too large for the arrays are bad, and a running count goes on from the one before them."""
    for filling in (3.4028235e38, 9.97e36, 1e20, 2.0**31 - 1):
        record = record_of(terms(running=True))
        rows = [(0, NOW - 2700, 50.0), (0, NOW - 1800, filling), (0, NOW - 900, 51.0)]
        assert record.take(readings(rows), Kept())[0].flag.tolist() == [1, 4, 1]
        assert record.fine.rain.sum() == 1000


def test_a_glitch_counts_nothing_again_also_reading_by_reading() -> None:
    """A counter that read 0 once is compared with the reading after it, not with the 0 for days."""
    kept, record = Kept(), record_of(terms(running=True, tips=True))
    for number, count in enumerate((4312, 0, 4313, *range(4314, 4344))):
        record.take(kept.add(readings([(0, NOW - 86400 + 900 * number, count)])), kept)
    assert record.daily.rain[:, 0].sum() == 31 * 200


def test_habits_recalled_are_kept_until_others_are_learned() -> None:
    """A record begun again from saved habits knows how a station sends, also without any reading of it."""
    lived, ways = record_of(terms(covers_s=0)), np.arange(STATIONS)
    at = NOW - 20 * 86400
    lived.take(readings([(1, at + 43_200 * number, 0.0) for number in range(10)]), Kept())
    lived.take(readings([(1, at, 12.5)], variable=1), Kept())

    again = record_of(terms(covers_s=0))
    _stations, _ends, values = lived.habits(ways)
    again.recall(np.array([1, 2]), values[1:], np.array([0, 1, 3]))
    again.restore(readings([(1, at + 43_200 * number, 0.0) for number in (7, 8)]))

    for name in ("sends_every_s", "covers_s", "last_received", "last_observed"):
        assert getattr(again, name)[1] == getattr(lived, name)[1] > 0
    assert again.last_value[1, 1] == 12.5
    assert (again.arrivals[-2:, 1] > 0).all(), "what was heard before is still learned from"
    assert again.anew.tolist() == [True, False, True], "nothing was saved of the first, the last is read in another way"


def test_times_saved_while_the_clock_was_ahead_are_not_recalled() -> None:
    """A station last heard next week has not been heard yet; how often it sends is kept."""
    lived, again, ways = record_of(terms()), record_of(terms()), np.zeros(STATIONS, np.int64)
    lived.sends_every_s[:], lived.last_received[:], lived.last_value_at[:] = 900, NOW + 7 * 86400, NOW + 7 * 86400
    station, _ends, values = lived.habits(ways)
    again.recall(station, values, ways)
    assert (again.sends_every_s == 900).all()
    assert again.last_received.max() == again.last_value_at.max() == 0


def test_the_longest_pause_of_a_day_is_kept() -> None:
    """Arrivals at 06:00, 06:15 and 08:00 leave a longest pause of 105 minutes, also when they come in one batch."""
    day = NOW - 86400
    record = record_of(terms())
    record.take(
        readings([(0, day + 6 * 3600 - 60, 0.0), (0, day + 6 * 3600 + 840, 0.0), (0, day + 8 * 3600 - 60, 0.0)]), Kept()
    )
    assert record.longest_gap[record.daily.cell(day + 3600), 0] == 105 * 60


def test_the_latest_arrivals_are_kept_of_busy_and_of_quiet_stations() -> None:
    """In one batch of 300 messages of one station and 3 of another, each keeps its own latest."""
    record = record_of(terms())
    day = NOW - 86400
    busy = [(0, day + 60 * minute, 0.0) for minute in range(300)]
    quiet = [(1, day + 3600 * hour, 0.0) for hour in range(3)]
    record.take(readings(busy + quiet), Kept())
    assert record.arrivals[:, 0].tolist() == [day + 60 * minute + 60 for minute in range(300)][-len(record.arrivals) :]
    assert record.arrivals[-4:, 1].tolist() == [0, *(day + 3600 * hour + 60 for hour in range(3))]


@st.composite
def deliveries(draw: st.DrawFn) -> tuple[bool, list[tuple[int, int, float]], list[int], list[int]]:
    running = draw(st.booleans())
    rows: list[tuple[int, int, float]] = []
    for station in range(STATIONS):
        slots = draw(st.lists(st.integers(1, 150), max_size=12, unique=True))
        tips = draw(st.lists(st.integers(0, 30), min_size=len(slots), max_size=len(slots)))
        total = 0
        for slot, tip in zip(sorted(slots), tips, strict=True):
            total += tip
            rows.append((station, NOW - 2 * 86400 + slot * 900, float(total if running else tip)))
    order = draw(st.permutations(range(len(rows))))
    cuts = draw(st.lists(st.integers(0, len(rows)), max_size=5))
    return running, rows, list(order), sorted(cuts)


@settings(max_examples=150, deadline=None)
@given(deliveries())
def test_totals_are_the_same_whatever_the_order(
    case: tuple[bool, list[tuple[int, int, float]], list[int], list[int]],
) -> None:
    """In order or shuffled, in one batch or many: the arrays end up the same, cell by cell."""
    running, rows, order, cuts = case
    use = terms(running=running, tips=True)
    everything = readings(rows)
    in_order = record_of(use)
    in_order.take(everything, Kept())

    kept, shuffled = Kept(), record_of(use)
    for begin, end in zip([0, *cuts], [*cuts, len(rows)], strict=True):
        batch = kept.add(everything.take(np.array(order[begin:end], int)))
        shuffled.take(batch, kept)
    for expected, found in zip(arrays_of(in_order), arrays_of(shuffled), strict=True):
        np.testing.assert_array_equal(found, expected)


@settings(max_examples=100, deadline=None)
@given(deliveries())
def test_a_record_restored_from_saved_cells_equals_the_one_that_lived_on(
    case: tuple[bool, list[tuple[int, int, float]], list[int], list[int]],
) -> None:
    """Saved cells, the readings of the last days and what came after the saving make the same arrays again."""
    running, rows, order, cuts = case
    use = terms(running=running, tips=True)
    kept, lived = Kept(), record_of(use)
    cut = cuts[0] if cuts else 0
    everything = readings(rows)
    lived.take(kept.add(everything.take(np.array(order[:cut], int))), kept)
    saved = {name: lived.cells_of(name) for name in ("hourly", "daily")}
    lived.forget_touched()
    after = kept.add(everything.take(np.array(order[cut:], int)))
    lived.take(after, kept)

    restored = record_of(use)
    for name, cells in saved.items():
        restored.load_cells(name, *cells)
    restored.restore(kept.rows)
    restored.catch_up(after, kept)
    for expected, found in zip(arrays_of(lived), arrays_of(restored), strict=True):
        np.testing.assert_array_equal(found, expected)
    np.testing.assert_array_equal(restored.last_rain_at, lived.last_rain_at)


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 24), st.integers(0, 2000)), min_size=1, max_size=20),
    st.integers(1, 36),
    st.integers(0, 100),
)
def test_the_least_and_most_rain_of_a_stretch_hold_for_any_course_inside_the_readings(
    lengths_and_depths: list[tuple[int, int]], width: int, seed: int
) -> None:
    """However the rain of each long reading fell in truth, the true sum of a stretch lies between least and most."""
    from watchman.judging.checks.heavy_rain import depths

    random = np.random.default_rng(seed)
    record = Record(NOW, terms(covers_s=-1), np.zeros(STATIONS, np.int64), fine_days=4)
    at = NOW - 3 * 86400
    truth = np.zeros(record.fine.length, np.int64)
    rows = [(0, at, 0.0)]
    for length, depth in lengths_and_depths:
        first = record.fine.cell(at + 300)
        truth[first : first + length] += random.multinomial(depth, random.dirichlet(np.full(length, 0.3)))
        at += length * 300
        rows.append((0, at, depth / 1000))
    record.take(readings(rows), Kept())
    end = record.fine.cell(at)
    start = record.fine.cell(rows[0][1])
    ends = np.arange(start + width, end + 1)
    if not len(ends):
        return
    least, most, complete = depths(record.fine, ends, width * 300)
    true = np.array([truth[e + 1 - width : e + 1].sum() for e in ends])
    assert complete[:, 0].all()
    assert (most[:, 0] >= true).all()
    inside = np.array([record.fine.covers[e, 0] <= width * 300 for e in ends])
    assert (least[inside, 0] <= true[inside]).all()
    for position in np.flatnonzero(~inside):
        cells = int(record.fine.covers[ends[position], 0]) // 300
        best = max(
            truth[e + 1 - width : e + 1].sum() for e in range(ends[position] - cells + width, ends[position] + 1)
        )
        assert least[position, 0] <= max(best, true[position])


def test_what_was_read_before_a_station_came_to_its_place_is_forgotten() -> None:
    """Rain, volts and their sums of the old place go once the day has come, also those that arrive later; other
    stations keep theirs, and before that day nothing changes.
    """
    moved_at = NOW - 86400
    from_s = np.array([moved_at, 0, 0])
    record = Record(NOW - 2 * 86400, terms(), np.zeros(STATIONS, np.int64), fine_days=4, from_s=from_s)
    times = range(NOW - 2 * 86400, NOW - 86400 + 7200, 900)
    before = [(station, at, 1.0) for at in times if at <= moved_at - 900 for station in (0, 1)]
    record.take(readings(before), Kept())
    record.take(readings(before, BATTERY), Kept())
    record.advance(moved_at - 1)
    assert record.daily.rain[:, 0].sum() == record.daily.rain[:, 1].sum() > 0

    record.advance(NOW)
    late = [(0, moved_at - 450, 5.0)]
    after = [(station, at, 0.2) for at in times if at > moved_at for station in (0, 1)]
    record.take(readings(after), Kept())
    record.take(readings(late, BATTERY), Kept())
    for grid in (record.fine, record.hourly, record.daily):
        assert grid.rain[:, 0].sum() == 200 * len(after) // 2
        assert grid.running[grid.head + 1, 0] == 200 * len(after) // 2
        assert grid.rain[:, 1].sum() > grid.rain[:, 0].sum()
        assert grid.count[BATTERY, :, 0].sum() == 0
        assert grid.count[BATTERY, :, 1].sum() > 0
    assert np.isnan(record.last_value[BATTERY, 0])


def test_when_a_station_was_first_heard_is_known_live_and_found_again_at_start() -> None:
    """To the moment while it is watched, to the hour in the last month's cells, to the day before."""
    record = Record(NOW - 40 * 86400, terms(), np.zeros(STATIONS, np.int64), fine_days=4)
    record.take(readings([(0, NOW - 40 * 86400, 0.0)]), Kept())
    record.advance(NOW)
    record.take(readings([(1, NOW - 3600, 0.0)]), Kept())
    assert record.first_heard.tolist() == [NOW - 40 * 86400 + 60, NOW - 3600 + 60, 0]
    record.first_heard[:] = 0
    record.find_first_heard()
    assert NOW - 42 * 86400 < record.first_heard[0] <= NOW - 40 * 86400
    assert NOW - 3 * 3600 < record.first_heard[1] <= NOW - 3600
    assert record.first_heard[2] == 0


def test_what_was_kept_and_comes_at_once_does_not_change_how_often_a_station_sends() -> None:
    """Three days of an hourly station arrive within a quarter of an hour, one by one: it still sends every hour."""
    record = Record(NOW - 10 * 86400, terms(covers_s=3600), np.zeros(STATIONS, np.int64), fine_days=12)
    hours = [NOW - 10 * 86400 + 3600 * hour for hour in range(10 * 24)]
    for at in hours[:96]:
        record.take(readings([(0, at, 0.0)], received_at=at + 60), Kept())
    for place, at in enumerate(hours[96:168]):
        record.take(readings([(0, at, 0.0)], received_at=hours[167] + 60 + 10 * place), Kept())
    record.advance(hours[168])
    assert record.sends_every_s[0] == 3600


def assert_the_same(use: Terms, parts: list[Readings]) -> Record:
    """Deliver parts one by one and all at once in order, and compare all arrays; return the first record."""
    kept, record, at_once = Kept(), record_of(use), record_of(use)
    for part in parts:
        record.take(kept.add(part), kept)
    everything = Readings.join(parts)
    at_once.take(everything.take(np.lexsort((everything.observed_at, everything.station))), Kept())
    for expected, found in zip(arrays_of(at_once), arrays_of(record), strict=True):
        np.testing.assert_array_equal(found, expected)
    for grid in ("fine", "hourly", "daily"):
        np.testing.assert_array_equal(getattr(record, grid).total, getattr(at_once, grid).total)
        np.testing.assert_array_equal(getattr(record, grid).count, getattr(at_once, grid).count)
    return record


def test_a_late_count_in_the_middle_of_a_long_gap_adds_no_rain() -> None:
    """100 tips, ten days later 160, and at last the 130 of between: 60 tips, and all ten days known."""
    day = 86400
    rows = [(0, NOW - 11 * day, 100.0), (0, NOW - day, 160.0), (0, NOW - 6 * day, 130.0)]
    record = assert_the_same(terms(running=True, tips=True), [readings([row]) for row in rows])
    assert record.daily.rain[:, 0].sum() == 60 * 200
    assert record.daily.known[:, 0].sum() == 10 * day


def test_readings_mean_the_same_one_by_one_where_the_interval_changes() -> None:
    """A quarter of an hour, an hour, 5 minutes; what an hour's first reading is shows with its third."""
    steps = np.cumsum([900] * 20 + [3600] * 8 + [300] * 20)
    parts = [readings([(0, NOW - 86400 + int(step), 0.2)]) for step in steps]
    assert_the_same(terms(covers_s=0), parts)


def test_contradicting_voltages_are_one_also_in_two_deliveries() -> None:
    """The larger holds, as in rain, whichever came first."""
    for values in ((3.9, 4.1), (4.1, 3.9)):
        parts = [readings([(0, NOW - 900, value)], BATTERY) for value in values]
        record = assert_the_same(terms(), parts)
        assert record.hourly.total[BATTERY].sum() == np.float32(4.1)
        assert record.hourly.count[BATTERY].sum() == 1

"""The network's recent readings as arrays [cell, station]: fine, hourly and daily, plus what is known of each arrival.

Rain is placed in the cell in which its reading ends; what can't be known of the moments inside a long reading is kept
as `straddle`, so that sums over any stretch have an exact lower and upper bound. Missing is never zero: `known` says
how many seconds of a cell were covered by delivered readings.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from copy import copy
from dataclasses import replace

import numpy as np

from watchman.model import RAIN, VARIABLES, Readings
from watchman.readings.cleaning import (
    CONTRADICTED,
    EARLIEST_S,
    FELL,
    FUTURE_S,
    IMPOSSIBLE,
    LOOK_BACK,
    LOOK_BACK_S,
    OUTSIDE,
    ROSE,
    Clean,
    Held,
    Terms,
    believable,
    clean,
    interval,
    stamped_long_ago,
)

HOUR = 3600
DAY = 86400
HOURLY_DAYS = 31
DAILY_DAYS = 400
ARRIVALS_KEPT = 128
"""How many of a station's latest arrivals are kept to learn how often it sends."""
CHANGEABLE = 3
"""How many of a station's latest rain readings mean something else once the next one is known."""
LATEST_KEPT = CHANGEABLE + LOOK_BACK + 3 + 1
"""How many of them are kept to know what the next one means: as many as `cleaning` looks back from the changeable."""
DELAYS_LEARNED = 32
"""From how many of a station's latest messages its usual delay is learned; a quarter of them make a habit."""
DELAY_DRIFT_S = 60
"""By how much a usual delay grows in an hour at most [s], so that a clock that jumps is seen as such (judgement)."""
DAYS_AT_ONCE = 8
STATION_DAYS_AT_ONCE = 1_000
"""How much is read again at once at most, so that a late million rows don't fill the memory."""
DELAY_JUMP_S = 1200
"""A delay longer than usual by more than this is no habit but a fault [s] (judgement, no source)."""

LATEST = {
    "at": np.int64,
    "value": np.float64,
    "source": np.int16,
    "um": np.int64,
    "covers": np.int64,
    "reason": np.int8,
}

History = Callable[[int, int, np.ndarray], Readings]
"""(begin, end, stations) -> every reading delivered by these stations in (begin, end], and each one's rain before."""


class Grid:
    """All stations' readings in cells of equal length; cell i covers (start + i*step, start + (i+1)*step].

    rain: counted rain of the readings that end in the cell [um]. held: the same of readings that do not count (test
    tips, out of service). known: seconds of the cell covered by rain readings [s]. covers: the longest reading that
    ends in the cell [s]. straddle: rain of the reading that lies on both sides of the cell's end [um]. All [cell,
    station], int32. running, running_known: sums of rain and known over all cells before [int64, one row more].
    total, count: sum and number of the other variables' readings [variable, cell, station].
    head: the cell that holds `now`, not yet complete.
    """

    def __init__(self, step: int, start: int, length: int, stations: int) -> None:
        self.step, self.start, self.length, self.stations = step, start, length, stations
        self.head = 0
        shape = (length, stations)
        self.rain, self.held, self.known, self.covers, self.straddle = (np.zeros(shape, np.int32) for _ in range(5))
        self.running, self.running_known = (np.zeros((length + 1, stations), np.int64) for _ in range(2))
        self.total = np.zeros((len(VARIABLES), *shape), np.float32)
        self.count = np.zeros((len(VARIABLES), *shape), np.uint16)

    def cell(self, moment: int) -> int:
        """Return the cell in which a moment [s since 1970 UTC] lies; a moment on an edge belongs to the cell it
        ends.
        """
        return int(-((self.start - moment) // self.step) - 1)

    def cells(self, moments: np.ndarray) -> np.ndarray:
        """Return the cells in which moments lie, as `cell` does for one."""
        cells: np.ndarray = -((self.start - moments) // self.step) - 1
        return cells

    def end_of(self, cell: int) -> int:
        """Return the end of a cell [s since 1970 UTC]."""
        return self.start + (cell + 1) * self.step

    def with_held(self, stations: np.ndarray, but: Iterable[tuple[int, int, int]] = ()) -> Grid:
        """Return a copy in which what does not count as rain at some stations does, except in (station, begin, end]."""
        other = copy(self)
        other.rain, other.running = self.rain.copy(), self.running.copy()
        other.rain[:, stations] += self.held[:, stations]
        for station, begin, end in but:
            cells = slice(max(self.cell(begin + 1), 0), max(self.cell(end) + 1, 0))
            other.rain[cells, station] = self.rain[cells, station]
        other.running[1 : self.head + 2, stations] = np.cumsum(other.rain[: self.head + 1, stations], axis=0)
        return other

    def mean(self, variable: int, first: int, last: int) -> np.ndarray:
        """Return the cell means of a variable in cells first..last (inclusive), NaN where nothing was delivered."""
        count = self.count[variable, first : last + 1]
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(count > 0, self.total[variable, first : last + 1] / count, np.float32(np.nan))

    def sum(self, first: int, last: int) -> np.ndarray:
        """Return the counted rain of the readings that end in cells first..last (inclusive), by station [um]."""
        total: np.ndarray = self.running[last + 1] - self.running[first]
        return total

    def advance(self, now: int) -> None:
        """Make room up to `now`, forgetting the oldest cells when there is none left."""
        head = self.cell(now)
        if head >= self.length:
            self._forget(head - self.length + 1 + self.length // 8)
            head = self.cell(now)
        if head > self.head:
            self.running[self.head + 1 : head + 2] = self.running[self.head + 1]
            self.running_known[self.head + 1 : head + 2] = self.running_known[self.head + 1]
            self._sum_from(self.head, np.arange(self.stations), upto=head)
            self.head = head

    def _forget(self, cells: int) -> None:
        # The clock may step by more than the whole grid is long: then nothing of it is kept.
        lost = min(cells, self.length)
        kept = self.length - lost
        for array in (self.rain, self.held, self.known, self.covers, self.straddle):
            array[:kept] = array[lost:]
            array[kept:] = 0
        for running in (self.running, self.running_known):
            base = running[lost].copy()
            running[: kept + 1] = running[lost:] - base
            running[kept + 1 :] = running[kept]
        for layers in (self.total, self.count):
            layers[:, :kept] = layers[:, lost:]
            layers[:, kept:] = 0
        self.start += cells * self.step
        self.head = max(self.head - cells, 0)

    def _inside(self, begin: int | None, end: int | None) -> tuple[int, int]:
        """Return the first and the last cell of (begin, end], of the whole grid where these are not given."""
        first = 0 if begin is None else max(self.cell(begin + 1), 0)
        return first, self.length - 1 if end is None else min(self.cell(end), self.length - 1)

    def put_values(self, rows: Clean, begin: int | None = None, end: int | None = None) -> None:
        """Add readings of the other variables to their cells, only to those of (begin, end] where these are given."""
        first, last = self._inside(begin, end)
        cells = self.cells(rows.observed_at)
        inside = (cells >= first) & (cells <= last) & (rows.variable != RAIN) & rows.usable
        at = (rows.variable[inside], cells[inside], rows.station[inside])
        np.add.at(self.total, at, rows.value[inside].astype(np.float32))
        np.add.at(self.count, at, np.uint16(1))

    def put_rain(self, rows: Clean, begin: int | None = None, end: int | None = None) -> None:
        """Add rain readings to their cells, only what falls into cells of (begin, end] where these are given."""
        first, last = self._inside(begin, end)
        # Where rain comes tip by tip, other messages say that nothing tipped.
        rain = ((rows.variable == RAIN) | (rows.known_s > 0)) & rows.usable
        station, stamps, um, covers, known = (
            column[rain] for column in (rows.station, rows.observed_at, rows.rain_um, rows.covers_s, rows.known_s)
        )
        counts = rows.counts[rain]
        begins, ends = self._snapped(stamps, covers)
        covers = ends - begins
        cells = self.cells(ends)
        inside = (cells >= first) & (cells <= last)
        for array, chosen in ((self.rain, inside & counts), (self.held, inside & ~counts)):
            np.add.at(array, (cells[chosen], station[chosen]), um[chosen].astype(np.int32))
        np.maximum.at(self.covers, (cells[inside], station[inside]), covers[inside].astype(np.int32))
        if (known != rows.covers_s[rain]).any():
            um = np.where(known == rows.covers_s[rain], um, 0)
            begins, ends = self._snapped(stamps, known)
        self._spread(station[counts], begins[counts], ends[counts], um[counts], first, last)
        if len(station):
            earliest = max(int(self.cells(begins).min()), 0)
            self._sum_from(min(max(earliest, first), self.head), station, upto=self.head)

    def _snapped(self, ends: np.ndarray, covers: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return when readings begin and end, those as long as a cell moved to the ends of cells.

        A logger that sends at 10:07 and 10:22 then fills whole cells, its rain at most one cell late; a quarter of an
        hour stays a quarter of an hour.
        """
        begins = ends - covers
        long = covers >= self.step
        whole_begins = self.start + (self.cells(begins) + 1) * self.step
        whole_ends = self.start + (self.cells(ends) + 1) * self.step
        return np.where(long, whole_begins, begins), np.where(long, whole_ends, ends)

    def _spread(
        self, station: np.ndarray, begins: np.ndarray, ends: np.ndarray, um: np.ndarray, first: int, last: int
    ) -> None:
        """Write which seconds the readings cover, and their rain across the cell edges inside them."""
        cells = self.cells(ends)
        back = 0
        while len(station):
            cell = cells - back
            left = self.start + cell * self.step
            seconds = np.minimum(ends, left + self.step) - np.maximum(begins, left)
            inside = (cell >= first) & (cell <= last) & (seconds > 0)
            at = (cell[inside], station[inside])
            np.add.at(self.known, at, seconds[inside].astype(np.int32))
            self.known[at] = np.minimum(self.known[at], self.step)
            crosses = inside & (back > 0) & (left + self.step > begins)
            np.add.at(self.straddle, (cell[crosses], station[crosses]), um[crosses].astype(np.int32))
            more = (begins < left) & (cell > first)
            station, ends, um, begins, cells = station[more], ends[more], um[more], begins[more], cells[more]
            back += 1

    def clear(self, stations: np.ndarray, begin: int, end: int) -> None:
        """Forget the readings of some stations in the cells of (begin, end], to be written again."""
        first, last = self._inside(begin, end)
        # Cells before the grid would count from its end.
        if last < first:
            return
        for array in (self.rain, self.held, self.known, self.covers, self.straddle):
            array[first : last + 1, stations] = 0
        for layers in (self.total, self.count):
            layers[:, first : last + 1, stations] = 0
        if first <= self.head:
            self._sum_from(first, stations, upto=self.head)

    def forget_before(self, stations: np.ndarray, moment: int) -> None:
        """Forget everything of some stations in the cells that begin before a moment [s since 1970 UTC]."""
        last = min(-((self.start - moment) // self.step), self.length)
        if last <= 0:
            return
        for array in (self.rain, self.held, self.known, self.covers, self.straddle):
            array[:last, stations] = 0
        for layers in (self.total, self.count):
            layers[:, :last, stations] = 0
        self._sum_from(0, stations, upto=self.head)

    def sum_again(self, first: int) -> None:
        """Bring the running sums up to date from a cell on, for all stations."""
        self._sum_from(first, np.arange(self.stations), upto=self.head)

    def _sum_from(self, first: int, stations: np.ndarray, upto: int) -> None:
        if first > upto:
            return
        # Whole rows are many times faster than chosen columns once most stations are in.
        columns: slice | np.ndarray = slice(None) if 2 * len(stations) > self.stations else stations
        for array, running in ((self.rain, self.running), (self.known, self.running_known)):
            sums = np.cumsum(array[first : upto + 1, columns], axis=0, dtype=np.int64)
            running[first + 1 : upto + 2, columns] = running[first, columns] + sums


class Record:
    """The recent readings of a network, kept up to date by `take` and moved along by `advance`.

    last_observed, last_rain_at, last_received: newest times of each station [s since 1970 UTC, 0 = never, n];
    last_value, last_value_at: newest reading of each variable, rain as delivered [variable, n]; covers_s,
    sends_every_s: written or learned [s, 0 = not known, n]; longest_gap: the longest pause between two arrivals that
    ended on that day [s, day, n]; arrivals: the latest arrivals of each station, 0 where there were fewer [s since
    1970 UTC, k, n]; stamps: the newest time each of those arrivals brought, however absurd [s since 1970 UTC, k, n];
    usual_delay_s: how long after their stamps messages usually arrive [s, 0 = not known, n]; anew: stations whose saved
    cells don't hold any more and are made again from the readings [bool, n]; first_heard: when a station was heard for
    the first time, as far back as is known [s since 1970 UTC, 0 = never, n]; impossible_at: the newest reading with
    more rain than was ever measured in its time [s since 1970 UTC, 0 = none, n]; outside_value, outside_at: the newest
    value of each variable that its sensor can't measure, and when [base unit, s since 1970 UTC, 0 = none, variable, n].
    """

    def __init__(
        self,
        now: int,
        terms: Terms,
        sends_every_s: np.ndarray,
        *,
        grid_s: int = 300,
        fine_days: float = 4.0,
        day_starts_s: int = 0,
        hourly_days: int = HOURLY_DAYS,
        daily_days: int = DAILY_DAYS,
        from_s: np.ndarray | None = None,
    ) -> None:
        """Begin with nothing known.

        from_s: when each station came to its place; what it read before is forgotten then [s since 1970 UTC, 0 = it was
        always there].
        """
        stations = len(terms.covers_s)
        self.from_s = np.zeros(stations, np.int64) if from_s is None else from_s
        self._begins_at = np.zeros(stations, np.int64)
        self.terms, self.held = terms, Held.of(())
        self.fine = _grid(now, grid_s, round(fine_days * DAY / grid_s), stations, 0)
        # Whole days must be whole hours, also where the day starts at half past.
        self.hourly = _grid(now, HOUR, hourly_days * 24, stations, day_starts_s % HOUR)
        self.daily = _grid(now, DAY, daily_days, stations, day_starts_s)
        self.longest_gap = np.zeros((self.daily.length, stations), np.int32)
        self.last_observed, self.last_rain_at, self.last_received = (np.zeros(stations, np.int64) for _ in range(3))
        self.last_value = np.full((len(VARIABLES), stations), np.nan)
        self.last_value_at = np.zeros((len(VARIABLES), stations), np.int64)
        self.last_rain_source = np.zeros(stations, np.int16)
        # The latest rain readings of each station as they were delivered, and what they were taken to mean.
        self._latest = {name: np.zeros((LATEST_KEPT, stations), kind) for name, kind in LATEST.items()}
        self._alone = terms.alone()
        self.impossible_at = np.zeros(stations, np.int64)
        self.outside_value = np.full((len(VARIABLES), stations), np.nan)
        self.outside_at = np.zeros((len(VARIABLES), stations), np.int64)
        self.covers_s = np.maximum(terms.covers_s, 0)
        self.written_sends_s, self.sends_every_s = sends_every_s, sends_every_s.astype(np.int64)
        self.arrivals, self.stamps = (np.zeros((ARRIVALS_KEPT, stations), np.int64) for _ in range(2))
        self.usual_delay_s = np.zeros(stations, np.int64)
        self.anew = np.zeros(stations, bool)
        self.first_heard = np.zeros(stations, np.int64)
        self.touched: dict[str, set[int]] = {"hourly": set(), "daily": set()}
        self._learned_hour = 0

    @property
    def stations(self) -> int:
        """Return the number of stations."""
        return self.fine.stations

    def advance(self, now: int) -> None:
        """Move the arrays along to `now`, and learn anew how often stations send once an hour."""
        before = self.daily.start
        for grid in (self.fine, self.hourly, self.daily):
            grid.advance(now)
        passed = (self.daily.start - before) // DAY
        if passed:
            self.longest_gap[:-passed] = self.longest_gap[passed:]
            self.longest_gap[-passed:] = 0
        self._forget_old_places(now)
        if now // HOUR != self._learned_hour:
            self._learned_hour = now // HOUR
            self._learn_sending(np.ones(self.stations, bool))
            self._learn_delays()

    def _forget_old_places(self, now: int) -> None:
        """Forget what stations read before they came to their place, once they have: neighbours, rain and volts there
        are no past of theirs here.
        """
        moved = np.flatnonzero((self.from_s <= now) & (self._begins_at < self.from_s))
        for begins_at in np.unique(self.from_s[moved]).tolist():
            stations = moved[self.from_s[moved] == begins_at]
            for grid in (self.fine, self.hourly, self.daily):
                grid.forget_before(stations, begins_at)
            self.longest_gap[: max(self.daily.cell(begins_at + 1), 0), stations] = 0
            old = self.last_value_at[1:, stations] <= begins_at
            self.last_value[1:, stations] = np.where(old, np.nan, self.last_value[1:, stations])
            self.last_value_at[1:, stations] = np.where(old, 0, self.last_value_at[1:, stations])
        self._begins_at[moved] = self.from_s[moved]

    def _of_this_place(self, rows: Clean) -> Clean:
        """Return the readings made where the station stands now."""
        return rows.take(rows.observed_at > self._begins_at[rows.station])

    def take(self, new: Readings, history: History) -> tuple[Clean, Clean]:
        """Write readings just delivered into the arrays; return those added, and those written again, cleaned.

        Readings newer than all before at their station are added. Where one comes late or contradicts, the days it
        touches are written again from everything delivered, so that order and repetition leave no trace.
        """
        if not len(new):
            nothing = clean(new, self.terms, self.held)
            return nothing, nothing
        self._note_arrivals(new)
        self._learn_sending(self.sends_every_s == 0)
        late = self._late(new)
        fresh = new.take(~late[new.station])
        steady = self._steady(fresh)
        context, meant = self._context(fresh, steady)
        known = replace(self.terms, covers_s=np.where(steady, self.covers_s, self.terms.covers_s))
        rows = clean(Readings.join([context, fresh]), known, self.held)
        late |= self._otherwise(rows, meant)
        rows = rows.take((rows.delivery > 0) & ~late[rows.station])
        here = self._of_this_place(rows)
        for grid in (self.fine, self.hourly, self.daily):
            grid.put_rain(here)
            grid.put_values(here)
        self._note_newest(rows)
        self._note_latest(rows)
        self._touch(rows)
        stretches = self._stretches(new.take(late[new.station]))
        again = self._write_again(stretches, history, (self.fine, self.hourly, self.daily))
        # What is absurd by itself makes no day be written again, and is flagged all the same.
        absurd = clean(new.take(late[new.station] & ~believable(new)), self.terms, self.held)
        self._note_newest(absurd)
        return Clean.join([rows, absurd]), again

    def decide(self, held: Held, changed: Iterable[tuple[int, int, int]], history: History) -> Clean:
        """Take over what counts and what doesn't; write the (station, begin, end) stretches again."""
        self.held = held
        cell = self.daily.cell
        days = [(station, cell(begin), cell(end) + 1) for station, begin, end in changed]
        return self._write_again(self._days_around(days), history, (self.fine, self.hourly, self.daily))

    def restore(self, recent: Readings) -> None:
        """Fill the fine grid at start; readings of `LOOK_BACK_S` before it say what its first ones mean."""
        rows = clean(recent, self.terms, self.held)
        here = self._of_this_place(rows)
        self.fine.put_rain(here)
        self.fine.put_values(here)
        self._note_newest(rows)
        self._note_latest(rows)
        # What was recalled is later than these arrivals, which are still to be learned from.
        heard, self.last_received = self.last_received, np.zeros(self.stations, np.int64)
        self._note_arrivals(recent)
        self.last_received = np.maximum(self.last_received, heard)
        self._learn_sending(np.ones(self.stations, bool))

    def catch_up(self, after: Readings, history: History) -> None:
        """Write into the hourly and daily cells, at start, what the saved ones don't know of."""
        # Messages with absurd stamps lie outside the fine grid, but they were heard.
        self._note_arrivals(after)
        after = after.take(~stamped_long_ago(after))
        self._write_again(self._stretches(after), history, (self.hourly, self.daily))

    def find_first_heard(self) -> None:
        """Find at start, from the cells, when stations were heard for the first time: the hour of it in the last month,
        else the day.
        """
        for grid in (self.hourly, self.daily):
            heard = (grid.known > 0) | grid.count.any(axis=0)
            begins_at = grid.start + np.argmax(heard, axis=0) * grid.step
            earlier = heard.any(axis=0) & ((self.first_heard == 0) | (begins_at <= self.first_heard - grid.step))
            self.first_heard[earlier] = begins_at[earlier]

    def cells_of(self, name: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return station, cell end and values [rows, 15] of the cells written since `forget_touched`, to be saved."""
        grid = self.hourly if name == "hourly" else self.daily
        cells = sorted(cell for end in self.touched[name] if 0 <= (cell := grid.cell(end)) < grid.length)
        if not cells:
            return np.empty(0, np.int32), np.empty(0, np.int64), np.empty((0, 15))
        layers = [grid.rain, grid.held, grid.known, grid.covers, grid.straddle, *grid.total, *grid.count]
        values = np.stack([layer[cells] for layer in layers], axis=-1).astype(np.float64)
        if name == "daily":
            values[:, :, 5] = self.longest_gap[cells]
        written = values.any(axis=-1)
        row, station = np.nonzero(written)
        ends = np.array([grid.end_of(cell) for cell in cells], np.int64)
        return station.astype(np.int32), ends[row], values[row, station]

    def forget_touched(self) -> None:
        """Take note that all cells written so far have been saved."""
        for ends in self.touched.values():
            ends.clear()
        self.anew[:] = False

    def habits(self, ways: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return what is known of each station beside its cells, in the shape of cells, to be saved with them.

        Values: how often it sends, how long its readings are, when it was last received and observed, `ways` (a number
        that says how its readings are read), and the last value and its time by variable; in the place of rain's value,
        which is read again, its usual delay.
        """
        known = (self.sends_every_s, self.covers_s, self.last_received, self.last_observed, ways)
        values = np.stack([*known, *self.last_value, *self.last_value_at], axis=-1).astype(np.float64)
        values[:, len(known) + RAIN] = self.usual_delay_s
        return np.arange(self.stations, dtype=np.int32), np.zeros(self.stations, np.int64), values

    def recall(self, station: np.ndarray, values: np.ndarray, ways: np.ndarray) -> None:
        """Take over saved habits; the saved cells of stations that were read in other ways don't hold (`anew`)."""
        self.anew[:] = True
        self.anew[station] = values[:, 4] != ways[station]
        # Times that lie ahead were saved while the clock was wrong, and would hide everything until then.
        now = self.fine.end_of(self.fine.head)
        values = np.where(values > now, 0.0, values)
        for place, written, learned in (
            (0, self.written_sends_s, self.sends_every_s),
            (1, self.terms.covers_s, self.covers_s),
        ):
            learned[station] = np.where(written[station] == 0, values[:, place], learned[station])
        self.last_received[station] = values[:, 2]
        self.last_observed[station] = values[:, 3]
        self.usual_delay_s[station] = np.nan_to_num(values[:, 5 + RAIN])
        # Rain itself is read again, with the reading before the fine grid.
        others = np.arange(RAIN + 1, len(VARIABLES))
        self.last_value[np.ix_(others, station)] = values[:, 5 + others].T
        self.last_value_at[np.ix_(others, station)] = values[:, 5 + len(VARIABLES) + others].T

    def load_cells(self, name: str, station: np.ndarray, ends: np.ndarray, values: np.ndarray) -> None:
        """Put saved cells back where they were; of stations made anew only what does not hang on the way of reading."""
        grid = self.hourly if name == "hourly" else self.daily
        cells = grid.cells(ends)
        inside = (cells >= 0) & (cells < grid.length)
        if name == "daily":
            self.longest_gap[cells[inside], station[inside]] = values[inside, 5]
        inside &= ~self.anew[station]
        at = (cells[inside], station[inside])
        values = values[inside]
        for layer, array in enumerate((grid.rain, grid.held, grid.known, grid.covers, grid.straddle)):
            array[at] = values[:, layer]
        for variable in range(1, len(VARIABLES)):
            grid.total[variable][at] = values[:, 5 + variable]
            grid.count[variable][at] = values[:, 5 + len(VARIABLES) + variable]
        grid.sum_again(0)

    def _late(self, new: Readings) -> np.ndarray:
        """Say at which stations a reading is not newer than all before, or hangs on messages of other variables."""
        late = np.zeros(self.stations, bool)
        behind = new.take(new.observed_at <= self.last_value_at[new.variable, new.station])
        late[behind.station[believable(behind)]] = True
        if self.terms.each_tip.any():
            late[new.station[self.terms.each_tip[new.source]]] = True
        return late

    def _steady(self, fresh: Readings) -> np.ndarray:
        """Say which stations send one reading more, as long as usual: no more need be looked at to know its length."""
        rain = fresh.take(fresh.variable == RAIN)
        at = np.zeros(self.stations, np.int64)
        at[rain.station] = rain.observed_at
        once = np.bincount(rain.station, minlength=self.stations) == 1
        latest, covers = self._latest["at"][-CHANGEABLE:], self._latest["covers"][-CHANGEABLE:]
        as_usual = (covers == self.covers_s).all(axis=0)
        as_usual[rain.station] |= self.terms.running[rain.source]
        steady: np.ndarray = once & as_usual & (self.terms.covers_s == 0) & (latest[0] > 0)
        steady[steady] = interval(np.diff(latest[:, steady], append=[at[steady]], axis=0)) == self.covers_s[steady]
        return steady

    def _context(self, fresh: Readings, steady: np.ndarray) -> tuple[Readings, dict[str, np.ndarray]]:
        """Return the latest rain of the stations that have fresh one, as delivery 0, and what it was taken to mean."""
        stations = np.unique(fresh.station[fresh.variable == RAIN])
        stations = stations[~self._alone[stations] & (~steady[stations] | self.terms.running.any())]
        latest = {name: rows[:, stations].T for name, rows in self._latest.items()}
        there = latest["at"] > 0
        # A running total needs no more than the readings that may change, and those before them.
        there[np.ix_(steady[stations] | (self.terms.covers_s[stations] > 0), range(LATEST_KEPT - CHANGEABLE - 2))] = (
            False
        )
        changeable = np.zeros(there.shape, bool)
        changeable[:, -CHANGEABLE:] = True
        meant = {name: rows[there] for name, rows in {**latest, "changeable": changeable}.items()}
        size = len(meant["at"])
        readings = Readings(
            station=np.repeat(stations, there.sum(axis=1)).astype(np.int32),
            variable=np.full(size, RAIN, np.int8),
            observed_at=meant["at"],
            received_at=meant["at"],
            value=meant["value"],
            source=meant["source"],
            delivery=np.zeros(size, np.int64),
            revision=np.zeros(size, np.int64),
        )
        return readings, meant

    def _otherwise(self, rows: Clean, meant: dict[str, np.ndarray]) -> np.ndarray:
        """Say at which stations readings mean something else now that the next are known [bool, n]."""
        context = rows.take(rows.delivery == 0)
        differs = (context.rain_um != meant["um"]) | (context.covers_s != meant["covers"])
        differs |= (context.reason != meant["reason"]) & (meant["reason"] != CONTRADICTED)
        differs |= np.isin(context.reason, (FELL, ROSE))
        otherwise = np.zeros(self.stations, bool)
        otherwise[context.station[differs & meant["changeable"]]] = True
        return otherwise

    def _note_latest(self, rows: Clean, but_before: np.ndarray | None = None) -> None:
        """Keep the latest rain of stations whose readings hang on each other.

        but_before: forget what was kept from then on [s since 1970 UTC, n].
        """
        rows = rows.take((rows.variable == RAIN) & (rows.usable | (rows.reason == IMPOSSIBLE)))
        rows = rows.take(~self._alone[rows.station])
        station = rows.station
        columns = dict(
            zip(
                LATEST,
                (rows.observed_at, rows.value, rows.source, rows.rain_um, rows.covers_s, rows.reason),
                strict=True,
            )
        )
        if but_before is not None:
            again = np.unique(station)
            kept = {name: column[:, again].T for name, column in self._latest.items()}
            older = (kept["at"] > 0) & (kept["at"] < but_before[again, None])
            station = np.concatenate([np.repeat(again, older.sum(axis=1)), station])
            order = np.argsort(station, kind="stable")
            station = station[order]
            for name, column in self._latest.items():
                columns[name] = np.concatenate([kept[name][older], columns[name]])[order]
                column[:, again] = 0
        for name, column in self._latest.items():
            _push(column, station, columns[name])

    def _note_latest_again(self, rows: Clean) -> None:
        """Keep the latest rain again where it was read again, in the place of what was kept of that time."""
        rows = rows.take(rows.variable == RAIN)
        newest, begins = np.zeros(self.stations, np.int64), np.full(self.stations, np.iinfo(np.int64).max)
        np.maximum.at(newest, rows.station, rows.observed_at)
        np.minimum.at(begins, rows.station, rows.observed_at)
        self._note_latest(rows.take((newest >= self.last_rain_at)[rows.station]), begins)

    def _write_again(
        self, stretches: list[tuple[int, int, np.ndarray]], history: History, grids: tuple[Grid, ...]
    ) -> Clean:
        """Write all readings of stretches (begin, end, stations) again; return those that end in them, cleaned."""
        again = []
        for begin, end, stations in stretches:
            around = 0 if self._alone[stations].all() else LOOK_BACK_S // 2
            for grid in grids:
                grid.clear(stations, begin, end)
            for first in range(begin, end, DAYS_AT_ONCE * DAY):
                last = min(first + DAYS_AT_ONCE * DAY, end)
                # A day more, since a reading that ends after the stretch may begin inside it.
                upto = end + DAY if last == end else last
                rows = clean(history(first - 2 * around, upto + around, stations), self.terms, self.held)
                mine = rows.take((rows.observed_at > first) & (rows.observed_at <= upto))
                here = self._of_this_place(mine)
                for grid in grids:
                    grid.put_rain(here, begin, end)
                    grid.put_values(here, begin, end)
                self._note_newest(rows)
                self._note_latest_again(rows)
                again.append(mine.take(mine.observed_at <= last))
            self._touch_stretch(begin, end)
        return Clean.join(again)

    def _stretches(self, late: Readings) -> list[tuple[int, int, np.ndarray]]:
        """Return the whole days to be written again for late readings, with the stations concerned."""
        late = late.take(believable(late))
        days = np.unique(np.stack([late.station.astype(np.int64), self.daily.cells(late.observed_at)]), axis=1)
        return self._days_around([(station, day, day) for station, day in days.T.tolist()])

    def _days_around(self, changed: Iterable[tuple[int, int, int]]) -> list[tuple[int, int, np.ndarray]]:
        """Return the stretches (begin, end, stations) that what changed in (station, first, last day) bears on.

        A reading may begin on the day before. Where readings hang on each other, those next to it may lie days away,
        and it bears on two days more.
        """
        # Days in which readings end: what covers a gap of days ends behind it.
        heard = (self.daily.rain > 0) | (self.daily.held > 0) | (self.daily.covers > 0)
        merged: dict[int, list[list[int]]] = {}
        for station, first, last in sorted(changed):
            begin, end = first - 1, last
            if not self._alone[station]:
                earlier = np.flatnonzero(heard[: max(first, 0), station])
                # A first count shows only in what the second covers.
                earlier = earlier if len(earlier) else np.flatnonzero(self.daily.known[: max(first, 0), station] == 0)
                begin = min(begin, int(earlier[-1])) if len(earlier) else begin
                end = self._next_day(heard[:, station], station, last)
            spans = merged.setdefault(station, [])
            if spans and begin <= spans[-1][1] + 1:
                spans[-1] = [min(spans[-1][0], begin), max(spans[-1][1], end)]
            else:
                spans.append([begin, end])
        groups: dict[tuple[int, int], list[int]] = {}
        for station, spans in merged.items():
            for first, last in spans:
                groups.setdefault((first, last), []).append(station)
        stretches = []
        for (first, last), stations in groups.items():
            at_once = max(STATION_DAYS_AT_ONCE // min(last - first + 1, DAYS_AT_ONCE), 1)
            days = self.daily.end_of(first - 1), self.daily.end_of(last)
            parts = range(0, len(stations), at_once)
            stretches += [(*days, np.array(stations[part : part + at_once])) for part in parts]
        return stretches

    def _next_day(self, heard: np.ndarray, station: int, day: int) -> int:
        """Return the last day on which readings may mean something else when one of a day changes."""
        days = np.flatnonzero(heard).tolist()
        newest = self.daily.cell(int(self.last_rain_at[station]))
        later = sorted({one for one in (*days, newest) if one > day})
        if not later:
            return day + 2
        end = later[0] + 2
        # A reading after a pause of days covers all of them, also the last day that is written again.
        for one in later:
            if one == end + 1:
                break
            end = max(end, one)
        return end

    def _touch(self, rows: Clean) -> None:
        """Note the cells that readings were written into, also those that a long reading covers before its end."""
        for moment in np.unique(self.hourly.end_of(0) + self.hourly.cells(rows.observed_at) * HOUR):
            self._touch_stretch(int(moment) - HOUR, int(moment))
        for row in np.flatnonzero(rows.known_s > HOUR):
            self._touch_stretch(int(rows.observed_at[row] - rows.known_s[row]), int(rows.observed_at[row]))

    def _touch_stretch(self, begin: int, end: int) -> None:
        for name, grid in (("hourly", self.hourly), ("daily", self.daily)):
            cells = range(max(grid.cell(begin + 1), 0), min(grid.cell(end), grid.length - 1) + 1)
            self.touched[name].update(grid.end_of(cell) for cell in cells)

    def _note_newest(self, rows: Clean) -> None:
        # The next running count is compared with this one, also where it rose by more than can be.
        impossible = rows.reason == IMPOSSIBLE
        np.maximum.at(self.impossible_at, rows.station[impossible], rows.observed_at[impossible])
        outside = rows.take(rows.reason == OUTSIDE)
        at = (outside.variable, outside.station)
        self.outside_value[at], self.outside_at[at] = outside.value, outside.observed_at
        here = (rows.variable == RAIN) | (rows.observed_at > self._begins_at[rows.station])
        rows = rows.take(here & (rows.usable | impossible))
        np.maximum.at(self.last_observed, rows.station, rows.observed_at)
        newer = rows.observed_at >= self.last_value_at[rows.variable, rows.station]
        at = (rows.variable[newer], rows.station[newer])
        # Rows are sorted by time, and of several for one place the last assignment holds.
        self.last_value[at] = rows.value[newer]
        self.last_value_at[at] = rows.observed_at[newer]
        self.last_rain_at = self.last_value_at[RAIN]
        rain = rows.variable == RAIN
        self.last_rain_source[rows.station[rain]] = rows.source[rain]
        learned = rows.take(rain & (rows.observed_at >= self.last_rain_at[rows.station]))
        learned = learned.take((self.terms.covers_s[learned.station] == 0) & (learned.covers_s > 0))
        station = learned.station[(learned.usual_s == 0) & (self.covers_s[learned.station] == 0)]
        self.covers_s[station] = learned.covers_s[(learned.usual_s == 0) & (self.covers_s[learned.station] == 0)]
        self.covers_s[learned.station[learned.usual_s > 0]] = learned.usual_s[learned.usual_s > 0]

    def _note_arrivals(self, new: Readings) -> None:
        """Keep when each station was heard, and the longest pause of the day in which it ended."""
        order = np.lexsort((-new.observed_at, new.received_at, new.station))
        station, at, stamp = new.station[order], new.received_at[order], new.observed_at[order]
        # Where arrival is guessed from the stamp, a stamp of 1970 says nothing of when the station was heard.
        news = at > np.maximum(self.last_received[station], EARLIEST_S)
        news[1:] &= (station[1:] != station[:-1]) | (at[1:] != at[:-1])
        station, at, stamp = station[news], at[news], stamp[news]
        if not len(station):
            return
        first = np.concatenate(([True], station[1:] != station[:-1]))
        new_ones = first & (self.first_heard[station] == 0)
        self.first_heard[station[new_ones]] = at[new_ones]
        before = np.where(first, self.last_received[station], np.concatenate(([0], at[:-1])))
        day = self.daily.cells(at)
        known = (before > 0) & (day >= 0) & (day < self.daily.length)
        np.maximum.at(self.longest_gap, (day[known], station[known]), (at - before)[known].astype(np.int32))
        _push(self.arrivals, station, at)
        _push(self.stamps, station, stamp)
        self.last_received[station] = at

    def _learn_sending(self, stations: np.ndarray) -> None:
        """Learn how often stations send: the median pause between their latest arrivals, or between the times these
        brought if that is longer, as it is when much was kept and came at once [s]; four make a habit.
        """
        learn = np.flatnonzero(stations & (self.written_sends_s == 0) & (self.arrivals[-4] > 0))
        if len(learn):
            arrivals = self.arrivals[:, learn]
            stamps = np.sort(np.where(arrivals > 0, self.stamps[:, learn], np.iinfo(np.int64).max), axis=0)
            pauses = np.where(arrivals[:-1] > 0, np.diff(arrivals, axis=0), np.nan)
            spacings = np.diff(stamps, axis=0).astype(np.float64)
            spacings[(spacings == 0) | (stamps[1:] == np.iinfo(np.int64).max)] = np.nan
            spacings[0, np.isnan(spacings).all(axis=0)] = 0.0
            every = np.fmax(np.nanmedian(pauses, axis=0), np.nanmedian(spacings, axis=0))
            self.sends_every_s[learn] = every.astype(np.int64)

    def _learn_delays(self) -> None:
        """Learn how long after their stamps each station's messages arrive: the median of the latest [s].

        A habit follows at once when messages come sooner, and slowly when they come later; stamps far ahead of their
        arrival and delays that jump are no habit.
        """
        arrivals, stamps = self.arrivals[-DELAYS_LEARNED:], self.stamps[-DELAYS_LEARNED:]
        learn = np.flatnonzero(arrivals[-(DELAYS_LEARNED // 4)] > 0)
        delays = np.where(arrivals > 0, arrivals - stamps, np.iinfo(np.int64).max)[:, learn]
        middle = np.sort(delays, axis=0)[(np.count_nonzero(arrivals[:, learn], axis=0) - 1) // 2, np.arange(len(learn))]
        usual = self.usual_delay_s[learn]
        later = middle - usual
        learned = np.where((usual == 0) | (later < 0), middle, usual + np.minimum(later, DELAY_DRIFT_S))
        habit = (middle >= -FUTURE_S) & ((usual == 0) | (later <= DELAY_JUMP_S))
        learned = np.where(learned == 0, 1, learned)
        self.usual_delay_s[learn] = np.where(habit, learned, usual)


def _push(ring: np.ndarray, station: np.ndarray, values: np.ndarray) -> None:
    """Append values, sorted by station, to their columns of a ring [k, n] whose last row is the latest."""
    if not len(station):
        return
    starts = np.flatnonzero(np.concatenate(([True], station[1:] != station[:-1])))
    sizes = np.diff(np.append(starts, len(station)))
    for back in range(min(int(sizes.max()), len(ring)) - 1, -1, -1):
        chosen = (starts + sizes - 1 - back)[sizes > back]
        columns = station[chosen]
        ring[:-1, columns] = ring[1:, columns]
        ring[-1, columns] = values[chosen]


def _grid(now: int, step: int, cells: int, stations: int, offset: int) -> Grid:
    """Return a grid whose last tenth is still to come, so that old cells are forgotten only now and then."""
    length = cells + max(cells // 8, 2)
    start = (now - offset) // step * step + offset - cells * step
    grid = Grid(step, start, length, stations)
    grid.head = grid.cell(now)
    return grid

"""What a station has sent since somebody came to it: test tips in runs, its clock, battery and signal.

Tips of a visit don't count as rain, but they are kept, and tell whether the gauge counts again. Runs are parted by ten
dry minutes; fewer than five tips are no run but what handling makes. A test is over when no tip came in one of the
station's reports, and for ten minutes, as far as the station has sent. Where neighbours were wet then or in the hour
before, some of the tips may be rain.

    expected tips = depth / tip, depth [mm] = 10 * volume [ml] / area [cm2]   (1 ml = 1 cm3; a volume is area x depth)

The clock is right when the newest message came as long after its stamp as this station's usually do, and whole or half
hours off when the two newest both say so by the same amount; a lone one may be a stored reading. The battery is low
under a quarter of its charge by the volts it last sent.

Where the numbers come from: ten minutes, five tips, one report, a quarter: judgement, no source. 10 and 5
minutes, whole and half hours: those of checks/clock.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from watchman.judging import holding, steps
from watchman.judging.science import battery
from watchman.judging.view import View, aware
from watchman.model import BATTERY, SIGNAL
from watchman.readings.cleaning import FUTURE_S
from watchman.readings.record import HOUR

PAUSE_S = 600
LEAST_TIPS = 5
QUIET_S, QUIET_REPORTS = 600, 1
HALF_HOUR_S, TOLERANCE_S, LEAST_OFF_S = 1800, 300, 3600
LOW_CHARGE = 0.25


@dataclass(frozen=True, slots=True)
class Run:
    """Tips without a pause of ten minutes; begins_at, ends_at: of the readings that hold them."""

    begins_at: datetime
    ends_at: datetime
    um: int


@dataclass(frozen=True, slots=True)
class Seen:
    """What a station has sent since a visit began.

    runs: its tips in the visit; tip_um: the rain of one [um, 0 = not known]; heard: it has sent since the visit began;
    last_heard: when it last did, None = never; rain_too: neighbours were wet during a run; quiet: its test is over, and
    it has sent since; clock_off: stamps minus true time, 0 = right, None = can't be told; battery_v, signal_dbm: sent
    since, or None.
    """

    runs: tuple[Run, ...]
    tip_um: int
    heard: bool
    last_heard: datetime | None
    rain_too: bool
    quiet: bool
    clock_off: timedelta | None
    battery_v: float | None
    battery_low: bool
    signal_dbm: float | None

    @property
    def tips(self) -> list[int]:
        """Return the tips of each run; none where the rain of a tip is not known."""
        return [round(run.um / self.tip_um) for run in self.runs] if self.tip_um else []

    @property
    def um(self) -> int:
        """Return the water of all runs together [um]."""
        return sum(run.um for run in self.runs)


def expected_tips(ml: float, funnel_cm2: float, tip_mm: float) -> float:
    """Return how many tips a poured volume makes: volume [ml] over area [cm2] is a depth, in tips [mm]."""
    return 10 * ml / (funnel_cm2 * tip_mm)


def look(view: View, position: int, begin: int, end: int) -> Seen:
    """Return what a station has sent of a visit from begin to end [s since 1970 UTC], as far as it is known now."""
    record = view.record
    tip_um = steps.tip_of(view, position)
    least_um = LEAST_TIPS * (tip_um or holding.USUAL_TIP_UM)
    runs = [run for run in _runs(_readings(view, position, begin, end)) if run[2] >= least_um]
    last_heard, last_rain = int(record.last_received[position]), int(record.last_rain_at[position])
    sends = max(int(record.sends_every_s[position]), int(record.covers_s[position]), 1)
    volts, dbm = (_sent_since(view, variable, position, begin) for variable in (BATTERY, SIGNAL))
    clock_s = _clock(view, position, begin)
    return Seen(
        runs=tuple(Run(aware(begins), aware(ends), um) for begins, ends, um in runs),
        tip_um=tip_um,
        heard=last_heard > begin,
        last_heard=aware(last_heard) if last_heard else None,
        rain_too=any(not holding.witnessed(view, position, begins - HOUR, ends)[1] for begins, ends, _um in runs),
        quiet=bool(runs) and last_rain - runs[-1][1] >= max(QUIET_REPORTS * sends, QUIET_S),
        clock_off=None if clock_s is None else timedelta(seconds=clock_s),
        battery_v=volts,
        battery_low=volts is not None and _is_low(view, position, volts),
        signal_dbm=dbm,
    )


Reading = tuple[int, int, int]
"""When it begins and ends [s since 1970 UTC], and its water [um]."""


def _readings(view: View, position: int, begin: int, end: int) -> list[Reading]:
    """Return the readings that share time with a visit, counted or held."""
    grid = view.record.fine
    first, last = max(grid.cell(begin + 1), 0), min(grid.cell(end + int(view.record.covers_s[position])), grid.head)
    cells = np.arange(first, last + 1)
    cells = cells[grid.covers[cells, position] > 0]
    ends = [grid.end_of(cell) for cell in cells.tolist()]
    covers = grid.covers[cells, position].tolist()
    um = (grid.rain[cells, position] + grid.held[cells, position]).tolist()
    found = zip(ends, covers, um, strict=True)
    return [(ended - long, ended, water) for ended, long, water in found if ended - long < end and ended > begin]


def _runs(readings: Sequence[Reading]) -> list[Reading]:
    """Return wet readings joined where less than ten dry minutes lie between them."""
    runs: list[Reading] = []
    for begins, ends, um in readings:
        if um and runs and begins - runs[-1][1] < PAUSE_S:
            runs[-1] = (runs[-1][0], ends, runs[-1][2] + um)
        elif um:
            runs.append((begins, ends, um))
    return runs


def _clock(view: View, position: int, begin: int) -> int | None:
    """Return how far the clock is off [s, above 0 ahead], 0 when it is right, None when that can't be told."""
    record = view.record
    arrivals, stamps = record.arrivals[-2:, position], record.stamps[-2:, position]
    if arrivals[-1] <= begin:
        return None
    late = (arrivals - stamps - record.usual_delay_s[position]).tolist()
    if stamps[-1] - arrivals[-1] > FUTURE_S:
        return int(stamps[-1] - arrivals[-1])
    hours = [round(one / HALF_HOUR_S) * HALF_HOUR_S for one in late]
    near = all(abs(one - hour) <= TOLERANCE_S for one, hour in zip(late, hours, strict=True))
    if near and int(hours[0]) == hours[1] >= LEAST_OFF_S:
        return -int(hours[1])
    usual = max(int(record.sends_every_s[position]), FUTURE_S)
    return 0 if late[-1] <= usual else None


def _sent_since(view: View, variable: int, position: int, begin: int) -> float | None:
    value = float(view.record.last_value[variable, position])
    sent = view.record.last_value_at[variable, position] > begin and not np.isnan(value)
    return value if sent else None


def _is_low(view: View, position: int, volts: float) -> bool:
    kind = battery.guess(view.stations.chemistry[position : position + 1], np.array([volts]))
    cutoff_v = battery.cutoff(kind, view.stations.cutoff_v[position : position + 1])
    return bool(battery.charge(np.array([[volts]]), kind, cutoff_v)[0, 0] < LOW_CHARGE)

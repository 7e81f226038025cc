"""The steps in which each gauge's values move, as the record shows them: its tip, and whether its unit changed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from watchman.judging.science import tips
from watchman.judging.view import View
from watchman.readings.record import DAY, HOUR

LOOK_BACK_S = 3 * HOUR
PAST_LEAST, PAST_MOST, PAST_SHARE = 5, 20, 0.9
"""So many wet hours, the latest before it, this share of them whole tips, before a unit can be said to have changed;
where it seldom rains, older days stand in for hours (judgement, no source)."""
READINGS, OFF_SHARE = 20, 0.4
"""So many wet readings, this share of them no whole tips, put the written tip size in doubt (judgement, no source)."""


@dataclass(frozen=True, slots=True)
class Change:
    """A unit that changed: the gauge, by which factor its values are off, since when [s since 1970 UTC], its tip."""

    position: int
    factor: float
    since: int
    tip_um: int


def tip_or(view: View, usual_um: int) -> np.ndarray:
    """Return the rain of one tip of each gauge [um], the usual one where it is not written."""
    return np.where(view.stations.tip_um > 0, view.stations.tip_um, usual_um)


def tip_of(view: View, position: int) -> int:
    """Return the rain of one tip [um]: as written, else as the gauge's own hours show; 0 where neither says."""
    written = int(view.stations.tip_um[position])
    return written or tips.evident_um(_wet_hours(view, position, view.now - DAY))


def changed_units(view: View, look_back_s: int = LOOK_BACK_S) -> list[Change]:
    """Return the gauges whose newest readings are of another unit than their tips ever made."""
    grid = view.record.fine
    begin = max(grid.head + 1 - look_back_s // grid.step, 0)
    tip_um = tip_or(view, 200)
    rain = grid.rain[begin : grid.head + 1] + grid.held[begin : grid.head + 1]
    cell, position = np.nonzero((rain > 0) & ((rain < tip_um / 2) | (rain >= tips.TEN * tip_um - tips.ROUNDED_UM)))
    um, tip_um = rain[cell, position], tip_um[position]
    tens = tips.whole(um, tips.TEN * tip_um) | tips.whole(um, tips.INCH * tip_um, tips.ROUNDED_THEN_UM)
    odd = (um < tip_um) | tens
    odd &= view.in_service[position]
    changes = (_change(view, int(one)) for one in np.unique(position[odd]))
    in_tips = view.record.terms.in_tips
    counts = in_tips[np.clip(view.record.last_rain_source, 0, len(in_tips) - 1)]
    # Ten tips a reading are ten tips; but a logger may turn inches into its own steps before it counts them.
    return [one for one in changes if one is not None and (one.factor == tips.INCH or not counts[one.position])]


def _change(view: View, position: int) -> Change | None:
    tip_um = tip_of(view, position)
    grid = view.record.fine
    um = grid.rain[: grid.head + 1, position] + grid.held[: grid.head + 1, position]
    wet = np.flatnonzero(um)
    factor, first = tips.changed_factor(um[wet], tip_um) if tip_um else (1.0, 0)
    if factor == 1.0:
        return None
    length = max(int(view.record.covers_s[position]), grid.step)
    since = grid.end_of(int(wet[first])) - length
    past = _before(view, position, since)[-PAST_MOST:]
    if len(past) < PAST_LEAST or tips.whole(past, tip_um).mean() < PAST_SHARE:
        return None
    return Change(position, factor, since, tip_um)


def _before(view: View, position: int, moment: int) -> np.ndarray:
    """Return the rain of the wet days before the hourly memory, and of the wet hours from then to a moment [um]."""
    daily = view.record.daily
    days = daily.rain[: max(daily.cell(view.record.hourly.start), 0), position]
    return np.concatenate([days[days > 0], _wet_hours(view, position, moment)])


def _wet_hours(view: View, position: int, before: int) -> np.ndarray:
    """Return the wet hours a gauge had that ended before a moment [um]; what is held is none of them."""
    hourly = view.record.hourly
    um = hourly.rain[: max(hourly.cell(before), 0), position]
    return np.asarray(um[um > 0], np.int64)


def off_grid(view: View, positions: np.ndarray | None = None) -> dict[int, int]:
    """Return the gauges whose readings are whole numbers of another usual tip size than the written one [um].

    Steps of 0.1 mm are left out: a source may round to them.
    """
    grid = view.record.fine
    chosen = np.flatnonzero(view.in_service & (view.stations.tip_um > 0)) if positions is None else positions
    rain = grid.rain[: grid.head + 1][:, chosen]
    cell, column = np.nonzero(rain)
    um, tip_um = rain[cell, column], view.stations.tip_um[chosen]
    wet = np.bincount(column, minlength=len(chosen))
    off = np.bincount(column[~tips.whole(um, np.maximum(tip_um[column], 1))], minlength=len(chosen))
    found = {}
    for place in np.flatnonzero((wet >= READINGS) & (off >= OFF_SHARE * wet)).tolist():
        size = tips.evident_um(um[column == place])
        if size and size not in (tip_um[place], min(tips.SIZES_UM)):
            found[int(chosen[place])] = size
    return found

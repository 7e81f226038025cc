"""Does a source write otherwise than before: in other columns, units or steps of time, or counted otherwise?

Somebody at the other end sets up a new export, and nobody tells the watch. What can't be read any more is told as the
source's own trouble; here it is what can still be read, and would be wrong. What changes at most of a source's stations
at once is the source's doing, what changes at one is that station's (see clock, doubtful-rain).

columns     a table lost or renamed a column it had, or has another number of them where they are read by place
unit        the source itself says another unit than before (then values are read in the new one); or the values say so:
            battery a thousandfold or a thousandth of the week before for three hours; temperature that fits the week
            before only when read as degF, degC or K; rain on the tip grid only when read as mm, inches or tips, at
            16 of the last 32 wet steps and all those of most stations, and before not
counting    more rain than was ever measured at most stations within three hours: totals that run on, or another unit
interval    reports come in other steps than before, steadily: the latest 6 against 12 from before the last 19

A change stands for a week, until the source's settings in network.toml are changed, or until somebody says it is not a
fault.

Where the numbers come from: 1 inch is 25.4 mm (exact, 1959), degF and K by definition; 60 % of the stations as in
source-outage; a day's temperature swings by less than 12 K around a week's mean (judgement, no source); 16 wet steps,
since an honest step of 0.2 mm tips is a multiple of a millimetre in fewer than one of three (judgement, no source).

What it cannot see: two columns that change places under the same names, a change of unit at a source that has been dry
since or whose tip size nobody wrote, and a running total that becomes each interval's rain.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import numpy as np

from watchman.judging.checks import overdue
from watchman.judging.view import Findings, View, rfc3339
from watchman.model import BATTERY, TEMPERATURE, VARIABLES, Change, KnownSource, Look, Verdict
from watchman.readings.record import DAY, HOUR
from watchman.written import Written

NAME = "source-change"

TOLD_FOR_S = 7 * DAY
KEPT_FOR_S = 31 * DAY
LOOKED_AT_H = 3
USUAL_DAYS = 7
SWING_K = 12.0
THOUSANDFOLD = 0.25
"""A value that is a thousandfold of its usual one is within this of it [share] (judgement, no source)."""
WET_STEPS = 16
OFF_GRID = 0.1
"""How far from a whole number of tips a rounded depth may be [tips] (judgement, no source)."""
LATEST, BETWEEN, BEFORE = 6, 13, 12
"""How many steps are compared, and how many lie between: while these fill up, a look an hour sees the change."""
STEADY, OTHERWISE = 1.2, 1.5
MOST_HEADERS = 200
UM_PER = {"mm": 1000.0, "inch": 25400.0}
READ_AS = {
    ("degC", "degF"): (1.8, 32.0),
    ("degF", "degC"): (5.0 / 9.0, -32.0 * 5.0 / 9.0),
    ("degC", "K"): (1.0, 273.15),
    ("degF", "K"): (5.0 / 9.0, (273.15 - 32.0) * 5.0 / 9.0),
}
"""(written, sent) -> (a, b): a true temperature t [degC] is then read as a * t + b."""


class Settings(Written):
    """How source-change is set: it has nothing to set."""


def after(known: KnownSource, look: Look, found: Iterable[Change], now: int) -> KnownSource:
    """Return what is known of a source after a delivery: how it looked, and what was found changed, each once."""
    kept = [change for change in known.changes if now - change.at < KEPT_FOR_S]
    said = {(change.what, change.variable, change.after) for change in kept}
    new = [*_columns(known.look, look, now), *_stated(known.look, look, now), *found]
    kept += [change for change in new if (change.what, change.variable, change.after) not in said]
    stated = {variable for variable, _ in look.units}
    units = look.units | {pair for pair in known.look.units if pair[0] not in stated}
    headers = known.look.headers | look.headers
    return KnownSource(
        known.belongs_to, Look(headers if len(headers) <= MOST_HEADERS else look.headers, units), tuple(kept)
    )


def found(view: View, source: str, rain_unit: str, temperature_unit: str) -> Iterator[Change]:
    """Yield how a source's latest readings say that it writes otherwise. Units: as written in its settings."""
    mine = (overdue.source_of(view) == source) & view.in_service & (view.record.last_received > view.now - DAY)
    members = np.flatnonzero(mine)
    if not len(members):
        return
    yield from _battery(view, members)
    yield from _temperature(view, members, temperature_unit)
    yield from _rain(view, members, rain_unit)
    yield from _counting(view, members)
    yield from _interval(view, members)


def judge(view: View, settings: Settings) -> Findings:
    """Return which sources write otherwise, one entry per source; numbers: changes (how many stand)."""
    standing = [_standing(view, health.source) for health in view.health]
    return Findings.of(
        np.array([Verdict.PRESENT if changes else Verdict.ABSENT for changes in standing], np.int8),
        since=np.array([min((change.at for change in changes), default=0) for changes in standing], np.int64),
        level=np.array([len(changes) for changes in standing], np.int16),
        numbers={"changes": np.array([len(changes) for changes in standing], np.int64)},
        scopes=tuple(f"source:{health.source}" for health in view.health),
    )


def evidence(view: View, settings: Settings, findings: Findings, position: int) -> dict[str, Any]:
    """Return what people are shown of one source: each change that stands, the newest first."""
    source = view.health[position].source
    changes = sorted(_standing(view, source), key=lambda change: -change.at)
    return {
        "source": source,
        "changes": [
            {
                "what": change.what,
                "variable": change.variable,
                "before": change.before,
                "after": change.after,
                "at": rfc3339(change.at),
            }
            for change in changes
        ],
        "stated": bool(
            changes and changes[0].what == "unit" and changes[0].variable in _stated_variables(view, source)
        ),
    }


def _standing(view: View, source: str) -> list[Change]:
    known = view.sources_known.get(source)
    cleared = view.cleared.get((NAME, f"source:{source}"), 0)
    changes = known.changes if known is not None else ()
    return [change for change in changes if view.now - change.at < TOLD_FOR_S and change.at > cleared]


def _stated_variables(view: View, source: str) -> set[str]:
    known = view.sources_known.get(source)
    return {variable for variable, _ in known.look.units} if known is not None else set()


def _columns(before: Look, look: Look, now: int) -> Iterator[Change]:
    """Yield how a new header differs from the most alike that was known, if it lacks a name of that."""
    for header in sorted(look.headers - before.headers) if before.headers else ():
        alike = max(sorted(before.headers), key=lambda known: len(set(known) & set(header)))
        gone = [name for name in alike if name not in header]
        by_place = all(name.isdigit() for name in header)
        if gone or (by_place and len(header) != len(alike)):
            new = [name for name in header if name not in alike]
            count_before, count_after = f"{len(alike)} columns", f"{len(header)} columns"
            words = (count_before, count_after) if by_place else (", ".join(gone), ", ".join(new))
            yield Change(now, "columns", "", *words)


def _stated(before: Look, look: Look, now: int) -> Iterator[Change]:
    """Yield the variables of which the source says another unit than all it said before."""
    for variable, unit in sorted(look.units - before.units):
        said = sorted(known for name, known in before.units if name == variable)
        if said:
            yield Change(now, "unit", variable, said[0], unit)


def _most(affected: np.ndarray, members: np.ndarray) -> bool:
    """Say whether so many of a source's stations are affected that it is the source's doing."""
    count = int(affected.sum())
    return count >= min(len(members), 2) and count >= overdue.MOST * len(members)


def _usual(view: View, variable: int, members: np.ndarray) -> np.ndarray:
    """Return each station's mean of a week's complete days before today, NaN where there is none."""
    daily = view.record.daily
    days = daily.mean(variable, daily.head - USUAL_DAYS, daily.head - 1)[:, members]
    count = np.isfinite(days).sum(axis=0)
    return np.where(count > 0, np.nansum(days, axis=0) / np.maximum(count, 1), np.nan)


def _latest(view: View, variable: int, members: np.ndarray) -> np.ndarray:
    """Return the values of the last hours, NaN where there is none: an hour's mean, or what its sensor can't measure
    where nothing else came [hour, station].
    """
    record = view.record
    hours = record.hourly.mean(variable, record.hourly.head - LOOKED_AT_H, record.hourly.head - 1)[:, members]
    outside_at, inside_at = record.outside_at[variable, members], record.last_value_at[variable, members]
    only_outside = (outside_at > view.now - DAY) & (outside_at - inside_at >= LOOKED_AT_H * HOUR)
    return np.where(only_outside & np.isnan(hours).all(axis=0), record.outside_value[variable, members], hours)


def _battery(view: View, members: np.ndarray) -> Iterator[Change]:
    usual, latest = _usual(view, BATTERY, members), _latest(view, BATTERY, members)
    for factor, before, now in ((1000.0, "V", "mV"), (0.001, "mV", "V")):
        fits = (np.abs(latest / factor - usual) <= THOUSANDFOLD * usual).all(axis=0)
        if _most(fits, members):
            yield Change(view.now, "unit", VARIABLES[BATTERY], before, now)


def _temperature(view: View, members: np.ndarray, written: str) -> Iterator[Change]:
    usual, latest = _usual(view, TEMPERATURE, members), _latest(view, TEMPERATURE, members)
    far = (np.abs(latest - usual) > 1.5 * SWING_K).all(axis=0)
    for (before, now), (a, b) in READ_AS.items():
        fits = far & (np.abs((latest - b) / a - usual) <= SWING_K).all(axis=0)
        if before == written and _most(fits, members):
            yield Change(view.now, "unit", VARIABLES[TEMPERATURE], before, now)
            return


def _rain(view: View, members: np.ndarray, written: str) -> Iterator[Change]:
    """Yield the unit in which the latest wet steps lie on the tip grid, where those before don't."""
    tip_um = view.stations.tip_um[members]
    members, tip_um = members[tip_um > 0], tip_um[tip_um > 0]
    if not len(members):
        return
    fine, hourly = view.record.fine, view.record.hourly
    first = max(fine.cell(view.now - 2 * DAY), 0)
    latest, who = _wet(fine.rain[first : fine.head + 1, members])
    latest, who = latest[-2 * WET_STEPS :], who[-2 * WET_STEPS :]
    wet = np.unique(who)
    if len(wet) < min(len(members), 2):
        return
    before, of = _wet(hourly.rain[: max(hourly.cell(view.now - 2 * DAY), 0), members])
    for unit in {"mm", "inch", "tips"} - {written}:
        um_now = UM_PER.get(unit, tip_um.astype(float))
        um_written = UM_PER.get(written, tip_um.astype(float))
        factor = np.broadcast_to(np.asarray(um_written / um_now), tip_um.shape)
        if np.abs(np.log(factor)).min() < np.log(2.0):
            continue
        fits = _on_grid(latest, tip_um[who], factor[who])
        fitted = _on_grid(before, tip_um[of], factor[of]) if len(before) >= WET_STEPS else np.ones(1, bool)
        alike = np.array([fits[who == one].all() for one in wet], bool)
        if np.isin(who, wet[alike]).sum() >= WET_STEPS and _most(alike, wet) and fitted.mean() < 0.5:
            yield Change(view.now, "unit", "rain", written, unit)


def _wet(rain: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the depths of the wet cells in order of time [um], and whose each is."""
    cell, who = np.nonzero(rain > 0)
    return rain[cell, who], who


def _on_grid(um: np.ndarray, tip_um: np.ndarray, factor: np.ndarray) -> np.ndarray:
    """Say which depths are whole tips when divided by the factor, and would not be likely to as they are read."""
    tips = um / factor / tip_um
    near = (np.abs(tips - np.rint(tips)) <= OFF_GRID) & (np.rint(tips) >= 1)
    # Less than a tip can't be measured; many tips lie near anything that is twenty times finer.
    return np.asarray(near & ((factor > 1) | (np.median(um / tip_um) < 1)))


def _counting(view: View, members: np.ndarray) -> Iterator[Change]:
    if _most(view.record.impossible_at[members] > view.now - LOOKED_AT_H * HOUR, members):
        yield Change(view.now, "counting", "rain", "rain that can be", "more rain than can fall")


def _interval(view: View, members: np.ndarray) -> Iterator[Change]:
    """Yield the step between reports where most stations keep another one than they did."""
    stamps = view.record.stamps[-(LATEST + BETWEEN + BEFORE + 1) :, members]
    steps = np.diff(stamps, axis=0).astype(float)
    complete = stamps[0] > 0
    latest, before = steps[-LATEST:], steps[:BEFORE]
    now, then = np.median(latest, axis=0), np.median(before, axis=0)
    steady = complete & (now > 0) & (then > 0) & _all_near(latest, now) & _all_near(before, then)
    ratio = np.divide(now, then, out=np.ones_like(now), where=steady)
    otherwise = steady & (np.maximum(ratio, 1.0 / np.maximum(ratio, 1e-9)) >= OTHERWISE)
    if _most(otherwise, members):
        yield Change(view.now, "interval", "", *(_minutes(step[otherwise]) for step in (then, now)))


def _all_near(steps: np.ndarray, middle: np.ndarray) -> np.ndarray:
    return np.asarray(((steps <= STEADY * middle) & (steps >= middle / STEADY)).all(axis=0))


def _minutes(steps: np.ndarray) -> str:
    return f"{float(np.median(steps)) / 60:.3g} min"


def known_of(mark: Mapping[str, Any] | None, belongs_to: str) -> KnownSource:
    """Return what was known of a source from its mark; nothing where its settings are others by now."""
    if not mark or mark.get("belongs_to") != belongs_to:
        return KnownSource(belongs_to)
    look = Look(frozenset(map(tuple, mark["headers"])), frozenset((one, unit) for one, unit in mark["units"]))
    return KnownSource(belongs_to, look, tuple(Change(*change) for change in mark["changes"]))


def mark_of(known: KnownSource) -> dict[str, Any]:
    """Return what is known of a source as a mark that turns into JSON and back."""
    return {
        "belongs_to": known.belongs_to,
        "headers": sorted(known.look.headers),
        "units": sorted(known.look.units),
        "changes": [[one.at, one.what, one.variable, one.before, one.after] for one in known.changes],
    }

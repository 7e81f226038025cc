"""A table of text -> readings and the rows that can't be read: whole columns at once, a slow look only at the bad."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from watchman.model import BATTERY, RAIN, TEMPERATURE, VARIABLES, Readings
from watchman.readings.sources import times, units
from watchman.readings.sources.settings import Clock, Source, Table


@dataclass(frozen=True, slots=True)
class Setting:
    """All that is the same for every table of one fetch.

    aliases: the source's word for a station -> its position. position: the source's own. now [s since 1970 UTC].
    """

    source: Source
    aliases: Mapping[str, int]
    position: int
    now: int


@dataclass(frozen=True, slots=True)
class Batch:
    """What a table held. faulty: rows that can't be read, with the reason; unknown: rows of each unlisted station.

    foreign: its words for variables, if none of them is ours. observed: every row's time [s since 1970 UTC].
    """

    readings: Readings
    faulty: list[tuple[str, str]]
    unknown: Counter[str]
    foreign: tuple[str, ...] = ()
    observed: np.ndarray = field(default_factory=lambda: np.empty(0, np.int64))


def read(table: Table, station: str, first: bool, setting: Setting) -> Batch:
    """Return the readings of a table. station: whose table it is, "" where a column says so.

    first: nothing like it was read before, so that nobody knows when its readings arrived.

    Values are in base units (tips or mm, V, degC, %, dBm), however absurd; observed_at is the end of the interval.
    """
    if not len(table):
        return Batch(Readings.empty(), list(table.faulty), Counter())
    whose, unknown = _stations(table, station, setting.aliases)
    variable, foreign = _variable(table, setting.source)
    wanted = whose >= 0 if variable is None else (whose >= 0) & (variable >= 0)
    series = whose if variable is None else whose * len(VARIABLES) + variable
    observed = _observed(table, series, setting.source)
    timeless = np.flatnonzero(wanted & (observed == times.UNREADABLE))
    wanted[timeless] = False
    faulty = [*table.faulty]
    faulty += [
        (table.row_text(row), _time_reason(table.columns["time"][row], setting.source)) for row in timeless.tolist()
    ]
    received, revision = _received(table, observed, first, setting), _revision(table)
    parts = []
    for place, rows, value, not_numbers in _measured(table, variable, wanted, setting.source.missing):
        cells = table.columns[VARIABLES[place] if variable is None else "value"]
        faulty += [
            (table.row_text(row), _number_reason(cells[row], place, setting.source)) for row in not_numbers.tolist()
        ]
        parts.append(
            Readings(
                station=whose[rows].astype(np.int32),
                variable=np.full(len(rows), place, np.int8),
                observed_at=observed[rows],
                received_at=received[rows],
                value=_base_unit(value[rows], place, table, setting.source),
                source=np.full(len(rows), setting.position, np.int16),
                delivery=np.zeros(len(rows), np.int64),
                revision=revision[rows],
            )
        )
    return Batch(Readings.join(parts), faulty, unknown, foreign, observed)


def numbers(texts: Sequence[str], missing: Sequence[str]) -> tuple[np.ndarray, np.ndarray]:
    """Return the texts as numbers [float64, NaN where missing or none], and which are neither missing nor a number."""
    value = np.array(pd.to_numeric(np.asarray(texts, dtype=object), errors="coerce"), dtype=np.float64)
    codes = np.array(pd.to_numeric(np.asarray(missing, dtype=object), errors="coerce"), dtype=np.float64)
    odd = np.flatnonzero(~np.isfinite(value))
    bad = np.zeros(len(value), bool)
    bad[odd] = [texts[row].strip() not in missing for row in odd.tolist()]
    value[odd] = np.nan
    value[np.isin(value, codes[np.isfinite(codes)])] = np.nan
    return value, bad


def _stations(table: Table, station: str, aliases: Mapping[str, int]) -> tuple[np.ndarray, Counter[str]]:
    """Return each row's station [position, -1 unlisted], and how many rows each unlisted one has."""
    if station:
        return np.full(len(table), aliases[station], np.int64), Counter()
    codes, distinct = pd.factorize(np.asarray(table.columns["station"], dtype=object))
    names = [str(name).strip() for name in distinct]
    place = np.array([aliases.get(name, -1) for name in names], np.int64)
    counts = np.bincount(codes, minlength=len(names))
    return place[codes], Counter({names[code]: int(counts[code]) for code in np.flatnonzero(place < 0)})


def _variable(table: Table, source: Source) -> tuple[np.ndarray | None, tuple[str, ...]]:
    """Return each row's variable [position in VARIABLES, -1 for one that isn't watched], and the words if none is."""
    if "variable" not in table.columns:
        return None, ()
    ours = {getattr(source.variables, name): place for place, name in enumerate(VARIABLES)}
    codes, distinct = pd.factorize(np.asarray(table.columns["variable"], dtype=object))
    words = [str(word).strip() for word in distinct]
    place = np.array([ours.get(word, -1) for word in words], np.int64)
    return place[codes], tuple(words) if (place < 0).all() else ()


def _observed(table: Table, series: np.ndarray, source: Source) -> np.ndarray:
    seconds = times.read(table.columns["time"], source.time, series)
    shift_s = table.shift_s
    if shift_s is None:
        shift_s = round((source.covers_minutes or 0) * 60) if source.stamps == "begin" else 0
    if shift_s and source.time.format == "ISO 8601":
        # An interval says itself when it ends.
        shifted = [not times.is_interval(text) for text in table.columns["time"]]
        seconds[(seconds != times.UNREADABLE) & shifted] += shift_s
    elif shift_s:
        seconds[seconds != times.UNREADABLE] += shift_s
    return seconds


def _received(table: Table, observed: np.ndarray, first: bool, setting: Setting) -> np.ndarray:
    """Return when each row arrived: as the source says, else after the stated delay at first, else now."""
    arrived = np.full(len(table), setting.now, np.int64)
    if first:
        delay = round(setting.source.arrival_delay_minutes * 60)
        arrived = np.minimum(np.maximum(observed, 0) + delay, setting.now)
    if "received" in table.columns:
        stated = times.read(table.columns["received"], setting.source.time)
        arrived = np.where(stated == times.UNREADABLE, arrived, stated)
    return arrived


def _revision(table: Table) -> np.ndarray:
    """Return each row's revision: a whole number, or the seconds of a time; 0 where there is neither."""
    if "revision" not in table.columns:
        return np.zeros(len(table), np.int64)
    number, _ = numbers(table.columns["revision"], ())
    revision: np.ndarray = np.maximum(times.read(table.columns["revision"], Clock()), 0)
    whole = np.isfinite(number) & (np.abs(number) < 2**62)
    revision[whole] = number[whole].astype(np.int64)
    return revision


def _measured(
    table: Table, variable: np.ndarray | None, wanted: np.ndarray, missing: Sequence[str]
) -> Iterator[tuple[int, np.ndarray, np.ndarray, np.ndarray]]:
    """Yield each measured variable: its place, the rows to keep, the column's values, and the rows with no number."""
    if variable is not None:
        value, bad = numbers(table.columns["value"], missing)
        for place in np.unique(variable[wanted]):
            own = wanted & (variable == place)
            yield int(place), np.flatnonzero(own & ~np.isnan(value)), value, np.flatnonzero(own & bad)
        return
    for place, name in enumerate(VARIABLES):
        if name in table.columns:
            value, bad = numbers(table.columns[name], missing)
            yield place, np.flatnonzero(wanted & ~np.isnan(value)), value, np.flatnonzero(wanted & bad)


def _base_unit(value: np.ndarray, variable: int, table: Table, source: Source) -> np.ndarray:
    """Return values in base units, from the unit that the source itself says, else from the one in its settings."""
    written = {RAIN: source.rain.unit, TEMPERATURE: source.temperature_unit, BATTERY: source.battery_unit}
    said = table.units.get(VARIABLES[variable]) or written.get(variable, "")
    return units.to_base(value, said) if said else value


def _number_reason(text: str, variable: int, source: Source) -> str:
    reason = f"its {VARIABLES[variable]} is not a number"
    if not hasattr(source, "decimal"):
        return reason
    if re.fullmatch(r"[\d.\s+-]+\?", text):
        number = text.strip(" ?")
        return f'{reason}: {number[:40]!r} may be a thousand or a decimal; write thousands = "." if it is a thousand'
    if re.fullmatch(r"\s*[+-]?\d+,\d+\s*", text):
        return f'{reason}: {text[:40]!r}; if its comma is the decimal sign, write decimal = ","'
    return reason


def _time_reason(text: str, source: Source) -> str:
    reason = f"its time {text[:40]!r} can't be read as {source.time.format}"
    if source.time.format == "ISO 8601" and text.strip().isdigit():
        return f'{reason}; if it is seconds since 1970, write time = {{ format = "epoch" }}'
    if source.time.format == "ISO 8601" and any(sign.isdigit() for sign in text):
        return f'{reason}; say how it is written, for instance time = {{ format = "%d.%m.%Y %H:%M" }}'
    return reason

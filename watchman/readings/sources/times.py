"""Times as sources write them -> whole seconds since 1970-01-01 UTC, a column at a time."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from watchman.readings.sources.settings import Clock

UNREADABLE = np.iinfo(np.int64).min
"""Stands where a text is no time."""

HAS_OFFSET = re.compile(r"(?:[Zz]|[+-]\d\d(?::?\d\d)?)\s*$")
MIDNIGHT_AT_THE_END = re.compile(r"^(\s*\d{4}-\d\d-\d\d[T ])24(:?00(?::?00(?:\.0+)?)?)(?=\D|$)")
"""24:00, the end of the day that is named (ISO 8601:2004, 4.2.3)."""
SLOT = 900
"""All zone rules since 1970 change on a quarter of an hour [s]; from memory of the IANA list."""
EARLIEST, LATEST = -62_135_510_400, 253_402_128_000
"""2 January of the year 1, 30 December of the year 9999: what any zone's clock can show [s since 1970 UTC]."""


def read(texts: Sequence[str], clock: Clock, series: np.ndarray | None = None) -> np.ndarray:
    """Return the times as seconds since 1970 UTC [int64], UNREADABLE where a text is no time.

    series: which readings belong to one sequence (station, or station and variable) [int64]; their order in the
    source tells apart the two passes of an hour that occurs twice. Fractions of a second are dropped.
    """
    if not len(texts):
        return np.empty(0, np.int64)
    codes, distinct = pd.factorize(np.asarray(texts, dtype=object))
    seconds, absolute = _parse(distinct, clock)
    seconds, local = seconds[codes], ~absolute[codes]
    local &= seconds != UNREADABLE
    if local.any():
        rows = np.flatnonzero(local)
        groups = np.zeros(len(rows), np.int64) if series is None else series[rows]
        seconds[rows] = _to_utc(seconds[rows], clock, groups)
    seconds[(seconds < EARLIEST) | (seconds > LATEST)] = UNREADABLE
    return seconds


def _parse(texts: np.ndarray, clock: Clock) -> tuple[np.ndarray, np.ndarray]:
    """Return the seconds of each text as if it were UTC, and whether it is (it carries an offset, or is an epoch)."""
    if clock.format in ("epoch", "epoch ms"):
        number = pd.to_numeric(texts, errors="coerce").astype(np.float64)
        number = np.floor(number / 1000) if clock.format == "epoch ms" else np.floor(number)
        good = (number >= EARLIEST) & (number <= LATEST)
        return np.where(good, np.where(good, number, 0).astype(np.int64), UNREADABLE), np.ones(len(texts), bool)
    if clock.format != "ISO 8601":
        return _seconds(texts, clock.format), np.full(len(texts), "%z" in clock.format)
    seconds = _seconds(texts, "ISO8601")
    # A bare number such as 2025 would be read as a year, and is more likely the wrong column.
    seconds[[text.strip().isdigit() for text in texts]] = UNREADABLE
    for row in np.flatnonzero(seconds == UNREADABLE):
        if MIDNIGHT_AT_THE_END.match(texts[row]):
            begin = _seconds(np.array([MIDNIGHT_AT_THE_END.sub(r"\g<1>00\2", texts[row])], object), "ISO8601")[0]
            seconds[row] = begin if begin == UNREADABLE else begin + 86400
    return seconds, np.array([bool(HAS_OFFSET.search(text[10:])) for text in texts])


def _seconds(texts: np.ndarray, pattern: str) -> np.ndarray:
    try:
        moments = pd.to_datetime(texts, format=pattern, utc=True, errors="coerce")
    except (ValueError, OverflowError):
        return np.array([_seconds_of_one(text, pattern) for text in texts], np.int64)
    seconds = moments.as_unit("s").asi8.copy()
    seconds[moments.isna()] = UNREADABLE
    return seconds


def _seconds_of_one(text: str, pattern: str) -> int:
    try:
        moment = pd.to_datetime(text, format=pattern, utc=True)
        return int(UNREADABLE) if pd.isna(moment) else int(moment.timestamp() // 1)
    except (ValueError, OverflowError):
        return int(UNREADABLE)


def _to_utc(local: np.ndarray, clock: Clock, series: np.ndarray) -> np.ndarray:
    """Return local clock readings [s] as UTC [s].

    By RFC 5545 section 3.3.5 (FORM #3): a local time that occurs twice is its first occurrence, and one that doesn't
    occur is read by the offset before the gap. Beyond it: the second occurrence, where the source's order shows it.
    """
    if clock.zone is None:
        offset = clock.tzinfo().utcoffset(datetime(1970, 1, 1, tzinfo=UTC)) or timedelta(0)
        return local - int(offset.total_seconds())
    slots, codes = np.unique(local // SLOT, return_inverse=True)
    zone = ZoneInfo(clock.zone)
    first = np.array([_offset(int(slot) * SLOT, zone, 0) for slot in slots], np.int64)[codes]
    second = np.array([_offset(int(slot) * SLOT, zone, 1) for slot in slots], np.int64)[codes]
    # Where the clock is set back the first pass has the larger offset; in a gap it is the other way round.
    twice = np.flatnonzero(first > second)
    again = twice[_second_pass(local, twice, (first - second)[twice], series)]
    first[again] = second[again]
    return local - first


def _offset(local: int, zone: ZoneInfo, fold: int) -> int:
    """Return the zone's offset at a local clock reading [s], 0 beyond the years that it knows."""
    try:
        moment = datetime(1970, 1, 1) + timedelta(seconds=local)  # noqa: DTZ001  (a local clock reading has no zone yet)
        offset = moment.replace(tzinfo=zone, fold=fold).utcoffset()
    except OverflowError:
        return 0
    return int(offset.total_seconds()) if offset is not None else 0


def _second_pass(local: np.ndarray, twice: np.ndarray, set_back: np.ndarray, series: np.ndarray) -> np.ndarray:
    """Say which of the rows whose local time occurs twice belong to the second pass, by the order of their series.

    In each series and night the second pass begins with the largest step back, if it is at least half of what the
    clock is set back [s]: less is a late row. A source with the newest first is read from its end.
    """
    if not len(twice):
        return np.empty(0, bool)
    frame = pd.DataFrame({"local": local[twice], "set_back": set_back})
    groups = [series[twice], local[twice] // 86400]
    if _newest_first(local, series):
        frame, groups = frame[::-1], [group[::-1] for group in groups]
    drop = frame.groupby(groups)["local"].cummax() - frame["local"]
    turns = (drop == drop.groupby(groups).transform("max")) & (2 * drop >= frame["set_back"])
    second = turns.groupby(groups).cummax()
    return np.asarray(second.sort_index().to_numpy(), bool)


def _newest_first(local: np.ndarray, series: np.ndarray) -> bool:
    """Say whether most steps within a series go back in time."""
    order = np.argsort(series, kind="stable")
    steps = np.diff(local[order])[np.diff(series[order]) == 0]
    return bool((steps < 0).sum() > (steps > 0).sum())

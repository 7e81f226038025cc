"""Times as sources write them -> whole seconds since 1970-01-01 UTC, a column at a time."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from watchman.readings.sources import observed
from watchman.readings.sources.settings import Clock

UNREADABLE = np.iinfo(np.int64).min
"""Stands where a text is no time."""

HAS_OFFSET = re.compile(r"(?:[Zz]|[+-]\d\d(?::?\d\d)?)\s*$")
ISO_8601 = re.compile(
    r"\d{4}([-/]?)\d\d\1\d\d"
    r"(?:[T ]\d\d(?::?\d\d(?::?\d\d(?:\.\d+)?)?)?(?: ?(?:(Z)|([+-]\d\d(?::?\d\d)?)))?)?"
)
"""A date, or a date and a time. With anything left out in between, half a row would still look like a time."""
ORDINAL = re.compile(r"(\d{4})-?(\d{3})(?=[T ]|$)")
"""A year and the day's number in it (ISO 8601:2004, 4.1.3)."""
FEW = 4
LONGEST = 100
"""No time is longer [characters]."""
ONE_DIGIT = re.compile(r"(?<!\d)\d(?!\d)")
DURATION_END, LATER_END = re.compile(r"[Pp]\S+"), re.compile(r"\d\d:?\d\d(?::?\d\d)?\S*")
DIRECTIVES = {
    "Y": r"\d{4}",
    **dict.fromkeys("mdy", r"\d{1,2}"),
    **dict.fromkeys("bB", r"[^\W\d]+"),
    **dict.fromkeys("MS", "00?"),
    "H": "24",
    "j": r"\d{1,3}",
    "f": "0+",
    "z": r"(?:Z|[+-]\d\d:?\d\d)",
}
"""What stands for each part of a pattern at the end of a day, 24:00."""
DIGIT = re.compile(r"\d")
SLOT = 60
"""All zone rules since 1970 change on a whole minute [s]; St John's did at 00:01 until 2011 (IANA tz database)."""
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
    seconds, absolute = _parse(np.array([text.strip() for text in distinct], object), clock)
    seconds, local = seconds[codes], ~absolute[codes]
    local &= seconds != UNREADABLE
    if local.any():
        rows = np.flatnonzero(local)
        groups = np.zeros(len(rows), np.int64) if series is None else series[rows]
        seconds[rows] = _to_utc(seconds[rows], clock, groups)
    seconds[(seconds < EARLIEST) | (seconds > LATEST)] = UNREADABLE
    return seconds


def is_interval(text: str) -> bool:
    """Say whether a time is written as an interval of ISO 8601, which says itself when it ends."""
    return "/" in text.strip()[10:] or text.lstrip()[:1] in ("P", "p")


def _parse(texts: np.ndarray, clock: Clock) -> tuple[np.ndarray, np.ndarray]:
    """Return the seconds of each text as if it were UTC, and whether it is (it carries an offset, or is an epoch)."""
    if clock.format in ("epoch", "epoch ms"):
        number = pd.to_numeric(texts, errors="coerce").astype(np.float64)
        number = np.floor(number / 1000) if clock.format == "epoch ms" else np.floor(number)
        good = (number >= EARLIEST) & (number <= LATEST)
        return np.where(good, np.where(good, number, 0).astype(np.int64), UNREADABLE), np.ones(len(texts), bool)
    if clock.format != "ISO 8601":
        return _by_pattern(texts, clock.format), np.full(len(texts), "%z" in clock.format)
    # A bare number such as 20251021 is more likely the wrong column.
    found = [None if text.isdigit() or len(text) > LONGEST else ISO_8601.fullmatch(text) for text in texts]
    good = np.array([match is not None for match in found], bool)
    seconds = np.full(len(texts), UNREADABLE)
    seconds[good] = _seconds(texts[good], "ISO8601")
    absolute = np.array([match is not None and match.lastindex in (2, 3) for match in found], bool)
    for row in np.flatnonzero(seconds == UNREADABLE):
        seconds[row], absolute[row] = _odd(texts[row])
    return seconds, absolute


def _odd(text: str) -> tuple[int, bool]:
    """Return a time that is written in one of the rarer ways of ISO 8601 and RFC 3339, and whether it has an offset."""
    if text.isdigit() or len(text) > LONGEST:
        return int(UNREADABLE), False
    text = text.upper().replace(",", ".")
    if is_interval(text):
        return _end_of_interval(*text.split("/", 1))
    day, extra = _in_usual_words(text)
    if not ISO_8601.fullmatch(day):
        return int(UNREADABLE), False
    second = _second(day, "ISO8601")
    return (second if second == UNREADABLE else second + extra), bool(HAS_OFFSET.search(day[10:]))


def _in_usual_words(text: str) -> tuple[str, int]:
    """Return a time of ISO 8601 as it is mostly written, and what is to be added to it [s]."""
    ordinal = ORDINAL.match(text)
    if ordinal:
        second = _second(f"{ordinal[1]} {ordinal[2]}", "%Y %j")
        day = "" if second == UNREADABLE else f"{datetime.fromtimestamp(second, UTC):%Y-%m-%d}"
        if day.startswith(ordinal[1]):
            text = f"{day}{text[ordinal.end() :]}"
    text = ONE_DIGIT.sub(r"0\g<0>", text) if re.match(r"\d{4}[-/]\d?\d[-/]\d?\d [ \d]?\d:\d\d", text) else text
    extra = 0
    # The end of the day that is named (ISO 8601:2004, 4.2.3), and a leap second (RFC 3339, 5.7).
    for odd, usual, more in (
        (r"([T ])24(:?00(?::?00(?:\.0+)?)?)(?=\D|$)", r"\g<1>00\2", 86400),
        (r"([T ]\d\d:?59:?)60", r"\g<1>59", 1),
    ):
        text, found = re.subn(odd, usual, text, count=1)
        extra += more * found
    return text, extra


def _end_of_interval(begin: str, end: str = "") -> tuple[int, bool]:
    """Return when an interval of ISO 8601 ends: begin/end, begin/duration or duration/end."""
    if DURATION_END.fullmatch(end):
        second, absolute = _odd(begin)
        length = observed.length_s(end)
        return (second + length if length and second != UNREADABLE else int(UNREADABLE)), absolute
    if "/" in end or not begin:
        return int(UNREADABLE), False
    if LATER_END.fullmatch(end) and len(end) < 10:
        end = f"{begin[:11]}{end}"
    offset = HAS_OFFSET.search(begin[10:])
    return _odd(end if HAS_OFFSET.search(end[10:]) or not offset else f"{end}{offset[0]}")


def _by_pattern(texts: np.ndarray, pattern: str) -> np.ndarray:
    """Return the seconds of texts that are written by a pattern; 24:00 is the end of its day."""
    # "5" is 00:05 and "930" 09:30 where hours and minutes are one number, as many loggers write them.
    runs = {place: len(word) for place, word in enumerate(pattern.split()) if word in ("%H%M", "%H%M%S")}
    if runs:
        texts = np.array([_filled_up(text, runs) for text in texts], object)
    # Without a digit the library would take "now" and "today" for times.
    texts = np.array([text if len(text) <= LONGEST and DIGIT.search(text) else "" for text in texts], object)
    seconds = _seconds(texts, pattern)
    if "%H" in pattern and (seconds == UNREADABLE).any():
        shape = re.sub(
            r"%(.)|(\W)", lambda m: f"({DIRECTIVES[m[1]]})" if m[1] in DIRECTIVES else re.escape(m[0]), pattern
        )
        hour = 1 + len(re.findall(r"%[YyjbBzmdHMSf]", pattern[: pattern.index("%H")]))
        for row in np.flatnonzero(seconds == UNREADABLE):
            match = re.fullmatch(shape, texts[row])
            if match:
                begin = f"{texts[row][: match.start(hour)]}00{texts[row][match.end(hour) :]}"
                second = _second(begin, pattern)
                seconds[row] = second if second == UNREADABLE else second + 86400
    return seconds


def _filled_up(text: str, runs: Mapping[int, int]) -> str:
    words = text.split()
    filled = (word.zfill(runs[place]) if place in runs else word for place, word in enumerate(words))
    return " ".join(filled)


def _seconds(texts: np.ndarray, pattern: str) -> np.ndarray:
    """Return texts as seconds since 1970, UNREADABLE where one isn't written so."""
    # For a time or two the library takes longer to get ready than to read, and many small files share theirs.
    if len(texts) <= FEW:
        return np.array([_second(text, pattern) for text in texts], np.int64)
    return _many_seconds(texts, pattern)


@lru_cache(maxsize=4096)
def _second(text: str, pattern: str) -> int:
    return int(_many_seconds(np.array([text], object), pattern)[0])


def _many_seconds(texts: np.ndarray, pattern: str) -> np.ndarray:
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
    # Nights end at noon: the hour before midnight may be one that occurs twice.
    groups = [series[twice], (local[twice] + 43_200) // 86400]
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

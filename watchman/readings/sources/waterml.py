"""OGC WaterML 2.0 part 1 (OGC 10-126r4): time series of measurements in XML, with what they say of themselves.

A document is gone through twice: first for what its series are, then for the points of those that are wanted. So it
doesn't matter where a station is described, and two kinds of series for one variable are seen before either is read.

A value that the source itself calls poor is told and not counted, a missing one is none; what it calls good, suspect,
estimate or unchecked is read like any other, for our own checks to judge.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Literal, Self

from pydantic import model_validator

from watchman.model import RAIN, VARIABLES
from watchman.readings.sources import observed
from watchman.readings.sources.memory import DAY, FetchMemory
from watchman.readings.sources.pieces import Asked, Fault, Piece
from watchman.readings.sources.series import PointMetadata, Series, described, points
from watchman.readings.sources.settings import DocumentSource, Table, UnreadableError
from watchman.readings.sources.times import HAS_OFFSET

BLOCK = 20_000
"""Points that make a table."""
TOLD = 20
"""So many stations that aren't in stations.csv are told one by one."""


@dataclass(frozen=True, slots=True)
class Document:
    """A document, and our words for stations -> their positions."""

    content: bytes
    aliases: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Wanted:
    """A series that is read. station: our word for its station, "" where the address or path says it."""

    series: Series
    station: str
    variable: str


class Source(DocumentSource):
    """Time series in WaterML 2.0, in files or at an address."""

    kind: Literal["waterml"]
    """"waterml"."""

    @model_validator(mode="after")
    def _iso(self) -> Self:
        if self.time.format != "ISO 8601":
            raise ValueError("WaterML writes its times as ISO 8601; leave time.format out")
        return self

    def pieces(
        self, folder: Path, aliases: Mapping[str, int], memory: FetchMemory, now: datetime
    ) -> Iterator[Piece | Fault | Asked]:
        """Yield each document that is new, with our words for stations: a series has many for its own."""
        for piece in DocumentSource.pieces(self, folder, aliases, memory, now):
            if isinstance(piece, Piece) and isinstance(piece.content, bytes):
                yield replace(piece, content=Document(piece.content, aliases))
            else:
                yield piece

    def tables(self, content: Document) -> Iterator[Table]:
        """Yield the points of its series as tables. Raise UnreadableError when it has none that can be read."""
        wanted, remarks = _choose(described(content.content), self, content.aliases)
        yield Table({}, lambda _: "", remarks=remarks)
        yield from _read(content.content, wanted, self)


# --- which series are read ---


def _choose(
    every: Sequence[Series], source: Source, aliases: Mapping[str, int]
) -> tuple[dict[int, Wanted], tuple[str, ...]]:
    """Return the series to read by their place in the document, and what should be known of the others."""
    unlisted: dict[str, None] = {}
    remarks: dict[str, None] = {}
    found: dict[tuple[int, str], dict[int, Wanted]] = defaultdict(dict)
    for place, series in enumerate(every):
        stations = {0: ""} if source.per_station else observed.stations_of(_station_words(series), aliases)
        told = f"series {series.name!r} of {series.place!r}"
        variables = observed.variables_of(source, series.observes)
        if not stations:
            unlisted[series.place] = None
        elif len(stations) > 1:
            both = " and ".join(map(repr, stations.values()))
            remarks[f"{told} names {len(stations)} of our stations, {both}, and is not read"] = None
        elif len(variables) > 1:
            which = f'variables = {{ {variables[0]} = "{series.name}" }}'
            remarks[f"{told} may be {' or '.join(variables)}; say which, for instance {which}"] = None
        elif variables:
            (at, station), variable = next(iter(stations.items())), variables[0]
            complaint = _complaint(series, variable, source)
            if complaint:
                remarks[f"{told} is not read: {complaint}"] = None
            else:
                found[at, variable][place] = Wanted(series, station, variable)
    wanted: dict[int, Wanted] = {}
    for (_, variable), alike in found.items():
        if len({_kind(one.series) for one in alike.values()}) == 1:
            wanted |= alike
        else:
            remarks[_which(variable, list(alike.values()))] = None
    if every and not wanted:
        raise UnreadableError(_nothing(every, list(unlisted), list(remarks)))
    return wanted, (*remarks, *_foreign(list(unlisted)))


def _station_words(series: Series) -> Iterator[str]:
    for word in series.feature:
        yield word
        yield observed.short(word)


def _kind(series: Series) -> tuple[str, ...]:
    return (*series.observes, series.usual.interpolation, series.usual.aggregation or series.spacing)


def _complaint(series: Series, variable: str, source: Source) -> str:
    """Say why a series can't be read as a variable, or return ""."""
    if series.process.lower() == "simulation":
        return "it is forecast or simulated, not measured"
    _, complaint = observed.unit_of(series.usual.unit, variable, source)
    if complaint:
        return complaint
    if variable == VARIABLES[RAIN] and series.cumulative:
        runs = series.cumulative.lower() in ("true", "1")
        if runs != (source.rain.counts == "running total"):
            counts = "running total" if runs else "each interval"
            return (
                f'it says cumulative = {series.cumulative[:20]}; write rain = {{ counts = "{counts}" }} if that is so'
            )
    return _shift(series.usual, series, variable, source)[1]


def _shift(said: PointMetadata, series: Series, variable: str, source: Source) -> tuple[int | None, str]:
    """Return what is to be added to times for them to be the ends of their intervals [s], None where the settings say
    so; or why such values are no readings. By OGC's register of interpolation types (NamingAuthority, waterml.ttl).
    """
    kind, called = said.interpolation.lower(), said.interpolation[:40]
    written = said.aggregation or series.spacing
    length_s = observed.length_s(written)
    if written and (length_s is None or length_s > DAY):
        return None, f"each of its values is of {written[:20]!r}, longer than a day"
    if kind.startswith(("max", "min", "statistical")):
        return None, f"its values are statistics ({called}), not readings"
    if variable == VARIABLES[RAIN] and kind.startswith(("average", "const")):
        return None, f"its values are no amounts of rain ({called})"
    if kind.endswith("succ"):
        length_s = length_s or round((source.covers_minutes or 0) * 60)
        if not length_s:
            which = f"its times are the beginnings of their intervals ({called})"
            return None, f"{which}, and nothing says how long these are: write covers_minutes"
        return length_s, ""
    return (0 if kind.endswith("prec") or kind == "instanttotal" else None), ""


def _which(variable: str, alike: Sequence[Wanted]) -> str:
    first = alike[0].series
    kinds = dict.fromkeys(
        " ".join(filter(None, (repr(one.series.name), *(word[:40] for word in _kind(one.series)[-2:]))))
        for one in alike
    )
    which = f'variables = {{ {variable} = "{first.name}" }}'
    return (
        f"{first.place!r} has several kinds of series that may be its {variable}, and none is read: "
        f"{', '.join(kinds)}; ask for one of them only, or say which, for instance {which}"
    )


def _foreign(names: Sequence[str]) -> tuple[str, ...]:
    if len(names) > TOLD:
        return (f"{len(names)} stations are not in stations.csv; the first are {', '.join(map(repr, names[:5]))}",)
    also = "list it, or write it as another's alias"
    return tuple(f"station {name[:60]!r} is not in stations.csv: {also}" for name in names)


def _nothing(every: Sequence[Series], names: Sequence[str], remarks: Sequence[str]) -> str:
    """Say why there is no series to read."""
    if remarks:
        return "; ".join(remarks[:3])
    if names:
        return f"none of its {len(names)} stations is in stations.csv; it has: {', '.join(names[:5])}"
    kinds = ", ".join(dict.fromkeys(series.name for series in every))[:200]
    return (
        f"none of its {len(every)} series is one of {', '.join(VARIABLES)}; it has: {kinds}. Say which is, for "
        'instance variables = { rain = "Rainfall" }'
    )


# --- their points ---


@dataclass(slots=True)
class _Block:
    """Points of one series that are read alike. unit: as it stands there; shift_s: as in Table; complaint: why not."""

    unit: str
    shift_s: int | None
    complaint: str
    times: list[str] = field(default_factory=list)
    values: list[str] = field(default_factory=list)
    faulty: list[tuple[str, str]] = field(default_factory=list)

    def take(self, time: str, value: str) -> None:
        """Take a point in."""
        if self.complaint:
            self.faulty.append((f"{time} {value}", self.complaint))
        else:
            self.times.append(time)
            self.values.append(value)


def _read(content: bytes, wanted: Mapping[int, Wanted], source: Source) -> Iterator[Table]:
    """Yield the points of the wanted series as tables."""
    place, count = -1, 0
    blocks: dict[PointMetadata, _Block] = {}
    time_of: Callable[[str, int], str] = _as_it_is
    for at, point in points(content, wanted):
        if at != place:
            yield from _tables(blocks, wanted.get(place))
            place, count, blocks, time_of = at, 0, {}, _times(wanted[at].series, source)
        elif count % BLOCK == 0:
            yield from _tables(blocks, wanted[at])
            blocks = {}
        said = point.said.over(wanted[at].series.usual)
        block = blocks.get(said)
        if block is None:
            block = blocks[said] = _block(said, wanted[at], source)
        block.take(time_of(point.time, count), "" if said.quality == "missing" else point.value)
        count += 1
    yield from _tables(blocks, wanted.get(place))


def _block(said: PointMetadata, one: Wanted, source: Source) -> _Block:
    """Return an empty block for points of which this is said."""
    unit, of_unit = observed.unit_of(said.unit, one.variable, source)
    shift_s, of_time = _shift(said, one.series, one.variable, source)
    poor = "the source itself calls it poor" if said.quality == "poor" else ""
    return _Block(unit, shift_s, poor or of_unit or of_time)


def _times(series: Series, source: Source) -> Callable[[str, int], str]:
    """Return a function that tells a point's time, from what stands at it and its place in the series.

    Where it has none it follows from baseTime and spacing; where it has no offset the station's is put to it, unless
    the settings say one.
    """
    zone = "" if source.time.utc_offset or source.time.zone or not HAS_OFFSET.fullmatch(series.zone) else series.zone
    spacing_s = observed.length_s(series.spacing)
    try:
        base = datetime.fromisoformat(series.base)
    except ValueError:
        base = None

    def time_of(time: str, place: int) -> str:
        if not time and base is not None and spacing_s is not None:
            time = (base + timedelta(seconds=place * spacing_s)).isoformat()
        return time + zone if zone and time and not HAS_OFFSET.search(time[10:]) else time

    return time_of


def _as_it_is(time: str, _: int) -> str:
    return time


def _tables(blocks: Mapping[PointMetadata, _Block], one: Wanted | None) -> Iterator[Table]:
    """Yield blocks as tables."""
    if one is None:
        return
    for block in blocks.values():
        columns = {"time": block.times, one.variable: block.values}
        if one.station:
            columns["station"] = [one.station] * len(block.times)
        units = {one.variable: block.unit} if block.unit else {}
        told = partial(_row, block)
        yield Table(columns, told, tuple(block.faulty), units, shift_s=block.shift_s)


def _row(block: _Block, row: int) -> str:
    return f"{block.times[row]} {block.values[row]}"

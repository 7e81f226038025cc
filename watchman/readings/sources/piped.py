"""Standard input in the place of a source's address or path, for one fetch: a pipe, or a line in a timetable."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

from watchman.errors import InputError, Mistake
from watchman.readings.sources.memory import FetchMemory, PageMark, digest
from watchman.readings.sources.pieces import Fault, Piece
from watchman.readings.sources.settings import Source, TableSource

MEGABYTE = 1_000_000
LABEL = "standard input"


@dataclass(frozen=True, slots=True)
class Given:
    """Rows that are given by hand. source: whose rows they are; station: whose, where the rows don't say so."""

    source: str
    stream: BinaryIO
    station: str = ""


class Piped:
    """The line to standard input: it hands over all that comes, once."""

    news = False

    def __init__(self, given: Given, source: Source, stations: tuple[str, ...], memory: FetchMemory) -> None:
        """Hold the stream for a source. memory: what the last fetch returned. Raises InputError, in words."""
        if not isinstance(source, TableSource):
            what = f"source {source.name} holds no table, so it can't be read from standard input"
            raise InputError([Mistake("--input", what, 'Name one of kind "csv" or "json".')])
        if source.per_station != bool(given.station):
            what = (
                f"{source.place} is one a station" if source.per_station else "its rows say themselves whose they are"
            )
            allowed = f"Say whose: --station {stations[0]}." if source.per_station and stations else "Leave it out."
            raise InputError([Mistake("--station", what, allowed)])
        if given.station and given.station not in stations:
            what = f"{given.station!r} is not in stations.csv"
            raise InputError([Mistake("--station", what, f"It has: {', '.join(stations[:10])}.")])
        self._given, self._limit = given, source.max_mb * MEGABYTE
        self._memory = memory.now_of(source, stations)

    def pieces(self) -> Iterator[Piece | Fault]:
        """Yield what is given; the same as the last time is nothing new."""
        from watchman.readings.sources.files import GZIP, unpacked

        content, wrong = self._given.stream.read(int(self._limit) + 1), ""
        if len(content) > self._limit:
            yield Fault(LABEL, f"{LABEL} has more than max_mb = {self._limit / MEGABYTE:g}", stops=True)
            return
        if not content or content.isspace():
            yield Fault(LABEL, f"{LABEL} is empty; perhaps what fills it has failed", stops=True)
            return
        before = self._memory.pages.get(LABEL)
        mark = PageMark(digest=LABEL, content=digest(content))
        if content.startswith(GZIP):
            content, wrong = unpacked(content, self._limit)
        if wrong:
            yield Fault(LABEL, f"{LABEL} can't be read to its end: {wrong}")
        first = not (self._memory.pages or self._memory.files or self._memory.newest)
        news = None if before and before.content == mark.content else content
        yield Piece(LABEL, LABEL, self._given.station, news, first, mark)

    def kept(self, memory: FetchMemory) -> None:
        """Do nothing: whoever gave it has it still."""

    def close(self) -> None:
        """Do nothing: the stream is whoever's gave it."""

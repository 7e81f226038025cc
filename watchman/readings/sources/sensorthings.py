"""OGC SensorThings API 1.1 (OGC 18-088): things are stations, and their datastreams are asked for observations."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from watchman.readings.sources import json
from watchman.readings.sources.memory import FetchMemory
from watchman.readings.sources.pieces import Asked, Fault, Piece
from watchman.readings.sources.settings import DocumentSource, Table


class Stream(BaseModel):
    """A datastream that is read. key: its id as it stands in an address, 12 or 'abc'; station: our word for it."""

    model_config = ConfigDict(frozen=True)
    key: str
    name: str
    station: str
    variable: str
    unit: str


@dataclass(frozen=True, slots=True)
class Observations:
    """Observations of one datastream, as they came. first: nothing of it was read before; now [s since 1970 UTC]."""

    stream: Stream
    rows: Sequence[Any]
    first: bool
    now: int


class Source(DocumentSource):
    """A server that speaks OGC SensorThings 1.1. `address` is its root, which mostly ends with the version."""

    kind: Literal["sensorthings"]
    """"sensorthings"."""
    station: Annotated[str, Field(min_length=1)] | None = None
    """Where a thing bears its station's id or alias: "name", "@iot.id" or the name of one of its properties. All are
    looked at when not given."""

    @model_validator(mode="after")
    def _a_root(self) -> Self:
        if self.address is None or set("{}?#") & set(self.address):
            raise ValueError(
                "a SensorThings source has the address of its root and nothing else, for instance "
                'address = "https://data.example.org/v1.1"'
            )
        if self.time.format != "ISO 8601":
            raise ValueError("SensorThings writes its times as ISO 8601; leave time.format out")
        return self

    def pieces(
        self, folder: Path, aliases: Mapping[str, int], memory: FetchMemory, now: datetime
    ) -> Iterator[Piece | Fault | Asked]:
        """Yield what should be known of its datastreams, when they are looked at, and then their observations."""
        from watchman.readings.sources import things, web

        moment = int(now.timestamp())
        if waits := web.asked_to_wait(self, memory, moment):
            yield waits
            return
        with web.door_of(self, folder, memory, moment) as door:
            yield from things.Asking(self, door, aliases, memory, moment).pieces()

    def tables(self, content: tuple[str, ...] | Observations) -> Iterator[Table]:
        """Yield observations as a table of instants and one of intervals; of the datastreams what should be known."""
        if isinstance(content, tuple):
            yield Table({}, lambda _: "", remarks=content)
            return
        rows = [row for row in content.rows if isinstance(row, dict)]
        others = [row for row in content.rows if not isinstance(row, dict)]
        faulty = tuple((json.as_text(row), "it is not an observation") for row in others)
        yield self._table(content, [row for row in rows if not over_time(row)], faulty, None)
        yield self._table(content, [row for row in rows if over_time(row)], (), 0)

    def _table(
        self,
        content: Observations,
        rows: list[dict[str, Any]],
        faulty: tuple[tuple[str, str], ...],
        shift_s: int | None,
    ) -> Table:
        stream, ends = content.stream, [end_of(row) for row in rows]
        columns = {
            "time": ends,
            "station": [stream.station] * len(rows),
            stream.variable: [json.as_text(row.get("result")) for row in rows],
        }
        if content.first:
            columns["received"] = self._received(rows, ends, shift_s, content.now)
        units = {stream.variable: stream.unit} if stream.unit else {}
        return Table(columns, lambda row: json.as_text(rows[row]), faulty, units, shift_s=shift_s)

    def _received(self, rows: list[dict[str, Any]], ends: list[str], shift_s: int | None, now: int) -> list[str]:
        """Return when each result came about, where it is said: never before its interval was over, or after now."""
        from watchman.readings.sources import times

        said = times.read([json.as_text(row.get("resultTime")) for row in rows], self.time)
        over = times.read(ends, self.time)
        if shift_s is None and self.stamps == "begin":
            over[over != times.UNREADABLE] += round((self.covers_minutes or 0) * 60)
        return [
            "" if times.UNREADABLE in (came, end) else iso(min(max(came, end), now))
            for came, end in zip(said.tolist(), over.tolist(), strict=True)
        ]


def over_time(row: Mapping[str, Any]) -> bool:
    """Say whether an observation's phenomenonTime is an interval (begin/end) rather than an instant."""
    return "/" in json.as_text(row.get("phenomenonTime"))


def end_of(row: Mapping[str, Any]) -> str:
    """Return when an observation's time is over, as written."""
    return json.as_text(row.get("phenomenonTime")).rpartition("/")[2]


def iso(moment: int) -> str:
    """Return a moment [s since 1970 UTC] as RFC 3339 writes it."""
    return datetime.fromtimestamp(moment, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")

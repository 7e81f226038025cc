"""What the next fetch from a source needs to know of the last ones: a plain value that the caller keeps."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping

import numpy as np
from pydantic import BaseModel, ConfigDict

from watchman.model import Readings
from watchman.readings.sources.settings import Source

DAY = 86400
OVERLAP_WITH_ZONE = 3 * 3600
"""A source whose clock is set back is asked this much more, so that the order of rows shows both passes [s]."""
UNKNOWN_KEPT = 1000
"""How many unlisted stations are remembered as told."""


class FileMark(BaseModel):
    """How far a file has been read. digest: of its first bytes and those just before `read_to`."""

    model_config = ConfigDict(frozen=True)
    size: int
    changed_ns: int
    read_to: int
    digest: str


class PageMark(BaseModel):
    """What an address said of its last answer. digest: of the address (with its {since}); content: of the answer."""

    model_config = ConfigDict(frozen=True)
    digest: str
    content: str = ""
    etag: str = ""
    last_modified: str = ""


class FetchMemory(BaseModel):
    """What the next fetch needs; it turns into JSON and back. Keep it only once the delivery it came with is kept.

    belongs_to: a digest of the source's settings and stations; when they change everything is read afresh.
    newest: each station's newest reading, for {since}; looked_back_at: when {since} last reached back in full;
    not_before: until when the server asked us to wait [s since 1970 UTC]. ask_next: the station whose turn it is
    when the time did not suffice for all. unknown: unlisted stations that have been told.
    """

    model_config = ConfigDict(frozen=True)
    belongs_to: str = ""
    files: Mapping[str, FileMark] = {}
    pages: Mapping[str, PageMark] = {}
    newest: Mapping[str, int] = {}
    looked_back_at: int = 0
    not_before: int = 0
    ask_next: str = ""
    unknown: tuple[str, ...] = ()

    def now_of(self, source: Source, stations: Iterable[str]) -> FetchMemory:
        """Return the memory if it still belongs to these settings and stations, else an empty one that does."""
        words = "\n".join([source.model_dump_json(), *sorted(stations)])
        owner = digest(words.encode())
        return self if self.belongs_to == owner else FetchMemory(belongs_to=owner)

    def since(self, source: Source, station: str, now: int) -> int:
        """Return from when on to ask [s since 1970 UTC]: the station's newest reading, or "" = the oldest of them all.

        Asked for all stations at once it is at most a day, so that a dead station doesn't make every answer long;
        once a day it reaches back in full, for what came late.
        """
        horizon = now - round(source.look_back_days * DAY)
        if not self.newest or self.looks_back(now):
            return horizon
        newest = self.newest.get(station, horizon) if station else max(min(self.newest.values()), now - DAY)
        return max(newest - (OVERLAP_WITH_ZONE if source.time.zone else 0), horizon)

    def looks_back(self, now: int) -> bool:
        """Say whether {since} reaches back in full."""
        return now - self.looked_back_at >= DAY or now < self.looked_back_at


def newest_of(readings: Readings, aliases: Mapping[str, int], now: int, before: Mapping[str, int]) -> dict[str, int]:
    """Return each station's newest reading [s since 1970 UTC] after these; one from the future doesn't count."""
    newest = np.zeros(max(aliases.values(), default=-1) + 1, np.int64)
    sound = readings.observed_at <= now
    np.maximum.at(newest, readings.station[sound], readings.observed_at[sound])
    merged = {name: max(int(newest[place]), before.get(name, 0)) for name, place in aliases.items()}
    return {name: moment for name, moment in merged.items() if moment > 0}


def digest(content: bytes | bytearray) -> str:
    """Return a short fingerprint."""
    return hashlib.sha256(content).hexdigest()[:16]

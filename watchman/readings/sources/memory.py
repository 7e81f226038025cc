"""What the next fetch from a source needs to know of the last ones: a plain value that the caller keeps."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from typing import Any

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
    """How far a file has been read. changed_ns: when it was last changed [ns since 1970 UTC]; digest: of all up to
    `read_to`; state: all that the file system says of it; heads: where the headers stand by which what follows
    `read_to` is read, as (from, to), none where it can't be read alone; waits: an unfinished last line was left.
    """

    model_config = ConfigDict(frozen=True)
    size: int
    changed_ns: int
    read_to: int
    digest: str
    state: str = ""
    inode: int = 0
    heads: tuple[tuple[int, int], ...] = ()
    waits: bool = False


class PageMark(BaseModel):
    """What an address said of its last answer. digest: of the address (with its {since}); content: of the answer."""

    model_config = ConfigDict(frozen=True)
    digest: str
    content: str = ""
    etag: str = ""
    last_modified: str = ""


class Gap(BaseModel):
    """A stretch of readings that is still to be asked for; it must not hold a secret, for it is kept in the store.

    station: whose, "" = all. since, until [s since 1970 UTC]. first: it was never asked for, so that nobody knows when
    its readings arrived. place: where its pages go on, "" = with the first. not_before: when it is asked for again
    after it could not be had [s since 1970 UTC].
    """

    model_config = ConfigDict(frozen=True)
    station: str = ""
    since: int
    until: int
    first: bool = False
    place: str = ""
    not_before: int = 0


class FetchMemory(BaseModel):
    """What the next fetch needs; it turns into JSON and back. Keep it only once the delivery it came with is kept.

    belongs_to: a digest of the source's settings and stations; when they change everything is read afresh.
    newest: each station's newest reading, for {since}; looked_back_at: when {since} last reached back in full;
    waited_for_at: when it last reached back to the slowest station; not_before: until when the server asked us to wait;
    spent: when it was asked in the last minute, where that is limited; asked: until when each station (or "" = all of
    them) has been asked for [all s since 1970 UTC]. gaps: what is still to be asked for; starved: no time was left for
    any of it. ask_next: the station whose turn it is when the time did not suffice for all. unknown: unlisted stations
    and remarks that have been told. own: what a kind of source notes for itself, by the key of the piece it came with.
    """

    model_config = ConfigDict(frozen=True)
    belongs_to: str = ""
    files: Mapping[str, FileMark] = {}
    pages: Mapping[str, PageMark] = {}
    newest: Mapping[str, int] = {}
    looked_back_at: int = 0
    waited_for_at: int = 0
    not_before: int = 0
    spent: tuple[float, ...] = ()
    asked: Mapping[str, int] = {}
    gaps: tuple[Gap, ...] = ()
    starved: bool = False
    ask_next: str = ""
    unknown: tuple[str, ...] = ()
    own: Mapping[str, Mapping[str, Any]] = {}

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
        horizon = self.horizon(source, now)
        if not self.newest or self.looks_back(now):
            return horizon
        newest = self.newest.get(station, horizon) if station else max(min(self.newest.values()), now - DAY)
        return max(newest - overlap_s(source), horizon)

    def fresh_since(self, source: Source, station: str, now: int, reach_s: int) -> int:
        """Return from when on what is new begins [s since 1970 UTC], at most a reach back [s].

        For all stations at once ("") the newest reading of any decides; see `slowest_since`.
        """
        newest = max([self.newest.get(station, 0)] if station else self.newest.values(), default=0)
        return max(newest - overlap_s(source), now - reach_s, self.horizon(source, now))

    def slowest_since(self, source: Source, now: int, reach_s: int) -> int:
        """Return from when on the slowest of the stations heard within a reach [s] may have sent something new: it may
        be sending what it had kept, the oldest first [s since 1970 UTC].
        """
        begin = min((moment for moment in self.newest.values() if moment > now - reach_s), default=now)
        return max(begin - overlap_s(source), now - reach_s, self.horizon(source, now))

    @staticmethod
    def horizon(source: Source, now: int) -> int:
        """Return from when on readings are asked for at all [s since 1970 UTC]."""
        return now - round(source.look_back_days * DAY)

    def minding(self, other: FetchMemory) -> FetchMemory:
        """Return this with what the server asked of us as a later one knows it: that holds whatever was kept."""
        kept = self if self.belongs_to == other.belongs_to else FetchMemory(belongs_to=other.belongs_to)
        spent = max(kept.spent, other.spent, key=lambda times: times[-1:])
        return kept.model_copy(update={"not_before": max(kept.not_before, other.not_before), "spent": spent})

    def looks_back(self, now: int) -> bool:
        """Say whether {since} reaches back in full."""
        return now - self.looked_back_at >= DAY or now < self.looked_back_at


def with_gap(gaps: tuple[Gap, ...], gap: Gap, *, whole: bool) -> tuple[Gap, ...]:
    """Return the gaps and another, without those that lie within it. whole: each station's are asked for as one."""
    # One whose pages have been begun may have passed where the other's rows are.
    own = [one for one in gaps if one.station == gap.station and not one.place]
    if gap.since >= gap.until or any(one.since <= gap.since and gap.until <= one.until for one in own):
        return gaps
    if whole and not gap.place:
        first = gap.first or any(one.first for one in own)
        since = min([gap.since, *(one.since for one in own)])
        gap, gone = gap.model_copy(update={"since": since, "first": first}), own
    else:
        gone = [one for one in own if gap.since <= one.since and one.until <= gap.until]
    return (*(one for one in gaps if one not in gone), gap)


def with_returned(
    memory: FetchMemory, before: FetchMemory, asked_since: Mapping[str, int], source: Source
) -> FetchMemory:
    """Return the memory with the silence of each station that is heard again as a gap: it may have sent that as well.

    asked_since: from when on each station ("" = all) was asked for what is new [s since 1970 UTC].
    """
    gaps, overlap = memory.gaps, overlap_s(source)
    for name, newest in memory.newest.items():
        key = name if name in asked_since else ""
        last, since = before.newest.get(name), asked_since.get(key)
        if last is None or since is None or not last < since < newest:
            continue
        until = min(since, before.asked.get(key, 0) - overlap)
        gaps = with_gap(gaps, Gap(station=key, since=last - overlap, until=until), whole=not source.asks_until)
    return memory.model_copy(update={"gaps": gaps})


def overlap_s(source: Source) -> int:
    """Return how much more than what is new is asked for [s]."""
    return max(round(source.overlap_minutes * 60), OVERLAP_WITH_ZONE if source.time.zone else 0)


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

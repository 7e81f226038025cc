"""What files and addresses hand over, whichever it was: pieces of content, and faults in words."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from watchman.readings.sources.memory import FetchMemory, FileMark, PageMark
from watchman.readings.sources.settings import Table
from watchman.readings.sources.times import UNREADABLE


class Seen:
    """What reading a page showed, for whoever decides which page to ask for next.

    readable: it could be read; rows: how many there were, whatever is wrong with them; earliest, latest: their times
    [s since 1970 UTC], latest = 0 when none has one; in_order: none is before the one above it. closely: its
    fingerprint is wanted as well.
    """

    def __init__(self, *, closely: bool) -> None:
        self.readable, self.in_order = False, True
        self.rows = self.earliest = self.latest = 0
        self._closely, self._print = closely, hashlib.sha256()

    def note(self, table: Table, observed: np.ndarray) -> None:
        """Note a table of the page and the times of its rows [s since 1970 UTC]."""
        self.rows += len(table) + len(table.faulty)
        if self._closely:
            self._print.update(repr((dict(table.columns), [row for row, _ in table.faulty])).encode())
        known = observed[observed != UNREADABLE]
        if len(known):
            self.in_order &= int(known[0]) >= self.latest and bool((np.diff(known) >= 0).all())
            self.earliest = min(self.earliest or int(known.min()), int(known.min()))
            self.latest = max(self.latest, int(known.max()))

    def fingerprint(self) -> str:
        """Return what only a page with the same rows has."""
        return self._print.hexdigest()


@dataclass(frozen=True, slots=True)
class Piece:
    """One file or answer. station: whose it is, "" for many. content: as the source's `tables` wants it, mostly bytes;
    None when it holds nothing new.

    first: nothing like it was read before, so that nobody knows when its readings arrived.
    mark: what to remember of it once it has been read, None where nothing needs to be; a mapping is the kind's own.
    seen: is told what reading it shows, where that is wanted.
    """

    key: str
    label: str
    station: str
    content: Any
    first: bool
    mark: FileMark | PageMark | Mapping[str, Any] | None
    seen: Seen | None = None


@dataclass(frozen=True, slots=True)
class Fault:
    """One file or answer that could not be had, in a sentence.

    stops: it is the source's fault rather than this one's, so the others were not asked. wait_s: how long the
    server asked us to wait. ask_next: the station to begin with next time.
    """

    label: str
    sentence: str
    stops: bool = False
    wait_s: int = 0
    ask_next: str = ""


@dataclass(frozen=True, slots=True)
class Asked:
    """What is to be remembered of the asking itself, as the last of all. since: from when on each station ("" = all)
    was asked for what is new [s since 1970 UTC].
    """

    memory: FetchMemory
    since: Mapping[str, int]

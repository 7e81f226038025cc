"""What files and addresses hand over, whichever it was: pieces of content, and faults in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from watchman.readings.sources.memory import FileMark, PageMark


@dataclass(frozen=True, slots=True)
class Piece:
    """One file or answer. station: whose it is, "" for many. content: as the source's `tables` wants it, mostly bytes;
    None when it holds nothing new.

    first: nothing like it was read before, so that nobody knows when its readings arrived.
    mark: what to remember of it once it has been read, None where nothing needs to be.
    """

    key: str
    label: str
    station: str
    content: Any
    first: bool
    mark: FileMark | PageMark | None


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

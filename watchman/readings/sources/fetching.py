"""One fetch from one source: pieces of content -> readings, rejected rows and trouble in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from watchman.model import Delivery, Look, Readings, Rejected
from watchman.readings.sources import files, tables
from watchman.readings.sources.memory import UNKNOWN_KEPT, FetchMemory, FileMark, PageMark, newest_of, with_returned
from watchman.readings.sources.pieces import Asked, Fault, Piece
from watchman.readings.sources.settings import Source, UnreadableError

if TYPE_CHECKING:
    from watchman.readings.sources.listening import Listener
    from watchman.readings.sources.piped import Piped

FEW = 20
"""How many rows (or stations) are named one by one; the others are counted."""
ROW_LENGTH = 200


def fetch(
    source: Source,
    folder: Path,
    aliases: Mapping[str, int],
    position: int,
    memory: FetchMemory,
    now: datetime,
    listener: Listener | Piped | None = None,
) -> tuple[Delivery, FetchMemory]:
    """Return what the source brought, and what to remember for the next time. See `sources.fetch`."""
    memory = memory.now_of(source, aliases)
    moment = int(now.timestamp())
    setting = tables.Setting(source, aliases, position, moment)
    haul = _Haul(setting, memory)
    pieces = source.pieces(folder, aliases, memory, now) if listener is None else listener.pieces()
    for piece in pieces:
        haul.take(piece)
    return haul.delivery(now), haul.remembered(memory)


class _Haul:
    """What has come in so far during one fetch."""

    def __init__(self, setting: tables.Setting, memory: FetchMemory) -> None:
        self._setting = setting
        self._told = memory.unknown
        self._readings: list[Readings] = []
        self._faulty: list[tuple[str, str]] = []
        self._unknown: Counter[str] = Counter()
        self._faults: list[Fault] = []
        self._seen: set[str] = set()
        self._files: dict[str, FileMark] = {}
        self._pages: dict[str, PageMark] = {}
        self._own: dict[str, Mapping[str, Any]] = {}
        self._remarks: dict[str, None] = {}
        self._read = False
        self._asked: Asked | None = None
        self._headers: set[tuple[str, ...]] = set()
        self._stated: set[tuple[str, str]] = set()

    def take(self, piece: Piece | Fault | Asked) -> None:
        """Take in one piece; a piece that can't be read as a whole is a fault, and is not remembered as read."""
        if isinstance(piece, Asked):
            self._asked = piece
            return
        self._seen.add(piece.label)
        if isinstance(piece, Fault):
            self._faults.append(piece)
            return
        try:
            batches = [] if piece.content is None else self._batches(piece, piece.content)
        except UnreadableError as error:
            if not files.unfinished(piece.mark):
                self._faults.append(Fault(piece.label, f"{piece.label} can't be read: {error}"))
            return
        for batch in batches:
            self._readings.append(batch.readings)
            self._faulty += batch.faulty
            self._unknown.update(batch.unknown)
        self._read = True
        if piece.seen is not None:
            piece.seen.readable = True
        if isinstance(piece.mark, FileMark):
            self._files[piece.key] = piece.mark
        elif isinstance(piece.mark, PageMark):
            self._pages[piece.key] = piece.mark
        elif piece.mark is not None:
            self._own[piece.key] = piece.mark

    def _batches(self, piece: Piece, content: Any) -> list[tables.Batch]:
        batches = []
        for table in self._setting.source.tables(content):
            batches.append(tables.read(table, piece.station, piece.first, self._setting))
            if piece.seen is not None:
                piece.seen.note(table, batches[-1].observed)
            self._headers.update([table.header] if table.header else ())
            self._stated.update(table.units.items())
            self._remarks.update(dict.fromkeys(table.remarks))
        foreign = dict.fromkeys(word for batch in batches for word in batch.foreign)
        # Later on, a part may well hold nothing but what isn't watched.
        if piece.first and foreign and not any(len(batch.readings) for batch in batches):
            words = ", ".join(foreign)[:300]
            raise UnreadableError(
                f'no row has a variable we know; it has: {words}. Say which is which: variables = {{ rain = "..." }}'
            )
        return batches

    def delivery(self, now: datetime) -> Delivery:
        """Return all of it as a delivery."""
        name = self._setting.source.name
        rejected = tuple(
            Rejected(name, now, printable(row[:ROW_LENGTH]), printable(reason)) for row, reason in self._rejected()
        )
        look = Look(frozenset(self._headers), frozenset(self._stated))
        return Delivery(name, now, Readings.join(self._readings), rejected, printable(self._trouble()), look)

    def remembered(self, memory: FetchMemory) -> FetchMemory:
        """Return what to remember of this fetch."""
        source, aliases, moment = self._setting.source, self._setting.aliases, self._setting.now
        stopped = next((fault for fault in self._faults if fault.stops), None)
        wait_s = max((fault.wait_s for fault in self._faults), default=0)
        change: dict[str, object] = {
            "ask_next": (stopped.ask_next or memory.ask_next) if stopped else "",
            "not_before": moment + wait_s if wait_s else memory.not_before,
            "unknown": tuple(dict.fromkeys([*memory.unknown, *self._unknown, *self._remarks]))[-UNKNOWN_KEPT:],
            "own": {**memory.own, **self._own},
            # A file that is gone is forgotten; a page that was not asked for this time is not.
            "files": {name: mark for name, mark in memory.files.items() if name in self._seen} | self._files,
            "pages": {**memory.pages, **self._pages},
        }
        if source.asks_since:
            change["newest"] = newest_of(Readings.join(self._readings), aliases, moment, memory.newest)
            if not stopped and memory.looks_back(moment):
                change["looked_back_at"] = moment
        if self._asked is None:
            return memory.model_copy(update=change)
        own = self._asked.memory.model_copy(
            update={key: value for key, value in change.items() if key not in ("ask_next", "looked_back_at")}
        )
        return with_returned(own, memory, self._asked.since, source)

    def _rejected(self) -> Iterator[tuple[str, str]]:
        """Yield what was rejected, as (row, reason): a few of a kind in full, the others counted."""
        whole = self._trouble()
        yield from _few((("", fault.sentence) for fault in self._faults if fault.sentence != whole), "like these")
        yield from _few(self._faulty, "rows")
        yield from _few((("", remark) for remark in self._remarks if remark not in self._told), "like these")
        new = [(name, count) for name, count in self._unknown.items() if name not in self._told]
        yield from _few(((f"station {name}", _unlisted(name, count)) for name, count in new), "stations")

    def _trouble(self) -> str:
        """Return what is wrong with the source as a whole, or ""."""
        stopped = [fault.sentence for fault in self._faults if fault.stops]
        if stopped:
            return stopped[0]
        if self._faults and not self._read:
            return self._faults[0].sentence if len(self._faults) == 1 else _all_alike(self._faults)
        if any(map(len, self._readings)):
            return ""
        if self._faulty:
            row, reason = self._faulty[0]
            return f"no row could be read; the first is {row[:80]!r}: {reason}"
        if self._unknown:
            names = ", ".join(list(self._unknown)[:5])
            return f"none of its {len(self._unknown)} stations is in stations.csv; it has: {names}"
        return ""


def _few(rejected: Iterable[tuple[str, str]], what: str) -> Iterator[tuple[str, str]]:
    count = 0
    for count, (row, reason) in enumerate(rejected, start=1):
        if count <= FEW:
            yield row, reason
    if count > FEW:
        yield "", f"and {count - FEW:,} more {what}"


def printable(text: str) -> str:
    """Return a text of somebody else's on one line, without what would steer a terminal or turn the line around."""
    return "".join(sign if sign.isprintable() else " " for sign in text)


def _unlisted(name: str, count: int) -> str:
    rows = "1 row" if count == 1 else f"{count:,} rows"
    return f"{rows} of station {name[:60]!r}, which is not in stations.csv: list it, or write it as another's alias"


def _all_alike(faults: list[Fault]) -> str:
    return f"none of {len(faults)} could be read; the first: {faults[0].sentence}"

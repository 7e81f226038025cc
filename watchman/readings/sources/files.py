"""Readings in files: one, or many by a pattern; only what is new is read again."""

from __future__ import annotations

import glob
import os
import re
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import BinaryIO

from watchman.readings.sources.memory import FetchMemory, FileMark, PageMark, digest
from watchman.readings.sources.pieces import Fault, Piece
from watchman.readings.sources.settings import DocumentSource

MEGABYTE = 1_000_000
HEAD = 65_536
"""A file's header is looked for in this many first bytes."""
FINGER = 1024
"""Bytes at each end of what was read that must be unchanged for a file to have only grown."""
OVERLAP_WITH_ZONE = 262_144
"""Bytes read again where the clock is set back, so that the order of rows shows both passes of an hour."""
STILL_WRITTEN_S = 5.0
"""A file younger than this may still be being written: its unfinished last line waits for the next time."""


def pieces(
    source: DocumentSource, folder: Path, aliases: Mapping[str, int], memory: FetchMemory
) -> Iterator[Piece | Fault]:
    """Yield each file's new content. An unlisted station's file is a fault; nothing outside raises."""
    found = _names(source, folder)
    if not found:
        yield Fault(source.place, f"no file matches {source.place}", stops=True)
    for name in found:
        station = _station(source.place, name, aliases) if source.per_station else ""
        if station is None:
            yield Fault(name, f"no station of stations.csv belongs to the file {name}; list its id or alias")
            continue
        try:
            yield _piece(source, folder / name, name, station, memory.files.get(name), not memory.files)
        except OSError as error:
            yield Fault(name, f"{name} can't be read: {error.strerror or error}")


def unfinished(mark: FileMark | PageMark | None) -> bool:
    """Say whether a file may still be being written, so that half a document is no trouble yet."""
    return isinstance(mark, FileMark) and _young(mark.changed_ns)


def _names(source: DocumentSource, folder: Path) -> list[str]:
    """Return the files' names beneath the folder, sorted."""
    if not source.per_station and (folder / source.place).is_file():
        return [source.place]
    pattern = source.place.replace("{station}", "*")
    return [name for name in sorted(glob.glob(pattern, root_dir=folder, recursive=True)) if (folder / name).is_file()]


def _station(place: str, name: str, aliases: Mapping[str, int]) -> str | None:
    """Return the listed station whose name stands in a file's name where {station} does, or None."""
    pattern = re.escape(place).replace(r"\*\*/", "(?:.*/)?").replace(r"\*", "[^/]*").replace(r"\?", "[^/]")
    for any_station in ("([^/]+)", "([^/]+?)"):
        once = pattern.replace(r"\{station\}", any_station, 1).replace(r"\{station\}", r"\1")
        match = re.fullmatch(once, name)
        if match and match[1] in aliases:
            return match[1]
    return None


def _piece(
    source: DocumentSource, path: Path, label: str, station: str, mark: FileMark | None, first: bool
) -> Piece | Fault:
    """Return what is new in a file: nothing, what was appended (behind its header), or all of it."""
    status = path.stat()
    size, changed = status.st_size, status.st_mtime_ns
    if mark and (mark.size, mark.changed_ns) == (size, changed) and (mark.read_to == size or _young(changed)):
        return Piece(label, label, station, None, first, mark)
    if not size:
        return Fault(label, f"{label} is empty")
    with path.open("rb") as file:
        head = file.read(HEAD)
        head_length = source.head_length(head)
        begin = 0 if mark is None or head_length is None else _appended_from(source, file, head_length, mark, status)
        to_read = size - begin
        if to_read > source.max_mb * MEGABYTE:
            limit = f"the limit is max_mb = {source.max_mb:g}"
            return Fault(label, f"{label} has {to_read / MEGABYTE:,.3g} MB to read; {limit}")
        file.seek(begin)
        content = file.read(to_read)
        if mark and (head_length or 0) < begin < mark.read_to:
            content = content[content.find(b"\n") + 1 :]
        read_to = size
        if head_length is not None and _young(changed):
            whole_lines = content.rfind(b"\n") + 1
            read_to -= len(content) - whole_lines
            content = content[:whole_lines]
        new = FileMark(size=size, changed_ns=changed, read_to=read_to, digest=_finger(file, read_to))
    if begin and content:
        content = head[:head_length] + content
    return Piece(label, label, station, content or None, first, new)


def _appended_from(
    source: DocumentSource, file: BinaryIO, head_length: int, mark: FileMark, status: os.stat_result
) -> int:
    """Return where to go on reading a file that has only grown since its mark, or 0: read it afresh."""
    touched = mark.size == status.st_size and mark.changed_ns != status.st_mtime_ns
    if touched or not head_length <= mark.read_to <= status.st_size or _finger(file, mark.read_to) != mark.digest:
        return 0
    return max(head_length, mark.read_to - (OVERLAP_WITH_ZONE if source.time.zone else 0))


def _finger(file: BinaryIO, read_to: int) -> str:
    """Return a fingerprint of the first bytes of a file and of those just before a place in it."""
    file.seek(0)
    first = file.read(min(FINGER, read_to))
    file.seek(max(0, read_to - FINGER))
    return digest(first + file.read(min(FINGER, read_to)))


def _young(changed_ns: int) -> bool:
    """Say whether a file was changed a moment ago, by the clock that stamps files (not by the cycle's `now`)."""
    return abs(time.time() - changed_ns / 1e9) < STILL_WRITTEN_S

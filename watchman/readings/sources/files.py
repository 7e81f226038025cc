"""Readings in files: one, or a folder that a file transfer fills; only what is new is read again.

Files are never altered, moved or deleted. One that has only grown is read from where the last fetch ended; one that was
written anew is read whole. What still has a temporary name, or is still being written, waits.
"""

from __future__ import annotations

import base64
import glob
import hashlib
import os
import re
import stat
import time
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from watchman.readings.sources.memory import FetchMemory, FileMark
from watchman.readings.sources.pieces import Fault, Piece
from watchman.readings.sources.settings import DocumentSource

MEGABYTE = 1_000_000
OVERLAP_WITH_ZONE = 262_144
"""Bytes read again where the clock is set back, so that the order of rows shows both passes of an hour."""
STILL_WRITTEN_S = 30.0
"""A file changed less than this ago may still be being written, be the link ever so slow: an unfinished last line, or
half a document, waits for the next time (judgement, no source)."""
MARKS_KEPT = 500
"""How many unchanged files are remembered so well that what is appended to them can be read alone. Of the others a few
bytes are kept: enough to know them again."""
TOKEN = 8
"""Bytes by which a file is known again; two of a million files share theirs once in 40 million networks."""
LISTING = "files known again"
TEMPORARY = re.compile(r"(?:^|/)[.~][^/]*$|\.(?:part|partial|filepart|tmp|temp|writing|inprogress)$|~$", re.IGNORECASE)
"""Names that file transfers give to what isn't whole yet (common practice, no source)."""
GZIP = b"\x1f\x8b"
"""How a gzip file begins (RFC 1952, 2.3.1)."""


@dataclass(frozen=True, slots=True)
class _File:
    """One file of the listing. state: a fingerprint of all that the file system says of it."""

    name: str
    status: os.stat_result
    state: str

    @property
    def token(self) -> bytes:
        return hashlib.blake2b(
            f"{self.name}\n{self.state}".encode(errors="surrogateescape"), digest_size=TOKEN
        ).digest()


def pieces(
    source: DocumentSource, folder: Path, aliases: Mapping[str, int], memory: FetchMemory
) -> Iterator[Piece | Fault]:
    """Yield each file's new content. An unlisted station's file is a fault; nothing outside raises."""
    listing = _listing(source, folder)
    read_before = bool(memory.files) or LISTING in memory.own
    quiet = _tokens(str(memory.own.get(LISTING, {}).get("tokens", "")))
    if not listing:
        yield _noted(set()) if read_before and _can_be_listed(source, folder) else _nothing_there(source)
        return
    unchanged = [file for file in listing if _nothing_new(file, memory.files.get(file.name))]
    unchanged.sort(key=lambda file: file.status.st_ctime_ns, reverse=True)
    now_quiet = {file.token for file in unchanged[MARKS_KEPT:]}
    for file in unchanged[:MARKS_KEPT]:
        yield Piece(file.name, file.name, "", None, False, memory.files[file.name])
    passed = {file.name for file in unchanged}
    moved = _moved(memory, listing)
    for file in listing:
        if file.name in passed:
            continue
        if quiet and (token := file.token) in quiet:
            now_quiet.add(token)
            continue
        station = _station(source.place, file.name, aliases) if source.per_station else ""
        if station is None:
            words = f"no station of stations.csv belongs to the file {file.name}; list its id or alias"
            yield Fault(file.name, words)
            continue
        mark = memory.files.get(file.name) or moved.get(_same(file.status))
        try:
            yield from _new_of(source, folder, file.name, station, mark, not read_before)
        except FileNotFoundError:
            if not glob.has_magic(_pattern(source)):
                yield _nothing_there(source)
        except OSError as error:
            yield Fault(file.name, f"{file.name} can't be read: {error.strerror or error}")
    if now_quiet != quiet:
        yield _noted(now_quiet)


def unfinished(mark: object) -> bool:
    """Say whether a file may still be being written, so that half a document is no trouble yet."""
    return isinstance(mark, FileMark) and _young(mark.changed_ns)


def unpacked(content: bytes, limit: float) -> tuple[bytes, str]:
    """Return what gzip has packed, as far as it can be had, and what is wrong with it, or "". limit [bytes]."""
    parts, length, rest = [], 0, content
    while rest.startswith(GZIP):
        unpack = zlib.decompressobj(wbits=31)
        try:
            while rest and not unpack.eof:
                parts.append(unpack.decompress(rest, MEGABYTE))
                rest, length = unpack.unconsumed_tail, length + len(parts[-1])
                if length > limit:
                    return b"", f"unpacked, it is larger than max_mb = {limit / MEGABYTE:g}"
            parts.append(unpack.flush())
        except zlib.error:
            return b"".join(parts), "it is damaged: what gzip packed can't be unpacked"
        if not unpack.eof:
            return b"".join(parts), "it breaks off: half of what gzip packed"
        rest = unpack.unused_data
    return b"".join(parts), ""


def _pattern(source: DocumentSource) -> str:
    return source.place.replace("{station}", "*")


def _can_be_listed(source: DocumentSource, folder: Path) -> bool:
    """Say whether there is a folder in which files may come and go."""
    steps = _pattern(source).split("/")
    fixed = next((place for place, step in enumerate(steps) if glob.has_magic(step)), None)
    return fixed is not None and os.access(folder.joinpath("/" if steps[0] == "" else "", *steps[:fixed]), os.R_OK)


def _nothing_there(source: DocumentSource) -> Fault:
    return Fault(source.place, f"no file matches {source.place}", stops=True)


def _listing(source: DocumentSource, folder: Path) -> list[_File]:
    """Return the files beneath the folder, by name; what has a temporary name, or is no file, is left out."""
    pattern = _pattern(source)
    names = [pattern]
    if glob.has_magic(pattern) and (source.per_station or not (folder / pattern).is_file()):
        names = sorted(
            name for name in glob.glob(pattern, root_dir=folder, recursive=True) if not TEMPORARY.search(name)
        )
    root, found = os.fspath(folder), []
    for name in names:
        try:
            status = os.stat(os.path.join(root, name))
        except OSError:
            continue
        if stat.S_ISREG(status.st_mode):
            found.append(_File(name, status, _state(status)))
    return found


def _state(status: os.stat_result) -> str:
    return f"{status.st_size} {status.st_mtime_ns} {status.st_ctime_ns} {status.st_ino}"


def _same(status: os.stat_result) -> tuple[int, int, int]:
    """Return what a file keeps when it is moved or renamed."""
    return status.st_ino, status.st_size, status.st_mtime_ns


def _nothing_new(file: _File, mark: FileMark | None) -> bool:
    return mark is not None and mark.state == file.state and (not mark.waits or _young(file.status.st_mtime_ns))


def _moved(memory: FetchMemory, listing: Sequence[_File]) -> dict[tuple[int, int, int], FileMark]:
    """Return the marks of files that are no longer where they were, by what they keep."""
    here = {file.name for file in listing}
    gone = (mark for name, mark in memory.files.items() if name not in here)
    return {(mark.inode, mark.size, mark.changed_ns): mark for mark in gone}


def _tokens(text: str) -> set[bytes]:
    packed = base64.b64decode(text)
    return {packed[begin : begin + TOKEN] for begin in range(0, len(packed), TOKEN)}


def _noted(tokens: set[bytes]) -> Piece:
    """Return what is to be remembered of the files that are known again by a few bytes."""
    mark = {"tokens": base64.b64encode(b"".join(sorted(tokens))).decode()}
    return Piece(LISTING, LISTING, "", None, False, mark)


def _station(place: str, name: str, aliases: Mapping[str, int]) -> str | None:
    """Return the listed station whose name stands in a file's name where {station} does, or None."""
    pattern = re.escape(place).replace(r"\*\*/", "(?:.*/)?").replace(r"\*", "[^/]*").replace(r"\?", "[^/]")
    for any_station in ("([^/]+)", "([^/]+?)"):
        once = pattern.replace(r"\{station\}", any_station, 1).replace(r"\{station\}", r"\1")
        match = re.fullmatch(once, name)
        if match and match[1] in aliases:
            return match[1]
    return None


def _new_of(
    source: DocumentSource, folder: Path, name: str, station: str, mark: FileMark | None, first: bool
) -> Iterator[Piece | Fault]:
    """Yield what is new in a file: nothing, what was appended (behind its header), or all of it."""
    limit = source.max_mb * MEGABYTE
    with (folder / name).open("rb") as file:
        status = os.fstat(file.fileno())
        size, young = status.st_size, _young(status.st_mtime_ns)
        if not size:
            if not young:
                yield Fault(name, f"{name} is empty")
            return
        running = hashlib.blake2b(digest_size=TOKEN)
        begin = _unchanged_to(file, mark, size, running)
        if mark and not mark.heads and begin < size:
            begin = 0
        if size - begin > limit:
            yield Fault(
                name,
                f"{name} has {(size - begin) / MEGABYTE:,.3g} MB to read; the limit is max_mb = {source.max_mb:g}",
            )
            return
        if not begin:
            running = hashlib.blake2b(digest_size=TOKEN)
        heads = mark.heads if mark and begin else ()
        head = b"".join(_between(file, place, end) for place, end in heads)
        content = _between(file, begin, size)
        again = b""
        if heads and content and source.time.zone:
            again = _between(file, max(heads[-1][1], begin - OVERLAP_WITH_ZONE), begin)
            again = again[again.find(b"\n") + 1 :] if len(again) == OVERLAP_WITH_ZONE else again
    if not begin and content.startswith(GZIP):
        running.update(content)
        content, wrong = unpacked(content, limit)
        if wrong and young:
            return
        if wrong:
            yield Fault(name, f"{name} can't be read to its end: {wrong}")
        read_to, waits = size, False
    else:
        whole = max(source.whole(head + content if head else content) - len(head), 0)
        read_to, waits = begin + whole, young and whole < len(content)
        running.update(memoryview(content)[:whole])
        content = content[:whole] if waits else content
        heads = _placed(source.heads(head + content if head else content), heads, begin)
    new = FileMark(
        size=size,
        changed_ns=status.st_mtime_ns,
        read_to=read_to,
        digest=running.hexdigest(),
        state=_state(status),
        inode=status.st_ino,
        heads=heads,
        waits=waits,
    )
    yield Piece(name, name, station, head + again + content if content else None, first, new)


def _unchanged_to(file: BinaryIO, mark: FileMark | None, size: int, running: hashlib.blake2b) -> int:
    """Return up to where a file is as it was when it was read, all of it or nothing; running takes that in."""
    if mark is None or mark.read_to > size:
        return 0
    left = mark.read_to
    while left and (part := file.read(min(left, MEGABYTE))):
        running.update(part)
        left -= len(part)
    return mark.read_to if running.hexdigest() == mark.digest else 0


def _between(file: BinaryIO, begin: int, end: int) -> bytes:
    file.seek(begin)
    return file.read(max(end - begin, 0))


def _placed(
    found: tuple[tuple[int, int], ...] | None, before: tuple[tuple[int, int], ...], begin: int
) -> tuple[tuple[int, int], ...]:
    """Return where headers stand in the file, that were found in its earlier headers and what follows at `begin`."""

    def in_file(place: int) -> int:
        for start, end in before:
            if place < end - start:
                return start + place
            place -= end - start
        return begin + place

    return tuple((in_file(start), in_file(start) + end - start) for start, end in found or ())


def _young(changed_ns: int) -> bool:
    """Say whether a file was changed a moment ago, by the clock that stamps files (not by the cycle's `now`)."""
    return abs(time.time() - changed_ns / 1e9) < STILL_WRITTEN_S

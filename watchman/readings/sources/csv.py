"""Tables in text: comma or otherwise separated, with or without a header.

Read with the standard library's reader and columns of text, because the reader must say which row is wrong and why;
numbers and times are then read a whole column at a time (`tables.py`).
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from watchman.readings.sources.settings import Column, Table, TableSource, UnreadableError

BLOCK = 4_000_000
"""Bytes that are turned into text at a time, so that a long file doesn't need many times its size in memory."""

BYTE_ORDER_MARKS = {b"\xef\xbb\xbf": "utf-8-sig", b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16"}


def _one_character(value: str) -> str:
    if value == "tab":
        return "\t"
    if len(value) != 1 or value in '"\r\n':
        raise ValueError('allowed is one character or "tab", for instance delimiter = ";"')
    return value


class Source(TableSource):
    """A table in text: CSV and its relatives."""

    kind: Literal["csv"]
    """"csv"."""
    delimiter: Annotated[str, AfterValidator(_one_character)] = ","
    """What stands between columns: one character, or "tab"."""
    decimal: Literal[".", ","] = "."
    """The decimal sign."""
    skip_lines: Annotated[tuple[Annotated[int, Field(ge=1)], ...], Field(strict=False)] = ()
    """Lines to leave out, counted from 1, for instance [1, 3, 4] around a header in line 2."""
    comment: str = "#"
    """Lines that begin with it are left out; "" for none."""

    def tables(self, content: bytes) -> Iterator[Table]:
        """Yield the content as tables, in order. Raise UnreadableError when it isn't what the settings say."""
        content = _utf8(content)
        length, header = self._head(content)
        if header is None:
            raise UnreadableError("it is empty" if not content.strip() else "it has no header line")
        places = {name: [self._place(part, header) for part in parts] for name, parts in self.columns.parts().items()}
        # An hour that occurs twice is told apart by the order of rows, which a block's edge would cut.
        block = len(content) if self.time.zone else BLOCK
        width = 0 if self._headless else len(header)
        for part in _blocks(content[length:], block):
            yield self._table(decode(part), places, width)

    def head_length(self, content: bytes) -> int | None:
        """Return how many first bytes, header included, must stand before a later part; None where that isn't known."""
        if content[:2] in BYTE_ORDER_MARKS:
            return None
        length, header = self._head(content)
        return None if header is None else length

    @property
    def _headless(self) -> bool:
        return all(isinstance(part, int) for parts in self.columns.parts().values() for part in parts)

    def _head(self, content: bytes) -> tuple[int, list[str] | None]:
        """Return the length of everything before the first row, and the header (an empty one where there is none)."""
        last_skipped = max(self.skip_lines, default=0)
        header: list[str] | None = [] if self._headless else None
        begin = number = 0
        while begin < len(content) and (number < last_skipped or header is None):
            end = content.find(b"\n", begin) + 1 or len(content)
            line = decode(content[begin:end]).removeprefix("\ufeff").strip("\r\n")
            number, begin = number + 1, end
            if header is None and number not in self.skip_lines and self._speaks(line):
                header = [name.strip() for name in split_line(line, self.delimiter)]
        return begin, header if content.strip() else None

    def _speaks(self, line: str) -> bool:
        return bool(line.strip()) and not (self.comment and line.startswith(self.comment))

    def _place(self, column: Column, header: Sequence[str]) -> int:
        if isinstance(column, int):
            return column - 1
        if column not in header:
            raise UnreadableError(f"it has no column {column!r}; its header is: {self.delimiter.join(header)[:300]}")
        return header.index(column)

    def _table(self, text: str, places: dict[str, list[int]], width: int) -> Table:
        lines = [line for line in text.replace("\r\n", "\n").replace("\r", "\n").split("\n") if self._speaks(line)]
        rows = _split(lines, self.delimiter)
        needed = 1 + max(place for parts in places.values() for place in parts)
        faulty = []
        if any(not needed <= length <= (width or length) for length in set(map(len, rows))):
            kept = []
            for row in rows:
                reason = _misfit(row, needed, width)
                if reason:
                    faulty.append((self.delimiter.join(row), reason))
                else:
                    kept.append(row)
            rows = kept
        columns: dict[str, list[str]] = {}
        for name, parts in places.items():
            first, *rest = parts
            columns[name] = [row[first] for row in rows]
            for part in rest:
                columns[name] = [f"{left} {row[part]}" for left, row in zip(columns[name], rows, strict=True)]
        if self.decimal == ",":
            for name in set(columns) - {"time", "station", "received", "variable"}:
                columns[name] = [text.replace(",", ".") for text in columns[name]]
        return Table(columns, lambda row: self.delimiter.join(rows[row]), tuple(faulty))


def decode(content: bytes) -> str:
    """Return bytes as text: UTF-8, else the Windows code page that older logger software writes (common practice)."""
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace")


def _utf8(content: bytes) -> bytes:
    """Return the content without its byte order mark, as UTF-8 where the mark says it is UTF-16."""
    for mark, encoding in BYTE_ORDER_MARKS.items():
        if content.startswith(mark):
            return content[len(mark) :] if encoding == "utf-8-sig" else content.decode(encoding, "replace").encode()
    return content


def _blocks(content: bytes, size: int) -> Iterator[bytes]:
    """Yield the content in parts of about the size, each ending with a whole line."""
    begin = 0
    while begin < len(content):
        end = content.find(b"\n", begin + size) + 1 or len(content)
        yield content[begin:end]
        begin = end


def _split(lines: list[str], delimiter: str) -> list[list[str]]:
    """Return each line's fields. A quotation mark that is never closed costs its own line only."""
    try:
        rows = list(csv.reader(lines, delimiter=delimiter))
        if len(rows) == len(lines):
            return rows
    except csv.Error:
        pass
    return [split_line(line, delimiter) for line in lines]


def split_line(line: str, delimiter: str) -> list[str]:
    """Return one line's fields; a line that the reader gives up on is one field."""
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:
        return [line]


def _misfit(row: list[str], needed: int, width: int) -> str:
    """Say why a row doesn't fit the table, or return ""."""
    if len(row) < needed:
        return f"it has {len(row)} columns where {width or needed} were expected; perhaps it breaks off"
    if width and any(field.strip() for field in row[width:]):
        return f"it has {len(row)} columns where {width} were expected; perhaps a decimal comma"
    return ""

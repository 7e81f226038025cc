"""Tables in text: comma or otherwise separated, with or without a header.

Read with the standard library's reader and columns of text, because the reader must say which row is wrong and why;
numbers and times are then read a whole column at a time (`tables.py`).

A file may be several, one after another: a line that holds the header's names again is a header, and what is beneath it
is read by it. A line break within quotation marks belongs to its field (RFC 4180, 2.6); a quotation mark that is never
closed costs its own line only.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from functools import lru_cache
from itertools import pairwise
from typing import Annotated, ClassVar, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from watchman.model import VARIABLES
from watchman.readings.sources import observed, units
from watchman.readings.sources.settings import Column, Columns, Table, TableSource, UnreadableError

BLOCK = 4_000_000
"""Bytes that are turned into rows at a time, so that a long file doesn't need many times its size in memory."""
HEAD = 262_144
"""A header is looked for in this many first bytes, and in the first lines, this many:"""
HEAD_LINES = 200
UNDER_HEADER = 4
"""So many lines beneath the names may belong to the header: units, descriptions."""
LOOKED_AT = 100
"""In so many first names of a header one is looked for that is like a missing one."""
LINES_IN_FIELD = 50
"""A quotation mark that isn't closed within so many lines never is."""

BYTE_ORDER_MARKS = {b"\xef\xbb\xbf": "utf-8", b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}
THOUSANDS = {"space": " \u00a0\u202f", ".": ".", ",": ",", "'": "'\u2019"}
"""Signs between thousands; spaces that don't break a line are meant as well."""
DIGIT = re.compile(r"\d")

UNCLOSED = "a quotation mark in it is never closed; perhaps it breaks off"
NUL_BYTES = "it holds NUL bytes; perhaps it breaks off"


def _one_character(value: str) -> str:
    if value in ("tab", "spaces"):
        return "\t" if value == "tab" else " "
    if len(value) != 1 or value in '"\r\n':
        raise ValueError('allowed is one character, "tab" or "spaces", for instance delimiter = ";"')
    return value


@dataclass(frozen=True, slots=True)
class _Layout:
    """Where things stand beneath one header. names: all of it; places: of each column by `Columns` field, from 0.

    stations: where there is a column a station, whose they are; the keys of their places are `_key`s.
    needed: fields a row must have; width: fields of the header, 0 where there is none; units, remarks: as in Table.
    fault: why no row beneath it can be read, or "".
    """

    names: tuple[str, ...]
    places: Mapping[str, Sequence[int]]
    stations: tuple[str, ...]
    needed: int
    width: int
    units: Mapping[str, str]
    remarks: tuple[str, ...]
    fault: str


@dataclass(frozen=True, slots=True)
class _Head:
    """What stands before the first row. length [bytes]; above: lines above the names; rows: between skipped lines."""

    length: int
    above: int
    rows: bytes
    layout: _Layout


class Source(TableSource):
    """A table in text: CSV and its relatives."""

    station_in_columns: ClassVar[bool] = True

    kind: Literal["csv"]
    """"csv"."""
    delimiter: Annotated[str, AfterValidator(_one_character)] = ","
    """What stands between columns: one character, "tab", or "spaces" (any number of them)."""
    decimal: Literal[".", ","] = "."
    """The decimal sign."""
    thousands: Literal["", ".", ",", "'", "space"] = ""
    """What stands between thousands, if anything does: "." where 1.234,5 is written with decimal = ","."""
    skip_lines: Annotated[tuple[Annotated[int, Field(ge=1)], ...], Field(strict=False)] = ()
    """Lines to leave out, counted from 1. Lines above the header and a line of units beneath it need not be named."""
    comment: str = "#"
    """Lines that begin with it are left out; "" for none."""

    @model_validator(mode="after")
    def _two_signs(self) -> Self:
        if self.thousands == self.decimal:
            raise ValueError('the decimal sign can\'t be the thousands\' sign: decimal = ",", thousands = "."')
        return self

    def tables(self, content: bytes) -> Iterator[Table]:
        """Yield the content as tables, in order. Raise UnreadableError when it isn't what the settings say."""
        content = _utf8(content)
        head = self._head(content)
        layout, at, parts = head.layout, head.length, [_text(head.rows)]
        # An hour that occurs twice is told apart by the order of rows, which a block's edge would cut.
        size = len(content) if self.time.zone else BLOCK
        while True:
            stop = _whole_lines(content, at, size)
            for header in self._headers(content, at, stop, head.layout):
                if header < at:
                    continue
                parts.append(self._without_preamble(_text(content[at:header]), layout, head.above))
                following, at = self._begun_anew(content, header)
                if following != layout:
                    yield from self._tables("".join(parts), layout)
                    layout, parts = following, []
            parts.append(_text(content[at:stop]))
            yield from self._tables("".join(parts), layout)
            at, parts = max(at, stop), []
            if at >= len(content):
                return

    def heads(self, content: bytes) -> tuple[tuple[int, int], ...] | None:
        """Return which bytes must stand before what follows the content, as (from, to); None: it can't be read alone.

        The first header, and the last one where it differs.
        """
        if _encoding(content) != "utf-8":
            return None
        try:
            head = self._head(content)
        except UnreadableError:
            return None
        headers = self._headers(content, head.length, len(content), head.layout)
        if headers:
            layout, end = self._begun_anew(content, headers[-1])
            if layout != head.layout:
                return ((0, head.length), (headers[-1], end))
        return ((0, head.length),)

    def whole(self, content: bytes) -> int:
        """Return how many first bytes are whole rows; what follows may still be being written."""
        encoding = _encoding(content)
        if encoding != "utf-8":
            text = content.decode(encoding, "replace")
            return len(text[: text.rfind("\n") + 1].encode(encoding))
        end = max(content.rfind(b"\n"), content.rfind(b"\r", 0, len(content) - 1)) + 1
        if content.count(b'"', 0, end) % 2:
            begin = end
            for _ in range(LINES_IN_FIELD):
                begin, stop = _line_begin(content, begin - 1), begin
                if content.count(b'"', begin, stop) % 2:
                    alone = _alone(_text(content[begin:stop]).rstrip("\n"), self.delimiter)
                    return end if alone is not None else begin
        return end

    @property
    def _headless(self) -> bool:
        return all(isinstance(part, int) for parts in self.columns.parts().values() for part in parts)

    def _head(self, content: bytes) -> _Head:
        """Return where the rows begin and how they are laid out; the header is the first line with all our names."""
        if not content or content.isspace():
            raise UnreadableError("it is empty")
        lines = content[:HEAD].splitlines(keepends=True)
        skipped = max(self.skip_lines, default=0)
        if self._headless:
            return self._head_to(lines, 0, 0, skipped, self._layout(()))
        ours = self._ours
        likely: tuple[str, ...] = ()
        found, number, above = (0, 0), 0, 0
        while number < min(len(lines), skipped + HEAD_LINES):
            taken, fields = self._record(lines, number)
            if number + 1 not in self.skip_lines and fields:
                names = _names(fields)
                if ours <= {*names}:
                    layout = self._layout(names)
                    if layout.fault:
                        raise UnreadableError(f"it has {layout.fault}")
                    return self._head_to(lines, number + taken, above, skipped, layout)
                if not likely or len(ours & {*names}) > len(ours & {*likely}):
                    likely, found = names, (number + taken, above)
                above += 1
            number += taken
        if not likely:
            raise UnreadableError("it has no header line")
        layout = self._layout(likely)
        if layout.fault:
            raise UnreadableError(f"it has {layout.fault}")
        return self._head_to(lines, found[0], found[1], skipped, layout)

    def _head_to(self, lines: list[bytes], number: int, above: int, skipped: int, layout: _Layout) -> _Head:
        """Return the head with what belongs to it beneath its first lines: units, descriptions, skipped lines."""
        beneath: list[list[str]] = []
        described: list[bytes] = []
        rows: list[bytes] = []
        while number < len(lines):
            fields = self._fields(_text(lines[number]))
            if number + 1 in self.skip_lines or (not fields and number < skipped):
                number += 1
            elif layout.names and not rows and len(beneath) < UNDER_HEADER and self._is_beneath(fields, layout):
                beneath.append(fields)
                described.append(lines[number])
                number += 1
            elif number < skipped:
                rows.append(lines[number])
                number += 1
            else:
                break
        length = sum(map(len, lines[:number]))
        if not _have_units(beneath, layout):
            rows, beneath = described + rows, []
        return _Head(length, above, b"".join(rows), self._with_units(layout, beneath))

    def _record(self, lines: Sequence[bytes], number: int) -> tuple[int, list[str]]:
        """Return how many lines a row takes, and its fields: none for an empty line or a comment."""
        text = _text(lines[number])
        if text.count('"') % 2 and self._speaks(text):
            for taken, line in enumerate(lines[number + 1 : number + LINES_IN_FIELD], start=2):
                if line.count(b'"') % 2:
                    joined = "".join(map(_text, lines[number : number + taken]))
                    fields = _alone(joined.removesuffix("\n"), self.delimiter)
                    if fields is not None:
                        return taken, fields
                    break
        return 1, self._fields(text)

    def _fields(self, line: str) -> list[str]:
        return split_line(line.rstrip("\n"), self.delimiter) if self._speaks(line) else []

    def _speaks(self, line: str) -> bool:
        return bool(line.strip()) and not (self.comment and line.startswith(self.comment))

    @property
    def _ours(self) -> frozenset[str]:
        return _names_in(self.columns)

    @property
    def _dispensable(self) -> frozenset[str]:
        """Return the columns without which the others are still read: rain goes on while a voltage is gone."""
        return frozenset(VARIABLES) - {"rain"} if self.columns.rain is not None else frozenset()

    def _layout(self, names: tuple[str, ...]) -> _Layout:
        """Return how rows beneath these names are laid out."""
        fault = ""
        places: dict[str, list[int]] = {}
        stations: dict[str, None] = {}
        remarks: list[str] = []
        for column, parts in self.columns.parts().items():
            if "{station}" in str(parts[0]):
                theirs = _by_station(str(parts[0]), names)
                places |= {_key(column, station): [place] for station, place in theirs.items()}
                stations |= dict.fromkeys(theirs)
                header = self.delimiter.join(names)[:300]
                fault = fault or ("" if theirs else f"no column like {parts[0]!r}; its header is: {header}")
                continue
            missing = next((said for part in parts if (said := self._missing(part, names))), "")
            if missing and column in self._dispensable:
                remarks.append(f"its {column} is left unread: it has {missing}")
                continue
            fault = fault or missing
            places[column] = [_place(part, names) for part in parts]
        needed = 1 + max(place for parts in places.values() for place in parts)
        return _Layout(names, places, tuple(stations), needed, len(names), {}, tuple(remarks), fault)

    def _missing(self, column: Column, names: tuple[str, ...]) -> str:
        """Say why a column can't be found in a header, or return ""."""
        if isinstance(column, int) or names.count(_name(column)) == 1:
            return ""
        header = self.delimiter.join(names)[:300]
        if _name(column) in names:
            place = names.index(_name(column)) + 1
            return f"several columns {column!r}; write the place of the right one, for instance {place}: {header}"
        if not self._ours & {*names} and 2 * sum(bool(DIGIT.search(name)) for name in names) > len(names):
            return f"no header: its first line looks like a row; write columns by place, such as time = 1: {header}"
        alike = get_close_matches(_name(column).lower(), [name.lower() for name in names[:LOOKED_AT]], 1, 0.8)
        perhaps = next((f"; perhaps it is {name!r} now" for name in names if name.lower() in alike), "")
        return f"no column {column!r}{perhaps}; its header is: {header}"

    def _is_beneath(self, fields: Sequence[str], layout: _Layout) -> bool:
        """Say whether a line beneath the names can't be a row: it shows no time, and no value but perhaps a unit."""

        def shows(column: str) -> list[str]:
            return [fields[place] for place in layout.places.get(column, ()) if place < len(fields)]

        if not any(field.strip() for field in fields) or self._is_header(fields, layout):
            return False
        if any(DIGIT.search(field) for field in shows("time")):
            return False
        values = [(field, column) for column in (*VARIABLES, "value") for field in shows(column)]
        return all(not DIGIT.search(field) or _is_unit(field, column) for field, column in values)

    def _with_units(self, layout: _Layout, beneath: Sequence[Sequence[str]]) -> _Layout:
        """Return the layout with the units of the first line that holds any; what is in no unit we can read is left."""
        for fields in beneath:
            places = {name: layout.places[name][0] for name in VARIABLES if name in layout.places}
            said = {name: fields[place].strip() for name, place in places.items() if place < len(fields)}
            if any(_is_unit(unit, name) for name, unit in said.items()):
                read = {name: observed.unit_of([unit], name, self) for name, unit in said.items()}
                good = {name: unit for name, (unit, _) in read.items() if unit}
                wrong = {name: f"its {name} is left unread: {reason}" for name, (_, reason) in read.items() if reason}
                kept = {name: parts for name, parts in layout.places.items() if name not in wrong}
                return replace(layout, places=kept, units=good, remarks=(*layout.remarks, *wrong.values()))
        return layout

    def _headers(self, content: bytes, begin: int, end: int, layout: _Layout) -> list[int]:
        """Return where lines begin that hold more than half of our names; of the header's, if ours are only a few."""
        wanted = self._telling(layout)
        if not wanted:
            return []
        # Whatever half of them is missing, one of the others is there; long words are seldom anywhere else.
        words = sorted((max(name.split(), key=len, default="") for name in wanted), key=len, reverse=True)
        found = set()
        for tell in [word.encode() for word in words[: (len(words) + 1) // 2] if word]:
            at = content.find(tell, begin, end)
            while at >= 0:
                line_begin, line_end = _line_begin(content, at), _line_end(content, at)
                line = content[line_begin:line_end]
                likely = line_begin >= begin and 2 * sum(word.encode() in line for word in words) > len(words)
                if likely and self._is_header(self._fields(_text(line)), layout):
                    found.add(line_begin)
                at = content.find(tell, line_end, end)
        return sorted(found)

    def _is_header(self, fields: Sequence[str], layout: _Layout) -> bool:
        wanted = self._telling(layout)
        return 2 * len(wanted & {*_names(fields)}) > len(wanted)

    def _telling(self, layout: _Layout) -> frozenset[str]:
        """Return the names by which a header is known: ours, or all of it where ours are only a few."""
        ours = self._ours
        return ours if len(ours) > 2 or not layout.names else ours | {*layout.names} - {""}

    def _begun_anew(self, content: bytes, at: int) -> tuple[_Layout, int]:
        """Return how rows are laid out beneath a header in the middle, and where they begin."""
        lines = []
        for _ in range(1 + UNDER_HEADER):
            begin, at = at, _line_end(content, at)
            lines.append(content[begin:at])
        at -= sum(map(len, lines))
        layout = self._layout(_names(self._fields(_text(lines[0]))))
        if layout.fault:
            return replace(layout, fault=f"the header above it has {layout.fault}"), at + len(lines[0])
        beneath: list[list[str]] = []
        for line in lines[1:]:
            fields = self._fields(_text(line))
            if not self._is_beneath(fields, layout):
                break
            beneath.append(fields)
        if not _have_units(beneath, layout):
            beneath = []
        return self._with_units(layout, beneath), at + sum(map(len, lines[: 1 + len(beneath)]))

    def _without_preamble(self, text: str, layout: _Layout, above: int) -> str:
        """Return rows without the lines above the header that follows, as many as the first one had at most."""
        lines = text.split("\n")
        end = len(lines)
        while above and end:
            line = lines[end - 1]
            if self._speaks(line):
                if not _misfit(self._fields(line), layout):
                    break
                above -= 1
            end -= 1
        return text if end == len(lines) else "".join(f"{line}\n" for line in lines[:end])

    def _tables(self, text: str, layout: _Layout) -> Iterator[Table]:
        """Yield the text as a table, or as one a station where each has columns of its own."""
        whole = self._table(text, layout)
        if not layout.stations or not whole.columns:
            yield whole
            return
        shared = {name: cells for name, cells in whole.columns.items() if name in type(self.columns).model_fields}
        faulty = whole.faulty
        for station in layout.stations:
            own = {
                name: whole.columns[_key(name, station)] for name in VARIABLES if _key(name, station) in layout.places
            }
            columns = {**shared, **own, "station": [station] * len(whole)}
            yield replace(whole, columns=columns, faulty=faulty)
            faulty = ()

    def _table(self, text: str, layout: _Layout) -> Table:
        """Return the text as a table."""
        faulty: list[tuple[str, str]] = []
        lines = self._lines(text, layout, faulty)
        if lines and not text.endswith("\n"):
            self._refuse_half(lines, layout, faulty)
        if layout.fault:
            faulty += [(line, layout.fault) for line in lines]
            return Table({name: [] for name in layout.places}, lines.__getitem__, tuple(faulty))
        rows = self._cut(lines)
        if any(not layout.needed <= length <= (layout.width or length) for length in set(map(len, rows))):
            reasons = [_misfit(row, layout) for row in rows]
            wrong = [(line, reason) for line, reason in zip(lines, reasons, strict=True) if reason]
            faulty += [(line, reason) for line, reason in wrong if not line.isspace()]
            rows = [row for row, reason in zip(rows, reasons, strict=True) if not reason]
            lines = [line for line, reason in zip(lines, reasons, strict=True) if not reason]
        cells = {place: [row[place] for row in rows] for parts in layout.places.values() for place in parts}
        named = {name: _joined([cells[place] for place in parts]) for name, parts in layout.places.items()}
        if self.decimal == "," or self.thousands:
            for name in [key for key in named if key.partition(_key("", ""))[0] in (*VARIABLES, "value")]:
                plain = {cell: self._with_point(cell) for cell in set(named[name])}
                named[name] = [plain[cell] for cell in named[name]]
        return Table(named, lines.__getitem__, tuple(faulty), layout.units, layout.names, remarks=layout.remarks)

    def _lines(self, text: str, layout: _Layout, faulty: list[tuple[str, str]]) -> list[str]:
        """Return the rows as text, each a line unless a line break is quoted; what is no whole row is faulty."""
        lines = text.split("\n")
        if '"' in text and self.delimiter != " ":
            self._join_quoted(lines, layout, faulty)
        if self.comment and self.comment in text:
            lines = [line for line in lines if not line.startswith(self.comment)]
        lines = [line for line in lines if line]
        if "\0" in text:
            # What a cut of power leaves of a write. A row of nothing else is no row: room that was set aside.
            faulty += [(line, NUL_BYTES) for line in lines if "\0" in line and line.strip("\0")]
            lines = [line for line in lines if "\0" not in line]
        return lines

    def _join_quoted(self, lines: list[str], layout: _Layout, faulty: list[tuple[str, str]]) -> None:
        """Put rows together whose line breaks are quoted; the lines that are used up become empty."""
        odd = [place for place, line in enumerate(lines) if line.count('"') % 2]
        used = 0
        for first, last in pairwise([*odd, len(lines)]):
            line = lines[first]
            if first < used or (self.comment and line.startswith(self.comment)):
                continue
            if _alone(line, self.delimiter) is not None:
                continue
            record = "\n".join(lines[first : min(last + 1, first + LINES_IN_FIELD)])
            fields = _alone(record, self.delimiter)
            if fields is None or _misfit(fields, layout):
                faulty.append((line, UNCLOSED))
                lines[first] = ""
            else:
                lines[first : last + 1] = [record, *[""] * (last - first)]
                used = last + 1

    def _refuse_half(self, lines: list[str], layout: _Layout, faulty: list[tuple[str, str]]) -> None:
        """Take away a last row without a line's end whose last field may go on, unless rows are often that short."""
        short = len(self._fields(lines[-1]))
        if layout.needed == short < layout.width and all(
            len(self._fields(line)) != short for line in lines[-2 : -2 - LINES_IN_FIELD : -1]
        ):
            faulty.append((lines.pop(), _few_columns(short, layout)))

    def _cut(self, lines: list[str]) -> list[list[str]]:
        """Return each line's fields; none for one in which a quotation mark is never closed."""
        if self.delimiter == " ":
            return [line.split() for line in lines]
        try:
            rows = list(csv.reader(lines, delimiter=self.delimiter))
            if len(rows) == len(lines):
                return rows
        except csv.Error:
            pass
        return [_alone(line, self.delimiter) or [] for line in lines]

    def _with_point(self, text: str) -> str:
        """Return a number with a decimal point and nothing between thousands; what may be either is no number."""
        signs = THOUSANDS.get(self.thousands, "." if self.decimal == "," else "")
        if any(sign in text for sign in signs):
            if re.fullmatch(rf"\s*[+-]?[1-9]\d{{0,2}}([{signs}]\d{{3}})+({re.escape(self.decimal)}\d*)?\s*", text):
                if not self.thousands and self.decimal not in text:
                    return f"{text}?"
                text = re.sub(f"[{signs}]", "", text.strip())
            elif self.thousands and DIGIT.search(text) and text.strip() not in self.missing:
                return f"{text}?"
        return text.replace(",", ".") if self.decimal == "," else text


def decode(content: bytes) -> str:
    """Return bytes as text: UTF-8, else the Windows code page that older logger software writes (common practice)."""
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        # Line by line, for a file may be several with a code page each.
        return b"\n".join(map(_utf8_line, content.split(b"\n"))).decode()


def _utf8_line(line: bytes) -> bytes:
    try:
        line.decode()
    except UnicodeDecodeError:
        return line.decode("cp1252", errors="replace").encode()
    return line


def split_line(line: str, delimiter: str) -> list[str]:
    """Return one line's fields; a line that the reader gives up on is one field."""
    if delimiter == " ":
        return line.split()
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:
        return [line]


def _alone(record: str, delimiter: str) -> list[str] | None:
    """Return the fields of a row that is read by itself, or None if its quotation marks aren't right."""
    try:
        return next(csv.reader([record], delimiter=delimiter, strict=True), [])
    except csv.Error:
        return None


def _encoding(content: bytes) -> str:
    """Return the encoding that a byte order mark says, or that the NULs of UTF-16 show; else "utf-8"."""
    for mark, encoding in BYTE_ORDER_MARKS.items():
        if content.startswith(mark):
            return encoding
    even, odd = content[0:64:2], content[1:64:2]
    if len(odd) >= 4 and not odd.strip(b"\0") and b"\0" not in even:
        return "utf-16-le"
    if len(odd) >= 4 and not even.strip(b"\0") and b"\0" not in odd:
        return "utf-16-be"
    return "utf-8"


def _utf8(content: bytes) -> bytes:
    """Return the content as UTF-8 where it says or shows that it is UTF-16, without its byte order mark."""
    encoding = _encoding(content)
    if encoding != "utf-8":
        content = content.decode(encoding, "replace").encode()
    return content.removeprefix(b"\xef\xbb\xbf")


def _text(content: bytes) -> str:
    """Return bytes as text whose lines end with a line feed; marks of files that were joined are taken out."""
    text = decode(content)
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    return text.replace("\ufeff", "") if "\ufeff" in text else text


def _line_begin(content: bytes, at: int) -> int:
    return max(content.rfind(b"\n", 0, at), content.rfind(b"\r", 0, at)) + 1


def _line_end(content: bytes, at: int) -> int:
    end = content.find(b"\n", at) + 1 or len(content)
    return content.find(b"\r", at, end - 1) + 1 or end


def _whole_lines(content: bytes, begin: int, size: int) -> int:
    """Return where a part of about the size ends: with a line, and not within quotation marks."""
    end = stop = content.find(b"\n", begin + size) + 1 or len(content)
    odd = content.count(b'"', begin, stop) % 2
    for _ in range(LINES_IN_FIELD):
        if not odd:
            return stop
        following = content.find(b"\n", stop) + 1 or len(content)
        odd, stop = (odd + content.count(b'"', stop, following)) % 2, following
    return end


@lru_cache(maxsize=64)
def _names_in(columns: Columns) -> frozenset[str]:
    """Return the names that are written for columns; a file may have a header above every row."""
    parts = (part for parts in columns.parts().values() for part in parts)
    return frozenset(_name(part) for part in parts if isinstance(part, str) and "{station}" not in part)


def _have_units(beneath: Sequence[Sequence[str]], layout: _Layout) -> bool:
    """Say whether lines beneath the names describe them, for there is a unit in one; else they are rows like others."""
    places = [(name, parts[0]) for name, parts in layout.places.items() if name in VARIABLES]
    return any(place < len(line) and _is_unit(line[place], name) for line in beneath for name, place in places)


def _is_unit(field: str, column: str) -> bool:
    variables = VARIABLES if column == "value" else (column,)
    return not field.strip().isdigit() and any(units.fits(field, variable) for variable in variables)


def _name(text: str) -> str:
    return " ".join(text.split())


def _names(fields: Sequence[str]) -> tuple[str, ...]:
    """Return a header's names; what is empty at its end belongs to a delimiter too many."""
    names = [_name(field) for field in fields]
    while names and not names[-1]:
        names.pop()
    return tuple(names)


def _by_station(pattern: str, names: Sequence[str]) -> dict[str, int]:
    """Return the place of each station's column: what stands in a name where {station} does in the pattern."""
    shape = re.compile(re.escape(_name(pattern)).replace(r"\{station\}", "(.+)"))
    found = ((shape.fullmatch(name), place) for place, name in enumerate(names))
    return {match[1]: place for match, place in found if match}


def _key(column: str, station: str) -> str:
    return f"{column}\n{station}"


def _place(column: Column, names: Sequence[str]) -> int:
    if isinstance(column, int):
        return column - 1
    return names.index(_name(column)) if _name(column) in names else 0


def _joined(parts: Sequence[list[str]]) -> list[str]:
    return parts[0] if len(parts) == 1 else list(map(" ".join, zip(*parts, strict=True)))


def _misfit(row: Sequence[str], layout: _Layout) -> str:
    """Say why a row doesn't fit the table, or return ""."""
    if not row:
        return UNCLOSED
    if len(row) < layout.needed:
        return _few_columns(len(row), layout)
    if layout.width and any(field.strip() for field in row[layout.width :]):
        return f"it has {len(row)} columns where {layout.width} were expected; perhaps a decimal comma"
    return ""


def _few_columns(count: int, layout: _Layout) -> str:
    return f"it has {count} columns where {layout.width or layout.needed} were expected; perhaps it breaks off"

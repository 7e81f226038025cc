"""Records in a JSON document: a list of them, lists side by side, or either for each station by its name."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any, Literal

from watchman.readings.sources.settings import Column, Table, TableSource, UnreadableError

STAR = "*"


class Source(TableSource):
    """Records in a JSON document. Columns are field names, dotted where they lie deeper: "obs.rain.value"."""

    kind: Literal["json"]
    """"json"."""
    records: str = ""
    """Where the records lie, dotted: "data.readings"; empty when the document is their list. They are a list, one
    object, or one object with a list for each column. * stands for every name or place there: "stations.*.readings".
    Then a column "stations.*" is that name itself, and "stations.*.id" a field beside the records."""

    def tables(self, content: bytes) -> Iterator[Table]:
        """Yield the content as one table. Raise UnreadableError when it isn't what the settings say."""
        rows: list[Any] = []
        above: list[_Above] = []
        faulty: list[tuple[str, str]] = []
        for over, found in self._found(parse(content)):
            for record in self._records(found, faulty):
                if isinstance(record, dict | list):
                    rows.append(record)
                    above.append(over)
                else:
                    faulty.append((as_text(record), "it is not a record"))
        columns = {}
        for name, parts in self.columns.parts().items():
            cells = [self._cells(rows, above, part) for part in parts]
            if rows and not any(cell is not None for column in cells for cell in column):
                if name in ("time", "station", "variable", "value"):
                    raise UnreadableError(
                        f"no record has {parts[0]!r} (columns.{name}); the first has: {_names(rows[0])}"
                    )
                faulty.append((as_text(rows[0]), f"no record has {parts[0]!r} (columns.{name})"))
                continue
            columns[name] = [" ".join(map(as_text, cells_of_row)) for cells_of_row in zip(*cells, strict=True)]
        yield Table(columns, lambda row: as_text(rows[row]), tuple(faulty))

    def next_of(self, content: bytes, field: str) -> str:
        """Return what the document says at a dotted name of where the next page is, "" for the last page.

        It may be an address, a list of links each with "rel" and "href", one such link, or a word or number.
        """
        found = find(parse(content), field)
        if isinstance(found, list):
            found = next((link for link in found if isinstance(link, dict) and link.get("rel") == "next"), None)
        if isinstance(found, dict):
            found = found.get("href")
        return "" if isinstance(found, bool | dict | list) else as_text(found)

    def _found(self, document: Any) -> Iterator[tuple[_Above, Any]]:
        """Yield what lies at `records`, each with what lies above it at its stars."""
        if STAR not in self.records.split("."):
            found = find(document, self.records) if self.records else document
            if not isinstance(found, dict | list):
                where = f"there is no list at {self.records!r}" if self.records else "there is no list in it"
                raise UnreadableError(f"{where}; the document has: {_names(document)}")
            if isinstance(found, dict) and not self.records and self._time(found) is None:
                raise UnreadableError(
                    f'it is one object with {_names(found)}; name its list, for instance records = "readings"'
                )
            yield {}, found
            return
        begin = self.records.split(".")[: self.records.split(".").index(STAR)]
        if not isinstance(find(document, ".".join(begin)) if begin else document, dict | list):
            raise UnreadableError(f"there is nothing at {'.'.join(begin)!r}; the document has: {_names(document)}")
        for over, found in _expanded(document, [], self.records.split("."), {}):
            # What lies beside the stations is mostly about the document itself.
            if isinstance(found, list) or (isinstance(found, dict) and self._time(found) is not None):
                yield over, found

    def _time(self, node: Any) -> Any:
        return find(node, self.columns.parts()["time"][0])

    def _records(self, found: Any, faulty: list[tuple[str, str]]) -> list[Any]:
        """Return the records in what was found: their list, one of them, or lists that make them together."""
        if isinstance(found, list):
            return found
        if not isinstance(self._time(found), list):
            return [found]
        named = {part: find(found, part) for parts in self.columns.parts().values() for part in parts}
        lengths = {part: len(cells) for part, cells in named.items() if isinstance(cells, list)}
        if len(set(lengths.values())) > 1:
            told = ", ".join(f"{part} has {length:,}" for part, length in lengths.items())
            faulty.append((as_text(found), f"its lists are not equally long: {told}"))
            return []
        count = next(iter(lengths.values()))
        columns = [cells if part in lengths else [cells] * count for part, cells in named.items()]
        return [dict(zip(named, cells, strict=True)) for cells in zip(*columns, strict=True)]

    def _cells(self, rows: list[Any], above: list[_Above], part: Column) -> list[Any]:
        """Return one column's cells, from the rows themselves or from what lies above them."""
        steps = self.records.split(".")
        stars = [".".join(steps[: place + 1]) for place, step in enumerate(steps) if step == STAR]
        star = next((star for star in reversed(stars) if f"{part}.".startswith(f"{star}.")), None)
        if star is None:
            return [find(row, part) for row in rows]
        rest = str(part)[len(star) + 1 :]
        return [find(over[star][1], rest) if rest else over[star][0] for over in above]


_Above = Mapping[str, tuple[str, Any]]
"""For each * in `records`, by the path that ends with it: the name that it stands for, and what lies there."""


def _expanded(node: Any, gone: list[str], to_go: list[str], above: _Above) -> Iterator[tuple[_Above, Any]]:
    """Yield everything that lies at a path with stars, with what lies above it."""
    if not to_go:
        yield above, node
        return
    step, *rest = to_go
    gone = [*gone, step]
    if step != STAR:
        yield from _expanded(find(node, step), gone, rest, above)
        return
    places = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for name, below in places:
        yield from _expanded(below, gone, rest, {**above, ".".join(gone): (str(name), below)})


def parse(content: bytes) -> Any:
    """Return the document; of one document a line their list. Raise UnreadableError when it is empty, breaks off, or
    isn't JSON.
    """
    if not content.strip():
        raise UnreadableError("it is empty")
    try:
        text = content.decode("utf-8-sig")
        document = _parsed(text)
        if "\\ud" not in text.lower():
            return document
        # Half of a pair of escapes is no character (RFC 8259, 8.2), and could be neither kept nor shown.
        return json.loads(json.dumps(document, ensure_ascii=False).encode(errors="replace"))
    except json.JSONDecodeError as error:
        if error.pos >= len(error.doc.rstrip()) or error.msg.startswith("Unterminated string"):
            raise UnreadableError(f"it breaks off after {len(content):,} bytes: half a JSON document") from None
        raise UnreadableError(f"it is not JSON (line {error.lineno}, column {error.colno}: {error.msg})") from None
    except UnicodeDecodeError:
        raise UnreadableError("it is not JSON: its text is not UTF-8") from None
    except (RecursionError, ValueError):
        raise UnreadableError("it is not JSON that can be read: nested too deep, or a number too long") from None


def _parsed(text: str) -> Any:
    try:
        return json.loads(text)
    except json.JSONDecodeError as error:
        if error.msg != "Extra data" or "\n" not in text[: error.pos]:
            raise
        return [json.loads(line) for line in text.split("\n") if line.strip()]


def find(node: Any, column: Column) -> Any:
    """Return what lies at a name, a dotted name or a place counted from 1, or None."""
    if isinstance(column, int):
        return node[column - 1] if isinstance(node, list) and 0 < column <= len(node) else None
    if isinstance(node, dict) and column in node:
        return node[column]
    for step in column.split("."):
        if isinstance(node, dict):
            node = node.get(step)
        elif isinstance(node, list) and step.isdigit() and int(step) < len(node):
            node = node[int(step)]
        else:
            return None
    return node


def as_text(value: Any) -> str:
    """Return a value of the document as text, "" for null."""
    if value is None:
        return ""
    if isinstance(value, str):
        return value
    if isinstance(value, dict | list):
        return json.dumps(value, ensure_ascii=False)
    return str(value)


def _names(node: Any) -> str:
    if isinstance(node, dict):
        return ", ".join(map(str, node))[:300] or "nothing"
    return f"a list of {len(node)}" if isinstance(node, list) else f"the value {as_text(node)[:60]!r}"

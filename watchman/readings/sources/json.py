"""Records in a JSON document: a list of objects (or of lists), somewhere inside."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any, Literal

from watchman.readings.sources.settings import Column, Table, TableSource, UnreadableError


class Source(TableSource):
    """Records in a JSON document. Columns are field names, dotted where they lie deeper: "obs.rain.value"."""

    kind: Literal["json"]
    """"json"."""
    records: str = ""
    """Where the list of records lies, dotted: "data.readings". Empty when the document is the list."""

    def tables(self, content: bytes) -> Iterator[Table]:
        """Yield the content as one table. Raise UnreadableError when it isn't what the settings say."""
        records = self._records(parse(content))
        rows = [record for record in records if isinstance(record, dict | list)]
        faulty = tuple(
            (as_text(record), "it is not a record") for record in records if not isinstance(record, dict | list)
        )
        columns = {}
        for name, parts in self.columns.parts().items():
            cells = [[find(row, part) for row in rows] for part in parts]
            if rows and not any(cell is not None for column in cells for cell in column):
                if name in ("time", "station", "variable", "value"):
                    raise UnreadableError(
                        f"no record has {parts[0]!r} (columns.{name}); the first has: {_names(rows[0])}"
                    )
                faulty += ((as_text(rows[0]), f"no record has {parts[0]!r} (columns.{name})"),)
                continue
            columns[name] = [" ".join(map(as_text, cells_of_row)) for cells_of_row in zip(*cells, strict=True)]
        yield Table(columns, lambda row: as_text(rows[row]), faulty)

    def _records(self, document: Any) -> list[Any]:
        found = find(document, self.records) if self.records else document
        if isinstance(found, dict):
            if self.records or find(found, self.columns.parts()["time"][0]) is not None:
                return [found]
            raise UnreadableError(
                f'it is one object with {_names(found)}; name its list, for instance records = "readings"'
            )
        if not isinstance(found, list):
            where = f"there is no list at {self.records!r}" if self.records else "there is no list in it"
            raise UnreadableError(f"{where}; the document has: {_names(document)}")
        return found


def parse(content: bytes) -> Any:
    """Return the document. Raise UnreadableError when it is empty, breaks off, or isn't JSON."""
    if not content.strip():
        raise UnreadableError("it is empty")
    try:
        return json.loads(content.decode("utf-8-sig"))
    except json.JSONDecodeError as error:
        if error.pos >= len(error.doc.rstrip()) or error.msg.startswith("Unterminated string"):
            raise UnreadableError(f"it breaks off after {len(content):,} bytes: half a JSON document") from None
        raise UnreadableError(f"it is not JSON (line {error.lineno}, column {error.colno}: {error.msg})") from None
    except UnicodeDecodeError:
        raise UnreadableError("it is not JSON: its text is not UTF-8") from None
    except (RecursionError, ValueError):
        raise UnreadableError("it is not JSON that can be read: nested too deep, or a number too long") from None


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

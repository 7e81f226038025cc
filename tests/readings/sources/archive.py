"""A station service in a few lines: it keeps rows and answers for a stretch of time, a page, or an offset."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import parse_qs, urlsplit

from tests.readings.sources.server import Handler


def stamp(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


class Archive:
    """Keeps rows of (time, station, mm). Of what is asked it heeds from, to, limit, offset, page and station.

    longest: how many rows it sends at most; order: how it sorts them; asked: what it was asked, in order.
    """

    def __init__(self, longest: int = 1_000_000, order: Callable[[Any], Any] | None = None) -> None:
        self.rows: list[tuple[datetime, str, float]] = []
        self.longest, self.order = longest, order or (lambda row: row[0])
        self.asked: list[dict[str, str]] = []

    def keep(self, station: str, begin: datetime, end: datetime, minutes: int = 60) -> None:
        """Have a station measure from after begin to end, each value another."""
        moment = begin + timedelta(minutes=minutes)
        while moment <= end:
            self.rows.append((moment, station, round(len(self.rows) / 100, 2)))
            moment += timedelta(minutes=minutes)

    def found(self, query: dict[str, str]) -> Iterator[tuple[datetime, str, float]]:
        """Yield the rows that a query is for: after or at from, before to."""
        for moment, station, mm in sorted(self.rows, key=self.order):
            early = "from" in query and stamp(moment) < query["from"]
            late = "to" in query and stamp(moment) >= query["to"]
            if not (early or late) and query.get("station", station) == station:
                yield moment, station, mm

    def __call__(self, request: Handler) -> None:
        """Answer as JSON, or as CSV to a path that ends so."""
        query = {name: values[0] for name, values in parse_qs(urlsplit(request.path).query).items()}
        self.asked.append(query)
        found = list(self.found(query))
        size = min(int(query.get("limit", self.longest)), self.longest)
        begin = int(query.get("offset", 0)) + (int(query.get("page", 1)) - 1) * size
        page = found[begin : begin + size]
        if urlsplit(request.path).path.endswith(".csv"):
            lines = [f"{stamp(moment)},{station},{mm}" for moment, station, mm in page]
            request.send("\n".join(["time,station,rain", *lines, ""]).encode())
        else:
            records = [{"time": stamp(moment), "station": station, "rain": mm} for moment, station, mm in page]
            request.send(json.dumps(records).encode())

"""A local data service: the CSV table of all stations over HTTP, holding at every moment only what has arrived.

GET /readings.csv                     everything that has arrived
GET /readings.csv?since=TIME          what has arrived after TIME (RFC 3339; without an offset, by the loggers' clock)
Answers carry an ETag and honour If-None-Match with 304. While the service is off, every answer is 503 and asks to wait.
"""

from __future__ import annotations

from datetime import datetime
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler
from re import sub
from urllib.parse import parse_qs, urlsplit

import numpy as np

from demo.clock import Clock
from demo.local import LocalServer
from demo.table import HEADER, LOGGERS, lines
from demo.world import World


class DataService:
    """Serves a world over HTTP on a free local port while it is open."""

    def __init__(self, world: World, clock: Clock) -> None:
        self.clock = clock
        self.outages = world.story.outages
        self.arrived_at = world.reports.arrived_at
        self.lines = list(lines(world))
        self._server = LocalServer(self._handler())

    @property
    def address(self) -> str:
        """Return where the table is."""
        return f"http://127.0.0.1:{self._server.server_port}/readings.csv"

    def __enter__(self) -> DataService:
        self._server.__enter__()
        return self

    def __exit__(self, *_error: object) -> None:
        self._server.__exit__()

    def answer(self, since: datetime | None, known: str | None) -> tuple[HTTPStatus, str, str]:
        """Return status, ETag and body of one question at the clock's moment."""
        now = self.clock.now
        if any(outage.begins <= now < outage.ends for outage in self.outages):
            return HTTPStatus.SERVICE_UNAVAILABLE, "", "the data service is being repaired\n"
        last = int(np.searchsorted(self.arrived_at, int(now.timestamp()), side="right"))
        first = 0 if since is None else int(np.searchsorted(self.arrived_at, since.timestamp(), side="right"))
        tag = f'"{min(first, last)}-{last}"'
        if tag == known:
            return HTTPStatus.NOT_MODIFIED, tag, ""
        return HTTPStatus.OK, tag, "\n".join([HEADER, *self.lines[first:last], ""])

    def _handler(self) -> type[BaseHTTPRequestHandler]:
        service = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_GET(self) -> None:
                asked = urlsplit(self.path)
                if asked.path != "/readings.csv":
                    self._reply(HTTPStatus.NOT_FOUND, "", "there is only /readings.csv here\n")
                    return
                try:
                    since = _since(parse_qs(asked.query).get("since", [""])[0])
                except ValueError:
                    self._reply(HTTPStatus.BAD_REQUEST, "", "since is not a time\n")
                    return
                self._reply(*service.answer(since, self.headers.get("If-None-Match")))

            def _reply(self, status: HTTPStatus, tag: str, body: str) -> None:
                content = body.encode()
                self.send_response(status)
                if tag:
                    self.send_header("ETag", tag)
                if status == HTTPStatus.SERVICE_UNAVAILABLE:
                    self.send_header("Retry-After", "900")
                if status != HTTPStatus.NOT_MODIFIED:
                    self.send_header("Content-Type", "text/csv; charset=utf-8")
                    self.send_header("Content-Length", str(len(content)))
                self.end_headers()
                self.wfile.write(content)

            def log_message(self, _format: str, *_words: object) -> None:
                """Keep the screen for the account."""

        return Handler


def _since(written: str) -> datetime | None:
    if not written:
        return None
    # A plus that was not escaped arrives as a space.
    moment = datetime.fromisoformat(sub(r"(T\S+) (?=\d\d:?\d\d$)", r"\1+", written))
    return moment if moment.tzinfo else moment.replace(tzinfo=LOGGERS)

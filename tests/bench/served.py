"""A local HTTP source, whose table is set by hand, and a phone that takes every text."""

from __future__ import annotations

from collections import deque
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Thread


class Served:
    """Serves `table` on a free local port while it is open, and the tables of `following` one after another once it has
    any; what is sent to it is counted in `texts`.
    """

    def __init__(self) -> None:
        self.table = b""
        self.following: deque[bytes] = deque()
        self.texts = 0
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), self._handler())

    @property
    def address(self) -> str:
        """Return where the table is."""
        return f"http://127.0.0.1:{self._server.server_port}/readings.csv"

    @property
    def phone(self) -> str:
        """Return the address of the phone, as a contact has it."""
        return f"json://127.0.0.1:{self._server.server_port}/+15551230000"

    def __enter__(self) -> Served:
        Thread(target=self._server.serve_forever, daemon=True).start()
        return self

    def __exit__(self, *_error: object) -> None:
        self._server.shutdown()
        self._server.server_close()

    def _handler(self) -> type[BaseHTTPRequestHandler]:
        served = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                if served.following:
                    served.table = served.following.popleft()
                self._answer(served.table)

            def do_POST(self) -> None:
                self.rfile.read(int(self.headers["Content-Length"]))
                served.texts += 1
                self._answer(b"taken")

            def _answer(self, content: bytes) -> None:
                self.send_response(200)
                self.send_header("Content-Length", str(len(content)))
                self.end_headers()
                self.wfile.write(content)

            def log_message(self, _format: str, *_words: object) -> None:
                """Keep the screen for the table."""

        return Handler

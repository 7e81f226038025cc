"""A real local server whose answers a test writes as a small function."""

from __future__ import annotations

import ssl
import threading
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

Answer = Callable[["Handler"], None]


class Handler(BaseHTTPRequestHandler):
    """Hands each GET to the test's function, and notes what was asked."""

    answer: Answer
    asked: list[BaseHTTPRequestHandler]
    over: threading.Event

    def do_GET(self) -> None:
        self.asked.append(self)
        try:
            type(self).answer(self)
        except (BrokenPipeError, ConnectionResetError, ssl.SSLError):
            self.close_connection = True

    def send(self, content: bytes, status: int = 200, **headers: str) -> None:
        """Answer with the content; Content-Length is right unless it is given."""
        self.send_response(status)
        for name, value in {"Content_Length": str(len(content)), **headers}.items():
            self.send_header(name.replace("_", "-"), value)
        self.end_headers()
        self.wfile.write(content)

    def log_message(self, *_: object) -> None:
        """Say nothing."""


class Servers:
    """Starts servers, and ends them all."""

    def __init__(self) -> None:
        self._servers: list[ThreadingHTTPServer] = []
        self._over = threading.Event()

    def start(self, answer: Answer, tls: ssl.SSLContext | None = None) -> tuple[str, list[Handler]]:
        """Return a new server's address, and the list in which it notes what it was asked. tls: it speaks HTTPS."""
        asked: list[Any] = []
        handler = type("Answering", (Handler,), {"answer": staticmethod(answer), "asked": asked, "over": self._over})
        server = ThreadingHTTPServer(("127.0.0.1", 0), handler)
        server.daemon_threads = True
        if tls is not None:
            server.socket = tls.wrap_socket(server.socket, server_side=True)
        threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True).start()
        self._servers.append(server)
        return f"http{'s' if tls else ''}://127.0.0.1:{server.server_port}", asked

    def end(self) -> None:
        """End every answer that still goes on, and every server."""
        self._over.set()
        for server in self._servers:
            server.shutdown()
            server.server_close()

"""A small HTTP server on a free local port, quiet about visitors who hang up early."""

from __future__ import annotations

import sys
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, Self


class LocalServer(ThreadingHTTPServer):
    """Serves in the background while it is open."""

    daemon_threads = True

    def __init__(self, handler: type[BaseHTTPRequestHandler]) -> None:
        super().__init__(("127.0.0.1", 0), handler)

    def __enter__(self) -> Self:
        threading.Thread(target=self.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True).start()
        return self

    def __exit__(self, *_error: object) -> None:
        self.shutdown()
        self.server_close()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Say nothing of a client that hangs up without reading to the end, as ours does after a refusal."""
        if not isinstance(sys.exception(), ConnectionError):
            super().handle_error(request, client_address)

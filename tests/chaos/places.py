"""Where the killed watch reads and writes to: a data service, a mail server and a text gateway on this machine.

The two that take notices can kill the watch the moment one has come, before they answer.
"""

from __future__ import annotations

import json
import os
import signal
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from email import message_from_bytes, policy
from http.server import BaseHTTPRequestHandler
from threading import Lock

from aiosmtpd.smtp import SMTP, Envelope, Session

from demo.local import LocalServer
from demo.mailbox import _AnyPort


@dataclass(frozen=True, slots=True)
class Came:
    """One message as it came, whether or not its sender ever heard so."""

    at: datetime
    who: str
    channel: str
    words: str
    message_id: str = ""


@dataclass
class Places:
    """The three servers. table: what the data service answers; now: the world's clock. came: all that was received."""

    table: Callable[[], str]
    now: Callable[[], datetime]
    came: list[Came] = field(default_factory=list)
    victim: int = 0
    kill_on: int = 0
    kills: int = 0
    fail: Callable[[], bool] = lambda: False
    _turn: Lock = field(default_factory=Lock)

    def __enter__(self) -> Places:
        self._web = LocalServer(self._handler())
        self._web.__enter__()
        self._mail = _AnyPort(self, hostname="127.0.0.1", port=0, server_hostname="mail.invalid")
        self._mail.start()
        return self

    def __exit__(self, *_error: object) -> None:
        self._mail.stop()
        self._web.__exit__()

    @property
    def ports(self) -> tuple[int, int]:
        """Return the ports of data and texts, and of mail."""
        return int(self._web.server_port), int(self._mail.port)

    def take(self, who: str, channel: str, words: str, message_id: str = "") -> None:
        """Write down what came, and kill the sender if that was to be."""
        with self._turn:
            self.came.append(Came(self.now(), who, channel, words, message_id))
            self.kill_on -= 1
            if self.kill_on == 0 and self.victim:
                self.kills += 1
                os.kill(self.victim, signal.SIGKILL)

    async def handle_DATA(self, _server: SMTP, _session: Session, envelope: Envelope) -> str:
        """Take a mail."""
        content = envelope.content
        message = message_from_bytes(content if isinstance(content, bytes) else b"", policy=policy.default)
        for reader in envelope.rcpt_tos:
            who = reader.partition("@")[0]
            self.take(who, "mail", str(message["Subject"]), str(message["Message-ID"]))
        return "250 taken"

    def _handler(self) -> type[BaseHTTPRequestHandler]:
        places = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                self._reply(200, places.table().encode())

            def do_POST(self) -> None:
                content = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
                if places.fail():
                    self._reply(503, b"")
                    return
                places.take(self.path.rpartition("/")[2], "text", content["message"])
                self._reply(200, b"")

            def _reply(self, status: int, content: bytes) -> None:
                self.send_response(status)
                self.send_header("Content-Length", str(len(content)))
                self.end_headers()
                self.wfile.write(content)

            def log_message(self, _format: str, *_words: object) -> None:
                """Keep the screen for the count."""

        return Handler

"""Where notices arrive: a local mail server that files every mail, and a local address that takes texts."""

from __future__ import annotations

import asyncio
import json
from dataclasses import dataclass, field
from datetime import datetime
from email import message_from_bytes, policy
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler
from pathlib import Path
from random import Random
from re import sub
from threading import Lock

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

from demo.clock import Clock
from demo.local import LocalServer
from demo.story import ZONE, Stretch

FAILING = 0.4
"""The share of texts that fail in trouble [-]."""


@dataclass(frozen=True, slots=True)
class Arrived:
    """One message as a person gets it. channel: "text" or "mail"; words: the text, or the mail's subject; body: the
    mail's plain part.
    """

    at: datetime
    who: str
    channel: str
    words: str
    body: str = field(default="", compare=False)


class MailBox:
    """Takes mail on a free local port while it is open, and files each as .eml, named after moment and reader."""

    def __init__(self, folder: Path, clock: Clock, arrived: list[Arrived]) -> None:
        self.folder, self.clock, self.arrived = folder, clock, arrived
        folder.mkdir(parents=True, exist_ok=True)
        self._server = _AnyPort(self, hostname="127.0.0.1", port=0, server_hostname="mailbox.invalid")

    @property
    def port(self) -> int:
        """Return the port it listens on."""
        return int(self._server.port)

    def __enter__(self) -> MailBox:
        self._server.start()
        return self

    def __exit__(self, *_error: object) -> None:
        self._server.stop()

    async def handle_DATA(self, _server: SMTP, _session: Session, envelope: Envelope) -> str:  # noqa: N802 (its library's word)
        """File one mail once for each reader."""
        content = envelope.content
        content = content.encode() if isinstance(content, str) else content or b""
        message = message_from_bytes(content, policy=policy.default)
        subject, plain = str(message["Subject"] or "").strip(), message.get_body(("plain",))
        body = plain.get_content() if plain is not None else ""
        for reader in envelope.rcpt_tos:
            who = reader.partition("@")[0]
            self.arrived.append(Arrived(self.clock.now, who, "mail", subject, body))
            self._path(who, subject).write_bytes(content)
        return "250 filed"

    def _path(self, who: str, subject: str) -> Path:
        words = sub(r"[^A-Za-z0-9]+", "-", subject)[:60].strip("-").lower()
        stem = f"{self.clock.now.astimezone(ZONE):%Y-%m-%dT%H%M}-{who}-{words}"
        taken = sum(1 for path in self.folder.glob("*.eml") if path.name.startswith(stem))
        return self.folder / (f"{stem}-{taken + 1}.eml" if taken else f"{stem}.eml")


class _AnyPort(Controller):
    """A mail server on whatever port is free; the library's own trial connection asks for port 0 and fails."""

    def _trigger_server(self) -> None:
        assert isinstance(self.server, asyncio.Server)
        self.port = self.server.sockets[0].getsockname()[1]
        super()._trigger_server()  # type: ignore[no-untyped-call]


class TextBox:
    """Takes texts by HTTP on a free local port while it is open: POST /texts/WHO with JSON {"message": ...}.

    trouble: when 4 texts of 10 are not taken (503); failed: how many were not.
    """

    def __init__(self, file: Path, clock: Clock, arrived: list[Arrived], trouble: tuple[Stretch, ...] = ()) -> None:
        self.file, self.clock, self.arrived, self.trouble = file, clock, arrived, trouble
        self.failed, self._chance, self._turn = 0, Random(4), Lock()
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text("", encoding="utf-8")
        self._server = LocalServer(self._handler())

    @property
    def port(self) -> int:
        """Return the port it listens on."""
        return int(self._server.server_port)

    def __enter__(self) -> TextBox:
        self._server.__enter__()
        return self

    def __exit__(self, *_error: object) -> None:
        self._server.__exit__()

    def take(self, who: str, words: str) -> None:
        """Write one text down, with who got it and when."""
        self.arrived.append(Arrived(self.clock.now, who, "text", words))
        with self.file.open("a", encoding="utf-8") as file:
            file.write(f"{self.clock.written()}  {who}\n    {words}\n")

    def fails(self) -> bool:
        """Say whether the next text is not taken."""
        with self._turn:
            stormy = any(stretch.begins <= self.clock.now < stretch.ends for stretch in self.trouble)
            fails = stormy and self._chance.random() < FAILING
            self.failed += fails
            return fails

    def _handler(self) -> type[BaseHTTPRequestHandler]:
        box = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                content = self.rfile.read(int(self.headers.get("Content-Length", "0")))
                place, _, who = self.path.strip("/").rpartition("/")
                try:
                    words = str(json.loads(content)["message"])
                except (ValueError, KeyError, TypeError):
                    self._reply(HTTPStatus.BAD_REQUEST)
                    return
                if place != "texts":
                    self._reply(HTTPStatus.NOT_FOUND)
                    return
                if box.fails():
                    self._reply(HTTPStatus.SERVICE_UNAVAILABLE)
                    return
                box.take(who, words)
                self._reply(HTTPStatus.OK)

            def _reply(self, status: HTTPStatus) -> None:
                self.send_response(status)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, _format: str, *_words: object) -> None:
                """Keep the screen for the account."""

        return Handler

"""A network whose source, mail server and text service are real and on this machine; a test says what they answer."""

from __future__ import annotations

import re
import sqlite3
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler
from pathlib import Path
from typing import Any, Self

import sqlalchemy

from demo.clock import Clock
from demo.local import LocalServer
from demo.mailbox import Arrived, MailBox, TextBox
from tests.helpers import write_network
from watchman.daemon import Daemon
from watchman.network import load
from watchman.store import Store

SECRETS = {"feed": "token-of-the-feed-7351", "life": "token-of-life-9462"}
RULES = {
    name: (Path(__file__).parent.parent / "rules" / f"{name}.toml").read_text(encoding="utf-8")
    for name in ("overdue", "source-outage", "heavy-rain")
}
STATIONS = """\
id,latitude,longitude,name,source,sends_every_minutes
hollin,47.20,13.10,Hollin Dam,main,15
fennick,47.23,13.10,Fennick Bridge,main,15
larkmoor,47.26,13.10,Larkmoor,other,15
"""
NETWORK = """\
[network]
name = "Veldran Hills"
zone = "UTC"

[by_day]
begins = "00:00"
ends = "23:59"

[mail]
host = "127.0.0.1"
port = {mail}
security = "none"
sender = "watch@veldran.example"

[[sources]]
name = "main"
kind = "{kind}"
{main}
covers_minutes = 15
every_s = 1
max_mb = 0.1
columns = {{ time = "time", station = "station", rain = "rain_mm", battery = "battery_v" }}

[[sources]]
name = "other"
kind = "csv"
address = "http://127.0.0.1:{web}/other.csv"
covers_minutes = 15
every_s = 1
token = "secret:feed"
columns = {{ time = "time", station = "station", rain = "rain_mm", battery = "battery_v" }}

[[contacts]]
name = "tech-1"
roles = ["technician", "crew", "supervisor"]
mail = "tech-1@veldran.example"
text = "json://127.0.0.1:{text}/texts/tech-1"

[[contacts]]
name = "warden"
roles = ["warden", "road crew"]
mail = "warden@veldran.example"
text = "json://127.0.0.1:{text}/texts/warden"
"""

Answer = bytes | Callable[[BaseHTTPRequestHandler], None]
"""What the source says: a body, or whatever a test does with the request."""


class Town:
    """The services and the folder; use as a context. answers: by path; asked: how often each path was asked for."""

    def __init__(self, folder: Path, *, kind: str = "csv", main: str = "", more: str = "") -> None:
        self.folder, self.kind, self.main, self.more = folder, kind, main, more
        self.answers: dict[str, Answer] = {}
        self.asked: list[str] = []
        self.arrived: list[Arrived] = []
        self._open = ExitStack()

    def __enter__(self) -> Self:
        clock = Clock(datetime.now(UTC))
        self.web = LocalServer(self._handler())
        self.mails = MailBox(self.folder / "mails", clock, self.arrived)
        self.phones = TextBox(self.folder / "texts.txt", clock, self.arrived)
        for service in (self.web, self.mails, self.phones):
            self._open.enter_context(service)
        self.write()
        self.dry()
        return self

    def __exit__(self, *_: object) -> None:
        self._open.close()

    def write(self, rules: Mapping[str, str] | None = None, mail_port: int | None = None) -> None:
        """Write the folder, or write it again otherwise."""
        web = self.web.server_port
        network = NETWORK.format(
            mail=mail_port or self.mails.port,
            kind=self.kind,
            main=self.main or f'address = "http://127.0.0.1:{web}/main.csv"',
            web=web,
            text=self.phones.port,
        )
        write_network(self.folder, network + self.more.format(web=web), STATIONS, RULES if rules is None else rules)

    def dry(self) -> None:
        """Have both sources bring a dry quarter of an hour."""
        self.answers["/main.csv"] = table({"hollin": 0.0, "fennick": 0.0})
        self.answers["/other.csv"] = table({"larkmoor": 0.0})

    def wet(self, path: str = "/other.csv", station: str = "larkmoor", mm: float = 8.4) -> None:
        """Have a source bring heavy rain of the last quarter of an hour."""
        self.answers[path] = table({station: mm})

    def told(self, who: str, channel: str = "text") -> list[str]:
        """Return what has reached a person by a channel."""
        return [one.words for one in list(self.arrived) if (one.who, one.channel) == (who, channel)]

    def _handler(self) -> type[BaseHTTPRequestHandler]:
        town = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                path = self.path.partition("?")[0]
                town.asked.append(path)
                answer = town.answers.get(path, b"")
                if callable(answer):
                    answer(self)
                    return
                self.send_response(200)
                self.send_header("Content-Length", str(len(answer)))
                self.end_headers()
                self.wfile.write(answer)

            def log_message(self, _format: str, *_words: object) -> None:
                """Keep the screen for the tests."""

        return Handler


class Watched:
    """A daemon on a town, its jobs called by hand on a clock of our own."""

    def __init__(self, town: Town, now: datetime | None = None) -> None:
        self.now = now or datetime.now(UTC)
        self.town = town
        self.network = load(town.folder, SECRETS.get)
        self.store = Store.open("sqlite:///watch.db", town.folder)
        self.daemon = Daemon(self.network, self.store, clock=lambda: self.now)

    def restart(self) -> None:
        """Forget everything in memory and begin from the store, as after a time off."""
        self.daemon = Daemon(self.network, self.store, clock=lambda: self.now)

    def rain(self, larkmoor: float = 0.0, minutes_ago: float = 1.0) -> None:
        """Have the sources bring one moment's readings: dry but for one station [mm]."""
        at = self.now - timedelta(minutes=minutes_ago)
        self.town.answers["/main.csv"] = table({"hollin": 0.0, "fennick": 0.0}, at)
        self.town.answers["/other.csv"] = table({"larkmoor": larkmoor}, at)

    def turn(self, minutes: float = 0) -> str:
        """Go on by some minutes and do every job once; return the cycle's trouble."""
        self.now += timedelta(minutes=minutes)
        for position in range(len(self.network.sources)):
            self.daemon.fetch(position)
        told = self.daemon.cycle()
        self.daemon.send()
        assert told is not None
        return told.trouble


def table(rain_mm: Mapping[str, Any], at: datetime | None = None) -> bytes:
    """Return rows of one moment, the last minute unless told otherwise, as a source sends them."""
    stamp = (at or datetime.now(UTC) - timedelta(minutes=1)).strftime("%Y-%m-%dT%H:%M:%SZ")
    rows = "".join(f"{station},{stamp},{mm},3.95\n" for station, mm in rain_mm.items())
    return f"station,time,rain_mm,battery_v\n{rows}".encode()


@contextmanager
def read_only(store: Store) -> Iterator[None]:
    """Have the database refuse every change, as on a card that has turned read-only."""

    refuses = True

    def set_up(connection: sqlite3.Connection, _record: object, _proxy: object) -> None:
        connection.execute(f"PRAGMA query_only = {refuses}")

    sqlalchemy.event.listen(store._engine, "checkout", set_up)
    yield
    refuses = False


def until(true: Callable[[], object], what: str, seconds: float = 20.0) -> None:
    """Wait for something to become true; fail, saying what was waited for, when it doesn't in time."""
    ends = time.monotonic() + seconds
    while not true():
        if time.monotonic() > ends:
            raise AssertionError(f"waited {seconds:g} s for {what}")
        time.sleep(0.02)


def storms(texts: list[str]) -> list[str]:
    """Return the texts that tell heavy rain."""
    return [text for text in texts if re.search(r"heavy rain|extreme rain", text, re.IGNORECASE)]

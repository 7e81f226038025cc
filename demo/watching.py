"""Watchman itself, as the demo runs it: the daemon's own fetch, cycle and send, on the demo's clock, with its board."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Self

from demo.clock import Clock
from demo.people import SECRETS
from watchman import overview, replay
from watchman.board import page
from watchman.daemon import Daemon
from watchman.lock import hold
from watchman.model import NoticeState
from watchman.network import load
from watchman.store import Store

CALENDARS_EVERY = timedelta(hours=12)
"""How often the calendars are looked into: not as often as in earnest, for each look is a process of its own."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What one person was told of a matter: by an alarm's number, else by the occasion."""

    at: datetime
    who: str
    matter: str


class Watching:
    """A daemon on a network's folder, without its scheduler: the demo calls its jobs in turn.

    told: what was told to anybody so far, as lines of the replay format.
    """

    def __init__(self, folder: Path, clock: Clock) -> None:
        self.clock = clock
        self.told: list[dict[str, Any]] = []
        self.network = load(folder, SECRETS.get)
        self.store = Store.open(self.network.store.address.get_secret_value(), folder)
        self.daemon = Daemon(self.network, self.store, clock=lambda: clock.now)
        self.looked_at: datetime | None = None
        self._open = ExitStack()

    def __enter__(self) -> Self:
        """Keep the store to itself and serve the board, as a daemon does."""
        settings = self.network.board
        assert settings is not None
        self._open.enter_context(hold(self.store))
        app = page.create_app(self.store, self.network, settings.key.get_secret_value(), lambda: self.clock.now)
        board = page.serve(app, settings.listen)
        self._open.callback(board.close)
        return self

    def __exit__(self, *_error: object) -> None:
        self._open.close()

    def cycle(self) -> None:
        """Fetch, judge, commit and send, as the daemon does."""
        for position in range(len(self.network.sources)):
            self.daemon.fetch(position)
        if self.looked_at is None or self.clock.now - self.looked_at >= CALENDARS_EVERY:
            self.looked_at = self.clock.now
            for position in range(len(self.network.calendars)):
                self.daemon.look(position)
        told = self.daemon.cycle()
        self.daemon.send()
        if told is not None:
            lines = [replay.line_of(self.network, event) for event in told.events]
            self.told += [line for line in lines if line["to"]]
            self.told += replay.digest_lines(self.network, told.notices, self.clock.now)

    def drill(self) -> None:
        """Send everybody an exercise, as the command does."""
        overview.drill(self.network, self.store, (), self.clock.now)

    def answers(self) -> int:
        """Return how much people's answers have changed so far."""
        return len(self.store.answers_after(0)) + len(self.store.spans())

    def lost(self) -> int:
        """Return how many notices never arrived."""
        return sum(notice.state in _GIVEN_UP for notice in self.store.notices())

    def heard(self) -> list[Heard]:
        """Return what was delivered to people."""
        return [
            Heard(notice.accepted_at or notice.made_at, notice.person, _matter(notice.alarm, notice.occasion))
            for notice in self.store.notices()
            if notice.state is NoticeState.ACCEPTED
        ]


_GIVEN_UP = (NoticeState.REFUSED, NoticeState.UNKNOWN)


def _matter(alarm: int, occasion: str) -> str:
    kind, number, *_ = [*occasion.split(":"), ""]
    if alarm:
        return f"alarm {alarm}"
    return f"visit {number}" if kind in ("on-site", "asked", "window") else occasion

"""Watchman itself, as the demo runs it: the daemon's own fetch, cycle and send, on the demo's clock."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from demo.clock import Clock
from demo.story import Acknowledgement, Booking
from watchman import replay
from watchman.daemon import Daemon
from watchman.model import VISIT, Alarm
from watchman.network import load
from watchman.store import Store


class Watching:
    """A daemon on a network's folder, without its scheduler: the demo calls its jobs in turn.

    told: what was told to anybody so far, as lines of the replay format.
    """

    def __init__(self, folder: Path, clock: Clock) -> None:
        self.clock = clock
        self.told: list[dict[str, Any]] = []
        self.network = load(folder, lambda _name: None)
        self.store = Store.open(self.network.store.address.get_secret_value(), folder)
        self.daemon = Daemon(self.network, self.store, clock=lambda: clock.now)

    def cycle(self) -> None:
        """Fetch, judge, commit and send, as the daemon does."""
        for position in range(len(self.network.sources)):
            self.daemon.fetch(position)
        told = self.daemon.cycle()
        self.daemon.send()
        if told is not None:
            lines = [replay.line_of(self.network, event) for event in told.events]
            self.told += [line for line in lines if line["to"]]
            self.told += replay.digest_lines(self.network, told.notices, self.clock.now)

    def book(self, booking: Booking) -> None:
        """Book a maintenance window."""
        self.store.add_span(booking.station, booking.begins, booking.ends, VISIT, booking.who, self.clock.now)

    def acknowledge(self, answer: Acknowledgement) -> None:
        """Answer the newest standing alarm of a check, if there is one."""
        standing = [alarm for alarm in self.store.open_alarms() if _is_meant(alarm, answer)]
        if standing:
            self.store.add_answer(self.clock.now, "acknowledge", answer.who, standing[-1].number)


def _is_meant(alarm: Alarm, answer: Acknowledgement) -> bool:
    return alarm.standing and alarm.check == answer.check and (not answer.station or answer.station in alarm.stations)

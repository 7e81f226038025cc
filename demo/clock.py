"""The demo's clock: moved by hand, read by everything that would otherwise ask the machine's."""

from __future__ import annotations

from datetime import datetime

from demo.story import ZONE


class Clock:
    """The moment it is in the invented world."""

    def __init__(self, now: datetime) -> None:
        self.now = now

    def written(self) -> str:
        """Return the wall clock in the hills, with its offset ("2025-10-20 07:30 UTC+2")."""
        return written(self.now)


def written(moment: datetime) -> str:
    """Return a moment as the wall clock in the hills shows it, with its offset."""
    there = moment.astimezone(ZONE)
    hours = int((there.utcoffset() or moment - moment).total_seconds() // 3600)
    return f"{there:%Y-%m-%d %H:%M} UTC{hours:+d}"

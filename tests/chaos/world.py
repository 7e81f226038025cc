"""Five gauges, a storm at one of them every three hours, one station silent every thirty: who must be told what."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

STEP = timedelta(minutes=5)
STATIONS = ("ash", "birch", "cedar", "dogwood", "elm")
SILENT = "elm"
STORM_EVERY, SILENT_EVERY, SILENT_FOR = timedelta(hours=3), timedelta(hours=30), timedelta(hours=4)
HISTORY = timedelta(days=3)
ARRIVES_AFTER = timedelta(minutes=1)


@dataclass(frozen=True, slots=True)
class World:
    """What happens after a moment; before it there was drizzle for some days. begins: a full hour, UTC."""

    begins: datetime

    def storms(self, until: datetime) -> list[tuple[datetime, str]]:
        """Return the end of each storm's first heavy step, and where it is, the silent station aside."""
        at, storms = self.begins + timedelta(hours=1), []
        while at < until:
            storms.append((at, STATIONS[len(storms) % (len(STATIONS) - 1)]))
            at += STORM_EVERY
        return storms

    def silences(self, until: datetime) -> list[datetime]:
        """Return when the silent station fell silent, each time."""
        at, silences = self.begins + timedelta(hours=2), []
        while at < until:
            silences.append(at)
            at += SILENT_EVERY
        return silences

    def table(self, now: datetime) -> str:
        """Return the readings of the last days that have arrived by now, as CSV."""
        storms = dict(self.storms(now))
        silences = self.silences(now)
        lines = ["time,station,rain_mm,battery_v"]
        at = max(self.begins - HISTORY, now - HISTORY).replace(second=0, microsecond=0)
        at -= timedelta(minutes=at.minute % 5)
        while at <= now - ARRIVES_AFTER:
            silent = any(begin < at <= begin + SILENT_FOR for begin in silences)
            lines += [
                f"{at:%Y-%m-%dT%H:%M:%SZ},{station},{self._rain(at, station, storms):g},4.05"
                for station in STATIONS
                if not (silent and station == SILENT)
            ]
            at += STEP
        return "\n".join([*lines, ""])

    def _rain(self, at: datetime, station: str, storms: dict[datetime, str]) -> float:
        for begin, where in storms.items():
            step = (at - begin) // STEP
            if 0 <= step < 3:
                return 7.2 - 0.2 * step if station == where else 1.2
        return 0.2 if at < self.begins and at.hour % 6 == 0 and at.minute < 10 else 0.0

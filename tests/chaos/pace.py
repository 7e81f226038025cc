"""The clock of the killed watch and of its world: so many times as fast as the machine's, the same in every process."""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta


@dataclass(frozen=True, slots=True)
class Pace:
    """Real seconds since a moment count so many times. began_s: that moment [s since 1970 UTC]; begins: what it then
    was in the world.
    """

    began_s: float
    begins: datetime
    times: float

    def now(self) -> datetime:
        """Return the world's moment."""
        return self.begins + timedelta(seconds=(time.time() - self.began_s) * self.times)

    @staticmethod
    def of(began_s: float, begins: str, times: float) -> Pace:
        """Return a pace from what another process was told of it."""
        return Pace(began_s, datetime.fromisoformat(begins).astimezone(UTC), times)

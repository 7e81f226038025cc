"""A replay: two months of a small network, judged again poll by poll."""

from __future__ import annotations

import tempfile
from datetime import timedelta
from pathlib import Path

import numpy as np

from tests.bench import weather
from tests.bench.measure import Line, peak_mb, timed
from tests.helpers import moment, table_of
from watchman.judging.view import aware
from watchman.replay import replay

BEGIN = moment("2025-06-01T00:00Z")
DAY = 86400
DAYS_BEFORE = 7
"""Days before the replay's first, so that it begins with habits already learned."""


def whole(stations: int, days: int) -> list[Line]:
    """Measure a replay of 5-minute readings, polled every quarter of an hour."""
    end = BEGIN + days * DAY
    place = weather.sites(stations, BEGIN, end)
    times = np.arange(BEGIN - DAYS_BEFORE * DAY + 300, end + 1, 300)
    readings = table_of(times, weather.tables(place, times))
    lines: list[dict[str, object]] = []
    with tempfile.TemporaryDirectory() as folder:
        network = weather.network(Path(folder), place, "http://127.0.0.1/")
        poll = timedelta(minutes=15)
        took = timed(lambda: lines.extend(replay(network, readings, aware(BEGIN), aware(end), every=poll)))
    cycles = (days + 2) * 96
    return [
        Line(
            f"replay of {days} days x {stations} stations", str(took), f"{1000 * took.wall_s / cycles:.1f} ms a cycle"
        ),
        Line("    lines told, of readings", f"{len(lines)}", f"{len(readings) / 1e6:.1f} M"),
        Line("    peak memory of the process", f"{peak_mb():.0f} MB"),
    ]

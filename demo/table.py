"""The world's reports as lines of a CSV table, the way the invented data service writes them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone

from demo.world import World

LOGGERS = timezone(timedelta(hours=1))
"""The loggers keep the hills' standard time all year."""
HEADER = "time,station,rain_tips,battery_v,temperature_c,signal_dbm,received"


def lines(world: World) -> Iterator[str]:
    """Yield one line per report, in order of arrival.

    time: the end of the interval, by the loggers' clock; received: when the service had it, RFC 3339 UTC.
    """
    reports = world.reports
    names = [site.id for site in world.stations]
    columns = (
        reports.station.tolist(), reports.observed_at.tolist(), reports.tips.tolist(),
        reports.battery_v.tolist(), reports.temperature_c.tolist(), reports.signal_dbm.tolist(),
        reports.arrived_at.tolist(),
    )  # fmt: skip
    for station, observed, tips, volts, degrees, dbm, arrived in zip(*columns, strict=True):
        stamp = datetime.fromtimestamp(observed, LOGGERS)
        received = datetime.fromtimestamp(arrived, UTC)
        yield (
            f"{stamp:%Y-%m-%dT%H:%M:%S},{names[station]},{tips},{volts:.2f},{degrees:.1f},{dbm:.0f},"
            f"{received:%Y-%m-%dT%H:%M:%SZ}"
        )

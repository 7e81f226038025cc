"""The world's reports as lines of a CSV table, the way the invented data service writes them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone

from demo.world import World

LOGGERS = timezone(timedelta(hours=1))
"""The loggers keep the hills' standard time all year."""
HEADER = "time,station,rain_tips,battery_v,temperature_c,signal_dbm"


def lines(world: World) -> Iterator[str]:
    """Yield one line per report, in order of arrival; the time is the end of the interval, by the loggers' clock."""
    reports = world.reports
    names = [site.id for site in world.stations]
    columns = (
        reports.station.tolist(), reports.observed_at.tolist(), reports.tips.tolist(),
        reports.battery_v.tolist(), reports.temperature_c.tolist(), reports.signal_dbm.tolist(),
    )  # fmt: skip
    for station, observed, tips, volts, degrees, dbm in zip(*columns, strict=True):
        stamp = datetime.fromtimestamp(observed, LOGGERS)
        yield f"{stamp:%Y-%m-%dT%H:%M:%S},{names[station]},{tips},{volts:.2f},{degrees:.1f},{dbm:.0f}"


def arrivals(world: World) -> Iterator[str]:
    """Yield when each report arrived, in the order of `lines`, as RFC 3339 UTC."""
    for arrived in world.reports.arrived_at.tolist():
        yield f"{datetime.fromtimestamp(arrived, UTC):%Y-%m-%dT%H:%M:%SZ}"

"""Doubtful rain against published rules and a real network: de Vos et al. 2019, and 28 gauges in Flanders.

The high-influx filter: settings of the authors' scripts to de Vos et al. 2019 (GRL 46:8820, doi 10.1029/2019GL083731):
with M the median of at least five gauges within 10 km, a 5-minute value x is flagged when x > 10 mm while M < 0.4 mm,
and when x > M * 10/0.4 otherwise; under five neighbours it can't be judged.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.helpers import deliver, record_of, seen
from tests.outside.test_flanders import BEGIN, network, tables
from watchman.judging import holding
from watchman.judging.checks import doubtful_rain, slow_drain
from watchman.judging.checks.doubtful_rain import Settings, high_influx

HOUR, DAY = 3600, 86400
WEEKLY = Settings(kinds=("doubled", "off the grid", "wrong tip size", "stray tips", "sprinkler"))


@pytest.mark.parametrize(
    ("median_mm", "mm", "flagged"),
    [(0.39, 10.1, True), (0.39, 10.0, False), (0.4, 10.1, True), (1.0, 25.0, False), (1.0, 25.1, True)],
)
def test_high_influx_agrees_with_the_published_filter(median_mm: float, mm: float, flagged: bool) -> None:
    """Its vectors; ours asks besides that the readings before and after are small."""
    assert high_influx(mm, median_mm, 5) is flagged


def test_without_neighbours_nothing_is_flagged() -> None:
    """The published filter answers -1 under five neighbours; ours asks for three, and is silent without."""
    assert high_influx(60.0, float("nan"), 5) is False


def test_only_the_gauge_that_was_released_at_once_is_doubtful_in_flanders() -> None:
    """vlinder28 had 17.8 mm within five minutes of dry weather after four wet days with a tip or none; nobody else's
    rain of fifteen days is called doubtful, by the rule of the day or of the week, nor any funnel half blocked.
    """
    stations = network()
    times, values = tables(stations)
    record = record_of(stations, BEGIN, 300, running=True)
    accused: dict[str, set[str]] = {"day": set(), "week": set(), "held": set(), "drain": set()}
    fetched = 0
    # At odd hours, since a counter that has just gone back to zero at midnight would have to be read again.
    for now in range(BEGIN + 13 * HOUR, BEGIN + 15 * DAY, 2 * HOUR):
        arrived = slice(fetched, fetched := int(np.searchsorted(times, now, side="right")))
        deliver(record, now, times[arrived], {kind: table[arrived] for kind, table in values.items()})
        view = seen(stations, now, record)
        accused["day"] |= {stations.names[p] for p in doubtful_rain.judge(view, Settings()).present()}
        accused["held"] |= {f"{span.station} {span.reason}" for span in holding.decided(view, ())}
        if now % (6 * HOUR) == HOUR:
            accused["drain"] |= {stations.names[p] for p in slow_drain.judge(view, slow_drain.Settings()).present()}
        if now % DAY == HOUR:
            accused["week"] |= {stations.names[p] for p in doubtful_rain.judge(view, WEEKLY).present()}
    position = stations.names.index("vlinder28")
    assert accused["day"] | {name.split()[0] for name in accused["held"]} <= {"vlinder28", f"S{position}"}
    assert accused["day"] | accused["held"]
    assert accused["week"] == accused["drain"] == set()

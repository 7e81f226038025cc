"""The script with fixed limits that somebody would honestly write in an afternoon, run beside the watch for comparison.

At every poll it looks at what has arrived and sends a message for each station that is over a limit. It knows visits no
more than it knows shared causes, and it has no memory of what it said.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, time

import numpy as np

from demo.sites import TIP_MM, plane
from demo.story import ZONE
from demo.world import World

SLOT_S = 300
DAY_SLOTS = 288
QUARTER_SLOTS = 3
NEAR_KM = 20.0
WET_MM = 2.0
LOW_V = 3.6
SILENT_MINUTES = 30
HOURLY_SILENT_MINUTES = 90
"""Half an hour would accuse an hourly station in every hour; even an afternoon's script would see that."""
HEAVY_MM = 6.0
KINDS = ("silent", "dry", "battery", "rain")


@dataclass(frozen=True, slots=True)
class Count:
    """What the script sent of one kind: messages, how many different matters they were about, how many at night."""

    messages: int
    matters: int
    by_night: int = 0


def run(world: World, polls: Iterable[datetime]) -> dict[str, Count]:
    """Return what the script would have sent in these polls, by kind."""
    reports, begins = world.reports, int(world.begins.timestamp())
    stations = len(world.stations)
    slots = int(world.ends.timestamp() - begins) // SLOT_S + DAY_SLOTS
    rain = np.zeros((slots, stations))
    newest = np.zeros(stations, np.int64)
    volts = np.full(stations, np.nan)
    place = plane(world.stations)
    near = np.hypot(place.x_km[:, None] - place.x_km, place.y_km[:, None] - place.y_km) <= NEAR_KM
    patience = np.array(
        [60 * (HOURLY_SILENT_MINUTES if site.every_minutes >= 60 else SILENT_MINUTES) for site in world.stations]
    )
    slot_of = (reports.observed_at - begins) // SLOT_S - 1
    before = {kind: np.zeros(stations, bool) for kind in KINDS}
    messages, matters, by_night = dict.fromkeys(KINDS, 0), dict.fromkeys(KINDS, 0), dict.fromkeys(KINDS, 0)
    read = 0
    for poll in polls:
        now = int(poll.timestamp())
        if not any(outage.begins <= poll < outage.ends for outage in world.story.outages):
            arrived = int(np.searchsorted(reports.arrived_at, now, side="right"))
            fresh = slice(read, arrived)
            rain[slot_of[fresh], reports.station[fresh]] = reports.tips[fresh] * TIP_MM
            for station, observed, volt in zip(
                reports.station[fresh], reports.observed_at[fresh], reports.battery_v[fresh], strict=True
            ):
                if observed >= newest[station]:
                    newest[station], volts[station] = observed, volt
            read = arrived
        here = (now - begins) // SLOT_S
        day_mm = rain[max(0, here - DAY_SLOTS) : here].sum(axis=0)
        verdicts = {
            "silent": now - newest > patience,
            "dry": (day_mm == 0.0) & (near & (day_mm >= WET_MM)).any(axis=1),
            "battery": volts < LOW_V,
            "rain": (now - newest <= patience) & (_quarter_mm(rain, newest, begins) >= HEAVY_MM - 1e-9),
        }
        for kind, over in verdicts.items():
            messages[kind] += int(over.sum())
            by_night[kind] += int(over.sum()) if is_night(poll) else 0
            matters[kind] += int((over & ~before[kind]).sum())
            before[kind] = over
    return {kind: Count(messages[kind], matters[kind], by_night[kind]) for kind in KINDS}


def is_night(moment: datetime) -> bool:
    """Say whether people in the hills are asleep, from 22:00 to 06:30."""
    clock = moment.astimezone(ZONE).time()
    return clock >= time(22, 0) or clock < time(6, 30)


def _quarter_mm(rain: np.ndarray, newest: np.ndarray, begins: int) -> np.ndarray:
    """Return the rain of the quarter of an hour up to each station's newest reading [mm]."""
    last = np.maximum(0, (newest - begins) // SLOT_S - 1)
    window = np.maximum(0, last - np.arange(QUARTER_SLOTS)[:, None])
    return np.asarray(rain[window, np.arange(rain.shape[1])].sum(axis=0))

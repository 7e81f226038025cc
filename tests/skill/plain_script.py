"""The script with fixed limits that somebody would honestly write in an afternoon, on the same worlds.

At every poll it looks at what has arrived; it says once when a station goes over a limit, and again when it does so
after having been under it. It knows no visits, no shared causes and no neighbours' habits.
"""

from __future__ import annotations

import numpy as np

from tests.skill.score import Thread
from tests.skill.world import World

EVERY_S = 900
NEAR_KM = 20.0
WET_MM = 2.0
SILENT_MINUTES, HOURLY_SILENT_MINUTES = 30, 90
"""Half an hour would accuse an hourly station in every hour; even an afternoon's script would see that."""
LOW_V = {"lithium": 3.6, "lithium-iron": 3.1, "lead-acid": 12.0}
HEAVY_MM_15, HEAVY_MM_60 = 6.0, 25.0
SLOT_S = 300


def told(world: World) -> tuple[Thread, ...]:
    """Return what the script would have said, as threads; check names are those it corresponds to."""
    reports, stations = world.reports, len(world.sites)
    order = np.argsort(reports.arrived_at, kind="stable")
    arrived = reports.arrived_at[order]
    slots = (world.ends - world.begins) // SLOT_S + 1
    rain = np.zeros((slots, stations), np.float32)
    newest, volts = np.zeros(stations, np.int64), np.full(stations, np.nan)
    every = np.array([site.every_minutes for site in world.sites])
    source = np.array([site.source for site in world.sites])
    tip_mm, km = world.tip_mm(), world.place.apart_km()
    near = (km <= NEAR_KM) & ~np.eye(stations, dtype=bool)
    patience = 60 * np.where(every >= 60, HOURLY_SILENT_MINUTES, SILENT_MINUTES)
    low = np.array([LOW_V[_written(site.battery)] for site in world.sites])
    count = np.full(stations, np.nan)
    found: list[Thread] = []
    before: dict[str, np.ndarray] = {}
    read = 0
    for now in range(world.begins + EVERY_S, world.ends + 1, EVERY_S):
        upto = int(np.searchsorted(arrived, now, side="right"))
        for row in order[read:upto]:
            station, observed = reports.station[row], reports.observed_at[row]
            if observed <= newest[station] or observed > now + 3600:
                continue
            mm = reports.rain[row]
            if source[station]:
                mm, count[station] = (mm - count[station]) * tip_mm[station], mm
                mm = max(mm, 0.0) if mm == mm else 0.0
            rain[min(max((observed - world.begins) // SLOT_S, 0), slots - 1), station] = mm
            newest[station], volts[station] = observed, reports.battery_v[row]
        read = upto
        here = (now - world.begins) // SLOT_S + 1
        day_mm = rain[max(0, here - 288) : here].sum(axis=0)
        fresh = now - newest <= patience
        quarter, hour = (rain[max(0, here - back) : here].sum(axis=0) for back in (4, 13))
        verdicts = {
            "overdue": ~fresh,
            "dry-among-wet": fresh & (day_mm == 0.0) & (near & (day_mm >= WET_MM)).any(axis=1),
            "battery-decline": volts < low,
            "heavy-rain": fresh & ((quarter >= HEAVY_MM_15 - 1e-4) | (hour >= HEAVY_MM_60 - 1e-4)),
        }
        for check, over in verdicts.items():
            for station in np.flatnonzero(over & ~before.get(check, np.zeros(stations, bool))):
                if now > world.scored:
                    found.append(_thread(len(found) + 1, check, world.sites[station].id, now))
            before[check] = over
    return tuple(found)


def _written(battery: str) -> str:
    return {"iron": "lithium-iron", "lead": "lead-acid"}.get(battery, "lithium")


def _thread(number: int, check: str, station: str, now: int) -> Thread:
    return Thread(number, check, check, frozenset({station}), now, False, ((now, 3),), now, 1, "")

"""The stations as nature knows them: what people wrote in network/stations.csv, and what no list tells."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from math import cos, radians
from pathlib import Path

import numpy as np

from demo.rain import Plane

WRITTEN = Path(__file__).parent / "network" / "stations.csv"
ORIGIN_LATITUDE, ORIGIN_LONGITUDE = 47.0, 13.0
KM_PER_DEGREE = 111.2
TIP_MM = 0.2


@dataclass(frozen=True, slots=True)
class Site:
    """One station in the world.

    x_km, y_km: east and north of the network's corner. every_minutes: how often it reports, and what a report covers.
    capacity_ah: of a full single lithium cell at 25 degC. panel_w: of the solar panel. sky: share of the light that
    reaches it, over 1 for a well tilted one [-]. load_ma: mean current. signal_dbm: usual strength.
    """

    id: str
    name: str
    mast: str
    x_km: float
    y_km: float
    elevation_m: float
    every_minutes: int
    capacity_ah: float
    panel_w: float
    sky: float
    load_ma: float
    signal_dbm: float


# every_minutes, capacity_ah, panel_w, sky, load_ma, signal_dbm: in the ranges of common small stations (from memory).
HIDDEN: dict[str, tuple[int, float, float, float, float, float]] = {
    "ashlow": (5, 12.0, 6.0, 1.10, 18.0, -81.0),
    "bracken": (5, 12.0, 6.0, 1.20, 18.0, -77.0),
    "corrow": (15, 10.0, 5.0, 0.90, 14.0, -88.0),
    "dunfell": (15, 10.0, 5.0, 1.10, 16.0, -96.0),
    "eskwater": (15, 8.0, 5.0, 0.80, 14.0, -85.0),
    "fennick": (15, 10.0, 5.0, 0.75, 16.0, -101.0),
    "gorsehill": (15, 10.0, 5.0, 1.00, 14.0, -70.0),
    "hollin": (15, 10.0, 6.0, 0.85, 14.0, -90.0),
    "ivory": (5, 14.0, 8.0, 1.10, 18.0, -84.0),
    "juniper": (15, 10.0, 5.0, 1.00, 14.0, -83.0),
    "kettle": (15, 9.0, 5.0, 0.80, 14.0, -87.0),
    "larkmoor": (60, 6.5, 4.0, 0.90, 13.0, -92.0),
    "mossgate": (15, 8.0, 4.0, 0.95, 12.0, -86.0),
    "nettle": (15, 10.0, 5.0, 0.90, 14.0, -89.0),
}


def sites() -> tuple[Site, ...]:
    """Return the stations in the order of stations.csv."""
    with WRITTEN.open(encoding="utf-8", newline="") as file:
        return tuple(_site(row) for row in csv.DictReader(file))


def _site(row: dict[str, str]) -> Site:
    north = (float(row["latitude"]) - ORIGIN_LATITUDE) * KM_PER_DEGREE
    east = (float(row["longitude"]) - ORIGIN_LONGITUDE) * KM_PER_DEGREE * cos(radians(ORIGIN_LATITUDE))
    return Site(row["id"], row["name"], row["mast"], east, north, float(row["elevation_m"]), *HIDDEN[row["id"]])


def plane(stations: tuple[Site, ...]) -> Plane:
    """Return where the stations stand, as arrays."""
    return Plane(
        np.array([site.x_km for site in stations]),
        np.array([site.y_km for site in stations]),
        np.array([site.elevation_m for site in stations]),
    )

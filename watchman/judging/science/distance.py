"""How far stations are from each other, and which are nearest."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

EARTH_RADIUS_KM = 6371.0088
"""Mean radius of the Earth, (2a + b)/3 of the ellipsoid [km]. Source: IUGG (Moritz, Geodetic Reference System 1980)."""
BLOCK = 512
"""Stations whose distances to the others are held at once; bounds the memory, not the result."""


def great_circle_km(
    latitude: ArrayLike, longitude: ArrayLike, other_latitude: ArrayLike, other_longitude: ArrayLike
) -> np.ndarray:
    """Return great-circle distances [km] between positions [deg], by the haversine formula: exact at short ones too."""
    phi, other_phi = np.radians(latitude), np.radians(other_latitude)
    half_turn = np.radians(np.subtract(other_longitude, longitude)) / 2
    haversine = np.sin((other_phi - phi) / 2) ** 2 + np.cos(phi) * np.cos(other_phi) * np.sin(half_turn) ** 2
    return np.asarray(2 * EARTH_RADIUS_KM * np.arcsin(np.sqrt(np.clip(haversine, 0.0, 1.0))))


def nearest(latitude: np.ndarray, longitude: np.ndarray, most: int, within_km: float) -> tuple[np.ndarray, np.ndarray]:
    """Return each station's nearest others, nearest first, as positions in the arrays, and their distances [km].

    Both are [n, most], -1 and NaN where there are no more. Of equally near ones the earlier comes first. Only stations
    in the belt of latitude that can be within reach are looked at, block by block.
    """
    count = len(latitude)
    neighbours = np.full((count, most), -1, np.int32)
    distances = np.full((count, most), np.nan)
    by_latitude = np.argsort(latitude, kind="stable")
    sorted_latitude = latitude[by_latitude]
    reach = np.degrees(within_km / EARTH_RADIUS_KM)
    for begin in range(0, count, BLOCK):
        own = by_latitude[begin : begin + BLOCK]
        first = np.searchsorted(sorted_latitude, latitude[own[0]] - reach, "left")
        last = np.searchsorted(sorted_latitude, latitude[own[-1]] + reach, "right")
        others = np.sort(by_latitude[first:last])
        neighbours[own], distances[own] = _nearest_of(latitude, longitude, own, others, most, within_km)
    return neighbours, distances


def _nearest_of(
    latitude: np.ndarray, longitude: np.ndarray, own: np.ndarray, others: np.ndarray, most: int, within_km: float
) -> tuple[np.ndarray, np.ndarray]:
    """Choose by the cosine of the angle, which costs one product of matrices; measure the chosen ones by haversine."""
    cosine = _unit(latitude[own], longitude[own]) @ _unit(latitude[others], longitude[others]).T
    cosine[own[:, None] == others[None, :]] = -2.0
    taken = min(most, len(others))
    columns = np.argpartition(-cosine, taken - 1, axis=1)[:, :taken]
    chosen = others[columns]
    km = great_circle_km(latitude[own, None], longitude[own, None], latitude[chosen], longitude[chosen])
    km[(km > within_km) | (chosen == own[:, None])] = np.inf
    order = np.lexsort((chosen, km), axis=1)
    km, chosen = np.take_along_axis(km, order, axis=1), np.take_along_axis(chosen, order, axis=1)
    near = np.isfinite(km)
    neighbours = np.full((len(own), most), -1, np.int32)
    distances = np.full((len(own), most), np.nan)
    neighbours[:, :taken] = np.where(near, chosen, -1)
    distances[:, :taken] = np.where(near, km, np.nan)
    return neighbours, distances


def _unit(latitude: np.ndarray, longitude: np.ndarray) -> np.ndarray:
    """Return positions [deg] as unit vectors [n, 3]."""
    phi, turn = np.radians(latitude), np.radians(longitude)
    return np.column_stack((np.cos(phi) * np.cos(turn), np.cos(phi) * np.sin(turn), np.sin(phi)))

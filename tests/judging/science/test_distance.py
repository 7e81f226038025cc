"""The nearest stations are found whatever the network's shape and the size of the blocks."""

import numpy as np
import pytest

from watchman.judging.science import distance
from watchman.judging.science.distance import great_circle_km, nearest


def by_hand(latitude: np.ndarray, longitude: np.ndarray, most: int, within_km: float) -> list[list[int]]:
    """Return each station's nearest others by measuring every pair."""
    km = great_circle_km(latitude[:, None], longitude[:, None], latitude[None, :], longitude[None, :])
    np.fill_diagonal(km, np.inf)
    return [[int(j) for j in np.argsort(row, kind="stable")[:most] if row[j] <= within_km] for row in km]


@pytest.mark.parametrize(("latitude", "longitude"), [(46.0, 8.0), (-0.2, 179.8), (88.5, 0.0)])
def test_the_nearest_are_found(monkeypatch: pytest.MonkeyPatch, latitude: float, longitude: float) -> None:
    """The nearest agree with measuring every pair: inland, across equator and date line, and beside the pole."""
    chance = np.random.default_rng(3)
    north = latitude + chance.uniform(0, 1, 150)
    east = (longitude + chance.uniform(0, 1, 150) + 180) % 360 - 180
    monkeypatch.setattr(distance, "BLOCK", 32)

    neighbours, km = nearest(north, east, 12, 30.0)

    assert [[j for j in row if j >= 0] for row in neighbours.tolist()] == by_hand(north, east, 12, 30.0)
    assert np.array_equal(np.isnan(km), neighbours < 0)
    assert (np.diff(np.where(np.isnan(km), 1e9, km), axis=1) >= 0).all()


def test_two_stations_at_one_place_are_neighbours() -> None:
    """Two gauges on one post are each other's nearest, at no distance; no station is its own neighbour."""
    neighbours, km = nearest(np.array([46.0, 46.0]), np.array([8.0, 8.0]), 3, 60.0)

    assert neighbours.tolist() == [[1, -1, -1], [0, -1, -1]]
    assert km[:, 0].tolist() == [0.0, 0.0]


@pytest.mark.parametrize("count", [0, 1])
def test_a_network_without_neighbours(count: int) -> None:
    """A lone station, and an empty network, have no neighbours."""
    neighbours, km = nearest(np.full(count, 46.0), np.full(count, 8.0), 12, 60.0)

    assert neighbours.shape == km.shape == (count, 12)
    assert (neighbours == -1).all()

"""Great-circle distances beside a reference library (geographiclib, C. F. F. Karney) on a sphere of the same radius."""

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from watchman.judging.science.distance import EARTH_RADIUS_KM, great_circle_km

SPHERE = Geodesic(EARTH_RADIUS_KM * 1000, 0)
ELLIPSOID = Geodesic.WGS84


def places(count: int) -> np.ndarray:
    """Return pairs of positions: anywhere, a few metres apart, across the date line, and at the poles."""
    chance = np.random.default_rng(7)
    anywhere = np.column_stack(
        [
            chance.uniform(-90, 90, count),
            chance.uniform(-180, 180, count),
            chance.uniform(-90, 90, count),
            chance.uniform(-180, 180, count),
        ]
    )
    near = anywhere.copy()
    near[:, 2:] = near[:, :2] + chance.uniform(-1e-4, 1e-4, (count, 2))
    near[:, 2] = np.clip(near[:, 2], -90, 90)
    edges = np.array([[0, 179.9, 0, -179.9], [90, 0, -90, 0], [0, 0, 0, 180], [45, 10, 45, 10], [89.99, 0, 89.99, 180]])
    return np.vstack([anywhere, near, edges])


def test_distances_on_a_sphere() -> None:
    """Every distance agrees with the reference to a millimetre, near and far."""
    pairs = places(500)

    ours = great_circle_km(*pairs.T)

    theirs = [SPHERE.Inverse(*pair)["s12"] / 1000 for pair in pairs]
    np.testing.assert_allclose(ours, theirs, rtol=0, atol=1e-6)


def test_the_sphere_stands_for_the_earth() -> None:
    """The mean radius keeps distances within 0.6 % of those on the ellipsoid (the flattening is 1/298, so 0.56 %)."""
    pairs = places(500)[:500]

    ours = great_circle_km(*pairs.T)

    theirs = np.array([ELLIPSOID.Inverse(*pair)["s12"] / 1000 for pair in pairs])
    assert np.abs(ours / theirs - 1).max() < 0.006


def test_the_radius_is_the_mean_radius() -> None:
    """The radius is (2a + b)/3 of the reference ellipsoid (IUGG; GRS 80: a = 6378.137 km, 1/f = 298.257222101)."""
    equator = 6378.137
    pole = equator * (1 - 1 / 298.257222101)

    assert pytest.approx((2 * equator + pole) / 3, abs=5e-5) == EARTH_RADIUS_KM

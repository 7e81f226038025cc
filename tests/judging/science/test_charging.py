"""The daily account of a battery: use, and clearness and strength told apart."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watchman.judging.science.charging import clearness_and_strength, night_use

DAYS, STATIONS = 20, 6
PEERS = np.array([[other for other in range(STATIONS) if other != one] for one in range(STATIONS)])
ALL = np.ones(PEERS.shape, bool)


def test_a_night_s_use_is_per_hour() -> None:
    """0.12 lost in 12 hours is 0.01 an hour; the last night isn't over."""
    use = night_use(np.array([[0.9], [0.8]]), np.array([[0.85], [0.78]]), np.array([12.0]))
    assert use[0, 0] == pytest.approx(0.01)
    assert np.isnan(use[1, 0])


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000))
def test_clearness_and_strength_are_told_apart(seed: int) -> None:
    """Whatever panels and weather are, their product is found again, and one faulty panel bends neither."""
    random = np.random.default_rng(seed)
    panels, weather = random.uniform(0.05, 0.5, STATIONS), random.uniform(0.15, 1.5, DAYS)
    weather[0] = 1.0
    sun = weather[:, None] * panels
    sun[10:, 0] = 0.0
    clearness, strength = clearness_and_strength(sun, np.zeros(sun.shape, bool), slice(0, 10), PEERS, ALL, 3)
    assert strength * clearness == pytest.approx(weather[:, None] * panels, rel=0.001)


def test_a_full_battery_says_only_at_least() -> None:
    """Peers that could not take more make a day no darker."""
    sun = np.full((DAYS, STATIONS), 0.2)
    full = np.zeros(sun.shape, bool)
    sun[-1], full[-1] = 0.02, True
    clearness, _ = clearness_and_strength(sun, full, slice(0, 12), PEERS, ALL, 3)
    assert (clearness[-1] >= 1).all()


def test_too_few_peers_tell_nothing() -> None:
    """With two peers neither is known."""
    sun = np.full((DAYS, 3), 0.2)
    peers = np.array([[1, 2], [0, 2], [0, 1]])
    clearness, strength = clearness_and_strength(sun, np.zeros(sun.shape, bool), slice(0, 12), peers, peers >= 0, 3)
    assert np.isnan(clearness).all()
    assert np.isnan(strength).all()

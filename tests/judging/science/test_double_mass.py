"""Double-mass analysis: the bend is found where it is, and only what scatter can't make is called one."""

from __future__ import annotations

import numpy as np
import pytest

from watchman.judging.science.double_mass import LEVEL_STEP, best_break, expected_level, likeliest_step, slopes


def test_the_bend_is_found_where_it_is() -> None:
    """Thirty pieces at the usual ratio, twenty at 70 %, with some scatter: the break, both levels, and a large t."""
    rng = np.random.default_rng(1)
    level = np.where(np.arange(50) < 30, 0.0, np.log(0.7))
    found = best_break((level + 0.1 * rng.normal(size=50))[:, None], np.ones((50, 1)), 10)
    assert abs(int(found.at[0]) - 30) <= 1
    assert np.exp(found.after[0] - found.before[0]) == pytest.approx(0.7, abs=0.05)
    assert found.t[0] > 8
    assert found.error[0] == pytest.approx(0.1 * np.sqrt(1 / 30 + 1 / 20), rel=0.3)


def test_scatter_alone_makes_no_bend() -> None:
    """Of 500 series of pure scatter hardly one passes t = 4, though the best of many places is taken."""
    values = 0.3 * np.random.default_rng(2).normal(size=(60, 500))
    assert np.mean(best_break(values, np.ones_like(values), 10).t > 4) <= 0.01


def test_too_few_pieces_on_a_side_tell_no_break() -> None:
    """Each level rests on ten pieces at least; gaps are no pieces."""
    values = np.full((40, 2), np.nan)
    values[:19, 0] = np.sin(np.arange(19.0))
    values[:25, 1] = np.sin(np.arange(25.0))
    found = best_break(values, np.ones_like(values), 10)
    assert found.at.tolist()[0] == 0
    assert found.t[0] == 0
    assert np.isnan(found.before[0])
    assert found.at[1] > 0


def test_one_wild_piece_neither_makes_nor_hides_a_bend() -> None:
    """A single dead day, e to the -5, is no change of level, and a real one stays clear beside it."""
    values = np.tile([0.1, -0.1], 25)[:, None].copy()
    values[30] = -5.0
    assert best_break(values, np.ones_like(values), 10).t[0] < 3
    values[25:] -= 0.3
    values[10] = -5.0
    assert best_break(values, np.ones_like(values), 10).t[0] > 4


def test_what_is_uncertain_counts_for_little() -> None:
    """The same bend is clearer when the pieces that scatter wildly are known to do so."""
    rng = np.random.default_rng(3)
    wild = np.arange(60) % 2 == 1
    values = np.where(np.arange(60) < 30, 0.0, -0.35) + np.where(wild, 0.8, 0.1) * rng.normal(size=60)
    weight = np.where(wild, 1 / 0.8**2, 1 / 0.1**2)
    alike = best_break(values[:, None], np.ones((60, 1)), 10)
    known = best_break(values[:, None], weight[:, None], 10)
    assert known.t[0] > 1.5 * alike.t[0]


def series(seed: int, days: int, change: float = 0.0, at: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """Return ratios whose scatter is as told, from a tenth to once, with a step or without."""
    rng = np.random.default_rng(seed)
    error = rng.uniform(0.1, 1.0, days)
    return error * rng.standard_t(4, days) + np.where(np.arange(days) >= at, change, 0.0), error


DOWN = -LEVEL_STEP * np.arange(3, 9)


def test_a_step_is_likely_where_it_is() -> None:
    """30 % less after forty days of uneven weight: sure, near its place, near its size."""
    found = likeliest_step(*series(1, 100, np.log(0.7), 40), 0.0, 0.1, DOWN)
    assert found.log_odds > np.log(100.0)
    assert abs(found.at - 40) <= 6
    assert np.exp(found.change) == pytest.approx(0.7, abs=0.08)


def test_scatter_alone_makes_a_step_seldom_likely() -> None:
    """Of 300 series of pure scatter fewer than one in twenty has odds of 8 to 1: Bayes' rule promises one in eight."""
    odds = [likeliest_step(*series(seed, 80), 0.0, 0.1, DOWN).log_odds for seed in range(300)]
    assert np.mean(np.array(odds) > np.log(8.0)) <= 0.05


def test_what_is_usual_of_a_place_stands_in_for_its_past() -> None:
    """Eight days before are few; that gauges here are alike to 8 % makes the step sure, that they aren't does not."""
    ratio, error = series(2, 60, np.log(0.7), 8)
    alike, unlike = (likeliest_step(ratio, error, 0.0, within, DOWN).log_odds for within in (0.08, 0.25))
    assert alike > unlike


def test_what_else_speaks_for_a_step_adds_up() -> None:
    """Odds of e to the 3 from elsewhere, wherever the step lies, multiply the odds."""
    ratio, error = series(3, 60, -0.3, 30)
    besides = np.full((len(DOWN), 60), 3.0)
    with_it, without = (likeliest_step(ratio, error, 0.0, 0.1, DOWN, more) for more in (besides, None))
    assert with_it.log_odds == pytest.approx(without.log_odds + 3.0)


def test_too_few_days_tell_no_step() -> None:
    """Six before and three after are the least."""
    assert likeliest_step(*series(4, 8, -0.5, 6), 0.0, 0.1, DOWN).log_odds == -np.inf


def test_higher_gauges_are_expected_to_have_more() -> None:
    """A slope of 40 % a kilometre is found; one broken gauge of twelve neither bends it nor widens the usual."""
    rise = np.linspace(-0.5, 0.5, 12)
    level = 0.4 * rise
    level[5] = -0.8
    expected, within = expected_level(level, np.full(12, 0.03), rise)
    assert expected[[0, 11]] == pytest.approx([-0.2, 0.2], abs=0.06)
    assert within <= 0.12


def test_slopes_are_rain_over_rain() -> None:
    """Before and after a row; nothing over nothing is not known."""
    before, after = slopes(np.array([[2.0, 0.0], [6.0, 1.0]]), np.array([[4.0, 0.0], [6.0, 2.0]]), 1)
    assert before[0] == 0.5
    assert np.isnan(before[1])
    assert after.tolist() == [1.0, 0.5]

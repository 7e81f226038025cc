"""Double-mass analysis: the bend is found where it is, and only what scatter can't make is called one."""

from __future__ import annotations

import numpy as np
import pytest

from watchman.judging.science.double_mass import best_break, pieces, slopes, summed


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


def test_a_day_belongs_to_the_piece_in_which_it_begins() -> None:
    """No day is cut, dry days are in none, and the unfinished last piece is left out."""
    station = np.array([[4.0], [0.0], [7.0], [35.0], [4.0], [9.0], [3.0], [5.0]])
    piece = pieces(station, station, 10.0, 8)
    assert piece[:, 0].tolist() == [2, -1, 2, 3, 6, 7, 7, -1]
    assert summed(station, piece, 8)[:, 0].tolist() == [0, 0, 11, 35, 0, 0, 4, 12]


def test_slopes_are_rain_over_rain() -> None:
    """Before and after a row; nothing over nothing is not known."""
    before, after = slopes(np.array([[2.0, 0.0], [6.0, 1.0]]), np.array([[4.0, 0.0], [6.0, 2.0]]), 1)
    assert before[0] == 0.5
    assert np.isnan(before[1])
    assert after.tolist() == [1.0, 0.5]

"""From resting volts to usable charge."""

from __future__ import annotations

import numpy as np
import pytest

from watchman.judging.science import battery

KINDS = np.array([battery.LITHIUM, battery.LITHIUM_IRON, battery.LEAD_ACID], object)


def test_charge_is_nothing_at_the_cutoff_and_whole_when_full() -> None:
    """Each kind is 0 at its cut-off and below, 1 when full and above, whatever the cut-off."""
    cutoff_v = np.array([3.3, 3.0, 12.0])
    volts = np.array([[3.0, 2.5, 11.0], [3.3, 3.0, 12.0], [4.2, 3.6, 12.65], [4.3, 3.7, 14.0]])
    assert battery.charge(volts, KINDS, cutoff_v).tolist() == [[0] * 3, [0] * 3, [1] * 3, [1] * 3]


@pytest.mark.parametrize("kind", KINDS)
def test_charge_never_falls_with_rising_volts(kind: str) -> None:
    """The tables rise throughout."""
    volts = np.linspace(2.0, 13.0, 500)[:, None]
    charge = battery.charge(volts, np.array([kind], object), np.array([battery.CUTOFF_V[kind]]))
    assert (np.diff(charge, axis=0) >= 0).all()


def test_the_last_volts_of_a_lithium_cell_go_fast() -> None:
    """A tenth of a volt is a fifth of the charge in the middle, and next to nothing near the end."""
    volts = np.array([[3.8, 3.5], [3.7, 3.4]])
    charge = battery.charge(volts, np.array([battery.LITHIUM] * 2, object), np.array([3.3, 3.3]))
    fall = charge[0] - charge[1]
    assert fall[0] > 2.5 * fall[1]


def test_missing_volts_are_no_charge() -> None:
    """NaN stays NaN, and is not full."""
    missing = np.full((1, 3), np.nan)
    assert np.isnan(battery.charge(missing, KINDS, np.array([3.3, 3.0, 11.6]))).all()
    assert not battery.full(missing, KINDS).any()


def test_an_unwritten_chemistry_is_guessed_by_volts_and_a_written_one_kept() -> None:
    """8 V and more is lead-acid, else lithium; what is written holds; unknown volts are taken for lithium."""
    guessed = battery.guess(("", "", "lithium-iron", ""), np.array([12.4, 3.9, 13.2, np.nan]))
    assert guessed.tolist() == ["lead-acid", "lithium", "lithium-iron", "lithium"]


def test_cells_of_one_chemistry_differ() -> None:
    """At 3.6 V one lithium cell has a third of its charge and another a twelfth; the middle table lies between."""
    volts, kind, cutoff_v = np.array([[3.6]]), np.array([battery.LITHIUM], object), np.array([2.5])
    cells = [float(cell[0, 0]) for cell in battery.charge_by_cells(volts, kind, cutoff_v)]
    assert max(cells) > 0.3
    assert min(cells) < 0.1
    assert min(cells) < battery.charge(volts, kind, cutoff_v)[0, 0] < max(cells)


def test_the_usual_cutoff_stands_in_for_an_unwritten_one() -> None:
    """A written cut-off holds, an unwritten one follows the chemistry."""
    assert battery.cutoff(KINDS, np.array([3.1, np.nan, np.nan])).tolist() == [3.1, 3.0, 11.6]

"""QARTOD's gross-range test against the vector of the US IOOS reference implementation (module qartod, docstring).

Of its two spans only the sensor's (outside it is "fail") applies to raw readings here; the vector's suspect span flags
none of its values either.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.helpers import table_of
from watchman.model import BATTERY, Flag
from watchman.readings import cleaning
from watchman.readings.cleaning import Held, Terms, clean


def test_gross_range_flags_the_vector_as_published(monkeypatch: pytest.MonkeyPatch) -> None:
    """Values 1, 2, 3, 4, 8 with fail span (0, 5) and suspect span (1, 4) get flags 1, 1, 1, 1, 4."""
    monkeypatch.setattr(cleaning, "GAUGE_SPAN", {BATTERY: (0.0, 5.0)})
    terms = Terms(*[np.array([False])] * 3, np.zeros(1), np.full(1, -1), np.full(1, 200.0), np.full(1, 300))
    vector = table_of(1_760_000_000 + 300 * np.arange(1, 6), {BATTERY: np.array([[1.0], [2.0], [3.0], [4.0], [8.0]])})
    assert clean(vector, terms, Held.of(())).flag.tolist() == [1, 1, 1, 1, 4]


def test_flags_are_qartods_numbers() -> None:
    """1 good, 2 not evaluated, 3 suspect, 4 bad, 9 missing."""
    assert [int(flag) for flag in Flag] == [1, 2, 3, 4, 9]

"""The most rain ever measured, against the WMO archive of weather and climate extremes (wmo.asu.edu)."""

from __future__ import annotations

import pytest

from watchman.judging.science.rain import impossible_depth_mm


@pytest.mark.parametrize(
    ("minutes", "depth_mm"),
    [
        (1, 31.2),  # Unionville, 4 Jul 1956: 156 tips of 0.2 mm
        (60, 305.0),  # Holt, 22 Jun 1947
        (24 * 60, 1825.0),  # Foc-Foc, 7-8 Jan 1966, measured by a tipping bucket
        (96 * 60, 4936.0),  # Cratere Commerson, Feb 2007
    ],
)
def test_a_world_record_is_the_most_that_can_be(minutes: float, depth_mm: float) -> None:
    """The record passes, a tenth of a millimetre more is impossible."""
    assert impossible_depth_mm(minutes) == depth_mm

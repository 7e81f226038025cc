"""What a tipping bucket can tell, and how much rain there can be."""

from __future__ import annotations

import numpy as np
import pytest

from watchman.judging.science.rain import RECORDS, impossible_depth_mm, tips_of_volume, undercatch_share


def test_a_record_itself_is_possible() -> None:
    """Every record is exactly at its own cap, and a longer time never allows less."""
    minutes, depths = np.array(RECORDS).T
    assert np.array_equal(impossible_depth_mm(minutes), depths)
    assert (np.diff(impossible_depth_mm(np.arange(1.0, 6000.0))) >= 0).all()


def test_caps_hold_beyond_the_table() -> None:
    """Seconds get the cap of a minute, weeks that of four days."""
    assert impossible_depth_mm(0.2) == 31.2
    assert impossible_depth_mm(20_000) == 4936.0


def test_undercatch_never_exceeds_the_whole() -> None:
    """At absurd rates all is missed, no more."""
    assert undercatch_share(1e6, 0.2) == 1.0


def test_half_a_litre_tips_an_eight_inch_gauge_of_a_hundredth_sixty_times() -> None:
    """500 mL on 324.29 cm2 make 60.7 tips of 0.254 mm."""
    assert tips_of_volume(500.0, 0.254, 324.29) == pytest.approx(60.7, abs=0.05)

"""Rain missed while the bucket tips, against measurements."""

from __future__ import annotations

import pytest

from watchman.judging.science.rain import undercatch_share


@pytest.mark.parametrize(("rate_mm_h", "measured", "within"), [(19.9, 0.0098, 0.0001), (175.2, 0.0878, 0.002)])
def test_undercatch_grows_with_the_rate_as_measured(rate_mm_h: float, measured: float, within: float) -> None:
    """Duchon, Fiebrich & Grimsley 2014, JTECH 31(6), abstract: 0.98 % at 19.9 mm/h, 8.78 % at 175.2 mm/h.

    The bucket, 0.254 mm, is inferred from the fit; the line gives 8.6 % for the higher rate.
    """
    assert undercatch_share(rate_mm_h, 0.254) == pytest.approx(measured, abs=within)

"""The account of snow in a funnel: what falls in the cold, what melts in the warm, what can't be there."""

from __future__ import annotations

import numpy as np
import pytest

from watchman.judging.science.snow import may_melt_mm


def account(degrees: list[float], *, snow: bool = True) -> list[float]:
    table = np.array(degrees, np.float32)[:, None]
    return [float(mm) for mm in may_melt_mm(table, np.full(table.shape, snow))[:, 0]]


def test_what_lay_at_first_is_gone_after_fifteen_warm_degree_days() -> None:
    """30 mm at 2 mm a degree and day: 36 hours of 10 degC; until then 5 / 24 mm a degree-hour may melt."""
    melted = account([10.0] * 40)
    assert melted[0] == pytest.approx(50 / 24)
    assert melted[35] > 0
    assert melted[36:] == [0.0] * 4


def test_a_cold_hour_brings_three_millimetres_at_most() -> None:
    """They melt within 3 / (2 / 24 * 6) = 6 hours of 6 degC, the first no faster than 30 / 24 mm an hour."""
    melted = account([10.0] * 40 + [1.0] + [6.0] * 8)
    assert melted[41] == pytest.approx(30 / 24)
    assert melted[46] == pytest.approx(3.0 - 5.0 / 24 * 2 * 0.2 - 5 * 0.5, abs=0.1)
    assert melted[48] == 0.0


def test_nothing_falls_where_snow_is_ruled_out_and_nothing_melts_in_frost() -> None:
    assert account([10.0] * 40 + [-5.0] * 5 + [6.0] * 3, snow=False)[40:] == [0.0] * 8
    assert account([-1.0] * 3) == [0.0] * 3


def test_a_missing_hour_is_as_warm_as_the_one_before() -> None:
    assert account([10.0] * 10 + [np.nan] * 2) == account([10.0] * 12)

"""Tip algebra against published figures."""

from __future__ import annotations

import pytest

from watchman.judging.science.rain import tip_interval_s, tip_volume_ml


def test_a_tip_of_the_cardington_gauge_is_15_ml() -> None:
    """CEDA, Cardington instrument note: 0.2 mm and a 750 cm2 funnel make 15.0 mL a tip."""
    assert tip_volume_ml(0.2, 750.0) == pytest.approx(15.0)


def test_tips_of_100_mm_an_hour_come_every_7_seconds() -> None:
    """Dunkerley 2024, Water 16(7) 998, abstract: 0.2 mm at 100 mm/h tips every 7.2 s."""
    assert tip_interval_s(100.0, 0.2) == pytest.approx(7.2)

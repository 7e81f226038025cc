"""What a tipping bucket can tell, and how much rain there can be at all.

A bucket of depth h [mm] under a funnel of area A [cm2] tips once for every h*A/10 millilitres. While it tips it misses
rain, so it reads low at high rates; readings are never corrected for that, the share is only stated.
"""

from __future__ import annotations

import numpy as np

TIPPING_S = 0.45
"""Time lost in each tip [s]: Duchon, Fiebrich & Grimsley 2014, JTECH 31(6), abstract: 0.450 s on average."""

RECORDS = (
    (1, 31.2),  # Unionville, 4 Jul 1956: WMO extremes archive
    (5, 63.0),  # Porto Bello, 1911: from memory
    (8, 126.0),  # Füssen, 1920: from memory
    (15, 198.0),  # Plumb Point, 1916: from memory
    (42, 305.0),  # Holt, 22 Jun 1947: WMO extremes archive, which keeps it as
    (60, 305.0),  # the record of 60 minutes (401 mm, Shangdi 1975, is unofficial)
    (165, 559.0),  # D'Hanis, 31 May 1935: from memory
    (270, 782.0),  # Smethport, 18 Jul 1942: from memory
    (540, 1087.0),  # Belouve, 28 Feb 1964: from memory
    (720, 1144.0),  # Foc-Foc, 8 Jan 1966: from memory
    (1440, 1825.0),  # Foc-Foc, 7-8 Jan 1966: WMO extremes archive, reviewed 2010
    (4320, 3930.0),  # Cratere Commerson, Feb 2007: secondary source
    (5760, 4936.0),  # Cratere Commerson, Feb 2007: WMO extremes archive
)
"""The most rain ever measured at one place: duration [min], depth [mm]."""


def impossible_depth_mm(minutes: np.ndarray | float) -> np.ndarray:
    """Return the depth that was never exceeded anywhere in this time [mm].

    minutes: duration [min]; under 1 minute the depth of 1 minute holds, over 96 hours that of 96 hours. Straight lines
    between the world records in logarithms of both, as their envelope is drawn (WMO-No. 168, from memory).
    """
    durations, depths = np.array(RECORDS).T
    # Rounded, so that a depth equal to a record is not beyond it by the last digit.
    return np.asarray(np.round(np.exp(np.interp(np.log(minutes), np.log(durations), np.log(depths))), 6))


def tip_volume_ml(tip_mm: float, funnel_cm2: float) -> float:
    """Return the water that makes one tip [mL]: h*A/10, since 1 mm on 1 cm2 is 0.1 mL."""
    return tip_mm * funnel_cm2 / 10.0


def tips_of_volume(volume_ml: float, tip_mm: float, funnel_cm2: float) -> float:
    """Return how many tips a known volume makes when poured slowly: N = 10 V / (A h)."""
    return volume_ml / tip_volume_ml(tip_mm, funnel_cm2)


def tip_interval_s(rate_mm_h: np.ndarray | float, tip_mm: np.ndarray | float) -> np.ndarray:
    """Return the time between tips at a steady rate [s]: 3600 h / R (Dunkerley 2024, Water 16(7) 998)."""
    return np.asarray(3600.0 * tip_mm / np.asarray(rate_mm_h))


def undercatch_share(rate_mm_h: np.ndarray | float, tip_mm: np.ndarray | float) -> np.ndarray:
    """Return the share of rain missed at a steady rate: time lost in a tip over time between tips, at most 1.

    Source: TIPPING_S; the form reproduces both figures of that abstract for h = 0.254 mm (the size is inferred).
    """
    return np.minimum(TIPPING_S / tip_interval_s(rate_mm_h, tip_mm), 1.0)

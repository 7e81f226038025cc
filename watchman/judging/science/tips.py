"""What the steps of a gauge's values say: rain comes in whole tips, so other values come from a wrong unit or tip size.

All depths are whole micrometres. A source rounds its values; 0.254 mm sent as 0.25 is 4 um off.
"""

from __future__ import annotations

from math import comb

import numpy as np

SIZES_UM = (1000, 500, 254, 250, 200, 100)
"""Usual bucket sizes [um]: trade.md's list, from memory; 0.2 and 0.254 mm found in an instrument's note."""
ROUNDED_UM = 12
"""A value may be off a whole number of tips by rounding: two readings to 0.01 mm in a cell and a little (judgement)."""
INCH = 25.4
TEN = 10.0
ROUNDED_THEN_UM = 5 * INCH
"""What rounding to 0.01 mm grows to when a unit that changed multiplies it afterwards [um] (calculated)."""
SHARE = 0.95
"""So many values must be whole tips before it is said that a gauge makes them (judgement, no source)."""
LOW_VALUES, ODD_SHARE = 2, 0.8
"""One value under half a tip may be a slip; of all since the first that tips can't make, a few may be whole tips by
chance (judgement, no source)."""


def whole(um: np.ndarray, step_um: float | np.ndarray, off_um: float | np.ndarray = ROUNDED_UM) -> np.ndarray:
    """Say which depths are whole steps, but for rounding."""
    return np.asarray(np.abs(um - np.rint(um / step_um) * step_um) <= off_um)


def evident_um(um: np.ndarray) -> int:
    """Return the greatest usual tip size of which nearly all these depths are whole numbers [um]; 0 when none is, or
    there are too few to say.
    """
    if len(um) < 10:
        return 0
    # Half of a fine step is as wide as the rounding that is allowed: finer sizes would fit anything.
    return next((size for size in SIZES_UM if whole(um, size).mean() >= SHARE), 0)


def changed_factor(um: np.ndarray, tip_um: int) -> tuple[float, int]:
    """Return by which factor the newest values are off since a unit changed, 1 for none, and from which value on.

    um: a gauge's wet readings, oldest first; tip_um: what one tip is. Times or by 25.4 (millimetres and inches), or
    ten: values that tips can't make, or three in a row of about 25.4 tips or a multiple of it, or five of tens. What
    was made smaller shows in two values under half a tip, among others that tips can't make.
    """
    high = whole(um, INCH * tip_um, np.maximum(ROUNDED_UM, um / 1000.0)) & (um > tip_um)
    tens = whole(um, TEN * tip_um) & (um >= TEN * tip_um - ROUNDED_UM)
    run = _newest(high)
    if run < len(um) and not whole(um[run:], tip_um).all():
        return INCH, run
    # 0.254 mm sent as 0.25 and multiplied then is 25 tips to the last digit: only that all are so tells.
    run = _newest(whole(um, INCH * tip_um, ROUNDED_THEN_UM) & (um > TEN * tip_um))
    if len(um) - run >= 3:
        return INCH, run
    run = _newest(tens)
    if len(um) - run >= 5:
        return TEN, run
    low = um < tip_um / 2
    odd = low | ~whole(um, tip_um)
    run = int(np.argmax(np.append(odd, True)))
    if low.sum() >= LOW_VALUES and odd[run:].mean() >= ODD_SHARE and odd[-3:].any():
        return (1 / INCH if _as_inches(um[run:], tip_um) else 1 / TEN), run
    return 1.0, len(um)


def _as_inches(um: np.ndarray, tip_um: int) -> bool:
    """Say whether values that were made smaller are whole tips in inches rather than tenths of tips: the smallest is
    nearer to one, or all lie nearer to its multiples.
    """
    inches, tenths = (np.abs(um / step - np.rint(um / step)).mean() for step in (tip_um / INCH, tip_um / TEN))
    return bool(tip_um / um.min() > (INCH + TEN) / 2 or inches < tenths)


def _newest(fits: np.ndarray) -> int:
    """Return where the unbroken run of fitting values begins that the newest one ends."""
    misses = np.flatnonzero(~fits)
    return int(misses[-1]) + 1 if len(misses) else 0


def odds_of_even(even: int, counts: int) -> float:
    """Return how unlikely it is that as many of an honest gauge's counts are even by chance, as 1 in so many.

    The upper tail of the binomial distribution with a half.
    """
    ways = sum(comb(counts, number) for number in range(even, counts + 1))
    return float(2**counts / ways)

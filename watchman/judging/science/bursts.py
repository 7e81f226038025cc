"""The shape of a short burst of tips: even as a test, restless as poured water, or rising and falling as rain does."""

from __future__ import annotations

import numpy as np

EVEN_SPREAD = 0.15
"""Tips of a test vary by at most this share (coefficient of variation of the gaps; judgement, no source)."""
EVEN_READINGS = 3
"""So many full readings in a row must be even while tips go on, and two once they are over (judgement, no source)."""
LEAST_EVEN, LEAST_GOING_ON = 8.0, 10.0
"""Fewer tips in a reading are even by chance [tips]: steady drizzle has one or two in each, and the top of a shower of
half an hour looks flat in nine. While tips go on more are asked for (judgement, no source)."""


def groups(wet: np.ndarray, gap: int) -> list[tuple[int, int]]:
    """Return first and last of each group of wet readings; more than `gap` dry ones in a row part two groups."""
    at = np.flatnonzero(wet)
    if not len(at):
        return []
    parts = np.flatnonzero(np.diff(at) > gap + 1)
    return list(zip(at[np.r_[0, parts + 1]].tolist(), at[np.r_[parts, len(at) - 1]].tolist(), strict=True))


def even(tips: np.ndarray, *, over: bool) -> bool:
    """Say whether the readings of a burst hold the same number of tips, the first and the last (which it may fill in
    part) at most as many.

    tips: by reading, all that the burst has so far; over: none followed. While it goes on its last reading is full.
    """
    inner = tips[1:-1] if over else tips[1:]
    needed, least = (2, LEAST_EVEN) if over else (EVEN_READINGS, LEAST_GOING_ON)
    if len(inner) < needed or inner.min() <= 0 or inner.mean() < least:
        return False
    allowed = _allowed(inner, over=over)
    return bool(np.ptp(inner) <= allowed and max(tips[0], tips[-1]) <= inner.max() + allowed)


def _allowed(tips: np.ndarray, *, over: bool) -> float:
    """Return by how much equal counts may differ: a tip where readings cut a gap; once over, two among three of ten."""
    mean = float(tips.mean())
    if not over:
        return max(1.0, EVEN_SPREAD / 2 * mean)
    return max(2.0 if mean >= 10 and len(tips) >= EVEN_READINGS else 1.0, EVEN_SPREAD * mean)


def restlessness(tips: np.ndarray) -> float:
    """Return how much a burst goes up and down beyond one rise to its greatest reading and one fall, over all tips."""
    ups_and_downs = np.abs(np.diff(np.r_[0, tips, 0])).sum()
    return float((ups_and_downs - 2 * tips.max()) / max(tips.sum(), 1))

"""How often an honest gauge is dry beside a wet one, by their distance and by how wet."""

from __future__ import annotations

import numpy as np

DISTANCE_KM = (5.0, 8.0, 12.0, 16.0, 20.0, 30.0)
DEPTH_MM = (1.0, 2.0, 5.0, 10.0, 20.0)
HONEST_ZEROS = np.array(
    (
        (0.073, 0.024, 0.010, 0.003, 0.002),
        (0.167, 0.081, 0.044, 0.021, 0.004),
        (0.211, 0.146, 0.088, 0.044, 0.030),
        (0.239, 0.179, 0.129, 0.107, 0.067),
        (0.259, 0.212, 0.172, 0.158, 0.100),
        (0.293, 0.246, 0.218, 0.182, 0.150),
    )
)
"""Share of wet days on which an honest gauge is dry: rows by the witness's distance, up to DISTANCE_KM; columns by its
rain, from DEPTH_MM on. Our own simulation of a convective climate, learned on 12 seasons, judged on 24 others, and
cautious; no published table is known."""

NO_WITNESS_KM = DISTANCE_KM[-1]
"""Beyond this distance a wet gauge says nothing of another."""


def honest_zero(km: np.ndarray, witness_mm: np.ndarray) -> np.ndarray:
    """Return how often an honest gauge reads zero beside a witness this far away [km] with this much rain [mm].

    1, which is no evidence, under 1 mm, beyond 30 km, and where either is not known (NaN). Source: HONEST_ZEROS.
    """
    km = np.broadcast_to(km, witness_mm.shape)
    share = np.ones(witness_mm.shape)
    speaks = (km <= NO_WITNESS_KM) & (witness_mm >= DEPTH_MM[0])
    row = np.searchsorted(DISTANCE_KM, km[speaks])
    column = np.searchsorted(DEPTH_MM, witness_mm[speaks], side="right") - 1
    share[speaks] = HONEST_ZEROS[row, column]
    return share

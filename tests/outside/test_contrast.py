"""Our contrast of colours against published values.

The ratio runs from 1 to 21 by its definition (WCAG 2.2, w3.org/TR/WCAG22). #777777 on white is 4.48 and fails 4.5, as
the working group settled in 2016 when tools disagreed on rounding; #767676 is 4.54, the lightest grey that passes, and
yellow 1.07 (both widely published).
"""

from __future__ import annotations

import pytest

from tests.telling.contrast import contrast


@pytest.mark.parametrize(
    ("one", "other", "ratio"),
    [
        ("#000000", "#ffffff", 21.0),
        ("#ffffff", "#ffffff", 1.0),
        ("#777777", "#ffffff", 4.48),
        ("#ffffff", "#767676", 4.54),
        ("#ffff00", "#ffffff", 1.07),
        # By the weights of the definition alone: (0.2126 + 0.05) / 0.05.
        ("#ff0000", "#000000", 5.25),
    ],
)
def test_contrast_is_what_is_published(one: str, other: str, ratio: float) -> None:
    """To two decimals, whichever is named first."""
    assert round(contrast(one, other), 2) == ratio
    assert contrast(one, other) == contrast(other, one)

"""How well a text stands out from its ground, as WCAG 2.2 counts it."""

from __future__ import annotations


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours "#rrggbb", 1 to 21: (lighter + 0.05) / (darker + 0.05).

    Source: WCAG 2.2, definitions of "contrast ratio" and "relative luminance" (w3.org/TR/WCAG22).
    """
    darker, lighter = sorted((_luminance(one), _luminance(other)))
    return (lighter + 0.05) / (darker + 0.05)


def _luminance(colour: str) -> float:
    red, green, blue = (_linear(int(colour[place : place + 2], 16) / 255) for place in (1, 3, 5))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _linear(share: float) -> float:
    return share / 12.92 if share <= 0.04045 else float(((share + 0.055) / 1.055) ** 2.4)

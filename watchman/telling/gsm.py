"""How much room a text takes on a phone: the GSM 7-bit alphabet, and plain likenesses for what lies outside it.

Source of the alphabet, its extension table and the sizes: 3GPP TS 23.038, sections 6.2.1 and 6.2.1.1 (alphabet),
and 3GPP TS 23.040, section 9.2.3.24.1 (a text in several parts loses 7 septets or 3 UCS-2 units of each to a header).
"""

from __future__ import annotations

import re
import unicodedata

ESCAPE = "\x1b"

ALPHABET = (
    "@£$¥èéùìòÇ\nØø\rÅå"
    "Δ_ΦΓΛΩΠΨΣΘΞ\x1bÆæßÉ"
    " !\"#¤%&'()*+,-./"
    "0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNO"
    "PQRSTUVWXYZÄÖÑÜ§"
    "¿abcdefghijklmno"
    "pqrstuvwxyzäöñüà"
)
"""The default alphabet in the order of its codes 0x00 to 0x7F; ESC at 0x1B leads to the extension table."""

EXTENSION = {
    "\f": 0x0A,
    "^": 0x14,
    "{": 0x28,
    "}": 0x29,
    "\\": 0x2F,
    "[": 0x3C,
    "~": 0x3D,
    "]": 0x3E,
    "|": 0x40,
    "€": 0x65,
}
"""Characters written as ESC and a second septet, with the code of the second."""

SINGLE, PART = 160, 153
"""Septets in a text of one part, and in each part of a longer one (140 octets; 6 of them go to the header)."""

WIDE_SINGLE, WIDE_PART = 70, 67
"""The same in UCS-2 units of two octets, which one single character outside the alphabet costs the whole text."""

_COST = {character: 1 for character in ALPHABET if character != ESCAPE} | dict.fromkeys(EXTENSION, 2)

# Our own choice of likenesses; what is not here loses its accents, and failing that becomes a question mark.
_LIKENESS = {
    "°": "deg",
    "\t": " ",
    "\u00a0": " ",
    "\u2009": " ",
    "\u202f": " ",
    "\u2018": "'",
    "\u2019": "'",
    "\u201a": "'",
    "\u2032": "'",
    "`": "'",
    "´": "'",
    "\u201c": '"',
    "\u201d": '"',
    "\u201e": '"',
    "\u2033": '"',
    "«": '"',
    "»": '"',
    "\u2010": "-",
    "\u2011": "-",
    "\u2012": "-",
    "\u2013": "-",
    "\u2014": "-",
    "\u2212": "-",
    "…": "...",
    "•": "-",
    "·": ".",
    "\u2044": "/",
    "×": "x",
    "÷": "/",
    "±": "+/-",
    "≥": ">=",
    "≤": "<=",
    "≈": "~",
    "→": "->",
    "←": "<-",
    "µ": "u",
    "μ": "u",
    "œ": "oe",
    "Œ": "OE",
    "ł": "l",
    "Ł": "L",
    "đ": "d",
    "Đ": "D",
    "ð": "d",
    "Ð": "D",
    "þ": "th",
    "Þ": "Th",
    "ı": "i",
    "ẞ": "SS",
}


def is_plain(text: str) -> bool:
    """Say whether every character of the text is in the GSM 7-bit alphabet or its extension table."""
    return all(character in _COST for character in text)


def plain(text: str) -> str:
    """Return the text with every character outside the GSM 7-bit alphabet replaced by a plain likeness, or by "?"."""
    if is_plain(text):
        return text
    # "12 °C" reads better as "12 C" than as "12 degC".
    composed = re.sub(r" ?°(?=[CF]\b)", " ", unicodedata.normalize("NFC", text))
    return "".join(_plain_character(character) for character in composed)


def septets(text: str) -> int:
    """Return the room a text takes in the GSM 7-bit alphabet [septets]; extension characters cost two.

    The text must be plain; a character outside the alphabet raises ValueError.
    """
    try:
        return sum(_COST[character] for character in text)
    except KeyError as error:
        raise ValueError(f"{error.args[0]!r} is not in the GSM 7-bit alphabet") from error


def parts(text: str) -> int:
    """Return in how many parts a phone network carries the text; a pair of ESC and its character is never split."""
    if is_plain(text):
        return _packed([_COST[character] for character in text], SINGLE, PART)
    # A character beyond the basic plane is a pair of UCS-2 units, and is not split either (from memory).
    return _packed([2 if ord(character) > 0xFFFF else 1 for character in text], WIDE_SINGLE, WIDE_PART)


def _packed(costs: list[int], single: int, part: int) -> int:
    """Return how many parts hold the costs in order, none of them split across two parts."""
    if sum(costs) <= single:
        return 1
    count, used = 1, 0
    for cost in costs:
        if used + cost > part:
            count, used = count + 1, 0
        used += cost
    return count


def _plain_character(character: str) -> str:
    """Return the character itself, its likeness, or its letter without accents; nothing for what has no shape."""
    if character in _COST:
        return character
    if character in _LIKENESS:
        return _LIKENESS[character]
    if unicodedata.category(character) in ("Mn", "Cf"):
        return ""
    letters = [c for c in unicodedata.normalize("NFKD", character) if not unicodedata.combining(c)]
    bare = "".join(_LIKENESS.get(c, c) for c in letters)
    return bare if bare and is_plain(bare) else "?"

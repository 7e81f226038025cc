"""The GSM 7-bit alphabet and the sizes of texts against 3GPP TS 23.038 (alphabet) and TS 23.040 (parts)."""

import pytest

from watchman.telling import gsm


@pytest.mark.parametrize(
    ("code", "character"),
    [
        (0x00, "@"),
        (0x02, "$"),
        (0x04, "è"),
        (0x09, "Ç"),
        (0x0A, "\n"),
        (0x0D, "\r"),
        (0x0F, "å"),
        (0x10, "Δ"),
        (0x11, "_"),
        (0x1A, "Ξ"),
        (0x1B, "\x1b"),
        (0x1F, "É"),
        (0x20, " "),
        (0x24, "¤"),
        (0x3F, "?"),
        (0x40, "¡"),
        (0x41, "A"),
        (0x5A, "Z"),
        (0x5B, "Ä"),
        (0x5F, "§"),
        (0x60, "¿"),
        (0x61, "a"),
        (0x7A, "z"),
        (0x7B, "ä"),
        (0x7F, "à"),
    ],
)
def test_alphabet(code: int, character: str) -> None:
    """The default alphabet stands in the order of its codes (TS 23.038, 6.2.1)."""
    assert len(gsm.ALPHABET) == 128
    assert gsm.ALPHABET[code] == character


def test_digits_and_letters_keep_their_ascii_codes() -> None:
    """Digits and unaccented letters have the same codes as in ASCII (TS 23.038, 6.2.1)."""
    same = [chr(code) for code in [*range(0x30, 0x3A), *range(0x41, 0x5B), *range(0x61, 0x7B)]]

    assert [gsm.ALPHABET.index(character) for character in same] == [ord(character) for character in same]


def test_extension_table() -> None:
    """Ten characters are written as ESC and a second septet (TS 23.038, 6.2.1.1)."""
    assert gsm.EXTENSION == {
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
    assert all(gsm.septets(character) == 2 for character in gsm.EXTENSION)


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("", 1),
        ("a" * 160, 1),
        ("a" * 161, 2),
        ("a" * 306, 2),
        ("a" * 307, 3),
        ("€" * 80, 1),
        ("a" * 159 + "€", 2),
        ("€" * 152, 2),
        ("€" * 153, 3),
        ("a" * 69 + "°", 1),
        ("a" * 70 + "°", 2),
        ("a" * 133 + "°", 2),
        ("a" * 134 + "°", 3),
        ("雨" * 70, 1),
        ("a" * 68 + "\U0001f327", 1),
        ("a" * 69 + "\U0001f327", 2),
    ],
)
def test_parts(text: str, parts: int) -> None:
    """One part holds 160 septets or 70 UCS-2 units, several hold 153 or 67 each, and no pair is split (TS 23.040)."""
    assert gsm.parts(text) == parts


@pytest.mark.parametrize("character", ["°", "²", "µ", "’", "–", "`", "\t", "≥"])
def test_not_in_the_alphabet(character: str) -> None:
    """These common characters are not in the alphabet: each turns 160 into 70 (TS 23.038, 6.2.1)."""
    assert not gsm.is_plain(character)

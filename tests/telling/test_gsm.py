"""Texts are measured and made plain as phone networks carry them."""

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchman.telling import gsm


@pytest.mark.parametrize(
    ("written", "carried"),
    [
        ("Fennick Br silent since 02:10", "Fennick Br silent since 02:10"),
        ("12.5 °C", "12.5 C"),
        ("-3°C, 20°F", "-3 C, 20 F"),
        ("wind 45° on", "wind 45deg on"),
        ("“don’t”", '"don\'t"'),
        ("06:00\u201307:15", "06:00-07:15"),
        ("rain \u2265 25 mm", "rain >= 25 mm"),
        ("a\tb", "a b"),
        ("20\u00a0mm", "20 mm"),
        ("Café Zürich Åre", "Café Zürich Åre"),
        ("Łódź, Plzeň, Brașov, Tromsø", "Lodz, Plzen, Brasov, Tromsø"),
        ("e\u0301té", "été"),
        ("m² and ½", "m2 and 1/2"),
        ("⚠\ufe0f 雨", "? ?"),
        ("a\u200bb", "ab"),
        ("lone \x1b", "lone ?"),
    ],
)
def test_likeness(written: str, carried: str) -> None:
    """What lies outside the alphabet is replaced by what people read the same way."""
    assert gsm.plain(written) == carried


@given(st.text())
def test_always_plain(text: str) -> None:
    """Whatever people write, the plain text can be measured, and making it plain twice changes nothing."""
    plain = gsm.plain(text)

    assert gsm.is_plain(plain)
    assert gsm.plain(plain) == plain
    assert gsm.septets(plain) >= len(plain)


@given(st.text(alphabet=st.sampled_from(sorted(gsm.EXTENSION) + list(string.ascii_letters)), max_size=700))
def test_parts_hold_the_text(text: str) -> None:
    """The parts are as few as can hold the text, but for the septet a pair left over at a part's end."""
    needed, count = gsm.septets(text), gsm.parts(text)

    if needed <= gsm.SINGLE:
        assert count == 1
    else:
        assert -(-needed // gsm.PART) <= count <= -(-needed // (gsm.PART - 1))


def test_not_plain_has_no_septets() -> None:
    """Asking for the septets of a text that is not plain is refused, naming the character."""
    with pytest.raises(ValueError, match="°"):
        gsm.septets("12 °C")

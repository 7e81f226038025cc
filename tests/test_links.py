"""Personal links: short, and of no use to whoever changes a letter of one."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchman.links import (
    LETTERS,
    code,
    is_for,
    link,
    message_id,
    number_in,
    own_code,
    standing_link,
    stop_link,
    whose_standing,
    whose_stop,
)

KEY = "sixteen letters and more"
BASE = "https://watch.example.org"


def token_of(address: str) -> str:
    """Return what stands behind a link's last stroke."""
    return address.rpartition("/")[2]


@given(st.integers(1, 10**9), st.text(max_size=20))
def test_there_and_back(number: int, person: str) -> None:
    """A link says which notice it answers, is for that person alone, and adds at most 22 letters and digits."""
    address = link(KEY, BASE, number, person)
    token = token_of(address)

    assert address.startswith(BASE)
    assert len(address) - len(BASE) <= 22
    assert set(token) <= set(LETTERS)
    assert number_in(token) == number
    assert is_for(KEY, token, number, person)
    assert not is_for(KEY, token, number + 1, person)
    assert not is_for(KEY, token, number, person + "x")
    assert not is_for(KEY + "x", token, number, person)


@given(st.data())
def test_one_letter_changed(data: st.DataObject) -> None:
    """A link with any letter changed is for nobody."""
    token = token_of(link(KEY, BASE, 4711, "tech-1"))
    place = data.draw(st.integers(0, len(token) - 1))
    letter = data.draw(st.sampled_from([one for one in LETTERS if one != token[place]]))
    changed = token[:place] + letter + token[place + 1 :]

    number = number_in(changed)

    assert number is not None
    assert not (number == 4711 and is_for(KEY, changed, number, "tech-1"))
    assert not is_for(KEY, changed, number, "tech-1")


@pytest.mark.parametrize("token", ["", "short", "favicon.ico", "é" * 20, "1" * 40, "../../etc/passwd", "0" * 14])
def test_no_link_at_all(token: str) -> None:
    """What can't be a link claims no notice."""
    assert number_in(token) is None


def test_in_a_text() -> None:
    """A notice's whole link leaves most of a text of 160 letters for what it says."""
    assert len(link(KEY, BASE, 99_999, "tech-1")) <= 45


def test_path_in_the_address() -> None:
    """A board behind a path keeps it, with one stroke between."""
    assert link(KEY, BASE + "/board/", 1, "a").startswith(BASE + "/board/")
    assert "//" not in link(KEY, BASE + "/board/", 1, "a").removeprefix("https://")


def test_standing() -> None:
    """A standing link is one person's, whoever else there is, and no notice's link stands for one."""
    people = ["warden", "tech-1", "tech-2"]
    token = token_of(standing_link(KEY, BASE, "tech-1"))

    assert whose_standing(KEY, token, people) == "tech-1"
    assert whose_standing(KEY, token, ["warden"]) is None
    assert whose_standing(KEY + "x", token, people) is None
    assert whose_standing(KEY, token[:-1], people) is None
    assert whose_standing(KEY, token.removeprefix("my-"), people) is None
    assert whose_standing(KEY, "my-" + token_of(link(KEY, BASE, 1, "tech-1"))[1:], people) is None


def test_stop() -> None:
    """A link that stops notices is one person's, and neither a standing link nor a notice's passes for one."""
    people = ["warden", "host-1"]
    token = token_of(stop_link(KEY, BASE, "host-1"))

    assert whose_stop(KEY, token, people) == "host-1"
    assert whose_stop(KEY, token, ["warden"]) is None
    assert whose_stop(KEY + "x", token, people) is None
    assert whose_stop(KEY, "stop-" + token_of(standing_link(KEY, BASE, "host-1"))[3:], people) is None
    assert whose_standing(KEY, "my-" + token[5:], people) is None


@given(st.integers(1, 10**9), st.text(max_size=20))
def test_codes(number: int, person: str) -> None:
    """Three letters for one notice, five of one's own, no vowel among them, and others for anybody else."""
    letters, own = code(KEY, number, person), own_code(KEY, person)
    assert (len(letters), len(own)) == (3, 5)
    assert not set(letters + own) & set("aeiouyls0123456789")
    assert (letters, own) == (code(KEY, number, person), own_code(KEY, person))
    assert own != own_code(KEY, person + "x")
    assert own != own_code(KEY + "x", person)


def test_codes_are_spread() -> None:
    """A thousand notices have many codes: one learned tells nothing of the next."""
    assert len({code(KEY, number, "tech-1") for number in range(1000)}) > 850


def test_message_ids() -> None:
    """Each is new, under the sender's domain."""
    ids = {message_id("watch@example.org") for _ in range(100)}
    assert len(ids) == 100
    assert all(one.endswith("@example.org>") and one.startswith("<wm.") for one in ids)
    assert message_id("").endswith("@localhost>")

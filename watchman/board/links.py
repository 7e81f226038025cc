"""Personal links: short enough for a text, and of no use to anybody who does not have the key.

A link to a notice ends in the notice's number and a signature over that number and the person; a standing link ends in
a signature over the person alone. Letters and digits only, because phones cut other signs off a link's end.
"""

from __future__ import annotations

import hashlib
import hmac
import string
from collections.abc import Iterable

LETTERS = string.digits + string.ascii_letters
SIGNED = 14
"""Letters of a signature: 83 bits. RFC 2104, section 5, asks for 80 bits at least."""
STANDING = "my-"


def link(key: str, base_address: str, notice_number: int, person: str) -> str:
    """Return the link by which one person answers one notice; it adds at most 22 characters to the board's address."""
    return f"{base_address.rstrip('/')}/{_in_letters(notice_number)}{_signature(key, _notice(notice_number, person))}"


def standing_link(key: str, base_address: str, person: str) -> str:
    """Return the link by which one person sees the network now."""
    return f"{base_address.rstrip('/')}/{STANDING}{_signature(key, _standing(person))}"


def number_in(token: str) -> int | None:
    """Return the number of the notice that a token claims to answer, or None if it can't be one."""
    number = token[:-SIGNED]
    if not 1 <= len(number) <= 7 or not all(letter in LETTERS for letter in token):
        return None
    value = 0
    for letter in number:
        value = value * len(LETTERS) + LETTERS.index(letter)
    return value


def is_for(key: str, token: str, notice_number: int, person: str) -> bool:
    """Say whether a token was made for this notice and this person."""
    return _same(token[-SIGNED:], _signature(key, _notice(notice_number, person)))


def whose_standing(key: str, token: str, people: Iterable[str]) -> str | None:
    """Return the person whose standing link this is, or None."""
    signature = token.removeprefix(STANDING)
    found = None
    for person in people:
        if _same(signature, _signature(key, _standing(person))):
            found = person
    return found if token.startswith(STANDING) else None


def _notice(number: int, person: str) -> str:
    return f"notice:{number}:{person}"


def _standing(person: str) -> str:
    return f"standing:{person}"


def _same(one: str, other: str) -> bool:
    """Compare in a time that says nothing of where they differ."""
    return hmac.compare_digest(one.encode(), other.encode())


def _signature(key: str, words: str) -> str:
    digest = hmac.digest(key.encode(), words.encode(), hashlib.sha256)
    return _in_letters(int.from_bytes(digest, "big") % len(LETTERS) ** SIGNED).rjust(SIGNED, LETTERS[0])


def _in_letters(number: int) -> str:
    written = ""
    while number:
        number, digit = divmod(number, len(LETTERS))
        written = LETTERS[digit] + written
    return written or LETTERS[0]

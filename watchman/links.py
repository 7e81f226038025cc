"""Personal links and codes: short enough for a text, and of no use to anybody who does not have the key.

A link to a notice ends in the notice's number and a signature over that number and the person; a standing link ends in
a signature over the person alone, and so does the link that stops a volunteer's notices. Letters and digits only,
because phones cut other signs off a link's end. A code is what a reply by text carries, since no link fits into it:
three letters for one notice, five that are a person's own.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import string
from collections.abc import Callable, Iterable

from watchman.telling.answering import CODE_LETTERS

LETTERS = string.digits + string.ascii_letters
SIGNED = 14
"""Letters of a signature: 83 bits. RFC 2104, section 5, asks for 80 bits at least."""
STANDING, STOP = "my-", "stop-"
CODE, OWN_CODE = 3, 5
"""Letters of a code for one notice (1 in 5832) and of a person's own (1 in 1.9 million)."""


def link(key: str, base_address: str, notice_number: int, person: str) -> str:
    """Return the link by which one person answers one notice; it adds at most 22 characters to the board's address."""
    return f"{base_address.rstrip('/')}/{_in_letters(notice_number)}{_signature(key, _notice(notice_number, person))}"


def standing_link(key: str, base_address: str, person: str) -> str:
    """Return the link by which one person sees the network now."""
    return f"{base_address.rstrip('/')}/{STANDING}{_signature(key, _standing(person))}"


def stop_link(key: str, base_address: str, person: str) -> str:
    """Return the link by which one volunteer stops all notices, or has them again."""
    return f"{base_address.rstrip('/')}/{STOP}{_signature(key, _stop(person))}"


def code(key: str, notice_number: int, person: str) -> str:
    """Return the letters that a reply by text to one notice carries."""
    return _code(key, f"code:{_notice(notice_number, person)}", CODE)


def own_code(key: str, person: str) -> str:
    """Return the letters by which a person says by text what no notice asked for."""
    return _code(key, f"code:{_standing(person)}", OWN_CODE)


def message_id(sender: str) -> str:
    """Return a new Message-ID under a mail address's domain (RFC 5322, 3.6.4), by which a reply finds its notice.

    80 random bits, as many as a link's signature has at least: nobody guesses one.
    """
    return f"<wm.{secrets.token_hex(10)}@{sender.rpartition('@')[2] or 'localhost'}>"


def same(one: str, other: str) -> bool:
    """Say whether two secrets are the same, in a time that says nothing of where they differ."""
    return hmac.compare_digest(one.encode("utf-8", "backslashreplace"), other.encode("utf-8", "backslashreplace"))


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
    return same(token[-SIGNED:], _signature(key, _notice(notice_number, person)))


def whose_standing(key: str, token: str, people: Iterable[str]) -> str | None:
    """Return the person whose standing link this is, or None."""
    return _whose(key, token, STANDING, _standing, people)


def whose_stop(key: str, token: str, people: Iterable[str]) -> str | None:
    """Return the person whose link to stop all notices this is, or None."""
    return _whose(key, token, STOP, _stop, people)


def _whose(key: str, token: str, opens: str, words: Callable[[str], str], people: Iterable[str]) -> str | None:
    signature = token.removeprefix(opens)
    found = None
    for person in people:
        if same(signature, _signature(key, words(person))):
            found = person
    return found if token.startswith(opens) else None


def _notice(number: int, person: str) -> str:
    return f"notice:{number}:{person}"


def _standing(person: str) -> str:
    return f"standing:{person}"


def _stop(person: str) -> str:
    return f"stop:{person}"


def _signature(key: str, words: str) -> str:
    return _in_letters(_digest(key, words) % len(LETTERS) ** SIGNED).rjust(SIGNED, LETTERS[0])


def _code(key: str, words: str, letters: int) -> str:
    number = _digest(key, words)
    return "".join(CODE_LETTERS[number // len(CODE_LETTERS) ** place % len(CODE_LETTERS)] for place in range(letters))


def _digest(key: str, words: str) -> int:
    return int.from_bytes(hmac.digest(key.encode(), words.encode(), hashlib.sha256), "big")


def _in_letters(number: int) -> str:
    written = ""
    while number:
        number, digit = divmod(number, len(LETTERS))
        written = LETTERS[digit] + written
    return written or LETTERS[0]

"""Replies by text, as a gateway hands them in: POST to /texts/<key>, a form or JSON.

A sender's number alone proves nothing: a reply carries the letters of the notice it answers, or the person's own. Only
a volunteer's STOP and START need none, for they must work for anybody, and are confirmed to the volunteer. The gateway
hears the same whatever becomes of a text, so that it tries none again and nobody learns anything by trying.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime
from threading import Lock

from watchman import answers, links
from watchman.model import Notice
from watchman.network import Contact, Network
from watchman.store import Store
from watchman.telling import answering
from watchman.telling.answering import Kind, Said

WRONG_A_DAY = 5
"""After so many texts from a number in a day that prove nothing the rest of its day is not read (the owner's word)."""
WRONG = "wrong codes:"
"""How the marks begin of how often a number sent a wrong code, and on which day."""
LONGEST = 1000
"""How much of a text is read [characters]."""

_turn = Lock()
"""One text is acted on at a time: the wrong ones are counted."""


def take(store: Store, network: Network, key: str, sender: str, text: str, now: datetime) -> None:
    """Act on a text that came in. key: what codes are signed with. Raises OutsideError."""
    contact = _who(network, sender)
    if contact is None:
        answers.refuse("texts", "from a number that is no contact's")
        return
    with _turn:
        if _wrong_today(store, network, contact, now) >= WRONG_A_DAY and not _is_free(contact, text, network, now):
            answers.refuse("texts", f"{contact.name} has sent {WRONG_A_DAY} wrong codes today")
            return
        _act(store, network, key, contact, text[:LONGEST], now)


def _act(store: Store, network: Network, key: str, contact: Contact, text: str, now: datetime) -> None:
    said = answering.read(text, network, now)
    if isinstance(said, str):
        # Whoever sent it has proved nothing: the person hears that it was not understood, and nothing is done.
        _count_wrong(store, network, contact, now)
        answers.refuse("texts", f"not understood, from {contact.name}'s number")
        answers.tell(store, network, contact.name, "text", said, now)
        return
    free = _is_free(contact, text, network, now)
    notice = _answered(store, key, contact, said, now)
    own = bool(said.own_code) and links.same(said.own_code, links.own_code(key, contact.name))
    if notice is None and not own and not free:
        _count_wrong(store, network, contact, now)
        answers.refuse("texts", f"wrong or no code, from {contact.name}'s number")
        hint = f"{said.kind} 43kxq" if said.kind is not Kind.VISIT else "VISIT HOLLIN 2H and your own five letters"
        sentence = f"Not done: the letters are missing or wrong. Copy them from the notice, like {hint}."
        answers.tell(store, network, contact.name, "text", sentence, now)
        return
    if notice is not None and answers.is_stale(notice, now):
        answers.refuse("texts", f"notice {notice.number} is stale, from {contact.name}'s number")
        sentence = f"That notice is more than {answers.STALE.days} days old and can't be answered any more."
        answers.tell(store, network, contact.name, "text", sentence, now)
        return
    done = answers.act(store, network, said, contact.name, now, notice=notice)
    # Anybody can write a volunteer's number: said again, it is not confirmed again.
    if done.acted if free else not done.acted or done.visit is not None:
        answers.tell(store, network, contact.name, "text", done.sentence, now)


def _is_free(contact: Contact, text: str, network: Network, now: datetime) -> bool:
    """Say whether a text needs no letters: a volunteer may stop, and begin again, without any."""
    said = answering.read(text[:LONGEST], network, now) if contact.is_volunteer else ""
    return isinstance(said, Said) and said.kind in (Kind.STOP, Kind.START)


def _who(network: Network, sender: str) -> Contact | None:
    number = _digits(sender)
    return next((one for one in network.contacts if number and _digits(one.phone) == number), None)


def _digits(number: str) -> str:
    """Return a number's digits with its country code; "" for what is no number."""
    if not re.fullmatch(r"(\+|00)?[0-9 ()./-]{7,25}", number.strip()):
        return ""
    return re.sub(r"[^0-9]", "", number).removeprefix("00")


def _answered(store: Store, key: str, contact: Contact, said: Said, now: datetime) -> Notice | None:
    """Return the notice whose letters a text carries, or None."""
    found = None
    if said.number and said.code:
        for notice in _about(store, said.number, now):
            theirs = notice.person == contact.name and notice.channel == "text"
            if theirs and links.same(said.code, links.code(key, notice.number, notice.person)):
                found = notice
    return found


def _about(store: Store, number: int, now: datetime) -> Iterator[Notice]:
    """Yield the notices that a number may stand for: an alarm's, or a drill's."""
    yield from store.notices(alarm=number)
    yield from (one for one in store.notices(begin=now - answers.STALE) if one.occasion == f"drill:{number}")


def _wrong_today(store: Store, network: Network, contact: Contact, now: datetime) -> int:
    mark = f"{WRONG}{contact.name}"
    day, _, count = store.marks(mark).get(mark, "").partition(" ")
    return int(count) if day == _today(network, now) and count.isdigit() else 0


def _count_wrong(store: Store, network: Network, contact: Contact, now: datetime) -> None:
    count = _wrong_today(store, network, contact, now) + 1
    store.set_mark(f"{WRONG}{contact.name}", f"{_today(network, now)} {count}")
    if count == WRONG_A_DAY:
        sentence = (
            f"{count} texts from your number had wrong letters. Until tomorrow none is read: answer by link or mail."
        )
        answers.tell(store, network, contact.name, "text", sentence, now)


def _today(network: Network, now: datetime) -> str:
    return now.astimezone(network.zone).date().isoformat()

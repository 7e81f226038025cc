"""Who would be told now, in words: on duty, next, away, in quiet hours; and which role reaches nobody."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from datetime import datetime

from watchman.judging.checks import heavy_rain
from watchman.model import When
from watchman.network import Contact, Network
from watchman.telling import roster
from watchman.telling.phrases import Phrases, listed

NAMED = 6


def would_tell(network: Network, role: str, now: datetime) -> str:
    """Return who would be told now of what concerns a role, who is called next, and who is not to be had."""
    say = Phrases(network, now)
    told, order = roster.on_duty(network, role, now), roster.in_turn(network, role, now)
    if not told:
        return f"{role}: NOBODY."
    ends = roster.turn_ends_at(network, role, now)
    turn = f", on duty{f' until {say.stamp(ends)}' if ends else ''}" if order else ""
    words = f"{role}: {listed([f'{one.name} ({_ways(one)}{turn})' for one in told], NAMED)}"
    if order[1:]:
        words += f", then {listed(order[1:], NAMED)}"
    concerned = [one for one in network.contacts if role in one.roles or one.name in order or one in told]
    return ". ".join([words, *_hindrances(network, concerned, say)]) + "."


def _ways(contact: Contact) -> str:
    return " and ".join(roster.channels(contact))


def _hindrances(network: Network, contacts: Iterable[Contact], say: Phrases) -> Iterator[str]:
    """Yield who is away, and whose phone is to stay silent now."""
    for contact in contacts:
        last_day = roster.away_until(network, contact.name, say.now)
        silent_until = roster.silent_until(network, contact, say.now)
        if contact.name in network.stopped:
            yield f"{contact.name} asked not to be told any more"
        elif last_day is not None:
            yield f"{contact.name} is away until {say.day(last_day)}"
        elif silent_until is not None:
            but = "" if contact.hold_heavy_rain else ", heavy rain apart"
            yield f"{contact.name} has quiet hours until {say.clock(silent_until)}{but}"


def roles_told(network: Network) -> list[str]:
    """Return the roles that some rule tells, in the order in which they come."""
    told = [
        role for rule in network.rules for one in (rule, rule.beside_rain, rule.relied_on) if one for role in one.tell
    ]
    return list(dict.fromkeys(told))


def unsafe(network: Network, now: datetime, answered: Collection[str] | None) -> Iterator[str]:
    """Yield what keeps heavy rain from reaching a role. answered: who answered the last drill; None without one."""
    rules = [rule for rule in network.rules if rule.check == heavy_rain.NAME and rule.when is When.NOW]
    for role in dict.fromkeys(role for rule in rules for role in rule.tell):
        order = roster.in_turn(network, role, now)
        reachable = [*roster.on_duty(network, role, now), *(one for one in network.contacts if one.name in order)]
        awake = [one for one in reachable if not (one.hold_heavy_rain and roster.silent_until(network, one, now))]
        if not any(one.text or one.chat for one in reachable):
            yield f"{role}: nobody who is there now has text or chat, and heavy rain by mail wakes nobody."
        elif not any(one.text or one.chat for one in awake):
            yield f"{role}: everybody who is there now holds heavy rain back in quiet hours."
        elif answered is not None and not any(one.name in answered for one in reachable):
            names = listed(list(dict.fromkeys(one.name for one in reachable)), NAMED)
            yield f"{role}: of {names} nobody answered the last drill. Would their phones ring? Ask them."

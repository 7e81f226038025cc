"""So many notices of faults a person gets in a day: what goes beyond is gathered into one, or waits."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from watchman.model import Alarm, EventKind, Notice
from watchman.network import Network
from watchman.telling.roster import channels, is_safety

BUDGETED = frozenset({"fault", "tool"})
"""The kinds of notices about alarms of which a person gets so many a day at most, safety news apart."""


def is_budgeted(notice: Notice, alarm: Alarm | None) -> bool:
    """Say whether a notice counts against its person's budget of the day: storms and safety news never do."""
    return alarm is not None and notice.kind in BUDGETED and not is_safety(alarm)


@dataclass(frozen=True, slots=True)
class Shares:
    """What the budgets of a day make of notices that are due. gathered: by the number of the notice that carries them,
    all that it tells of, itself first; waiting: those for which nothing is left today. The others go alone.
    """

    gathered: Mapping[int, tuple[Notice, ...]]
    waiting: tuple[Notice, ...]


def shares(network: Network, due: Iterable[Notice], alarms: Mapping[int, Alarm], sent: Iterable[Notice]) -> Shares:
    """Return what each person's budget makes of the notices that are due and count against it.

    alarms: by number; sent: what counts and went out today. By each channel: if all fit, each goes alone; else the last
    one allowed carries all the others, the least severe ones; if none is allowed any more, they wait.
    """
    spent = Counter((notice.person, notice.channel) for notice in sent)
    ways: dict[tuple[str, str], list[Notice]] = {}
    for notice in due:
        ways.setdefault((notice.person, notice.channel), []).append(notice)
    gathered: dict[int, tuple[Notice, ...]] = {}
    waiting: list[Notice] = []
    for contact in network.contacts:
        for channel in channels(contact):
            mine = sorted(ways.get((contact.name, channel), ()), key=lambda notice: _rank(notice, alarms))
            left = contact.budget - spent[contact.name, channel]
            if left <= 0:
                waiting += mine
            elif len(mine) > left:
                gathered[mine[left - 1].number] = tuple(mine[left - 1 :])
    return Shares(gathered, tuple(waiting))


def _rank(notice: Notice, alarms: Mapping[int, Alarm]) -> tuple[bool, int, datetime, int]:
    """Return what decides which notices go alone: a person called in another's place first, then the most severe."""
    return (
        notice.event != EventKind.ESCALATED,
        -alarms[notice.alarm].severity.rank,
        notice.due_at,
        notice.number,
    )

"""Drills: who was asked to answer the last one, who has, and who is told of those who have not."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from watchman.memory import Memory
from watchman.model import Notice, NoticeState, When
from watchman.network import Network
from watchman.telling import calling, compose, phrases, roster

ANSWER_WITHIN = timedelta(hours=4)
"""How long after the last notice of a drill was due its answers are waited for (judgement, no source)."""
SETTLED = "drill_settled"
"""The mark of the last drill whose answers were looked at."""


@dataclass(frozen=True, slots=True)
class Drill:
    """A drill and what came of it. notices: all that were made; answered: when each person first answered."""

    number: int
    drilled_at: datetime
    notices: tuple[Notice, ...]
    answered: dict[str, datetime]

    @property
    def asked(self) -> tuple[str, ...]:
        """Return who was asked, in the order of the notices."""
        return tuple(dict.fromkeys(notice.person for notice in sorted(self.notices, key=lambda one: one.number)))

    @property
    def missing(self) -> tuple[str, ...]:
        """Return who has not answered."""
        return tuple(person for person in self.asked if person not in self.answered)

    @property
    def lost(self) -> tuple[str, ...]:
        """Return whom none of the notices reached."""
        given_up = (NoticeState.REFUSED, NoticeState.UNKNOWN, NoticeState.WITHDRAWN)
        reached = {notice.person for notice in self.notices if notice.state not in given_up}
        return tuple(person for person in self.asked if person not in reached)

    @property
    def answers_due(self) -> datetime:
        """Return until when answers are waited for."""
        return max((notice.due_at for notice in self.notices), default=self.drilled_at) + ANSWER_WITHIN


def last(store: Memory) -> Drill | None:
    """Return the last drill, or None if there was none."""
    marks = store.marks()
    if "last_drill" not in marks or "last_drill_at" not in marks:
        return None
    number, drilled_at = int(marks["last_drill"]), datetime.fromisoformat(marks["last_drill_at"])
    made = store.notices(begin=drilled_at - timedelta(seconds=1), end=drilled_at)
    answered: dict[str, datetime] = {}
    for answer in store.answers_after(0):
        if answer.kind == "came" and answer.reason == f"drill:{number}":
            answered.setdefault(answer.who, answer.at)
    return Drill(number, drilled_at, tuple(one for one in made if one.occasion == f"drill:{number}"), answered)


def owed(network: Network, store: Memory, now: datetime) -> tuple[list[Notice], dict[str, str]]:
    """Return the notice that is due once some have let the time for their answers pass, and what is to be marked."""
    marks = store.marks()
    if marks.get("last_drill", "") == marks.get(SETTLED, ""):
        return [], {}
    drill = last(store)
    if drill is None or now < drill.answers_due:
        return [], {}
    settled = {SETTLED: str(drill.number)}
    if not drill.missing or not calling.can_answer(network):
        return [], settled
    told = roster.told_now(network, ("technician", "supervisor"), now) or list(network.contacts)
    return roster.summon(network, f"unanswered:{drill.number}", "tool", told, now, When.BY_DAY), settled


def unanswered(store: Memory, number: int) -> compose.Unanswered | None:
    """Return who has still not answered a drill; None when all have, or when there was another since."""
    drill = last(store)
    if drill is None or drill.number != number or not drill.missing:
        return None
    return compose.Unanswered(number, drill.drilled_at, len(drill.asked), drill.missing, drill.lost)


def as_lines(network: Network, drill: Drill, now: datetime) -> Iterator[str]:
    """Yield who has answered a drill, and what became of the notices to the others, for a person's eye."""
    say = phrases.Phrases(network, now)
    count = f"{len(drill.asked) - len(drill.missing)} of {phrases.counted(len(drill.asked), 'person', 'people')}"
    yield f"Drill {drill.number}, {say.stamp(drill.drilled_at)}: {count} answered."
    for person in drill.asked:
        if person in drill.answered:
            yield f"  {person:14} answered {say.stamp(drill.answered[person])}"
        else:
            ways = (_way(notice) for notice in drill.notices if notice.person == person)
            yield f"  {person:14} NOT answered ({', '.join(ways)})"


def _way(notice: Notice) -> str:
    trouble = f": {notice.error}" if notice.error else ""
    return f"{notice.channel} {notice.state.value}{trouble}"

"""What the past would have told by other rules: two replays line by line, and how often each person is told a week.

A line of one run is one of the other's when it has the same rule, scope and event and lies within a day of it; of
several the earliest go together. Where both runs tell it to different people, it is the same for those whom both tell,
lost for the others and added for the new ones, so that what is added and lost makes up the whole difference.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from watchman.model import When
from watchman.telling.digest import week_name

Line = dict[str, Any]
Scoped = tuple[str, Line]
"""A line of a replay with its scope, "station:hollin" or "network"; the line itself names only stations."""

WITHIN = timedelta(days=1)
"""How far apart two runs may tell one and the same thing (judgement, no source): by then the next morning has come."""
ADDED, LOST, SAME = "added", "lost", "same"


def compared(before: Iterable[Scoped], after: Iterable[Scoped]) -> list[Line]:
    """Return the lines of both runs, each once, in order, with "change" before all else: added, lost or same."""
    mine, theirs = _by_kind(before), _by_kind(after)
    found = [
        change
        for kind in dict.fromkeys((*mine, *theirs))
        for one, other in _pairs(mine.get(kind, []), theirs.get(kind, []))
        for change in _changes(one, other)
    ]
    return sorted(found, key=lambda line: line["at"])


def _by_kind(lines: Iterable[Scoped]) -> dict[tuple[str, str, str], list[Line]]:
    kinds: dict[tuple[str, str, str], list[Line]] = {}
    for scope, line in lines:
        kinds.setdefault((line["rule"], scope, line["event"]), []).append(line)
    return kinds


def _pairs(mine: Sequence[Line], theirs: Sequence[Line]) -> Iterator[tuple[Line | None, Line | None]]:
    """Yield lines of one kind beside each other, None where one stands alone; both in order of time."""
    left, right = list(mine), list(theirs)
    while left and right:
        apart = _at(right[0]) - _at(left[0])
        if abs(apart) <= WITHIN:
            yield left.pop(0), right.pop(0)
        elif apart > WITHIN:
            yield left.pop(0), None
        else:
            yield None, right.pop(0)
    yield from ((one, None) for one in left)
    yield from ((None, other) for other in right)


def _changes(one: Line | None, other: Line | None) -> Iterator[Line]:
    before, after = (line["to"] if line else [] for line in (one, other))
    shares = (
        (LOST, one, [person for person in before if person not in after]),
        (SAME, other, [person for person in after if person in before]),
        (ADDED, other, [person for person in after if person not in before]),
    )
    for change, line, people in shares:
        if line is not None and people:
            yield {"change": change, **line, "to": people}


def counts(lines: Iterable[Line], zone: ZoneInfo) -> Counter[tuple[str, str]]:
    """Return how many lines tell each (person, ISO week of the network's own clock); what only the digest names is no
    notice of its own.
    """
    told = (line for line in lines if line["when"] != When.WEEKLY)
    return Counter((person, _week(line, zone)) for line in told for person in line["to"])


def as_table(runs: Sequence[tuple[str, Sequence[Line]]], zone: ZoneInfo) -> list[str]:
    """Return the notices by person and week, a column for each (name, lines), as lines of text; with sums of several
    weeks.
    """
    told = [counts(lines, zone) for _, lines in runs]
    rows: list[tuple[str, ...]] = [("person", "week", *(name for name, _ in runs))]
    for person in sorted({person for of_run in told for person, _ in of_run}):
        weeks = sorted({week for of_run in told for one, week in of_run if one == person})
        rows += [(person, week, *(str(of_run[person, week]) for of_run in told)) for week in weeks]
        if len(weeks) > 1:
            sums = (sum(of_run[person, week] for week in weeks) for of_run in told)
            rows.append((person, "together", *map(str, sums)))
    if len(rows) == 1:
        return ["Nobody would have been told anything."]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return ["Notices by person and week; what only the digest names is not counted:"] + [
        "  ".join(
            cell.ljust(width) if place < 2 else cell.rjust(width)
            for place, (cell, width) in enumerate(zip(row, widths, strict=True))
        )
        for row in rows
    ]


def _week(line: Line, zone: ZoneInfo) -> str:
    return week_name(_at(line).astimezone(zone).date())


def _at(line: Line) -> datetime:
    return datetime.fromisoformat(line["at"])

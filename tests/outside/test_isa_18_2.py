"""The moves between alarm states, beside the transitions of ANSI/ISA-18.2 / IEC 62682.

Source: the standard's state transition diagram, as OPC UA Part 9 (annex on mapping to ISA-18.2) and trade articles
retell it: Normal -> Unacknowledged on the condition; Unacknowledged -> Acknowledged by a person; Unacknowledged ->
Returned to normal, unacknowledged, when it clears; Acknowledged -> Normal when it clears; Returned -> Normal by a
person, and -> Unacknowledged when it comes back; any of them -> Shelved, Suppressed by design, Out of service, and
back. Names of states from memory of the diagram; acknowledge, shelve (always timed) and return: OPC UA Part 9,
sections 3.1 and 5.8.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from watchman.judging.alarms import step
from watchman.judging.rule import Rule
from watchman.model import Alarm, AlarmKey, AlarmState, Answer, Matter, Verdict

NOW = datetime(2025, 10, 20, 6, tzinfo=UTC)
KEY = AlarmKey("overdue", "overdue", "station:hollin")
RULES = {"overdue": Rule(name="overdue", check="overdue")}
PRESENT = Matter(KEY, "overdue", Verdict.PRESENT, stations=("hollin",))
CLEARED = replace(PRESENT, verdict=Verdict.ABSENT)
BLIND = replace(PRESENT, verdict=Verdict.UNDETERMINED)
WORK = replace(PRESENT, held=True)

NORMAL = AlarmState.NORMAL
UNACKNOWLEDGED = AlarmState.UNACKNOWLEDGED
ACKNOWLEDGED = AlarmState.ACKNOWLEDGED
RETURNED = AlarmState.RETURNED
SHELVED = AlarmState.SHELVED
SUPPRESSED = AlarmState.SUPPRESSED
OUT_OF_SERVICE = AlarmState.OUT_OF_SERVICE

ACKNOWLEDGE = Answer(1, NOW, "acknowledge", "tech-1", 1)
SHELVE = Answer(1, NOW, "shelve", "tech-1", 1, until=NOW + timedelta(days=1))
UNSHELVE = Answer(1, NOW, "unshelve", "tech-1", 1)

Move = Matter | Answer
WAYS: dict[AlarmState, list[Move]] = {
    UNACKNOWLEDGED: [PRESENT],
    ACKNOWLEDGED: [PRESENT, ACKNOWLEDGE],
    RETURNED: [PRESENT, CLEARED],
    SHELVED: [PRESENT, SHELVE],
    SUPPRESSED: [PRESENT, BLIND],
    OUT_OF_SERVICE: [PRESENT, WORK],
}
"""A way into each state, from nothing."""


def after(moves: list[Move]) -> AlarmState:
    """Return the state of the alarm after these moves; normal when it has ended."""
    alarms: dict[AlarmKey, Alarm] = {}
    for minute, move in enumerate(moves):
        now = NOW + timedelta(minutes=minute)
        matters = [move] if isinstance(move, Matter) else []
        answers = [move] if isinstance(move, Answer) else []
        changed, _events = step(alarms.values(), matters, answers, RULES, 0, now)
        alarms |= {alarm.key: alarm for alarm in changed}
        alarms = {key: alarm for key, alarm in alarms.items() if alarm.ended_at is None}
    return alarms[KEY].state if KEY in alarms else NORMAL


@pytest.mark.parametrize(
    ("before", "move", "expected"),
    [
        (UNACKNOWLEDGED, ACKNOWLEDGE, ACKNOWLEDGED),
        (UNACKNOWLEDGED, CLEARED, RETURNED),
        (ACKNOWLEDGED, CLEARED, NORMAL),
        (ACKNOWLEDGED, PRESENT, ACKNOWLEDGED),
        (RETURNED, ACKNOWLEDGE, NORMAL),
        (RETURNED, PRESENT, UNACKNOWLEDGED),
        (UNACKNOWLEDGED, SHELVE, SHELVED),
        (ACKNOWLEDGED, SHELVE, SHELVED),
        (SHELVED, PRESENT, SHELVED),
        (SHELVED, UNSHELVE, UNACKNOWLEDGED),
        (UNACKNOWLEDGED, BLIND, SUPPRESSED),
        (ACKNOWLEDGED, BLIND, SUPPRESSED),
        (SUPPRESSED, PRESENT, UNACKNOWLEDGED),
        (UNACKNOWLEDGED, WORK, OUT_OF_SERVICE),
        (ACKNOWLEDGED, WORK, OUT_OF_SERVICE),
        (OUT_OF_SERVICE, PRESENT, UNACKNOWLEDGED),
    ],
)
def test_each_move_leads_where_the_standard_says(before: AlarmState, move: Move, expected: AlarmState) -> None:
    """One move from one state leads to one state."""
    assert after(WAYS[before]) is before
    assert after([*WAYS[before], move]) is expected


@pytest.mark.parametrize(("aside", "back"), [(SHELVE, UNSHELVE), (BLIND, PRESENT), (WORK, PRESENT)])
def test_what_was_set_aside_goes_back_to_where_it_was(aside: Move, back: Move) -> None:
    """An acknowledged alarm stays acknowledged through shelving, suppression and work at the station."""
    assert after([PRESENT, ACKNOWLEDGE, aside, back]) is ACKNOWLEDGED

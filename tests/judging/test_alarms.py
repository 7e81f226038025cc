"""The life of an alarm: raised once, told again only when it got worse, ended for good."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from watchman.judging.alarms import LATCHED, step
from watchman.judging.rule import Rule
from watchman.model import (
    Alarm,
    AlarmKey,
    AlarmState,
    Answer,
    Call,
    Event,
    EventKind,
    Matter,
    Severity,
    Verdict,
    When,
)

T0 = datetime(2025, 10, 20, 6, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
KEY = AlarmKey("overdue", "overdue", "station:hollin")
WIDER = AlarmKey("overdue", "overdue", "mast:T3")

PRESENT, ABSENT, UNDETERMINED = Verdict.PRESENT, Verdict.ABSENT, Verdict.UNDETERMINED


def matter(verdict: Verdict, key: AlarmKey = KEY, **given: object) -> Matter:
    return replace(Matter(key, "overdue", verdict, stations=("hollin",)), **given)  # type: ignore[arg-type]


class Life:
    """One watch's alarms, moved along minute by minute."""

    def __init__(self, **rule: object) -> None:
        self.rules = {
            "overdue": Rule(name="overdue", check="overdue", **rule),
            "heavy-rain": Rule(name="heavy-rain", check="heavy-rain", **rule),
        }  # type: ignore[arg-type]
        self.alarms: dict[AlarmKey, Alarm] = {}
        self.last_number = 0
        self.events: list[Event] = []

    def at(
        self, minutes: float, *matters: Matter, answers: Sequence[Answer] = (), calls: Sequence[Call] = ()
    ) -> list[str]:
        changed, events = step(
            self.alarms.values(), matters, answers, self.rules, self.last_number, T0 + minutes * MINUTE, calls
        )
        for alarm in changed:
            self.alarms[alarm.key] = alarm
            self.last_number = max(self.last_number, alarm.number)
        self.alarms = {key: alarm for key, alarm in self.alarms.items() if alarm.ended_at is None}
        self.events += events
        return [event.kind.value for event in events]

    def answer(self, kind: str, minutes: float, until: float | None = None) -> list[str]:
        ends = None if until is None else T0 + until * MINUTE
        return self.at(minutes, answers=[Answer(1, T0, kind, "tech-1", 1, ends)])

    @property
    def state(self) -> AlarmState:
        return self.alarms[KEY].state


def test_a_matter_is_told_once_while_it_stands() -> None:
    """However many cycles it stands, it is raised once."""
    life = Life()
    assert [life.at(minute, matter(PRESENT)) for minute in range(4)] == [["raised"], [], [], []]
    assert life.alarms[KEY].number == 1


def test_the_on_delay_must_pass_without_a_break() -> None:
    """Fifteen minutes on, gone, and on again: the delay begins anew."""
    life = Life(on_delay_minutes=15.0)
    assert life.at(0, matter(PRESENT)) == []
    assert life.at(14, matter(PRESENT)) == []
    assert life.at(14.5, matter(ABSENT)) == []
    assert life.at(15, matter(PRESENT)) == []
    assert life.at(30, matter(PRESENT)) == ["raised"]


def test_what_comes_back_before_the_off_delay_is_the_same_alarm() -> None:
    """Gone for less than the off-delay is not over; gone for longer is, and the next one has a new number."""
    life = Life(off_delay_minutes=30.0)
    life.at(0, matter(PRESENT))
    assert life.at(10, matter(ABSENT)) == []
    assert life.at(39, matter(ABSENT)) == []
    assert life.at(39.5, matter(PRESENT)) == []
    life.answer("acknowledge", 40)
    life.at(50, matter(ABSENT))
    assert life.at(80, matter(ABSENT)) == ["returned"]
    assert KEY not in life.alarms
    assert life.at(90, matter(PRESENT)) == ["raised"]
    assert life.alarms[KEY].number == 2


def test_back_before_anybody_saw_it_is_told_as_the_same_alarm() -> None:
    """It returned unacknowledged and came again within the day: an update, under its number."""
    life = Life()
    life.at(3, matter(PRESENT))
    life.at(4, matter(ABSENT))
    assert life.at(5, matter(PRESENT)) == ["updated"]
    assert life.alarms[KEY].number == 1


def test_a_returned_alarm_nobody_acknowledges_ends_after_a_day() -> None:
    """It does not wait for ever."""
    life = Life()
    life.at(0, matter(PRESENT))
    life.at(1, matter(ABSENT))
    assert life.at(LATCHED / MINUTE) == []
    assert KEY in life.alarms
    life.at(1 + LATCHED / MINUTE)
    assert KEY not in life.alarms


def test_undetermined_neither_raises_nor_clears() -> None:
    """A gauge that can't be judged keeps its alarm, suppressed, and goes on where it was."""
    life = Life(off_delay_minutes=5.0)
    assert life.at(0, matter(UNDETERMINED)) == []
    life.at(1, matter(PRESENT))
    assert life.at(2, matter(UNDETERMINED)) == []
    assert life.state is AlarmState.SUPPRESSED
    assert life.at(60, matter(PRESENT)) == []
    assert life.state is AlarmState.UNACKNOWLEDGED


def test_only_worse_is_told_again_and_asks_for_a_new_answer() -> None:
    """A higher level is an update, and an answer to the lower one is none to it; a lower level is nothing."""
    life = Life()
    life.at(0, matter(PRESENT, level=1))
    life.answer("acknowledge", 1)
    assert life.at(2, matter(PRESENT, level=2, severity=Severity.SEVERE)) == ["updated"]
    assert life.state is AlarmState.UNACKNOWLEDGED
    assert life.at(3, matter(PRESENT, level=1)) == []
    assert life.alarms[KEY].level == 2
    assert life.alarms[KEY].severity is Severity.SEVERE
    assert life.at(4, matter(PRESENT, level=2)) == []


def test_a_longer_list_of_stations_is_an_update_a_shorter_one_is_not() -> None:
    """Who joins is told; who comes back is not."""
    life = Life()
    life.at(0, matter(PRESENT, stations=("a", "b")))
    assert life.at(1, matter(PRESENT, stations=("a", "b", "c"))) == ["updated"]
    assert life.at(2, matter(PRESENT, stations=("b",))) == []
    assert life.at(3, matter(PRESENT, stations=("a", "b", "c"))) == []


def test_a_shelved_alarm_is_quiet_until_its_end_and_then_comes_back() -> None:
    """While shelved nothing is told, not even worse; afterwards it stands where it was, and is told if it is there."""
    life = Life()
    life.at(0, matter(PRESENT, level=1))
    assert life.answer("shelve", 1, until=60) == ["shelved"]
    assert life.at(30, matter(PRESENT, level=2)) == []
    assert life.state is AlarmState.SHELVED
    assert life.at(60, matter(PRESENT, level=2)) == ["unshelved", "updated"]
    assert life.state is AlarmState.UNACKNOWLEDGED


@pytest.mark.parametrize("how", [{"verdict": UNDETERMINED}, {"held": True}, {"part_of": WIDER}])
def test_what_a_person_shelved_stays_shelved(how: dict[str, object]) -> None:
    """A failed fetch, a visit or a wider cause does not take the shelving away."""
    life = Life()
    wider = matter(PRESENT, WIDER, stations=("hollin", "fennick"))
    life.at(0, matter(PRESENT), wider)
    life.answer("shelve", 1, until=600)
    life.at(2, replace(matter(PRESENT), **how), wider)  # type: ignore[arg-type]
    assert life.state is AlarmState.SHELVED
    assert life.at(3, matter(PRESENT), wider) == []


def test_acknowledged_and_back_in_the_same_cycle_are_two_alarms() -> None:
    """A returned alarm ends by its acknowledgement, and the matter that is back is raised under a new number."""
    life = Life()
    life.at(0, matter(PRESENT))
    life.at(1, matter(ABSENT))
    changed, events = step(
        life.alarms.values(),
        [matter(PRESENT)],
        [Answer(1, T0, "acknowledge", "tech-1", 1)],
        life.rules,
        1,
        T0 + 2 * MINUTE,
    )
    assert [(alarm.number, alarm.ended_at is None) for alarm in changed] == [(1, False), (2, True)]
    assert [event.kind.value for event in events] == ["acknowledged", "raised"]


def test_what_becomes_urgent_is_told_once_to_those_it_now_concerns() -> None:
    """A station silent since the dry afternoon stands beside rain at night: an update, and not again at each shower."""
    life = Life()
    life.at(0, matter(PRESENT, tell=("technician",)))
    life.answer("acknowledge", 1)
    rain = matter(PRESENT, when=When.NOW, tell=("technician", "warden"))
    assert life.at(60, rain) == ["updated"]
    assert (life.state, life.alarms[KEY].tell) == (AlarmState.UNACKNOWLEDGED, ("technician", "warden"))
    assert life.at(61, matter(PRESENT, tell=("technician",))) == []
    assert life.at(62, rain) == []


def test_nothing_becomes_part_of_an_alarm_that_is_over() -> None:
    """A source that returned an hour ago explains no silence of now."""
    life = Life()
    wider = matter(PRESENT, WIDER, stations=("hollin", "fennick"))
    life.at(0, wider)
    life.at(1, replace(wider, verdict=ABSENT))
    life.at(2, matter(PRESENT))
    assert life.at(3, matter(PRESENT, part_of=WIDER)) == []
    assert life.alarms[KEY].absorbed_by == 0


def test_what_comes_and_goes_is_told_so_once() -> None:
    """A station that misses an hour in six is no text every six hours."""
    life = Life()
    life.at(0, matter(PRESENT))
    told = [life.at(60 * hour, matter(PRESENT if hour % 6 == 0 else ABSENT)) for hour in range(1, 25)]
    assert [kinds for kinds in told if "updated" in kinds] == [["updated"]]
    assert next(event.note for event in life.events if event.kind is EventKind.UPDATED) == "comes and goes"


def test_an_alarm_that_comes_back_says_since_when_it_is_back() -> None:
    """Not since it first began: in between all was well."""
    life = Life()
    life.at(0, matter(PRESENT, since=T0))
    life.at(1, matter(ABSENT))
    life.at(600, matter(PRESENT, since=T0 + 590 * MINUTE))
    assert life.alarms[KEY].since == T0 + 590 * MINUTE


def test_a_shelving_without_an_end_is_no_shelving() -> None:
    """Nothing is set aside for ever."""
    life = Life()
    life.at(0, matter(PRESENT))
    assert life.answer("shelve", 1) == []
    assert life.state is AlarmState.UNACKNOWLEDGED


def test_unshelve_takes_it_back_before_its_time() -> None:
    """The person who shelved it can take it back."""
    life = Life()
    life.at(0, matter(PRESENT))
    life.answer("shelve", 1, until=60)
    assert life.answer("unshelve", 2) == ["unshelved"]
    assert life.state is AlarmState.UNACKNOWLEDGED


def test_a_held_matter_is_told_when_the_work_is_over_if_it_still_stands() -> None:
    """What begins during a visit waits for its end; what is gone by then is never told."""
    life = Life()
    assert life.at(0, matter(PRESENT, held=True)) == []
    assert life.at(60, matter(PRESENT)) == ["raised"]
    life = Life()
    life.at(0, matter(PRESENT, held=True))
    assert life.at(60, matter(ABSENT)) == []


def test_an_alarm_that_stood_before_a_visit_stands_again_after_it() -> None:
    """The visit did not mend it; the notice at the window's end says so, not the alarm once more."""
    life = Life()
    life.at(0, matter(PRESENT))
    assert life.at(10, matter(PRESENT, held=True)) == []
    assert life.state is AlarmState.OUT_OF_SERVICE
    assert life.at(70, matter(PRESENT)) == []
    assert life.state is AlarmState.UNACKNOWLEDGED


def test_an_alarm_already_told_becomes_part_of_a_wider_one() -> None:
    """It is absorbed once, not closed and raised again; when only it remains it goes on under its own number."""
    life = Life()
    life.at(0, matter(PRESENT))
    wider = matter(PRESENT, WIDER, stations=("hollin", "fennick"))
    assert life.at(30, matter(PRESENT, part_of=WIDER), wider) == ["raised", "absorbed"]
    assert life.alarms[KEY].absorbed_by == 2
    assert life.at(31, matter(PRESENT, part_of=WIDER), wider) == []
    assert life.at(60, matter(PRESENT), replace(wider, verdict=ABSENT)) == ["updated", "returned"]
    assert life.alarms[KEY].number == 1


def test_what_is_part_of_a_wider_matter_from_the_start_is_never_raised() -> None:
    """One cause, one notice."""
    life = Life()
    wider = matter(PRESENT, WIDER, stations=("hollin", "fennick"))
    assert life.at(0, matter(PRESENT, part_of=WIDER), wider) == ["raised"]
    assert life.at(10, matter(ABSENT), replace(wider, verdict=ABSENT)) == ["returned"]


def test_a_storm_ends_with_its_account() -> None:
    """Its end is an event of its own, carries the totals, and leaves nothing to acknowledge."""
    life = Life(off_delay_minutes=0.0)
    key = AlarmKey("heavy-rain", "heavy-rain", "network")
    storm = Matter(key, "heavy-rain", PRESENT, stations=("hollin",), level=1)
    life.at(0, storm)
    assert life.at(5, replace(storm, stations=("hollin", "fennick"))) == [], "a gauge that joins is no news"
    assert life.at(90, replace(storm, verdict=ABSENT, numbers={"totals": []})) == ["ended"]
    assert key not in life.alarms
    assert "totals" in life.events[-1].alarm.numbers


@pytest.mark.parametrize("kind", ["acknowledge", "unshelve"])
def test_an_answer_to_an_alarm_that_is_over_changes_nothing(kind: str) -> None:
    """A stale answer is no event."""
    life = Life()
    assert life.answer(kind, 1) == []


def test_steps_count_the_events_of_an_alarm() -> None:
    """Each event has its own step, so that no two notices share an occasion."""
    life = Life()
    life.at(0, matter(PRESENT, level=1))
    life.at(1, matter(PRESENT, level=2))
    life.answer("acknowledge", 2)
    assert [event.occasion for event in life.events] == ["alarm:1:1", "alarm:1:2", "alarm:1:3"]
    assert [event.kind for event in life.events] == [EventKind.RAISED, EventKind.UPDATED, EventKind.ACKNOWLEDGED]


# --- calls ---

NEXT = Call(1, EventKind.ESCALATED, "tech-2", ("tech-1",))
ONCE_MORE = Call(1, EventKind.REMINDED, "", ("tech-1", "tech-2"))


def test_a_call_is_a_step_that_names_who_was_tried_and_the_wait_begins_anew() -> None:
    """The alarm remembers whom it called, how often it was said again, and when it last asked."""
    life = Life()
    life.at(0, matter(PRESENT))
    assert life.at(10, matter(PRESENT), calls=[NEXT]) == ["escalated"]
    assert life.at(20, matter(PRESENT), calls=[ONCE_MORE]) == ["reminded"]
    alarm = life.alarms[KEY]
    assert (alarm.called, alarm.reminded, alarm.asked_at) == (("tech-2",), 1, T0 + 20 * MINUTE)
    assert [(event.who, event.note) for event in life.events[1:]] == [("tech-2", "tech-1"), ("", "tech-1, tech-2")]


@pytest.mark.parametrize("call", [NEXT, ONCE_MORE])
def test_a_call_is_not_made_once_somebody_answered_or_it_is_over(call: Call) -> None:
    """Answered in the same cycle, answered before, shelved, returned, ended, or another alarm's number."""
    life = Life()
    life.at(0, matter(PRESENT))
    assert life.at(9, matter(PRESENT), calls=[replace(call, alarm=2)]) == []
    acknowledge = Answer(1, T0, "acknowledge", "tech-1", 1)
    assert life.at(10, matter(PRESENT), answers=[acknowledge], calls=[call]) == ["acknowledged"]
    assert life.at(11, matter(PRESENT), calls=[call]) == []
    assert life.at(12, matter(ABSENT), calls=[call]) == ["returned"]
    assert life.at(13, calls=[call]) == []
    life = Life()
    life.at(0, matter(PRESENT))
    assert life.at(1, matter(ABSENT), calls=[call]) == ["returned"]
    assert life.at(2, matter(UNDETERMINED), calls=[call]) == []


def test_an_answer_that_it_is_no_fault_closes_the_alarm_with_its_reason() -> None:
    """Heavy rain is never closed so."""
    life = Life()
    life.at(0, matter(PRESENT))
    said = Answer(1, T0, "not a fault", "tech-1", 1, reason="crows")
    assert life.at(1, answers=[said]) == ["answered"]
    assert life.events[-1].note == "not a fault: crows"
    assert life.alarms == {}
    storm = Matter(AlarmKey("heavy-rain", "heavy-rain", "network"), "heavy-rain", PRESENT)
    life = Life()
    life.at(0, storm)
    assert life.at(1, storm, answers=[said]) == []


def asked_at(life: Life) -> float:
    """Return when the alarm last asked for an answer, in minutes."""
    at = life.alarms[KEY].asked_at
    assert at is not None
    return (at - T0) / MINUTE


def test_what_is_worse_asks_anew_only_if_it_was_answered() -> None:
    """While nobody has answered, the wait goes on; the new level adds nothing to it."""
    life = Life()
    life.at(5, matter(PRESENT, level=1))
    life.at(8, matter(PRESENT, level=2))
    assert asked_at(life) == 5
    life.answer("acknowledge", 9)
    life.at(30, matter(PRESENT, level=3))
    assert asked_at(life) == 30
    assert life.alarms[KEY].acknowledged_by == ""


def test_what_more_stations_join_does_not_ask_anew() -> None:
    """It is the same matter, and whoever acknowledged it hears of it."""
    life = Life()
    life.at(0, matter(PRESENT))
    life.answer("acknowledge", 1)
    assert life.at(9, matter(PRESENT, stations=("hollin", "fennick"))) == ["updated"]
    assert life.alarms[KEY].acknowledged_by == "tech-1"


@pytest.mark.parametrize("how", ["unshelved", "its time was over", "the visit is over"])
def test_what_people_set_aside_asks_anew_when_it_is_back(how: str) -> None:
    """A day on the shelf is no day on which nobody answered."""
    life = Life()
    life.at(0, matter(PRESENT))
    if how == "the visit is over":
        life.at(5, matter(PRESENT, held=True))
        life.at(600, matter(PRESENT))
    else:
        life.answer("shelve", 5, until=600)
        life.answer("unshelve", 600) if how == "unshelved" else life.at(600, matter(PRESENT))
    assert life.state is AlarmState.UNACKNOWLEDGED
    assert asked_at(life) == 600


def test_what_could_not_be_judged_for_a_while_goes_on_waiting() -> None:
    """One failed fetch an hour would otherwise put off every call for ever."""
    life = Life()
    life.at(0, matter(PRESENT))
    life.at(5, matter(UNDETERMINED))
    life.at(600, matter(PRESENT))
    assert asked_at(life) == 0


def test_what_comes_and_goes_asks_anew_only_when_it_is_told() -> None:
    """Told once that it comes and goes; its later returns put no call off."""
    life = Life()
    life.at(0, matter(PRESENT))
    for hour in range(1, 6):
        life.at(60 * hour, matter(PRESENT if hour % 2 == 0 else ABSENT))
    life.at(360, matter(PRESENT))
    assert [event.kind.value for event in life.events if event.kind is EventKind.UPDATED] == ["updated"]
    assert asked_at(life) == 120


def test_what_was_part_of_a_wider_trouble_asks_anew_when_it_is_told_alone() -> None:
    """Meanwhile the wider one asked."""
    life = Life()
    life.at(0, matter(PRESENT))
    wider = matter(PRESENT, WIDER, stations=("hollin", "fennick"))
    life.at(30, matter(PRESENT, part_of=WIDER), wider)
    life.at(600, matter(PRESENT), replace(wider, verdict=ABSENT))
    assert asked_at(life) == 600

"""So many notices of faults a day: what goes beyond is gathered into one, and nothing of it is lost."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any, cast

import pytest

from tests.telling.test_outbox import ACCEPTED, LATER, REFUSED, UNKNOWN, Scripted
from tests.telling.veldran import STATIONS, at, contact, network, silent, storm
from watchman import speech, watch
from watchman.model import Alarm, AlarmState, Event, EventKind, Notice, NoticeState, Severity, When
from watchman.network import Network
from watchman.settings import MailSettings
from watchman.store import Store
from watchman.telling import budget, roster
from watchman.telling.channels import Channels
from watchman.telling.gsm import septets
from watchman.telling.outbox import deliver_due

MORNING, SINCE = "2025-10-22T09:00", "2025-10-22T02:10"
MAIL = MailSettings(host="localhost", port=25, security="none", sender="watch@example.org")


def technician(a_day: int, **how: bool) -> Any:
    """Return the only technician, with so many notices a day, by text alone unless told otherwise."""
    return contact("tech-1", "technician", "warden", **{"mail": False} | how).model_copy(update={"budget": a_day})


def faults(count: int, first: int = 1, **changed: Any) -> list[Alarm]:
    """Return so many silent stations, the later ones the more severe."""
    order = (Severity.MINOR, Severity.MODERATE, Severity.SEVERE)
    return [
        replace(silent(first + place, SINCE, STATIONS[place].id), severity=order[min(place, 2)], **changed)
        for place in range(count)
    ]


class Outbox:
    """A real store and speaker over scripted channels, turn by turn on a clock of our own."""

    def __init__(self, folder: Path, of: Network, now: str = MORNING) -> None:
        self.folder, self.network, self.now = folder, replace(of, folder=folder), at(now)
        self.channels = Scripted()
        self.restart()

    def restart(self) -> None:
        """Forget everything that is not in the store."""
        self.store = Store.open("sqlite:///watch.db", self.folder)
        self.watch = watch.begin(self.network, self.store, self.now)

    def happen(self, *alarms: Alarm, kind: EventKind = EventKind.RAISED, step: int = 1) -> None:
        """Write down a step of each alarm with its notices, as a cycle would."""
        alarms = tuple(replace(alarm, steps=step) for alarm in alarms)
        events = [Event(self.now, kind, alarm, step) for alarm in alarms]
        notices = roster.address(self.network, events, self.now)
        self.store.commit(self.now, alarms=self._standing(alarms), events=events, notices=notices)

    def change(self, *alarms: Alarm) -> None:
        """Write down how alarms stand now."""
        self.store.commit(self.now, alarms=self._standing(alarms))

    def _standing(self, changed: tuple[Alarm, ...]) -> list[Alarm]:
        return [*{alarm.number: alarm for alarm in (*self.store.open_alarms(), *changed)}.values()]

    def turn(self, later: timedelta = timedelta(seconds=2)) -> list[str]:
        """Go on and run one turn of the outbox; return the texts that were handed over."""
        self.now += later
        before = len(self.channels.sent)
        speaker = speech.Speaker(self.network, self.store, self.watch, self.now)
        channels = cast(Channels, self.channels)
        deliver_due(self.store, channels, speaker.words, self.network, self.now, put_off=speaker.put_off)
        return [notice.text for notice in self.channels.sent[before:]]

    def states(self) -> dict[int, str]:
        """Return by alarm what became of its first notice by text, with the reason."""
        return {
            one.alarm: f"{one.state.value} {one.error}".strip()
            for one in sorted(self.store.notices(), key=lambda one: one.number)
            if one.channel == "text"
        }


@pytest.fixture
def box(tmp_path: Path) -> Outbox:
    """An outbox whose technician wants four notices a day."""
    return Outbox(tmp_path, network(contacts=(technician(4),)))


# --- the shares, pure ---


def due_of(alarms: list[Alarm], of: Network, now: str = MORNING) -> list[Notice]:
    """Return notices as they lie in the outbox, numbered."""
    events = [Event(at(now), EventKind.RAISED, alarm, 1) for alarm in alarms]
    return [replace(one, number=number) for number, one in enumerate(roster.address(of, events, at(now)), 100)]


def shares(count: int, spent: int) -> budget.Shares:
    of = network(contacts=(technician(4),))
    alarms = faults(count)
    sent = due_of(faults(10)[:spent], of)
    return budget.shares(of, due_of(alarms, of), {alarm.number: alarm for alarm in alarms}, sent)


def test_what_fits_goes_alone() -> None:
    """Four of four, or two where two went out already."""
    for made in (shares(4, 0), shares(2, 2), shares(0, 9)):
        assert (dict(made.gathered), made.waiting) == ({}, ())


def test_the_last_one_carries_all_the_others_the_least_severe_ones() -> None:
    """Six due, four left: the three most severe go alone, the fourth tells of the other three."""
    made = shares(6, 0)
    [(number, told)] = made.gathered.items()
    assert [one.alarm for one in told] == [6, 2, 1]
    assert number == told[0].number
    assert made.waiting == ()


def test_with_one_left_it_carries_everything() -> None:
    """The worst is named first."""
    made = shares(3, 3)
    [told] = made.gathered.values()
    assert [one.alarm for one in told] == [3, 2, 1]


def test_with_none_left_they_wait() -> None:
    """Three more, and four were told."""
    made = shares(3, 4)
    assert len(made.waiting) == 3
    assert dict(made.gathered) == {}


def test_each_channel_has_its_own_budget() -> None:
    """The text is used up; the mails still go."""
    of = network(contacts=(technician(2, mail=True),))
    alarms = faults(2)
    notices = due_of(alarms, of)
    texts = [one for one in due_of(faults(4), of) if one.channel == "text"][:2]
    made = budget.shares(of, notices, {alarm.number: alarm for alarm in alarms}, texts)
    assert {one.channel for one in made.waiting} == {"text"}


@pytest.mark.parametrize(
    ("of", "counts"),
    [
        (storm(), False),
        (replace(silent(neighbours_wet=True), when=When.NOW), False),
        (silent(neighbours_wet=True), True),
        (silent(), True),
    ],
)
def test_storms_and_safety_news_do_not_count(of: Alarm, counts: bool) -> None:
    """A station blind beside rain that is told at any hour is safety news; told by day it is a fault."""
    [notice] = due_of([replace(of, tell=("warden",))], network(contacts=(technician(4),)))
    assert budget.is_budgeted(notice, of) is counts


def test_who_is_called_in_another_s_place_is_told_so_alone() -> None:
    """That call is not buried under other faults."""
    of = network(contacts=(technician(2),))
    alarms = faults(4)
    notices = due_of(alarms, of)
    called = replace(notices[0], event="escalated")
    made = budget.shares(of, [called, *notices[1:]], {alarm.number: alarm for alarm in alarms}, [])
    [told] = made.gathered.values()
    assert called not in told


# --- through the outbox ---


def test_seven_faults_and_four_notices(box: Outbox) -> None:
    """Three alone, one with the other four; those wait until it is accepted, and say in which notice they were told."""
    box.happen(*faults(7))
    texts = box.turn()
    assert len(texts) == 4
    assert [text.startswith("4 faults in one: ") for text in texts].count(True) == 1
    carrier = next(one for one in box.store.notices() if one.text.startswith("4 faults"))
    assert sorted(box.states().values()) == ["accepted"] * 4 + [f"due told in notice {carrier.number}"] * 3
    assert box.turn() == []
    assert sorted(box.states().values()) == ["accepted"] * 4 + [f"withdrawn told in notice {carrier.number}"] * 3


def test_what_comes_later_that_day_waits_for_the_morning(box: Outbox) -> None:
    """Also what is told at any hour; then it goes, as it stands in the morning."""
    box.happen(*faults(4))
    assert len(box.turn()) == 4
    late = [replace(alarm, when=When.NOW) for alarm in faults(7)[4:]]
    box.happen(*late)
    assert box.turn() == []
    assert {one.due_at for one in box.store.notices() if one.alarm > 4} == {at("2025-10-23T07:00")}
    box.change(replace(late[0], state=AlarmState.NORMAL, ended_at=box.now))
    box.now = at("2025-10-23T06:59")
    assert box.turn() == []
    assert len(box.turn(timedelta(minutes=1))) == 2
    assert box.states()[5] == "withdrawn it no longer stands"


def test_a_storm_passes_a_spent_budget_and_does_not_spend_it(box: Outbox) -> None:
    """Nor does a station blind beside rain: four of them, and four faults still go alone."""
    rain = replace(storm(number=90), tell=("warden",))
    blind = [replace(one, when=When.NOW, numbers={**one.numbers, "neighbours_wet": True}) for one in faults(4, 50)]
    box.happen(rain, *blind)
    assert len(box.turn()) == 5
    box.happen(*faults(10)[4:8])
    assert len(box.turn()) == 4
    box.happen(rain, kind=EventKind.UPDATED, step=2)
    assert len(box.turn()) == 1
    box.happen(*[replace(one, number=one.number + 60) for one in faults(10)[8:]])
    assert box.turn() == []


def test_dry_again_a_blind_station_s_notice_still_does_not_count(box: Outbox) -> None:
    """It was safety news when it went out."""
    blind = [replace(one, when=When.NOW, numbers={**one.numbers, "neighbours_wet": True}) for one in faults(3, 50)]
    box.happen(*blind)
    box.turn()
    box.change(*(replace(one, numbers={**one.numbers, "neighbours_wet": False}) for one in blind))
    box.happen(*faults(9)[3:7])
    assert len(box.turn()) == 4


def test_nothing_is_lost_by_a_restart_between_the_words_and_the_phone(box: Outbox) -> None:
    """The gateway is down, the watch is stopped and begun again: the one notice goes out, the others are told in it."""
    box.channels = Scripted(text=[LATER, *[ACCEPTED] * 9])
    box.happen(*faults(7))
    box.turn()
    assert [one.attempts for one in box.store.notices() if one.attempts] == [1]
    for minutes in (1, 1, 1, 1):
        box.restart()
        box.turn(timedelta(minutes=minutes))
    assert len([one for one in box.store.notices() if one.state is NoticeState.ACCEPTED]) == 4
    told = " ".join(one.text for one in box.store.notices() if one.state is NoticeState.ACCEPTED)
    carried = [one for one in box.store.notices() if one.state is NoticeState.WITHDRAWN]
    assert len(carried) == 3
    assert all(one.error.startswith("told in notice ") for one in carried)
    assert "4 faults in one" in told


def test_a_restart_just_after_the_others_were_put_behind_it(box: Outbox) -> None:
    """Stopped before the one notice had its words: all are looked at again, and told."""
    box.happen(*faults(7))
    speaker = speech.Speaker(box.network, box.store, box.watch, box.now)
    [number] = speaker.gathered
    carrier = box.store.notice(number)
    assert carrier is not None
    speaker.words(carrier)
    assert [one.error for one in box.store.notices()].count(f"told in notice {number}") == 3
    box.restart()
    assert len(box.turn()) == 4
    box.turn()
    assert sorted(state.split()[0] for state in box.states().values()) == ["accepted"] * 4 + ["withdrawn"] * 3


def test_nobody_waits_behind_a_notice_that_itself_must_wait(box: Outbox) -> None:
    """Before it had its words, its own alarm could not be judged any more: the others are told without it."""
    alarms = faults(7)
    box.happen(*alarms)
    speaker = speech.Speaker(box.network, box.store, box.watch, box.now)
    [number] = speaker.gathered
    carrier = box.store.notice(number)
    assert carrier is not None
    speaker.words(carrier)
    unsure = next(alarm for alarm in alarms if alarm.number == carrier.alarm)
    box.change(replace(unsure, state=AlarmState.SUPPRESSED, state_before=AlarmState.UNACKNOWLEDGED))
    assert [text.startswith("3 faults in one: ") for text in box.turn()] == [False, False, False, True]


def test_what_a_lost_notice_was_to_tell_is_told_another_way(box: Outbox) -> None:
    """Refused for good: those behind it are due again, and do not vanish with it."""
    box.happen(*faults(7))
    box.turn()
    carrier = next(one for one in box.store.notices() if one.text.startswith("4 faults"))
    with box.store._writing() as connection:
        connection.exec_driver_sql(
            f"UPDATE notices SET state = 'refused', accepted_at = NULL WHERE number = {carrier.number}"
        )
    [again] = box.turn()
    assert again.startswith("3 faults in one: ")


def test_a_repeat_tells_of_all_again(box: Outbox) -> None:
    """Nobody knows whether it arrived: it goes once more, marked, and still tells of all of them."""
    box.network = replace(box.network, contacts=(technician(1),))
    box.channels = Scripted(text=[UNKNOWN, *[ACCEPTED] * 3])
    box.happen(*faults(3))
    [first] = box.turn()
    [again] = box.turn(timedelta(minutes=2))
    assert first.startswith("3 faults in one: ")
    assert again.startswith("3 faults in one: ")
    assert "(repeat)" in again
    box.turn()
    assert sorted(state.split()[0] for state in box.states().values()) == ["accepted", "withdrawn", "withdrawn"]


def test_a_refused_address_tells_the_technicians_of_each(tmp_path: Path) -> None:
    """Nobody else's notices are touched by one dead phone; every fault of it is known to have reached nobody."""
    people = (technician(2), contact("boss-1", "supervisor", text=False))
    box = Outbox(tmp_path, network(contacts=people, mail=MAIL))
    box.channels = Scripted(tech_1_text=REFUSED)
    box.happen(*faults(4))
    for _ in range(8):
        box.turn()
    lost = [one.occasion for one in box.store.notices() if one.person == "boss-1"]
    assert len(lost) == 4


def test_the_words_fit_and_name_the_worst_first(box: Outbox) -> None:
    """Count, the most severe places with what is wrong, and where the rest stands."""
    box.network = replace(box.network, contacts=(technician(1),))
    box.happen(*faults(8))
    [text] = box.turn()
    assert septets(text) <= 160
    assert text.startswith("8 faults in one: Corrow Mill silent since 02:10")
    assert "Phone for the list." in text


def test_the_mail_has_the_complete_list(tmp_path: Path) -> None:
    """By text the worst; in the mail every one with its number."""
    box = Outbox(tmp_path, network(contacts=(technician(1, mail=True),), mail=MAIL))
    box.happen(*faults(8))
    box.turn()
    mail = next(one for one in box.channels.sent if one.channel == "mail")
    text = next(one for one in box.channels.sent if one.channel == "text")
    assert "All in your mail." in text.text
    assert mail.subject.startswith("8 faults in one: Corrow Mill silent since")
    short = {place.id: place.short_name for place in box.network.stations}
    for alarm in faults(8):
        assert any(
            line.split()[:1] == [str(alarm.number)] and short[alarm.stations[0]] in line
            for line in mail.text.splitlines()
        )


# --- what was answered while it was on its way ---


@pytest.mark.parametrize("kind", [EventKind.RAISED, EventKind.REMINDED])
def test_a_reminder_that_failed_is_not_tried_again_once_somebody_has_answered(
    box: Outbox, kind: EventKind, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It says that nobody has; the fault itself is still told."""
    (fault,) = faults(1)
    box.happen(fault, kind=kind)
    with monkeypatch.context() as down:
        down.setattr(box.channels, "send", lambda *_: LATER)
        box.turn()
    answered = replace(fault, steps=2, acknowledged_by="tech-2", acknowledged_at=box.now)
    box.change(replace(answered, state=AlarmState.ACKNOWLEDGED))
    told = box.turn(timedelta(hours=1))
    assert len(told) == (kind is EventKind.RAISED)
    if kind is EventKind.REMINDED:
        assert box.states() == {1: "withdrawn tech-2 has answered"}

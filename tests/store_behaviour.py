"""What every store does, whichever database holds it: run against SQLite and against PostgreSQL."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from watchman.errors import OutsideError
from watchman.lock import hold
from watchman.model import (
    BATTERY,
    RAIN,
    Alarm,
    AlarmKey,
    AlarmState,
    Certainty,
    Event,
    EventKind,
    Notice,
    NoticeState,
    Picture,
    Readings,
    Rejected,
    Severity,
    SourceHealth,
    When,
)
from watchman.replay import Past
from watchman.store import Store

STATIONS = ("hollin", "fennick", "larkmoor")
SOURCES = ("main", "second")
NOW = datetime(2025, 10, 21, 14, 20, 0, 250_000, tzinfo=UTC)
T = int(NOW.timestamp()) // 3600 * 3600
"""A full hour [s since 1970 UTC]."""


def rows(*given: tuple[int, int, int, float], source: int = 0, revision: int = 0, received_at: int = T) -> Readings:
    """Return readings from (station, variable, observed_at, value)."""
    station, variable, observed_at, value = zip(*given, strict=True)
    size = len(given)
    return Readings(
        station=np.array(station, np.int32),
        variable=np.array(variable, np.int8),
        observed_at=np.array(observed_at, np.int64),
        received_at=np.full(size, received_at, np.int64),
        value=np.array(value, np.float64),
        source=np.full(size, source, np.int16),
        delivery=np.zeros(size, np.int64),
        revision=np.full(size, revision, np.int64),
    )


def facts(readings: Readings) -> list[tuple[int, int, int, float]]:
    """Return readings as (station, variable, observed_at, value)."""
    columns = (readings.station, readings.variable, readings.observed_at, readings.value)
    return list(zip(*(column.tolist() for column in columns), strict=True))


def an_alarm(number: int = 41, **changes: Any) -> Alarm:
    """Return an alarm with every field set to something that isn't its default."""
    alarm = Alarm(
        number=number,
        key=AlarmKey("overdue", "silent", "station:hollin"),
        check="overdue",
        state=AlarmState.SHELVED,
        stations=("hollin", "fennick"),
        severity=Severity.SEVERE,
        certainty=Certainty.OBSERVED,
        when=When.NOW,
        tell=("technician", "crew"),
        since=NOW - timedelta(hours=3),
        first_seen_at=NOW - timedelta(hours=2),
        raised_at=NOW - timedelta(hours=1),
        absent_since=NOW - timedelta(minutes=7),
        level=2,
        numbers={"silent_minutes": np.int64(190), "battery_v": 4.02, "days": [{"mm": 0.0, "name": "Hollin Dämm"}]},
        steps=3,
        state_before=AlarmState.UNACKNOWLEDGED,
        acknowledged_by="tech-1",
        acknowledged_at=NOW - timedelta(minutes=50),
        shelved_until=NOW + timedelta(hours=4),
        came_back=2,
        absorbed_by=7,
        asked_at=NOW,
        called=("tech-2",),
        reminded=1,
    )
    return replace(alarm, **changes)


def pending(scope: str) -> Alarm:
    """Return an alarm that has not been raised yet."""
    return an_alarm(0, key=AlarmKey("overdue", "silent", scope), raised_at=None)


def a_notice(occasion: str = "alarm:41:1", person: str = "tech-1", **changes: Any) -> Notice:
    """Return a notice that is due now."""
    notice = Notice(0, occasion, person, "text", "fault", due_at=NOW, made_at=NOW, alarm=41, event="raised")
    return replace(notice, **changes)


class StoreBehaviour:
    """The behaviours; a class derived from it brings the fixture `another`, which opens a store at one new place."""

    @pytest.fixture
    def store(self, another: Callable[[], Store]) -> Store:
        """Return an empty store that knows three stations and two sources."""
        store = another()
        store.bind(STATIONS, SOURCES)
        return store

    # Readings

    def test_delivered_again(self, store: Store) -> None:
        """A row delivered again, in another batch or the same, is not new and changes nothing."""
        first = store.keep(rows((0, RAIN, T, 1.0), (1, RAIN, T, 2.0), (0, RAIN, T, 1.0)))
        again = store.keep(rows((1, RAIN, T, 2.0), (2, RAIN, T, 3.0), received_at=T + 900))

        assert facts(first) == [(0, RAIN, T, 1.0), (1, RAIN, T, 2.0)]
        assert facts(again) == [(2, RAIN, T, 3.0)]
        assert first.delivery.tolist() < again.delivery.tolist()
        assert facts(store.delivered_after(0)) == [*facts(first), *facts(again)]
        assert store.delivered_after(0).received_at.tolist() == [T, T, T + 900]

    def test_contradictory(self, store: Store) -> None:
        """Another value, revision or source of the same moment is a row of its own beside the first."""
        store.keep(rows((0, RAIN, T, 1.0)))
        store.keep(rows((0, RAIN, T, 1.2)))
        store.keep(rows((0, RAIN, T, 1.0), revision=5))
        store.keep(rows((0, RAIN, T, 1.0), source=1))

        kept = store.delivered(T - 1, T)

        assert kept.value.tolist() == [1.0, 1.2, 1.0, 1.0]
        assert kept.revision.tolist() == [0, 0, 5, 0]
        assert kept.source.tolist() == [0, 0, 0, 1]

    def test_missing_value(self, store: Store) -> None:
        """A missing value comes back as missing, and is delivered once like any other."""
        assert len(store.keep(rows((0, BATTERY, T, float("nan"))))) == 1
        assert len(store.keep(rows((0, BATTERY, T, float("nan"))))) == 0
        assert np.isnan(store.delivered(T - 1, T).value).tolist() == [True]

    def test_nothing_to_keep(self, store: Store) -> None:
        """An empty batch keeps nothing and returns nothing."""
        assert len(store.keep(Readings.empty())) == 0

    def test_delivered_in_order(self, store: Store) -> None:
        """Rows come by station, variable, time and delivery, from after the begin up to and with the end."""
        store.keep(rows((2, RAIN, T, 1), (0, BATTERY, T, 4), (0, RAIN, T, 3), (0, RAIN, T - 300, 2), (0, RAIN, T, 1)))
        store.keep(rows((1, RAIN, T - 600, 9), (1, RAIN, T + 1, 9)))

        kept = store.delivered(T - 600, T)

        assert facts(kept) == [
            (0, RAIN, T - 300, 2),
            (0, RAIN, T, 3),
            (0, RAIN, T, 1),
            (0, BATTERY, T, 4),
            (2, RAIN, T, 1),
        ]

    def test_delivered_of_some(self, store: Store) -> None:
        """Stations and a variable can be asked for, over any number of hours."""
        store.keep(rows(*((station, RAIN, T + 3600 * hour, hour) for station in range(3) for hour in range(60))))
        store.keep(rows((1, BATTERY, T, 4)))

        some = store.delivered(T, T + 30 * 3600, stations=np.array([2, 1]), variable=RAIN)
        ever = store.delivered(0, 2**40, stations=np.array([1]))

        assert facts(some) == [(station, RAIN, T + 3600 * hour, hour) for station in (1, 2) for hour in range(1, 31)]
        assert len(ever) == 61

    def test_previous(self, store: Store) -> None:
        """Each station's rain rows at its last moment up to the begin come along, however long ago that was."""
        day = 86400
        store.keep(rows((0, RAIN, T - 900, 1), (0, RAIN, T - 300, 2), (0, RAIN, T - 300, 2.2), (0, BATTERY, T, 4)))
        store.keep(rows((1, RAIN, T - 90 * day, 5), (1, RAIN, T - 91 * day, 4), (1, RAIN, T + 300, 6)))
        store.keep(rows((2, RAIN, 3600, 9)))

        everyone = store.delivered(T, T + 900, with_previous=True)
        one = store.delivered(T, T + 900, stations=np.array([1]), with_previous=True)

        assert facts(everyone) == [
            (0, RAIN, T - 300, 2),
            (0, RAIN, T - 300, 2.2),
            (1, RAIN, T - 90 * day, 5),
            (1, RAIN, T + 300, 6),
        ], "a stamp of 1970 is too far back to count on"
        assert facts(one) == [(1, RAIN, T - 90 * day, 5), (1, RAIN, T + 300, 6)]

    def test_previous_believable(self, store: Store) -> None:
        """However many absurd rows lie before the begin, the last one comes that a running count can go on from."""
        absurd = (-1.0, 3.4e38, float("nan"), 2.0**32)
        store.keep(rows((0, RAIN, T - 90_000, 41), *((0, RAIN, T - 300 * n, absurd[n % 4]) for n in range(1, 100))))
        store.keep(rows((1, RAIN, T - 600, 5), received_at=T))
        store.keep(rows((1, RAIN, T - 300, 6), received_at=T - 86400))

        kept = store.delivered(T, T + 900, with_previous=True)
        past = Past(store.delivered_after(0), ())
        past.until(datetime(2200, 1, 1, tzinfo=UTC))

        assert facts(kept) == [(0, RAIN, T - 90_000, 41), (1, RAIN, T - 600, 5)]
        assert facts(past.delivered(T, T + 900, with_previous=True)) == facts(kept)

    def test_numbers_last(self, store: Store, another: Callable[[], Store]) -> None:
        """A station keeps its readings when others come, go and change places."""
        store.keep(rows((0, RAIN, T, 1), (1, RAIN, T, 2)))

        later = another()
        later.bind(("larkmoor", "new", "fennick"), ("main",))

        assert facts(later.delivered(T - 1, T)) == [(2, RAIN, T, 2)]
        later.bind(STATIONS, SOURCES)
        assert facts(later.delivered(T - 1, T)) == [(0, RAIN, T, 1), (1, RAIN, T, 2)]

    def test_bound_twice(self, store: Store) -> None:
        """The same id at two positions would mix two stations, and is refused."""
        with pytest.raises(ValueError, match="hollin"):
            store.bind(("hollin", "fennick", "hollin"), SOURCES)

    def test_rejected(self, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
        """Rows that can't be read are kept once each, cleaned, and only so many of them."""
        monkeypatch.setattr("watchman.store.REJECTED_KEPT", 3)
        odd = Rejected("main", NOW, "hollin;\0;\udce4;" + "x" * 2000, "not a number")
        store.keep(Readings.empty(), [odd, odd])
        store.keep(Readings.empty(), [odd, Rejected("main", NOW, "second", "no time")])

        kept = store.rejected()
        store.keep(Readings.empty(), [Rejected("main", NOW, f"row {number}", "no time") for number in range(5)])

        assert [one.row[:10] for one in kept] == ["second", "hollin;\N{REPLACEMENT CHARACTER};?"]
        assert [one.row for one in store.rejected()] == ["row 4", "row 3", "row 2"]

    def test_forget(self, store: Store) -> None:
        """Readings observed and received long ago go; an old stamp that came lately and the last row stay."""
        store.keep(rows((0, RAIN, T, 1), (1, RAIN, T, 2)))
        store.keep(rows((0, RAIN, 0, 3), (0, RAIN, T, 4), received_at=T + 700 * 86400))
        store.keep(rows((2, RAIN, T, 5)))

        forgotten = store.forget(NOW + timedelta(days=740))

        assert forgotten == 2
        assert store.delivered_after(0).value.tolist() == [3, 4, 5]
        assert store.keep(rows((2, RAIN, T + 1, 6))).delivery.tolist() == [6]

    # Spans and answers

    def test_spans(self, store: Store) -> None:
        """A span that gets another end stays known as it was decided before, so that a replay knows no more."""
        hour = timedelta(hours=1)
        first = store.add_span("hollin", NOW, NOW + 2 * hour, "visit", "tech-1", NOW)
        second = store.add_span("fennick", NOW - hour, NOW, "test tips", "tech-1", NOW)
        ended = store.end_span(first.number, NOW + hour, NOW + hour)

        assert store.withdraw_span(second.number, NOW + hour)
        assert not store.withdraw_span(second.number, NOW + 2 * hour)
        assert store.end_span(first.number, NOW, NOW) is None
        assert ended is not None
        assert ended.ends_at == ended.decided_at == NOW + hour
        assert ended.begins_at == NOW
        assert store.spans() == (
            replace(first, withdrawn_at=NOW + hour),
            replace(second, withdrawn_at=NOW + hour),
            ended,
        )

    def test_a_span_somebody_confirms(self, store: Store) -> None:
        """It is theirs from then on, at once: no moment without it; what was decided before stays known."""
        held = store.add_span("hollin", NOW, NOW + timedelta(hours=1), "test tips", "watch", NOW)
        later = NOW + timedelta(hours=2)
        own = store.confirm_span(held.number, "tech-1", later)

        assert own == replace(held, number=held.number + 1, who="tech-1", decided_at=later)
        assert store.spans() == (replace(held, withdrawn_at=later), own)
        assert store.confirm_span(held.number, "warden", later) is None
        assert store.confirm_span(99, "warden", later) is None

    def test_the_notice_a_reply_answers(self, store: Store) -> None:
        """It is found by its Message-ID; those without one are not found by none."""
        store.add_notices([a_notice(), a_notice("alarm:41:2", message_id="<wm.ab@example.org>")])
        found = store.notice_of_message("<wm.ab@example.org>")
        assert found is not None
        assert found.occasion == "alarm:41:2"
        assert store.notice_of_message("<wm.ac@example.org>") is None
        assert store.notice_of_message("") is None

    def test_answers(self, store: Store) -> None:
        """Answers come in order after a number, and a commit says how far they were acted on."""
        first = store.add_answer(NOW, "acknowledge", "tech-1", 41)
        second = store.add_answer(NOW, "shelve", "tech-1", 41, NOW + timedelta(hours=4), "known")

        assert store.answers_after(0) == (first, second)
        assert store.answers_after(first.number) == (second,)
        store.commit(NOW, answered_to=second.number)
        assert store.marks()["answered_to"] == str(second.number)

    # Alarms and events

    def test_alarm_comes_back_whole(self, store: Store) -> None:
        """An alarm comes back with every field as it was written."""
        alarm = an_alarm(ended_at=NOW)
        defaults = {field.name for field in fields(Alarm) if getattr(alarm, field.name) == field.default}
        assert not defaults

        store.commit(NOW, alarms=[alarm])

        assert store.alarm(41) == alarm
        assert store.alarm(42) is None
        assert store.last_alarm_number() == 41

    def test_open_alarms(self, store: Store) -> None:
        """A pending alarm becomes its raised self, one that vanished is forgotten, a raised one stays until it ends."""
        one, two = pending("station:hollin"), pending("station:fennick")
        store.commit(NOW, alarms=[one, two])
        assert store.open_alarms() == (one, two)
        assert store.last_alarm_number() == 0

        raised = replace(one, number=1, raised_at=NOW)
        store.commit(NOW, alarms=[raised])
        assert store.open_alarms() == (raised,)

        store.commit(NOW, alarms=[])
        assert store.open_alarms() == (raised,)

        ended = replace(raised, ended_at=NOW)
        store.commit(NOW, alarms=[ended, one])
        assert store.open_alarms() == (one,)
        assert store.alarm(1) == ended
        assert store.ended_alarms(NOW - timedelta(seconds=1), NOW) == (ended,)
        assert store.ended_alarms(NOW, NOW + timedelta(seconds=1)) == ()

        store.commit(NOW, alarms=[replace(one, ended_at=NOW)])
        assert store.open_alarms() == ()
        assert store.last_alarm_number() == 1

    def test_one_open_alarm_a_key(self, store: Store) -> None:
        """Two open alarms of one key are refused as a whole, with all else that was decided."""
        with pytest.raises(Exception, match=r"one_open_alarm_a_key|UNIQUE constraint failed: alarms.rule"):
            store.commit(NOW, alarms=[an_alarm(1), an_alarm(2)], notices=[a_notice()])
        assert store.open_alarms() == ()
        assert store.notices() == ()

    def test_events(self, store: Store) -> None:
        """An alarm's steps are kept once each, with the alarm as it was just after the step."""
        alarm = an_alarm()
        raised = Event(NOW, EventKind.RAISED, replace(alarm, steps=1), 1)
        acknowledged = Event(NOW + timedelta(hours=1), EventKind.ACKNOWLEDGED, alarm, 2, "tech-1", "on my way")
        store.commit(NOW, alarms=[alarm], events=[raised])
        store.commit(NOW, alarms=[alarm], events=[raised, acknowledged])

        assert store.events_of(41) == (raised, acknowledged)
        assert store.events(NOW, NOW + timedelta(hours=1)) == (acknowledged,)
        assert store.events_of(1) == ()

    def test_event_without_alarm(self, store: Store) -> None:
        """An event whose alarm is not kept with it is refused."""
        with pytest.raises(Exception, match=r"(?i)foreign key"):
            store.commit(NOW, events=[Event(NOW, EventKind.RAISED, an_alarm(), 1)])

    # The outbox

    def test_notice_once(self, store: Store) -> None:
        """A notice of the same occasion, person and channel is never written twice, nor changed by trying."""
        store.commit(NOW, notices=[a_notice(), a_notice(person="warden"), a_notice(channel="mail")])
        store.commit(NOW, notices=[a_notice(kind="storm", text="other"), a_notice("alarm:41:2")])
        store.add_notices([a_notice(due_at=NOW - timedelta(hours=1))], {"last_drill": "3"})

        kept = store.notices(alarm=41)

        assert [(one.occasion, one.person, one.channel) for one in kept] == [
            ("alarm:41:1", "tech-1", "text"),
            ("alarm:41:1", "warden", "text"),
            ("alarm:41:1", "tech-1", "mail"),
            ("alarm:41:2", "tech-1", "text"),
        ]
        assert kept[0] == replace(a_notice(), number=kept[0].number)
        assert store.notice(kept[0].number) == kept[0]
        assert store.notices(alarm=1) == ()
        assert store.marks()["last_drill"] == "3"
        assert store.notices(begin=NOW) == ()
        assert store.notices(begin=NOW - timedelta(seconds=1), end=NOW) == kept

    def test_due(self, store: Store) -> None:
        """Due are those whose time has come, the oldest first; after a failed attempt only from the next one on."""
        late = a_notice("alarm:41:3", due_at=NOW + timedelta(hours=8))
        store.commit(NOW, notices=[late, a_notice(), a_notice("alarm:40:1", due_at=NOW - timedelta(hours=1))])

        first, second = store.notices_due(NOW)
        assert [first.occasion, second.occasion] == ["alarm:40:1", "alarm:41:1"]
        assert store.begin_attempt(first.number, NOW)
        assert store.settle(
            first.number, NOW, NoticeState.DUE, next_attempt_at=NOW + timedelta(minutes=1), error="try later"
        )

        assert store.notices_due(NOW) == (second,)
        again = store.notices_due(NOW + timedelta(minutes=1))[0]
        assert (again.number, again.attempts, again.error, again.repeat) == (first.number, 1, "try later", False)
        assert len(store.notices_due(NOW + timedelta(hours=8))) == 3

    def test_attempt(self, store: Store) -> None:
        """Only one sender begins an attempt; what was left by a crash is known; what was accepted stays so."""
        store.commit(NOW, notices=[a_notice()])
        number = store.notices_due(NOW)[0].number

        assert store.put_words(number, "Hollin", "Hollin silent", "<p>", "<1@x>", "<0@x>")
        assert store.begin_attempt(number, NOW)
        assert not store.begin_attempt(number, NOW)
        assert not store.withdraw(number, "it no longer stands")
        assert not store.put_words(number, "", "other words", "", "", "")
        assert [one.number for one in store.unsettled()] == [number]
        assert store.settle(number, NOW, NoticeState.DUE, repeat=True)
        assert store.begin_attempt(number, NOW)
        assert store.settle(number, NOW, NoticeState.ACCEPTED)
        assert not store.settle(number, NOW, NoticeState.REFUSED)

        notice = store.notice(number)
        assert notice is not None
        assert (notice.state, notice.accepted_at, notice.attempts) == (NoticeState.ACCEPTED, NOW, 2)
        assert notice.repeat
        assert (notice.text, notice.message_id, notice.references) == ("Hollin silent", "<1@x>", "<0@x>")
        assert store.unsettled() == ()

    def test_withdrawn(self, store: Store) -> None:
        """A notice taken back is not due any more, says why, and stays in the memory."""
        store.commit(NOW, notices=[a_notice()])
        number = store.notices_due(NOW)[0].number

        assert store.withdraw(number, "it no longer stands")

        assert store.notices_due(NOW) == ()
        assert not store.begin_attempt(number, NOW)
        notice = store.notice(number)
        assert notice is not None
        assert (notice.state, notice.error) == (NoticeState.WITHDRAWN, "it no longer stands")

    def test_pictures(self, store: Store) -> None:
        """Pictures are frozen with the words, whole, replaced with them, and never read with the notice."""
        one, two = Picture("b@x", "Bars: Hollin 0 mm", bytes(range(256))), Picture("a@x", "A line", b"\x89PNG")
        store.commit(NOW, notices=[a_notice(channel="mail"), a_notice()])
        number = next(row.number for row in store.notices() if row.channel == "mail")

        assert store.put_words(number, "Hollin", "Hollin silent", "<p>", "<1@x>", "<0@x>", [one, two])
        assert store.pictures(number) == (two, one)
        assert [row.pictures for row in store.notices()] == [(), ()]
        assert store.put_words(number, "Hollin", "(repeat)", "<p>", "<1@x>", "<0@x>", [two])
        assert store.pictures(number) == (two,)
        store.begin_attempt(number, NOW)
        assert not store.put_words(number, "", "other words", "", "", "", [one])
        assert store.pictures(number) == (two,)

    def test_pictures_of_a_notice_made_with_its_words(self, store: Store) -> None:
        """What goes another way has its pictures from the beginning, and what is there already keeps its own."""
        one, two = Picture("b@x", "Bars", b"\x89PNG"), Picture("a@x", "A line", b"\x89PNG")
        store.add_notices([a_notice(channel="mail", pictures=(one,))])
        store.add_notices([a_notice(channel="mail", message_id="<2@x>", pictures=(one, two))])

        assert store.pictures(store.notices()[0].number) == (one,)

    def test_pictures_go(self, store: Store) -> None:
        """With a notice that is taken back, and three months after a mail was made; its words stay."""
        one = Picture("b@x", "Bars", b"\x89PNG")
        store.add_notices([a_notice(channel="mail", pictures=(one,)), a_notice("alarm:42:1", pictures=(one,))])
        mail, other = (row.number for row in store.notices())
        store.withdraw(other, "it no longer stands")
        assert (store.pictures(mail), store.pictures(other)) == ((one,), ())

        store.forget(NOW + timedelta(days=92))
        assert store.pictures(mail) == (one,)
        store.forget(NOW + timedelta(days=93))
        assert store.pictures(mail) == ()
        assert store.notice(mail) is not None

    def test_held_back(self, store: Store) -> None:
        """A notice that must wait says why, and is due later if that is said; one that has its words stays as it is."""
        store.commit(NOW, notices=[a_notice(), a_notice(channel="mail"), a_notice(channel="chat")])
        text, mail, chat = (one.number for one in store.notices_due(NOW))
        store.put_words(chat, "", "on its way", "", "<1@x>", "")

        store.hold_back([text, chat], "beyond 4 notices a day", NOW + timedelta(hours=9))
        store.hold_back([mail], "told in notice 7")

        assert [one.number for one in store.notices_due(NOW)] == [mail, chat]
        assert [one.number for one in store.notices_due(NOW + timedelta(hours=9))] == [mail, chat, text]
        errors = {one.number: one.error for one in store.notices()}
        assert errors == {text: "beyond 4 notices a day", mail: "told in notice 7", chat: ""}

    def test_sent_since(self, store: Store) -> None:
        """What was accepted since, is on its way or may have arrived; neither what was refused nor what waits."""
        kinds = ("accepted", "early", "attempting", "unknown", "trying again", "refused", "waiting")
        made = [a_notice(f"alarm:41:{step}") for step in range(len(kinds))]
        store.commit(NOW, notices=made)
        for notice, what in zip(store.notices_due(NOW), kinds, strict=True):
            at = NOW - timedelta(hours=2) if what == "early" else NOW
            if what == "waiting":
                continue
            store.put_words(notice.number, "", what, "", f"<{what}@x>", "")
            store.begin_attempt(notice.number, at)
            if what == "trying again":
                store.settle(notice.number, at, NoticeState.DUE, next_attempt_at=at + timedelta(minutes=1))
            elif what != "attempting":
                store.settle(notice.number, at, NoticeState("accepted" if what == "early" else what))

        told = {notice.text for notice in store.sent_since(NOW - timedelta(hours=1))}

        assert told == {"accepted", "attempting", "unknown", "trying again"}

    # One cycle

    def test_health_and_marks(self, store: Store) -> None:
        """How fetching went and small facts are written over what was there before."""
        failing = SourceHealth("main", NOW, NOW, NOW, NOW, NOW, "no answer \0")
        store.commit(NOW, health=[failing, SourceHealth("second")], marks={"digest:2025-W43": "sent"})
        store.set_mark("config", "[network]")
        store.commit(NOW + timedelta(minutes=1), health=[SourceHealth("main", NOW)])

        assert store.health() == (SourceHealth("main", NOW), SourceHealth("second"))
        assert store.marks("digest:") == {"digest:2025-W43": "sent"}
        assert store.marks("%") == store.marks("_onfig") == {}
        assert store.marks() == {
            "digest:2025-W43": "sent",
            "config": "[network]",
            "last_cycle": "2025-10-21T14:21:00.250000Z",
        }

    def test_nothing_by_halves(self, store: Store) -> None:
        """When one part of a commit fails, nothing of it has happened."""
        store.commit(NOW, alarms=[an_alarm(1, key=AlarmKey("a", "b", "c"))])
        wrong = SourceHealth(None)  # type: ignore[arg-type]

        with pytest.raises(Exception, match=r"(?i)null"):
            store.commit(NOW, alarms=[an_alarm()], notices=[a_notice()], health=[wrong], marks={"x": "y"})

        assert store.last_alarm_number() == 1
        assert store.notices() == ()
        assert "x" not in store.marks()

    def test_flags(self, store: Store) -> None:
        """A flag and its reason change on the rows named and on no other."""
        new = store.keep(rows((0, RAIN, T, 1), (1, RAIN, T, 900), (2, RAIN, T, 3)))
        doubtful = new.delivery[[1]]

        store.commit(NOW, flags=(doubtful, np.array([4]), ["more than has ever fallen"]))

        with store._reading() as connection:
            kept = connection.exec_driver_sql("SELECT value, flag, reason FROM delivered ORDER BY delivery").fetchall()
        assert [tuple(row) for row in kept] == [(1, 1, ""), (900, 4, "more than has ever fallen"), (3, 1, "")]

    # The long memory

    def test_cells(self, store: Store) -> None:
        """Cells are written over and come back with the stations at their new positions."""
        values = np.arange(45, dtype=np.float64).reshape(3, 15)
        ends = np.array([T, T + 3600, T])
        hourly = (np.array([0, 0, 1], np.int32), ends, values)
        store.save_cells({"hourly": hourly, "daily": (np.array([2]), np.array([T]), values[:1])}, known_to=7)
        store.save_cells({"hourly": (np.array([1]), np.array([T]), -values[2:])}, known_to=9)

        store.bind(("fennick", "hollin"), SOURCES)
        station, end, loaded = store.load_cells("hourly", T - 1)

        assert sorted(zip(station.tolist(), end.tolist(), loaded[:, 14].tolist(), strict=True)) == [
            (0, T, -44.0),
            (1, T, 14.0),
            (1, T + 3600, 29.0),
        ]
        assert store.load_cells("hourly", T)[1].tolist() == [T + 3600]
        assert [len(part) for part in store.load_cells("daily", 0)] == [0, 0, 0]
        assert store.cells_known_to() == 9

    def test_cells_anew(self, store: Store) -> None:
        """The cells of a station made anew go before new ones are saved, with what is to be remembered of them."""
        values = np.ones((2, 15))
        store.save_cells({"hourly": (np.array([0, 1]), np.array([T, T]), values)}, known_to=7)
        again = {"hourly": (np.array([0]), np.array([T + 3600]), values[:1])}
        store.save_cells(again, known_to=9, anew=np.array([0]), marks={"word": "kept"})

        station, end, _values = store.load_cells("hourly", 0)
        assert sorted(zip(station.tolist(), end.tolist(), strict=True)) == [(0, T + 3600), (1, T)]
        assert store.marks() == {"cells_known_to": "9", "word": "kept"}

    def test_cells_of_another_size(self, store: Store) -> None:
        """Cells of another number of values are refused, and nothing is saved."""
        with pytest.raises(ValueError, match="15"):
            store.save_cells({"hourly": (np.array([0]), np.array([T]), np.zeros((1, 14)))}, known_to=9)
        assert store.cells_known_to() == 0

    # At the same time

    def test_side_by_side(self, store: Store, another: Callable[[], Store]) -> None:
        """Several writers at once lose nothing, and give no delivery number twice."""
        stores = [store, another(), another()]
        new: list[Readings] = []

        def write(position: int) -> None:
            stores[position].bind(STATIONS, SOURCES)
            for step in range(15):
                new.append(stores[position].keep(rows((position, RAIN, T + step, 1), (0, BATTERY, T + step, 4))))
                stores[position].set_mark(f"{position}", str(step))

        writers = [threading.Thread(target=write, args=(position,)) for position in range(3)]
        for writer in writers:
            writer.start()
        for writer in writers:
            writer.join()

        kept = store.delivered(T - 1, T + 100)
        assert len(kept) == 4 * 15
        assert len(np.unique(kept.delivery)) == 4 * 15
        assert sorted(Readings.join(new).delivery.tolist()) == sorted(kept.delivery.tolist())
        assert {store.marks()[str(position)] for position in range(3)} == {"14"}

    def test_one_daemon(self, store: Store, another: Callable[[], Store]) -> None:
        """A second daemon is refused while the first holds the store, told who holds it, and let in afterwards."""
        second = another()
        with hold(store), pytest.raises(OutsideError, match=r"already runs on .*process \d+"), hold(second):
            pass
        with hold(second):
            pass

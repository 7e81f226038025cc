"""What answers do, the whole way: through the store into the next cycles, after a restart, and in a replay."""

# ruff: noqa: F811 -- a fixture of another file, by its name

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from tests.board.test_page import free_port
from tests.test_held_rain import (  # noqa: F401 -- fixtures
    NINE,
    TEST,
    mm_since_nine,
    night,
    raised,
    spans,
    story,
    tell,
)
from tests.test_watch import Story
from tests.town import RULES, Town, Watched, storms
from tests.town import SECRETS as TOWN_SECRETS
from watchman import answers, replay, watch
from watchman.daemon import ANSWERS
from watchman.model import EventKind, Notice
from watchman.telling import answering
from watchman.telling.answering import Said


def answer(story: Story, line: str, number: int, person: str = "tech-1") -> answers.Done:
    """Have somebody answer an alarm."""
    said = answering.read(line, story.network, story.now)
    assert isinstance(said, Said)
    return answers.act(story.store, story.network, said, person, story.now, alarm=number)


def silent(story: Story, steps: int, station: int = 3) -> list[tuple[str, str]]:
    """Go on while one station is silent, and return what was raised."""
    return raised([event for _ in range(steps) for event in story.step(silent={station})])


def test_one_answer_is_for_all_that_its_notice_told_of_the_station(story: Story) -> None:
    """What stood at the station when the notice left is acknowledged too; what came afterwards, or stands elsewhere, is
    not.
    """
    silent(story, 60)
    (told,) = [alarm for alarm in story.store.open_alarms() if alarm.standing]
    left = story.now
    others = [
        replace(told, number=number, key=replace(told.key, rule=f"rule-{number}", scope=scope), raised_at=raised_at)
        for number, scope, raised_at in (
            (71, told.key.scope, left),
            (72, told.key.scope, left + timedelta(minutes=1)),
            (73, "station:s1", left),
        )
    ]
    story.store.commit(story.now, alarms=[*story.store.open_alarms(), *others])
    notice = Notice(
        1, f"alarm:{told.number}:1", "tech-1", "text", "fault", left, left, alarm=told.number, accepted_at=left
    )
    done = answers.act(story.store, story.network, Said(answering.Kind.OK), "tech-1", left, notice=notice)
    assert f"No. {told.number} and 71 acknowledged" in done.sentence
    assert [one.alarm for one in story.store.answers_after(0)] == [told.number, 71]


def test_not_a_fault_closes_and_is_not_told_again_while_it_lasts(story: Story) -> None:
    """Neither in this cycle nor after a restart; once the station was back, its next silence is news."""
    assert silent(story, 60) == [("overdue", "station:s3")]
    number = next(event.alarm.number for event in story.events if event.kind is EventKind.RAISED)
    assert answer(story, "NOT A FAULT logger taken home", number).acted
    assert silent(story, 1) == []
    (closed,) = [event for event in story.events if event.kind is EventKind.ANSWERED]
    assert (closed.who, closed.note) == ("tech-1", "not a fault: logger taken home")
    assert story.store.alarm(number).ended_at is not None  # type: ignore[union-attr]
    assert silent(story, 10) == []
    story.restart()
    assert silent(story, 30) == []

    tell(story, [0] * 30)
    assert silent(story, 80) == [("overdue", "station:s3")]


def test_a_replay_knows_what_was_said(story: Story) -> None:
    """From the moment it was said on; before it the replay tells what was told."""
    silent(story, 60)
    number = next(event.alarm.number for event in story.events if event.kind is EventKind.RAISED)
    answer(story, "NOT A FAULT logger taken home", number)
    silent(story, 40)
    said = replay.said_no_fault(story.store, story.now)
    assert [(mark.key.scope, mark.check) for mark in said] == [("station:s3", "overdue")]
    readings = story.store.delivered(0, int(story.now.timestamp()))
    every = timedelta(minutes=5)
    told = [
        [
            (line["event"], line["station"])
            for line in replay.replay(story.network, readings, NINE, story.now, every=every, said=marks)
            if line["rule"] == "overdue"
        ]
        for marks in ((), said)
    ]
    assert told[0] == told[1] == [("raised", "s3")]

    past = replay.Past(readings, ())
    past.until(story.now)
    watching = watch.begin(story.network, past, story.now)
    assert replay.let_clear(watching, said, story.now) == []
    assert [key.scope for key in watching.cleared] == ["station:s3"]
    assert replay.let_clear(watch.begin(story.network, past, NINE), said, NINE) == list(said), "not yet said then"


def test_rain_counts_again_and_is_not_held_anew(story: Story) -> None:
    """The tips count, the alarm is closed, and heavy rain judges what it had not seen."""
    tell(story, TEST)
    tell(story, [0] * 3)
    number = next(event.alarm.number for event in story.events if event.kind is EventKind.RAISED)
    assert "count again" in answer(story, "RAIN", number).sentence
    events = tell(story, [0] * 3)
    assert mm_since_nine(story) == pytest.approx(0.2 * sum(TEST))
    assert spans(story) == []
    assert ("heavy-rain", "network") in raised(events), "late, and told as such"
    assert [event.note for event in events if event.kind is EventKind.ANSWERED] == ["not a fault: it was rain"]


def test_a_test_that_goes_on_stays_held(story: Story) -> None:
    """Confirmed in the middle of it, it is the person's own span, grows while the tips go on, and asks no more."""
    tell(story, TEST[:5])
    (before,) = spans(story)
    number = next(event.alarm.number for event in story.events if event.kind is EventKind.RAISED)
    assert "they stay out of the rain" in answer(story, "TEST", number).sentence
    events = tell(story, TEST[5:]) + tell(story, [0] * 12)
    (after,) = spans(story)
    assert (before.who, after.who, after.begins_at) == ("watch", "tech-1", NINE)
    assert after.ends_at >= NINE + timedelta(minutes=40)
    assert mm_since_nine(story) == 0.0
    assert raised(events) == []
    story.restart()
    assert raised(tell(story, [0] * 3)) == []
    assert mm_since_nine(story) == 0.0


def test_what_cannot_be_done_changes_nothing(story: Story) -> None:
    """Of an alarm that is over, or with a word that does not fit, a sentence says so."""
    silent(story, 60)
    number = next(event.alarm.number for event in story.events if event.kind is EventKind.RAISED)
    assert not answer(story, "RAIN", number).acted
    assert "it takes OK, LATER" in answer(story, "TEST", number).sentence
    answer(story, "NOT A FAULT taken home", number)
    silent(story, 1)
    before = story.store.answers_after(0), story.store.spans(), story.store.marks("stopped:")
    for line in ("OK", "LATER 48H", "NOT A FAULT again", "STOP"):
        assert not answer(story, line, number).acted
    assert "is closed since" in answer(story, "OK", number).sentence
    assert (story.store.answers_after(0), story.store.spans(), story.store.marks("stopped:")) == before


def test_one_visit_prolonged_and_ended(story: Story) -> None:
    """VISIT at an open window prolongs it, DONE at an earlier time ends it then; another's window stays."""
    silent(story, 60)
    number = next(event.alarm.number for event in story.events if event.kind is EventKind.RAISED)
    story.store.add_span("s3", story.now, story.now + timedelta(hours=5), "visit", "warden", story.now)
    answer(story, "VISIT 1H", number)
    story.now += timedelta(minutes=50)
    answer(story, "VISIT 2H", number)
    own = [span for span in spans(story) if span.who == "tech-1"]
    assert [span.ends_at for span in own] == [story.now + timedelta(hours=2)]
    story.now += timedelta(minutes=30)
    ended = story.now - timedelta(minutes=10)
    assert "Done: Station 3" in answer(story, f"DONE {ended.astimezone(story.network.zone):%H:%M}", number).sentence
    assert [span.ends_at for span in spans(story) if span.who == "tech-1"] == [ended.replace(second=0, microsecond=0)]
    assert len([span for span in spans(story) if span.who == "warden"]) == 1
    assert not answer(story, "DONE", number).acted


def test_the_same_sentence_is_told_once_a_minute(story: Story) -> None:
    """A gateway or mail program that repeats itself makes no flood."""
    for _ in range(3):
        answers.tell(story.store, story.network, "tech-1", "mail", "Which station?", story.now)
    answers.tell(story.store, story.network, "tech-1", "mail", "Which station?", story.now + timedelta(minutes=1))
    told: list[Notice] = [one for one in story.store.notices() if one.occasion.startswith("answer:")]
    assert len(told) == 2
    assert all(one.message_id.startswith("<wm.") and one.subject for one in told)


BOX = """
[answers.mail]
host = "127.0.0.1"
port = {port}
security = "none"
user = "watch@veldran.example"
password = "secret:feed"
"""


def test_a_box_that_cannot_be_read_is_told_after_half_an_hour(tmp_path: Path) -> None:
    """One failed look is nothing; a box that stays away is the watch's own trouble, and over when it is back."""
    with Town(tmp_path, more=BOX.format(port=free_port())) as town:
        watched = Watched(town)
        for minutes, told in ((0, False), (20, False), (10, True)):
            watched.now += timedelta(minutes=minutes)
            watched.daemon.read_mail()
            assert (ANSWERS in watched.daemon.watch.own_trouble) is told
        assert "can't be reached" in watched.daemon.watch.own_trouble[ANSWERS]
        assert TOWN_SECRETS["feed"] not in watched.daemon.watch.own_trouble[ANSWERS]
        watched.store.close()


HOST = """
[[contacts]]
name = "host-1"
roles = ["volunteer host"]
mail = "host-1@veldran.example"
"""


def test_a_volunteer_who_stopped_is_not_told(tmp_path: Path) -> None:
    """From the next cycle on, also what was due already; until the volunteer starts again."""
    rule = RULES["heavy-rain"].replace('"road crew"', '"road crew", "volunteer host"')
    with Town(tmp_path, more=HOST) as town:
        town.write({**RULES, "heavy-rain": rule})
        stations = tmp_path / "stations.csv"
        hosted = ("host", "", "", "host-1")
        lines = zip(stations.read_text(encoding="utf-8").splitlines(), hosted, strict=True)
        stations.write_text("".join(f"{line},{host}\n" for line, host in lines), encoding="utf-8")
        watched = Watched(town)
        host = Said(answering.Kind.STOP)
        watched.rain()
        watched.turn()
        answers.act(watched.store, watched.network, host, "host-1", watched.now)
        watched.rain(larkmoor=9.0)
        watched.turn(5)
        assert watched.daemon.watch.network.stopped == {"host-1"}
        watched.restart()
        assert watched.daemon.network.stopped == {"host-1"}, "what waits is sent before the first cycle"
        assert len(storms(town.told("warden"))) == 1
        assert town.told("host-1", "mail") == []

        answers.act(watched.store, watched.network, Said(answering.Kind.START), "host-1", watched.now)
        watched.rain(larkmoor=30.0)
        watched.turn(5)
        assert watched.daemon.watch.network.stopped == frozenset()
        assert len(town.told("host-1", "mail")) == 1
        watched.store.close()

"""From a due row of the outbox to its words, as things stand when it is due, over a real store and record."""

from __future__ import annotations

import email
import logging
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from email.message import EmailMessage
from email.policy import default
from pathlib import Path
from typing import cast

import pytest

from tests.town import Town, Watched, storms, table
from watchman import speech
from watchman.daemon import TEMPLATES
from watchman.judging import alarms
from watchman.model import AlarmKey, AlarmState, Event, EventKind, Matter, Notice, NoticeState, Verdict
from watchman.telling import charts, pictures, roster
from watchman.telling.compose import Words

NOON = datetime(2025, 10, 22, 12, tzinfo=UTC)
BOARD = '\n[board]\naddress = "https://watch.example.org"\nkey = "secret:feed"\n'


@pytest.fixture
def watched(tmp_path: Path) -> Iterator[Watched]:
    """A watch on a town after one dry cycle."""
    with Town(tmp_path) as town:
        watched = Watched(town, NOON)
        watched.rain()
        watched.turn()
        yield watched
        watched.store.close()


@pytest.fixture
def with_board(tmp_path: Path) -> Iterator[Watched]:
    """A watch on a town with a page for phones."""
    with Town(tmp_path, more=BOARD) as town:
        watched = Watched(town, NOON)
        yield watched
        watched.store.close()


def summoned(watched: Watched, occasion: str, kind: str = "tool") -> list[Notice]:
    """Put notices of an occasion for the technician into the outbox, and return them as they are there."""
    contacts = roster.with_roles(watched.network, ("technician",))
    watched.store.add_notices(roster.summon(watched.network, occasion, kind, contacts, watched.now))
    return [one for one in watched.store.notices() if one.occasion == occasion]


def said(watched: Watched, occasion: str, channel: str = "text") -> Words | None:
    """Return what an occasion's notice says."""
    speaker = speech.Speaker(watched.network, watched.store, watched.daemon.watch, watched.now)
    return next(speaker.words(one) for one in summoned(watched, occasion) if one.channel == channel)


def text_of(watched: Watched, occasion: str, channel: str = "text") -> str:
    words = said(watched, occasion, channel)
    assert words is not None
    assert channel != "text" or len(words.text) <= 160
    return words.text


def test_a_time_off_in_which_nothing_happened(watched: Watched) -> None:
    """From when to when, and that nothing was missed."""
    watched.now += timedelta(hours=3)
    watched.restart()
    watched.rain()
    watched.turn()
    off = [text for text in watched.town.told("tech-1") if "was off" in text]
    assert len(off) == 1
    assert "was off 12:00 to 15:00" in off[0]
    assert "Nothing was missed" in off[0]
    assert watched.town.told("warden") == []


def test_heavy_rain_during_a_time_off_is_history_and_told_as_missed(watched: Watched) -> None:
    """Two hours old when it is first seen: nobody is woken by it, the technician hears what was missed and by whom."""
    watched.now += timedelta(hours=3)
    watched.restart()
    watched.rain(larkmoor=9.0, minutes_ago=120)
    watched.turn()
    off = [text for text in watched.town.told("tech-1") if "was off" in text]
    assert len(off) == 1
    assert (
        "Missed live: heavy rain at Larkmoor 12:45" in off[0] or "Missed live: heavy rain at Larkmoor 13:00" in off[0]
    )
    assert "Phone road crew and warden" in off[0] or "Phone warden" in off[0]
    assert storms(watched.town.told("warden")) == []


def test_heavy_rain_that_began_during_a_time_off_and_goes_on_is_told_both_ways(watched: Watched) -> None:
    """The warden hears of the rain, the technician that it could have been told before."""
    watched.now += timedelta(hours=3)
    watched.restart()
    watched.rain(larkmoor=9.0, minutes_ago=20)
    watched.turn()
    assert len(storms(watched.town.told("warden"))) == 1
    off = [text for text in watched.town.told("tech-1") if "was off" in text]
    assert "Missed live: heavy rain at Larkmoor" in off[0]


def test_a_window_that_closed_says_what_still_stands(watched: Watched) -> None:
    """Without an alarm at its station there is nothing to do; with one it is named."""
    store = watched.store
    window = store.add_span("larkmoor", NOON, NOON + timedelta(hours=1), "visit", "tech-1", NOON)
    assert "Larkmoor" in text_of(watched, f"window:{window.number}")
    other = store.add_span("fennick", NOON, NOON + timedelta(hours=1), "visit", "tech-1", NOON)
    for _ in range(14):
        watched.town.answers["/main.csv"] = table({"hollin": 0.0}, watched.now + timedelta(minutes=14))
        watched.town.answers["/other.csv"] = table({"larkmoor": 0.0}, watched.now + timedelta(minutes=14))
        watched.turn(15)
    standing = [alarm for alarm in store.open_alarms() if alarm.standing]
    assert [alarm.stations for alarm in standing] == [("fennick",)]
    assert "silent since" in text_of(watched, f"window:{other.number}", "mail")
    (key,) = (alarm.key for alarm in standing)
    watched.daemon.watch.alarms[key] = replace(standing[0], state=AlarmState.RETURNED)
    assert "Nothing stands open there." in text_of(watched, f"window:{other.number}", "mail")
    assert said(watched, "window:99") is None


def test_a_drill_is_marked_as_an_exercise_and_carries_the_link(with_board: Watched) -> None:
    """Nobody acts on it, and all can answer it."""
    text = text_of(with_board, "drill:3")
    assert "drill" in text.lower() or "exercise" in text.lower()
    assert "https://watch.example.org/" in text


def test_a_notice_that_was_given_up_is_told_with_what_it_was_about(watched: Watched) -> None:
    """The technician learns whom to phone."""
    watched.rain(larkmoor=9.0, minutes_ago=-14)
    watched.turn(15)
    lost = next(one for one in watched.store.notices() if (one.person, one.channel) == ("warden", "text"))
    text = text_of(watched, f"undelivered:{lost.number}")
    assert "warden" in text
    assert "Larkmoor" in text
    assert said(watched, "undelivered:999") is None


def test_the_digest_is_made_when_due_and_its_totals_are_kept(watched: Watched) -> None:
    """The next one can then say what was revised."""
    watched.rain(larkmoor=4.0, minutes_ago=-14)
    watched.turn(15)
    words = said(watched, "digest:2025-W43", "mail")
    assert words is not None
    assert "Larkmoor" in words.text
    assert words.html
    assert watched.store.marks()["totals:2025-W43"] == "hollin=0 fennick=0 larkmoor=4000"


@pytest.fixture
def at_night(tmp_path: Path) -> Iterator[Watched]:
    """A watch in the evening, people being told of faults between 07:00 and 19:00; a station has fallen silent."""
    with Town(tmp_path) as town:
        file = town.folder / "network.toml"
        file.write_text(file.read_text().replace('"00:00"', '"07:00"').replace('"23:59"', '"19:00"'))
        watched = Watched(town, NOON + timedelta(hours=8))
        for step in range(20):
            heard = {"hollin": 0.0} if step else {"hollin": 0.0, "fennick": 0.0}
            town.answers["/main.csv"] = table(heard, watched.now + timedelta(minutes=14))
            town.answers["/other.csv"] = table({"larkmoor": 0.0}, watched.now + timedelta(minutes=14))
            watched.turn(15)
        assert [one.stations for one in watched.store.open_alarms() if one.standing] == [("fennick",)]
        yield watched
        watched.store.close()


def states(watched: Watched) -> set[NoticeState]:
    return {one.state for one in watched.store.notices() if one.kind == "fault"}


def test_a_fault_of_the_night_is_told_in_the_morning_as_it_stands_then(at_night: Watched) -> None:
    """Words are made when the notice is due."""
    assert at_night.town.told("tech-1") == []
    at_night.now = NOON + timedelta(hours=19, minutes=1)
    at_night.daemon.send()
    assert len(at_night.town.told("tech-1")) == 1
    assert "Fennick" in at_night.town.told("tech-1")[0]
    assert states(at_night) == {NoticeState.ACCEPTED}


def test_a_fault_of_the_night_asks_from_the_morning_on(at_night: Watched) -> None:
    """Who reads "no answer since" was asked then, and not in the night, when the fault was first seen."""
    watched = at_night
    [notice] = [one for one in watched.store.notices() if (one.person, one.channel) == ("tech-1", "text")]
    [raised] = [one for one in watched.store.events_of(notice.alarm) if one.kind is EventKind.RAISED]
    speaker = speech.Speaker(watched.network, watched.store, watched.daemon.watch, watched.now)

    assert raised.at < notice.due_at
    assert speaker._asked_since(notice) == notice.due_at


def suppress(watched: Watched, state: AlarmState) -> None:
    """Put the standing fault into a state, as a cycle would."""
    (fault,) = (one for one in watched.store.open_alarms() if one.standing)
    watched.store.commit(watched.now, alarms=[replace(fault, state=state, state_before=AlarmState.UNACKNOWLEDGED)])


def test_a_fault_that_cannot_be_judged_in_the_morning_is_told_once_it_can(at_night: Watched) -> None:
    """One failed fetch at 07:00 does not lose what happened in the night."""
    at_night.now = NOON + timedelta(hours=19, minutes=1)
    suppress(at_night, AlarmState.SUPPRESSED)
    at_night.daemon.send()
    assert at_night.town.told("tech-1") == []
    assert states(at_night) == {NoticeState.DUE}
    at_night.now += timedelta(minutes=1)
    suppress(at_night, AlarmState.UNACKNOWLEDGED)
    at_night.daemon.send()
    assert len(at_night.town.told("tech-1")) == 1
    assert states(at_night) == {NoticeState.ACCEPTED}


def test_a_fault_put_off_past_the_evening_waits_for_the_next_morning(at_night: Watched) -> None:
    """What is told by day rings nobody at 02:00 because it could be judged again then."""
    at_night.now = NOON + timedelta(hours=38)
    at_night.daemon.send()
    assert states(at_night) == {NoticeState.DUE}
    at_night.now = NOON + timedelta(hours=43, minutes=1)
    at_night.daemon.send()
    assert states(at_night) == {NoticeState.ACCEPTED}


def test_a_fault_that_is_over_by_the_morning_is_told_to_nobody(at_night: Watched) -> None:
    """Withdrawn, with its reason, rather than sent as old news."""
    for _ in range(4):
        stamp = at_night.now + timedelta(minutes=14)
        at_night.town.answers["/main.csv"] = table({"hollin": 0.0, "fennick": 0.0}, stamp)
        at_night.town.answers["/other.csv"] = table({"larkmoor": 0.0}, stamp)
        at_night.turn(15)
    at_night.now = NOON + timedelta(hours=19, minutes=1)
    at_night.daemon.send()
    assert at_night.town.told("tech-1") == []
    assert states(at_night) == {NoticeState.WITHDRAWN}


def test_every_notice_carries_the_personal_link_where_the_board_is_set_up(with_board: Watched) -> None:
    """A link of its own for each notice; in the mail always, in the text where there is room."""
    watched = with_board
    watched.rain(larkmoor=9.0, minutes_ago=-14)
    watched.turn(15)
    notices = [one for one in watched.store.notices() if one.kind == "storm"]
    assert {one.person for one in notices} == {"warden"}
    assert ["https://watch.example.org/" in one.text for one in notices if one.channel == "mail"] == [True]
    drills = summoned(watched, "drill:1")
    links = {text_of(watched, "drill:1", one.channel).partition("https://")[2].split()[0] for one in drills}
    assert len(links) == len(drills)


def test_a_broken_template_gives_way_to_ours_and_is_told(watched: Watched, caplog: pytest.LogCaptureFixture) -> None:
    """The storm leaves in our words; the log says what is wrong, and so does an alarm of the watch's own."""
    own = watched.town.folder / "templates" / "heavy-rain"
    own.mkdir(parents=True)
    (own / "raised.txt").write_text("{% block text %}{{ nonsense }}{% endblock %}")
    caplog.set_level(logging.ERROR, "watchman.speech")
    watched.rain(larkmoor=9.0, minutes_ago=-14)
    watched.turn(15)
    assert len(storms(watched.town.told("warden"))) == 1
    assert any("nonsense" in line for line in caplog.messages)
    assert "nonsense" in watched.daemon.watch.own_trouble[TEMPLATES]
    watched.rain(minutes_ago=-14)
    watched.turn(15)
    assert any("template" in text for text in watched.town.told("tech-1"))


def mail_to(watched: Watched, who: str) -> EmailMessage:
    """Return the one mail that reached a person."""
    (file,) = (watched.town.folder / "mails").glob(f"*-{who}-*.eml")
    return cast(EmailMessage, email.message_from_bytes(file.read_bytes(), policy=default))


def test_a_storm_s_mail_has_its_picture_drawn_while_the_watch_goes_on(
    watched: Watched, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From the record to the mail box: the page shows the picture that comes with it, and no cycle waits for it."""
    waited = []
    draw = charts.draw

    def drawn(shown: charts.Shown) -> tuple[bytes, str]:
        waited.append(watched.daemon.turn.locked())
        return draw(shown)

    monkeypatch.setattr(charts, "draw", drawn)
    watched.rain(larkmoor=9.0, minutes_ago=-14)
    watched.turn(15)
    message = mail_to(watched, "warden")
    (picture,) = (part for part in message.walk() if part.get_content_type() == "image/png")
    page = message.get_body(("html",))

    assert page is not None
    assert f'src="cid:{picture["Content-ID"][1:-1]}"' in page.get_content()
    assert "Larkmoor: 9 mm in all, most 9 mm in 15 min" in page.get_content()
    assert waited == [False]
    (row,) = (row for row in watched.store.notices() if (row.person, row.channel) == ("warden", "mail"))
    assert [one.png for one in watched.store.pictures(row.number)] == [picture.get_content()]  # type: ignore[attr-defined]


def test_a_mail_goes_without_the_picture_that_cannot_be_thought_of(
    watched: Watched, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A fault of ours in gathering what it shows costs the picture, never the warning."""
    monkeypatch.setattr(pictures, "of_alarm", lambda *_: 1 / 0)
    watched.rain(larkmoor=9.0, minutes_ago=-14)
    watched.turn(15)

    assert "image/png" not in [part.get_content_type() for part in mail_to(watched, "warden").walk()]
    assert "ZeroDivisionError" in caplog.text


def test_a_person_who_is_no_contact_any_more_gets_nothing(watched: Watched) -> None:
    """Nobody to make words for."""
    (notice, *_) = summoned(watched, "drill:1")
    speaker = speech.Speaker(watched.network, watched.store, watched.daemon.watch, watched.now)
    assert speaker.words(replace(notice, person="gone")) is None


def test_an_alarm_of_the_first_cycle_after_a_time_off_is_among_what_was_missed(watched: Watched) -> None:
    """Whatever began while nobody watched and was raised at once on return."""
    ended = NOON + timedelta(hours=3)
    key = AlarmKey("tool", "check-failure", "tool:rule overdue")
    numbers = {"what": "rule overdue", "trouble": "ZeroDivisionError"}
    matter = Matter(key, "check-failure", Verdict.PRESENT, tell=("technician",), since=NOON, numbers=numbers)
    alarm = replace(alarms.pending(matter, ended), number=1, raised_at=ended, steps=1)
    watched.store.commit(ended, alarms=[alarm], events=[Event(ended, EventKind.RAISED, alarm, 1)])
    watched.now = ended
    occasion = f"off:{NOON.isoformat()}/{ended.isoformat()}"
    assert "Missed live: The watch rule overdue fails" in text_of(watched, occasion)

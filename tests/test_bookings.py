"""Visits and turns of duty from calendars: booked, moved, withdrawn, kept through restarts and failures, and told."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.town import Town, Watched
from watchman import bookings, verify
from watchman.calendars import Book, Entry
from watchman.model import VISIT, Span
from watchman.telling import roster

NOON = datetime(2025, 10, 22, 12, tzinfo=UTC)
CALENDARS = """
[[calendars]]
name = "visits"
holds = "visits"
address = "http://127.0.0.1:{web}/private-hidden/visits.ics"

[[calendars]]
name = "who"
holds = "duty"
path = "duty.ics"

[[contacts]]
name = "tech-2"
roles = ["technician"]
mail = "tech-2@veldran.example"

[[duty]]
role = "technician"
people = ["tech-1", "tech-2"]
calendar = "who"
"""


def event(summary: str, begins: datetime, hours: float = 1, uid: str = "1", more: str = "") -> str:
    ends = begins + timedelta(hours=hours)
    return (
        f"BEGIN:VEVENT\r\nUID:{uid}\r\nSUMMARY:{summary}\r\nDTSTART:{begins:%Y%m%dT%H%M%SZ}\r\n"
        f"DTEND:{ends:%Y%m%dT%H%M%SZ}\r\n{more}END:VEVENT\r\n"
    )


def calendar(*events: str) -> bytes:
    return ("BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-\r\n" + "".join(events) + "END:VCALENDAR\r\n").encode()


@pytest.fixture
def town(tmp_path: Path) -> Iterator[Town]:
    with Town(tmp_path, more=CALENDARS) as town:
        (tmp_path / "duty.ics").write_bytes(calendar())
        town.answers["/private-hidden/visits.ics"] = calendar()
        yield town


@pytest.fixture
def watched(town: Town) -> Iterator[Watched]:
    """A watch on a town with two calendars after one dry cycle."""
    watched = Watched(town, NOON)
    turn(watched)
    yield watched
    watched.store.close()


def turn(watched: Watched, minutes: float = 0) -> None:
    """Go on by some minutes, look into both calendars, and do every job once."""
    watched.now += timedelta(minutes=minutes)
    watched.rain()
    for position in range(2):
        watched.daemon.look(position)
    assert watched.turn() == ""


def windows(watched: Watched) -> list[tuple[str, datetime, str]]:
    return [(one.station, one.begins_at, one.who) for one in spans(watched)]


def spans(watched: Watched) -> list[Span]:
    return [span for span in watched.store.spans() if span.reason == VISIT and span.withdrawn_at is None]


def test_a_visit_in_the_calendar_takes_the_station_out_of_service(town: Town, watched: Watched) -> None:
    """Named after the station; who is invited is told, else the calendar itself is who booked."""
    begins = NOON + timedelta(minutes=10)
    more = "ATTENDEE:mailto:Tech-1@veldran.example\r\n"
    town.answers["/private-hidden/visits.ics"] = calendar(
        event("hollin dam: clean the funnel", begins, more=more), event("Larkmoor", begins, uid="2")
    )
    turn(watched, 5)
    assert windows(watched) == [("hollin", begins, "tech-1"), ("larkmoor", begins, "calendar visits")]
    turn(watched, 10)
    assert {span.station for span in watched.daemon.watch.spans} == {"hollin", "larkmoor"}
    turn(watched, 5)
    assert len(watched.store.spans()) == 2, "looking again changes nothing"


def test_moved_renamed_and_deleted_visits_move_and_withdraw_their_windows(town: Town, watched: Watched) -> None:
    """The entry is the same by its UID; an old window never stays beside the new one."""
    begins = NOON + timedelta(hours=3)
    town.answers["/private-hidden/visits.ics"] = calendar(event("Hollin Dam", begins))
    turn(watched, 5)
    later = begins + timedelta(days=1)
    town.answers["/private-hidden/visits.ics"] = calendar(event("Hollin Dam", later))
    turn(watched, 5)
    assert windows(watched) == [("hollin", later, "calendar visits")]
    town.answers["/private-hidden/visits.ics"] = calendar(event("Fennick Bridge", later))
    turn(watched, 5)
    assert windows(watched) == [("fennick", later, "calendar visits")]
    town.answers["/private-hidden/visits.ics"] = calendar(event("Fennick Bridge", later, more="STATUS:CANCELLED\r\n"))
    turn(watched, 5)
    assert windows(watched) == []
    assert all(span.withdrawn_at is not None for span in watched.store.spans()), "what was known stays known"


def test_a_visit_that_has_begun_outlives_its_entry(town: Town, watched: Watched) -> None:
    """A slip in the entry while somebody is there must not make test tips rain; a visit still to come is withdrawn."""
    begins = NOON + timedelta(minutes=10)
    entries = event("Hollin Dam", begins), event("Larkmoor", begins + timedelta(hours=5), uid="2")
    town.answers["/private-hidden/visits.ics"] = calendar(*entries)
    turn(watched, 15)
    assert {station for station, _begins, _who in windows(watched)} == {"hollin", "larkmoor"}
    town.answers["/private-hidden/visits.ics"] = calendar()
    turn(watched, 5)
    assert windows(watched) == [("hollin", begins, "calendar visits")]
    town.answers["/private-hidden/visits.ics"] = calendar(entries[0])
    turn(watched, 5)
    assert len(windows(watched)) == 1, "said again, it is no second visit"


def test_one_occurrence_of_a_series_is_deleted(town: Town, watched: Watched) -> None:
    """The others stay as they were booked."""
    begins = NOON + timedelta(hours=3)
    weekly = event("Hollin Dam", begins, more="RRULE:FREQ=DAILY;COUNT=3\r\n")
    town.answers["/private-hidden/visits.ics"] = calendar(weekly)
    turn(watched, 5)
    booked = spans(watched)
    without = weekly.replace("RRULE", f"EXDATE:{begins + timedelta(days=1):%Y%m%dT%H%M%SZ}\r\nRRULE")
    town.answers["/private-hidden/visits.ics"] = calendar(without)
    turn(watched, 5)
    assert spans(watched) == [booked[0], booked[2]]


def test_what_a_person_ended_stays_ended_until_the_calendar_says_otherwise(town: Town, watched: Watched) -> None:
    """The visitor went early; the calendar, which still says what it said, doesn't take the station out again."""
    begins = NOON + timedelta(minutes=5)
    town.answers["/private-hidden/visits.ics"] = calendar(event("Hollin Dam", begins, hours=4))
    turn(watched, 10)
    (window,) = spans(watched)
    watched.store.end_span(window.number, watched.now, watched.now)
    turn(watched, 5)
    assert [span.ends_at for span in spans(watched)] == [NOON + timedelta(minutes=10)]
    town.answers["/private-hidden/visits.ics"] = calendar(event("Hollin Dam", begins, hours=5))
    turn(watched, 5)
    assert [span.ends_at for span in spans(watched)] == [begins + timedelta(hours=5)]


def test_a_past_visit_stays_when_the_calendar_no_longer_reaches_back(town: Town, watched: Watched) -> None:
    """Its test tips must not become rain two days later."""
    town.answers["/private-hidden/visits.ics"] = calendar(event("Hollin Dam", NOON - timedelta(hours=2)))
    turn(watched, 5)
    town.answers["/private-hidden/visits.ics"] = calendar()
    turn(watched, 60 * 48)
    assert len(spans(watched)) == 1


def broken(handler: object) -> None:
    handler.send_response(503)  # type: ignore[attr-defined]
    handler.send_header("Retry-After", "3600")  # type: ignore[attr-defined]
    handler.end_headers()  # type: ignore[attr-defined]


def test_a_failing_address_is_told_once_and_the_last_good_text_holds(
    town: Town, watched: Watched, caplog: pytest.LogCaptureFixture
) -> None:
    """Also through a restart; the address's secret part is told to nobody."""
    begins = NOON + timedelta(days=2)
    town.answers["/private-hidden/visits.ics"] = calendar(event("Hollin Dam", begins))
    turn(watched, 5)
    for answer in (broken, b"<html><title>Log in</title></html>", b"BEGIN:NOTHING", b"x" * 2_000_001):
        town.answers["/private-hidden/visits.ics"] = answer
        turn(watched, 5)
        watched.restart()
        turn(watched, 5)
        assert windows(watched) == [("hollin", begins, "calendar visits")]
        assert "calendar visits" in watched.daemon.watch.own_trouble
    texts = [text for text in town.told("tech-1") if "calendar visits" in text]
    assert len(texts) == 1
    assert "127.0.0.1 is overloaded or down (HTTP 503)" in texts[0]
    assert "hidden" not in "".join([*town.told("tech-1"), *town.told("tech-1", "mail"), caplog.text])
    town.answers["/private-hidden/visits.ics"] = calendar()
    turn(watched, 5)
    assert windows(watched) == []
    assert "calendar visits" not in watched.daemon.watch.own_trouble


def test_a_calendar_that_has_not_changed_is_not_sent_again(town: Town, watched: Watched) -> None:
    """The server is asked with its own tag."""
    seen: list[str | None] = []

    def tagged(handler: object) -> None:
        seen.append(handler.headers.get("If-None-Match"))  # type: ignore[attr-defined]
        fresh = seen[-1] != '"7"'
        body = calendar(event("Hollin Dam", NOON + timedelta(days=1))) if fresh else b""
        handler.send_response(200 if fresh else 304)  # type: ignore[attr-defined]
        handler.send_header("ETag", '"7"')  # type: ignore[attr-defined]
        handler.send_header("Content-Length", str(len(body)))  # type: ignore[attr-defined]
        handler.end_headers()  # type: ignore[attr-defined]
        handler.wfile.write(body)  # type: ignore[attr-defined]

    town.answers["/private-hidden/visits.ics"] = tagged
    turn(watched, 5)
    watched.restart()
    turn(watched, 5)
    assert seen == [None, '"7"']
    assert [station for station, _, _ in windows(watched)] == ["hollin"]


def test_entries_of_no_station_are_told_to_the_technician_once(town: Town, watched: Watched) -> None:
    """The rest of the calendar counts; a visit of a season is a slip."""
    begins = NOON + timedelta(hours=3)
    town.answers["/private-hidden/visits.ics"] = calendar(
        event("Holin Dam", begins),
        event("Larkmoor", begins, uid="2"),
        event("Fennick Bridge", begins, hours=24 * 60, uid="3"),
        event("Hollin Damned", begins, uid="4", more="RRULE:FREQ=MINUTELY\r\n"),
    )
    for _ in range(3):
        turn(watched, 5)
    assert [station for station, _, _ in windows(watched)] == ["larkmoor"]
    trouble = watched.daemon.watch.own_trouble["calendar visits"]
    assert '"Hollin Damned": it repeats minutely' in trouble
    assert '"Holin Dam" (Wed 22 Oct) begins with no station\'s id or name' in trouble
    assert '"Fennick Bridge" (Wed 22 Oct) lasts more than 14 days' in trouble
    assert len([text for text in town.told("tech-1") if "calendar visits" in text]) == 1


def test_whoever_the_calendar_names_is_on_duty(town: Town, watched: Watched) -> None:
    """Its turns go before the written order; where it says nothing, that order holds."""
    told = roster.told_now(watched.daemon.network, ("technician",), watched.now)
    assert [contact.name for contact in told] == ["tech-1"]
    (town.folder / "duty.ics").write_bytes(
        calendar(event("tech-2 (holiday cover)", NOON, hours=24), event("somebody", NOON, uid="2"))
    )
    turn(watched, 5)
    for network in (watched.daemon.network, watched.daemon.watch.network):
        assert [contact.name for contact in roster.told_now(network, ("technician",), watched.now)] == ["tech-2"]
    assert '"somebody" begins with nobody' in watched.daemon.watch.own_trouble["calendar who"]
    (town.folder / "duty.ics").unlink()
    turn(watched, 5)
    assert [one.person for one in watched.daemon.network.turns] == ["tech-2"]
    assert "duty.ics can't be read" in watched.daemon.watch.own_trouble["calendar who"]


def test_the_longest_name_counts_and_only_whole_words(town: Town, watched: Watched) -> None:
    """ "Hollin Dam" is not "Hollin D"; an id with its own ending is another one."""
    begins = NOON + timedelta(hours=1)
    entries = tuple(
        Entry(str(number), summary, begins, begins + timedelta(hours=1))
        for number, summary in enumerate(("Hollin  DAM, as found", "hollin", "HOLLINS", "visit Hollin", ""))
    )
    found, unknown = bookings.visits(watched.network, "visits", Book(entries), NOON)
    assert [visit.key for visit in found] == ["0", "1"]
    assert len(unknown) == 3


def test_verify_says_what_a_calendar_holds_and_what_it_does_not(town: Town) -> None:
    """Read once, nothing booked."""
    soon = datetime.now(UTC) + timedelta(days=1)
    town.answers["/private-hidden/visits.ics"] = calendar(event("Hollin Dam", soon), event("Holin Dam", soon, uid="2"))
    report = verify.verify(town.folder, {"feed": "token-of-the-feed-7351"}.get, datetime.now(UTC))
    text = "\n".join(report.lines)
    assert "visits: 1 visit in the next 14 days, the next at Hollin Dam" in text
    assert 'visits: "Holin Dam"' in text
    assert "who: nobody's turn in the next 14 days" in text
    (town.folder / "duty.ics").unlink()
    report = verify.verify(town.folder, {"feed": "token-of-the-feed-7351"}.get, datetime.now(UTC))
    assert "who: FAILED: duty.ics can't be read: No such file or directory" in "\n".join(report.lines)
    assert report.exit_code == verify.OUTSIDE


def test_a_calendar_that_never_ends_is_given_up_and_the_watch_goes_on(town: Town, watched: Watched) -> None:
    """A rule that finds no day costs its own entry alone; nothing of our secrets is in the process that reads it."""
    begins = NOON + timedelta(hours=3)
    endless = event("Fennick Bridge", NOON, uid="2", more="RRULE:FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30\r\n")
    town.answers["/private-hidden/visits.ics"] = calendar(endless, event("Hollin Dam", begins))
    turn(watched, 5)
    assert [station for station, _, _ in windows(watched)] == ["hollin"]
    assert "its rule takes too long to follow" in watched.daemon.watch.own_trouble["calendar visits"]


def test_a_bug_of_ours_with_one_calendar_stops_neither_the_other_nor_the_cycle(
    town: Town, watched: Watched, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is told like any other trouble."""

    def broken(*_: object) -> None:
        raise ZeroDivisionError("a bug of ours")

    monkeypatch.setattr(bookings, "visits", broken)
    (town.folder / "duty.ics").write_bytes(calendar(event("tech-2", NOON, hours=24)))
    turn(watched, 5)
    assert "a bug of ours" in watched.daemon.watch.own_trouble["calendar visits"]
    assert [one.person for one in watched.daemon.network.turns] == ["tech-2"]


def test_turns_hold_while_a_calendar_cannot_be_read_at_all(
    town: Town, watched: Watched, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A machine too busy to read even the text it kept changes nobody's duty."""
    (town.folder / "duty.ics").write_bytes(calendar(event("tech-2", NOON, hours=24)))
    turn(watched, 5)

    def busy(*_: object, **__: object) -> None:
        raise BlockingIOError(11, "Resource temporarily unavailable")

    monkeypatch.setattr("watchman.bookings.subprocess.run", busy)
    turn(watched, 5)
    assert "temporarily unavailable" in watched.daemon.watch.own_trouble["calendar who"]
    assert roster.in_turn(watched.daemon.network, "technician", watched.now)[0] == "tech-2"


def test_visits_of_a_calendar_that_is_not_written_any_more_are_withdrawn(town: Town, watched: Watched) -> None:
    """Those to come; the one under way goes on."""
    town.answers["/private-hidden/visits.ics"] = calendar(
        event("Hollin Dam", NOON + timedelta(minutes=1)), event("Larkmoor", NOON + timedelta(hours=3), uid="2")
    )
    turn(watched, 5)
    watched.restart()
    assert len(spans(watched)) == 2
    watched.network = replace(watched.network, calendars=())
    watched.restart()
    assert [station for station, _, _ in windows(watched)] == ["hollin"]

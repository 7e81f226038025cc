"""What is owed to a visitor, through the whole cycle on a real store: once, to the right person, in time."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path

import pytest

from tests.helpers import SECRETS
from tests.test_watch import STATIONS_CSV, Story
from watchman import answers, speech, weekly
from watchman.model import VISIT, Notice, Span
from watchman.network import load
from watchman.settings import QuietHoursSettings
from watchman.telling.answering import Kind, Said

T0 = datetime(2025, 10, 1, 6, tzinfo=UTC)
HOUR = timedelta(hours=1)


class Gauged(Story):
    """The same network, with what is known of its gauges; begun from the store once more."""

    def __init__(self, folder: Path, now: datetime) -> None:
        super().__init__(folder, now)
        head, *lines = STATIONS_CSV.splitlines()
        rows = [f"{head},tip_mm,funnel_cm2", *(f"{line},0.2,400" for line in lines)]
        (folder / "stations.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
        self.network = load(folder, SECRETS.get)
        self.restart()


@pytest.fixture(scope="module")
def sound_morning(tmp_path_factory: pytest.TempPathFactory) -> Story:
    """Half a day in which nothing happened, watched once for all tests here."""
    story = Gauged(tmp_path_factory.mktemp("sound"), T0)
    assert story.go(12) == []
    story.store.close()
    return story


@pytest.fixture
def story(sound_morning: Story, tmp_path: Path) -> Story:
    shutil.copytree(sound_morning.folder, tmp_path, dirs_exist_ok=True)
    return Gauged(tmp_path, sound_morning.now)


def book(story: Story, station: str = "s2", hours: float = 3, who: str = "tech-1", ago: float = 0) -> Span:
    begins = story.now - ago * HOUR
    return story.store.add_span(station, begins, begins + hours * HOUR, VISIT, who, story.now)


def told(story: Story) -> list[str]:
    """Return the occasions of the notices to visitors, in order, each once."""
    visits = [notice for notice in story.store.notices() if notice.kind == "visit"]
    return list(dict.fromkeys(notice.occasion for notice in sorted(visits, key=lambda one: one.number)))


def texts(story: Story) -> list[str]:
    """Put what is due into words, as sending would, and return the texts."""
    speaker = speech.Speaker(story.network, story.store, story.watch, story.now)
    due = [notice for notice in story.store.notices_due(story.now) if notice.kind == "visit"]
    said = [speaker.words(notice) for notice in due if notice.channel == "text"]
    assert all(words is not None and not words.trouble for words in said)
    return [words.text for words in said if words is not None]


def poured(station: int, at: datetime, tips: int) -> object:
    """Return rain of so many tips in the one reading that ends in the quarter of an hour after a time."""
    return lambda s, t: 0.2 * tips if s == station and at <= t < at + timedelta(minutes=15) else 0.0


def test_you_can_go_comes_once_when_the_test_is_over(story: Story) -> None:
    """Two reports without a tip after fifty; then silence until the visit is about to end."""
    window = book(story)
    at = story.now + timedelta(minutes=30)
    story.go(1, rain=poured(2, at, 50))
    assert told(story) == [], "the test may go on"
    story.step()
    assert told(story) == [f"on-site:{window.number}:1"]
    assert texts(story) == [
        "Station 2: 50 test tips in 1 run, left out of the rain; clock right; battery 3.95 V; you can go."
    ]
    story.go(0.75)
    story.restart()
    story.go(0.25)
    assert told(story) == [f"on-site:{window.number}:1"]


def test_a_second_run_is_told_anew_and_the_first_one_with_it(story: Story) -> None:
    """As found and as left, against what was poured."""
    window = book(story)
    first = story.now
    story.go(1, rain=poured(2, first, 50))
    again = story.now
    story.store.set_mark(answers.poured_mark(window), "400")
    story.go(1.25, rain=poured(2, again, 49))
    assert told(story) == [f"on-site:{window.number}:1", f"on-site:{window.number}:2"]
    assert "99 test tips in 2 runs (50, 49 of 50), left out" in texts(story)[-1]


def test_before_its_end_the_visit_is_asked_about_once_and_then_it_closes(story: Story) -> None:
    """A quarter of an hour before; the end itself is told with what came."""
    window = book(story)
    story.go(2.5)
    assert told(story) == []
    story.step()
    assert told(story) == [f"asked:{window.number}"]
    assert texts(story)[0].startswith("Still at Station 2? The visit closes ")
    story.step()
    assert told(story) == [f"asked:{window.number}", f"window:{window.number}"]
    assert "visit closed" in texts(story)[-1]
    story.restart()
    story.go(1)
    assert len(told(story)) == 2


def test_a_longer_visit_is_asked_about_before_its_new_end(story: Story) -> None:
    """The answer moves the end; only then is it asked again, and only then does it close."""
    window = book(story)
    story.go(2.75)
    longer = story.store.end_span(window.number, story.now + 2 * HOUR, story.now)
    assert longer is not None
    story.go(1.5)
    assert told(story) == [f"asked:{window.number}"]
    story.go(0.5)
    assert told(story) == [f"asked:{window.number}", f"asked:{longer.number}", f"window:{longer.number}"]


def test_a_short_visit_is_not_asked_about(story: Story) -> None:
    """Nobody wants to be asked a quarter of an hour after having come."""
    window = book(story, hours=0.5)
    story.go(1)
    assert told(story) == [f"window:{window.number}"]


def test_a_day_marked_in_a_calendar_wakes_nobody_at_midnight(story: Story) -> None:
    """No question then, and its end is told by day."""
    story.now = datetime(2025, 10, 2, 6, tzinfo=UTC)
    story.restart()
    window = book(story, hours=16)
    story.go(17)
    (occasion,) = {one for one in told(story) if str(window.number) in one}
    assert occasion == f"window:{window.number}"
    due = {notice.due_at for notice in story.store.notices() if notice.occasion == occasion}
    assert due == {datetime(2025, 10, 3, 5, tzinfo=UTC)}, "at seven in Vienna"


def test_a_visitor_on_site_is_told_in_quiet_hours_too(story: Story) -> None:
    """Whoever booked it is awake."""
    quiet = QuietHoursSettings(begins=time(0), ends=time(23, 59))
    contacts = [one.model_copy(update={"quiet_hours": quiet}) for one in story.network.contacts]
    story.watch.network = replace(story.network, contacts=tuple(contacts))
    window = book(story, hours=0.5)
    story.go(1)
    due = {notice.due_at for notice in story.store.notices() if notice.occasion == f"window:{window.number}"}
    assert len(due) == 1
    assert due.pop() <= story.now


def test_a_visit_booked_afterwards_is_reported_at_once(story: Story) -> None:
    """From the office: what the station sent then."""
    story.go(0.5, rain=poured(2, story.now, 50))
    story.go(0.5)
    window = book(story, hours=1, ago=1)
    story.step()
    assert told(story) == [f"window:{window.number}"]
    (text,) = texts(story)
    assert "50 test tips in 1 run, left out of the rain" in text
    assert text.endswith("you can go.")


def test_a_station_that_is_silent_at_the_end_is_told_again_when_it_is_heard(story: Story) -> None:
    """The visitor who drove off in doubt learns that all is well; once."""
    window = book(story, hours=1)
    story.go(1, silent=(2,))
    assert told(story)[-1] == f"window:{window.number}"
    assert "nothing heard since" in texts(story)[-1]
    story.go(1, silent=(2,))
    story.go(1)
    assert told(story)[-2:] == [f"window:{window.number}", f"on-site:{window.number}:heard"]
    assert "nothing heard" not in texts(story)[-1]


def test_beside_a_longer_visit_a_shorter_one_owes_nothing(story: Story) -> None:
    """Booked in the calendar and again on site: the station does not count again, so nobody is told that it does."""
    longer = book(story, hours=3)
    book(story, hours=1, who="calendar visits")
    story.go(2)
    assert told(story) == []
    story.go(1.25)
    assert told(story) == [f"asked:{longer.number}", f"window:{longer.number}"]


def test_a_deleted_visit_owes_nothing(story: Story) -> None:
    """Nobody is asked about what was taken back."""
    window = book(story)
    story.go(1)
    story.store.withdraw_span(window.number, story.now)
    story.go(3)
    assert told(story) == []


def test_rain_in_a_forgotten_window_is_no_stream_of_reports(story: Story) -> None:
    """An afternoon of showers: a few words at most, and at the end that it may be rain."""
    book(story, hours=12)
    showers = story.now
    for _ in range(8):
        story.go(0.25, rain=lambda s, t: 3.0)
        story.go(1)
    assert len([one for one in told(story) if one.startswith("on-site")]) == 4
    assert "Neighbours were wet" in texts(story)[-1]
    assert story.now - showers < 12 * HOUR


def test_who_is_told_of_a_visit_that_nobody_known_booked(story: Story) -> None:
    """Whoever has acknowledged what stands there, else the crew."""
    story.go(1.5, silent=(2,))
    (alarm,) = story.store.open_alarms()
    assert alarm.standing

    def people(occasion: str) -> set[str]:
        return {notice.person for notice in story.store.notices() if notice.occasion == occasion}

    window = book(story, hours=0.5, who="calendar visits")
    story.go(1, silent=(2,))
    assert people(f"window:{window.number}") == {"tech-1"}
    story.store.add_answer(story.now, "acknowledge", "warden", alarm.number)
    story.step(silent=(2,))
    second = book(story, hours=0.5, who="calendar visits")
    story.go(1, silent=(2,))
    assert people(f"window:{second.number}") == {"warden"}


def test_a_failure_of_the_reports_is_told_and_stops_nothing(story: Story, monkeypatch: pytest.MonkeyPatch) -> None:
    """Digests and all else go on."""
    from watchman.judging import on_site

    def broken(*_: object) -> None:
        raise ZeroDivisionError("a bug of ours")

    monkeypatch.setattr(on_site, "look", broken)
    book(story)
    story.step()
    assert story.kinds(story.step()) == [("raised", "tool:reports to visitors")]


def test_shelvings_and_windows_that_held_nothing_are_named_in_the_digest(story: Story) -> None:
    """A shelving of what was over already, and a visit without a tip, may be habits; one that held is not named."""
    story.go(1.5, silent=(2, 5))
    first, second = (alarm.number for alarm in story.store.open_alarms() if alarm.standing)
    story.step(silent=(5,))
    story.store.add_answer(story.now, "shelve", "tech-1", first, until=story.now + 3 * HOUR, reason="new cell")
    story.store.add_answer(story.now, "shelve", "warden", second, until=story.now + 3 * HOUR)
    idle = book(story, "s3", hours=1)
    story.go(0.5, silent=(5,), rain=lambda s, _t: 0.2 if s == 1 else 0.0)
    story.go(4)
    facts = weekly.facts(story.network, story.store, story.watch, "2025-W40", story.now)
    assert [(hold.kind, hold.station, hold.who) for hold in facts.held_nothing] == [
        ("window", "s3", "tech-1"),
        ("shelving", "s2", "tech-1"),
    ]
    assert (facts.held_nothing[0].begins_at, facts.held_nothing[0].ends_at) == (idle.begins_at, idle.ends_at)


def test_the_question_and_the_report_can_be_answered_with_a_longer_visit(story: Story) -> None:
    """VISIT 2H in reply to either goes on with the same window; nothing else is offered."""
    window = book(story)
    for occasion in (f"asked:{window.number}", f"on-site:{window.number}:1", f"window:{window.number}"):
        row = Notice(7, occasion, "tech-1", "text", "visit", story.now, story.now)
        about = answers.about(story.store, story.network, row)
        assert (about.places, about.offered) == (("s2",), (Kind.VISIT, Kind.DONE))
        done = answers.act(story.store, story.network, Said(Kind.VISIT, hours=2.0), "tech-1", story.now, notice=row)
        assert done.acted
        assert done.visit is not None
        assert done.visit.ends_at == story.now + 2 * HOUR

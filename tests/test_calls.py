"""Heavy rain through the whole watch when nobody answers, or when a phone can't be reached."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.town import Town, Watched
from watchman.model import EventKind, NoticeState

NOON = datetime(2025, 10, 22, 12, tzinfo=UTC)
MORE = """
[board]
address = "https://watch.example.org"
key = "secret:feed"

[[contacts]]
name = "warden-2"
roles = ["warden"]
text = "json://127.0.0.1:PORT/texts/warden-2"

[[duty]]
role = "warden"
people = ["warden", "warden-2"]

[escalation]
then = ["supervisor"]
"""

Begin = Callable[..., Watched]


@pytest.fixture
def begin(tmp_path: Path) -> Iterator[Begin]:
    """Return a watch on a town with two wardens; `gone` are people whose text service takes nothing."""
    with ExitStack() as open_:

        def watched(*gone: str) -> Watched:
            town = open_.enter_context(Town(tmp_path, more=MORE))
            file = town.folder / "network.toml"
            written = file.read_text().replace("PORT", str(town.phones.port))
            for person in gone:
                written = written.replace(f'/texts/{person}"', f'/gone/{person}"')
            file.write_text(written)
            watched = Watched(town, NOON)
            watched.rain()
            watched.turn()
            return watched

        yield watched


def pour(watched: Watched, minutes: float = 15) -> None:
    """Let a quarter of an hour with heavy rain arrive."""
    watched.rain(larkmoor=9.0, minutes_ago=-minutes + 1)
    watched.turn(minutes)


def storm(watched: Watched, who: str) -> list[str]:
    """Return the texts about the storm itself that reached somebody."""
    return [text for text in watched.town.told(who) if text.startswith("Heavy rain Larkmoor")]


def test_nobody_answers_and_the_next_one_is_called_and_told_who_was_tried(begin: Begin) -> None:
    """Ten minutes on the second warden, ten more the supervisor; each phone rings once, and says who did not answer."""
    watched = begin()
    pour(watched)
    assert [len(storm(watched, who)) for who in ("warden", "warden-2", "tech-1")] == [1, 0, 0]
    for _ in range(40):
        watched.turn(1)
    first, second, third = (storm(watched, who) for who in ("warden", "warden-2", "tech-1"))
    assert (len(first), len(second), len(third)) == (1, 1, 1)
    assert "Your turn: no answer since 12:15 by warden." in second[0]
    assert "Your turn: no answer since 12:15 by warden." in third[0], "all that there is room for"
    mail = next(
        one for one in watched.store.notices() if (one.person, one.event) == ("tech-1", "escalated") and one.html
    )
    assert "warden and warden-2 told Wed 22 Oct 12:15 UTC, not answered" in " ".join(mail.text.split())
    assert all(len(text) <= 160 for text in (*second, *third))


def test_one_answer_on_the_page_ends_the_calls(begin: Begin) -> None:
    """The second warden answers; the supervisor sleeps on."""
    watched = begin()
    pour(watched)
    for _ in range(11):
        watched.turn(1)
    [alarm] = (one for one in watched.store.open_alarms() if one.check == "heavy-rain")
    watched.store.add_answer(watched.now, "acknowledge", "warden-2", alarm.number)
    for _ in range(30):
        watched.turn(1)
    assert storm(watched, "tech-1") == []


def test_a_warden_whose_phone_takes_nothing_is_followed_by_the_next_within_seconds(begin: Begin) -> None:
    """The text is refused: the second warden is told with the next cycle, the technicians that it failed."""
    watched = begin("warden")
    pour(watched)
    assert storm(watched, "warden-2") == []
    watched.turn(0.1)
    [text] = storm(watched, "warden-2")
    assert "no answer since 12:15 by warden" in text
    assert any("warden not reached by text" in text for text in watched.town.told("tech-1"))
    calls = [one for one in watched.store.events_of(1) if one.kind is EventKind.ESCALATED]
    assert [one.who for one in calls] == ["warden-2"]


def test_when_no_warden_can_be_reached_the_supervisor_is_called_at_once(begin: Begin) -> None:
    """Down the whole order, one cycle each."""
    watched = begin("warden", "warden-2")
    pour(watched)
    for _ in range(3):
        watched.turn(0.1)
    [text] = storm(watched, "tech-1")
    assert "no answer since 12:15 by warden" in text


def test_a_watch_that_is_stopped_in_the_middle_calls_the_next_one_when_it_is_back(begin: Begin) -> None:
    """What is owed is in the store; nobody is told twice."""
    watched = begin()
    pour(watched)
    watched.turn(5)
    watched.restart()
    for _ in range(6):
        watched.turn(1)
    watched.restart()
    watched.turn(1)
    assert [len(storm(watched, who)) for who in ("warden", "warden-2", "tech-1")] == [1, 1, 0]
    assert {one.state for one in watched.store.notices() if one.kind == "storm"} == {NoticeState.ACCEPTED}


def test_after_an_answer_and_worse_rain_the_wait_is_counted_from_the_worse_rain(begin: Begin) -> None:
    """The first warden answered the first level at once: only since the second one has he not."""
    watched = begin()
    pour(watched)
    watched.store.add_answer(watched.now, "acknowledge", "warden", 1)
    watched.turn(1)
    watched.rain(larkmoor=15.0, minutes_ago=-13)
    watched.turn(14)
    for _ in range(10):
        watched.turn(1)
    texts = watched.town.told("warden-2")
    assert len(texts) == 1
    assert "Your turn: no answer since 12:30" in texts[0]

# ruff: noqa: F811 -- fixtures of other tests are named twice
"""`why`: told or not told, on which numbers, by which limit, and what would have turned it, as it was known then."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.test_cli import Shell, shell, stormy  # noqa: F401 -- fixtures
from tests.test_watch import STATIONS, Story, sound_days, story  # noqa: F401
from watchman import why
from watchman.model import VISIT
from watchman.replay import Past


def said(answers: list[why.Answer], rule: str) -> why.Answer:
    return next(answer for answer in answers if answer.rule == rule)


def asked(story: Story, station: str) -> list[why.Answer]:
    """Ask at this moment, from what the store holds."""
    return why.of_station(story.network, story.watch, story.store, station, story.now)


def test_a_storm_that_was_told_names_whom_and_when(stormy: Shell) -> None:
    printed = stormy.does("watchman why my-network larkmoor")
    assert "Larkmoor, as it was known" in printed
    assert "heavy-rain: no. 1 stands since" in printed
    assert "told warden" in printed


def test_each_rule_says_whom_it_would_tell_now(stormy: Shell) -> None:
    """Role by role, with the ways by which each is reached."""
    printed = stormy.does("watchman why my-network larkmoor")
    assert "It tells warden: warden (text and mail)." in printed
    assert "It tells technician: tech-1 (text and mail)." in printed


def test_what_was_told_in_another_notice_says_in_which(story: Story) -> None:
    """Not that nobody has been told."""
    story.go(10)
    story.go(2, silent=(6,))
    numbers = [one.number for one in story.store.notices()]
    story.store.hold_back(numbers, "told in notice 7")
    for number in numbers:
        story.store.withdraw(number, "told in notice 7")
    told = said(asked(story, "s6"), "overdue").told
    assert "tech-1 told in notice 7, with others beyond the budget of the day" in told


def test_a_network_is_answered_for_too_and_for_programs(stormy: Shell) -> None:
    printed = stormy.does("watchman why my-network")
    assert "present at Larkmoor" in printed
    rules = [answer["rule"] for answer in json.loads(stormy.does("watchman why my-network --json"))]
    assert rules == ["heavy-rain", "overdue", "source-outage"]


def test_before_the_rain_nothing_was_amiss(stormy: Shell) -> None:
    printed = stormy.does("watchman why my-network larkmoor --at 2024-10-21")
    assert "heavy-rain: not told, it can't be judged" in printed


def test_an_unknown_station_and_a_time_that_is_none_are_told(stormy: Shell) -> None:
    assert '"larkmor" is no station' in stormy.refuses("watchman why my-network larkmor")
    assert '"yesterday" is no time' in stormy.refuses("watchman why my-network larkmoor --at yesterday")


def test_what_waits_for_the_morning_says_until_when(story: Story) -> None:
    story.go(21)
    story.go(2, silent=(6,))
    answer = said(asked(story, "s6"), "overdue")
    assert answer.verdict == "present"
    assert "its notices wait until" in answer.told
    assert said(asked(story, "s5"), "overdue").told == "not told, nothing is amiss."


def test_a_sound_station_is_told_how_long_it_may_be_silent(story: Story) -> None:
    (silence, *_) = said(asked(story, "s5"), "overdue").differences
    assert silence.startswith("Silent until")


def test_a_visit_that_holds_a_rule_is_named_and_without_it_the_rule_tells(story: Story) -> None:
    story.go(10)
    begins = story.now
    story.store.add_span("s6", begins, begins.replace(hour=23), VISIT, "tech-1", story.now)
    story.go(3, silent=(6,))
    answer = said(asked(story, "s6"), "overdue")
    assert "somebody works at the station" in answer.told
    assert "Without the maintenance window it would have been told." in answer.differences


def test_a_silence_that_is_part_of_a_mast_names_it(story: Story) -> None:
    story.go(10)
    story.go(3, silent=(0, 1, 2, 3))
    answer = said(asked(story, "s1"), "overdue")
    assert "no. 1 stands" in answer.told or "part of overdue at mast:T1" in answer.told


@pytest.mark.parametrize("hours_later", [0, 30])
def test_the_past_is_answered_as_it_was_known_then(story: Story, tmp_path: Path, hours_later: float) -> None:
    """What came later changes nothing of an earlier answer."""
    story.go(10)
    story.go(2, rain=lambda station, _t: 7.0 if station == 2 else 0.0)
    then = story.now
    story.go(hours_later)
    readings = story.store.delivered(0, 2**40)
    assert len(readings) > STATIONS
    watching = why.as_known(story.network, readings, (), then)
    assert isinstance(watching.store, Past)
    answer = said(why.of_station(story.network, watching, story.store, "s2", then), "heavy-rain")
    assert answer.verdict == "present"
    assert "stands since" in answer.told

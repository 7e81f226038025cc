"""Rain the watch itself holds back, the whole way: no totals, no storm, the same after a restart and in a replay."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from tests import test_watch
from tests.test_watch import NETWORK, Story
from watchman import replay, watch
from watchman.errors import OutsideError
from watchman.model import RAIN, WATCH, Event, EventKind, Readings, Span

STATIONS_CSV = "id,latitude,longitude,name,relied_on_by\n" + "".join(
    f"s{n},{47.2 + 0.05 * n},{13.1 + 0.04 * (n % 2)},Station {n},{'warden' if n == 1 else ''}\n" for n in range(8)
)
NINE = datetime(2025, 10, 2, 9, tzinfo=UTC)
TEST = (5, 10, 11, 10, 10, 10, 10, 4)
STORM = (3, 9, 18, 22, 14, 6, 2)
FIVE = timedelta(minutes=5)


def as_here(patch: pytest.MonkeyPatch) -> None:
    """Let a story be of stations that send tips of 0.2 mm every 5 minutes."""
    network = NETWORK.replace("covers_minutes = 15", "covers_minutes = 5\ntip_mm = 0.2")
    network = network.replace('"supervisor"]', '"supervisor", "data manager"]')
    names = ("overdue", "heavy-rain", "doubtful-rain")
    rules = {name: (Path(__file__).parent.parent / "rules" / f"{name}.toml").read_text() for name in names}
    for name, value in (("NETWORK", network), ("STATIONS_CSV", STATIONS_CSV), ("EVERY", FIVE), ("RULES", rules)):
        patch.setattr(test_watch, name, value)


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A network after half a night of rain and five dry hours, watched once for all tests here."""
    with pytest.MonkeyPatch.context() as patch:
        as_here(patch)
        story = Story(tmp_path_factory.mktemp("night"), NINE - timedelta(hours=15))
        while story.now < NINE:
            story.step(rain=sometimes)
        story.store.close()
    return story.folder


@pytest.fixture
def story(night: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Story:
    """The network at nine, its watch begun again from the store."""
    as_here(monkeypatch)
    shutil.copytree(night, tmp_path, dirs_exist_ok=True)
    return Story(tmp_path, NINE)


def sometimes(_station: int, at: datetime) -> float:
    """Return a little rain everywhere in the night, so that tips are seen to be tips."""
    return 0.2 * (at.minute // 5 % 3) if at < NINE - timedelta(hours=5) else 0.0


def tell(story: Story, tips: Sequence[float], station: int = 1, mm: float = 0.2) -> list[Event]:
    """Let one station send these tips, a reading each, while the others are dry."""
    events: list[Event] = []
    for count in tips:
        events += story.step(rain=lambda s, _t, count=count: mm * count if s == station else 0.0)
    return events


def raised(events: Sequence[Event]) -> list[tuple[str, str]]:
    return [(e.alarm.check, e.alarm.key.scope) for e in events if e.kind is EventKind.RAISED]


def mm_since_nine(story: Story, station: int = 1) -> float:
    """Return what counts since nine, by the hours and by the finest cells, which must agree."""
    nine = int(NINE.timestamp())
    sums = [
        grid.rain[grid.cell(nine + 1) : grid.head + 1, station].sum() / 1000
        for grid in (story.watch.record.fine, story.watch.record.hourly)
    ]
    assert sums[0] == sums[1]
    return float(sums[0])


def spans(story: Story) -> list[Span]:
    return [span for span in story.store.spans() if span.withdrawn_at is None]


def test_unbooked_test_tips_are_no_storm_and_no_rain_and_are_asked_about(story: Story) -> None:
    """The reading that would reach 6 mm in 15 minutes is held in its own cycle; one notice asks what it was."""
    events = tell(story, TEST) + tell(story, [0] * 12)
    assert raised(events) == [("doubtful-rain", "station:s1")]
    assert mm_since_nine(story) == 0.0
    numbers = events[0].alarm.numbers
    assert (numbers["kind"], numbers["held"]) == ("test tips", True)
    (span,) = spans(story)
    assert (span.reason, span.who, span.begins_at, span.ends_at) == ("test tips", WATCH, NINE, NINE + 8 * FIVE)


def test_a_storm_at_one_gauge_is_told_at_once_and_counts(story: Story) -> None:
    """It rises and falls: one gauge only, certainty possible, nothing held, nothing asked."""
    events = tell(story, STORM) + tell(story, [0] * 12)
    assert ("heavy-rain", "network") in raised(events)
    assert ("doubtful-rain", "station:s1") not in raised(events)
    assert mm_since_nine(story) == pytest.approx(0.2 * sum(STORM))
    assert spans(story) == []


def test_a_restart_keeps_what_is_held(story: Story) -> None:
    """In the middle of the tips and after them: the same span, the same sums, no second notice."""
    first = tell(story, TEST[:5])
    story.restart()
    second = tell(story, TEST[5:]) + tell(story, [0] * 12)
    story.restart()
    third = tell(story, [0] * 3)
    assert raised(first + second + third) == [("doubtful-rain", "station:s1")]
    assert mm_since_nine(story) == 0.0
    assert [(span.begins_at, span.ends_at) for span in spans(story)] == [(NINE, NINE + 8 * FIVE)]


def test_what_a_person_takes_back_counts_again_and_is_not_held_anew(story: Story) -> None:
    """It was rain."""
    tell(story, TEST)
    tell(story, [0] * 12)
    (span,) = spans(story)
    story.store.withdraw_span(span.number, story.now)
    tell(story, [0] * 3)
    assert mm_since_nine(story) == pytest.approx(0.2 * sum(TEST))
    assert spans(story) == []


def test_a_commit_that_fails_holds_nothing_for_good(story: Story, monkeypatch: pytest.MonkeyPatch) -> None:
    """What could not be written down is decided again by the next cycle, once."""
    tell(story, TEST[:3])
    commit = story.store.commit

    def fails(*_all: object, **_more: object) -> None:
        raise OutsideError("the disk is full")

    monkeypatch.setattr(story.store, "commit", fails)
    with pytest.raises(AssertionError):
        tell(story, TEST[3:4])
    monkeypatch.setattr(story.store, "commit", commit)
    events = tell(story, TEST[4:]) + tell(story, [0] * 12)
    assert raised(events) == [("doubtful-rain", "station:s1")]
    assert [(span.begins_at, span.ends_at) for span in spans(story)] == [(NINE, NINE + 8 * FIVE)]


def test_a_replay_tells_and_holds_the_same(story: Story) -> None:
    """From the readings alone, and from the readings with what was decided live."""
    live = [event for event in tell(story, TEST) + tell(story, [0] * 12) if event.kind is EventKind.RAISED]
    delivered = story.store.delivered(0, 2**40)
    begin, end = NINE - FIVE, story.now
    for decided in ((), story.store.spans()):
        lines = list(replay.replay(story.network, delivered, begin, end, every=FIVE, spans=decided))
        told = [(line["at"], line["check"], line["station"]) for line in lines if line["event"] == "raised"]
        assert told == [(replay.stamp(event.at), event.alarm.check, "s1") for event in live]


def test_a_changed_unit_puts_the_gauge_on_hold_and_the_warden_is_told_once(story: Story) -> None:
    """Six readings of 25.4 times the rain are no storm; the gauge counts again when its readings are tips again."""
    events = tell(story, [1, 3, 0, 2, 4, 1], mm=5.08)
    assert raised(events) == [("doubtful-rain", "station:s1")]
    assert "warden" in events[0].alarm.tell
    assert mm_since_nine(story) == 0.0
    assert tell(story, [0, 1, 2], mm=5.08) == []


def test_without_its_rule_nothing_is_held(story: Story) -> None:
    """Nobody would be asked."""
    story.watch.network = replace(
        story.network, rules=tuple(rule for rule in story.network.rules if rule.check != "doubtful-rain")
    )
    events = tell(story, TEST)
    assert raised(events) == [("heavy-rain", "network")]
    assert mm_since_nine(story) == pytest.approx(0.2 * sum(TEST))


def test_readings_that_come_late_are_held_as_well(story: Story) -> None:
    """A backlog of test tips in one delivery makes neither totals nor a storm."""
    begin = int(NINE.timestamp())
    ends = begin + 300 * np.arange(1, len(TEST) + 13)
    counts = np.append(TEST, np.zeros(12))
    backlog = Readings(
        station=np.ones(len(ends), np.int32),
        variable=np.full(len(ends), RAIN, np.int8),
        observed_at=ends - 60,
        received_at=np.full(len(ends), int(story.now.timestamp()) + 7000),
        value=0.2 * counts,
        source=np.zeros(len(ends), np.int16),
        delivery=np.zeros(len(ends), np.int64),
        revision=np.zeros(len(ends), np.int64),
    )
    events: list[Event] = []
    for place in range(20):
        events += story.step(silent=(1,), extra=backlog if place == 19 else None)
    assert ("heavy-rain", "network") not in raised(events)
    assert mm_since_nine(story) == 0.0
    assert watch.WATCH in {span.who for span in spans(story)}


def test_a_span_that_a_person_took_back_meanwhile_does_not_grow(story: Story) -> None:
    """Between a cycle's look at the spans and its commit somebody may have said that it was rain."""
    span = Span(0, "s1", NINE, NINE + FIVE, "test tips", WATCH, NINE)
    (written,) = story.store.commit(NINE, spans=[span])
    story.store.withdraw_span(written.number, NINE + FIVE)
    assert story.store.commit(NINE + FIVE, spans=[replace(written, ends_at=NINE + 2 * FIVE)]) == ()
    assert spans(story) == []


def test_holding_that_fails_is_told_and_stops_nothing(story: Story, monkeypatch: pytest.MonkeyPatch) -> None:
    """A storm is told in the same cycle, and when holding works again the failure is over."""
    from watchman.judging import holding

    def broken(*_: object) -> None:
        raise ZeroDivisionError("a bug of ours")

    monkeypatch.setattr(holding, "decided", broken)
    events = tell(story, STORM)
    assert ("heavy-rain", "network") in raised(events)
    assert ("check-failure", "tool:holding back doubtful rain") in raised(events)
    monkeypatch.undo()
    over = [e.alarm.key.scope for e in tell(story, [0, 0]) if e.kind is EventKind.RETURNED]
    assert over == ["tool:holding back doubtful rain"]


def test_a_replay_keeps_spans_that_have_no_number() -> None:
    """A visit given without a number holds on when the watch decides its first span."""
    booked = Span(0, "s1", NINE, NINE + FIVE, "visit", "tech-1", NINE)
    past = replay.Past(Readings.empty(), (booked,))
    (own,) = past.commit(NINE, spans=(replace(booked, station="s2", who=WATCH),))
    assert past.spans() == (booked, own)

"""The one cycle on a real store: one notice a cause, nothing twice, nothing lost, through restarts and visits."""

from __future__ import annotations

import shutil
import sqlite3
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.helpers import SECRETS, write_network
from watchman import watch
from watchman.errors import OutsideError
from watchman.judging.view import Findings, View
from watchman.model import BATTERY, RAIN, VISIT, Alarm, AlarmState, Delivery, Event, EventKind, Readings
from watchman.network import Network, load
from watchman.store import Store

T0 = datetime(2025, 10, 1, tzinfo=UTC)
STATIONS = 8
EVERY = timedelta(minutes=15)

NETWORK = """\
[network]
name = "Veldran Hills"
zone = "Europe/Vienna"

[mail]
host = "mail.example.org"
sender = "watch@example.org"

[[sources]]
name = "main"
kind = "csv"
path = "readings.csv"
covers_minutes = 15
columns = { time = "time", station = "station", rain = "rain_mm", battery = "battery_v" }

[[contacts]]
name = "tech-1"
roles = ["technician", "crew", "supervisor"]
mail = "tech-1@example.org"
text = "secret:tech_1_text"

[[contacts]]
name = "warden"
roles = ["warden", "road crew"]
mail = "warden@example.org"
"""
STATIONS_CSV = "id,latitude,longitude,name,mast\n" + "".join(
    f"s{n},{47.2 + 0.03 * n},13.1,Station {n},{'T1' if n < 4 else 'T2'}\n" for n in range(STATIONS)
)
RULES = {
    name: (Path(__file__).parent.parent / "rules" / f"{name}.toml").read_text(encoding="utf-8")
    for name in ("overdue", "source-outage", "heavy-rain")
}

Rain = Callable[[int, datetime], float]


class Story:
    """A network that sends every 15 minutes, watched cycle by cycle."""

    def __init__(self, folder: Path, now: datetime) -> None:
        self.folder = write_network(folder, NETWORK, STATIONS_CSV, RULES)
        self.network: Network = load(self.folder, SECRETS.get)
        self.store = Store.open("sqlite:///watch.db", self.folder)
        self.now = now
        self.events: list[Event] = []
        self.watch = watch.begin(self.network, self.store, self.now)

    def restart(self) -> None:
        """Forget everything in memory and begin from the store, as after a crash."""
        self.store.close()
        self.store = Store.open("sqlite:///watch.db", self.folder)
        self.watch = watch.begin(self.network, self.store, self.now)

    def step(
        self,
        silent: tuple[int, ...] = (),
        rain: Rain = lambda _s, _t: 0.0,
        trouble: str = "",
        extra: Readings | None = None,
    ) -> list[Event]:
        """Go on by a quarter of an hour: every station sends one reading, and one cycle runs."""
        self.now += EVERY
        heard = [s for s in range(STATIONS) if s not in silent and not trouble]
        observed = self.now - timedelta(minutes=1)
        rows = [(s, RAIN, rain(s, observed)) for s in heard] + [(s, BATTERY, 3.95) for s in heard]
        readings = Readings.join([rows_of(rows, observed, self.now), *([extra] if extra else [])])
        told = watch.cycle(self.watch, [Delivery("main", self.now, readings, trouble=trouble)], self.now)
        assert not told.trouble
        self.events += told.events
        return list(told.events)

    def go(self, hours: float, **how: object) -> list[Event]:
        """Go on for some hours and return what happened."""
        return [event for _ in range(round(4 * hours)) for event in self.step(**how)]  # type: ignore[arg-type]

    def kinds(self, events: list[Event]) -> list[tuple[str, str]]:
        return [(event.kind.value, event.alarm.key.scope) for event in events]


def rows_of(rows: list[tuple[int, int, float]], observed: datetime, received: datetime) -> Readings:
    """Return (station, variable, value) rows of one moment."""
    size = len(rows)
    station, variable, value = zip(*rows, strict=True) if rows else ((), (), ())
    return Readings(
        station=np.array(station, np.int32),
        variable=np.array(variable, np.int8),
        observed_at=np.full(size, int(observed.timestamp()), np.int64),
        received_at=np.full(size, int(received.timestamp()), np.int64),
        value=np.array(value, np.float64),
        source=np.zeros(size, np.int16),
        delivery=np.zeros(size, np.int64),
        revision=np.zeros(size, np.int64),
    )


@pytest.fixture(scope="module")
def sound_days(tmp_path_factory: pytest.TempPathFactory) -> Story:
    """Two sound days, watched once for all tests here."""
    story = Story(tmp_path_factory.mktemp("sound"), T0)
    assert story.go(48) == [], "nothing is told while nothing needs doing"
    story.store.close()
    return story


@pytest.fixture
def story(sound_days: Story, tmp_path: Path) -> Story:
    """A network after two sound days, its watch begun again from the store."""
    shutil.copytree(sound_days.folder, tmp_path, dirs_exist_ok=True)
    return Story(tmp_path, sound_days.now)


def raised(events: list[Event]) -> list[Alarm]:
    return [event.alarm for event in events if event.kind is EventKind.RAISED]


def test_one_silent_station_is_one_notice(story: Story) -> None:
    """However long it is silent it is told once; its return closes it."""
    events = story.go(12, silent=(2,))
    assert story.kinds(events) == [("raised", "station:s2")]
    assert story.kinds(story.go(2)) == [("returned", "station:s2")]


def test_two_unrelated_silent_stations_are_two_notices(story: Story) -> None:
    """They share neither mast nor plan."""
    assert sorted(story.kinds(story.go(6, silent=(2, 6)))) == [("raised", "station:s2"), ("raised", "station:s6")]


def test_a_silent_mast_is_one_notice_with_its_list(story: Story) -> None:
    """Four stations of one mast at once are one cause."""
    events = story.go(6, silent=(0, 1, 2, 3))
    assert story.kinds(events) == [("raised", "mast:T1")]
    assert set(events[0].alarm.stations) == {"s0", "s1", "s2", "s3"}
    assert story.kinds(story.go(2)) == [("returned", "mast:T1")]


@pytest.mark.parametrize(
    "how",
    [{"silent": tuple(range(STATIONS))}, {"silent": tuple(range(1, STATIONS))}, {"trouble": "no answer in time"}],
    ids=["all silent", "all but one silent", "the fetch fails"],
)
def test_everything_silent_is_the_source_once(story: Story, how: dict[str, object]) -> None:
    """One notice, not one a station, whether the fetch fails or brings nothing of most."""
    assert story.kinds(story.go(5, **how)) == [("raised", "source:main")]
    assert story.kinds(story.go(3)) == [("returned", "source:main")]


def test_a_restart_tells_nothing_twice_and_forgets_nothing(story: Story) -> None:
    """The store is the memory: after a crash the alarm still stands under its number, and is not told again."""
    first = raised(story.go(3, silent=(2,)))
    story.restart()
    assert story.go(3, silent=(2,)) == []
    assert [alarm.number for alarm in story.watch.alarms.values()] == [first[0].number]
    story.restart()
    assert story.kinds(story.go(2)) == [("returned", "station:s2")]


def test_a_restart_sees_the_same_record(story: Story) -> None:
    """What the arrays hold after a start equals what they held before."""
    story.go(3, rain=lambda s, _t: 0.2 * s)
    story.restart()
    story.go(1, rain=lambda s, _t: 0.2 * s)
    before = story.watch.record
    story.restart()
    after = story.watch.record
    after.advance(int(story.now.timestamp()))
    for name in ("fine", "hourly", "daily"):
        old, new = getattr(before, name), getattr(after, name)
        cells = slice(new.start, None, new.step)
        assert cells is not None
        end = old.end_of(old.head)
        span = min(old.head, new.head, 300 if name != "daily" else 5)
        for what in ("rain", "known", "covers", "straddle"):
            mine = getattr(old, what)[old.head - span : old.head + 1]
            theirs = getattr(new, what)[new.cell(end) - span : new.cell(end) + 1]
            np.testing.assert_array_equal(mine, theirs, err_msg=f"{name}.{what}")
    np.testing.assert_array_equal(before.arrivals[-60:], after.arrivals[-60:])
    np.testing.assert_array_equal(before.stamps[-60:], after.stamps[-60:])


def test_a_storm_is_one_thread(story: Story) -> None:
    """Raised in the cycle of its reading, updated when a level is crossed, not when a gauge joins, ended once."""

    def rain(depth: dict[int, float]) -> Rain:
        return lambda s, _t: depth.get(s, 0.0)

    assert story.kinds(story.step(rain=rain({1: 6.0}))) == [("raised", "network")]
    assert story.step(rain=rain({1: 6.0, 2: 6.2})) == []
    assert story.kinds(story.step(rain=rain({1: 2.0, 2: 12.4}))) == [("updated", "network")]
    end = story.go(3)
    assert story.kinds(end) == [("ended", "network")]
    totals = {row["name"]: row["mm"] for row in end[0].alarm.numbers["totals"]}
    assert totals == {"Station 1": 14.0, "Station 2": 18.6}


def test_stations_that_died_one_by_one_are_no_outage_of_the_source(story: Story) -> None:
    """Five of eight dead for days, each on its own day, do not make the source out when the sixth falls silent."""
    for dead in range(1, 6):
        story.go(24, silent=tuple(range(dead)))
    assert ("raised", "source:main") not in story.kinds(story.events)
    assert ("raised", "station:s6") in story.kinds(story.go(6, silent=(0, 1, 2, 3, 4, 6)))


def test_one_failed_fetch_an_hour_does_not_hide_a_dead_station(story: Story) -> None:
    """A blip of the source gives nobody more time."""
    events = []
    for _ in range(6):
        events += story.go(0.75, silent=(2,))
        events += story.go(0.25, trouble="no answer in time")
    assert ("raised", "station:s2") in story.kinds(events)


def test_silence_before_the_rain_is_told_when_the_rain_comes(story: Story) -> None:
    """A station silent since the dry morning is blind when its neighbour is wet: the warden must know."""
    dry = story.go(3, silent=(2,))
    assert [event.alarm.tell for event in dry] == [("technician",)]
    wet = story.go(1, silent=(2,), rain=lambda s, _t: 1.2 if s in (1, 3) else 0.0)
    told = [event for event in wet if event.alarm.key.scope == "station:s2"]
    assert [event.kind for event in told] == [EventKind.UPDATED]
    assert "warden" in told[0].alarm.tell


def test_the_peak_of_a_storm_is_its_strongest_not_its_last(story: Story) -> None:
    """The burst of the first quarter of an hour is what its end and the digest name."""
    story.step(rain=lambda s, _t: 22.0 if s == 1 else 0.0)
    for _ in range(8):
        story.step(rain=lambda s, _t: 1.6 if s == 1 else 0.0)
    story.go(2)
    end = next(event for event in story.events if event.kind is EventKind.ENDED)
    peak = end.alarm.numbers["peaks"][0]
    assert (peak["name"], peak["mm"], peak["minutes"]) == ("Station 1", 22.0, 15)


def test_a_digest_is_not_lost_with_a_commit_that_fails(story: Story, monkeypatch: pytest.MonkeyPatch) -> None:
    """What could not be written down is still owed at the next cycle."""

    def full(*_args: object, **_given: object) -> None:
        raise OutsideError("the disk is full")

    story.now = datetime(2025, 10, 13, 8, tzinfo=UTC)
    story.restart()
    monkeypatch.setattr(story.store, "commit", full)
    assert watch.cycle(story.watch, [], story.now).trouble
    monkeypatch.undo()
    story.step()
    assert [notice.kind for notice in story.store.notices()].count("digest") == 1


def test_an_alarm_of_what_is_not_written_any_more_is_over(story: Story) -> None:
    """The station is taken out of stations.csv: its alarm does not stand for ever."""
    story.go(3, silent=(2,))
    lines = (story.folder / "stations.csv").read_text(encoding="utf-8").splitlines()
    (story.folder / "stations.csv").write_text(
        "\n".join(line for line in lines if line[:2] != "s2") + "\n", encoding="utf-8"
    )
    network = load(story.folder, SECRETS.get)
    watching = watch.begin(network, story.store, story.now)
    for minutes in range(0, 60, 5):
        watch.cycle(watching, [], story.now + timedelta(minutes=minutes))
    states = {alarm.key.scope: alarm.state for alarm in story.store.open_alarms()}
    assert states["station:s2"] is AlarmState.RETURNED


def test_heavy_rain_hidden_by_an_outage_is_told_when_the_source_is_back(story: Story) -> None:
    """It is history by then, and still nobody must have missed it: the warden hears of it with the source's return."""
    out = story.go(2.5, trouble="no answer in time")
    assert story.kinds(out) == [("raised", "source:main")]
    late = rows_of([(1, RAIN, 20.0)], story.now - timedelta(minutes=91), story.now + EVERY)
    back = [event for event in [*story.step(extra=late), *story.go(1)] if event.kind is EventKind.RETURNED]
    assert [gauge["mm"] for gauge in back[0].alarm.numbers["missed"]] == [20.0]
    assert {"technician", "warden"} <= set(back[0].alarm.tell)


def test_the_same_readings_again_change_nothing(story: Story) -> None:
    """A re-delivery is neither rain nor an event."""
    story.step(rain=lambda s, _t: 4.0 if s == 1 else 0.0)
    again = story.store.delivered(int((story.now - timedelta(hours=2)).timestamp()), int(story.now.timestamp()))
    total = story.watch.record.daily.rain.sum()
    assert story.step(extra=again) == []
    assert story.watch.record.daily.rain.sum() == total


def test_test_tips_in_a_booked_visit_are_never_rain(story: Story) -> None:
    """Twenty millimetres poured during a visit are no storm and no total; they stay in the record, held."""
    begins = story.now
    story.store.add_span("s1", begins, begins + timedelta(hours=2), VISIT, "tech-1", begins)
    assert story.go(1, rain=lambda s, _t: 10.0 if s == 1 else 0.0) == []
    assert story.watch.record.daily.rain[:, 1].sum() == 0
    assert story.watch.record.daily.held[:, 1].sum() == 40_000


def test_a_visit_booked_afterwards_takes_its_tips_out_of_the_totals(story: Story) -> None:
    """Retroactive: the rain of the visit's hours is gone from every total once it is booked."""
    begins = story.now
    story.go(1, rain=lambda s, _t: 1.0 if s == 1 else 0.0)
    assert story.watch.record.daily.rain[:, 1].sum() == 4_000
    story.store.add_span("s1", begins, story.now, VISIT, "tech-1", story.now)
    story.step()
    assert story.watch.record.daily.rain[:, 1].sum() == 0
    assert story.watch.record.fine.sum(0, story.watch.record.fine.head)[1] == 0


def test_real_rain_during_a_visit_is_told_when_a_gauge_in_service_is_wet_too(story: Story) -> None:
    """Safety stays on: a cloudburst at the visited gauge is told beside a wet one, poured water beside dry ones not."""
    begins = story.now
    story.store.add_span("s1", begins, begins + timedelta(hours=3), VISIT, "tech-1", begins)
    assert story.step(rain=lambda s, _t: 20.0 if s == 1 else 0.0) == []
    events = story.step(rain=lambda s, _t: {1: 20.0, 2: 2.0}.get(s, 0.0))
    assert story.kinds(events) == [("raised", "network")]
    assert events[0].alarm.numbers["gauges"][0]["station"] == "s1"


def test_a_fault_during_a_visit_waits_for_its_end_and_is_told_then(story: Story) -> None:
    """The station stops while somebody works at it; if it is still silent afterwards, that is told."""
    begins = story.now
    story.store.add_span("s2", begins, begins + timedelta(hours=3), VISIT, "tech-1", begins)
    assert story.go(2.75, silent=(2,)) == []
    assert story.kinds(story.go(1, silent=(2,))) == [("raised", "station:s2")]


def test_the_visitor_hears_when_the_window_closes_by_itself(story: Story) -> None:
    """One notice at its end, to whoever booked it."""
    story.store.add_span("s2", story.now, story.now + timedelta(hours=1), VISIT, "tech-1", story.now)
    story.go(2)
    told = [notice for notice in story.store.notices() if notice.occasion.startswith("window:")]
    assert {notice.person for notice in told} == {"tech-1"}
    assert len(told) == len({notice.channel for notice in told})


def test_the_digest_is_owed_not_scheduled(story: Story) -> None:
    """A host that was off on Monday still owes it, once; then no more."""
    story.now = datetime(2025, 10, 13, 4, tzinfo=UTC)
    story.restart()
    story.go(1)
    assert [n for n in story.store.notices() if n.kind == "digest" and "W41" in n.occasion] == [], (
        "not due before 07:30"
    )
    story.now = datetime(2025, 10, 15, 9, tzinfo=UTC)
    story.restart()
    story.go(1)
    story.restart()
    story.go(1)
    digests = [notice for notice in story.store.notices() if notice.kind == "digest"]
    assert [notice.occasion for notice in digests] == ["digest:2025-W40", "digest:2025-W41"] or [
        notice.occasion for notice in digests
    ] == ["digest:2025-W41"]


def test_after_a_time_off_it_says_so_once(story: Story) -> None:
    """Off for six hours: one notice to the technician, no burst of silent stations."""
    story.now += timedelta(hours=6)
    story.restart()
    assert story.go(1) == []
    off = [notice for notice in story.store.notices() if notice.occasion.startswith("off:")]
    assert {notice.person for notice in off} == {"tech-1"}
    assert len({notice.occasion for notice in off}) == 1


def test_a_check_that_fails_is_told_and_stops_no_other(story: Story, monkeypatch: pytest.MonkeyPatch) -> None:
    """Overdue breaks; heavy rain is still told, and so is the failure, once."""
    from watchman.judging.checks import overdue

    def broken(*_: object) -> None:
        raise ZeroDivisionError("a bug of ours")

    monkeypatch.setattr(overdue, "judge", broken)
    events = story.step(rain=lambda s, _t: 8.0 if s == 1 else 0.0)
    assert sorted(story.kinds(events)) == [("raised", "network"), ("raised", "tool:rule overdue")]
    assert story.go(0.5) == []


def test_learning_that_fails_is_told_and_stops_nothing(story: Story, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was learned before holds; heavy rain is told; when learning works again the next day, that is over."""
    from watchman.judging import learned

    def broken(*_: object) -> None:
        raise ZeroDivisionError("a bug of ours")

    monkeypatch.setattr(learned, "learn", broken)
    before, story.watch.learned_on = story.watch.honest_zeros, 0
    events = story.step(rain=lambda s, _t: 8.0 if s == 1 else 0.0)
    assert sorted(story.kinds(events)) == [("raised", "network"), ("raised", "tool:learning from dry gauges")]
    assert story.watch.honest_zeros is before
    monkeypatch.undo()
    later = [kind for kind in story.kinds(story.go(25)) if kind[1].startswith("tool:")]
    assert later == [("returned", "tool:learning from dry gauges")]


def test_evidence_that_fails_is_told_and_stops_no_other(story: Story, monkeypatch: pytest.MonkeyPatch) -> None:
    """One station's evidence breaks; the other silent one is told, and heavy rain; the failure ends when mended."""
    from watchman.judging.checks import overdue

    sound = overdue.evidence

    def broken(view: View, settings: overdue.Settings, findings: Findings, position: int) -> dict[str, Any]:
        if position == 2:
            raise KeyError("a bug of ours")
        return sound(view, settings, findings, position)

    monkeypatch.setattr(overdue, "evidence", broken)
    events = story.go(2, silent=(2, 4))
    assert sorted(story.kinds(events)) == [("raised", "station:s4"), ("raised", "tool:evidence of rule overdue")]
    assert "s2: KeyError" in next(one for one in raised(events) if one.check == "check-failure").numbers["trouble"]
    events = story.step(silent=(2, 4), rain=lambda s, _t: 8.0 if s == 1 else 0.0)
    assert ("raised", "network") in story.kinds(events)
    monkeypatch.undo()
    later = [kind for kind in story.kinds(story.go(0.5, silent=(2, 4))) if kind[1] != "network"]
    assert sorted(later) == [("raised", "station:s2"), ("returned", "tool:evidence of rule overdue")]


def test_nothing_has_happened_until_it_is_written_down(story: Story, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full disk: the cycle says so, and the alarm is raised, once and under the same number, when there is room."""

    def full(*_args: object, **_given: object) -> None:
        raise OutsideError("the disk is full")

    monkeypatch.setattr(story.store, "commit", full)
    rows = rows_of([(1, RAIN, 8.0)], story.now + timedelta(minutes=14), story.now + EVERY)
    story.now += EVERY
    told = watch.cycle(story.watch, [Delivery("main", story.now, rows)], story.now)
    assert told.trouble == "the disk is full"
    assert [event.kind for event in told.events] == [EventKind.RAISED]
    monkeypatch.undo()
    assert [alarm.number for alarm in raised(story.step())] == [told.events[0].alarm.number]


def test_a_station_stood_down_is_not_missed(tmp_path: Path, sound_days: Story) -> None:
    """What the owner took out for the winter is no alarm."""
    shutil.copytree(sound_days.folder, tmp_path, dirs_exist_ok=True)
    lines = (tmp_path / "stations.csv").read_text(encoding="utf-8").splitlines()
    text = "\n".join(
        [f"{lines[0]},status", *(f"{line},{'stood down' if line[:2] == 's2' else ''}" for line in lines[1:])]
    )
    (tmp_path / "stations.csv").write_text(text + "\n", encoding="utf-8")
    network = load(tmp_path, SECRETS.get)
    store = Store.open("sqlite:///watch.db", tmp_path)
    watching, now = watch.begin(network, store, sound_days.now), sound_days.now
    for _ in range(24):
        now += EVERY
        rows = rows_of([(s, RAIN, 0.0) for s in range(STATIONS) if s != 2], now - timedelta(minutes=1), now)
        assert watch.cycle(watching, [Delivery("main", now, rows)], now).events == ()


def test_cells_that_could_not_be_saved_are_saved_later(story: Story, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full disk at the wrong moment costs no hour of the long memory."""

    def full(*_args: object, **_named: object) -> None:
        raise OutsideError("the disk is full")

    monkeypatch.setattr(story.store, "save_cells", full)
    story.watch.cells_saved_at = None
    story.step(rain=lambda s, _t: 3.0 if s == 1 else 0.0)
    monkeypatch.undo()
    story.step()
    story.restart()
    assert story.watch.record.hourly.rain[:, 1].sum() == 3000


def test_every_kept_reading_bears_its_flag_also_when_it_came_late(story: Story) -> None:
    """Of two values for one time both are suspect, whichever came first; a visit's tips say that they are."""
    moment = story.now - timedelta(hours=2, minutes=1)
    story.step(extra=rows_of([(1, RAIN, 1.4)], moment, story.now))
    story.step(extra=rows_of([(1, RAIN, 2.0)], moment, story.now))
    story.store.add_span("s3", story.now - timedelta(hours=1), story.now, VISIT, "tech-1", story.now)
    story.step()
    with closing(sqlite3.connect(story.folder / "watch.db")) as database:
        rows = database.execute("SELECT id, reason FROM delivered JOIN stations ON station = number WHERE reason != ''")
        reasons = Counter(rows.fetchall())
    assert reasons["s1", "another value was delivered for the same time"] == 3, "0.0 was sent on time"
    assert reasons["s3", "does not count: out of service or held"] >= 4

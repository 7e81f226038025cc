"""A station's life: new, stood down, out of season, stolen, silent with a plan; told as such, or not at all."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from tests.helpers import SECRETS, write_network
from watchman import watch
from watchman.model import RAIN, Delivery, Event, Readings
from watchman.network import load
from watchman.store import Store

T0 = datetime(2025, 10, 1, tzinfo=UTC)
EVERY = timedelta(minutes=15)
NETWORK = """\
[network]
name = "Veldran Hills"
zone = "UTC"

[[sources]]
name = "main"
kind = "csv"
path = "readings.csv"
covers_minutes = 15
columns = { time = "time", station = "station", rain = "rain_mm" }

[[sources]]
name = "other"
kind = "csv"
path = "other.csv"
covers_minutes = 15
columns = { time = "time", station = "station", rain = "rain_mm" }

[[contacts]]
name = "tech-1"
roles = ["technician", "supervisor", "warden"]
text = "secret:tech_1_text"
"""
HEAD = "id,latitude,longitude,name,mast,plan,plan_end,status,season,from\n"
RULES = {
    name: (Path(__file__).parent.parent / "rules" / f"{name}.toml").read_text(encoding="utf-8")
    for name in ("overdue", "source-outage")
}


class Life:
    """Six stations that send every quarter of an hour; the columns after the name as given, by station.

    other: those that the second source brings.
    """

    def __init__(self, folder: Path, columns: dict[int, str] | None = None, other: tuple[int, ...] = ()) -> None:
        lines = [f"s{n},{47.2 + 0.03 * n},13.1,Station {n},{(columns or {}).get(n, ',,,,,')}\n" for n in range(6)]
        network = load(write_network(folder, NETWORK, HEAD + "".join(lines), RULES), SECRETS.get, T0.date())
        self.now, self.other = T0, other
        self.watch = watch.begin(network, Store.open("sqlite:///watch.db", folder), T0)

    def go(self, hours: float, silent: tuple[int, ...] = ()) -> list[Event]:
        """Go on for some hours; return what was told."""
        events: list[Event] = []
        for _ in range(round(4 * hours)):
            self.now += EVERY
            heard = np.array([n for n in range(6) if n not in silent])
            size, at = len(heard), int(self.now.timestamp())
            readings = Readings(
                station=heard.astype(np.int32),
                variable=np.full(size, RAIN, np.int8),
                observed_at=np.full(size, at - 60, np.int64),
                received_at=np.full(size, at, np.int64),
                value=np.zeros(size),
                source=np.isin(heard, self.other).astype(np.int16),
                delivery=np.zeros(size, np.int64),
                revision=np.zeros(size, np.int64),
            )
            brought = [
                Delivery(name, self.now, readings.take(readings.source == place))
                for place, name in enumerate(("main", "other"))
            ]
            events += watch.cycle(self.watch, brought, self.now).events
        return events


def scopes(events: list[Event]) -> list[tuple[str, str]]:
    return [(event.kind.value, event.alarm.key.scope) for event in events]


def test_a_new_station_is_on_probation_for_two_days(tmp_path: Path) -> None:
    """It falls silent on its first day: nobody is told until it has had its 48 hours."""
    life = Life(tmp_path)
    assert life.go(60, silent=(5,)) == []
    assert life.go(6) == []
    assert watch.view_of(life.watch, life.now).on_probation.tolist() == [False] * 5 + [True]
    assert life.go(40, silent=(5,)) == []
    assert scopes(life.go(4, silent=(5,))) == [("raised", "station:s5")]


def test_all_stations_of_a_new_network_are_not_new(tmp_path: Path) -> None:
    """Nobody waits two days for the first notice."""
    life = Life(tmp_path)
    life.go(12)
    assert not watch.view_of(life.watch, life.now).on_probation.any()
    assert scopes(life.go(3, silent=(2,))) == [("raised", "station:s2")]


@pytest.mark.parametrize("written", [",,,stolen,,", ",,,stood down,,", ",,,,04-01/09-30,", ",,,probation,,"])
def test_nobody_is_told_of_a_station_that_is_known_to_be_away(tmp_path: Path, written: str) -> None:
    """Stolen, stood down, out of its season, on probation: its silence is no news."""
    life = Life(tmp_path, {3: written})
    life.go(12)
    assert life.go(12, silent=(3,)) == []


def test_in_its_season_it_is_watched(tmp_path: Path) -> None:
    """From the first day on."""
    life = Life(tmp_path, {3: ",,,,09-30/10-31,"})
    life.go(12)
    assert scopes(life.go(3, silent=(3,))) == [("raised", "station:s3")]


def test_a_mast_and_a_plan_of_the_same_stations_are_one_notice(tmp_path: Path) -> None:
    """The mast, unless the plan ended that day."""
    both = dict.fromkeys((0, 1, 2), "T1,P7,,,,")
    life = Life(tmp_path / "mast", both)
    life.go(12)
    assert scopes(life.go(4, silent=(0, 1, 2))) == [("raised", "mast:T1")]

    ended = dict.fromkeys((0, 1, 2), "T1,P7,2025-10-01,,,")
    life = Life(tmp_path / "plan", ended)
    life.go(24)
    events = life.go(4, silent=(0, 1, 2))
    assert scopes(events) == [("raised", "plan:P7")]
    assert events[0].alarm.numbers["plan_ended"]


def test_a_plan_over_two_masts_is_one_notice(tmp_path: Path) -> None:
    """The widest cause takes in the mast whose stations are all silent too."""
    columns = {0: "T1,P7,,,,", 1: "T1,P7,,,,", 2: "T2,P7,,,,", 3: "T2,P7,,,,"}
    life = Life(tmp_path, columns)
    life.go(12)
    assert scopes(life.go(4, silent=(0, 1, 2))) == [("raised", "plan:P7")]


def test_a_mast_explains_a_source_all_of_whose_stations_it_carries(tmp_path: Path) -> None:
    """The source is fetched well; with the mast fell a station of another source, so it is the mast, once."""
    life = Life(tmp_path, dict.fromkeys((0, 1, 2, 3), "T1,,,,,"), other=(0, 1, 2))
    life.go(12)
    assert scopes(life.go(4, silent=(0, 1, 2, 3))) == [("raised", "mast:T1")]


def test_a_source_whose_stations_share_no_mast_is_the_source(tmp_path: Path) -> None:
    """Only its own stations fell silent: one notice, the source's."""
    life = Life(tmp_path, dict.fromkeys((0, 1, 2), "T1,,,,,"), other=(0, 1, 2))
    life.go(12)
    assert scopes(life.go(4, silent=(0, 1, 2))) == [("raised", "source:other")]


def test_a_modem_that_wakes_once_a_day_is_one_alarm(tmp_path: Path) -> None:
    """It neither returns nor is raised again with each of its messages."""
    life = Life(tmp_path)
    life.go(48)
    events = life.go(6, silent=(4,))
    for _ in range(3):
        events += life.go(0.25) + life.go(23.75, silent=(4,))
    assert scopes(events) == [("raised", "station:s4")]
    assert scopes(life.go(3)) == [("returned", "station:s4")]


def test_a_station_that_was_silent_before_its_mast_failed_has_a_trouble_of_its_own(tmp_path: Path) -> None:
    """Two notices: the one of the morning, and the mast's for those that went with it."""
    life = Life(tmp_path, dict.fromkeys((0, 1, 2), "T1,,,,,"))
    life.go(12)
    assert scopes(life.go(6, silent=(0,))) == [("raised", "station:s0")]
    told = [one for one in scopes(life.go(4, silent=(0, 1, 2))) if one[0] == "raised"]
    assert told == [("raised", "mast:T1")]


def test_two_stations_that_share_nothing_and_fall_silent_in_one_hour_are_two_notices(tmp_path: Path) -> None:
    """Each on its own; nothing joins them."""
    life = Life(tmp_path, {0: "T1,P1,,,,", 1: "T1,P2,,,,", 2: "T2,P1,,,,", 3: "T2,P2,,,,"})
    life.go(12)
    life.go(0.5, silent=(4,))
    assert sorted(scopes(life.go(5, silent=(4, 5)))) == [("raised", "station:s4"), ("raised", "station:s5")]


def test_a_source_of_two_stations_is_the_source_when_both_fall_silent(tmp_path: Path) -> None:
    """They share nothing else; one of them alone is that station."""
    life = Life(tmp_path, {4: "T1,P1,,,,", 5: "T2,P2,,,,"}, other=(4, 5))
    life.go(12)
    assert scopes(life.go(4, silent=(4, 5))) == [("raised", "source:other")]
    assert scopes(life.go(2)) == [("returned", "source:other")]
    assert scopes(life.go(4, silent=(4,))) == [("raised", "station:s4")]


def test_two_stations_of_a_source_of_four_are_no_outage_of_it(tmp_path: Path) -> None:
    """The other two are heard through it."""
    life = Life(tmp_path, other=(2, 3, 4, 5))
    life.go(12)
    assert sorted(scopes(life.go(4, silent=(4, 5)))) == [("raised", "station:s4"), ("raised", "station:s5")]


def test_a_plan_that_is_known_to_run_on_is_not_blamed_for_two_stations(tmp_path: Path) -> None:
    """With its end not written, or come, it is; and three of it are no chance."""
    for number, (end, silent, told) in enumerate(
        (
            ("2026-03-31", (0, 1), [("raised", "station:s0"), ("raised", "station:s1")]),
            ("2025-10-01", (0, 1), [("raised", "plan:P7")]),
            ("", (0, 1), [("raised", "plan:P7")]),
            ("2026-03-31", (0, 1, 2), [("raised", "plan:P7")]),
        )
    ):
        life = Life(tmp_path / str(number), dict.fromkeys((0, 1, 2), f",P7,{end},,,"))
        life.go(24)
        assert sorted(scopes(life.go(4, silent=silent))) == told


def test_who_was_heard_for_hours_after_its_mast_fell_silent_has_a_trouble_of_its_own(tmp_path: Path) -> None:
    """Who falls silent within an interval of the others is taken into their notice."""
    mast = dict.fromkeys((0, 1, 2), "T1,,,,,")
    life = Life(tmp_path / "long after", mast)
    life.go(24)
    assert scopes(life.go(5, silent=(0, 1))) == [("raised", "mast:T1")]
    assert scopes(life.go(4, silent=(0, 1, 2))) == [("raised", "station:s2")]

    life = Life(tmp_path / "at once", mast)
    life.go(24)
    life.go(0.25, silent=(0, 1))
    events = life.go(4, silent=(0, 1, 2))
    assert {event.alarm.key.scope for event in events} == {"mast:T1"}
    assert events[-1].alarm.stations == ("s0", "s1", "s2")


def test_a_plan_that_runs_on_takes_no_masts_place_for_one_station_more(tmp_path: Path) -> None:
    """The station elsewhere that fell silent in the same hour is on its own."""
    plan = "P7,2026-03-31,,,"
    life = Life(tmp_path, {0: f"T1,{plan}", 1: f"T1,{plan}", 2: f"T1,{plan}", 3: f"T2,{plan}"}, other=(3, 4, 5))
    life.go(24)
    assert sorted(scopes(life.go(4, silent=(1, 2, 3)))) == [("raised", "mast:T1"), ("raised", "station:s3")]


def test_one_silent_neighbour_makes_no_mast_of_a_source_that_fails(tmp_path: Path) -> None:
    """Two of the source's stations share a mast with it, a third does not: the source, and the neighbour alone."""
    life = Life(tmp_path, {0: "T1,,,,,", 1: "T1,,,,,", 2: "T1,,,,,"}, other=(1, 2, 3))
    life.go(24)
    told = [one for one in scopes(life.go(5, silent=(0, 1, 2, 3))) if one[0] == "raised"]
    assert sorted(told) == [("raised", "source:other"), ("raised", "station:s0")]

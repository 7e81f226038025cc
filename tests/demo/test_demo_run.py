"""The demo's written folder, its driving of the watch, its account, and the plain script beside it."""

import csv
import tomllib
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import numpy as np

from demo import plain_script
from demo.account import account
from demo.clock import Clock
from demo.export import export
from demo.folder import write_live
from demo.mailbox import Arrived
from demo.plain_script import Count
from demo.run import STEP, drive, moments
from demo.sites import HIDDEN, sites
from demo.story import Acknowledgement, Booking, fortnight, local
from demo.world import build

WORLD = build(7, days=15)


def test_the_list_of_stations_is_the_worlds() -> None:
    """Every written station has its hidden traits, and names for texts are short enough."""
    with (Path(__file__).parents[2] / "demo" / "network" / "stations.csv").open() as file:
        rows = list(csv.DictReader(file))

    assert [row["id"] for row in rows] == [site.id for site in sites()] == list(HIDDEN)
    assert all(len(row["short_name"]) <= 12 for row in rows)


def test_the_exported_folder_says_when_each_row_arrived(tmp_path: Path) -> None:
    """The export holds every report of the world with its arrival, and a network that reads it from the file."""
    export(WORLD, tmp_path)

    with (tmp_path / "readings.csv").open() as file:
        rows = list(csv.DictReader(file))
    received = [datetime.fromisoformat(row["received"]).timestamp() for row in rows]
    source = tomllib.loads((tmp_path / "network.toml").read_text())["sources"][0]
    assert received == WORLD.reports.arrived_at.tolist()
    assert [int(row["rain_tips"]) for row in rows] == WORLD.reports.tips.tolist()
    assert source["path"] == "readings.csv"
    assert source["columns"]["received"] == "received"
    assert "address" not in source


def test_the_live_folder_has_this_runs_ports(tmp_path: Path) -> None:
    """The written ports give way to those that were free, in the source, the mail server and every text address."""
    write_live(tmp_path, "http://127.0.0.1:41001/readings.csv", mail_port=41002, text_port=41003)

    network = tomllib.loads((tmp_path / "network.toml").read_text())
    assert network["sources"][0]["address"] == "http://127.0.0.1:41001/readings.csv?since={since}"
    assert network["mail"]["port"] == 41002
    texts = [contact["text"] for contact in network["contacts"] if "text" in contact]
    assert len(texts) == 4
    assert all(text.startswith("json://127.0.0.1:41003/texts/") for text in texts)
    assert (tmp_path / "rules" / "heavy-rain.toml").exists()


class _NotedWatch:
    """A watch that only notes when it is asked what."""

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self.noted: list[tuple[datetime, str]] = []

    def cycle(self) -> None:
        self.noted.append((self.clock.now, "cycle"))

    def book(self, booking: Booking) -> None:
        self.noted.append((booking.at, f"book {booking.station}"))

    def acknowledge(self, answer: Acknowledgement) -> None:
        self.noted.append((answer.at, f"acknowledge {answer.check}"))


def test_driving_turns_the_clock_through_the_whole_story() -> None:
    """One cycle at each step from the story's begin to its end, and each deed done once, before the cycle after it."""
    story, clock = fortnight(), Clock(local("2025-01-01 00:00"))
    watch = _NotedWatch(clock)

    drive(watch, story, clock)

    cycles = [at for at, what in watch.noted if what == "cycle"]
    deeds = [(at, what) for at, what in watch.noted if what != "cycle"]
    assert (cycles[0], cycles[-1], clock.now) == (story.begins, story.ends, story.ends)
    assert {later - earlier for earlier, later in pairwise(cycles)} <= {STEP, STEP * 2 / 3, STEP / 3}
    assert len(deeds) == len(story.bookings) + len(story.acknowledgements)
    for position, (at, what) in enumerate(watch.noted):
        if what != "cycle":
            before = max(cycle for cycle, name in watch.noted[:position] if name == "cycle")
            assert before < at <= before + STEP


def test_the_plain_script_repeats_itself() -> None:
    """In the fortnight it accuses again and again, and of many more matters than there are."""
    world = build(7)

    count = plain_script.run(world, moments(world.story))

    assert count["silent"].messages > 300
    assert count["dry"].matters > 10
    assert count["battery"].messages > 300
    assert 5 < count["rain"].matters < 40


def test_the_plain_script_sees_only_what_has_arrived() -> None:
    """Stopped in the storm of 22 October it counts what it counted, whatever came later."""
    until = [at for at in moments(WORLD.story) if at <= local("2025-10-22 17:05")]
    reports = WORLD.reports
    known = reports.take(np.flatnonzero(reports.arrived_at <= until[-1].timestamp()))
    cut = type(WORLD)(**{name: getattr(WORLD, name) for name in WORLD.__slots__ if name != "reports"}, reports=known)

    assert plain_script.run(WORLD, until) == plain_script.run(cut, until)


def test_the_account_tells_each_message_once_with_all_its_readers() -> None:
    """A text to two people is one line; the mail of the same moment to the same person is not repeated."""
    at = local("2025-10-22 17:20")
    arrived = [
        Arrived(at, "warden", "text", "Heavy rain Ashlow Gap"),
        Arrived(at, "road-crew", "text", "Heavy rain Ashlow Gap"),
        Arrived(at, "warden", "mail", "Heavy rain at Ashlow Gap (#1)"),
        Arrived(local("2025-10-27 07:30"), "supervisor", "mail", "Veldran Hills, week 43"),
    ]
    told = [{"check": "heavy-rain", "alarm": 1, "to": ["warden", "road-crew"]}]
    plain = dict.fromkeys(plain_script.KINDS, Count(1000, 10))

    page = account(fortnight(), arrived, told, plain)

    lines = page.splitlines()
    assert sum("Heavy rain Ashlow Gap" in line for line in lines) == 1
    assert any(line.endswith("17:20  warden, road-crew: Heavy rain Ashlow Gap") for line in lines)
    assert any("supervisor (mail): Veldran Hills, week 43" in line for line in lines)
    assert any(" ".join(line.split()) == "heavy rain 2 (1 matter) 1,000 (10 matters)" for line in lines)
    assert max(map(len, lines)) <= 120

"""The demo's written folder, its driving of the watch, its account, and the plain script beside it."""

import csv
import tomllib
from datetime import datetime
from http.server import BaseHTTPRequestHandler
from itertools import pairwise
from pathlib import Path
from urllib.parse import parse_qs

import numpy as np

from demo import plain_script
from demo.account import account, chronicle
from demo.clock import Clock
from demo.export import export
from demo.folder import close_down, write_live
from demo.local import LocalServer
from demo.mailbox import Arrived
from demo.people import People, Sent
from demo.plain_script import Count
from demo.run import STEP, Ran, drive, free_port, moments
from demo.sites import HIDDEN, sites
from demo.story import Reply, fortnight, local
from demo.watching import Heard
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
    write_live(tmp_path, "http://127.0.0.1:41001/readings.csv", mail_port=41002, text_port=41003, board_port=41004)

    network = tomllib.loads((tmp_path / "network.toml").read_text())
    assert network["sources"][0]["address"] == "http://127.0.0.1:41001/readings.csv?since={since}"
    assert network["mail"]["port"] == 41002
    texts = [contact["text"] for contact in network["contacts"] if "text" in contact]
    assert len(texts) == 7
    assert network["board"]["listen"] in network["board"]["address"] == "http://127.0.0.1:41004"
    assert all(text.startswith("json://127.0.0.1:41003/texts/") for text in texts)
    assert "hours = 24" not in (tmp_path / "rules" / "heavy-rain.toml").read_text().partition("[settings]")[2][:900]
    close_down(tmp_path)
    assert "secret:" not in (tmp_path / "network.toml").read_text()


class _NotedWatch:
    """A watch that only notes when it is asked."""

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self.noted: list[tuple[datetime, str]] = []

    def cycle(self) -> None:
        self.noted.append((self.clock.now, "cycle"))


def test_driving_turns_the_clock_through_the_whole_story() -> None:
    """One cycle at each step from the story's begin to its end, none without power, and each deed at its own moment."""
    story, clock = fortnight(), Clock(local("2025-01-01 00:00"))
    watch = _NotedWatch(clock)

    drive(watch, lambda deed: watch.noted.append((clock.now, type(deed).__name__)), story, clock)

    cycles = [at for at, what in watch.noted if what == "cycle"]
    deeds = [at for at, what in watch.noted if what != "cycle"]
    [cut] = story.power_cuts
    gaps = {(earlier, later - earlier) for earlier, later in pairwise(cycles)}
    assert (cycles[0], cycles[-1], clock.now) == (story.begins, story.ends, story.ends)
    assert {gap for _, gap in gaps} <= {STEP, STEP * 2 / 3, STEP / 3, cut.ends - cut.begins + STEP / 3}
    assert not [at for at in cycles if cut.begins <= at < cut.ends]
    assert deeds == sorted(deed.at for deed in story.deeds)
    assert [at for at, _ in watch.noted] == sorted(at for at, _ in watch.noted)


def test_people_answer_with_what_stood_in_their_notices(tmp_path: Path) -> None:
    """The code of the notice that is meant, or one's own; without such a notice nothing is sent."""
    write_live(tmp_path, "http://127.0.0.1:1/readings.csv", mail_port=1, text_port=1, board_port=free_port())
    at = local("2025-10-22 17:30")
    arrived = [
        Arrived(at, "crew", "text", "Drill 1. Reply CAME 1crm. On site, text VISIT ASHLOW GAP 2H pztrx (your code)."),
        Arrived(at, "crew", "text", "Hollin Dam clogged? Reply OK 7nwb."),
        Arrived(at, "crew", "text", "Juniper Sdl drains slowly. Reply OK 5bcd."),
    ]
    taken: list[dict[str, list[str]]] = []
    people = People(tmp_path, arrived)
    people.hook = ""

    class Gateway(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            taken.append(parse_qs(self.rfile.read(int(self.headers["Content-Length"])).decode()))
            self.send_response(204)
            self.end_headers()

        def log_message(self, _format: str, *_words: object) -> None:
            """Keep the screen."""

    with LocalServer(Gateway) as gateway:
        people.hook = f"http://127.0.0.1:{gateway.server_port}/texts/key"
        sent = [
            people.answer(Reply(at, "crew", "OK {code} tomorrow", "Hollin")),
            people.answer(Reply(at, "crew", "VISIT HOLLIN 2H {code}")),
            people.answer(Reply(at, "crew", "OK {code}", "Kettle")),
            people.answer(Reply(at, "a stranger", "OK {guess}", "Hollin", phone="+15550199999")),
        ]

    assert [one.words for one in sent] == ["OK 7nwb tomorrow", "VISIT HOLLIN 2H pztrx", "", "OK 7bcd"]
    assert [one["text"][0] for one in taken] == ["OK 7nwb tomorrow", "VISIT HOLLIN 2H pztrx", "OK 7bcd"]
    assert [one["from"][0] for one in taken] == ["+15550100103", "+15550100103", "+15550199999"]


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


def _ran(*arrived: Arrived, answers: tuple[tuple[Sent, int], ...] = ()) -> Ran:
    told = {"check": "heavy-rain", "alarm": 1, "to": ["warden", "road-crew"]}
    heard = tuple(Heard(one.at, one.who, "alarm 1") for one in arrived)
    plain = dict.fromkeys(plain_script.KINDS, Count(1000, 10, 300))
    return Ran(fortnight(), arrived, heard, answers, (told,), plain, failed=3, lost=0)


AT = local("2025-10-22 23:20")
ARRIVED = (
    Arrived(AT, "warden", "text", "Heavy rain Ashlow Gap. Reply OK 1bcd."),
    Arrived(AT, "road-crew", "text", "Heavy rain Ashlow Gap. No. 1."),
    Arrived(AT, "warden", "mail", "Heavy rain at Ashlow Gap (no. 1)"),
    Arrived(local("2025-10-27 07:30"), "supervisor", "mail", "Veldran Hills, week 43"),
)


def test_the_account_tells_by_person_what_came_and_what_was_answered() -> None:
    """A mail that came with its text is not repeated; counts are those of the phone, nights apart."""
    answer = Sent(Reply(AT, "warden", "OK {code}", "Heavy"), "OK 1bcd", 204)
    strange = Sent(Reply(AT, "a stranger", "OK {guess}", "Heavy"), "OK 1zzz", 204)

    page = account(_ran(*ARRIVED, answers=((answer, 1), (strange, 0))))

    lines = [" ".join(line.split()) for line in page.splitlines()]
    assert sum("Heavy rain" in line for line in lines) == 2
    assert "Wed 22 Oct 23:20 Heavy rain Ashlow Gap. Reply OK 1bcd." in lines
    assert "23:20 > OK 1bcd" in lines
    assert "Mon 27 Oct 07:30 (mail) Veldran Hills, week 43" in lines
    assert "warden 1 1 1 1" in lines
    assert "supervisor 1 0 1 0" in lines
    assert "a plain script 40 4,000 0 1,200" in lines
    assert "heavy rain 2 (1 matter) 1,000 (10 matters)" in lines
    assert any("a text: OK 1zzz" in line and "nothing changed" in line for line in lines)
    assert max(map(len, page.splitlines())) <= 120


def test_the_chronicle_has_the_truth_beside_what_was_told() -> None:
    """What happened, what was told and what was answered, in order."""
    lines = [" ".join(line.split()) for line in chronicle(_ran(*ARRIVED)).splitlines()]

    cell = next(place for place, line in enumerate(lines) if "* Ashlow Gap: one storm cell" in line)
    told = next(place for place, line in enumerate(lines) if "warden: Heavy rain Ashlow Gap" in line)
    digest = next(place for place, line in enumerate(lines) if "supervisor (mail): Veldran Hills, week 43" in line)
    assert cell < told < digest

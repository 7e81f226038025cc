"""A network edited while it is watched: taken over once it is whole, refused with its mistake; what ends is said."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import date, timedelta
from pathlib import Path

from tests.helpers import NETWORK_TOML, RULES, SECRETS, STATIONS_CSV, write_network
from tests.test_daemon import Service
from tests.town import RULES as TOWN_RULES
from tests.town import Town, storms, until
from watchman.edits import Edits, differences
from watchman.network import load
from watchman.store import Store

TODAY = date(2025, 10, 21)
MORE_RULES = RULES | {"gaps": 'check = "gaps"\nwhen = "weekly"\ntell = ["technician"]\n'}


def edits_of(folder: Path) -> Edits:
    edits = Edits(load(write_network(folder), SECRETS.get, TODAY), SECRETS.get)
    assert edits.look(TODAY) is None
    return edits


def test_a_file_is_read_again_once_it_stands_still(tmp_path: Path) -> None:
    """Seen changed it waits for the next look, for somebody may still be writing; asked for, it is read at once."""
    edits = edits_of(tmp_path)
    write_network(tmp_path, rules=MORE_RULES)
    assert edits.look(TODAY) is None
    network = edits.look(TODAY)
    assert network is not None
    assert [rule.name for rule in network.rules] == ["gaps", "overdue"]
    assert edits.look(TODAY) is None, "it is read once"

    (tmp_path / "rules" / "gaps.toml").unlink()
    asked = edits.look(TODAY, asked=True)
    assert asked is not None
    assert [rule.name for rule in asked.rules] == ["overdue"]


def test_a_broken_edit_is_said_and_forgotten_when_it_is_mended(tmp_path: Path) -> None:
    """The network that could be read goes on; nothing is handed over, neither broken nor as it was."""
    edits = edits_of(tmp_path)
    write_network(tmp_path, NETWORK_TOML.replace('zone = "America/Denver"', 'zone = "America/Denvr"'))
    assert edits.look(TODAY, asked=True) is None
    assert 'the time zone "America/Denvr" is unknown' in edits.trouble
    write_network(tmp_path)
    assert edits.look(TODAY, asked=True) is None
    assert edits.trouble == ""


def test_a_rules_folder_that_is_gone_is_a_broken_edit(tmp_path: Path) -> None:
    """Nobody wants to watch by no rule at all, least of all by a slip."""
    edits = edits_of(tmp_path)
    (tmp_path / "rules" / "overdue.toml").unlink()
    (tmp_path / "rules").rmdir()
    assert edits.look(TODAY, asked=True) is None
    assert "rules" in edits.trouble


def test_another_store_waits_for_a_restart(tmp_path: Path) -> None:
    """What is open in one store can't go on in another."""
    edits = edits_of(tmp_path)
    write_network(tmp_path, NETWORK_TOML + '\n[store]\naddress = "sqlite:///other.db"\n')
    assert edits.look(TODAY, asked=True) is None
    assert "only after a restart" in edits.trouble


def test_a_station_that_moves_does_so_on_its_day(tmp_path: Path) -> None:
    """Its second line holds from that day on, though nobody edits a file then."""
    head, line, *rest = STATIONS_CSV.splitlines()
    fields = dict(zip(head.split(","), line.split(","), strict=True)) | {"from": "", "until": "2025-10-21"}
    moved = fields | {"latitude": "39.9", "from": "2025-10-22", "until": ""}
    columns = [*fields]
    table = [",".join(columns), *(",".join(one.get(name, "") for name in columns) for one in (fields, moved))]
    table += [f"{other},," for other in rest]
    edits = Edits(load(write_network(tmp_path, stations="\n".join([*table, ""])), SECRETS.get, TODAY), SECRETS.get)
    assert edits.look(TODAY) is None
    network = edits.look(TODAY + timedelta(days=1))
    assert network is not None
    assert network.stations[0].latitude == 39.9


def test_what_an_edit_changes_is_said_by_name(tmp_path: Path) -> None:
    """Rules, stations, sources and people that come, go or change."""
    before = load(write_network(tmp_path / "a", rules=MORE_RULES), SECRETS.get, TODAY)
    stations = STATIONS_CSV.replace("Fennick Bridge", "Fennick Ford")
    network = NETWORK_TOML.replace('name = "Veldran Hills"', 'name = "Veldran"')
    after = load(write_network(tmp_path / "b", network, stations), SECRETS.get, TODAY)
    assert differences(before, after) == (
        "rule gaps: withdrawn. Its open alarms close.",
        "station fennick: changed.",
        "name: changed.",
    )
    assert differences(before, before) == ()


@contextmanager
def running(town: Town) -> Iterator[Service]:
    service = Service(town, None, "--verbose")
    try:
        yield service
    finally:
        service.process.kill()
        service.process.wait()


def test_edits_reach_the_running_watch(tmp_path: Path) -> None:
    """A broken edit is told and changes nothing; a good one holds; a withdrawn rule ends its alarm and says why."""
    with Town(tmp_path / "net") as town, running(town) as service:
        until(lambda: "watching Veldran Hills" in service.said(), "the start")
        town.write(rules=TOWN_RULES | {"overdue": 'check = "overdu"\ntell = ["technician"]\n'})
        service.process.send_signal(signal.SIGHUP)
        until(lambda: any("network folder" in text for text in town.told("tech-1")), "word of the broken edit")
        town.wet()
        until(lambda: storms(town.told("warden")), "a storm by the rules of before")

        without = {name: text for name, text in TOWN_RULES.items() if name != "heavy-rain"}
        town.write(rules=without)
        (town.folder / "rules" / "heavy-rain.toml").unlink()
        os.kill(service.process.pid, signal.SIGHUP)
        until(lambda: "rule heavy-rain: withdrawn" in service.said(), "the withdrawal in the log")
        until(lambda: any("withdrawn" in text for text in town.told("warden")), "that it is not watched any more")
        assert service.end()[0] == 0
        with closing(Store.open("sqlite:///watch.db", town.folder)) as store:
            assert "heavy-rain" not in {alarm.check for alarm in store.open_alarms()}
        assert "Traceback" not in service.said()

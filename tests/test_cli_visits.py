"""The commands about visits, as they are typed: poured water, the visit list in its forms, calendars in `once`."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import icalendar
import pytest

from tests.test_cli import Shell
from tests.town import STATIONS, Town


@pytest.fixture
def shell(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Iterator[Shell]:
    with Town(tmp_path / "my-network") as town:
        head, *lines = STATIONS.splitlines()
        rows = [f"{head},tip_mm,funnel_cm2", f"{lines[0]},0.2,400", *(f"{line},," for line in lines[1:])]
        (town.folder / "stations.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
        yield Shell(town, capsys, monkeypatch)


def test_poured_water_is_kept_with_its_window(shell: Shell) -> None:
    """At once or at the end; only where it is known how many tips it makes."""
    said = shell.does("watchman maintenance add my-network hollin --hours 3 --poured 400 --as tech-1")
    assert said.endswith(". 400 ml make about 50 tips.\n")
    begins = f"{datetime.now(UTC) - timedelta(hours=2):%Y-%m-%dT%H:%M:%SZ}"
    shell.does(f"watchman maintenance add my-network hollin --from {begins} --hours 3")
    assert shell.does("watchman maintenance end my-network 2 --poured 200").endswith(". 200 ml make about 25 tips.\n")
    listed = shell.does("watchman maintenance list my-network")
    assert "(400 ml poured) (running)" in listed
    assert "(200 ml poured)" in listed
    windows = json.loads(shell.does("watchman maintenance list my-network --json"))
    assert [window["poured_ml"] for window in windows] == [400.0, 200.0]
    complaint = shell.refuses("watchman maintenance add my-network fennick --poured 400")
    assert "--poured: fennick has no funnel_cm2 or no tip_mm" in complaint
    assert len(json.loads(shell.does("watchman maintenance list my-network --json"))) == 2, "nothing was booked"


def test_the_visit_list_in_its_three_forms(shell: Shell) -> None:
    """Printed so that it can be sent on as it is."""
    shell.does("watchman once my-network")
    assert "Nothing needs a drive." in shell.does("watchman visits my-network")
    assert next(csv.reader(io.StringIO(shell.does("watchman visits my-network --format csv"))))[0] == "trip"
    calendar = shell.does("watchman visits my-network --format ics")
    assert icalendar.Calendar.from_ical(calendar).walk("VEVENT") == []
    assert "Invalid value for '--format'" in shell.refuses("watchman visits my-network --format pdf")


def test_once_reads_the_calendars_too(shell: Shell) -> None:
    """From a file in the folder; the station is out of service in the same cycle."""
    network = shell.town.folder / "network.toml"
    calendars = '\n[[calendars]]\nname = "visits"\nholds = "visits"\npath = "visits.ics"\n'
    network.write_text(network.read_text(encoding="utf-8") + calendars, encoding="utf-8")
    begins = datetime.now(UTC) - timedelta(minutes=30)
    event = f"BEGIN:VEVENT\r\nUID:1\r\nSUMMARY:Larkmoor\r\nDTSTART:{begins:%Y%m%dT%H%M%SZ}\r\nEND:VEVENT\r\n"
    text = f"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-\r\n{event}END:VCALENDAR\r\n"
    (shell.town.folder / "visits.ics").write_text(text, encoding="utf-8", newline="")
    shell.town.wet("/other.csv", "larkmoor")
    assert "0 events" in shell.does("watchman once my-network"), "water poured at a visit is no storm"
    (window,) = json.loads(shell.does("watchman maintenance list my-network --json"))
    assert (window["station"], window["who"]) == ("larkmoor", "calendar visits")
    assert "out of service" in shell.does("watchman status my-network")

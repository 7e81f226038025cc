"""`watchman export` as it is typed: the files of a stormy evening, and what it says of slips."""

from __future__ import annotations

import csv
import json
import os
import resource
import signal
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.test_cli import ROOT, SECRETS, Shell, shell, stormy
from watchman import export

__all__ = ["shell", "stormy"]

TODAY = datetime.now(UTC)
DAYS = f"--from {TODAY - timedelta(days=1):%Y-%m-%d} --to {TODAY + timedelta(days=1):%Y-%m-%d}"


def rows(folder: Path, name: str) -> list[dict[str, str]]:
    with (folder / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_a_stormy_evening_as_files(stormy: Shell) -> None:
    """The reading, the alarm, who took it and what was said; whatever somebody writes, no cell is a formula."""
    stormy.does("watchman acknowledge my-network 1 --as warden")
    stormy.does("watchman once my-network")
    said = "=HYPERLINK(1); =2+2"
    stormy.does(f"watchman shelve my-network 1 --hours 2 --reason '{said}' --as tech-1")
    stormy.does("watchman once my-network")
    stormy.does("watchman maintenance add my-network fennick --hours 3 --as tech-1")
    printed = stormy.does(f"watchman export my-network {DAYS} --out copy").splitlines()
    assert printed[0] == "copy:"
    assert printed[2] == "  readings.csv     6 readings: 0 suspect or bad, 0 don't count"
    assert printed[4] == "  alarms.csv       1 alarm"
    assert printed[5] == "  events.csv       3 events in their lives"
    folder = Path("copy")
    rain = {row["station"]: row for row in rows(folder, export.READINGS) if row["variable"] == "rain"}
    assert rain["larkmoor"]["comparable_value"] == "8.4"
    assert rain["larkmoor"]["covers_s"] == "900"
    (alarm,) = rows(folder, export.ALARMS)
    assert (alarm["number"], alarm["rule"], alarm["stations"]) == ("1", "heavy-rain", "larkmoor")
    assert (alarm["state"], alarm["acknowledged_by"], alarm["ended_at"]) == ("shelved", "warden", "")
    assert alarm["what"].startswith("Heavy rain at Larkmoor: 8.4 mm in 15 min")
    assert "at or above the limit" in alarm["why"]
    assert json.loads(alarm["numbers"])["gauges"][0]["mm"] == 8.4
    events = rows(folder, export.EVENTS)
    assert [(row["event"], row["who"], row["state"]) for row in events] == [
        ("raised", "", "unacknowledged"),
        ("acknowledged", "warden", "acknowledged"),
        ("shelved", "tech-1", "shelved"),
    ]
    assert "'=HYPERLINK(1); '=2+2" in events[2]["note"]
    (window,) = rows(folder, export.MAINTENANCE)
    assert (window["station"], window["reason"], window["who"], window["holds"]) == (
        *("fennick", "visit", "tech-1", "yes"),
    )


def test_its_name_says_what_is_in_it(stormy: Shell) -> None:
    """Where none is given; a second time it is refused."""
    first, last = DAYS.split()[1::2]
    stormy.does(f"watchman export my-network {DAYS} --station hollin --station 'Fennick Bridge'")
    folder = Path(f"my-network-{first}-to-{last}")
    assert {row["station"] for row in rows(folder, export.READINGS)} == {"hollin", "fennick"}
    assert "Nothing is ever overwritten" in stormy.refuses(f"watchman export my-network {DAYS}")


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("--from yesterday --to 2025-11-01", '--from: "yesterday" is no time. It must be a day or a time'),
        ("--from 2025-11-01 --to 2025-11-01", "--to: it is not after --from. A day is its 00:00"),
        ("--from 2025-10-01 --to 2025-11-01", "--from, --to: there is nothing in that time. The store's readings lie"),
        (f"{DAYS} --station holin", '--station: "holin" is no station. Did you mean "hollin"?'),
        (f"{DAYS} --out no/such/place", "--out: there is no folder no/such."),
        (f"{DAYS} --out my-network", "--out: my-network exists already. Nothing is ever overwritten"),
    ],
)
def test_slips_are_told_in_words(stormy: Shell, typed: str, said: str) -> None:
    """And nothing is made."""
    before = sorted(Path().iterdir())
    assert said in stormy.refuses(f"watchman export my-network {typed}")
    assert sorted(Path().iterdir()) == before


def test_without_a_store_there_is_nothing_to_copy(shell: Shell) -> None:
    """As for every command that looks back."""
    assert "There is no store" in shell.refuses(f"watchman export my-network {DAYS}", code=3)


def test_a_full_disk_leaves_nothing_behind(stormy: Shell) -> None:
    """The disk is as full as a limit on the size of files makes it: the table does not fit, the store does."""
    big = "".join(
        f"larkmoor,{TODAY - timedelta(minutes=minute):%Y-%m-%dT%H:%M:%SZ},0.0,3.95\n" for minute in range(2, 1200)
    )
    stormy.town.answers["/other.csv"] = f"station,time,rain_mm,battery_v\n{big}".encode()
    stormy.does("watchman once my-network")
    before = sorted(Path().iterdir())

    def limited() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))

    done = subprocess.run(
        [sys.executable, "-m", "watchman", "export", "my-network", *DAYS.split(), "--out", "copy"],
        env={**os.environ, "PYTHONPATH": str(ROOT), "WATCHMAN_FEED": SECRETS["feed"]},
        preexec_fn=limited,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 3, done.stderr
    assert "copy can't be written: File too large. Nothing was left behind" in done.stderr
    assert sorted(Path().iterdir()) == before

"""The daemon's memory after an hour of cycles, and how soon the command line answers."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path
from resource import RUSAGE_CHILDREN, getrusage
from time import perf_counter

import numpy as np
import psutil

from tests.bench import weather
from tests.bench.hour import CYCLES
from tests.bench.measure import Line, Time, middle
from tests.bench.served import Served
from tests.helpers import moment

BEGIN = moment("2025-07-21T17:30Z")
DAY = 86400
ROOT = Path(__file__).parents[2]


def memory(stations: int, hours: int) -> list[Line]:
    """Measure the resident memory of a daemon whose source serves the last few hours at every poll."""
    place = weather.sites(stations, BEGIN - 3600, BEGIN)
    times = np.arange(BEGIN - 2 * DAY, BEGIN + 3601, 300)
    values = weather.tables(place, times)
    with tempfile.TemporaryDirectory() as folder, Served() as served:
        weather.network(Path(folder), place, served.address, text=served.phone)
        for minute in range(CYCLES):
            now = BEGIN + 60 * minute
            latest = (times > now - 3600 * hours) & (times <= now)
            table = weather.csv_of(times[latest], {variable: rows[latest] for variable, rows in values.items()})
            served.following.append(table.encode())
        rows = table.count("\n") - 1
        with subprocess.Popen(
            [sys.executable, "-m", "tests.bench.hour", folder, str(BEGIN)],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        ) as process:
            assert process.stdin is not None
            assert process.stdout is not None
            assert process.stdout.readline() == "done\n", "the daemon failed"
            process_now = psutil.Process(process.pid)
            held_mb, used = process_now.memory_info().rss / 1e6, process_now.cpu_times()
            process.stdin.write("\n")
            process.stdin.close()
        note = f"{rows:,} rows at each poll, {served.texts} texts sent, cpu {used.user + used.system:.1f} s in all"
    return [Line(f"the daemon with {stations} stations after {CYCLES} cycles", f"{held_mb:.0f} MB", note)]


def answers() -> list[Line]:
    """Measure `watchman --help` as a process."""
    # What the installed command does, wherever it was installed.
    command = [sys.executable, "-c", "from watchman.cli import main; main()", "--help"]
    runs = []
    for _ in range(9):
        before, began = getrusage(RUSAGE_CHILDREN), perf_counter()
        subprocess.run(command, check=True, cwd=ROOT, stdout=subprocess.DEVNULL)
        wall_s, after = perf_counter() - began, getrusage(RUSAGE_CHILDREN)
        runs.append(Time(wall_s, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime))
    return [Line("watchman --help", str(middle(runs)))]

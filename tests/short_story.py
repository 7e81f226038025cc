"""A short story watched by a process that may be killed at any instant: `python -m tests.short_story FOLDER`

Every line on its input starts a copy of the watch, whose process number it answers; the copy goes on where the store
says that the last one came to.
"""

from __future__ import annotations

import os
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

from watchman.daemon import Daemon
from watchman.network import load
from watchman.store import Store

BEGINS = datetime(2025, 10, 20, 6, tzinfo=UTC)
STEP = timedelta(minutes=15)
STEPS = 18
STATIONS = ("hollin", "fennick", "larkmoor")
RAIN = {("larkmoor", 3): 6.4, ("hollin", 4): 13.0, ("fennick", 5): 21.0, ("hollin", 14): 7.0, ("larkmoor", 16): 12.6}
"""Heavy rain by station and step [mm]: a storm that rises twice, and a second one that rises once."""


def rows(step: int) -> str:
    """Return what the stations send in a step."""
    at = BEGINS + step * STEP - timedelta(minutes=1)
    return "".join(f"{name},{at:%Y-%m-%dT%H:%M:%SZ},{RAIN.get((name, step), 0.0)},3.95\n" for name in STATIONS)


def watch(folder: Path) -> None:
    """Watch from the last step that was written down to the end of the story."""
    network = load(folder, lambda _name: None)
    store = Store.open("sqlite:///watch.db", folder)
    last = store.marks().get("last_cycle")
    step = round((datetime.fromisoformat(last) - BEGINS) / STEP) + 1 if last else 0
    now = BEGINS + (step - 1) * STEP
    daemon = Daemon(network, store, clock=lambda: now)
    for number in range(step, STEPS + 1):
        now = BEGINS + number * STEP
        table = "station,time,rain_mm,battery_v\n" + "".join(rows(sent) for sent in range(number + 1))
        (folder / "upload.part").write_text(table, encoding="utf-8")
        os.replace(folder / "upload.part", folder / "upload.csv")
        daemon.fetch(0)
        daemon.cycle()
        daemon.send()
    now += timedelta(minutes=1)
    daemon.send()


def say(what: object) -> None:
    """Answer with a line."""
    sys.stdout.write(f"{what}\n")
    sys.stdout.flush()


def main() -> None:
    """Say that we are ready; then start a copy for each line that comes in, and say its number, and how it ended."""
    folder = Path(sys.argv[1])
    say("ready")
    for _ in sys.stdin:
        child = os.fork()
        if not child:
            watch(folder)
            os._exit(0)
        say(child)
        say(os.waitpid(child, 0)[1])


if __name__ == "__main__":
    main()

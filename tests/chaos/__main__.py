"""`make chaos`: a thousand lives of the real watch, each killed somewhere else; then who missed or got twice what."""

from __future__ import annotations

import json
import os
import random
import sqlite3
import subprocess
import sys
import tempfile
import time
from argparse import ArgumentParser
from collections import Counter
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.chaos.pace import Pace
from tests.chaos.places import Came, Places
from tests.chaos.victim import Death
from tests.chaos.world import SILENT, SILENT_EVERY, STATIONS, STORM_EVERY, World
from watchman.telling.outbox import REPEAT

ROOT = Path(__file__).parents[2]
TIMES = 300.0
SETTLE_S = 25.0
SAME_AGAIN = STORM_EVERY * (len(STATIONS) - 1)
"""A storm at the same station comes again after so long; until then a message of it tells of this one."""

NETWORK = """\
[network]
name = "Five Trees"
zone = "Etc/UTC"

[mail]
host = "127.0.0.1"
port = {mail}
security = "none"
sender = "watch@example.org"

[[sources]]
name = "main"
kind = "csv"
address = "http://127.0.0.1:{web}/readings.csv"
columns = {{ time = "time", station = "station", rain = "rain_mm", battery = "battery_v" }}
covers_minutes = 5
tip_mm = 0.2
every_s = 1

[[contacts]]
name = "warden"
roles = ["warden"]
text = "secret:warden_text"

[[contacts]]
name = "tech-1"
roles = ["technician", "supervisor", "data manager"]
text = "secret:tech_1_text"
mail = "tech-1@example.org"
"""
RULES = {
    "heavy-rain": 'check = "heavy-rain"\nwhen = "now"\ntell = ["warden"]\n'
    '[settings]\nlimits = [{ depth_mm = 10, minutes = 15, severity = "moderate" }]\ndry_minutes = 60\n',
    "overdue": 'check = "overdue"\nwhen = "now"\ntell = ["technician"]\n',
}


def main() -> int:
    """Kill, compare, print; return how many were lost or came twice unmarked."""
    parser = ArgumentParser(prog="python -m tests.chaos", description=__doc__)
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--show", action="store_true", help="print each message that came")
    asked = parser.parse_args()
    begins = datetime(2025, 10, 20, 6, tzinfo=UTC)
    pace, world = Pace(time.time(), begins, TIMES), World(begins)
    with tempfile.TemporaryDirectory() as place, Places(lambda: world.table(pace.now()), pace.now) as places:
        folder = _network(Path(place), places)
        nursery = _nursery(folder, pace, places)
        deaths, ends = _kill(nursery, places, asked.kills, random.Random(asked.seed))
        rest = _life(nursery, places, Death("never", after_s=SETTLE_S))
        nursery.stdin.close()  # type: ignore[union-attr]
        nursery.wait()
        until = pace.now() - timedelta(seconds=SETTLE_S * TIMES / 2)
        rows = _rows(folder / "watch.db")
        faults = [*_lost(world, until, places.came), *_unsettled(rows), *_twice(rows, places.came)]
        log = (folder / "watch.log").read_text(errors="replace") if (folder / "watch.log").exists() else ""
    marked = sum(REPEAT in one.words for one in places.came)
    storms, silences = len(world.storms(until)), len(world.silences(until))
    failures = [line for line in log.splitlines() if "Error" in line or "failed" in line]
    lines = [
        f"{sum(deaths.values()):,} lives: {', '.join(f'{count} {how}' for how, count in sorted(deaths.items()))}",
        f"ends: {', '.join(f'{count} {how}' for how, count in sorted(ends.items()))}; the last life: {rest}",
        f"{(until - begins) / timedelta(hours=1):.0f} hours of the world, {storms} storms, {silences} silences",
        f"{len(places.came)} messages came, {marked} of them marked as a repeat; {len(rows)} notices in the store",
        *(f"{len(failures)} lines of failure in the log", *(f"  {line}" for line in failures[:10])),
        *(f"lost or twice unmarked: {len(faults)}", *(f"  {fault}" for fault in faults[:40])),
    ]
    lines += [f"{one.at:%d %b %H:%M} {one.who} {one.channel}: {one.words}" for one in places.came if asked.show]
    sys.stdout.write("\n".join([*lines, ""]))
    return min(len(faults), 1)


def _network(folder: Path, places: Places) -> Path:
    web, mail = places.ports
    (folder / "rules").mkdir()
    (folder / "network.toml").write_text(NETWORK.format(web=web, mail=mail))
    stations = [f"{name},{name.title()},39.{70 + 2 * place},-105.2" for place, name in enumerate(STATIONS)]
    (folder / "stations.csv").write_text("\n".join(["id,name,latitude,longitude", *stations, ""]))
    for name, text in RULES.items():
        (folder / "rules" / f"{name}.toml").write_text(text)
    return folder


def _nursery(folder: Path, pace: Pace, places: Places) -> subprocess.Popen[str]:
    texts = f"json://127.0.0.1:{places.ports[0]}/texts"
    return subprocess.Popen(
        [
            *(sys.executable, "-m", "tests.chaos.victim", str(folder)),
            *(repr(pace.began_s), pace.begins.isoformat(), str(pace.times)),
        ],
        cwd=ROOT,
        env={**os.environ, "warden_text": f"{texts}/warden", "tech_1_text": f"{texts}/tech-1"},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


def _life(nursery: subprocess.Popen[str], places: Places, death: Death) -> str:
    assert nursery.stdin is not None
    assert nursery.stdout is not None
    places.victim, places.kill_on = 0, death.nth if death.how == "when told" else 0
    nursery.stdin.write(json.dumps(asdict(death)) + "\n")
    nursery.stdin.flush()
    places.victim = int(nursery.stdout.readline())
    ended = nursery.stdout.readline().strip()
    places.victim = 0
    return ended


def _kill(
    nursery: subprocess.Popen[str], places: Places, kills: int, chance: random.Random
) -> tuple[Counter[str], Counter[str]]:
    """Live until so many lives were killed; return how they were to die, and how they ended."""
    deaths, ends = Counter[str](), Counter[str]()
    while ends["killed 9"] < kills:
        death = chance.choice(
            [
                Death("before commit", nth=chance.randint(1, 40), after_s=2.0),
                Death("after commit", nth=chance.randint(1, 40), after_s=2.0),
                Death("before sending", after_s=3.0),
                Death("after sending", after_s=3.0),
                Death("when told", after_s=3.0),
                Death("any time", after_s=chance.uniform(0.05, 1.5)),
            ]
        )
        deaths[death.how] += 1
        ends[_life(nursery, places, death)] += 1
        if sum(ends.values()) % 100 == 0:
            sys.stderr.write(f"{ends['killed 9']} kills, {len(places.came)} messages\n")
    return deaths, ends


def _rows(store: Path) -> list[sqlite3.Row]:
    connection = sqlite3.connect(f"file:{store}?mode=ro", uri=True)
    connection.row_factory = sqlite3.Row
    try:
        return connection.execute("SELECT * FROM notices").fetchall()
    finally:
        connection.close()


def _lost(world: World, until: datetime, came: list[Came]) -> list[str]:
    """Return the storms and silences of which nobody who should have been told was."""
    lost = []
    for at, station in world.storms(until):
        told = (one for one in came if one.who == "warden" and at <= one.at < at + SAME_AGAIN)
        if not any(station.title() in one.words and "rain" in one.words for one in told):
            lost.append(f"{at:%d %b %H:%M} storm at {station}: the warden got nothing")
    for at in world.silences(until):
        told = (one for one in came if one.who == "tech-1" and at < one.at < at + SILENT_EVERY)
        if not any(SILENT.title() in one.words and "silent" in one.words for one in told):
            lost.append(f"{at:%d %b %H:%M} {SILENT} silent: tech-1 got nothing")
    return lost


def _unsettled(rows: list[sqlite3.Row]) -> list[str]:
    """Return the notices whose fate still isn't written down."""
    left = [row for row in rows if row["state"] in ("due", "attempting")]
    return [f"notice {row['number']} to {row['person']} by {row['channel']} is still {row['state']}" for row in left]


def _twice(rows: list[sqlite3.Row], came: list[Came]) -> list[str]:
    """Return what came more often, without a mark, than there are notices of it, or as one mail twice."""
    unmarked = Counter((one.who, one.channel) for one in came if REPEAT not in one.words)
    made = Counter((row["person"], row["channel"]) for row in rows)
    twice = [f"{key}: {count} came unmarked of {made[key]}" for key, count in unmarked.items() if count > made[key]]
    words = Counter((one.who, one.words) for one in came if one.channel == "text" and REPEAT not in one.words)
    twice += [f"{count} times unmarked: {key}" for key, count in words.items() if count > 1]
    mails = Counter(one.message_id for one in came if one.channel == "mail" and REPEAT not in one.words)
    return twice + [f"mail {key} {count} times unmarked" for key, count in mails.items() if count > 1]


if __name__ == "__main__":
    sys.exit(main())

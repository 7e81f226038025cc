"""Writes the invented world as a network's folder with a CSV file, for a replay: python -m demo.export FOLDER.

The file has a column `received`: when each row arrived. What was delivered twice stands there twice.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from demo.folder import write_replayable
from demo.table import HEADER, lines
from demo.world import DAYS, LEAST_DAYS, World, build


def export(world: World, folder: Path) -> None:
    """Write a world's folder: network.toml, stations.csv, rules and readings.csv."""
    write_replayable(folder)
    with (folder / "readings.csv").open("w", encoding="utf-8") as file:
        file.writelines(f"{line}\n" for line in (HEADER, *lines(world)))


def main() -> None:
    """Read the command line and write the folder."""
    parser = argparse.ArgumentParser(prog="python -m demo.export", description=__doc__)
    parser.add_argument("folder", type=Path, help="where to write; made if it does not exist")
    parser.add_argument("--days", type=int, default=DAYS, help="length of the world; the story is its last 14 days")
    parser.add_argument("--seed", type=int, default=7, help="another number, other weather")
    given = parser.parse_args()
    if given.days < LEAST_DAYS:
        parser.error(f"the story needs at least {LEAST_DAYS} days")
    world = build(given.seed, given.days)
    export(world, given.folder)
    print(
        f"{given.folder}: {len(world.stations)} stations, {len(world.reports)} reports, {world.begins} to {world.ends}"
    )


if __name__ == "__main__":
    main()

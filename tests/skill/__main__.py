"""`python -m tests.skill`: build the worlds, run the program over them, print and keep the tables.

Tuning:  python -m tests.skill --worlds 4 --days 60 --seeds tuning --only clog --show
Judging: make skill
"""

from __future__ import annotations

import json
import sys
import time
import traceback
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from tests.skill import oracle, plain_script, running, table
from tests.skill.climate import CLIMATES
from tests.skill.faults import ALL_KINDS
from tests.skill.oracle import SILENT
from tests.skill.score import CALENDAR, Result, score, threads_of
from tests.skill.world import Order, build

TUNING = range(1_000, 2_000)
"""Seeds for whoever builds and tunes checks."""
JUDGING = range(5_000, 6_000)
"""Seeds for the figures that are reported; nothing is ever set by what they show."""
FAULT_WORLDS, SLOW_WORLDS, SILENT_WORLDS, QUIET_WORLDS = 6, 1, 3, 6
SILENT_DAYS, SILENT_GAP_DAYS = 60, 6.0
"""Of silences there must be some 300 for a lower bound of 0.99, so they have worlds of their own besides, and so have
the faults that take months to show."""
SLOW = ("slow drain", "doubled", "undercatch", "drift", "ageing")
SIZES = ((15, 8.0), (30, 5.0), (5, 6.0), (15, 15.0), (20, 10.0), (15, 25.0), (30, 12.0), (20, 4.0))
"""Stations, and how far apart neighbours are [km]."""
GAP_DAYS = 40.0
"""A station is well for so long between two faults: often ill, for the statistics, yet most witnesses are well [d]."""


def orders(
    seeds: range, worlds: int, days: int, gap_days: float, only: Sequence[str] = (), climates: Sequence[str] = ()
) -> Iterator[Order]:
    """Yield the worlds to build, with climates and sizes in turn; without faults when `gap_days` is 0."""
    names = list(climates) or list(CLIMATES)
    for number in range(worlds):
        stations, spacing = SIZES[(number * 3 + (not gap_days)) % len(SIZES)]
        yield Order(seeds[number], names[number % len(names)], stations, spacing, days, gap_days, tuple(only))


def judged(order: Order, rules: tuple[str, ...]) -> tuple[str, Result, Result, list[dict[str, Any]], float]:
    """Return a world's name, the program's score, the plain script's, the program's lines, and processor time [s]."""
    began = time.process_time()
    world = build(order)
    station_days = order.days * float(order.stations)
    episodes, crossings = oracle.episodes(world), oracle.crossings(world, running.limits())
    lines = running.told(world, rules)
    threads = threads_of(lines, {place: running.second(line) for place, line in enumerate(lines)})
    ours = score(world.name, station_days, threads, episodes, crossings)
    plain = score(world.name, station_days, plain_script.told(world), episodes, crossings)
    return world.name, ours, plain, lines, time.process_time() - began


@click.command()
@click.option("--seeds", type=click.Choice(["tuning", "judging"]), default="tuning", show_default=True)
@click.option("--worlds", type=int, default=FAULT_WORLDS, show_default=True, help="Worlds with faults.")
@click.option("--quiet", type=int, default=None, help="Worlds without; as many as usual, none with --only.")
@click.option("--days", type=int, default=150, show_default=True, help="Days of each world.")
@click.option("--only", multiple=True, type=click.Choice(ALL_KINDS), help="Only these kinds of faults.")
@click.option("--climate", multiple=True, type=click.Choice(list(CLIMATES)), help="Only these climates.")
@click.option("--rule", multiple=True, help="Only these rule files, by name without .toml.")
@click.option("--processes", type=int, default=2, show_default=True)
@click.option("--show", is_flag=True, help="Print false notices and missed faults.")
@click.option("--out", type=click.Path(path_type=Path), default=None, help="Keep everything as JSON here.")
def main(
    seeds: str,
    worlds: int,
    quiet: int | None,
    days: int,
    only: tuple[str, ...],
    climate: tuple[str, ...],
    rule: tuple[str, ...],
    processes: int,
    show: bool,
    out: Path | None,
) -> None:
    """Measure how well the program tells faults from weather."""
    chosen = TUNING if seeds == "tuning" else JUDGING
    quiet = (0 if only else QUIET_WORLDS) if quiet is None else quiet
    some, others, silent, slow = (chosen[part * 250 :] for part in range(4))
    with_faults = [*orders(some, worlds, days, GAP_DAYS, only, climate)]
    if worlds == FAULT_WORLDS and not only:
        with_faults += orders(slow, SLOW_WORLDS, days, GAP_DAYS, SLOW, climate)
        with_faults += orders(silent, SILENT_WORLDS, SILENT_DAYS, SILENT_GAP_DAYS, SILENT, climate)
    work = [(order, False) for order in with_faults]
    work += [(order, True) for order in orders(others, quiet, days, 0.0, (), climate)]
    done: dict[Order, tuple[Result, Result, list[dict[str, Any]]]] = {}
    failed, began = 0, time.perf_counter()
    with ProcessPoolExecutor(processes) as pool:
        waiting = {pool.submit(judged, order, rule): order for order, _ in work}
        for future in as_completed(waiting):
            error = future.exception()
            if error is not None:
                failed += 1
                click.echo("".join(traceback.format_exception(error)), err=True)
                click.echo(f"{waiting[future]} failed; the others go on", err=True)
                continue
            name, ours, plain, lines, took = future.result()
            done[waiting[future]] = (ours, plain, lines)
            click.echo(f"{len(done):>3}/{len(work)} {name:<28} {took:6.0f} s, {len(ours.false)} false", err=True)
            if show:
                _show(ours, lines)
    for is_quiet, title in ((False, "Worlds with faults"), (True, "Quiet worlds")):
        results = [done[order] for order, one in work if one is is_quiet and order in done]
        if results:
            for line in table.lines(f"{title}, the program", [ours for ours, _, _ in results]):
                click.echo(line)
            for line in table.lines(f"{title}, the script with fixed limits", [plain for _, plain, _ in results]):
                click.echo(line)
    trouble = f", {failed} worlds failed" if failed else ""
    click.echo(f"\n{seeds} seeds, {time.perf_counter() - began:.0f} s{trouble}")
    if out is not None:
        out.parent.mkdir(parents=True, exist_ok=True)
        measured = [(order, is_quiet) for order, is_quiet in work if order in done]
        out.write_text(json.dumps(_kept(measured, done), indent=1), encoding="utf-8")
    sys.exit(1 if failed else 0)


def _show(result: Result, lines: Sequence[dict[str, Any]]) -> None:
    at = {line["alarm"]: line["at"] for line in reversed(lines)}
    for thread in result.false:
        weekly = " (weekly)" if thread.weekly else ""
        where = ",".join(sorted(thread.stations))
        click.echo(f"    false {thread.rule}{weekly} {at[thread.number]} {where}: {thread.text}")
    for episode in result.missed:
        begins, ends, knowable, cut = (
            "-" if moment > 4e9 else running.text_of(moment)
            for moment in (episode.begins, episode.ends, episode.knowable, episode.cut)
        )
        where = ",".join(episode.stations)
        click.echo(f"    missed {episode.kind} {where}: {begins} to {ends}, knowable {knowable}, cut off {cut}")


def _kept(
    work: Sequence[tuple[Order, bool]], done: dict[Order, tuple[Result, Result, list[dict[str, Any]]]]
) -> dict[str, Any]:
    return {
        "groups": {
            name: {
                "program": table.summary([done[order][0] for order, one in work if one is is_quiet]),
                "plain script": table.summary([done[order][1] for order, one in work if one is is_quiet]),
            }
            for name, is_quiet in (("faults", False), ("quiet", True))
        },
        "worlds": [
            {
                "order": asdict(order),
                "quiet": is_quiet,
                "notices": done[order][0].notices,
                "false": [[thread.rule, sorted(thread.stations), thread.opened] for thread in done[order][0].false],
                "missed": [[episode.kind, episode.stations, episode.begins] for episode in done[order][0].missed],
                "lines": sum(line["check"] not in CALENDAR for line in done[order][2]),
            }
            for order, is_quiet in work
        ],
    }


if __name__ == "__main__":
    main()

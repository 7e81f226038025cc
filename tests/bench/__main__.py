"""`python -m tests.bench`: measure everything, each part in a process of its own, and print one table."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from typing import Any

import click

from tests.bench import daemon, judging, kinds, late, past, polls
from tests.bench.measure import Line, apart

Part = tuple[Callable[..., list[Line]], tuple[Any, ...]]

SECTIONS: tuple[tuple[str, tuple[Part, ...]], ...] = (
    (
        "Judging 10,000 stations x 48 h of 5-minute readings of four variables (aim: under 1 s, within 50 readings)",
        ((judging.beside, (10_000,)),),
    ),
    ("One poll of 10,000 stations over HTTP", ((polls.whole, (10_000,)),)),
    (
        "Against the number of stations (10,000: see above)",
        tuple((polls.size, (stations,)) for stations in (100, 1_000)),
    ),
    (
        "Against history: 1,000 stations, 15-minute readings (aim: flat)",
        tuple((polls.history, (1_000, days)) for days in (1, 7, 30)),
    ),
    (
        "Each kind of source, 500 stations: a day and a half of 5-minute reports at once",
        tuple((work, (kind, 200_000)) for kind in kinds.KINDS for work in (kinds.whole, kinds.by_pandas)),
    ),
    ("A late million-row batch, two weeks old and in no order (aim: bounded memory)", ((late.whole, (1_000_000,)),)),
    ("Replay, a poll every 15 minutes (aim: under 60 s)", ((past.whole, (30, 60)),)),
    (
        "The daemon (aim: under 150 MB) and the command line (aim: under 0.2 s)",
        ((daemon.memory, (60, 2)), (daemon.memory, (60, 24)), (daemon.answers, ())),
    ),
)


def main() -> None:
    """Print the table as it is measured."""
    began = time.perf_counter()
    click.echo(
        f"{os.cpu_count()} processors, load {os.getloadavg()[0]:.1f} at the beginning; times by the clock, in brackets "
        "the processor time of the process"
    )
    for title, parts in SECTIONS:
        click.echo(f"\n{title}")
        for work, given in parts:
            for line in apart(work, *given):
                click.echo(f"  {line.what:<58}{line.took:>26}  {line.note}")
    click.echo(f"\nload {os.getloadavg()[0]:.1f} at the end, after {time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()

"""How long something takes, by the clock and in processor time, and how much memory a process came to hold."""

from __future__ import annotations

import resource
import statistics
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from typing import TypeVar

Result = TypeVar("Result")


@dataclass(frozen=True, slots=True)
class Time:
    """Seconds by the clock and of processor time (all threads of this process)."""

    wall_s: float
    cpu_s: float

    def __str__(self) -> str:
        return f"{shown(self.wall_s)} (cpu {shown(self.cpu_s)})"


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the table: what was measured, how long it took, and what there is to say of it."""

    what: str
    took: str
    note: str = ""


def shown(seconds: float) -> str:
    """Return a time as people read it."""
    return f"{1000 * seconds:.1f} ms" if seconds < 1 else f"{seconds:.2f} s"


def timed(work: Callable[[], object]) -> Time:
    """Return how long one run takes."""
    wall, cpu = time.perf_counter(), time.process_time()
    work()
    return Time(time.perf_counter() - wall, time.process_time() - cpu)


def usual(work: Callable[[], object], times: int = 5) -> Time:
    """Return how long a run usually takes: the median of several, after one that nobody counts."""
    work()
    return middle([timed(work) for _ in range(times)])


def middle(runs: list[Time]) -> Time:
    """Return the medians."""
    return Time(statistics.median(run.wall_s for run in runs), statistics.median(run.cpu_s for run in runs))


def apart(work: Callable[..., Result], *given: object) -> Result:
    """Return what some work returns that is done in a process of its own, so that the peak of its memory is its own."""
    with ProcessPoolExecutor(1, get_context("spawn")) as process:
        return process.submit(work, *given).result()


def peak_mb() -> float:
    """Return the most memory this process has held [MB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024

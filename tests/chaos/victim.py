"""The real watch in a process of its own, forked ready from this one, and how it dies.

Reads one life a line from standard input (JSON, see `Death`) and answers with two lines: the process, and how it ended.
"""

from __future__ import annotations

import json
import logging
import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy.engine.default import DefaultDialect

from tests.chaos.pace import Pace
from watchman import daemon
from watchman.telling.channels import Channels

FAST_S = 0.1


@dataclass(frozen=True, slots=True)
class Death:
    """How a life ends: "before commit", "after commit", "before sending", "after sending" the nth time, "any time"
    after so many seconds, "when told", or "never" (a proper end after so many seconds).
    """

    how: str
    nth: int = 1
    after_s: float = 0.0


def main() -> None:
    """Live each life that is asked for."""
    folder, pace = Path(sys.argv[1]), Pace.of(float(sys.argv[2]), sys.argv[3], float(sys.argv[4]))
    for line in sys.stdin:
        death = Death(**json.loads(line))
        child = os.fork()
        if not child:
            _live(folder, pace, death)
        _say(str(child))
        _say(_ended(child, death))


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def _ended(child: int, death: Death) -> str:
    ends = time.monotonic() + (death.after_s or 60.0)
    while time.monotonic() < ends:
        gone, status = os.waitpid(child, os.WNOHANG)
        if gone:
            return _in_words(status)
        time.sleep(0.005)
    os.kill(child, signal.SIGTERM if death.how == "never" else signal.SIGKILL)
    return _in_words(os.waitpid(child, 0)[1])


def _in_words(status: int) -> str:
    return f"killed {os.WTERMSIG(status)}" if os.WIFSIGNALED(status) else f"exit {os.WEXITSTATUS(status)}"


def _live(folder: Path, pace: Pace, death: Death) -> None:
    """Be the watch until the end, and never return."""
    logging.basicConfig(filename=folder / "watch.log", level=logging.WARNING, force=True)
    logging.getLogger("apscheduler").setLevel(logging.ERROR)
    daemon.CYCLE_S = daemon.SEND_S = FAST_S  # type: ignore[assignment]
    daemon.IDLE_CYCLE_S = FAST_S  # type: ignore[assignment]
    die_at = _Counter(death)
    _around(DefaultDialect, "do_commit", die_at, "commit")
    _around(Channels, "send", die_at, "sending")
    try:
        ended_well = daemon.run(folder, os.environ.get, clock=pace.now)
    except BaseException:
        logging.exception("the watch failed")
        os._exit(1)
    os._exit(0 if ended_well else 3)


class _Counter:
    """Kills this process when a thing happens the nth time."""

    def __init__(self, death: Death) -> None:
        self.death, self.seen, self.turn = death, 0, threading.Lock()

    def __call__(self, moment: str) -> None:
        if moment != self.death.how:
            return
        with self.turn:
            self.seen += 1
            if self.seen == self.death.nth:
                os.kill(os.getpid(), signal.SIGKILL)


def _around(owner: type, name: str, die_at: _Counter, what: str) -> None:
    inner: Callable[..., Any] = getattr(owner, name)

    def method(*arguments: Any, **options: Any) -> Any:
        die_at(f"before {what}")
        result = inner(*arguments, **options)
        die_at(f"after {what}")
        return result

    setattr(owner, name, method)


if __name__ == "__main__":
    main()

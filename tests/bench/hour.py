"""An hour's worth of a daemon's life in a process of its own, its clock moved by hand: `python -m tests.bench.hour`.

Says a line when it is done, and ends when it is answered; meanwhile its memory can be looked at.
"""

from __future__ import annotations

import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import click

from watchman.board import page
from watchman.daemon import Daemon
from watchman.network import load
from watchman.store import Store

CYCLES = 60


def main(folder: Path, begin: datetime) -> None:
    """Fetch, judge and send once a minute for an hour, the page behind the links served beside."""
    network = load(folder, {"link_key": "for the bench only, not a secret"}.get)
    store = Store.open("sqlite:///watch.db", folder)
    now = begin

    def clock() -> datetime:
        return now

    daemon = Daemon(network, store, clock=clock)
    assert network.board is not None
    board = page.serve(
        page.create_app(store, network, network.board.key.get_secret_value(), clock), network.board.listen
    )
    for _ in range(CYCLES):
        daemon.fetch(0)
        told = daemon.cycle()
        assert told is not None, "something was fetched"
        assert not told.trouble, told.trouble
        daemon.send()
        now += timedelta(minutes=1)
    click.echo("done")
    sys.stdin.readline()
    board.close()
    store.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), datetime.fromtimestamp(int(sys.argv[2]), UTC))

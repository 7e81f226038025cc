"""Runs the demo: the invented world, its local services, and watchman's own cycle over them on a fast clock."""

from __future__ import annotations

import argparse
import json
import logging
import shutil
from collections.abc import Iterator
from datetime import datetime, timedelta
from email import message_from_bytes, policy
from pathlib import Path
from typing import Protocol

from demo.account import account
from demo.clock import Clock
from demo.folder import write_live
from demo.mailbox import Arrived, MailBox, TextBox
from demo.plain_script import run as run_plain_script
from demo.source import DataService
from demo.story import Acknowledgement, Booking, Story
from demo.watching import Watching
from demo.world import build

OUT = Path(__file__).parent / "out"
STEP = timedelta(minutes=15)
HOUR = timedelta(hours=1)


class Watch(Protocol):
    """What driving the story asks of the watch, at the clock's moment."""

    def cycle(self) -> None:
        """Fetch, judge, commit and send."""

    def book(self, booking: Booking) -> None:
        """Book a maintenance window."""

    def acknowledge(self, answer: Acknowledgement) -> None:
        """Answer a standing alarm."""


def moments(story: Story) -> Iterator[datetime]:
    """Yield the moments of the story's polls: closer together in storms, where minutes count."""
    now = story.begins
    while now <= story.ends:
        yield now
        stormy = any(storm.begins - HOUR <= now < storm.begins + 5 * HOUR for storm in story.storms)
        now += STEP / 3 if stormy else STEP - (now - story.begins) % STEP


def drive(watch: Watch, story: Story, clock: Clock) -> None:
    """Turn the clock through the story: at each step, what people do, then one cycle of the watch."""
    deeds: list[Booking | Acknowledgement] = sorted(
        (*story.bookings, *story.acknowledgements), key=lambda deed: deed.at
    )
    for now in moments(story):
        clock.now = now
        while deeds and deeds[0].at <= now:
            deed = deeds.pop(0)
            if isinstance(deed, Booking):
                watch.book(deed)
            else:
                watch.acknowledge(deed)
        watch.cycle()


def run(seed: int, out: Path) -> str:
    """Run the fortnight into a folder and return the account."""
    shutil.rmtree(out, ignore_errors=True)
    out.mkdir(parents=True)
    logging.basicConfig(filename=out / "watch.log", force=True)
    world = build(seed)
    story = world.story
    clock = Clock(story.begins)
    arrived: list[Arrived] = []
    with (
        DataService(world, clock) as service,
        MailBox(out / "mails", clock, arrived) as mails,
        TextBox(out / "texts.txt", clock, arrived) as texts,
    ):
        write_live(out / "network", service.address, mails.port, texts.port)
        watching = Watching(out / "network", clock)
        drive(watching, story, clock)
    with (out / "notices.ndjson").open("w", encoding="utf-8") as file:
        file.writelines(json.dumps(line, ensure_ascii=False) + "\n" for line in watching.told)
    _keep_digest(out)
    return account(story, arrived, watching.told, run_plain_script(world, moments(story)))


def _keep_digest(out: Path) -> None:
    """Lay the last digest's page beside the mails, to be opened in a browser."""
    for path in sorted((out / "mails").glob("*-supervisor-*.eml"), reverse=True):
        page = message_from_bytes(path.read_bytes(), policy=policy.default).get_body(("html",))
        if page is not None:
            (out / "digest.html").write_text(page.get_content(), encoding="utf-8")
            return


def main() -> None:
    """Read the command line, run, and print the account."""
    parser = argparse.ArgumentParser(prog="python -m demo", description=__doc__)
    parser.add_argument("--seed", type=int, default=7, help="another number, other weather")
    parser.add_argument("--out", type=Path, default=OUT, help="where notices, mails and the digest are left")
    given = parser.parse_args()
    print(run(given.seed, given.out))
    print(f"\nEverything is in {given.out}: notices.ndjson, texts.txt, mails/, digest.html, watch.log, network/")

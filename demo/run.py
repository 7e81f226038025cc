"""Runs the demo: the invented world, its local services, and watchman's own cycle over them on a fast clock."""

from __future__ import annotations

import argparse
import json
import logging
import shutil
import socket
import time
from base64 import b64encode
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from email import message_from_bytes, policy
from pathlib import Path
from typing import Any, Protocol

from demo.account import account, chronicle
from demo.clock import Clock
from demo.folder import close_down, write_live
from demo.mailbox import Arrived, MailBox, TextBox
from demo.people import People, Sent
from demo.plain_script import Count
from demo.plain_script import run as run_plain_script
from demo.source import DataService
from demo.story import Drill, OutsideWord, Reply, Story
from demo.watching import Heard, Watching
from demo.world import build

OUT = Path(__file__).parent / "out"
WHERE = {
    "account.txt": "what happened, what was told and what people answered, in order",
    "digest.html": "the supervisor's last digest, with its pictures; open it in a browser",
    "mails/": "every mail with its pictures, as .eml files that a mail program opens",
    "texts.txt": "every text as it reached its phone",
    "notices.ndjson": "what was told, one line an event, for programs",
    "watch.log": "the watch's own log; answers that were refused stand there",
    "network/": "the network's folder: try `watchman status demo/out/network`",
}
Deed = Reply | Drill | OutsideWord
STEP = timedelta(minutes=15)
HOUR = timedelta(hours=1)


class Watch(Protocol):
    """What driving the story asks of the watch, at the clock's moment."""

    def cycle(self) -> None:
        """Fetch, judge, commit and send."""


@dataclass(frozen=True, slots=True)
class Ran:
    """A fortnight that has been run. arrived: the messages as people got them; answers: what people sent, each with
    how much it changed; told: the lines of notices.ndjson; failed: the texts that were not taken at first; lost:
    the notices that never arrived.
    """

    story: Story
    arrived: tuple[Arrived, ...]
    heard: tuple[Heard, ...]
    answers: tuple[tuple[Sent, int], ...]
    told: tuple[dict[str, Any], ...]
    plain: dict[str, Count]
    failed: int
    lost: int


def moments(story: Story) -> Iterator[datetime]:
    """Yield the moments of the story's polls: closer together in storms, where minutes count; none without power."""
    now = story.begins
    while now <= story.ends:
        if not any(cut.begins <= now < cut.ends for cut in story.power_cuts):
            yield now
        stormy = any(storm.begins - HOUR <= now < storm.begins + 5 * HOUR for storm in story.storms)
        now += STEP / 3 if stormy else STEP - (now - story.begins) % STEP


def drive(watch: Watch, act: Callable[[Deed], None], story: Story, clock: Clock) -> None:
    """Turn the clock through the story: what people do at its own moment, then one cycle of the watch at each step."""
    deeds = sorted(story.deeds, key=lambda deed: deed.at)
    for now in moments(story):
        while deeds and deeds[0].at <= now:
            clock.now = deeds[0].at
            act(deeds.pop(0))
        clock.now = now
        watch.cycle()


def run(seed: int, out: Path) -> Ran:
    """Run the fortnight into a folder and return what came of it."""
    shutil.rmtree(out, ignore_errors=True)
    out.mkdir(parents=True)
    logging.basicConfig(filename=out / "watch.log", force=True)
    world = build(seed)
    story = world.story
    clock = Clock(story.begins)
    arrived: list[Arrived] = []
    answers: list[tuple[Sent, int]] = []
    with (
        DataService(world, clock) as service,
        MailBox(out / "mails", clock, arrived) as mails,
        TextBox(out / "texts.txt", clock, arrived, story.text_trouble) as texts,
    ):
        write_live(out / "network", service.address, mails.port, texts.port, free_port())
        people = People(out / "network", arrived)
        with Watching(out / "network", clock) as watching:

            def act(deed: Deed) -> None:
                if isinstance(deed, Drill):
                    watching.drill()
                elif isinstance(deed, OutsideWord):
                    texts.take(deed.who, deed.words)
                else:
                    before = watching.answers()
                    answers.append((people.answer(deed), watching.answers() - before))

            drive(watching, act, story, clock)
    close_down(out / "network")
    with (out / "notices.ndjson").open("w", encoding="utf-8") as file:
        file.writelines(json.dumps(line, ensure_ascii=False) + "\n" for line in watching.told)
    _keep_digest(out)
    plain = run_plain_script(world, moments(story))
    return Ran(
        story=story,
        arrived=tuple(arrived),
        heard=tuple(watching.heard()),
        answers=tuple(answers),
        told=tuple(watching.told),
        plain=plain,
        failed=texts.failed,
        lost=watching.lost(),
    )


def _keep_digest(out: Path) -> None:
    """Lay the last digest's page beside the mails, to be opened in a browser."""
    for path in sorted((out / "mails").glob("*-supervisor-*-week-*.eml"), reverse=True):
        message = message_from_bytes(path.read_bytes(), policy=policy.default)
        page = message.get_body(("html",))
        if page is not None:
            words = page.get_content()
            for part in message.walk():
                content = part.get_payload(decode=True)
                if part["Content-ID"] and isinstance(content, bytes):
                    # A picture, which a browser finds only inside the page.
                    picture = b64encode(content).decode("ascii")
                    words = words.replace(f"cid:{part['Content-ID'][1:-1]}", f"data:image/png;base64,{picture}")
            (out / "digest.html").write_text(words, encoding="utf-8")
            return


def free_port() -> int:
    """Return a port of this machine on which nobody listens now."""
    with socket.socket() as door:
        door.bind(("127.0.0.1", 0))
        return int(door.getsockname()[1])


def main() -> None:
    """Read the command line, run, and print the account."""
    parser = argparse.ArgumentParser(prog="python -m demo", description=__doc__)
    parser.add_argument("--seed", type=int, default=7, help="another number, other weather")
    parser.add_argument("--out", type=Path, default=OUT, help="where notices, mails and the digest are left")
    given = parser.parse_args()
    began = time.monotonic()
    ran = run(given.seed, given.out)
    (given.out / "account.txt").write_text(chronicle(ran) + "\n", encoding="utf-8")
    print(account(ran))
    print(f"\nA fortnight in {time.monotonic() - began:.0f} s. Where to look, in {given.out}:")
    for name, what in WHERE.items():
        print(f"  {name:<16}{what}")

"""The account at the end: what happened, what was told to whom, and what a plain script would have sent."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from textwrap import wrap
from typing import Any

from demo.mailbox import Arrived
from demo.plain_script import Count
from demo.story import ZONE, Story

WIDTH = 118
INDENT = 19

ROWS = (
    ("a station is silent", "silent", ("overdue", "source-outage")),
    ("dry beside wet neighbours", "dry", ("dry-among-wet",)),
    ("battery", "battery", ("battery-decline", "not-charging")),
    ("heavy rain", "rain", ("heavy-rain",)),
)


def account(
    story: Story, arrived: Sequence[Arrived], told: Sequence[Mapping[str, Any]], plain: Mapping[str, Count]
) -> str:
    """Return the account as text for a screen or two.

    arrived: the messages as people got them. told: the lines of notices.ndjson. plain: the script's counts by kind.
    """
    return "\n".join([*_what_was_told(story, arrived), "", *_side_by_side(arrived, told, plain)])


def _what_was_told(story: Story, arrived: Sequence[Arrived]) -> Iterator[str]:
    yield "What happened (*), and what was told to whom:"
    entries = [(truth.at, 0, f"* {truth.sentence}") for truth in story.truths]
    for (at, words), people in _by_message(arrived).items():
        entries.append((at, 1, f"{', '.join(people)}: {words}"))
    day = ""
    for at, _, line in sorted(entries, key=lambda entry: entry[:2]):
        there = at.astimezone(ZONE)
        today = f"{there:%a} {there.day} {there:%b}"
        stamp = f"{today if today != day else '':<10}  {there:%H:%M}"
        day = today
        first, *rest = wrap(line, WIDTH - INDENT) or [""]
        yield f"{stamp:<{INDENT}}{first}"
        yield from (" " * (INDENT + 2) + part for part in rest)


def _by_message(arrived: Sequence[Arrived]) -> dict[tuple[datetime, str], list[str]]:
    """Return who got each message, leaving out mails to a person who got a text at the same moment."""
    texted = {(message.at, message.who) for message in arrived if message.channel == "text"}
    people: dict[tuple[datetime, str], list[str]] = {}
    for message in arrived:
        if message.channel == "mail" and (message.at, message.who) in texted:
            continue
        mark = " (mail)" if message.channel == "mail" else ""
        people.setdefault((message.at, message.words), []).append(message.who + mark)
    return people


def _side_by_side(
    arrived: Sequence[Arrived], told: Sequence[Mapping[str, Any]], plain: Mapping[str, Count]
) -> Iterator[str]:
    yield f"{'Messages sent about':<30}{'watchman':>22}{'a plain script':>26}"
    for title, kind, checks in ROWS:
        lines = [line for line in told if line["check"] in checks]
        ours = _count(sum(len(line["to"]) for line in lines), len({line["alarm"] for line in lines}))
        yield f"{title:<30}{ours:>22}{_count(plain[kind].messages, plain[kind].matters):>26}"
    ours = _count(len(_heard(arrived)), len({line["alarm"] for line in told if line["alarm"]}))
    theirs = _count(sum(count.messages for count in plain.values()), sum(count.matters for count in plain.values()))
    yield f"{'all, the digests too':<30}{ours:>22}{theirs:>26}"
    yield ""
    yield "The plain script: silent for 30 minutes (90 for hourly stations); 0 mm in 24 h while one within 20 km"
    yield "has 2 mm; below 3.6 V; 6 mm in 15 minutes; again at every poll, to one phone. Ours are counted per person."


def _count(messages: int, matters: int) -> str:
    return f"{messages:,} ({matters} matter{'' if matters == 1 else 's'})"


def _heard(arrived: Sequence[Arrived]) -> set[tuple[datetime, str]]:
    """Return the moments at which each person heard something, by whatever channel."""
    return {(message.at, message.who) for message in arrived}

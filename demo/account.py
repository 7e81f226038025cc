"""The account at the end: what happened, what was told to whom, and what a plain script would have sent."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from textwrap import wrap
from typing import TYPE_CHECKING

from demo.mailbox import Arrived
from demo.people import CODE, LINK, Sent
from demo.plain_script import Count, is_night
from demo.story import ZONE

if TYPE_CHECKING:
    from demo.run import Ran

WIDTH = 118
INDENT = 19

ROWS = (
    ("a station is silent", "silent", ("overdue", "source-outage")),
    ("dry beside wet neighbours", "dry", ("dry-among-wet",)),
    ("battery", "battery", ("battery-decline", "not-charging")),
    ("heavy rain", "rain", ("heavy-rain",)),
)


def account(ran: Ran) -> str:
    """Return who was told what, person by person, what came of answers, and the counts, as text for some screens."""
    parts = (_by_person(ran), _strangers(ran), _people(ran), _side_by_side(ran))
    return "\n\n".join("\n".join(part) for part in parts)


def chronicle(ran: Ran) -> str:
    """Return what happened (*), what was told to whom, and what people answered (>), in order."""
    entries = [(truth.at, 0, f"* {truth.sentence}") for truth in ran.story.truths]
    for (at, words), people in _by_message(ran.arrived).items():
        entries.append((at, 1, f"{', '.join(people)}: {words}"))
    entries += [(sent.reply.at, 2, _answer(sent)) for sent, _ in ran.answers]
    return "\n".join(_dated(sorted(entries, key=lambda entry: entry[:2])))


def _dated(entries: Iterable[tuple[datetime, int, str]]) -> Iterator[str]:
    """Yield entries as lines, the day before the first of each day."""
    day = ""
    for at, _, line in entries:
        there = at.astimezone(ZONE)
        today = f"{there:%a} {there.day} {there:%b}"
        stamp = f"{today if today != day else '':<10}  {there:%H:%M}"
        day = today
        first, *rest = wrap(line, WIDTH - INDENT) or [""]
        yield f"{stamp:<{INDENT}}{first}"
        yield from (" " * (INDENT + 2) + part for part in rest)


def _by_message(arrived: Iterable[Arrived]) -> dict[tuple[datetime, str], list[str]]:
    """Return who got each message, its letters and links left out, which are each person's own; and no mails to a
    person who got a text at the same moment.
    """
    people: dict[tuple[datetime, str], list[str]] = {}
    for message in _without_echoes(arrived):
        mark = " (mail)" if message.channel == "mail" else ""
        words = LINK.sub("(link)", CODE.sub(lambda code: f"{code[0][:-3]}---", message.words))
        people.setdefault((message.at, words), []).append(message.who + mark)
    return people


def _without_echoes(arrived: Iterable[Arrived]) -> list[Arrived]:
    arrived = list(arrived)
    texted = {(message.at, message.who) for message in arrived if message.channel == "text"}
    return [one for one in arrived if one.channel != "mail" or (one.at, one.who) not in texted]


def _answer(sent: Sent) -> str:
    """Return one answer as a line."""
    way = "presses" if sent.reply.way == "board" else "texts"
    said = f"{way} {sent.words}" if sent.words else f"has no notice to answer ({sent.reply.says})"
    return f"> {sent.reply.who} {said}"


def _by_person(ran: Ran) -> Iterator[str]:
    yield "What each person was told (a mail only where no text came with it), and what they answered (>):"
    for person in _persons(ran.arrived):
        entries = [
            (one.at, 1, ("(mail) " if one.channel == "mail" else "") + one.words)
            for one in _without_echoes(ran.arrived)
            if one.who == person
        ]
        entries += [
            (sent.reply.at, 2, f"> {sent.words}") for sent, _ in ran.answers if sent.reply.who == person and sent.words
        ]
        yield ""
        yield person
        yield from _dated(sorted(entries, key=lambda entry: entry[:2]))


def _strangers(ran: Ran) -> Iterator[str]:
    yield "What strangers tried, and what it changed:"
    for sent, changed in ran.answers:
        if sent.reply.who not in _persons(ran.arrived):
            there = sent.reply.at.astimezone(ZONE)
            way = "a link with other letters" if sent.reply.way == "board" else f"a text: {sent.words}"
            came = {404: "refused by the board"}.get(sent.status, "taken by the hook, refused by the watch")
            yield f"  {there:%a} {there.day} {there:%b %H:%M}  {way}. {came}; {changed or 'nothing'} changed."


def _people(ran: Ran) -> Iterator[str]:
    yield f"{'Told to':<16}{'matters':>9}{'texts':>9}{'mails':>9}{'texts by night':>17}"
    for person in _persons(ran.arrived):
        mine = [one for one in ran.arrived if one.who == person]
        texts = [one for one in mine if one.channel == "text"]
        matters = len({one.matter for one in ran.heard if one.who == person})
        night = sum(is_night(one.at) for one in texts)
        yield f"{person:<16}{matters:>9}{len(texts):>9}{len(mine) - len(texts):>9}{night:>17}"
    plain = ran.plain.values()
    matters, messages, night = (
        sum(getattr(count, name) for count in plain) for name in ("matters", "messages", "by_night")
    )
    yield f"{'a plain script':<16}{matters:>9,}{messages:>9,}{0:>9}{night:>17,}"
    if ran.failed:
        lost = ran.lost or "none"
        yield f"In the storm the gateway refused {ran.failed} texts; each was tried again, and {lost} was lost."


def _persons(arrived: Iterable[Arrived]) -> list[str]:
    return sorted({one.who for one in arrived})


def _side_by_side(ran: Ran) -> Iterator[str]:
    yield f"{'Messages sent about':<30}{'watchman':>22}{'a plain script':>26}"
    plain: Mapping[str, Count] = ran.plain
    for title, kind, checks in ROWS:
        lines = [line for line in ran.told if line["check"] in checks]
        ours = _count(sum(len(line["to"]) for line in lines), len({line["alarm"] for line in lines}))
        yield f"{title:<30}{ours:>22}{_count(plain[kind].messages, plain[kind].matters):>26}"
    ours = _count(len({(one.at, one.who) for one in ran.arrived}), len({one.matter for one in ran.heard}))
    theirs = _count(sum(count.messages for count in plain.values()), sum(count.matters for count in plain.values()))
    yield f"{'all, drill and digests too':<30}{ours:>22}{theirs:>26}"
    yield ""
    yield "The plain script: silent for 30 minutes (90 for hourly stations); 0 mm in 24 h while one within 20 km"
    yield "has 2 mm; below 3.6 V; 6 mm in 15 minutes; again at every poll, to one phone. Ours are counted per person."


def _count(messages: int, matters: int) -> str:
    return f"{messages:,} ({matters} matter{'' if matters == 1 else 's'})"

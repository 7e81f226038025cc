"""An alarm, or another thing worth telling, in words for one person: a text, a chat message, or a mail.

The words stand in templates, one file a check and event: `<check>/<event>.txt`, and `generic/` for what has none of its
own. A template is a set of blocks. `text` is the short message, a line a part; a part that opens with "3| " is taken in
only if there is room, the highest figure first, and one with "3+| " only beside its head. The other blocks are the
sections of the mail; in them, lines with " | " between the words make a table. A template in the network folder's
`templates/` replaces ours; it may build on ours by `{% extends "ours/overdue/raised.txt" %}`.
"""

from __future__ import annotations

import html
import re
import textwrap
from base64 import b64encode
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any

import jinja2
from jinja2.sandbox import ImmutableSandboxedEnvironment

from watchman.judging import on_site
from watchman.judging.science import frequency
from watchman.model import Alarm, EventKind, Notice, Picture, Span, When
from watchman.network import Contact, Network
from watchman.telling import answering, phrases, receiver, roster
from watchman.telling.charts import Sketch
from watchman.telling.gsm import SINGLE, plain, septets

LATE = timedelta(hours=1)
"""After this long, heavy rain is told as earlier rain (decided here)."""

LONGEST_PLACE = 24
"""The longest name of a mast, plan, source or area in a text [characters]."""

SECTIONS = (
    "what",
    "since",
    "evidence",
    "meaning",
    "probably",
    "bring",
    "combine",
    "safety",
    "answer",
    "why_me",
    "why_now",
)
"""The sections of a mail in their order; an empty one is left out."""

AGAIN = {EventKind.REMINDED.value: "Reminder:", EventKind.ESCALATED.value: "Nobody answered:"}
"""How the subject of a mail opens that says again what another has said; on a lock screen that is all there is."""

HELP = "Help"
"""The label of the section that leads to the pages on what to do."""

CHAT_SECTIONS = ("evidence", "probably", "bring", "combine", "safety")
"""What a chat message has besides its text."""

CHAT_SEPTETS = 1800
"""How long a chat message may be: chat rooms take 2000 characters and more at once (common practice, no source)."""

MAIL_LAYOUT = "generic/mail.html"

MAIL_WIDTH, LABEL_WIDTH = 78, 10
"""The plain mail's line and the column of its labels [characters]."""

CHANGES = {
    "worse": "Worse than before",
    "heavy again": "Heavy again",
    "wider": "More stations than before",
    "still so": "Still so",
}
"""What judging notes of an update, as people read it."""

CALLS = frozenset({EventKind.ESCALATED, EventKind.REMINDED})
"""What is told because nobody answered."""

UNITS = {
    "v": "V",
    "km": "km",
    "minutes": "min",
    "hours": "h",
    "days": "days",
    "percent": "%",
    "dbm": "dBm",
}
"""The unit that ends a number's name, as people read it; depths [mm] and temperatures [c] go by the network's."""


@dataclass(frozen=True, slots=True)
class Words:
    """What one notice says. text: the message itself, or a mail's plain part. html: a mail's other part.

    trouble: what was wrong with a template, when another had to serve in its place. sketches: a mail's pictures yet to
    be drawn, and pictures: those that are.
    """

    subject: str
    text: str
    html: str = ""
    trouble: str = ""
    sketches: tuple[Sketch, ...] = ()
    pictures: tuple[Picture, ...] = ()


@dataclass(frozen=True, slots=True)
class Off:
    """The watch itself was off. missed: alarms that would have been told live; caught_up: stations judged again."""

    began_at: datetime
    ended_at: datetime
    caught_up: int
    stations: int
    missed: tuple[Alarm, ...] = ()
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Drill:
    """A test notice to everyone, to be answered."""

    number: int


@dataclass(frozen=True, slots=True)
class OnSite:
    """What a visitor is told: "there" that test tips came, "asked" before the visit ends, "over" when it has ended.

    seen: what the station has sent since the visit began; poured_ml: as the visitor said [ml]; expected: the tips that
    makes, where that is known, and off_percent: how far each run is off it [%]; weak: its signal is; standing: what is
    open at its station.
    """

    window: Span
    stage: str
    seen: on_site.Seen
    poured_ml: float | None = None
    expected: float | None = None
    off_percent: tuple[int, ...] = ()
    weak: bool = False
    standing: tuple[Alarm, ...] = ()


@dataclass(frozen=True, slots=True)
class Undelivered:
    """A notice that was given up. alarm: what it was about, if an alarm."""

    notice: Notice
    alarm: Alarm | None = None


@dataclass(frozen=True, slots=True)
class Answered:
    """What became of a person's answer, in a sentence."""

    sentence: str


@dataclass(frozen=True, slots=True)
class Gathered:
    """Faults beyond somebody's notices of the day, in one. alarms: the most severe first; budget: how many a day."""

    alarms: tuple[Alarm, ...]
    budget: int


@dataclass(frozen=True, slots=True)
class Unanswered:
    """A drill that some did not answer. asked: how many were; missing: who has not answered; lost: whom not even one
    notice reached.
    """

    number: int
    drilled_at: datetime
    asked: int
    missing: tuple[str, ...]
    lost: tuple[str, ...] = ()


Occasion = Off | Drill | Gathered | Unanswered | OnSite | Undelivered | Answered

OCCASIONS: Mapping[type, str] = {
    Off: "occasions/off.txt",
    Drill: "occasions/drill.txt",
    Gathered: "occasions/gathered.txt",
    Unanswered: "occasions/unanswered.txt",
    OnSite: "occasions/on-site.txt",
    Undelivered: "occasions/undelivered.txt",
    Answered: "occasions/answered.txt",
}


def words(
    notice: Notice,
    alarm: Alarm,
    event_kind: EventKind,
    contact: Contact,
    network: Network,
    now: datetime,
    *,
    link: str = "",
    code: str = "",
    open_alarms: Iterable[Alarm] = (),
    note: str = "",
    told_since: datetime | None = None,
    sketches: tuple[Sketch, ...] = (),
) -> Words:
    """Return the words of one notice about an alarm, for its channel, as things stand at `now`.

    link: the person's own link for an answer, when the board is set up; code: the letters of a reply by text, when such
    replies are. open_alarms: every alarm that stands, to name
    what else is wrong there or on the way. note: what an update is about, or who was told before a call or
    reminder ("tech-1, tech-2"), and told_since since when they have not answered. sketches: pictures for a mail.
    """
    say = phrases.Phrases(network, now)
    others = [other for other in open_alarms if other.number != alarm.number and other.open_now]
    tried = note.split(", ") if note and event_kind in CALLS else []
    facts = _alarm_facts(alarm, network, say) | {
        "event": event_kind.value,
        "note": CHANGES.get(note, note).rstrip("."),
        "link": link,
        "code": code,
        "by_mail": notice.channel == "mail" and network.answers.mail is not None,
        "offered": [kind.value for kind in answering.offered(notice.kind, alarm, alarm.stations)],
        "repeat": notice.repeat,
        "late": _late(notice, alarm, now),
        "told_since": told_since or alarm.raised_at or notice.made_at,
        "tried": tried,
        # In a text the shortest come first: should one not fit, none after it does, and no comma hangs in the air.
        "tried_shortest_first": sorted(tried, key=len),
        "called": contact.name in alarm.called,
        "turns": _turns(network, alarm, contact, now),
        "my_roles": [role for role in contact.roles if role in alarm.tell],
        "relies": contact.name in alarm.tell,
        "also": [headline(other, network, now) for other in others if _same_place(other, alarm)],
        "on_the_way": _on_the_way(alarm, others, network, now, say),
        "after_visit": alarm.numbers.get("after_visit"),
    }
    pages = help_lines(receiver.page_of(notice, alarm), network, contact, event_kind)
    return _rendered(_templates(alarm, event_kind), facts, notice.channel, network, pages, sketches)


def _turns(network: Network, alarm: Alarm, contact: Contact, now: datetime) -> list[tuple[str, datetime | None]]:
    """Return the roles told of an alarm at which it is this person's turn, and until when."""
    mine = (role for role in alarm.tell if roster.in_turn(network, role, now)[:1] == [contact.name])
    return [(role, roster.turn_ends_at(network, role, now)) for role in mine]


def occasion_words(
    facts: Occasion,
    notice: Notice,
    contact: Contact,
    network: Network,
    now: datetime,
    *,
    link: str = "",
    code: str = "",
    own_code: str = "",
) -> Words:
    """Return the words of a notice that is no step of an alarm.

    own_code: the letters by which the person says by text what no notice asked for, when replies by text are set up.
    """
    say = phrases.Phrases(network, now)
    alarms = _alarms_of(facts)
    context = spoken(say, network) | {
        **{field.name: getattr(facts, field.name) for field in fields(facts)},
        "link": link,
        "code": code,
        "own_code": own_code,
        "some_station": next((station.short_name for station in network.stations), ""),
        "by_mail": notice.channel == "mail" and network.answers.mail is not None,
        "name": contact.name,
        "in_mail": bool(contact.mail),
        "repeat": notice.repeat,
        "headlines": [_headline_with_place(alarm, network, now, say) for alarm in alarms],
        "untold": sorted({role for alarm in alarms for role in alarm.tell} - set(contact.roles)),
    }
    page = "gathered" if isinstance(facts, Gathered) else receiver.page_of(notice, None)
    return _rendered([OCCASIONS[type(facts)]], context, notice.channel, network, help_lines(page, network, contact))


def _alarms_of(facts: Occasion) -> tuple[Alarm, ...]:
    """Return the alarms an occasion speaks of."""
    match facts:
        case Off():
            return facts.missed
        case Gathered():
            return facts.alarms
        case OnSite():
            return facts.standing
        case Undelivered(alarm=Alarm() as alarm):
            return (alarm,)
        case _:
            return ()


def headline(alarm: Alarm, network: Network, now: datetime) -> str:
    """Return what is wrong in a few words, without the place: "silent since 02:10 (5 h)"."""
    return sections(alarm, network, now)["headline"]


def _headline_with_place(alarm: Alarm, network: Network, now: datetime, say: phrases.Phrases) -> str:
    """Return a headline that stands alone; heavy rain names its own gauge."""
    said = headline(alarm, network, now)
    return said if alarm.key.scope == "network" else f"{_alarm_facts(alarm, network, say)['place_short']} {said}"


def sections(alarm: Alarm, network: Network, now: datetime) -> dict[str, str]:
    """Return the blocks of an alarm's own template as it stands at `now`, by their names, addressed to nobody."""
    # What is over is as old as it was when it ended.
    now = min(now, alarm.absent_since or now)
    say = phrases.Phrases(network, now)
    facts = _alarm_facts(alarm, network, say) | {
        "event": EventKind.RAISED.value,
        "note": "",
        "link": "",
        "code": "",
        "by_mail": False,
        "offered": [],
        "repeat": False,
        "late": False,
        "told_since": alarm.raised_at or now,
        "tried": [],
        "tried_shortest_first": [],
        "called": False,
        "turns": [],
        "my_roles": [],
        "relies": False,
        "also": [],
        "on_the_way": [],
        "after_visit": alarm.numbers.get("after_visit"),
    }
    own = _templates(alarm, EventKind.RAISED)[0]
    said, _ = blocks([own, f"{alarm.check}/ended.txt", "generic/raised.txt"], facts, network)
    return said | {"place": facts["place_full"]}


def blocks(names: Sequence[str], context: Mapping[str, Any], network: Network) -> tuple[dict[str, str], str]:
    """Return the blocks of the first template that exists and works, and what was wrong with those before it.

    A network's own template that fails gives way to ours of the same name. Raises jinja2.TemplateError when none works.
    """
    trouble = ""
    for name in names:
        for environment in _environments(network.folder / "templates"):
            try:
                module = environment.get_template(name).make_module(dict(context))
            except jinja2.TemplateNotFound as error:
                if error.name != name:  # one it builds on is missing; that it isn't there itself is no fault
                    trouble = trouble or f"template {name}: {error.name} not found"
            except Exception as error:  # noqa: BLE001 -- whatever a template does, the notice must leave
                trouble = trouble or f"template {name}: {error}"
            else:
                given = vars(module)
                return {key[4:]: str(value).strip() for key, value in given.items() if key.startswith("out_")}, trouble
    raise jinja2.TemplateError(trouble or f"no template among {', '.join(names)}")


def domain(network: Network) -> str:
    """Return what the ids of mails and their pictures end with: the domain they are sent from."""
    return network.mail.sender.rpartition("@")[2] if network.mail else "localhost"


def account(check: str, facts: Mapping[str, Any], network: Network, now: datetime) -> str:
    """Return what a check says of its own numbers, for `why`: `<check>/why.txt`, or the numbers by their names.

    facts: n (the evidence), verdict, reason.
    """
    context = spoken(phrases.Phrases(network, now), network) | dict(facts)
    environment, _ours = _environments(network.folder / "templates")
    template = environment.select_template([f"{check}/why.txt", "generic/why.txt"])
    return " ".join(template.render(context).split())


def mail(
    subject: str,
    groups: Sequence[tuple[str, Sequence[tuple[str, str]]]],
    link: str,
    network: Network,
    sketches: tuple[Sketch, ...] = (),
) -> Words:
    """Return a mail, plain and HTML, from groups of sections: (title, [(label, text)]); an empty title shows none.

    A picture stands at the end of its section; the plain part has what it shows in words.
    """
    sections = [(title, [(label, _pieces(text, label, sketches)) for label, text in rows]) for title, rows in groups]
    shown = [(title, [(label, pieces) for label, pieces in rows if pieces]) for title, rows in sections]
    context = {"subject": subject, "groups": shown, "link": link, "network_name": network.name}
    own, ours = _environments(network.folder / "templates")
    trouble = ""
    try:
        page = own.get_template(MAIL_LAYOUT).render(context)
    except Exception as error:  # noqa: BLE001 -- as above
        trouble = f"template {MAIL_LAYOUT}: {error}"
        page = ours.get_template(MAIL_LAYOUT).render(context)
    return Words(subject, _plain_mail(shown, link, network.name), page, trouble, sketches)


def standing_alone(words: Words) -> str:
    """Return a mail's page with its drawn pictures inside, as a file that any browser shows."""
    page = words.html
    for picture in words.pictures:
        page = page.replace(f"cid:{picture.name}", f"data:image/png;base64,{b64encode(picture.png).decode('ascii')}")
    return page


def without_picture(words: Words, sketch: Sketch) -> Words:
    """Return a mail in which the words of a picture that could not be drawn stand in its place."""
    image = rf'<img\b[^>]*"cid:{re.escape(sketch.name)}"[^>]*>'
    return replace(words, html=re.sub(image, lambda _: html.escape(sketch.alternative), words.html))


def fitted(parts: str, longest: int | None = SINGLE) -> str:
    """Return the lines of a text as one message of at most `longest` septets; None: as long as it likes.

    A part that opens with a figure and a bar ("3| ") is taken in only if it fits whole beside those that count more:
    the highest figure first, the first of equals first. One with a plus ("3+| ") goes only with the nearest one before
    it that has none. What has no figure always stays; should that alone be too long, it is cut at the end.
    """
    lines: list[tuple[int | None, str]] = []
    heads: list[int] = []
    for line in parts.splitlines():
        match = re.match(r"\s*(\d+)(\+?)\|(.*)", line)
        rank, words = (int(match[1]), match[3]) if match else (None, line)
        if words.strip():
            heads.append(heads[-1] if match and match[2] and heads else len(lines))
            lines.append((rank, words))
    if longest is None:
        return _joined(words for _, words in lines)
    chosen = {place for place, (rank, _) in enumerate(lines) if rank is None}
    for place in sorted(range(len(lines)), key=lambda place: -(lines[place][0] or 0)):
        tried = chosen | {place}
        if heads[place] not in tried:
            continue
        if septets(_joined(lines[one][1] for one in sorted(tried))) <= longest:
            chosen = tried
    text = _joined(lines[one][1] for one in sorted(chosen))
    while septets(text) > longest:
        text = text[:-1]
    return text


def _joined(parts: Iterable[str]) -> str:
    """Return the parts as one line in the 7-bit alphabet, no space before a comma or full stop."""
    line = " ".join(" ".join(parts).split())
    return plain(re.sub(r"\s+([,.;:])(?=\s|$)", r"\1", line))


def _rendered(
    names: Sequence[str],
    context: Mapping[str, Any],
    channel: str,
    network: Network,
    pages: Sequence[str],
    sketches: tuple[Sketch, ...] = (),
) -> Words:
    said, trouble = blocks(names, context, network)
    if channel != "mail":
        text = fitted(said["text"], SINGLE) if channel == "text" else _chat(said)
        return Words("", text, trouble=trouble)
    rows = [(name.capitalize().replace("_", " "), said.get(name, "")) for name in SECTIONS]
    rows.append((HELP, "\n".join(pages)))
    first = "" if context.get("acknowledged_by") else AGAIN.get(context.get("event", ""), "")
    letter = mail(
        " ".join([*first.split(), *said["subject"].split()]), [("", rows)], context["link"], network, sketches
    )
    return replace(letter, trouble=trouble or letter.trouble)


def help_lines(kind: str, network: Network, contact: Contact, event: str = "") -> list[str]:
    """Return the lines of a mail that lead to the pages on what to do with it."""
    address = network.board.address if network.board else ""
    return receiver.lines(kind, event, address, volunteer=contact.is_volunteer)


def _chat(said: Mapping[str, str]) -> str:
    """Return a chat message in plain words: the text with nothing left out, then the mail's evidence and cautions.

    Whole sections are left out where it would grow too long, the last ones first.
    """
    message = fitted(said["text"], CHAT_SEPTETS)
    for name in CHAT_SECTIONS:
        lines = [
            " ".join(line.replace(" | ", ", ").split()) for line in said.get(name, "").splitlines() if line.strip()
        ]
        longer = "\n".join([message, "", f"{name.capitalize()}:", *map(plain, lines)])
        if lines and septets(longer) <= CHAT_SEPTETS:
            message = longer
    return message


def _templates(alarm: Alarm, event: EventKind) -> list[str]:
    """Return the names of the templates that could serve, the best first.

    A cause that joins several stations has words of its own; updates and reminders say what the first notice said, as
    it stands now. What nobody asks any more is not well for that.
    """
    over = event in (EventKind.RETURNED, EventKind.ENDED)
    if over and "withdrawn" in alarm.numbers:
        return ["generic/withdrawn.txt"]
    steps = [event.value, EventKind.RETURNED.value if over else EventKind.RAISED.value]
    folders = [f"{alarm.check}/group-"] if "cause" in alarm.numbers else [f"{alarm.check}/"]
    return list(dict.fromkeys(f"{folder}{step}.txt" for folder in (*folders, "generic/") for step in steps))


def _alarm_facts(alarm: Alarm, network: Network, say: phrases.Phrases) -> dict[str, Any]:
    """Return what every template about an alarm may use."""
    scope, _, name = alarm.key.scope.partition(":")
    station = say.station(name) if scope == "station" else None
    if scope == "station":
        short, full = say.short(name), say.full(name)
    elif scope == "tool":
        short, full = "The watch", "The watch itself"
    else:
        full = f"{scope.capitalize()} {name}" if name else network.name
        short = full[:LONGEST_PLACE].rstrip()
    return spoken(say, network) | {
        "n": dict(alarm.numbers),
        "number": alarm.number,
        "check_words": alarm.check.replace("-", " "),
        "rule": alarm.key.rule,
        "scope": scope,
        "scope_name": name,
        "place_short": short,
        "place_full": full,
        "stations": alarm.stations,
        "severity": alarm.severity.value,
        "certainty": alarm.certainty.value,
        "since": alarm.since,
        "age": phrases.lasting((alarm.ended_at or say.now) - alarm.since),
        "raised_at": alarm.raised_at,
        "back_at": alarm.absent_since or alarm.ended_at or say.now,
        "acknowledged_by": alarm.acknowledged_by,
        "by_day": alarm.when is When.BY_DAY,
        "day_begins": f"{network.by_day.begins:%H:%M}",
        "day_ends": f"{network.by_day.ends:%H:%M}",
        "chemistry": station.chemistry if station else "",
        "plan": station.plan if station else "",
        "evidence_lines": _evidence_lines(alarm.numbers, say),
    }


def spoken(say: phrases.Phrases, network: Network) -> dict[str, Any]:
    """Return the ways of saying things that templates use; nothing here can reach a secret."""
    return {
        "network_name": network.name,
        "now": say.now,
        "clock": say.clock,
        "stamp": say.stamp,
        "day": say.day,
        "ago": say.ago,
        "clocks_changed": say.clocks_changed,
        "short": say.short,
        "full": say.full,
        "shorts": say.shorts,
        "fulls": say.fulls,
        "listed": phrases.listed,
        "counted": phrases.counted,
        "changed": phrases.changed,
        "mm": say.mm,
        "bare": say.bare,
        "fine": say.fine,
        "depth_unit": say.depth_unit,
        "degrees": say.degrees,
        "within": phrases.within,
        "lasting": phrases.lasting,
        "for_minutes": lambda minutes: phrases.lasting(timedelta(minutes=minutes)),
        "one_in": phrases.one_in,
        "rarity": phrases.rarity,
        "somewhere": lambda years: _years_between(years, network),
        "rounded": phrases.rounded_down,
        "moment": phrases.moment,
        "cut": _cut,
    }


def _years_between(years: float, network: Network) -> float:
    """Return how often it happens somewhere in a network what happens once in so many years at one place [a]."""
    stations = network.columns()
    return frequency.years_between(years, frequency.sites_apart(stations.latitude, stations.longitude))


def _cut(text: str, longest: int) -> str:
    """Return a text at most so many characters long, cut at a space if it can be."""
    text = " ".join(text.split())
    if len(text) <= longest:
        return text
    head = text[:longest]
    return head.rsplit(" ", 1)[0] if " " in head else head


def _evidence_lines(numbers: Mapping[str, Any], say: phrases.Phrases) -> list[str]:
    """Return a check's plain numbers as "name | value unit", for a check without words of its own."""
    lines = []
    for key, value in numbers.items():
        if isinstance(value, str | int | float) and not isinstance(value, bool):
            *words, last = key.split("_")
            said = _measured(value, last, say) if words else ""
            name = " ".join(words if said else [*words, last])
            lines.append(f"{name} | {said or _figure(value)}")
    return lines


def _measured(value: str | float, unit: str, say: phrases.Phrases) -> str:
    """Return a number with the unit that ends its name, "" for an ending that is none."""
    if unit == "mm" and not isinstance(value, str):
        return say.fine(value)
    if unit == "c" and not isinstance(value, str):
        return say.degrees(value, 2)
    return f"{_figure(value)} {UNITS[unit]}" if unit in UNITS else ""


def _figure(value: str | float) -> str:
    return str(value) if isinstance(value, str | int) else phrases.rounded_down(value, 2)


def _late(notice: Notice, alarm: Alarm, now: datetime) -> bool:
    """Say whether heavy rain is told so long after that it must be called earlier rain."""
    if notice.event == EventKind.RAISED and (gauges := alarm.numbers.get("gauges")):
        return now - max(phrases.moment(gauge["ended_at"]) for gauge in gauges) > LATE
    return now - notice.made_at > LATE


def _same_place(other: Alarm, alarm: Alarm) -> bool:
    return other.key.scope == alarm.key.scope and alarm.key.scope.startswith(("station:", "plan:"))


def _on_the_way(
    alarm: Alarm, others: Sequence[Alarm], network: Network, now: datetime, say: phrases.Phrases
) -> list[str]:
    """Return what else is wrong at stations on the same road, or else the same mast."""
    here = say.station(alarm.key.scope.removeprefix("station:"))
    if here is None:
        return []
    found = []
    for other in others:
        there = say.station(other.key.scope.removeprefix("station:"))
        if there is None or there.id == here.id:
            continue
        if (here.road and there.road == here.road) or (here.mast and there.mast == here.mast):
            shared = "road" if here.road and there.road == here.road else "mast"
            found.append(f"{say.full(there.id)} (same {shared}, no. {other.number}): {headline(other, network, now)}")
    return found


def _pieces(text: str, label: str, sketches: Iterable[Sketch]) -> list[dict[str, Any]]:
    """Return a section as paragraphs, tables and pictures; a table of three columns or more opens with its header."""
    pieces: list[dict[str, Any]] = []
    for line in filter(None, (" ".join(line.split()) for line in text.splitlines())):
        if " | " in line:
            cells = [cell.strip() for cell in line.split(" | ")]
            if not pieces or "rows" not in pieces[-1] or len(pieces[-1]["rows"][0]) != len(cells):
                pieces.append({"rows": [], "header": len(cells) > 2})
            pieces[-1]["rows"].append(cells)
        else:
            pieces.append({"words": line})
    return pieces + [{"picture": sketch} for sketch in sketches if sketch.section == label]


def _plain_mail(groups: Sequence[tuple[str, Sequence[tuple[str, list[dict[str, Any]]]]]], link: str, name: str) -> str:
    """Return the plain part: labels in a column of their own, words wrapped beside it, tables in columns."""
    lines: list[str] = []
    for title, rows in groups:
        if title and rows:
            lines += ["", title, "-" * len(title)]
        for label, pieces in rows:
            told = [line for piece in pieces for line in _plain_piece(piece)]
            wide = len(label) >= LABEL_WIDTH
            lines += [label] if wide else []
            lines += [f"{'' if wide or row else label:<{LABEL_WIDTH}}{line}".rstrip() for row, line in enumerate(told)]
            if label == "Answer" and link:
                lines.append(f"{'':<{LABEL_WIDTH}}{link}")
    return "\n".join([*lines, "", f"-- {name}: an automatic message."]).lstrip("\n") + "\n"


def _plain_piece(piece: Mapping[str, Any]) -> list[str]:
    words = f"Picture: {piece['picture'].alternative}" if "picture" in piece else piece.get("words")
    if words is not None:
        return textwrap.wrap(words, MAIL_WIDTH - LABEL_WIDTH, break_long_words=False, break_on_hyphens=False)
    widths = [max(map(len, column)) for column in zip(*piece["rows"], strict=True)]
    room = MAIL_WIDTH - LABEL_WIDTH - sum(widths[:-1]) - 2 * (len(widths) - 1)
    lines = []
    for row in piece["rows"]:
        start = "".join(f"{cell:<{width}}  " for cell, width in zip(row[:-1], widths, strict=False))
        # Only where the last column is one of words there is anything to gain from breaking it.
        last = textwrap.wrap(row[-1], room, break_on_hyphens=False) if room >= LABEL_WIDTH else [row[-1]]
        lines += [f"{start}{(last or [''])[0]}".rstrip(), *(" " * len(start) + line for line in last[1:])]
    return lines


@lru_cache(maxsize=8)
def _environments(folder: Path) -> tuple[ImmutableSandboxedEnvironment, ImmutableSandboxedEnvironment]:
    """Return a network's templates (its own before ours, ours also under "ours/"), and ours alone."""
    ours = jinja2.PackageLoader("watchman.telling", "templates")
    own = jinja2.ChoiceLoader([jinja2.FileSystemLoader(folder), ours, jinja2.PrefixLoader({"ours": ours})])
    return _environment(own), _environment(ours)


def _environment(loader: jinja2.BaseLoader) -> ImmutableSandboxedEnvironment:
    """Return a place where templates can reach nothing but what they are given; HTML is escaped, text is not."""
    return ImmutableSandboxedEnvironment(
        loader=loader,
        undefined=jinja2.StrictUndefined,
        autoescape=lambda name: bool(name and name.endswith(".html")),
        trim_blocks=True,
        lstrip_blocks=True,
    )

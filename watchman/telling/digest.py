"""The week for the supervisor: what was seen, what was not, what is wrong, and where to drive."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np

from watchman.model import Alarm, Certainty, Event, EventKind, Notice, NoticeState, Span, When
from watchman.network import Contact, Network
from watchman.telling import calling, compose, phrases, pictures, roster, visits
from watchman.telling.charts import Sketch

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")

MOST_WEEKS = 26
"""How far back a digest names weeks that had none (decided here)."""

FAR_DAYS = 99
"""battery-decline counts no further than this many days; such a battery needs no line of its own."""
WEEK_DAYS = 7
LATE = timedelta(days=1)
"""A digest written so long after its week says from when its open alarms are (decided here)."""
ENOUGH = 0.9
"""The share of its readings a station must have sent for its rain to be ranked (common practice, no source)."""

STORM, CLOGGED, DUE = "heavy-rain", "dry-among-wet", "due-dates"
NOT_COUNTED = ("digest", "drill")
"""Kinds of notices that nobody is counted to be disturbed by."""

SCREEN = (
    "verdict",
    "data",
    "rain",
    "storms",
    "faults",
    "notices",
    "batteries",
    "visit",
    "unjudged",
    "to_watch",
    "coming",
    "the_watch",
    "before",
    "also",
)
"""The sections of the first screen, a line or two each."""

DETAILS = (
    "visits",
    "rain_by_day",
    "left_out",
    "storms_of_the_week",
    "rain_nobody_was_told_of",
    "still_open",
    "raised_and_over",
    "not_answered",
    "notices_by_person",
    "days_left",
    "watch_list",
    "coming_up",
    "cannot_be_judged",
    "held_nothing",
    "last_week_revised",
    "the_watch_itself",
)
"""The sections below it."""


@dataclass(frozen=True, slots=True)
class Hold:
    """A maintenance window ("window") or a shelving ("shelving") during which nothing happened that it held back."""

    kind: str
    station: str
    begins_at: datetime
    ends_at: datetime
    who: str = ""


@dataclass(frozen=True, slots=True)
class Untold:
    """Heavy rain of which nobody was told while it fell: mm in so many whole hours that ended at a time."""

    station: str
    mm: float
    hours: int
    ended_at: datetime


@dataclass(frozen=True, slots=True)
class Polls:
    """How fetching from a source went: how often it was asked, how often that failed, and the longest time between two
    answers [s].
    """

    asked: int = 0
    failed: int = 0
    longest_gap_s: int = 0


@dataclass(frozen=True, slots=True)
class ToolHealth:
    """How the watch itself did. polls: by source; off: when it was off; reached, asked: the people who answered the
    last drill, and all who should have.
    """

    rejected_rows: int = 0
    last_drill_at: datetime | None = None
    reached: int = 0
    asked: int = 0
    polls: Mapping[str, Polls] = field(default_factory=dict)
    off: tuple[tuple[datetime, datetime], ...] = ()

    @property
    def polls_ok(self) -> float | None:
        """Return the share of all polls that were answered [0 to 1], or None where none was counted."""
        asked = sum(one.asked for one in self.polls.values())
        return 1 - sum(one.failed for one in self.polls.values()) / asked if asked else None

    @property
    def longest_gap(self) -> timedelta:
        """Return the longest time without an answer of some source."""
        return timedelta(seconds=max((one.longest_gap_s for one in self.polls.values()), default=0))


@dataclass(frozen=True, slots=True)
class Figures:
    """A week in a few numbers, as its digest told them: shares [0 to 1], the median rain [mm], and counts."""

    received: float
    usable: float
    median_mm: float | None
    storms: int
    faults: int
    notices: int


@dataclass(frozen=True, slots=True)
class WeekFacts:
    """What the digest is made of; stations are in the order of `network.stations`, days those of `day_edges`.

    rain_um: counted rain [station, day; um, int64]. known: the share of each day covered by delivered rain readings
    that count [station, day; 0 to 1], and held: by those that were left out (visits, test tips, thaw). suspect,
    too_cold: the share of the week in which a gauge's known rain can't be believed because of an alarm, or for measured
    cold, by id. away: stations of which nothing is expected. events: those of the week, in order. alarms: those the
    events are of, as they are now, by number. open_alarms: all that have not ended. available_at: when the reading that
    raised a storm was there, by number. untold: heavy rain nobody was told of while it fell. days_left: of the
    batteries that are watched [d], and not_full: for how long they have not been [d], by id. left_out, not_judged: why
    a station's rain isn't ranked, or its gauge can't be judged, by id. revised: last week's rain as told then and as
    known now, by id [mm]. booked: visits of the coming week. before, year_ago: the figures of the week before, and of
    the same week last year. also_owed: names of earlier weeks that had no digest. made_at: when all this was so; the
    end of the week unless it is said.
    """

    week: str
    rain_um: np.ndarray
    known: np.ndarray
    held: np.ndarray | None = None
    suspect: Mapping[str, float] = field(default_factory=dict)
    too_cold: Mapping[str, float] = field(default_factory=dict)
    away: frozenset[str] = frozenset()
    events: tuple[Event, ...] = ()
    alarms: Mapping[int, Alarm] = field(default_factory=dict)
    open_alarms: tuple[Alarm, ...] = ()
    notices: tuple[Notice, ...] = ()
    available_at: Mapping[int, datetime] = field(default_factory=dict)
    untold: tuple[Untold, ...] = ()
    days_left: Mapping[str, float] = field(default_factory=dict)
    not_full: Mapping[str, int] = field(default_factory=dict)
    left_out: Mapping[str, str] = field(default_factory=dict)
    not_judged: Mapping[str, str] = field(default_factory=dict)
    held_nothing: tuple[Hold, ...] = ()
    booked: tuple[Span, ...] = ()
    revised: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    health: ToolHealth = field(default_factory=ToolHealth)
    before: Figures | None = None
    year_ago: Figures | None = None
    also_owed: tuple[str, ...] = ()
    made_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class StationWeek:
    """One station's week. days_mm: None where nothing is known of a day; received, and of that held and usable: shares
    of the week [0 to 1]; left_out: why its total isn't ranked.
    """

    station: str
    days_mm: tuple[float | None, ...]
    total_mm: float
    received: float
    held: float
    usable: float
    left_out: str = ""


@dataclass(frozen=True, slots=True)
class StormTold:
    """A storm and how it was told: how long after the reading was there each person's first notice of its beginning was
    accepted; who answered, and how long after it was raised.
    """

    alarm: Alarm
    told_after: Mapping[str, timedelta]
    lost: bool = False
    answered_by: str = ""
    answered_after: timedelta | None = None


@dataclass(frozen=True, slots=True)
class Sent:
    """The notices that reached one person: by channel, and how many of them at night."""

    person: str
    by_channel: Mapping[str, int]
    at_night: int


@dataclass(frozen=True, slots=True)
class Digest:
    """The week in figures, before any words. received, usable, held, suspect, too_cold: shares of all that was to come
    [0 to 1].

    median_mm: of the stations ranked; most and least are the ends of `ranked`. raised, closed: the faults raised in the
    week, and those of them that are over. standing: faults that are open now; watched: what is told in the digest only;
    coming: what falls due, each once. answered_after, closed_after: the median time from a raise to its
    acknowledgement, and to its end. unanswered: what was raised and nobody acknowledged; escalated: the steps by which
    others were called. doubtful: rain told as perhaps none. sent: notices that reached somebody, sent_to: by person;
    matters: of how many alarms; given_up: how many did not arrive, unsure: of how many that is not known.
    """

    facts: WeekFacts
    begin: datetime
    end: datetime
    received: float
    usable: float
    held: float
    suspect: float
    too_cold: float
    stations: tuple[StationWeek, ...]
    ranked: tuple[StationWeek, ...]
    median_mm: float | None
    storms: tuple[StormTold, ...]
    raised: tuple[Alarm, ...]
    closed: tuple[Alarm, ...]
    standing: tuple[Alarm, ...]
    watched: tuple[Alarm, ...]
    coming: tuple[Alarm, ...]
    answered_after: timedelta | None
    closed_after: timedelta | None
    unanswered: tuple[Alarm, ...]
    escalated: tuple[Event, ...]
    doubtful: tuple[Alarm, ...]
    trips: tuple[visits.Trip, ...]
    matters: int
    sent: int
    sent_to: tuple[Sent, ...]
    repeated: int
    given_up: int
    unsure: int

    @property
    def figures(self) -> Figures:
        """Return the week in a few numbers, to be held against later ones."""
        faults = len(self.raised)
        return Figures(self.received, self.usable, self.median_mm, len(self.storms), faults, self.sent)


def due_weeks(
    network: Network, marks: Collection[str], now: datetime, *, watched_since: datetime | None = None
) -> list[str]:
    """Return the weeks ("2025-W43") whose digest is owed at `now` and has no mark "digest:2025-W43", oldest first.

    The last is the one to write; it names the others (`WeekFacts.also_owed`). Weeks that had ended when the watch began
    are not owed. With no mark at all and no such moment, only the newest week is.
    """
    here = now.astimezone(network.zone).date()
    days = (here - timedelta(days=back) for back in range(8))
    due = next(day for day in days if _due_on(network, day) <= now)
    monday = due - timedelta(days=due.weekday() + 7)
    unmarked = not any(mark.startswith("digest:") for mark in marks)
    owed: list[str] = []
    for back in range(1 if unmarked and watched_since is None else MOST_WEEKS):
        name = week_name(monday - timedelta(weeks=back))
        if f"digest:{name}" in marks or (watched_since is not None and week_span(network, name)[1] <= watched_since):
            break
        owed.append(name)
    return owed[::-1]


def _due_on(network: Network, day: date) -> datetime:
    """Return when a digest falls due on a day; never, if it is another weekday."""
    if WEEKDAYS[day.weekday()] != network.digest.weekday:
        return datetime.max.replace(tzinfo=UTC)
    return datetime.combine(day, network.digest.time, network.zone).astimezone(UTC)


def week_name(day: date) -> str:
    """Return the ISO week of a day, "2025-W43" (ISO 8601)."""
    year, week, _ = day.isocalendar()
    return f"{year}-W{week:02d}"


def week_span(network: Network, name: str) -> tuple[datetime, datetime]:
    """Return when an ISO week begins and ends on the network's clock: 168 hours, or 167 or 169 at a clock change."""
    edges = day_edges(network, name)
    return edges[0], edges[-1]


def day_edges(network: Network, name: str) -> tuple[datetime, ...]:
    """Return the eight midnights around the seven local days of a week, in UTC."""
    monday = date.fromisocalendar(int(name[:4]), int(name[6:]), 1)
    midnights = (datetime.combine(monday + timedelta(days=day), datetime.min.time(), network.zone) for day in range(8))
    return tuple(midnight.astimezone(UTC) for midnight in midnights)


def week(network: Network, facts: WeekFacts) -> Digest:
    """Return the digest of one week."""
    edges = day_edges(network, facts.week)
    now = facts.made_at or edges[-1]
    stations = _stations(network, facts, edges)
    ranked = sorted((one for one in stations if not one.left_out), key=lambda one: -one.total_mm)
    expected = [one for one in stations if one.station not in facts.away]
    raised = _raised(facts)
    faults = tuple(alarm for alarm in raised if alarm.check not in (STORM, DUE) and alarm.when is not When.WEEKLY)
    open_now = [alarm for alarm in facts.open_alarms if alarm.open_now and alarm.check != STORM]
    coming = _coming(open_now)
    others = [alarm for alarm in open_now if alarm.check != DUE]
    still = {alarm.number for alarm in others}
    closed = tuple(alarm for alarm in faults if alarm.number not in still)
    counted = [notice for notice in facts.notices if notice.kind not in NOT_COUNTED]
    reached = [notice for notice in counted if notice.state is NoticeState.ACCEPTED]
    return Digest(
        facts=facts,
        begin=edges[0],
        end=edges[-1],
        received=_mean([one.received for one in expected], 1.0),
        usable=_mean([one.usable for one in expected], 1.0),
        held=_mean([one.held for one in expected]),
        suspect=_mean([facts.suspect.get(one.station, 0.0) for one in expected]),
        too_cold=_mean([facts.too_cold.get(one.station, 0.0) for one in expected]),
        stations=stations,
        ranked=tuple(ranked),
        median_mm=float(np.median([one.total_mm for one in ranked])) if ranked else None,
        storms=tuple(_storm_told(alarm, facts) for alarm in raised if alarm.check == STORM),
        raised=faults,
        closed=closed,
        standing=tuple(alarm for alarm in others if alarm.when is not When.WEEKLY),
        watched=tuple(alarm for alarm in others if alarm.when is When.WEEKLY),
        coming=coming,
        answered_after=_answered_after(facts.events),
        closed_after=_median(_lasted(alarm) for alarm in closed),
        unanswered=_unanswered(network, raised, facts.events),
        escalated=tuple(event for event in facts.events if event.kind is EventKind.ESCALATED),
        doubtful=tuple(alarm for alarm in raised if _doubtful(alarm)),
        trips=visits.plan(network, [*others, *coming], facts.booked, now).trips,
        matters=len({notice.alarm for notice in reached if notice.alarm}),
        sent=len(reached),
        sent_to=_sent_to(network, reached),
        repeated=sum(notice.repeat for notice in reached),
        given_up=sum(notice.state is NoticeState.REFUSED for notice in counted),
        unsure=sum(notice.state is NoticeState.UNKNOWN for notice in counted),
    )


def _stations(network: Network, facts: WeekFacts, edges: Sequence[datetime]) -> tuple[StationWeek, ...]:
    """Return each station's week; days count by their own length."""
    known = _by_length(facts.known, edges)
    held = np.zeros(len(known)) if facts.held is None else _by_length(facts.held, edges)
    found = []
    for position, station in enumerate(network.stations):
        suspect, too_cold = facts.suspect.get(station.id, 0.0), facts.too_cold.get(station.id, 0.0)
        received = float(known[position] + held[position])
        usable = max(float(known[position]) - suspect - too_cold, 0.0)
        days = zip(facts.rain_um[position], facts.known[position], strict=True)
        found.append(
            StationWeek(
                station.id,
                tuple(int(rain) / 1000 if share > 0 else None for rain, share in days),
                int(facts.rain_um[position].sum()) / 1000,
                received,
                float(held[position]),
                usable,
                _left_out(station.id, facts, received, float(known[position]) - suspect),
            )
        )
    return tuple(found)


def _by_length(shares: np.ndarray, edges: Sequence[datetime]) -> np.ndarray:
    """Return the share of the week from those of its days [station]."""
    hours = np.array([(after - before) / timedelta(hours=1) for before, after in pairwise(edges)])
    return np.asarray(shares @ hours / hours.sum())


def _left_out(station: str, facts: WeekFacts, received: float, sound: float) -> str:
    """Return why a station's rain isn't ranked, or "". sound: the share of the week in which it is believed."""
    clogged = next((a for a in facts.open_alarms if a.check == CLOGGED and station in a.stations and a.open_now), None)
    if station in facts.left_out:
        return facts.left_out[station]
    if clogged is not None:
        return f"clogged? no. {clogged.number}"
    if received < ENOUGH:
        return f"only {phrases.rounded_down(100 * received, 0)} % received"
    return f"only {phrases.rounded_down(100 * sound, 0)} % usable" if sound < ENOUGH else ""


def _mean(values: Sequence[float], of_none: float = 0.0) -> float:
    return sum(values) / len(values) if values else of_none


def _median(lengths: Iterable[timedelta]) -> timedelta | None:
    found = sorted(lengths)
    return found[len(found) // 2] if found else None


def _raised(facts: WeekFacts) -> list[Alarm]:
    """Return what was raised in the week, each once and as it is now, or as its last event of the week left it."""
    latest = {event.alarm.number: event.alarm for event in facts.events} | dict(facts.alarms)
    latest |= {alarm.number: alarm for alarm in facts.open_alarms}
    numbers = [event.alarm.number for event in facts.events if event.kind is EventKind.RAISED]
    return [latest[number] for number in dict.fromkeys(numbers)]


def _coming(alarms: Iterable[Alarm]) -> tuple[Alarm, ...]:
    """Return what falls due, soonest first; what two rules tell, a late and an early one, is one thing."""
    chosen: dict[tuple[str, Any], Alarm] = {}
    for alarm in sorted((one for one in alarms if one.check == DUE), key=lambda one: one.when is When.WEEKLY):
        chosen.setdefault((alarm.key.scope, alarm.numbers.get("what")), alarm)
    return tuple(sorted(chosen.values(), key=lambda one: (one.numbers.get("days_left") or 0, one.key.scope)))


def _doubtful(alarm: Alarm) -> bool:
    """Say whether rain was told as perhaps none: on one gauge only, or poured, doubled, off the grid of its tips."""
    if alarm.check == "doubtful-rain":
        return alarm.when is not When.WEEKLY
    return alarm.check == STORM and alarm.certainty is Certainty.POSSIBLE


def _lasted(alarm: Alarm) -> timedelta:
    ended = alarm.absent_since or alarm.ended_at or alarm.since
    return max(ended - (alarm.raised_at or alarm.since), timedelta())


def _unanswered(network: Network, raised: Iterable[Alarm], events: Iterable[Event]) -> tuple[Alarm, ...]:
    """Return what people were told of and nobody acknowledged; nothing where nobody can answer from a phone."""
    if not calling.can_answer(network):
        return ()
    said = (EventKind.ACKNOWLEDGED, EventKind.ANSWERED, EventKind.SHELVED)
    answered = {event.alarm.number for event in events if event.kind in said}
    told = (alarm for alarm in raised if alarm.when is not When.WEEKLY)
    return tuple(alarm for alarm in told if not alarm.acknowledged_by and alarm.number not in answered)


def _storm_told(alarm: Alarm, facts: WeekFacts) -> StormTold:
    steps = [event for event in facts.events if event.alarm.number == alarm.number]
    raised = next(event for event in steps if event.kind is EventKind.RAISED)
    there_at = facts.available_at.get(alarm.number, raised.at)
    # A storm that two rules raise in one cycle is one notice, which names the more severe.
    of_it = [one for one in facts.notices if one.kind == "storm" and one.made_at == raised.at]
    told_after: dict[str, timedelta] = {}
    for notice in of_it:
        if notice.accepted_at is not None:
            after = max(notice.accepted_at - there_at, timedelta())
            told_after[notice.person] = min(after, told_after.get(notice.person, after))
    answer = next((event for event in steps if event.kind is EventKind.ACKNOWLEDGED), None)
    return StormTold(
        alarm,
        dict(sorted(told_after.items(), key=lambda one: one[1])),
        lost=bool(of_it) and not told_after,
        answered_by=answer.who if answer else "",
        answered_after=answer.at - raised.at if answer else None,
    )


def _sent_to(network: Network, reached: Iterable[Notice]) -> tuple[Sent, ...]:
    """Return what each person got, who got most first."""
    of_one: dict[str, list[Notice]] = {}
    for notice in reached:
        of_one.setdefault(notice.person, []).append(notice)
    sent = [
        Sent(
            person,
            {channel: sum(one.channel == channel for one in theirs) for channel in roster.CHANNELS},
            sum(one.accepted_at is not None and not roster.is_day(network, one.accepted_at) for one in theirs),
        )
        for person, theirs in of_one.items()
    ]
    return tuple(sorted(sent, key=lambda one: (-sum(one.by_channel.values()), one.person)))


def _answered_after(events: Iterable[Event]) -> timedelta | None:
    return _median(
        event.alarm.acknowledged_at - event.alarm.raised_at
        for event in events
        if event.kind is EventKind.ACKNOWLEDGED and event.alarm.acknowledged_at and event.alarm.raised_at
    )


def digest_words(digest: Digest, contact: Contact, network: Network) -> compose.Words:
    """Return the digest as a mail: the first screen says it all, the details follow."""
    facts = digest.facts
    now = facts.made_at or digest.end
    say = phrases.Phrases(network, now)
    listed = (*digest.standing, *digest.raised, *digest.watched, *digest.coming, *digest.unanswered, *digest.doubtful)
    context = compose.spoken(say, network) | {
        "d": digest,
        "facts": facts,
        "health": facts.health,
        "my_roles": [role for role in contact.roles if role in network.digest.tell],
        "days": phrases.WEEKDAYS,
        "batteries": sorted((one for one in facts.days_left.items() if one[1] < FAR_DAYS), key=lambda one: one[1]),
        "batteries_far": sum(left >= FAR_DAYS for left in facts.days_left.values()),
        "not_full": [name for name, days in facts.not_full.items() if days >= WEEK_DAYS],
        "told": {alarm.number: _told(alarm, network, now) for alarm in listed},
        "visits": [(trip, [_stop(stop, network, now) for stop in trip.stops]) for trip in digest.trips],
        "unwell": sorted({name for alarm in digest.standing for name in alarm.stations}),
        "storms": [_storm(storm) for storm in digest.storms],
        "least_received": min(
            (one for one in digest.stations if one.station not in facts.away),
            key=lambda one: one.received,
            default=None,
        ),
        "left_out": [one for one in digest.stations if one.left_out],
        "most_suspect": sorted(facts.suspect.items(), key=lambda one: -one[1]),
        "week_days": (digest.end - digest.begin) / timedelta(days=1),
        "unusable": [one for one in _unusable(digest) if one[1] > 0],
        "by_channel": [
            (count, noun)
            for channel, noun in (("text", "text"), ("mail", "mail"), ("chat", "chat message"))
            if (count := sum(one.by_channel[channel] for one in digest.sent_to))
        ],
        "at_night": sum(one.at_night for one in digest.sent_to),
        "late": now - digest.end > LATE,
        "soon": _soon,
        "compared": [
            (name, one) for name, one in (("Week before", facts.before), ("A year ago", facts.year_ago)) if one
        ],
    }
    said, trouble = compose.blocks(["digest/week.txt"], context, network)
    pages = (compose.HELP, "\n".join(compose.help_lines("digest", network, contact)))
    groups = [("", _rows(SCREEN, said)), ("Details", [*_rows(DETAILS, said), pages])]
    letter = compose.mail(" ".join(said["subject"].split()), groups, "", network, _pictures(digest, say, network))
    return replace(letter, trouble=trouble or letter.trouble)


def _unusable(digest: Digest) -> tuple[tuple[str, float], ...]:
    """Return why readings that came can't be used, with their shares of all that was to come."""
    return ("suspect", digest.suspect), ("visits and tests", digest.held), ("too cold to see", digest.too_cold)


def _soon(length: timedelta) -> str:
    """Return how long something took, in seconds where it was short, rounded up: nothing is made to look faster."""
    seconds = math.ceil(length.total_seconds())
    return f"{seconds} s" if seconds < 120 else phrases.lasting(timedelta(seconds=seconds + 59))


def _pictures(digest: Digest, say: phrases.Phrases, network: Network) -> tuple[Sketch, ...]:
    """Return the week's rain by station and the batteries by days left."""
    domain = compose.domain(network)
    ranked = [(one.station, one.total_mm) for one in digest.ranked]
    left_out = [(one.station, one.left_out) for one in digest.stations if one.left_out]
    batteries = [one for one in digest.facts.days_left.items() if one[1] < FAR_DAYS]
    both = (
        pictures.week_rain("Rain by day", ranked, left_out, digest.median_mm or 0.0, say, domain),
        pictures.days_left("Days left", batteries, say, domain),
    )
    return tuple(sketch for sketch in both if sketch is not None)


def _rows(names: Sequence[str], said: Mapping[str, str]) -> list[tuple[str, str]]:
    return [(name.capitalize().replace("_", " "), said[name]) for name in names]


def _told(alarm: Alarm, network: Network, now: datetime) -> dict[str, str]:
    """Return what a line about an alarm says: where, what, and what to bring."""
    said = compose.sections(alarm, network, now)
    return {"place": said["place"], "what": said["headline"], "bring": said["bring"]}


def _stop(stop: visits.Stop, network: Network, now: datetime) -> dict[str, str]:
    told = [_told(alarm, network, now) for alarm in stop.alarms]
    bring = " ".join(dict.fromkeys(one["bring"] for one in told if one["bring"]))
    return {"station": stop.station, "what": "; ".join(one["what"] for one in told), "bring": " ".join(bring.split())}


def _storm(storm: StormTold) -> dict[str, Any]:
    """Return a storm's beginning, end, wettest gauge and peak, whichever of them are known, and how it was told."""
    alarm, numbers = storm.alarm, storm.alarm.numbers
    totals, peaks = numbers.get("totals") or [], numbers.get("peaks") or numbers.get("gauges") or []
    return {
        "number": alarm.number,
        "began_at": numbers.get("began_at") or alarm.since,
        "ended_at": numbers.get("ended_at"),
        "most": totals[0] if totals else None,
        "peak": peaks[0] if peaks else None,
        "rarest": rarest if (rarest := numbers.get("rarest")) and rarest["beyond"] != "less" else None,
        "blind": numbers.get("blind") or [],
        "told_after": storm.told_after,
        "first_after": next(iter(storm.told_after.values()), None),
        "lost": storm.lost,
        "answered_by": storm.answered_by,
        "answered_after": storm.answered_after,
    }

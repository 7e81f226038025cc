"""The week for the supervisor: what was seen, what was not, what is wrong, and where to drive."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np

from watchman.model import Alarm, Event, EventKind, Notice, NoticeState
from watchman.network import Contact, Network
from watchman.telling import compose, phrases

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")

MOST_WEEKS = 26
"""How far back a digest names weeks that had none (decided here)."""

FAR_DAYS = 99
"""battery-decline counts no further than this many days; such a battery needs no line of its own."""
ENOUGH = 0.9
"""The share of its readings a station must have sent for its rain to be ranked (common practice, no source)."""

STORM, CLOGGED = "heavy-rain", "dry-among-wet"

SCREEN = ("verdict", "data", "rain", "storms", "alarms", "batteries", "visit", "unjudged", "watch", "also")
"""The sections of the first screen, a line or two each."""

DETAILS = (
    "visits",
    "rain_by_day",
    "left_out",
    "storms_of_the_week",
    "still_open",
    "raised_and_over",
    "days_left",
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
class ToolHealth:
    """How the watch itself did. reached, asked: the people who answered the last drill, and all who should have."""

    rejected_rows: int = 0
    last_drill_at: datetime | None = None
    reached: int = 0
    asked: int = 0


@dataclass(frozen=True, slots=True)
class WeekFacts:
    """What the digest is made of; stations are in the order of `network.stations`, days those of `day_edges`.

    rain_um: counted rain [station, day; um, int64]. known: the share of each day covered by delivered rain readings
    [station, day; 0 to 1]. events: those of the week, in order. open_alarms: all that have not ended. days_left: of
    the batteries that are watched, by station id [days]. left_out, not_judged: why a station's rain isn't ranked, or
    its gauge can't be judged, by id. revised: last week's rain as told then and as known now, by id [mm].
    also_owed: names of earlier weeks that had no digest.
    """

    week: str
    rain_um: np.ndarray
    known: np.ndarray
    events: tuple[Event, ...] = ()
    open_alarms: tuple[Alarm, ...] = ()
    notices: tuple[Notice, ...] = ()
    days_left: Mapping[str, float] = field(default_factory=dict)
    left_out: Mapping[str, str] = field(default_factory=dict)
    not_judged: Mapping[str, str] = field(default_factory=dict)
    held_nothing: tuple[Hold, ...] = ()
    revised: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    health: ToolHealth = field(default_factory=ToolHealth)
    also_owed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class StationWeek:
    """One station's week. days_mm: None where nothing is known of a day; left_out: why its total isn't ranked."""

    station: str
    days_mm: tuple[float | None, ...]
    total_mm: float
    received: float
    left_out: str = ""


@dataclass(frozen=True, slots=True)
class Trip:
    """Stations worth a drive that lie on one road or mast, the most pressing first, each with its alarms."""

    where: str
    stops: tuple[tuple[str, tuple[Alarm, ...]], ...]


@dataclass(frozen=True, slots=True)
class Digest:
    """The week in figures, before any words. received: the share of all readings that came [0 to 1].

    raised, closed: the faults raised in the week, and those of them that are over. answered_after: the median time
    from a raise to its acknowledgement. median_mm: of the stations ranked; most and least are the ends of `ranked`.
    """

    facts: WeekFacts
    begin: datetime
    end: datetime
    received: float
    stations: tuple[StationWeek, ...]
    ranked: tuple[StationWeek, ...]
    median_mm: float | None
    storms: tuple[Alarm, ...]
    raised: tuple[Alarm, ...]
    closed: tuple[Alarm, ...]
    standing: tuple[Alarm, ...]
    answered_after: timedelta | None
    trips: tuple[Trip, ...]
    sent: int
    given_up: int


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
    hours = np.array([(after - before) / timedelta(hours=1) for before, after in pairwise(edges)])
    received = facts.known @ hours / hours.sum()
    stations = tuple(
        _station_week(station.id, facts, position, float(received[position]))
        for position, station in enumerate(network.stations)
    )
    ranked = sorted((one for one in stations if not one.left_out), key=lambda one: -one.total_mm)
    latest = {event.alarm.number: event.alarm for event in facts.events}
    latest |= {alarm.number: alarm for alarm in facts.open_alarms}
    raised_numbers = [event.alarm.number for event in facts.events if event.kind is EventKind.RAISED]
    raised = [latest[number] for number in dict.fromkeys(raised_numbers)]
    faults = tuple(alarm for alarm in raised if alarm.check != STORM)
    standing = tuple(alarm for alarm in facts.open_alarms if alarm.open_now and alarm.check != STORM)
    still = {alarm.number for alarm in standing}
    return Digest(
        facts=facts,
        begin=edges[0],
        end=edges[-1],
        received=float(received.mean()) if len(received) else 0.0,
        stations=stations,
        ranked=tuple(ranked),
        median_mm=float(np.median([one.total_mm for one in ranked])) if ranked else None,
        storms=tuple(alarm for alarm in raised if alarm.check == STORM),
        raised=faults,
        closed=tuple(alarm for alarm in faults if alarm.number not in still),
        standing=standing,
        answered_after=_answered_after(facts.events),
        trips=trips(network, standing),
        sent=sum(notice.state is NoticeState.ACCEPTED for notice in facts.notices),
        given_up=sum(notice.state is NoticeState.REFUSED for notice in facts.notices),
    )


def _station_week(station: str, facts: WeekFacts, position: int, received: float) -> StationWeek:
    days = zip(facts.rain_um[position], facts.known[position], strict=True)
    left_out = facts.left_out.get(station, "")
    clogged = next((a for a in facts.open_alarms if a.check == CLOGGED and station in a.stations and a.open_now), None)
    if not left_out and clogged is not None:
        left_out = f"clogged? no. {clogged.number}"
    if not left_out and received < ENOUGH:
        left_out = f"only {phrases.rounded_down(100 * received, 0)} % received"
    return StationWeek(
        station,
        tuple(int(rain) / 1000 if known > 0 else None for rain, known in days),
        int(facts.rain_um[position].sum()) / 1000,
        received,
        left_out,
    )


def _answered_after(events: Iterable[Event]) -> timedelta | None:
    waits = [
        event.alarm.acknowledged_at - event.alarm.raised_at
        for event in events
        if event.kind is EventKind.ACKNOWLEDGED and event.alarm.acknowledged_at and event.alarm.raised_at
    ]
    return sorted(waits)[len(waits) // 2] if waits else None


def trips(network: Network, standing: Iterable[Alarm]) -> tuple[Trip, ...]:
    """Return the stations worth a drive, grouped by road, else mast; what is not a station's own is for the phone."""
    stops: dict[str, list[Alarm]] = {}
    for alarm in sorted(standing, key=_pressing):
        if alarm.key.scope.startswith("station:") and not alarm.absorbed_by:
            stops.setdefault(alarm.key.scope.removeprefix("station:"), []).append(alarm)
    stations = {station.id: station for station in network.stations}
    groups: dict[str, list[tuple[str, tuple[Alarm, ...]]]] = {}
    for station_id, alarms in stops.items():
        station = stations.get(station_id)
        where = f"Road {station.road}" if station and station.road else ""
        where = where or (f"Mast {station.mast}" if station and station.mast else "No road or mast written")
        groups.setdefault(where, []).append((station_id, tuple(alarms)))
    return tuple(Trip(where, tuple(group)) for where, group in groups.items())


def _pressing(alarm: Alarm) -> tuple[int, float, datetime]:
    """Return a sort key: the severest first, then the battery with the fewest days, then the oldest."""
    days = alarm.numbers.get("days_left")
    return (-alarm.severity.rank, float(days) if days is not None else float("inf"), alarm.since)


def digest_words(digest: Digest, contact: Contact, network: Network) -> compose.Words:
    """Return the digest as a mail: the first screen says it all, the details follow."""
    now = digest.end
    say = phrases.Phrases(network, now)
    days_left = digest.facts.days_left
    context = compose.spoken(say, network) | {
        "d": digest,
        "facts": digest.facts,
        "health": digest.facts.health,
        "my_roles": [role for role in contact.roles if role in network.digest.tell],
        "days": phrases.WEEKDAYS,
        "batteries": sorted((one for one in days_left.items() if one[1] < FAR_DAYS), key=lambda one: one[1]),
        "batteries_far": sum(left >= FAR_DAYS for left in days_left.values()),
        "told": {alarm.number: _told(alarm, network, now) for alarm in (*digest.standing, *digest.raised)},
        "visits": [(trip.where, [_stop(stop, network, now) for stop in trip.stops]) for trip in digest.trips],
        "unwell": sorted({name for alarm in digest.standing for name in alarm.stations}),
        "storms": [_storm(storm) for storm in digest.storms],
        "least_received": min(digest.stations, key=lambda one: one.received, default=None),
        "left_out": [one for one in digest.stations if one.left_out],
    }
    said, trouble = compose.blocks(["digest/week.txt"], context, network)
    groups = [("", _rows(SCREEN, said)), ("Details", _rows(DETAILS, said))]
    letter = compose.mail(" ".join(said["subject"].split()), groups, "", network)
    return replace(letter, trouble=trouble or letter.trouble)


def _rows(names: Sequence[str], said: Mapping[str, str]) -> list[tuple[str, str]]:
    return [(name.capitalize().replace("_", " "), said[name]) for name in names]


def _told(alarm: Alarm, network: Network, now: datetime) -> dict[str, str]:
    """Return what a line about an alarm says: where, what, and what to bring."""
    said = compose.sections(alarm, network, now)
    return {"place": said["place"], "what": said["headline"], "bring": said["bring"]}


def _stop(stop: tuple[str, tuple[Alarm, ...]], network: Network, now: datetime) -> dict[str, str]:
    station, alarms = stop
    told = [_told(alarm, network, now) for alarm in alarms]
    bring = " ".join(dict.fromkeys(one["bring"] for one in told if one["bring"]))
    return {"station": station, "what": "; ".join(one["what"] for one in told), "bring": " ".join(bring.split())}


def _storm(alarm: Alarm) -> dict[str, Any]:
    """Return a storm's beginning, end, wettest gauge and peak, whichever of them are known."""
    numbers = alarm.numbers
    totals, peaks = numbers.get("totals") or [], numbers.get("peaks") or numbers.get("gauges") or []
    return {
        "number": alarm.number,
        "began_at": numbers.get("began_at") or alarm.since,
        "ended_at": numbers.get("ended_at"),
        "most": totals[0] if totals else None,
        "peak": peaks[0] if peaks else None,
        "rarest": rarest if (rarest := numbers.get("rarest")) and rarest["beyond"] != "less" else None,
        "blind": numbers.get("blind") or [],
    }

"""The visit list: which stations are worth a drive, grouped into trips, with what to load, how long, and by when.

Stations on one road (else in one area, else on one mast) are one trip, at most four stops of it; the stop that can wait
least says when it must start, and who lies on the way is done too. What a phone call settles, what is set aside and
what has a cause in common with others is named as not needing a drive.

Minutes on site and days of waiting by what is wrong: judgement, no source; a battery waits until the day before it
ends, a calibration until its day, and at most two days what makes a gauge blind that somebody relies on. Two to four
sites a day: common practice, no source.
"""

from __future__ import annotations

import csv
import hashlib
import io
import string
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import icalendar

from watchman.model import VISIT, Alarm, AlarmState, Span, When
from watchman.network import Network, Station
from watchman.telling import compose, phrases, roster

WORK: Mapping[str, tuple[int, int]] = {
    "overdue": (60, 3),
    "battery-decline": (45, 7),
    "not-charging": (45, 7),
    "dry-among-wet": (40, 3),
    "slow-drain": (40, 7),
    "stuck-value": (45, 5),
    "clock": (20, 14),
    "undercatch": (60, 30),
    "gaps": (30, 30),
    "limit": (30, 7),
    "due-dates": (60, 30),
    "doubtful-rain": (30, 30),
}
"""By check: minutes on site [min], and how long it can wait when nothing else says so [d]."""
BLIND = ("overdue", "dry-among-wet", "slow-drain", "stuck-value")
RELIED_ON_DAYS = 2
WEEKLY_DAYS = 30
SAME_STATION_MIN = 15
"""What a second trouble at a station costs besides [min]."""
MOST_STOPS = 4
DRIVEN_FOR = ("doubled", "stray tips")
"""Doubtful rain that only a look at the gauge settles."""
ON_THE_WAY_DAYS = 7
"""What could wait so much longer than its trip is done because one passes there anyway [d]."""
COLUMNS = (
    "trip",
    "where",
    "start by",
    "stop",
    "station",
    "name",
    "what",
    "bring",
    "minutes on site",
    "days it can wait",
    "alarms",
    "visit booked",
)
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
"""Cells that begin so are run by spreadsheets; a quote before them makes them words (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Stop:
    """A station worth a drive. alarms: the most pressing first; minutes: on site; wait_days: how long it can wait [d];
    booked_at: when a visit there begins that is booked already.
    """

    station: str
    alarms: tuple[Alarm, ...]
    minutes: int
    wait_days: int
    booked_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Trip:
    """Stops on one road, in one area or on one mast, the most pressing first. start_by: the last day to begin it."""

    where: str
    stops: tuple[Stop, ...]
    start_by: date

    @property
    def minutes(self) -> int:
        """Return the time on site at all stops [min]."""
        return sum(stop.minutes for stop in self.stops)


@dataclass(frozen=True, slots=True)
class Plan:
    """All trips, the most pressing first, and what needs none: the place and why."""

    trips: tuple[Trip, ...]
    not_needed: tuple[tuple[str, str], ...] = ()


def plan(network: Network, alarms: Iterable[Alarm], spans: Iterable[Span], now: datetime) -> Plan:
    """Return the visit list as things stand at `now`. alarms: those that have not ended; spans: those that hold."""
    standing = sorted((alarm for alarm in alarms if alarm.open_now), key=lambda alarm: _pressing(alarm, now))
    stations = {station.id: station for station in network.stations}
    driven: dict[str, list[Alarm]] = {}
    for alarm in standing:
        if alarm.key.scope.startswith("station:") and not _settled_otherwise(alarm):
            driven.setdefault(alarm.key.scope.removeprefix("station:"), []).append(alarm)
    booked = _booked(spans, now)
    groups: dict[str, list[Stop]] = {}
    for station_id, of_one in driven.items():
        if (station := stations.get(station_id)) is not None:
            stop = _stop(station, tuple(of_one), booked.get(station_id), now)
            groups.setdefault(_where(station), []).append(stop)
    trips = [trip for where, stops in groups.items() for trip in _trips(network, where, stops, now)]
    trips.sort(key=lambda trip: (trip.start_by, trip.where))
    return Plan(tuple(trips), tuple(_not_needed(network, standing, driven, now)))


def _pressing(alarm: Alarm, now: datetime) -> tuple[int, int, datetime]:
    """Return a sort key: what can wait least, then the severest, then the oldest."""
    return (_days(alarm, None, now), -alarm.severity.rank, alarm.since)


def _settled_otherwise(alarm: Alarm) -> str:
    """Return why nobody needs to drive for an alarm at a station, or ""."""
    if alarm.state is AlarmState.SHELVED:
        return "set aside"
    if alarm.absorbed_by:
        return f"part of no. {alarm.absorbed_by}"
    kind = alarm.numbers.get("kind")
    if alarm.check not in WORK or (alarm.check == "doubtful-rain" and kind not in DRIVEN_FOR):
        return "ask or phone first"
    return "phone" if alarm.check == "due-dates" and alarm.numbers.get("what") == "plan" else ""


def _stop(station: Station, alarms: tuple[Alarm, ...], booked_at: datetime | None, now: datetime) -> Stop:
    longest = max(WORK[alarm.check][0] for alarm in alarms)
    wait = min(_days(alarm, station, now) for alarm in alarms)
    return Stop(station.id, alarms, longest + SAME_STATION_MIN * (len(alarms) - 1), wait, booked_at)


def _days(alarm: Alarm, station: Station | None, now: datetime) -> int:
    """Return how many days an alarm can wait from now on, 0 for none."""
    left = alarm.numbers.get("days_left")
    if isinstance(left, int | float) and not isinstance(left, bool):
        # Of a battery a day is kept back; a calibration is due on its day.
        return max(int(left) - (alarm.check != "due-dates"), 0)
    days = WORK.get(alarm.check, (0, WEEKLY_DAYS))[1]
    if alarm.when is When.WEEKLY:
        return max(days, WEEKLY_DAYS)
    if station is not None and station.relied_on_by and alarm.check in BLIND:
        days = min(days, RELIED_ON_DAYS)
    return max(days - max((now - (alarm.raised_at or alarm.since)).days, 0), 0)


def _booked(spans: Iterable[Span], now: datetime) -> dict[str, datetime]:
    """Return when the next visit to each station begins that is booked and not over."""
    coming = [one for one in spans if one.reason == VISIT and one.withdrawn_at is None and one.ends_at > now]
    return {one.station: one.begins_at for one in sorted(coming, key=lambda one: one.begins_at, reverse=True)}


def _where(station: Station) -> str:
    for kind, name in (("Road", station.road), ("Area", station.area), ("Mast", station.mast)):
        if name:
            return f"{kind} {name}"
    return "No road or area written"


def _trips(network: Network, where: str, stops: Sequence[Stop], now: datetime) -> Iterator[Trip]:
    """Yield the stops of one road as trips of at most four, those that can wait least together."""
    ordered = sorted(stops, key=lambda stop: (stop.wait_days, -stop.alarms[0].severity.rank))
    for first in range(0, len(ordered), MOST_STOPS):
        part = tuple(ordered[first : first + MOST_STOPS])
        name = where if len(ordered) <= MOST_STOPS else f"{where}, {first // MOST_STOPS + 1}"
        yield Trip(name, part, _start_by(network, part[0].wait_days, now))


def _start_by(network: Network, days: int, now: datetime) -> date:
    """Return the last working day on which a trip can begin, today at the earliest."""
    today = now.astimezone(network.zone).date()
    day = today + timedelta(days=days)
    while day > today and not roster.is_working_day(network, day):
        day -= timedelta(days=1)
    return day


def _not_needed(
    network: Network, standing: Iterable[Alarm], driven: Mapping[str, Sequence[Alarm]], now: datetime
) -> Iterator[tuple[str, str]]:
    """Yield what stands and needs no drive, and why: shared causes, what a phone call settles, what is set aside."""
    for alarm in standing:
        scope, _, name = alarm.key.scope.partition(":")
        told = compose.sections(alarm, network, now)
        if scope == "station" and name not in driven and (why := _settled_otherwise(alarm)):
            until = alarm.shelved_until if alarm.state is AlarmState.SHELVED else None
            when = f" until {phrases.Phrases(network, now).day(until)}" if until else ""
            yield told["place"], f"{told['headline']}; {why}{when}"
        elif scope in ("mast", "plan", "source", "area"):
            yield told["place"], f"{told['headline']}; a cause in common"


# --- how it reads ---


def rows(network: Network, plan: Plan, now: datetime) -> list[dict[str, str]]:
    """Return one row a stop, by the names in COLUMNS."""
    say = phrases.Phrases(network, now)
    found = []
    for letter, trip in _lettered(plan):
        for place, stop in enumerate(trip.stops, start=1):
            what, bring = _told(network, stop, now)
            values = (
                letter,
                trip.where,
                trip.start_by.isoformat(),
                str(place),
                stop.station,
                say.full(stop.station),
                what,
                bring,
                str(stop.minutes),
                str(stop.wait_days),
                " ".join(str(alarm.number) for alarm in stop.alarms),
                stop.booked_at.astimezone(network.zone).isoformat(timespec="minutes") if stop.booked_at else "",
            )
            found.append(dict(zip(COLUMNS, values, strict=True)))
    return found


def _lettered(plan: Plan) -> Iterator[tuple[str, Trip]]:
    for place, trip in enumerate(plan.trips):
        turn, letter = divmod(place, 26)
        yield string.ascii_uppercase[letter] + (str(turn + 1) if turn else ""), trip


def _told(network: Network, stop: Stop, now: datetime) -> tuple[str, str]:
    """Return what is wrong at a stop, and what to bring, each said once."""
    told = [compose.sections(alarm, network, now) for alarm in stop.alarms]
    bring = dict.fromkeys(" ".join(one["bring"].split()) for one in told)
    return "; ".join(one["headline"] for one in told), " ".join(filter(None, bring))


def as_text(network: Network, plan: Plan, now: datetime) -> str:
    """Return the list for a person: a trip a heading, a stop a line or two, then what needs no drive."""
    say = phrases.Phrases(network, now)
    lines = [f"Visits for {network.name}, {say.stamp(now)}"]
    for letter, trip in _lettered(plan):
        on_site = phrases.lasting(timedelta(minutes=trip.minutes))
        stops = phrases.counted(len(trip.stops), "stop")
        lines += [
            "",
            f"Trip {letter}  {trip.where}: {stops}, about {on_site} on site; start by {say.day(trip.start_by)}",
        ]
        for place, stop in enumerate(trip.stops, start=1):
            lines += _stop_lines(network, trip, stop, place, say)
    if not plan.trips:
        lines += ["", "Nothing needs a drive."]
    if plan.not_needed:
        lines += ["", "Not needed:", *(f"  {place}: {why}" for place, why in plan.not_needed)]
    if plan.trips:
        lines += ["", "No drive at night, in a storm or in flood only because of this list."]
    return "\n".join(lines)


def _stop_lines(network: Network, trip: Trip, stop: Stop, place: int, say: phrases.Phrases) -> Iterator[str]:
    what, bring = _told(network, stop, say.now)
    numbers = ", ".join(str(alarm.number) for alarm in stop.alarms)
    yield f"  {place} {say.full(stop.station)}: {what} (no. {numbers})"
    wait = f"can wait {phrases.counted(stop.wait_days, 'day')}" if stop.wait_days else "should not wait"
    notes = [f"{stop.minutes} min", wait]
    if stop.wait_days - trip.stops[0].wait_days > ON_THE_WAY_DAYS:
        notes.append("since you pass anyway")
    if stop.booked_at is not None:
        notes.append(f"visit booked {say.clock(stop.booked_at)}")
    if taken := next((alarm.acknowledged_by for alarm in stop.alarms if alarm.acknowledged_by), ""):
        notes.append(f"{taken} has it")
    yield f"    {', '.join(notes)}.{f' Bring: {bring}' if bring else ''}"


def as_csv(network: Network, plan: Plan, now: datetime) -> str:
    """Return the list as a table (RFC 4180), no cell of which a spreadsheet takes for a formula."""
    file = io.StringIO()
    writer = csv.DictWriter(file, COLUMNS, lineterminator="\r\n")
    writer.writeheader()
    for row in rows(network, plan, now):
        writer.writerow({name: f"'{cell}" if cell.startswith(FORMULA) else cell for name, cell in row.items()})
    return file.getvalue()


def as_calendar(network: Network, plan: Plan, now: datetime) -> str:
    """Return the trips as a calendar (RFC 5545), each a day-long entry on the last day to start it.

    A trip to the same stations on the same day is the same entry, so that taking the file in again doubles nothing.
    """
    say = phrases.Phrases(network, now)
    calendar = icalendar.Calendar()
    calendar.add("PRODID", "-//watchman//visits//EN")
    calendar.add("VERSION", "2.0")
    for letter, trip in _lettered(plan):
        names = [say.full(stop.station) for stop in trip.stops]
        sign = "\n".join([network.name, trip.where, trip.start_by.isoformat(), *(stop.station for stop in trip.stops)])
        event = icalendar.Event()
        event.add("UID", f"trip-{hashlib.sha256(sign.encode()).hexdigest()[:20]}@{compose.domain(network)}")
        event.add("DTSTAMP", now)
        event.add("DTSTART", trip.start_by)
        event.add("DTEND", trip.start_by + timedelta(days=1))
        event.add("SUMMARY", f"Latest day for trip {letter}, {trip.where}: {', '.join(names)}")
        lines = [
            line
            for place, stop in enumerate(trip.stops, start=1)
            for line in _stop_lines(network, trip, stop, place, say)
        ]
        event.add("DESCRIPTION", "\n".join(line.strip() for line in lines))
        event.add("TRANSP", "TRANSPARENT")
        calendar.add_component(event)
    return str(calendar.to_ical().decode("utf-8"))

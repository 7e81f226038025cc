"""What the digest of one week is made of, gathered from the record, the store and the checks."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np

from watchman import drills, polls, watch
from watchman.judging import frost
from watchman.judging.alarms import NOT_A_FAULT
from watchman.judging.checks import battery_decline, dry_among_wet, exchanged_ids, heavy_rain, stuck_value
from watchman.judging.rule import Rule
from watchman.judging.science.season import days_to_season
from watchman.judging.view import Findings, View, aware
from watchman.model import RAIN, VISIT, Alarm, Event, EventKind, Span, Verdict
from watchman.network import Network
from watchman.readings.record import DAY, HOUR
from watchman.store import REJECTED_KEPT, Store
from watchman.telling import digest

COMING = timedelta(days=7)
"""How far ahead booked visits are named."""
SUSPECT = (dry_among_wet.NAME, stuck_value.NAME, exchanged_ids.NAME)
"""While one of these stands, a gauge's rain can't be used; of a stuck value only when the whole packet is frozen."""


@dataclass(frozen=True, slots=True)
class _Hours:
    """The week's hours. ends: when each ends [hour; s since 1970 UTC]; known: share of each covered by rain readings
    that count, and held: by those that don't [hour, station; 0 to 1]; day: which of the week's days it is part of
    [hour]; in_all: how many hours the week has.
    """

    ends: np.ndarray
    known: np.ndarray
    held: np.ndarray
    day: np.ndarray
    in_all: int


def facts(network: Network, store: Store, watching: watch.Watch, name: str, now: datetime) -> digest.WeekFacts:
    """Return the facts of an ISO week ("2025-W43"); alarms, batteries and what can't be judged as they are at `now`."""
    begin, end = digest.week_span(network, name)
    view = watch.learn(watching, watch.view_of(watching, now))
    hours = _hours(network, view, watching.spans, name)
    judged, _broken = watch.judge(network.rules, view, dict(watching.kept_findings))
    findings = {rule.check: found for rule, found in judged}
    batteries = findings.get(battery_decline.NAME)
    events = store.events(begin, end)
    numbers = dict.fromkeys(event.alarm.number for event in events)
    alarms_now = {number: alarm for number in numbers if (alarm := store.alarm(number))}
    suspect = _suspect(view, hours, (*store.ended_alarms(begin, now), *watching.alarms.values()), store, now)
    storms = [alarm for alarm in (*alarms_now.values(), *watching.alarms.values()) if alarm.check == heavy_rain.NAME]
    year, week = name.split("-")
    return digest.WeekFacts(
        week=name,
        rain_um=_rain(network, view, name),
        known=_by_day(hours, hours.known, network, name),
        held=_by_day(hours, hours.held, network, name),
        suspect=_shares(view, hours, suspect),
        too_cold=_shares(view, hours, _too_cold(view, hours) & ~suspect),
        away=_away(network, view, begin),
        events=events,
        alarms=alarms_now,
        open_alarms=tuple(one for one in watching.alarms.values() if one.raised_at is None or one.raised_at <= now),
        notices=store.notices(begin=begin, end=end),
        available_at=_available_at(network, store, view, events),
        untold=tuple(_untold(network, watching, view, hours, storms, now)),
        days_left=_days_left(view, batteries),
        not_full=_not_full(view, batteries),
        left_out=_left_out(network, view),
        not_judged=_not_judged(view, findings.get(dry_among_wet.NAME)),
        held_nothing=(*_held_nothing(watching, view, begin, end), *_shelved_nothing(store, events)),
        booked=tuple(one for one in watching.spans if one.reason == VISIT and now < one.begins_at <= now + COMING),
        revised=_revised(network, store, view, name),
        health=_health(network, store, watching, name, now),
        before=_figures(store, digest.week_name((begin - timedelta(days=3)).astimezone(network.zone).date())),
        year_ago=_figures(store, f"{int(year) - 1}-{week}"),
        also_owed=tuple(watching.marks.get(f"also:{name}", "").split()),
        made_at=max(now, end),
    )


def _edges(network: Network, name: str) -> list[int]:
    return [int(edge.timestamp()) for edge in digest.day_edges(network, name)]


def _rain(network: Network, view: View, name: str) -> np.ndarray:
    """Return each station's rain of the week's seven local days [um, int64], from the hourly cells."""
    grid = view.record.hourly
    rain = np.zeros((len(view.stations), 7), np.int64)
    for day, (begin, end) in enumerate(pairwise(_edges(network, name))):
        first, last = max(grid.cell(begin) + 1, 0), min(grid.cell(end), grid.head)
        if first <= last:
            rain[:, day] = grid.sum(first, last)
    return rain


def _hours(network: Network, view: View, spans: Iterable[Span], name: str) -> _Hours:
    grid, edges, positions = view.record.hourly, _edges(network, name), view.stations.positions
    first, last = max(grid.cell(edges[0]) + 1, 0), min(grid.cell(edges[-1]), grid.head)
    cells = np.arange(first, max(last + 1, first))
    known = np.minimum(grid.known[cells] / HOUR, 1.0)
    held = np.zeros(known.shape, bool)
    for span in spans:
        if span.station in positions:
            begin, end = int(span.begins_at.timestamp()), int(span.ends_at.timestamp())
            held[max(grid.cell(begin + 1) - first, 0) : max(grid.cell(end) + 1 - first, 0), positions[span.station]] = (
                True
            )
    # What doesn't count is not among the known; where anything came in such an hour, that is all that is not.
    held_share = np.where(held & (grid.covers[cells] > 0), 1.0 - known, 0.0)
    ends = grid.start + (cells + 1) * grid.step
    return _Hours(
        ends, known, held_share, np.searchsorted(edges, ends, side="left") - 1, (edges[-1] - edges[0]) // HOUR
    )


def _by_day(hours: _Hours, shares: np.ndarray, network: Network, name: str) -> np.ndarray:
    """Return the share of each of the week's days [station, day] from those of its hours."""
    lengths = np.diff(_edges(network, name)) / HOUR
    sums = np.stack([shares[hours.day == day].sum(axis=0) for day in range(7)], axis=1)
    return np.asarray(np.minimum(sums / lengths, 1.0))


def _shares(view: View, hours: _Hours, chosen: np.ndarray) -> dict[str, float]:
    """Return which share of the week is known and chosen [hour, station], of those stations of which any is, by id."""
    sums = (hours.known * chosen).sum(axis=0) / hours.in_all
    return {view.stations.ids[p]: float(sums[p]) for p in np.flatnonzero(sums > 0)}


def _suspect(view: View, hours: _Hours, alarms: Iterable[Alarm], store: Store, now: datetime) -> np.ndarray:
    """Say in which hours a gauge's rain can't be believed because of an alarm [hour, station]; not one that somebody
    said is no fault.
    """
    suspect = np.zeros(hours.known.shape, bool)
    for alarm in alarms:
        stuck_only = alarm.check == stuck_value.NAME and not alarm.numbers.get("frozen")
        if alarm.check not in SUSPECT or stuck_only or alarm.raised_at is None:
            continue
        if any(one.note.startswith(NOT_A_FAULT) for one in store.events_of(alarm.number) if alarm.ended_at):
            continue
        until = alarm.absent_since or alarm.ended_at or now
        inside = (hours.ends > alarm.since.timestamp()) & (hours.ends <= until.timestamp())
        for station in alarm.stations:
            if station in view.stations.positions:
                suspect[inside, view.stations.positions[station]] = True
    return suspect


def _too_cold(view: View, hours: _Hours) -> np.ndarray:
    """Say in which hours it was measured to be too cold for a gauge to be trusted, by whole days [hour, station]."""
    if not len(hours.ends):
        return np.zeros(hours.known.shape, bool)
    daily = view.record.daily
    first = max(daily.cell(int(hours.ends[0])), 0)
    cold, _measured = frost.measured_cold(view, first, np.arange(len(view.stations)))
    return np.asarray(cold[np.clip(daily.cells(hours.ends) - first, 0, len(cold) - 1)])


def _away(network: Network, view: View, begin: datetime) -> frozenset[str]:
    """Return the stations of which nothing was expected: stood down, out of their season, or not heard before the week
    when others had been.
    """
    heard = view.record.first_heard
    others_before = ((heard > 0) & (heard <= begin.timestamp())).any()
    today = (view.now + view.stations.utc_offset_s) // DAY
    return frozenset(
        station.id
        for position, station in enumerate(network.stations)
        if station.status in watch.AWAY
        or (station.season and days_to_season(station.season, today))
        or (others_before and not 0 < heard[position] <= begin.timestamp())
    )


def _available_at(network: Network, store: Store, view: View, events: Iterable[Event]) -> dict[int, datetime]:
    """Return when the reading was there that raised each storm, by its number."""
    found = {}
    for event in events:
        if event.kind is not EventKind.RAISED or event.alarm.check != heavy_rain.NAME:
            continue
        came = [
            at
            for gauge in event.alarm.numbers.get("gauges", ())
            if (at := _came_at(network, store, view, gauge, int(event.at.timestamp()))) is not None
        ]
        if came:
            found[event.alarm.number] = aware(min(came))
    return found


def _came_at(network: Network, store: Store, view: View, gauge: Mapping[str, Any], before: int) -> int | None:
    """Return when the newest reading that a gauge's stretch ends with arrived [s since 1970 UTC], None if not kept."""
    position = view.stations.positions.get(gauge["station"])
    if position is None:
        return None
    ended = int(datetime.fromisoformat(gauge["ended_at"]).timestamp())
    rows = store.delivered(ended - 60 * network.grid_minutes, ended, stations=np.array([position]), variable=RAIN)
    came = rows.received_at[rows.received_at <= before]
    return int(came.max()) if len(came) else None


def _untold(
    network: Network,
    watching: watch.Watch,
    view: View,
    hours: _Hours,
    storms: Iterable[Alarm],
    now: datetime,
) -> Iterator[digest.Untold]:
    """Yield the heavy rain of the week that no storm told of: of each station what is furthest beyond its limit, the
    furthest of all first.

    A limit of whole hours is held against hourly sums; one of a part of an hour is reached for sure where the hour's
    mean reaches it. Rain counts as told within a storm and an hour after it.
    """
    grid, limits = view.record.hourly, [limit for rule in network.rules for limit in _in_hours(rule)]
    known_since = max(int(datetime.fromisoformat(watching.marks["watched_since"]).timestamp()), 0)
    cells = grid.cells(hours.ends)
    spells = [
        (alarm.since.timestamp(), (alarm.absent_since or alarm.ended_at or now).timestamp() + HOUR)
        for alarm in storms
        if alarm.raised_at is not None
    ]
    worst: dict[int, tuple[float, digest.Untold]] = {}
    for length, um in limits:
        able = (cells + 1 >= length) & (hours.ends > known_since)
        sums = grid.running[cells[able] + 1] - grid.running[cells[able] + 1 - length]
        ends = hours.ends[able]
        told = np.zeros(len(ends), bool)
        for begins, over in spells:
            told |= (ends >= begins) & (ends - length * HOUR <= over)
        for row, position in np.argwhere((sums >= um) & ~told[:, None]):
            one = digest.Untold(view.stations.ids[position], int(sums[row, position]) / 1000, length, aware(ends[row]))
            if view.on_probation[position] or not view.in_service[position]:
                continue
            beyond = float(sums[row, position] / um)
            if position not in worst or beyond > worst[position][0]:
                worst[int(position)] = beyond, one
    yield from (one for _, one in sorted(worst.values(), key=lambda found: -found[0]))


def _in_hours(rule: Rule) -> Iterator[tuple[int, int]]:
    """Yield a heavy-rain rule's limits as whole hours with the least depth in them that proves each [um]."""
    for limit in rule.settings.limits if isinstance(rule.settings, heavy_rain.Settings) else ():
        plain = (limit.minutes or limit.hours) and limit.depth_um
        if plain and limit.seconds % HOUR == 0:
            yield limit.seconds // HOUR, limit.depth_um
        elif plain and HOUR % limit.seconds == 0:
            yield 1, limit.depth_um * HOUR // limit.seconds


def _days_left(view: View, findings: Findings | None) -> dict[str, float]:
    if findings is None:
        return {}
    left = findings.numbers["days_left"]
    return {station: float(left[p]) for p, station in enumerate(view.stations.ids) if np.isfinite(left[p])}


def _not_full(view: View, findings: Findings | None) -> dict[str, int]:
    """Return for how many days each battery has not been full [d], where its volts tell."""
    if findings is None:
        return {}
    left, days = findings.numbers["days_left"], findings.numbers["days_not_full"]
    return {station: int(days[p]) for p, station in enumerate(view.stations.ids) if np.isfinite(left[p])}


def _left_out(network: Network, view: View) -> dict[str, str]:
    """Return why a station's rain isn't ranked: what stations.csv says of it, its season, or that it is new here."""
    seasonal = view.stations.season
    today = (view.now + view.stations.utc_offset_s) // DAY
    out: dict[str, str] = {}
    for position, station in enumerate(network.stations):
        if station.status:
            out[station.id] = station.status
        elif seasonal[position] and days_to_season(seasonal[position], today):
            out[station.id] = "stood down for the season"
        elif view.on_probation[position]:
            out[station.id] = "new here, on probation"
        elif not view.record.first_heard[position]:
            out[station.id] = "never heard yet"
    return out


def _not_judged(view: View, findings: Findings | None) -> dict[str, str]:
    if findings is None:
        return {}
    undetermined = np.flatnonzero(findings.verdict == Verdict.UNDETERMINED)
    return {view.stations.ids[p]: str(findings.reason[p]) for p in undetermined}


def _held_nothing(watching: watch.Watch, view: View, begin: datetime, end: datetime) -> tuple[digest.Hold, ...]:
    """Return the visits of the week in which the station sent no tip: booked in vain, or at the wrong time."""
    positions = view.stations.positions
    grid, holds = view.record.hourly, []
    for span in watching.spans:
        if span.reason != VISIT or span.station not in positions or not begin <= span.ends_at < end:
            continue
        first, last = grid.cell(int(span.begins_at.timestamp())), grid.cell(int(span.ends_at.timestamp()))
        if first >= 0 and not grid.held[first : last + 1, positions[span.station]].any():
            holds.append(digest.Hold("window", span.station, span.begins_at, span.ends_at, span.who))
    return tuple(holds)


def _shelved_nothing(store: Store, events: Iterable[Event]) -> Iterator[digest.Hold]:
    """Yield the shelvings that ended in the week and held nothing back: what they set aside was gone all the time."""
    for event in events:
        if event.kind not in (EventKind.UNSHELVED, EventKind.RETURNED, EventKind.ENDED):
            continue
        steps = [one for one in store.events_of(event.alarm.number) if one.step < event.step]
        aside = next((one for one in reversed(steps) if one.kind in (EventKind.SHELVED, EventKind.UNSHELVED)), None)
        gone_since = event.alarm.absent_since
        if aside is not None and aside.kind is EventKind.SHELVED and gone_since is not None and gone_since <= aside.at:
            place = event.alarm.stations[0] if event.alarm.stations else event.alarm.key.scope
            yield digest.Hold("shelving", place, aside.at, event.at, aside.who)


def _revised(network: Network, store: Store, view: View, name: str) -> dict[str, tuple[float, float]]:
    """Return what late readings have changed since of the week before, by station [mm told, mm known now]."""
    begin, _end = digest.week_span(network, name)
    before = digest.week_name((begin - timedelta(days=3)).astimezone(network.zone).date())
    told = _totals_told(store, before)
    if not told:
        return {}
    rain = _rain(network, view, before)
    now_mm = {station: int(rain[p].sum()) / 1000 for p, station in enumerate(view.stations.ids)}
    return {
        station: (mm, now_mm[station])
        for station, mm in told.items()
        if station in now_mm and abs(now_mm[station] - mm) >= 0.1
    }


def _health(network: Network, store: Store, watching: watch.Watch, name: str, now: datetime) -> digest.ToolHealth:
    """Return how the watch itself did: its polls, the week's rows that could not be read, when it was off, and the last
    drill.
    """
    begin, end = digest.week_span(network, name)
    drill = drills.last(store)
    return digest.ToolHealth(
        rejected_rows=sum(begin <= row.received_at < end for row in store.rejected(REJECTED_KEPT)),
        last_drill_at=drill.drilled_at if drill else None,
        reached=len(drill.answered) if drill else 0,
        asked=len(drill.asked) if drill else 0,
        polls=polls.of_week(network, watching.marks, watching.health, name, now),
        off=tuple(_times_off(store, begin, end)),
    )


def _times_off(store: Store, begin: datetime, end: datetime) -> Iterator[tuple[datetime, datetime]]:
    """Yield when the watch was off in the week, as it told so when it was back."""
    occasions = dict.fromkeys(notice.occasion for notice in store.notices(begin=begin) if notice.kind == "tool")
    for occasion in occasions:
        what, _, when = occasion.partition(":")
        if what == "off":
            began, ended = (datetime.fromisoformat(moment) for moment in when.split("/"))
            if began < end and ended > begin:
                yield began, ended


def figures_mark(figures: digest.Figures) -> str:
    """Return a week's figures as they are told now, to be kept, so that later weeks can be held against them."""
    return json.dumps(asdict(figures))


def _figures(store: Store, name: str) -> digest.Figures | None:
    told = store.marks(f"figures:{name}").get(f"figures:{name}")
    return digest.Figures(**json.loads(told)) if told else None


def totals_mark(network: Network, week: digest.WeekFacts) -> str:
    """Return a week's totals as they are told now, to be kept, so that a later revision can be named."""
    totals = week.rain_um.sum(axis=1).tolist()
    return " ".join(f"{station.id}={um}" for station, um in zip(network.stations, totals, strict=True))


def _totals_told(store: Store, name: str) -> dict[str, float]:
    pairs = (item.rsplit("=", 1) for item in store.marks().get(f"totals:{name}", "").split())
    return {station: int(um) / 1000 for station, um in pairs}

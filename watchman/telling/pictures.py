"""What the pictures in mails show, taken from the record as it stands when a mail is put into words (pure).

Each function returns a sketch: plain numbers with their names, and the sentence that stands in the picture's place for
whoever doesn't see it. charts.py draws them.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from typing import Any

import numpy as np

from watchman.judging.battery_days import battery_days, kinds
from watchman.judging.checks import battery_decline, dry_among_wet, heavy_rain
from watchman.judging.science import battery
from watchman.judging.view import View, aware
from watchman.model import Alarm, EventKind
from watchman.readings.record import DAY, HOUR, Grid
from watchman.telling import phrases
from watchman.telling.charts import BatteryWeeks, DailyRain, Ranking, Shown, Sketch, Storm, StormGauge

NAME_LETTERS = 30
"""The longest name that has room in a picture, and half of it beside a bar [characters]."""
GAUGES, DAYS, LOOK_BACK_DAYS = 5, 10, 31
"""The gauge in doubt and its neighbours; the latest wet days, and from how many days."""
WET_UM = 1000
"""A day counts as wet from here on at any of the gauges shown [um]."""
HORIZON_DAYS, LEAST_HORIZON_DAYS = 21, 5
"""How far ahead a battery's end is shown [d]."""
STORM_GAUGES, STORM_BARS = 3, 36
STEPS_MIN = (15, 30, 60, 180, 360, 720, 1440)
"""How long a storm's bars may be [min]: the shortest that makes few enough of them."""
ROWS_FIRST, ROWS_LAST = 12, 8
"""Of a long ranking so many are shown from the top and from the bottom."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What the pictures are made from: the view at the time, how things are said here, and a domain for their names."""

    view: View
    say: phrases.Phrases
    domain: str


def of_alarm(alarm: Alarm, event: EventKind, seen: Seen) -> tuple[Sketch, ...]:
    """Return the pictures of a mail about one step of an alarm; none where words tell it better."""
    over = event in (EventKind.RETURNED, EventKind.ENDED)
    if alarm.check == heavy_rain.NAME and event is not EventKind.RETURNED:
        sketch = _storm(alarm, event is EventKind.ENDED, seen)
    elif over:
        sketch = None
    elif "cause" in alarm.numbers:
        sketch = _weakest(alarm, seen) if alarm.check == battery_decline.NAME else None
    else:
        make = OF_STATIONS.get(alarm.check)
        position = seen.view.stations.positions.get(alarm.key.scope.removeprefix("station:"))
        sketch = make(alarm, position, seen) if make is not None and position is not None else None
    return () if sketch is None else (sketch,)


def _sketch(section: str, alternative: str, shown: Shown, domain: str) -> Sketch:
    # Its name is made of what it shows, so that nothing else in the same mail box has it.
    digest = hashlib.sha256(repr((alternative, shown)).encode()).hexdigest()[:24]
    return Sketch(f"{digest}@{domain}", section, alternative, shown)


def _dry_gauge(alarm: Alarm, position: int, seen: Seen) -> Sketch | None:
    """Return a dry gauge beside its neighbours: daily rain of the last wet days."""
    stations, daily, numbers = seen.view.stations, seen.view.record.daily, alarm.numbers
    named = {witness["name"] for witness in numbers["witnesses"]}
    near = [
        (int(other), float(km))
        for other, km in zip(stations.neighbours[position], stations.neighbours_km[position], strict=True)
        if other >= 0 and stations.names[other] in named
    ][: GAUGES - 1]
    places = np.array([position, *(other for other, _ in near)])
    first = max(daily.head + 1 - LOOK_BACK_DAYS, 0)
    um = daily.rain[first : daily.head + 1][:, places]
    known = daily.known[first : daily.head + 1][:, places] > 0
    days = np.flatnonzero((um >= WET_UM).any(axis=1))[-DAYS:]
    if not near or not len(days):
        return None
    dates = [_date(daily, first + int(day), stations.utc_offset_s) for day in days]
    began = date.fromisoformat(numbers["days"][0]["day"]) if numbers["days"] else dates[-1]
    dry_from = sum(day < began for day in dates)
    names = [_cut(stations.names[place]) for place in places]
    labels = [f"{names[0]} (this gauge)"]
    labels += [f"{name}, {phrases.rounded_down(km)} km" for name, (_, km) in zip(names[1:], near, strict=True)]
    rows = [
        tuple(
            int(value) / 1000 if heard else None for value, heard in zip(um[days, row], known[days, row], strict=True)
        )
        for row in range(len(places))
    ]
    shown = DailyRain(
        title=f"Rain by day [{seen.say.depth_unit}]",
        days=tuple(f"{phrases.WEEKDAYS[day.weekday()]}\n{day.day}" for day in dates),
        gauges=tuple(zip(labels, rows, strict=True)),
        dry_from=min(dry_from, len(dates) - 1),
        unit=seen.say.depth_unit,
    )
    sums = [sum(value or 0.0 for value in row[shown.dry_from :]) for row in rows]
    before = sum(value or 0.0 for value in rows[0][: shown.dry_from])
    since = phrases.counted(len(dates) - shown.dry_from, "wet day")
    alternative = (
        f"Bars of the rain by day. {names[0]}: {seen.say.mm(sums[0])} on the {since} from "
        f"{seen.say.day(dates[shown.dry_from])} to {seen.say.day(dates[-1])}"
        + (
            f", {seen.say.mm(before)} on the {phrases.counted(shown.dry_from, 'wet day')} before"
            if shown.dry_from
            else ""
        )
        + f". In the same {since}: "
        + ", ".join(f"{name} {seen.say.mm(total)}" for name, total in zip(names[1:], sums[1:], strict=True))
        + "."
    )
    return _sketch("Evidence", alternative, shown, seen.domain)


def _date(daily: Grid, cell: int, utc_offset_s: int) -> date:
    return aware(daily.end_of(cell - 1) + utc_offset_s).date()


def _battery(alarm: Alarm, position: int, seen: Seen) -> Sketch | None:
    """Return a battery's mornings beside its neighbours', and how long it lasts."""
    view, numbers = seen.view, alarm.numbers
    days = battery_days(view)
    kind = kinds(view, days)
    cutoff_v = battery.cutoff(kind, view.stations.cutoff_v)
    flat = kind[position] == battery.LITHIUM_IRON
    others = view.stations.neighbours[position, : battery_decline.NEAREST]
    others = others[(others >= 0)]
    others = others[(kind[others] == kind[position]) if flat else kind[others] != battery.LITHIUM_IRON]
    all_days = days.dawn_v if flat else 100 * battery.charge(days.dawn_v, kind, cutoff_v)
    others = others[~np.isnan(all_days[:, others]).all(axis=0)]
    own, theirs = all_days[:, position], _median(all_days[:, others])
    known = np.flatnonzero(~np.isnan(own))
    if len(known) < 2:
        return None
    cutoff = float(cutoff_v[position])
    left = None if flat else _left(numbers)
    horizon = min(max(round(left[2]) + 1, LEAST_HORIZON_DAYS), HORIZON_DAYS) if left else LEAST_HORIZON_DAYS
    lowest = min(np.nanmin(own), cutoff)
    name, unit = _cut(view.stations.names[position], NAME_LETTERS // 2), "V" if flat else "%"
    last = aware(float(days.dawn_at[-1, position])).astimezone(seen.say.zone).date()
    shown = BatteryWeeks(
        title="Volts at dawn" if flat else "Charge at dawn",
        unit=unit,
        own=_optional(own),
        own_name=name,
        peers=_optional(theirs),
        peers_name=f"median of {phrases.counted(len(others), 'neighbour')}" if len(others) else "",
        bottom=round(lowest - 0.1, 1) if flat else 0.0,
        top=round(float(np.nanmax(own)) + 0.1, 1) if flat else 100.0,
        cutoff=cutoff if flat else 0.0,
        cutoff_name=f"cut-off {phrases.rounded_down(cutoff, 2)} V",
        left=left,
        left_name=_left_name(left),
        horizon=horizon,
        ticks=_ticks(last, len(own), horizon),
    )
    began, ended = float(own[known[0]]), float(own[known[-1]])
    alternative = (
        f"A line of the {'volts' if flat else 'charge'} at dawn of {view.stations.names[position]} over "
        f"{len(own) - known[0]} days, from {_value(began, unit)} to {_value(ended, unit)}"
        + (f"; the {shown.peers_name} {_first_and_last(theirs, unit)}" if len(others) else "")
        + f". It switches off at {phrases.rounded_down(cutoff, 2)} V"
        + ("" if flat else ", which is 0 %")
        + (f": {shown.left_name}." if left else ".")
    )
    return _sketch("Evidence", alternative, shown, seen.domain)


def _left(numbers: Mapping[str, Any]) -> tuple[float, float, float] | None:
    left = [numbers.get(name) for name in ("days_left_low", "days_left", "days_left_high")]
    return None if None in left else (float(left[0]), float(left[1]), float(left[2]))  # type: ignore[arg-type]


def _left_name(left: tuple[float, float, float] | None) -> str:
    if left is None:
        return ""
    low, about, high = (phrases.rounded_down(days, 0) for days in left)
    return f"about {phrases.counted(int(about), 'day')} left ({low}-{high})"


def _median(values: np.ndarray) -> np.ndarray:
    """Return the median of each row, NaN where nothing is known."""
    rows = [row[~np.isnan(row)] for row in values]
    return np.array([np.median(row) if len(row) else np.nan for row in rows])


def _optional(values: np.ndarray) -> tuple[float | None, ...]:
    return tuple(None if np.isnan(value) else round(float(value), 2) for value in values)


def _value(value: float, unit: str) -> str:
    return f"{phrases.rounded_down(value, 0 if unit == '%' else 2)} {unit}"


def _first_and_last(values: np.ndarray, unit: str) -> str:
    known = values[~np.isnan(values)]
    return f"from {_value(float(known[0]), unit)} to {_value(float(known[-1]), unit)}"


def _ticks(last: date, days: int, horizon: int) -> tuple[tuple[int, str], ...]:
    """Return each week's day, counted from the last one, with its date."""
    weeks = range(-(days // 7) * 7 + 7, horizon + 1, 7)
    dates = {ahead: last + timedelta(days=ahead) for ahead in weeks}
    return tuple((ahead, f"{day.day} {phrases.MONTHS[day.month - 1]}") for ahead, day in dates.items())


def _weakest(alarm: Alarm, seen: Seen) -> Sketch | None:
    """Return the batteries that the weather lowers, by days left."""
    batteries = [(one["station"], float(one["days_left"])) for one in alarm.numbers.get("batteries", ())]
    return days_left("Evidence", batteries, seen.say, seen.domain)


def days_left(section: str, batteries: Sequence[tuple[str, float]], say: phrases.Phrases, domain: str) -> Sketch | None:
    """Return batteries by days left [id, d], the fewest first; None where there is none."""
    weakest = sorted(batteries, key=lambda one: one[1])[:ROWS_FIRST]
    if not weakest:
        return None
    told = [(name, left, phrases.counted(int(left), "day")) for name, left in weakest]
    shown = Ranking(
        "Batteries by days left",
        tuple((say.short(name), left, said, False) for name, left, said in told),
    )
    said = ", ".join(f"{say.full(name)} {days}" for name, _, days in told)
    return _sketch(
        section,
        f"Bars of the days left of {phrases.counted(len(told), 'battery', 'batteries')}: {said}.",
        shown,
        domain,
    )


def week_rain(
    section: str,
    ranked: Sequence[tuple[str, float]],
    left_out: Sequence[tuple[str, str]],
    median_mm: float,
    say: phrases.Phrases,
    domain: str,
) -> Sketch | None:
    """Return the week's rain by station: ids with depths [mm], the most first, and ids with why not ranked."""
    if not ranked:
        return None
    rows: list[tuple[str, float | None, str, bool]] = [
        (say.short(name), mm, say.bare(mm), False) for name, mm in ranked
    ]
    if len(rows) > ROWS_FIRST + ROWS_LAST:
        between = len(rows) - ROWS_FIRST - ROWS_LAST
        rows[ROWS_FIRST:-ROWS_LAST] = [("", None, f"{between} more between", False)]
    rows += [(say.short(name), None, _cut(why), True) for name, why in left_out[:ROWS_LAST]]
    line = (median_mm, f"median {say.bare(median_mm)}")
    shown = Ranking(f"Rain of the week [{say.depth_unit}]", tuple(rows), line)
    (most, most_mm), (least, least_mm) = ranked[0], ranked[-1]
    alternative = (
        f"Bars of the week's rain at {phrases.counted(len(ranked), 'station')}: "
        f"most {say.full(most)} {say.mm(most_mm)}, "
        f"least {say.full(least)} {say.mm(least_mm)}, median {say.mm(median_mm)}."
        + (f" Not ranked: {say.fulls([name for name, _ in left_out])}." if left_out else "")
    )
    return _sketch(section, alternative, shown, domain)


def _storm(alarm: Alarm, over: bool, seen: Seen) -> Sketch | None:
    """Return the rain of a storm's worst gauges step by step, with their limits: so far, or from its first tip on."""
    view, numbers = seen.view, alarm.numbers
    listed = {gauge["name"]: gauge for gauge in numbers.get("gauges", ())}
    worst = [listed.get(one["name"], one) | one for one in numbers.get("peaks") or numbers.get("gauges", ())]
    positions = view.stations.positions
    by_name = {view.stations.names[positions[one]]: positions[one] for one in alarm.stations if one in positions}
    worst = [gauge for gauge in worst if gauge["name"] in by_name][:STORM_GAUGES]
    if not worst:
        return None
    places = np.array([by_name[gauge["name"]] for gauge in worst])
    edges = _edges(view, numbers, worst, places, alarm.since.timestamp(), over)
    if len(edges) < 2:
        return None
    gauges = tuple(_storm_gauge(seen, gauge, int(place), edges) for gauge, place in zip(worst, places, strict=True))
    # Rain that no longer counts leaves nothing to see.
    if not any(mm for gauge in gauges for mm in gauge.bars):
        return None
    length = phrases.within((edges[1] - edges[0]) / 60)
    shown = Storm(f"Rain in {length} [{seen.say.depth_unit}]", _times(edges, seen.say), gauges, seen.say.depth_unit)
    say = seen.say
    said = " ".join(
        f"{gauge['name']}: {say.mm(sum(mm or 0.0 for mm in one.bars))} in all, most "
        f"{say.mm(gauge['mm'])} in {phrases.within(gauge['minutes'])} by {seen.say.clock(gauge['ended_at'])}"
        + (f" ({one.limit_name})." if one.limit is not None else ".")
        for gauge, one in zip(worst, gauges, strict=True)
    )
    which = "the worst gauge" if len(worst) == 1 else f"the {len(worst)} worst gauges"
    alternative = (
        f"Bars of the rain in {length} from {seen.say.clock(aware(edges[0]))} to {seen.say.clock(aware(edges[-1]))} "
        f"at {which}. {said}"
    )
    return _sketch("Evidence", alternative, shown, seen.domain)


def _edges(
    view: View,
    numbers: Mapping[str, Any],
    worst: Sequence[Mapping[str, Any]],
    places: np.ndarray,
    since: float,
    over: bool,
) -> np.ndarray:
    """Return where a storm's bars begin and end [s since 1970 UTC].

    One ends where the worst gauge's strongest rain did, so that a limit of the bars' length is seen reached. While the
    storm stands there are whole bars only.
    """
    grid = view.record.fine
    ends = [phrases.moment(gauge["ended_at"]).timestamp() for gauge in worst]
    begin = min(end - 60 * gauge["minutes"] for end, gauge in zip(ends, worst, strict=True))
    end = max(*ends, view.now)
    if over and "began_at" in numbers and "ended_at" in numbers:
        begin = min(begin, phrases.moment(numbers["began_at"]).timestamp())
        end = phrases.moment(numbers["ended_at"]).timestamp()
    elif not over:
        begin = min(begin, since) - HOUR
    begin = max(begin, grid.start)
    covers = int(view.record.covers_s[places].max(initial=0)) // 60
    fits = [step for step in STEPS_MIN if 60 * step >= grid.step and step >= covers]
    step = 60 * next((step for step in fits if (end - begin) / 60 / step <= STORM_BARS), STEPS_MIN[-1])
    anchor = grid.end_of(grid.cell(int(ends[0])))
    first = math.floor((begin - anchor) / step)
    last = math.ceil((end - anchor) / step) if over else max(math.floor((end - anchor) / step), 0)
    return np.asarray(anchor + step * np.arange(first, last + 1), np.int64)


def _storm_gauge(seen: Seen, gauge: Mapping[str, Any], position: int, edges: np.ndarray) -> StormGauge:
    grid, say = seen.view.record.fine, seen.say
    at = np.clip(grid.cells(edges) + 1, 0, grid.head + 1)
    um = np.diff(grid.running[at, position])
    known = np.diff(grid.running_known[at, position]) > 0
    bars = tuple(int(mm) / 1000 if heard or mm else None for mm, heard in zip(um.tolist(), known.tolist(), strict=True))
    limit = gauge.get("limit")
    if limit is not None and limit["minutes"] != gauge["minutes"]:
        limit = None
    cells = np.arange(grid.head + 2)
    before = np.maximum(cells - 60 * int(gauge["minutes"]) // grid.step, 0)
    within = grid.running[cells, position] - grid.running[before, position]
    sums = tuple(int(within[first + 1 : last + 1].max(initial=0)) / 1000 for first, last in pairwise(at))
    if max(sums) <= max(mm or 0.0 for mm in bars):
        sums = ()
    length = phrases.within(gauge["minutes"])
    return StormGauge(
        name=f"{_cut(gauge['name'], NAME_LETTERS - 8)}, {say.mm(gauge['mm'])} in {length}",
        bars=bars,
        sums=sums,
        sums_name=f"{say.bare(max(sums))} in {length}" if sums else "",
        limit=None if limit is None else float(limit["mm"]),
        limit_name="" if limit is None else f"limit {say.mm(limit['mm'])} in {phrases.within(limit['minutes'])}",
    )


def _times(edges: np.ndarray, say: phrases.Phrases) -> tuple[tuple[int, str], ...]:
    """Return the first, middle and last time; a long storm's with their days."""
    places = sorted({0, len(edges) // 2, len(edges) - 1})
    long = edges[-1] - edges[0] > 2 * DAY
    return tuple(
        (place, say.clock(aware(edges[place])) if not long else say.day(aware(edges[place]))) for place in places
    )


def _cut(name: str, longest: int = NAME_LETTERS) -> str:
    name = " ".join(name.split())
    return name if len(name) <= longest else f"{name[: longest - 1].rstrip()}."


OF_STATIONS: Mapping[str, Callable[[Alarm, int, Seen], Sketch | None]] = {
    dry_among_wet.NAME: _dry_gauge,
    battery_decline.NAME: _battery,
}
"""The checks about one station that have a picture."""

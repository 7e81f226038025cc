"""Is this rain real: test tips, poured water, a spike, double or stray tips, another unit or tip size?

Each kind has its own evidence; of several at one gauge the first of its rule's list is told.

    test tips       20 to 200 tips in working hours, even or too short for rain, at least three gauges within 30 km dry.
                    Held out of rain totals (judging/holding.py says how), and somebody is asked: test or rain? With
                    readings over 15 minutes five must be dry for three hours, rain at one gauge alone must be rare here
                    (the same), and the tips count until answered
    poured          as many within an hour in working hours (readings up to 15 minutes), all near it dry from three
                    hours before to an hour after, and either unlike rain (their ups and downs, less one rise and one
                    fall, are 0.3 of all tips, or nearly as even or short as a test; four gauges heard), or where rain
                    at one gauge alone is rare, as the month before shows (judging/holding.py). It is a question: it
                    counts, and heavy rain is told
    spike           one reading of more than 30 mm in 5 minutes (30 (D/5)^0.475 mm in D minutes) while no gauge within
                    30 km has a third of it; or of more than 10 (D/5)^0.475 mm, and of 25 times the median of at least
                    three gauges within 30 km, with at most 0.15 of it in the reading before and after; or one that no
                    place on earth ever had
    unit            readings that its tips can't make, but can times or by 25.4 or 10 (science/tips.py); all rain since
                    is held out of totals and heavy rain
    doubled         a rise beside its neighbours and even counts that began together: odds of 30 to 1 or more from both
                    (judging/doubled.py)
    off the grid    readings of the last days that are whole numbers of another usual tip size, and not of the written
    wrong tip size  a ratio of 0.77 to 0.81 or 1.24 to 1.30 to its neighbours (0.2 or 0.254 mm taken for the other) as
                    long as is known, over 300 mm and within 0.02 by its own spread, at gauges of like height
    stray tips      at least eight hours in two weeks with one to three tips while three quarters of the gauges within
                    30 km were dry for 3 hours before and 1 after, and three times as many as at the middle one of
                    them; no single tips at dawn (dew), and about frost only in hours under -1 degC (nothing melts)
    sprinkler       1 mm or more at the same hour of at least three days in two weeks, amounts within 1.8 times their
                    median, the others dry for 2 hours before and 1 after; such rain at other hours on half as many days
                    at most

Where the numbers come from: 10 mm in 5 minutes, 25 times: de Vos et al. 2019 (GRL 46:8820), settings of the authors'
scripts. 30 mm in 5 minutes: above the 100-year depth of Irving, Texas (25.7 mm; NOAA Atlas 14); 0.475: the envelope of
the world's records (WMO-No. 168, from memory), which gives 51 and 98 mm in 15 and 60 minutes where Atlas 14 has 51 and
92. All else: judgement, checked on our own simulated showers, no source.

What it cannot see: a fault at a gauge without three others within 30 km (but `unit` and impossible depths); two gauges
watered at once; double tips that are neither many nor days old; which of two gauges a wrong tip is at.
What it can't tell apart: an hour's sum of a small shower, of a test and of poured water; the same within a quarter of
an hour where showers often come to one gauge alone (thunderstorms, gauges far apart): there only what goes up and down
is asked about; and water poured as smoothly as a shower rises and falls.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field

from watchman.judging import doubled, holding, ratios, steps
from watchman.judging.science.bursts import restlessness
from watchman.judging.science.tips import odds_of_even
from watchman.judging.view import Findings, View, rfc3339
from watchman.model import WATCH, Span, Verdict
from watchman.readings.record import DAY, HOUR
from watchman.written import Written

NAME = "doubtful-rain"

Kind = Literal[
    "unit",
    "test tips",
    "spike",
    "poured",
    "doubled",
    "off the grid",
    "wrong tip size",
    "stray tips",
    "sprinkler",
]
AT_ONCE: tuple[Kind, ...] = ("unit", "test tips", "spike", "poured")
"""What is seen in the readings of a day; all others need weeks, and are asked once a day."""

TOLD_FOR_S = DAY
"""So long after it ended an event is still there to be told, at the latest next morning [s] (judgement, no source)."""
PEAK_MM, LONE_MM, TIMES, EXPONENT = 30.0, 10.0, 25, 0.475
AROUND = 0.15
SUPPORT = 1 / 3


class Settings(Written):
    """How doubtful-rain is set."""

    kinds: Annotated[tuple[Kind, ...], Field(strict=False, min_length=1)] = AT_ONCE
    """What to look for, the most telling first: "unit", "test tips", "spike", "poured", "doubled", "off the grid",
    "wrong tip size", "stray tips", "sprinkler"."""
    most_in_5_minutes_mm: Annotated[float, Field(ge=5, le=63)] = PEAK_MM
    """More than this in 5 minutes is doubted where no gauge near it has a third of it [mm]; other lengths follow."""


def every_s(settings: Settings) -> int:
    """Return how long what it found holds [s]: a day where only slow kinds are asked for."""
    return 0 if set(settings.kinds) & set(AT_ONCE) else DAY


def judge(view: View, settings: Settings) -> Findings:
    """Return which gauges' rain is doubtful; numbers: kind [place in settings.kinds, -1 for none]."""
    size = len(view.stations)
    kind, since = np.full(size, -1, np.int64), np.zeros(size, np.int64)
    for place in reversed(range(len(settings.kinds))):
        for position, began in _LOOKS[settings.kinds[place]](view, settings).items():
            kind[position], since[position] = place, began
    reason = np.full(size, "", object)
    positions = np.arange(size)
    reason[holding.near_enough(view, positions).sum(axis=1) < holding.WITNESSES] = "fewer than 3 gauges within 30 km"
    reason[~view.in_service] = "out of service"
    reason[(kind >= 0) & view.in_service] = ""
    verdict = np.where(reason != "", Verdict.UNDETERMINED, np.where(kind >= 0, Verdict.PRESENT, Verdict.ABSENT))
    return Findings.of(verdict, since=np.where(verdict > 0, since, 0), numbers={"kind": kind}, reason=reason)


def evidence(view: View, settings: Settings, findings: Findings, position: int) -> dict[str, Any]:
    """Return what people are shown of one gauge: the kind of doubt with its numbers and limits."""
    place = int(findings.numbers["kind"][position])
    kind = settings.kinds[place] if place >= 0 else ""
    shown: dict[str, Any] = {"kind": kind, "looked_for": list(settings.kinds), "held": False}
    return shown | (_SHOWN[kind](view, settings, position) if kind else {})


def _held(view: View, reasons: tuple[str, ...]) -> list[tuple[int, Span]]:
    """Return the spans of these reasons that held in the last day, with the positions of their stations."""
    lately = (span for span in view.held_back if span.ends_at.timestamp() > view.now - TOLD_FOR_S)
    wanted = [span for span in lately if span.reason in reasons and span.who == WATCH]
    positions = view.stations.positions
    return [(positions[span.station], span) for span in wanted if span.station in positions]


# --- test tips, poured water ---


def _tests(view: View, settings: Settings) -> dict[int, int]:
    held = {position: int(span.begins_at.timestamp()) for position, span in _held(view, (holding.TEST_TIPS,))}
    coarse = (burst for burst in _bursts(view) if burst.reading_s > holding.COARSE_S and _coarse_test(burst))
    return {burst.position: burst.begins for burst in coarse} | held


def _coarse_test(burst: holding.Burst) -> bool:
    """Say whether a long reading may be a test: showers look alike, so more gauges must have been dry."""
    return burst.test and burst.witnesses >= holding.MANY_WITNESSES


def _poured(view: View, settings: Settings) -> dict[int, int]:
    return {one.position: one.begins for one in _bursts(view) if one.poured}


def _bursts(view: View) -> list[holding.Burst]:
    return holding.lone_bursts(view, TOLD_FOR_S)


def _burst_shown(view: View, settings: Settings, position: int) -> dict[str, Any]:
    bursts = holding.lone_bursts(view, TOLD_FOR_S, only=position)
    spans = [span for place, span in _held(view, (holding.TEST_TIPS,)) if place == position]
    if not bursts:
        # The tips are older than what is looked back on, or some of a burst is no longer beside dry neighbours.
        times = {"began_at": spans[-1].begins_at, "ended_at": spans[-1].ends_at} if spans else {}
        return {"held": bool(spans), **{name: rfc3339(at.timestamp()) for name, at in times.items()}}
    burst = bursts[-1]
    return {
        "held": bool(spans),
        "began_at": rfc3339(burst.begins),
        "ended_at": rfc3339(burst.ends),
        "tips": int(burst.tips.sum()),
        "by_reading": burst.tips.tolist(),
        "reading_minutes": burst.reading_s // 60,
        "mm": burst.rain_um / 1000,
        "restlessness": round(restlessness(burst.tips), 2),
        "limit_restlessness": holding.RESTLESS,
        "unlike_rain": burst.unlike_rain,
        "alone_a_month": round(burst.alone_a_month, 2) if np.isfinite(burst.alone_a_month) else None,
        "limit_alone_a_month": holding.ASKED_A_MONTH,
        "dry_neighbours": burst.witnesses_after if burst.poured else burst.witnesses,
        "least_tips": holding.LEAST_TIPS,
    }


# --- spikes ---


def _spikes(view: View, settings: Settings) -> dict[int, int]:
    grid = view.record.fine
    begin = max(grid.cell(view.now - TOLD_FOR_S) + 1, 0)
    rain = grid.rain[begin : grid.head + 1]
    # The longest limit is the highest: nothing under the shortest one needs a closer look.
    cell, position = np.nonzero(rain > round(1000 * LONE_MM))
    found = {}
    for one, at in zip(position.tolist(), (begin + cell).tolist(), strict=True):
        if view.in_service[one] and _spike(view, settings, one, at)["spike"]:
            found[one] = grid.end_of(at)
    beyond = np.flatnonzero((view.record.impossible_at > view.now - TOLD_FOR_S) & view.in_service)
    return found | {int(one): int(view.record.impossible_at[one]) for one in beyond}


def limit_mm(most_in_5_minutes_mm: float, minutes: float) -> float:
    """Return the depth in some minutes that goes with one in 5 minutes [mm]: in proportion to D^0.475."""
    return float(most_in_5_minutes_mm * (max(minutes, 5.0) / 5.0) ** EXPONENT)


def _spike(view: View, settings: Settings, position: int, cell: int) -> dict[str, Any]:
    """Weigh one reading against what is possible, its own neighbours in time, and the gauges near it."""
    grid = view.record.fine
    um = int(grid.rain[cell, position])
    length = max(int(grid.covers[cell, position]), grid.step)
    width = length // grid.step
    before, after = cell - width, min(cell + width, grid.head)
    around = max(int(grid.rain[max(before, 0), position]), int(grid.rain[after, position]) if after > cell else 0)
    near = view.stations.neighbours[position][holding.near_enough(view, np.array([position]))[0]]
    known = grid.running_known[cell + 1, near] - grid.running_known[max(cell + 1 - width, 0), near]
    near = near[known >= holding.HEARD * length]
    same_um = grid.running[cell + 1, near] - grid.running[max(cell + 1 - width, 0), near]
    hour = HOUR // grid.step
    first, last = max(cell + 1 - width - hour, 0), min(cell + hour, grid.head)
    # The sum of the hours around is at least what any of them had in a reading.
    supported = bool(len(near) and (grid.running[last + 1, near] - grid.running[first, near]).max() >= SUPPORT * um)
    median_um = float(np.median(same_um)) if len(near) >= holding.WITNESSES else np.nan
    over_peak = um > 1000 * limit_mm(settings.most_in_5_minutes_mm, length / 60)
    lone = high_influx(um / 1000, median_um / 1000, length / 60) and around <= AROUND * um
    followed = after > cell and grid.known[after, position] > 0
    return {
        "spike": (over_peak and not supported and len(near) >= holding.WITNESSES)
        or (lone and followed and not supported),
        "mm": um / 1000,
        "minutes": length // 60,
        "limit_mm": round(limit_mm(settings.most_in_5_minutes_mm, length / 60), 1),
        "around_mm": around / 1000,
        "neighbours": len(near),
        "neighbours_median_mm": None if np.isnan(median_um) else median_um / 1000,
    }


def high_influx(mm: float, median_mm: float, minutes: float) -> bool:
    """Say whether a reading is beyond what the median of its neighbours allows (de Vos et al. 2019, 5 minutes).

    Above 10 mm where the median is under 0.4 mm, else above 25 times the median; longer readings in proportion to
    D^0.475. False where the median is not known (NaN).
    """
    lone_mm = limit_mm(LONE_MM, minutes)
    return bool(mm > np.maximum(lone_mm, TIMES * median_mm)) if not np.isnan(median_mm) else False


def _spike_shown(view: View, settings: Settings, position: int) -> dict[str, Any]:
    grid = view.record.fine
    begin = max(grid.cell(view.now - TOLD_FOR_S) + 1, 0)
    if view.record.impossible_at[position] > view.now - TOLD_FOR_S:
        at = int(view.record.impossible_at[position])
        return {"impossible": True, "held": True, "ended_at": rfc3339(at), "mm": None}
    at = begin + int(np.argmax(grid.rain[begin : grid.head + 1, position]))
    return {"impossible": False, "ended_at": rfc3339(grid.end_of(at)), **_spike(view, settings, position, at)}


# --- units ---


def _units(view: View, settings: Settings) -> dict[int, int]:
    return {position: int(span.begins_at.timestamp()) for position, span in _held(view, (holding.UNITS,))}


def _unit_shown(view: View, settings: Settings, position: int) -> dict[str, Any]:
    change = next((one for one in steps.changed_units(view, DAY) if one.position == position), None)
    return {
        "held": True,
        "factor": None if change is None else round(change.factor, 4),
        "times": "" if change is None else _in_words(change.factor),
        "tip_mm": steps.tip_of(view, position) / 1000,
        "relied_on": bool(view.stations.relied_on_by[position]),
    }


def _in_words(factor: float) -> str:
    return f"{factor:g} times" if factor > 1 else f"a {1 / factor:.3g}th of"


# --- what takes weeks ---


def _doubled(view: View, settings: Settings) -> dict[int, int]:
    return {one: doubling.since for one, doubling in doubled.doubled(view).items()}


def _doubled_shown(view: View, settings: Settings, position: int) -> dict[str, Any]:
    doubling = doubled.doubled(view, np.array([position])).get(position)
    if doubling is None:
        return {}
    return {
        "ratio": round(doubling.ratio, 2),
        "ratio_before": round(doubling.before, 2),
        "over_mm": round(doubling.over_mm, 1),
        "even_hours": doubling.even_hours,
        "wet_hours": doubling.wet_hours,
        "even_odds": round(odds_of_even(doubling.even_hours, doubling.wet_hours), 1),
        "odds": round(min(doubling.odds, 1e6)),
        "limit_odds": round(doubled.ODDS),
    }


def _off_grid(view: View, settings: Settings) -> dict[int, int]:
    return dict.fromkeys(steps.off_grid(view), view.now - DAY)


def _off_grid_shown(view: View, settings: Settings, position: int) -> dict[str, Any]:
    fits_um = steps.off_grid(view, np.array([position])).get(position, 0)
    return {"tip_mm": int(view.stations.tip_um[position]) / 1000, "moves_in_mm": fits_um / 1000}


def _wrong_tip(view: View, settings: Settings) -> dict[int, int]:
    return {one: since for one, (_ratio, _mm, since) in ratios.wrong_tip(view).items()}


def _wrong_tip_shown(view: View, settings: Settings, position: int) -> dict[str, Any]:
    ratio, over_mm, _since = ratios.wrong_tip(view, np.array([position])).get(position, (np.nan, 0.0, 0))
    written = int(view.stations.tip_um[position])
    return {
        "ratio": None if np.isnan(ratio) else round(ratio, 2),
        "over_mm": round(over_mm),
        "tip_mm": written / 1000,
        "perhaps_mm": 0.254 if written == 200 else 0.2,
    }


def _stray(view: View, settings: Settings) -> dict[int, int]:
    return {one: int(hours[0]) for one, hours in ratios.stray_hours(view).items()}


def _stray_shown(view: View, settings: Settings, position: int) -> dict[str, Any]:
    hours = ratios.stray_hours(view, np.array([position])).get(position, np.empty(0, np.int64))
    return {"hours": len(hours), "in_days": ratios.STRAY_DAYS, "limit_hours": ratios.STRAY_HOURS}


def _sprinkled(view: View, settings: Settings) -> dict[int, int]:
    return {one: int(times[0]) for one, times in ratios.same_hour(view).items()}


def _sprinkled_shown(view: View, settings: Settings, position: int) -> dict[str, Any]:
    times = ratios.same_hour(view, np.array([position])).get(position, np.empty(0, np.int64))
    return {"days": len(times), "in_days": ratios.STRAY_DAYS, "limit_days": ratios.SAME_HOUR_DAYS} | (
        {"last_at": rfc3339(times[-1])} if len(times) else {}
    )


_LOOKS: Mapping[str, Callable[[View, Settings], dict[int, int]]] = {
    "unit": _units,
    "test tips": _tests,
    "spike": _spikes,
    "poured": _poured,
    "doubled": _doubled,
    "off the grid": _off_grid,
    "wrong tip size": _wrong_tip,
    "stray tips": _stray,
    "sprinkler": _sprinkled,
}
"""By kind: at which gauges it is so, and since when [s since 1970 UTC]."""

_SHOWN: Mapping[str, Callable[[View, Settings, int], dict[str, Any]]] = {
    "unit": _unit_shown,
    "test tips": _burst_shown,
    "spike": _spike_shown,
    "poured": _burst_shown,
    "doubled": _doubled_shown,
    "off the grid": _off_grid_shown,
    "wrong tip size": _wrong_tip_shown,
    "stray tips": _stray_shown,
    "sprinkler": _sprinkled_shown,
}
"""By kind: its numbers for people."""

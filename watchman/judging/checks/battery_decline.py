"""When will the station cut off, in days, and is that its own trouble or only the weather?

Each morning's lowest volts (the lowest 1-hour mean from 3 to 8 h local standard time, before the sun) become a charge
by the battery's chemistry: 0 at the cut-off, 1 full (science/battery.py). A line through the last 7 mornings
(Theil-Sen, which one cold night can't bend) gives

    days left = charge on the line this morning / -slope

and the slope's 80 % interval gives the range: "about 6 days left (4 to 9)". Three signs; any one is enough:

    declining   days left <= 12, and the slope is worse than the peers' median by 0.012 a day, and the charge has
                fallen by 0.12 more than the peers' since the weeks before (mornings 8 to 28 back)
    not full    not full on any of the last 5 days while 60 % of the peers were, days left <= 25, and the charge has
                fallen by 0.06 more than the peers'
    floor       the charge is under 5 %, whatever the cause: it may be off tomorrow

Peers are the nearest stations with the same kind of battery and enough mornings. Cold and cloud reach them all, so
they accuse nobody: the comparison takes them out. Where something is missing, the rules are more cautious:

    fewer than 3 peers      declining needs days left <= 6, a slope below 0 over its whole interval, and a charge 0.24
                            under its own weeks before; "not full" is not asked
    the first two weeks     (fewer than 7 mornings before the last 7) declining needs days left <= 6 and a slope worse
                            than the peers' by 0.024 a day; "not full" is not asked
    both                    only the floor
    fewer than 4 of the last 7 mornings, or none of the last 2: undetermined, the floor apart

Iron phosphate cells show no charge in their volts until it is nearly gone, so no days left are named: for them "not
full" asks, instead of the last two conditions, whether the battery was full on half of the days before.

Where the numbers come from: all limits are our own simulation of 15 stations through winters (lead 9.6 days at the
median, 10th percentile 3.9; days left from raw volts accuse nine healthy stations in ten): starting points, not the
last word. The doubled limits where something is missing, and the 5 %, are judgement. Tables, cut-offs and full volts:
science/battery.py.

What it cannot see: a station that is off every dawn (that is `overdue`), a fault that reaches all peers alike, a meter
that drifts, a battery of unwritten chemistry guessed wrongly (8 V and more is taken for lead-acid, less for one
lithium cell), packs of several lithium cells, and a sudden end without warning.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

import numpy as np
from pydantic import Field

from watchman.judging.science import battery
from watchman.judging.science.trend import Line, median, theil_sen
from watchman.judging.view import Findings, View
from watchman.model import BATTERY, Verdict
from watchman.readings.record import DAY, HOUR
from watchman.written import Written

NAME = "battery-decline"

DAWN_BEGINS_H, DAWN_HOURS = 3, 5
MORNINGS = 28
TREND = 7
TREND_NEEDS = 4
BEFORE_NEEDS = 7
FULL_DAYS = 14
PEERS_NEEDED = 3
PEERS_FULL_SHARE = 0.6
SLOPE_WORSE = 0.012
FALLEN_DECLINING = 0.12
FALLEN_NOT_FULL = 0.06
CAUTION = 2.0
MANY_DAYS = 99.0
"""Days left are not named beyond this: it stands for "this many or more"."""
URGENT_DAYS = 3.0
SIGNS = ("", "declining", "not full", "floor")
DECLINING, NOT_FULL, FLOOR = 1, 2, 3


class Settings(Written):
    """How battery-decline is set."""

    days_left: Annotated[float, Field(gt=0, le=60)] = 12.0
    """Tell when a declining battery has this many days left or fewer: the time a visit needs to be planned [d]."""
    not_full_days: Annotated[int, Field(ge=2, le=FULL_DAYS)] = 5
    """Tell when it was not full for this many days while its peers were [d]."""
    not_full_days_left: Annotated[float, Field(gt=0, le=99)] = 25.0
    """... and has this many days left or fewer [d]."""
    floor_percent: Annotated[float, Field(ge=0, lt=50)] = 5.0
    """Tell when the charge at dawn is under this, whatever the cause [% of what can be used above the cut-off]."""


@dataclass(frozen=True, slots=True)
class _Mornings:
    """What the dawns say: charge [morning, n], its line over the last TREND and how many days that leaves; before: the
    usual charge of the weeks before, NaN where too few mornings are known; enough: whether there is a line to judge.
    """

    ended_at: np.ndarray
    volts: np.ndarray
    charge: np.ndarray
    line: Line
    left: np.ndarray
    before: np.ndarray
    heard: np.ndarray
    enough: np.ndarray

    @property
    def change(self) -> np.ndarray:
        """Return how far the line has come from the weeks before, below 0 for a fall."""
        return np.asarray(self.line.at_end - self.before)


@dataclass(frozen=True, slots=True)
class _Peers:
    """For each station its nearest others [n, k], and which of them can be compared with it."""

    positions: np.ndarray
    comparable: np.ndarray

    @property
    def many(self) -> np.ndarray:
        """Say which stations have enough peers."""
        return np.asarray(np.count_nonzero(self.comparable, axis=1) >= PEERS_NEEDED)

    def count(self, chosen: np.ndarray) -> np.ndarray:
        """Return how many of each station's peers are among the chosen ones."""
        return np.asarray(np.count_nonzero(self.comparable & chosen[self.positions], axis=1))

    def median(self, values: np.ndarray) -> np.ndarray:
        """Return the median of each station's peers, NaN where it has none."""
        return median(np.where(self.comparable, values[self.positions], np.nan), axis=1)


def judge(view: View, settings: Settings) -> Findings:
    """Return which batteries decline.

    numbers: days_left, days_left_low, days_left_high [d, NaN where the volts don't tell], charge [share], dawn_v and
    cutoff_v [V], days_not_full, peers_full, peers_total, sign [position in SIGNS].
    """
    volts, ended_at = _dawns(view)
    kind = battery.guess(view.stations.chemistry, median(volts))
    flat = kind == battery.LITHIUM_IRON
    cutoff_v = battery.cutoff(kind, view.stations.cutoff_v)
    mornings = _mornings(battery.charge(volts, kind, cutoff_v), volts, ended_at)
    peers = _peers(view, kind, mornings.enough)
    was_full, has_day = _full_days(view, kind)
    recent = slice(-settings.not_full_days, None)
    peers_total = peers.count(np.any(has_day[recent], axis=0))
    peers_full = peers.count(np.any(was_full[recent], axis=0))
    peers_fill = (peers_total >= PEERS_NEEDED) & (peers_full >= PEERS_FULL_SHARE * peers_total)
    earlier = slice(None, -settings.not_full_days)
    usually_full = was_full[earlier].any(axis=0) & (2 * was_full[earlier].sum(axis=0) >= has_day[earlier].sum(axis=0))

    fallen = peers.median(mornings.change) - mornings.change
    weak = (mornings.left <= settings.not_full_days_left) & (fallen >= FALLEN_NOT_FULL)
    not_full = has_day[recent].all(axis=0) & ~was_full[recent].any(axis=0) & peers_fill
    charge = _latest(mornings.charge)
    floor = charge < settings.floor_percent / 100.0
    sign = np.zeros(len(view.stations), np.int8)
    sign[floor] = FLOOR
    sign[mornings.enough & not_full & np.where(flat, usually_full, weak)] = NOT_FULL
    sign[mornings.enough & ~flat & _declining(mornings, peers, fallen, settings)] = DECLINING

    told = mornings.enough & ~flat
    left, line = mornings.left, mornings.line
    return Findings.of(
        np.where(sign > 0, Verdict.PRESENT, np.where(mornings.enough, Verdict.ABSENT, Verdict.UNDETERMINED)),
        since=_since(view, sign, mornings, was_full, settings),
        level=((sign > 0) & (floor | (told & (left <= URGENT_DAYS)))).astype(np.int16),
        numbers={
            "days_left": np.where(told, left, np.nan),
            "days_left_low": np.where(told, _days(line.at_end, line.low), np.nan),
            "days_left_high": np.where(told, _days(line.at_end, line.high), np.nan),
            "charge": charge,
            "dawn_v": _latest(volts),
            "cutoff_v": cutoff_v,
            "days_not_full": _not_full_for(was_full, has_day),
            "peers_full": peers_full,
            "peers_total": peers_total,
            "sign": sign,
        },
        reason=_reasons(view, mornings, peers),
    )


def evidence(view: View, settings: Settings, findings: Findings, position: int) -> dict[str, Any]:
    """Return what people are shown of one battery; days are null where the volts don't tell."""
    numbers = {name: float(column[position]) for name, column in findings.numbers.items()}
    return {
        **{name: _number(numbers[name], 1) for name in ("days_left", "days_left_low", "days_left_high")},
        "charge_percent": _number(100.0 * numbers["charge"], 0),
        "dawn_v": _number(numbers["dawn_v"], 2),
        "cutoff_v": _number(numbers["cutoff_v"], 2),
        **{name: int(numbers[name]) for name in ("days_not_full", "peers_full", "peers_total")},
        "sign": SIGNS[int(numbers["sign"])],
    }


def _number(value: float, digits: int) -> float | None:
    return None if np.isnan(value) else round(value, digits)


def _local_day(view: View, moment: int) -> int:
    return (moment + view.stations.utc_offset_s) // DAY


def _midnight(view: View) -> int:
    """Return when the running day began in local standard time [s since 1970 UTC]."""
    return _local_day(view, view.now) * DAY - view.stations.utc_offset_s


def _dawns(view: View) -> tuple[np.ndarray, np.ndarray]:
    """Return the lowest hour of the last MORNINGS dawns [V; morning, n], and when each ended [s since 1970 UTC]."""
    hourly = view.record.hourly
    ends_after_midnight = (DAWN_BEGINS_H + DAWN_HOURS) * HOUR
    last = _local_day(view, view.now - ends_after_midnight)
    ends = (last + np.arange(1 - MORNINGS, 1)) * DAY + ends_after_midnight - view.stations.utc_offset_s
    rows = hourly.cells(ends)[:, None] + np.arange(1 - DAWN_HOURS, 1)
    inside = (rows >= 0)[:, :, None]
    total, count = hourly.total[BATTERY][np.maximum(rows, 0)], hourly.count[BATTERY][np.maximum(rows, 0)]
    volts = np.where(inside & (count > 0), total / np.maximum(count, 1), np.nan)
    return np.fmin.reduce(volts, axis=1).astype(float), ends


def _full_days(view: View, kind: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return on which of the last FULL_DAYS whole local days each battery was full, and which are known [day, n]."""
    hourly = view.record.hourly
    last = hourly.cell(_midnight(view))
    first = max(last + 1 - FULL_DAYS * 24, (last + 1) % 24)
    volts = hourly.mean(BATTERY, first, last)
    highest = np.fmax.reduce(volts.reshape(-1, 24, volts.shape[1]), axis=1)
    missing = np.full((FULL_DAYS - len(highest), volts.shape[1]), np.nan, np.float32)
    highest = np.concatenate([missing, highest])
    return battery.full(highest, kind), ~np.isnan(highest)


def _mornings(charge: np.ndarray, volts: np.ndarray, ended_at: np.ndarray) -> _Mornings:
    line = theil_sen(np.arange(float(TREND)), charge[-TREND:])
    earlier = charge[:-TREND]
    enough_before = np.count_nonzero(~np.isnan(earlier), axis=0) >= BEFORE_NEEDS
    heard = ~np.isnan(charge[-2:]).all(axis=0)
    return _Mornings(
        ended_at=ended_at,
        volts=volts,
        charge=charge,
        line=line,
        left=_days(line.at_end, line.slope),
        before=np.where(enough_before, median(earlier), np.nan),
        heard=heard,
        enough=heard & (line.points >= TREND_NEEDS),
    )


def _peers(view: View, kind: np.ndarray, enough: np.ndarray) -> _Peers:
    positions = view.stations.neighbours
    return _Peers(positions, (positions >= 0) & enough[positions] & (kind[positions] == kind[:, None]))


def _declining(mornings: _Mornings, peers: _Peers, fallen: np.ndarray, settings: Settings) -> np.ndarray:
    """Say which fall fast enough, by the full rule or by the more cautious ones for want of peers or of a past."""
    left, line = mornings.left, mornings.line
    worse = peers.median(line.slope) - line.slope
    soon = left <= settings.days_left / CAUTION
    full_rule = (left <= settings.days_left) & (worse >= SLOPE_WORSE) & (fallen >= FALLEN_DECLINING)
    no_past = soon & (worse >= CAUTION * SLOPE_WORSE)
    no_peers = soon & (line.high < 0) & (mornings.change <= -CAUTION * FALLEN_DECLINING)
    return np.asarray(np.where(peers.many, np.where(np.isnan(mornings.before), no_past, full_rule), no_peers))


def _days(charge: np.ndarray, slope: np.ndarray) -> np.ndarray:
    """Return how many days a charge lasts at a slope [1/d], at most MANY_DAYS."""
    falls = slope < 0
    days = np.maximum(charge, 0.0) / np.where(falls, -slope, 1.0)
    return np.where(np.isnan(slope), np.nan, np.where(falls, np.minimum(days, MANY_DAYS), MANY_DAYS))


def _latest(values: np.ndarray) -> np.ndarray:
    """Return the last morning's value, or the one before where that is missing."""
    return np.asarray(np.where(np.isnan(values[-1]), values[-2], values[-1]))


def _not_full_for(was_full: np.ndarray, has_day: np.ndarray) -> np.ndarray:
    """Return how many known days have passed since the last full one, at most FULL_DAYS."""
    full_later = np.maximum.accumulate(was_full[::-1], axis=0)[::-1]
    return np.asarray(np.count_nonzero(has_day & ~full_later, axis=0))


def _since(view: View, sign: np.ndarray, mornings: _Mornings, was_full: np.ndarray, settings: Settings) -> np.ndarray:
    """Return since when it isn't well, 0 where nothing is amiss [s since 1970 UTC].

    The end of the last full day, or the last morning above the floor or with as much charge as usual, by the sign;
    where there was none, the first one known.
    """
    floor = settings.floor_percent / 100.0
    good = mornings.charge >= np.where(sign == FLOOR, floor, mornings.before)
    first_known = np.argmax(~np.isnan(mornings.charge), axis=0)
    last_good = np.where(good.any(axis=0), MORNINGS - 1 - np.argmax(good[::-1], axis=0), first_known)
    days_since_full = np.where(was_full.any(axis=0), np.argmax(was_full[::-1], axis=0), FULL_DAYS)
    since = np.where(sign == NOT_FULL, _midnight(view) - days_since_full * DAY, mornings.ended_at[last_good])
    return np.asarray(np.where(sign > 0, since, 0))


def _reasons(view: View, mornings: _Mornings, peers: _Peers) -> np.ndarray:
    """Return why a battery can't be judged, or for want of what it was judged more cautiously."""
    no_past = np.isnan(mornings.before)
    reason = np.full(len(no_past), "", object)
    reason[no_past] = "fewer than two weeks of mornings: judged more cautiously"
    reason[~peers.many] = "fewer than 3 peers with such a battery: judged more cautiously, by its own past"
    reason[~peers.many & no_past] = "fewer than 3 peers and two weeks of mornings: only the floor is judged"
    reason[~mornings.enough] = f"fewer than {TREND_NEEDS} mornings with volts in the last {TREND} days"
    reason[~mornings.heard] = "no volts at dawn in the last 2 days"
    reason[view.record.last_value_at[BATTERY] == 0] = "sends no battery volts"
    return reason

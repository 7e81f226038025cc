"""When will the station cut off, in days, and is that its own trouble or only the weather?

Volts at dawn and in the evening, found by the sun's height at the place, become a charge by the battery's chemistry: 0
at the cut-off, 1 full (science/battery.py). From them a daily account is kept (science/charging.py): what the night
takes, what the panel brings, and what it should have brought by what the neighbours' panels brought that day.

    days left = charge this morning / loss a day

The loss is the slope of the last 7 mornings (Theil-Sen, which one cold night can't bend), never more than what the
station uses without any sun; with a panel just cut it is that use. Cells of one chemistry differ, and which one it is
nobody writes: the days are the middle of three published cells, and the range "(4 to 9)" runs from the worst of them
with the steep end of the slope's 80 % interval to the best with the gentle end.

Causes, told apart because something else must be brought:

    cut panel       no charge by day: on at least 2 of the last 3 days its peers filled and it got less than a quarter
                    of its own use, it that had filled with them before; or for 3 days under a fifth of what its panel
                    used to bring in such weather; or for 4 days next to nothing while its peers got something; or
                    `not-charging` says so
    shaded, dirty   it brings under 0.6 of what it used to in such weather over 8 days; or its peers fill on 4 of 8 days
                    and it, that filled with them before, loses
    ageing          the night takes 1.4 times as much as weeks ago, beside what it grew at its peers, and a full battery
                    would last 5 days or less without sun; or 1.7 times, 10 days, and 12 days left or fewer
    declining       12 days left or fewer, falling faster than its peers by 0.015 a day, 0.2 lower than weeks ago beside
                    them, and by its account less sun came in than the weather explains: why is not known
    dies at night   silent at the last two dawns, back by day, and the last volts before were near the cut-off
    floor           under 5 % at dawn and not rising, or under 15 % with 2 days left, whatever the cause

A sign alone sends nobody out. Cut, shaded and ageing are told with 25 days left or fewer, declining with 12, and none
of them while the range ends at 99, which says that it may not be falling at all: till then the battery counts as well,
or as undetermined when it is low. A panel that `not-charging` sees idle, dying at night and the floor wait for no days.

Peers are the nearest 8 stations with volts. Frost is no fault: a day on which the air at noon was under 1 degC may
bring a lithium cell no charge, and does not count; a station is then only held beside peers that are as cold. Where no
thermometer is near, panels are accused in the cold months only with 9 days left or fewer. When most fall together it
is one line about the network, sorted by days left (judging/causes/batteries.py).

Without 3 peers only ageing, dying at night and the floor are asked. A low battery that nothing accuses is
undetermined, neither raised nor over, until it has filled again. Iron phosphate cells show no charge in their volts
until it is nearly gone: no days are named, only the floor and dying at night are asked here, the rest in
`not-charging`. A station that sends volts once a day has no evenings: only declining beside its peers, and the floor.

Where the numbers come from: physics, and for each limit a judgement, tried on our own simulation of small stations in
seven climates (45 and 50 degrees north, mild, spring, monsoon, desert, alpine) with seeds kept for judging. Stations
that need no visit were called 0 times in 90 days where winters are mild, 0.04 to 0.08 at 45 and 0.14 at 50 degrees,
where one healthy station in five runs flat by itself. Before the cut-off were told 96 to 100 % of cut panels (10 to 26
days ahead at the median, some four fifths of the time there was), 73 to 100 % of shaded ones (10 to 27 days) and 75 to
100 % of aged cells (8 to 16 days), the lower figures at 50 degrees; the range held four times in five (0.66 to 0.93).
All that was measured while signs did not yet wait for few days and a sure fall, and not again since. In one world of 60
winter days 14 faults of 15 were found at the same hour as before, the one aged cell 1 day before its cut-off, not 9.
Tables and cut-offs: science/battery.py.

What it cannot see: an aged cell while the sun still fills it, and often until a few days before its end, or its first
dark day; a fault that reaches all peers alike; a panel cut in frost, until the thaw; a meter that drifts; packs of
several lithium cells.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

import numpy as np
from pydantic import Field

from watchman.judging.battery_days import DAYS, BatteryDays, battery_days, kinds
from watchman.judging.checks import not_charging
from watchman.judging.science import battery, charging
from watchman.judging.science.trend import Line, median, theil_sen
from watchman.judging.view import Findings, View
from watchman.model import BATTERY, Verdict
from watchman.readings.record import HOUR
from watchman.written import Written

NAME = "battery-decline"
EVERY_S = 3 * HOUR

TREND = 7
TREND_NEEDS = 4
BEFORE = slice(0, DAYS - 8)
"""The weeks before the last 8 days: what was usual."""
LATELY = slice(-8, None)
JUST_NOW = slice(-5, None)
LAST_THREE = slice(-4, None)
"""The last three whole days, and today, whose evening has not come."""
NEAREST = 8
PEERS_NEEDED = 3
NIGHTS = 6
OLD_NIGHTS = slice(0, 12)
FULL_SHARE = 0.9
"""An evening's charge from here on is full; less, when its own charger ends lower."""
FULL_SLACK = 0.04
LEAST_FULL = 0.8
PEERS_FULL_SHARE = 0.6
DAYS_FILLED_BEFORE, FILLED_WITH_PEERS = 5, 0.7
LEAST_USE = 0.003
"""What a station uses is known from here on [share/d]: less is the meter's noise, or a year's supply (calculated)."""
LEAST_KWH = 0.3
"""A cloudless day that brings less than this says nothing of a panel [kWh/m2]: some deep winter days north of 60."""
CUT_FED, CUT_DAYS_FILLED = 0.25, 2
CUT_SHARE, CUT_DAYS, CUT_CLEAR = 0.2, 3, 1.5
NOTHING_SHARE, NOTHING_DAYS, NOTHING_PEERS_FED = 0.15, 4, 0.3
SHADED_SHARE, SHADED_DAYS, SHADED_CLEAR = 0.6, 4, 2.0
LOSES_FED, LOSES_FALLEN = 0.9, 0.08
AGED_GROWTH, AGED_MUCH = 1.4, 1.7
LEAST_NIGHT_GROWTH = 0.015
"""A night must take so much more than before [share]: a meter's noise of 6 mV is about half of it (calculated)."""
SLOPE_WORSE, FALLEN = 0.015, 0.2
POOR_SHARE, POOR_DAYS = 0.7, 3
WEATHER_SHARE = 0.75
UNKNOWN_CAUTION, UNKNOWN_FED, UNKNOWN_FALLEN = 0.75, 0.45, 0.25
"""Where the account can't tell what came in, declining needs fewer days left, less sun and a deeper fall."""
LOW_SHARE = 0.6
"""A battery under this share of its own best that has not filled lately is low, accused or not."""
NEAR_CUTOFF = 0.12
FLAT_FLOOR = 2.5
"""Volts that say nothing before warn as soon as they say something: the floor of iron phosphate is so many times higher
(judgement, no source)."""
ENDING_FLOORS, ENDING_DAYS = 3.0, 2.0
MANY_DAYS = 99.0
"""Days left are not named beyond this: it stands for "this many or more"."""
URGENT_DAYS = 3.0
MOST_USE, LEAST_OF_USE = 1.2, 0.7
"""The use by night may be so many times that of the rest of the way: tables bend, and dawns are colder than evenings
(judgement, tried on our simulation)."""
STEEPEST = 1.2
"""A slope steeper than this many times the use without sun is noise."""
SIGNS = ("", "declining", "floor", "ageing", "shaded", "cut", "dies at night")
DECLINING, FLOOR, AGEING, SHADED, CUT, DIES_AT_NIGHT = range(1, len(SIGNS))


class Settings(Written):
    """How battery-decline is set."""

    days_left: Annotated[float, Field(gt=0, le=60)] = 12.0
    """Tell when a declining battery has this many days left or fewer: the time a visit needs to be planned [d]."""
    shaded_days_left: Annotated[float, Field(gt=0, le=99)] = 25.0
    """Tell when a battery that ages, or whose panel brings too little, has this many days left or fewer [d]."""
    autonomy_days: Annotated[float, Field(gt=0, le=30)] = 5.0
    """Tell when an ageing battery, full, would last no longer than this without sun [d]."""
    floor_percent: Annotated[float, Field(ge=0, lt=50)] = 5.0
    """Tell when the charge at dawn is under this, whatever the cause [% of what can be used above the cut-off]."""


@dataclass(frozen=True, slots=True)
class Peers:
    """For each station its nearest others [n, k], and which of them can be compared with it."""

    positions: np.ndarray
    comparable: np.ndarray

    @property
    def many(self) -> np.ndarray:
        """Say which stations have enough peers."""
        return np.asarray(np.count_nonzero(self.comparable, axis=1) >= PEERS_NEEDED)

    def median(self, values: np.ndarray) -> np.ndarray:
        """Return the median of each station's peers [n], NaN where it has too few."""
        return np.where(self.many, median(np.where(self.comparable, values[self.positions], np.nan), axis=1), np.nan)

    def count(self, chosen: np.ndarray) -> np.ndarray:
        """Return how many of each station's peers are among the chosen ones [day, n]."""
        return np.asarray(np.count_nonzero(chosen[:, self.positions] & self.comparable, axis=2))


@dataclass(frozen=True, slots=True)
class _Account:
    """Each battery's account. dawn, evening: charge [share]; gain [share/d]; full, frost, peers_full: of the days
    [bool]; all [day, n]; use [share/d] now and weeks ago; got, due: of the days that tell what came in and what should
    have by the peers [share; day, n], and how clear they were [day, n, NaN where they don't tell].
    """

    days: BatteryDays
    kind: np.ndarray
    cutoff_v: np.ndarray
    dawn: np.ndarray
    evening: np.ndarray
    gain: np.ndarray
    full: np.ndarray
    frost: np.ndarray
    peers_full: np.ndarray
    use: np.ndarray
    old_use: np.ndarray
    got: np.ndarray
    due: np.ndarray
    clearness: np.ndarray

    def share(self, lately: slice) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return what share of what was due came in, from how many days, and how many usual days' sun they were."""
        days = np.count_nonzero(~np.isnan(self.due[lately]), axis=0)
        due = np.nansum(self.due[lately], axis=0)
        share = np.where(due > 0, np.nansum(self.got[lately], axis=0) / np.where(due > 0, due, 1.0), np.nan)
        return share, days, np.nansum(np.where(np.isnan(self.due[lately]), 0.0, self.clearness[lately]), axis=0)

    def fed(self, days: np.ndarray, lately: slice) -> np.ndarray:
        """Return what came in on some of the days [bool; day, n] as a share of what the station uses, NaN where that
        is not known or next to nothing.
        """
        gain = np.where(days, self.gain[lately], 0.0).sum(axis=0)
        used = np.count_nonzero(days, axis=0) * np.where(self.use >= LEAST_USE, self.use, np.nan)
        return np.asarray(gain / np.where(used > 0, used, np.nan))


@dataclass(frozen=True, slots=True)
class _Left:
    """How long each battery lasts [d, n]; the line through its last mornings' charge; whether there is one to judge."""

    days: np.ndarray
    low: np.ndarray
    high: np.ndarray
    line: Line
    heard: np.ndarray
    enough: np.ndarray


def judge(view: View, settings: Settings) -> Findings:
    """Return which batteries decline.

    numbers: days_left, days_left_low, days_left_high [d, NaN where the volts don't tell], charge [share], dawn_v and
    cutoff_v [V], days_not_full, peers_full and peers_total of the last 5 days, sign [position in SIGNS], came_in [share
    of what was due, NaN where not known], use and old_use [share/d], slope and peers_slope [share/d], fallen [share],
    frosty_days, hours_lost [h].
    """
    days = battery_days(view)
    kind = kinds(view, days)
    cutoff_v = battery.cutoff(kind, view.stations.cutoff_v)
    peers = _peers(view, days)
    account = _account(days, kind, cutoff_v, peers)
    flat = kind == battery.LITHIUM_IRON
    idle = not_charging.found(view, days, kind, not_charging.Settings()).verdict == Verdict.PRESENT
    cut = ~flat & (_cut(account) | idle)
    left = _left(account, cut)
    cold = _as_cold(account, peers, flat)
    cut |= ~flat & _nothing_comes_in(account, cold)
    change = left.line.at_end - _usual(account)
    fallen = cold.median(change) - change
    share, share_days, clear = account.share(LATELY)
    charge = _latest(account.dawn)
    hours_lost = _hours_lost(view, account)

    sign = np.zeros(len(view.stations), np.int8)
    low = charge < np.where(flat, FLAT_FLOOR, 1.0) * settings.floor_percent / 100.0
    ending = ~flat & (charge < ENDING_FLOORS * settings.floor_percent / 100.0) & (left.days <= ENDING_DAYS)
    sign[(low & ~(left.line.slope > 0)) | ending] = FLOOR
    # Whoever is sent out must find something that ends: signs seen on a battery that may not fall at all can wait.
    told = left.enough & ~flat
    falls = told & (left.high < MANY_DAYS)
    ends = falls & (left.days <= settings.shaded_days_left)
    declining = _declining(account, left, cold, fallen, share, share_days, settings)
    sign[falls & declining] = DECLINING
    sign[ends & _ageing(account, left.days, peers, settings)] = AGEING
    too_little = (share_days >= SHADED_DAYS) & (share < SHADED_SHARE) & (clear >= SHADED_CLEAR)
    sign[ends & (too_little | _loses_while_peers_fill(account, -change))] = SHADED
    sign[(ends & cut) | (told & idle)] = CUT
    sign[hours_lost > 0] = DIES_AT_NIGHT

    # A panel in frost that nobody measures looks like a cut one: then it must end soon, or it is not told.
    unsure = days.perhaps_locked_out(view) & (kind == battery.LITHIUM) & np.isin(sign, (CUT, SHADED))
    sign[unsure & ~(left.days <= UNKNOWN_CAUTION * settings.days_left)] = 0

    present = sign > 0
    unwell = told & _low_and_not_filled(account, charge)
    verdict = np.where(left.enough & ~unwell, Verdict.ABSENT, Verdict.UNDETERMINED)
    urgent = np.isin(sign, (FLOOR, DIES_AT_NIGHT)) | (told & (left.days <= URGENT_DAYS))
    known = np.isfinite(account.evening)
    lately_full, lately_known = (np.any(one[JUST_NOW], axis=0, keepdims=True) for one in (account.full, known))
    return Findings.of(
        np.where(present, Verdict.PRESENT, verdict),
        since=_since(sign, account, settings),
        level=(present & urgent).astype(np.int16),
        numbers={
            "days_left": np.where(told, left.days, np.nan),
            "days_left_low": np.where(told, left.low, np.nan),
            "days_left_high": np.where(told, left.high, np.nan),
            "charge": charge,
            "dawn_v": _latest(days.dawn_v),
            "cutoff_v": cutoff_v,
            "days_not_full": _not_full_for(account.full, known),
            "peers_full": peers.count(np.asarray(lately_full))[0],
            "peers_total": peers.count(np.asarray(lately_known))[0],
            "sign": sign,
            "came_in": np.where(share_days >= POOR_DAYS, share, np.nan),
            "use": account.use,
            "old_use": account.old_use,
            "slope": left.line.slope,
            "peers_slope": cold.median(left.line.slope),
            "fallen": fallen,
            "frosty_days": np.count_nonzero(account.frost[-TREND:], axis=0),
            "hours_lost": hours_lost,
        },
        reason=_reasons(view, left, cold, unwell & ~present),
    )


def evidence(view: View, settings: Settings, findings: Findings, position: int) -> dict[str, Any]:
    """Return what people are shown of one battery; null where it is not known or the volts don't tell."""
    numbers = {name: float(column[position]) for name, column in findings.numbers.items()}
    use, old_use = numbers["use"], numbers["old_use"]
    return {
        **{name: _number(numbers[name], 1) for name in ("days_left", "days_left_low", "days_left_high")},
        "charge_percent": _number(100.0 * numbers["charge"], 0),
        "dawn_v": _number(numbers["dawn_v"], 2),
        "cutoff_v": _number(numbers["cutoff_v"], 2),
        **{name: int(numbers[name]) for name in ("days_not_full", "peers_full", "peers_total", "frosty_days")},
        "sign": SIGNS[int(numbers["sign"])],
        "came_in_percent": _number(100.0 * numbers["came_in"], 0),
        "autonomy_days": _number(min(1.0 / use, MANY_DAYS), 1) if use > 0 else None,
        "autonomy_days_before": _number(min(1.0 / old_use, MANY_DAYS), 1) if old_use > 0 else None,
        "falls_percent_a_day": _number(-100.0 * numbers["slope"], 1),
        "peers_fall_percent_a_day": _number(-100.0 * numbers["peers_slope"], 1),
        "fallen_percent": _number(100.0 * numbers["fallen"], 0),
        "hours_lost": int(numbers["hours_lost"]),
        "limit_days": settings.days_left,
        "limit_days_shaded": settings.shaded_days_left,
        "limit_autonomy_days": settings.autonomy_days,
        "limit_floor_percent": settings.floor_percent,
    }


def _number(value: float, digits: int) -> float | None:
    return None if np.isnan(value) else round(value, digits)


def _peers(view: View, days: BatteryDays) -> Peers:
    positions = view.stations.neighbours[:, :NEAREST]
    heard = ~np.isnan(days.dawn_v[-TREND:]).all(axis=0)
    return Peers(positions, (positions >= 0) & heard[positions])


def _account(days: BatteryDays, kind: np.ndarray, cutoff_v: np.ndarray, peers: Peers) -> _Account:
    flat = kind == battery.LITHIUM_IRON
    dawn, evening = (battery.charge(volts, kind, cutoff_v) for volts in (days.dawn_v, days.evening_v))
    use_h = charging.night_use(evening, dawn, days.dark_h)
    use = np.maximum(median(use_h[-NIGHTS:]), 0.0)
    gain = evening - dawn + use * days.light_h
    best = np.sort(np.where(np.isnan(evening), -1.0, evening), axis=0)[-2]
    own_full = np.clip(best - FULL_SLACK, LEAST_FULL, FULL_SHARE)
    full = np.where(flat, battery.full(days.noon_v, kind), evening >= own_full)
    frost = days.locked_out(kind)
    tells = ~frost & ~flat & (days.clear_kwh >= LEAST_KWH)
    sun = np.where(tells, gain / np.fmax(days.clear_kwh, LEAST_KWH), np.nan)
    clearness, strength = charging.clearness_and_strength(
        sun, full, BEFORE, peers.positions, peers.comparable, PEERS_NEEDED
    )
    due = np.where(np.isnan(sun), np.nan, strength * clearness * days.clear_kwh)
    known = ~np.isnan(evening)
    peers_known = peers.count(known)
    return _Account(
        days=days,
        kind=kind,
        cutoff_v=cutoff_v,
        dawn=dawn,
        evening=evening,
        gain=gain,
        full=full,
        frost=frost,
        peers_full=(peers_known >= PEERS_NEEDED) & (peers.count(full & known) >= PEERS_FULL_SHARE * peers_known),
        use=24.0 * use,
        old_use=24.0 * np.maximum(median(use_h[OLD_NIGHTS]), 0.0),
        got=np.where(full, np.fmax(gain, due), gain),
        due=due,
        clearness=clearness,
    )


def _as_cold(account: _Account, peers: Peers, flat: np.ndarray) -> Peers:
    """Return the peers whose volts tell their charge and that had as many days of frost lately, give or take one."""
    frosty = np.count_nonzero(account.frost[-TREND:], axis=0)
    alike = ~flat[peers.positions] & (frosty[peers.positions] >= frosty[:, None] - 1)
    return Peers(peers.positions, peers.comparable & alike)


def _usual(account: _Account) -> np.ndarray:
    """Return the usual charge at dawn of the weeks before, NaN where too few mornings are known."""
    before = account.dawn[BEFORE]
    return np.where(np.count_nonzero(~np.isnan(before), axis=0) >= DAYS_FILLED_BEFORE, median(before), np.nan)


def _filled_with_peers(account: _Account) -> np.ndarray:
    """Say which batteries used to be full when their peers were."""
    days = account.peers_full[BEFORE] & ~np.isnan(account.evening[BEFORE])
    filled = np.count_nonzero(account.full[BEFORE] & days, axis=0)
    known = np.count_nonzero(days, axis=0)
    return np.asarray((known >= DAYS_FILLED_BEFORE) & (filled >= FILLED_WITH_PEERS * known))


def _left_out(account: _Account, lately: slice) -> np.ndarray:
    """Say on which days a battery was not full though its peers were, and no frost kept it from charging."""
    one = account.peers_full[lately] & ~account.full[lately] & ~account.frost[lately]
    return np.asarray(one & ~np.isnan(account.gain[lately]))


def _cut(account: _Account) -> np.ndarray:
    """Say which panels bring nothing, by their own past."""
    share, days, clear = account.share(JUST_NOW)
    by_account = (days >= CUT_DAYS) & (share < CUT_SHARE) & (clear >= CUT_CLEAR)
    left_out = _left_out(account, LAST_THREE)
    filled_too = (account.peers_full[LAST_THREE] & account.full[LAST_THREE]).any(axis=0)
    beside_full_peers = (
        _filled_with_peers(account)
        & (np.count_nonzero(left_out, axis=0) >= CUT_DAYS_FILLED)
        & ~filled_too
        & (account.fed(left_out, LAST_THREE) < CUT_FED)
    )
    return np.asarray((by_account | beside_full_peers) & (account.use > 0))


def _nothing_comes_in(account: _Account, cold: Peers) -> np.ndarray:
    """Say which panels bring nothing while those of the peers bring something: no past is needed for that."""
    days = ~account.frost[JUST_NOW] & ~np.isnan(account.gain[JUST_NOW])
    own = account.fed(days, JUST_NOW)
    theirs = cold.median(own)
    starved = (own < NOTHING_SHARE * theirs) & (theirs >= NOTHING_PEERS_FED)
    return np.asarray(starved & (np.count_nonzero(days, axis=0) >= NOTHING_DAYS) & ~account.full[JUST_NOW].any(axis=0))


def _loses_while_peers_fill(account: _Account, fallen: np.ndarray) -> np.ndarray:
    left_out = _left_out(account, LATELY)
    filled_too = (account.peers_full[LATELY] & account.full[LATELY]).any(axis=0)
    return np.asarray(
        _filled_with_peers(account)
        & (np.count_nonzero(left_out, axis=0) >= SHADED_DAYS)
        & ~filled_too
        & (account.fed(left_out, LATELY) < LOSES_FED)
        & (fallen >= LOSES_FALLEN)
    )


def _ageing(account: _Account, days_left: np.ndarray, peers: Peers, settings: Settings) -> np.ndarray:
    """Say which batteries lose by night more than they used to, beside their peers, and would not last long."""
    growth = account.use / np.maximum(account.old_use, LEAST_USE)
    autonomy = 1.0 / np.maximum(account.use, LEAST_USE)
    theirs = np.fmax(np.nan_to_num(peers.median(growth), nan=1.0), 1.0)
    above_noise = (account.use - account.old_use) * account.days.dark_h / 24.0 >= LEAST_NIGHT_GROWTH
    short = (autonomy <= settings.autonomy_days) & (growth >= AGED_GROWTH * theirs)
    soon = (days_left <= settings.days_left) & (autonomy <= 2 * settings.autonomy_days)
    return np.asarray((short | (soon & (growth >= AGED_MUCH * theirs))) & above_noise)


def _declining(
    account: _Account,
    left: _Left,
    cold: Peers,
    fallen: np.ndarray,
    share: np.ndarray,
    share_days: np.ndarray,
    settings: Settings,
) -> np.ndarray:
    """Say which fall fast enough, without the weather that would explain it."""
    fed = account.fed(~np.isnan(account.gain[-TREND:]), slice(-TREND, None))
    theirs = cold.median(fed)
    worse = (cold.median(left.line.slope) - left.line.slope >= SLOPE_WORSE) & (fallen >= FALLEN)
    poor = (share < POOR_SHARE) & (share_days >= POOR_DAYS) & (left.days <= settings.days_left)
    unknown = (
        ~(share >= WEATHER_SHARE)
        & (left.days <= UNKNOWN_CAUTION * settings.days_left)
        & (np.isnan(fed) | np.isnan(theirs) | (fed < UNKNOWN_FED * theirs))
        & (fallen >= UNKNOWN_FALLEN)
    )
    return np.asarray(worse & (poor | unknown))


def _left(account: _Account, cut: np.ndarray) -> _Left:
    mornings = np.arange(float(TREND))
    # Once the whole line lies after the cut its slope is the use, seen from dawn to dawn.
    just_cut = cut & account.full[-TREND:].any(axis=0)
    line = theil_sen(mornings, account.dawn[-TREND:])
    days: list[np.ndarray] = []
    low: list[np.ndarray] = []
    high: list[np.ndarray] = []
    volts = (account.days.dawn_v[LATELY], account.days.evening_v[LATELY])
    dawns, evenings = (battery.charge_by_cells(of, account.kind, account.cutoff_v) for of in volts)
    for dawn, evening in zip(dawns, evenings, strict=True):
        # The account hangs on the table too: each cell is judged wholly by its own.
        use = 24.0 * np.maximum(median(charging.night_use(evening, dawn, account.days.dark_h)[-NIGHTS:]), 0.0)
        steepest = np.where(np.isnan(use), np.inf, STEEPEST * use)
        own = theil_sen(mornings, dawn[-TREND:])
        charge = (own.at_end + _latest(dawn)) / 2.0
        for told, slope, of_use in ((days, own.slope, 1.0), (low, own.low, MOST_USE), (high, own.high, LEAST_OF_USE)):
            told.append(_days(charge, np.where(just_cut, of_use * use, np.clip(-slope, 0.0, steepest))))
    heard = ~np.isnan(account.dawn[-2:]).all(axis=0)
    return _Left(
        days=np.median(days, axis=0),
        low=np.min(low, axis=0),
        high=np.max(high, axis=0),
        line=line,
        heard=heard,
        enough=heard & (line.points >= TREND_NEEDS),
    )


def _days(charge: np.ndarray, loss: np.ndarray) -> np.ndarray:
    """Return how many days a charge lasts at a loss [share/d], at most MANY_DAYS."""
    days = np.maximum(charge, 0.0) / np.where(loss > 0, loss, 1.0)
    return np.where(np.isnan(loss), np.nan, np.where(loss > 0, np.minimum(days, MANY_DAYS), MANY_DAYS))


def _latest(values: np.ndarray) -> np.ndarray:
    """Return the last morning's value, or the one before where that is missing."""
    return np.asarray(np.where(np.isnan(values[-1]), values[-2], values[-1]))


def _low_and_not_filled(account: _Account, charge: np.ndarray) -> np.ndarray:
    best = np.fmax.reduce(account.evening, axis=0)
    return np.asarray((charge < LOW_SHARE * best) & ~account.full[JUST_NOW].any(axis=0))


def _not_full_for(full: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Return how many known days have passed since the last full one."""
    full_later = np.maximum.accumulate(full[::-1], axis=0)[::-1]
    return np.asarray(np.count_nonzero(known & ~full_later, axis=0))


def _hours_lost(view: View, account: _Account) -> np.ndarray:
    """Return the hours silent in the last two days of those that went off at the last two dawns and came back by day
    [h, n], 0 of all others.
    """
    grid, dawn_v, noon_v = view.record.hourly, account.days.dawn_v, account.days.noon_v
    lost = np.zeros(len(view.stations), np.int64)
    off = np.isnan(dawn_v[-1]) & np.isnan(dawn_v[-2])
    suspects = np.flatnonzero(off & ~np.isnan(noon_v[-2]) & ~np.isnan(noon_v[-3]))
    if len(suspects):
        volts = grid.mean(BATTERY, max(grid.head - 48, 0), grid.head - 1)[:, suspects]
        lowest_v = np.fmin.reduce(volts, axis=0).astype(float)
        lowest = battery.charge(lowest_v, account.kind[suspects], account.cutoff_v[suspects])
        lost[suspects] = np.where(lowest <= NEAR_CUTOFF, np.isnan(volts).sum(axis=0), 0)
    return lost


def _since(sign: np.ndarray, account: _Account, settings: Settings) -> np.ndarray:
    """Return since when it isn't well, 0 where nothing is amiss [s since 1970 UTC].

    The dawn after the last full day for a panel, the last but one for one that dies at night, the last above the floor
    or with as much charge as usual for the others; where there was none, the first one known.
    """
    floor = settings.floor_percent / 100.0
    panel = (sign == CUT) | (sign == SHADED)
    usual = account.dawn >= np.where(sign == FLOOR, floor, _usual(account))
    good = np.where(panel, account.full, usual)
    first_known = np.argmax(~np.isnan(account.dawn), axis=0)
    last_good = np.where(good.any(axis=0), DAYS - 1 - np.argmax(good[::-1], axis=0), first_known)
    last_good = np.where(sign == DIES_AT_NIGHT, DAYS - 2, np.minimum(last_good + panel, DAYS - 1))
    since = account.days.dawn_at[last_good, np.arange(len(sign))]
    return np.asarray(np.where(sign > 0, since, 0), np.int64)


def _reasons(view: View, left: _Left, cold: Peers, unwell: np.ndarray) -> np.ndarray:
    """Return why a battery can't be judged, or for want of what it was judged more cautiously."""
    reason = np.full(len(unwell), "", object)
    reason[~cold.many] = "fewer than 3 peers to compare with: only ageing, dying at night and the floor are judged"
    reason[unwell] = "its charge is low; the weather, or not yet told apart from it"
    reason[~left.enough] = f"fewer than {TREND_NEEDS} mornings with volts in the last {TREND} days"
    reason[~left.heard] = "no volts at dawn in the last 2 days"
    reason[view.record.last_value_at[BATTERY] == 0] = "sends no battery volts"
    return reason

"""Has it not charged by day while its peers have?

By day the sun lifts a battery's volts over those of dawn, whatever its kind and charge; iron phosphate cells, whose
volts say nothing of their charge, too. With the hours of dawn and noon found by the sun's height at the place:

    rise = volts around noon - volts before sunrise                       [V]
    part = rise / the station's own usual rise, the median of the weeks before the last 8 days

A day counts when charging was to be expected: the peers' parts have a median of half or more, a cloudless day would
bring 0.3 kWh/m2 or more, and no frost kept a lithium cell from charging (under 1 degC at noon, by the nearest
thermometer). Told when each of the last 3 days that count, among the last 6, had a part of a fifth or less, or each of
the last 2 where the sun was plain (peers 0.8 or more), and the evening was no higher than dawn.

Where no thermometer is near, and the months are cold ones from 30 degrees of latitude poleward, 5 such days are asked
for: a cell that is too cold looks like a cut panel.

Where the numbers come from: that peers must have charged, and two to three sunny days, are common practice, no source;
a fifth, a half and 0.8 are judgement, tried on our own simulation with all kinds of batteries: 0 to 0.03 wrong calls a
station-winter, cut panels found after 4 to 8 days at the median. Where `battery-decline` sees the same, the two are one
notice.

What it cannot see: a panel that still brings a little (shade, dirt: `battery-decline`); a station without 3 peers, with
fewer than 5 usual days, with a usual rise under 0.02 V, or that sends its volts once a day.
"""

from __future__ import annotations

from typing import Annotated, Any

import numpy as np
from pydantic import Field

from watchman.judging.battery_days import DAYS, BatteryDays, battery_days, kinds
from watchman.judging.science.trend import median
from watchman.judging.view import Findings, View
from watchman.model import BATTERY, Verdict
from watchman.readings.record import HOUR
from watchman.written import Written

NAME = "not-charging"
EVERY_S = 3 * HOUR

BEFORE = slice(0, DAYS - 8)
BEFORE_NEEDS = 5
LATELY = 6
NEAREST = 8
PEERS_NEEDED = 3
LEAST_RISE_V = 0.02
LEAST_KWH = 0.3
PEERS_ROSE, PLAIN_SUN, PLAIN_DAYS = 0.5, 0.8, 2
EVENING_SLACK_V = 0.01
COLD_DAYS = 5


class Settings(Written):
    """How not-charging is set."""

    days: Annotated[int, Field(ge=2, le=LATELY)] = 3
    """Tell after this many days without charge on which its peers charged [d]; one less when the sun was plain."""
    rise_percent: Annotated[float, Field(gt=0, le=60)] = 20.0
    """A day without charge is one whose volts rise less than this share of the station's usual rise [%]."""


def judge(view: View, settings: Settings) -> Findings:
    """Return which batteries did not charge.

    numbers: days_without, the latest days in a row that count, without charge, and days_counted of the last 6;
    rise_mv and usual_rise_mv [mV] of the last day that counts; peers_part and part, of that day; frosty_days.
    """
    days = battery_days(view)
    return found(view, days, kinds(view, days), settings)


def found(view: View, days: BatteryDays, kind: np.ndarray, settings: Settings) -> Findings:
    """Return the same from days already read; `battery-decline` asks too, so that a cut panel is one notice."""
    rise = days.noon_v - days.dawn_v
    usual = median(rise[BEFORE])
    usual[np.count_nonzero(~np.isnan(rise[BEFORE]), axis=0) < BEFORE_NEEDS] = np.nan
    part = rise[-LATELY:] / np.where(usual >= LEAST_RISE_V, usual, np.nan)
    sunny = _peers_part(view, part)
    frost = days.locked_out(kind)[-LATELY:]
    counts = (sunny >= PEERS_ROSE) & ~frost & (days.clear_kwh[-LATELY:] >= LEAST_KWH) & ~np.isnan(part)
    evening = days.evening_v[-LATELY:]
    no_higher = ~(evening > days.dawn_v[-LATELY:] + EVENING_SLACK_V)
    without = counts & (part <= settings.rise_percent / 100.0) & no_higher

    in_a_row, plain = _latest_in_a_row(counts, without, sunny)
    needed = np.where(days.perhaps_locked_out(view), COLD_DAYS, settings.days)
    at_once = (plain >= max(settings.days - 1, PLAIN_DAYS)) & (needed == settings.days)
    present = (in_a_row >= needed) | at_once
    reason = _reasons(view, usual, sunny, counts, frost)
    last = LATELY - 1 - np.argmax(counts[::-1], axis=0)
    first = LATELY - 1 - np.argmax(np.cumsum(without[::-1], axis=0) >= np.maximum(in_a_row, 1), axis=0)
    column = np.arange(len(usual))
    return Findings.of(
        np.where(present, Verdict.PRESENT, np.where(reason == "", Verdict.ABSENT, Verdict.UNDETERMINED)),
        since=np.where(present, days.dawn_at[-LATELY:][first, column], 0).astype(np.int64),
        numbers={
            "days_without": in_a_row,
            "days_counted": np.count_nonzero(counts, axis=0),
            "days_needed": needed,
            "rise_mv": 1000.0 * rise[-LATELY:][last, column],
            "usual_rise_mv": 1000.0 * usual,
            "part": part[last, column],
            "peers_part": sunny[last, column],
            "frosty_days": np.count_nonzero(frost, axis=0),
            "dawn_v": np.where(np.isnan(days.dawn_v[-1]), days.dawn_v[-2], days.dawn_v[-1]),
        },
        reason=np.where(present, "", reason),
    )


def evidence(view: View, settings: Settings, findings: Findings, position: int) -> dict[str, Any]:
    """Return what people are shown of one battery; null where it is not known."""
    numbers = {name: float(column[position]) for name, column in findings.numbers.items()}
    return {
        **{name: int(numbers[name]) for name in ("days_without", "days_counted", "days_needed", "frosty_days")},
        "rise_mv": _number(numbers["rise_mv"], 0),
        "usual_rise_mv": _number(numbers["usual_rise_mv"], 0),
        "percent_of_usual": _number(100.0 * numbers["part"], 0),
        "peers_percent_of_usual": _number(100.0 * numbers["peers_part"], 0),
        "dawn_v": _number(numbers["dawn_v"], 2),
        "limit_percent": settings.rise_percent,
    }


def _number(value: float, digits: int) -> float | None:
    return round(value, digits) if np.isfinite(value) else None


def _peers_part(view: View, part: np.ndarray) -> np.ndarray:
    """Return the median part of each station's peers [day, n], NaN where fewer than PEERS_NEEDED tell."""
    near = view.stations.neighbours[:, :NEAREST]
    seen = np.moveaxis(np.where(near >= 0, part[:, near], np.nan), 2, 0)
    return np.where(np.count_nonzero(~np.isnan(seen), axis=0) >= PEERS_NEEDED, median(seen), np.nan)


def _latest_in_a_row(counts: np.ndarray, without: np.ndarray, sunny: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return how many of the latest days that count were without charge, up to the last one with, and of how many the
    sun was plain [n].
    """
    with_charge_later = np.maximum.accumulate((counts & ~without)[::-1], axis=0)[::-1]
    unbroken = without & ~with_charge_later
    return np.count_nonzero(unbroken, axis=0), np.count_nonzero(unbroken & (sunny >= PLAIN_SUN), axis=0)


def _reasons(view: View, usual: np.ndarray, sunny: np.ndarray, counts: np.ndarray, frost: np.ndarray) -> np.ndarray:
    """Return why it can't be judged whether a battery charges."""
    reason = np.full(len(usual), "", object)
    reason[~counts.any(axis=0)] = "on none of the last 6 days was charging to be expected by its peers and the sun"
    frozen = ~counts.any(axis=0) & (2 * np.count_nonzero(frost, axis=0) >= LATELY)
    reason[frozen] = "frost on half or more of the last 6 days: a cold cell takes no charge"
    reason[np.isnan(sunny).all(axis=0)] = f"fewer than {PEERS_NEEDED} peers with volts at dawn and noon"
    reason[~(usual >= LEAST_RISE_V)] = f"its volts hardly rise by day, or fewer than {BEFORE_NEEDS} days are known"
    reason[view.record.last_value_at[BATTERY] == 0] = "sends no battery volts"
    return reason

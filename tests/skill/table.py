"""The table people read: measured beside aimed at, the program beside the script with fixed limits."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.skill.score import Result, Tally, at_least, at_most, together, worst_tenth

DAY = 86400.0
MONTH_DAYS = 365.25 / 12.0
SEASON_DAYS, WINTER_DAYS = 183.0, 90.0


@dataclass(frozen=True, slots=True)
class Group:
    """Kinds of faults with one target. pod: the share to detect; bound: whether its lower 95 % bound must reach that;
    false: checks whose false threads count here; false_target per `per` days; soon: how soon, in words.
    """

    title: str
    kinds: tuple[str, ...]
    pod: float
    bound: bool
    checks: tuple[str, ...]
    false_target: float | None
    per: float
    unit: str
    soon: str


GROUPS = (
    Group(
        "silent station, modem, area, source", ("stop", "modem", "theft", "mast outage", "plan end", "source outage"),
        0.99, True, ("overdue", "source-outage", "gaps"), 0.01, MONTH_DAYS, "station-month", "3 transmissions or limit",
    ),
    Group(
        "clog, cut wire, jammed bucket", ("clog", "jam", "wire cut", "wet cable"),
        0.98, False, ("dry-among-wet",), 0.15, SEASON_DAYS, "station-season", "24 h, 15 mm, 2 spells",
    ),
    Group(
        "battery: ageing, shade, panel", ("ageing", "shading", "panel cut"),
        0.98, False, ("battery-decline", "not-charging"), 0.15, WINTER_DAYS, "station-winter", "lead 10 d (p10: 4 d)",
    ),
    Group("slow drain", ("slow drain",), 0.9, False, ("slow-drain",), None, SEASON_DAYS, "station-season", "10 d"),
    Group("doubled counts", ("doubled",), 0.9, False, (), None, SEASON_DAYS, "", "40 mm"),
    Group("undercatch 30 %", ("undercatch",), 0.8, False, ("undercatch",), None, SEASON_DAYS, "station-season", "60 d"),
    Group("undercatch, slow drift", ("drift",), 0.0, False, (), None, SEASON_DAYS, "", "no target"),
    Group("spurious tips", ("spurious",), 0.8, False, ("doubtful-rain",), None, SEASON_DAYS, "station-season", ""),
    Group("poured water", ("poured",), 0.95, False, (), None, SEASON_DAYS, "", "same day"),
    Group("test tips, unbooked", ("unbooked test",), 0.98, False, (), None, SEASON_DAYS, "", "same day"),
    Group("sprinkler", ("sprinkler",), 0.0, False, (), None, SEASON_DAYS, "", "no target"),
    Group("spike", ("spike",), 0.98, False, (), None, SEASON_DAYS, "", "same day"),
    Group("unit change", ("unit",), 0.98, False, (), None, SEASON_DAYS, "", "same day"),
    Group(
        "clock: hour, day, years", ("clock hour", "clock day", "clock years"),
        0.98, False, ("clock",), None, SEASON_DAYS, "station-season", "same day",
    ),
    Group("stuck value", ("stuck",), 0.98, False, ("stuck-value",), None, SEASON_DAYS, "station-season", "4 d"),
    Group("damp box", ("damp",), 0.98, False, ("limit",), None, SEASON_DAYS, "station-season", "4 d"),
    Group("weak signal", ("weak signal",), 0.98, False, (), None, SEASON_DAYS, "", "4 d"),
    Group("exchanged ids", ("exchanged",), 0.0, False, ("exchanged-ids",), None, SEASON_DAYS, "station-season", ""),
)  # fmt: skip


def summary(results: Sequence[Result]) -> list[dict[str, Any]]:
    """Return one row a group of faults: the numbers of the table, fit for JSON."""
    tallies = together(results)
    days = sum(result.station_days for result in results)
    rows = []
    for group in GROUPS:
        tally = Tally()
        for kind in group.kinds:
            part = tallies.get(kind, Tally())
            tally.episodes += part.episodes
            tally.detected += part.detected
            tally.in_time += part.in_time
            tally.duplicates += part.duplicates
            tally.neutral += part.neutral
            tally.covered += part.covered
            for name in ("latency_s", "lead_s", "allowed_s"):
                getattr(tally, name).extend(getattr(part, name))
        false = [thread for result in results for thread in result.false if thread.check in group.checks]
        rows.append(
            {
                "what": group.title,
                "episodes": tally.episodes,
                "detected": tally.detected,
                "share": tally.detected / tally.episodes if tally.episodes else None,
                "at_least": at_least(tally.detected, tally.episodes) if tally.episodes else None,
                "target": group.pod or None,
                "bound": group.bound,
                "in_time": tally.in_time,
                "false": len(false),
                "false_weekly": sum(thread.weekly for thread in false),
                "false_ratio": len(false) / (len(false) + tally.detected) if false or tally.detected else None,
                "false_rate": len(false) / (days / group.per) if group.checks and days else None,
                "false_target": group.false_target,
                "unit": group.unit,
                "duplicates": tally.duplicates,
                "neutral": tally.neutral,
                "covered": tally.covered,
                "latency_d": _quantiles(tally.latency_s),
                "lead_d": _quantiles(tally.lead_s),
                "allowed_d": _quantiles(tally.allowed_s),
                "soon": group.soon,
            }
        )
    return rows


def _quantiles(seconds: Sequence[float]) -> list[float] | None:
    """Return 10th percentile, median and 90th percentile [d]."""
    if not seconds:
        return None
    return [round(float(part) / DAY, 3) for part in np.quantile(seconds, (0.1, 0.5, 0.9))]


def lines(title: str, results: Sequence[Result]) -> Iterator[str]:
    """Yield the table of some worlds."""
    months = sum(result.station_days for result in results) / MONTH_DAYS
    yield f"\n{title}: {len(results)} worlds, {months:.0f} station-months"
    yield (
        f"  {'what':<36}{'episodes':>9}{'detected':>9}{'share':>7}{'>= (95%)':>9}{'aim':>6}{'in time':>8}{'false':>6}"
        f"{'ratio':>6}{'rate':>7}{'aim':>6} {'per':<15}{'twice':>6}  how soon: median (10-90 %), aim"
    )
    for row in summary(results):
        if not (row["episodes"] or row["false"]):
            continue
        yield (
            f"  {row['what']:<36}{row['episodes']:>9}{row['detected']:>9}{_number(row['share'], 3):>7}"
            f"{_number(row['at_least'], 3):>9}{_number(row['target'], 2):>6}{row['in_time']:>8}{row['false']:>6}"
            f"{_number(row['false_ratio'], 2):>6}{_number(row['false_rate'], 3):>7}{_number(row['false_target'], 2):>6}"
            f" {row['unit']:<15}{row['duplicates']:>6}  {_soon(row)}"
        )
    crossings = sum(result.crossings for result in results)
    if crossings:
        told, at_once, storms, false, doubtful, repeated = (
            sum(getattr(result, name) for result in results)
            for name in (
                "crossings_told",
                "crossings_in_cycle",
                "storms",
                "storms_false",
                "storms_doubtful",
                "storms_repeated",
            )
        )
        yield (
            f"  heavy rain: {told} of {crossings} crossings told (aim: all), {at_once} in the cycle of their reading; "
            f"{storms} threads, {false} false = {false / max(storms, 1):.3f} (aim 0.02), "
            f"{doubtful} of doubtful rain only, {repeated} of a storm told before"
        )
    false_now = [sum(not thread.weekly for thread in _faults(result)) for result in results]
    rates = [number / (result.station_days / MONTH_DAYS) for number, result in zip(false_now, results, strict=True)]
    total, notices = sum(false_now), sum(result.notices for result in results)
    worst = worst_tenth(rates)
    yield (
        f"  all fault checks: {total} false threads told = {total / months:.3f} a station-month (at most "
        f"{at_most(total, months):.3f}; aim on quiet worlds 0.05), worst tenth of worlds {worst[0]:.3f} "
        f"({worst[1]:.3f}-{worst[2]:.3f}); weekly false {sum(len(_faults(result)) for result in results) - total}; "
        f"notices {notices / months:.2f} a station-month"
    )
    by_rule = Counter(thread.rule for result in results for thread in result.false)
    if by_rule:
        yield "  false by rule: " + ", ".join(f"{rule} {number}" for rule, number in by_rule.most_common())
    shares = [1.0 - _share(result) for result in results if any(tally.episodes for tally in result.kinds.values())]
    if shares:
        missed = worst_tenth(shares)
        yield f"  missed of all episodes: {np.mean(shares):.3f}, worst tenth of worlds {missed[0]:.3f}"


def _faults(result: Result) -> list[Any]:
    return [thread for thread in result.false if thread.check != "heavy-rain"]


def _share(result: Result) -> float:
    episodes = sum(tally.episodes for tally in result.kinds.values())
    return sum(tally.detected for tally in result.kinds.values()) / episodes


def _number(value: float | None, digits: int) -> str:
    return "" if value is None else f"{value:.{digits}f}"


def _soon(row: Mapping[str, Any]) -> str:
    parts = []
    if row["lead_d"]:
        low, middle, high = row["lead_d"]
        parts.append(f"lead {middle:.1f} d ({low:.1f}-{high:.1f}), the data allowed {row['allowed_d'][1]:.1f} d")
    elif row["latency_d"]:
        low, middle, high = row["latency_d"]
        if high < 1.0:
            parts.append(f"{24 * middle:.1f} h ({24 * low:.1f}-{24 * high:.1f})")
        else:
            parts.append(f"{middle:.1f} d ({low:.1f}-{high:.1f})")
    if row["soon"]:
        parts.append(f"[{row['soon']}]")
    return " ".join(parts)

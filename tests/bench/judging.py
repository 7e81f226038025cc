"""One cycle's judging beside the plain script, and beside reading the record's memory once."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from tests.bench import plain_script, weather
from tests.bench.measure import Line, Time, apart, middle, peak_mb, timed, usual
from tests.helpers import moment, table_of
from watchman import watch
from watchman.judging import causes, learned
from watchman.judging.rule import Rule
from watchman.judging.view import View, aware
from watchman.model import BATTERY, RAIN, TEMPERATURE, Matter, Readings, SourceHealth
from watchman.readings.record import Grid, Record

NOW = moment("2025-07-22T00:00Z")
HOURS = 48
CYCLES = 30
"""So many minutes after NOW are judged too: periods of all lengths begin at NOW, so each slow rule is asked once."""
STEP_S = 300
SEASON_DAYS = 183
DAY = 86400


def beside(stations: int) -> list[Line]:
    """Measure all rules, cycle by cycle, on a record that holds 48 hours of 5-minute readings, a month of hours and a
    season of days; how long it takes to read the memory of the 48 hours once; and the plain script, which asks four
    questions, on the same 48 hours.
    """
    plain, plain_lines = apart(_plain, stations)
    return [*_ours(stations, plain), *plain_lines]


def _ours(stations: int, plain: Time) -> list[Line]:
    place = _sites(stations)
    with tempfile.TemporaryDirectory() as folder:
        network = weather.network(Path(folder), place, "http://127.0.0.1/")
    record = watch.empty_record(network, aware(NOW - HOURS * 3600))
    _long_memory(record, place)
    times = NOW + np.arange(1 - HOURS * 12, CYCLES // 5 + 1) * STEP_S
    values = weather.tables(place, times)
    before, after = slice(0, HOURS * 12), slice(HOURS * 12, None)
    rows = sum(int((~np.isnan(table[before])).sum()) for table in values.values())
    filling = timed(lambda: _fill(record, times[before], {kind: table[before] for kind, table in values.items()}))
    record.advance(NOW + 3600)  # how often stations send is learned once an hour
    record.advance(NOW)
    later = table_of(times[after], {kind: table[after] for kind, table in values.items()})
    values.clear()

    moment_now = aware(NOW)
    health = (SourceHealth("main", moment_now, moment_now, moment_now),)
    view = View(
        now=NOW,
        stations=network.columns(),
        record=record,
        health=health,
        in_service=np.ones(stations, bool),
        last_visit=np.zeros(stations, np.int64),
        on_probation=np.zeros(stations, bool),
    )
    arrays = _arrays(record.fine)
    size_mb = sum(array.nbytes for array in arrays) / 1e6
    reading = usual(lambda: [array.sum() for array in arrays])
    lines = [Line(f"read the memory of these readings once ({size_mb:.0f} MB)", str(reading))]
    lines += _cycles(network.rules, view, later, reading, plain)
    for rule in network.rules:
        took = usual(partial(watch.judge, [rule], view), 3)
        lines.append(Line(f"    {rule.name}", str(took)))
    lines += [
        Line("    learning from dry gauges, once a day", str(usual(lambda: learned.learn(view), 3))),
        Line("writing these readings into the record", str(filling), f"{rows / filling.wall_s / 1e6:.2f} M readings/s"),
        Line("    peak memory of the process", f"{peak_mb():.0f} MB"),
    ]
    return lines


def _cycles(rules: tuple[Rule, ...], view: View, later: Readings, reading: Time, plain: Time) -> list[Line]:
    """Judge a cycle a minute: the first asks all rules, one of the next each slow rule, the last ones no slow rule."""
    kept: dict[str, watch.Kept] = {}
    took: list[tuple[Time, str]] = []
    told = 0
    for minute in range(CYCLES + 1):
        now = NOW + 60 * minute
        view.record.advance(now)
        view.record.take(later.take((later.received_at > now - 60) & (later.received_at <= now)), _nothing_before)
        view = replace(view, now=now)
        known = {rule: one.findings for rule, one in kept.items()}
        matters: list[Matter] = []
        cycle = timed(partial(_judge, rules, view, kept, matters))
        slow = [
            rule.name for rule in rules if known.get(rule.name) is not kept[rule.name].findings and watch.holds_s(rule)
        ]
        assert not any(matter.numbers.get("trouble") for matter in matters), "a check failed"
        took.append((cycle, ", ".join(slow)))
        told = told or len(matters)
    first, others = took[0][0], took[1:]
    quiet = middle([cycle for cycle, slow in others if not slow])
    dearest, asked = max(others, key=lambda one: one[0].wall_s)
    return [
        Line(
            f"judging {told} matters: a usual cycle",
            str(quiet),
            f"{quiet.wall_s / reading.wall_s:.1f} readings of the memory, "
            f"{plain.wall_s / quiet.wall_s:.0f} times as fast as the plain script",
        ),
        Line("    the dearest cycle but the first", str(dearest), f"asks {asked}"),
        Line(
            "    the first cycle, which asks all rules",
            str(first),
            f"{plain.wall_s / first.wall_s:.1f} times as fast as the plain script",
        ),
    ]


def _judge(rules: tuple[Rule, ...], view: View, kept: dict[str, watch.Kept], matters: list[Matter]) -> None:
    judged, broken = watch.judge(rules, view, kept)
    matters += [*causes.gather(judged, view, {}), *broken]


def _plain(stations: int) -> tuple[Time, list[Line]]:
    place = _sites(stations)
    with tempfile.TemporaryDirectory() as folder:
        neighbours = weather.network(Path(folder), place, "http://127.0.0.1/").columns().neighbours
    times = NOW + np.arange(1 - HOURS * 12, 1) * STEP_S
    values = weather.tables(place, times)
    station, row = np.nonzero(~np.isnan(values[RAIN]).T)
    frame = pd.DataFrame(
        {
            "station": station.astype(np.int32),
            "time": pd.to_datetime(times[row], unit="s", utc=True),
            "rain": values[RAIN][row, station],
            "battery": values[BATTERY][row, station],
        }
    )
    del values, row, station
    now = pd.Timestamp(NOW, unit="s", tz="UTC")
    found: list[plain_script.Answers] = []
    took = timed(lambda: found.append(plain_script.judge(frame, now, neighbours)))
    answers = found[0]
    counted = (
        f"{len(answers.overdue)} overdue, {len(answers.heavy)} heavy, {len(answers.declining)} declining, "
        f"{len(answers.dry)} dry"
    )
    return took, [
        Line("the plain pandas script, same readings", str(took), counted),
        Line("    peak memory of the process", f"{peak_mb():.0f} MB"),
    ]


def _sites(stations: int) -> weather.Sites:
    return weather.sites(stations, NOW - 30 * DAY, NOW)


def _fill(record: Record, times: np.ndarray, values: dict[int, np.ndarray]) -> None:
    """Deliver the readings an hour at a time, as they would have come after a start."""
    for first in range(0, len(times), 12):
        part = slice(first, first + 12)
        readings = table_of(times[part], {variable: table[part] for variable, table in values.items()})
        record.advance(int(times[part][-1]))
        record.take(readings, _nothing_before)


def _nothing_before(_begin: int, _end: int, _stations: np.ndarray) -> Readings:
    return Readings.empty()


def _long_memory(record: Record, place: weather.Sites) -> None:
    """Fill hours and days before the 48 hours, as a season of watching would have."""
    end = record.daily.end_of(record.daily.head - 1)
    times = end + np.arange(1 - SEASON_DAYS * 24, 1) * 3600
    values = weather.tables(place, times, seed=3)
    rain_um = np.rint(1000 * np.nan_to_num(values[RAIN])).astype(np.int32)
    known = np.where(np.isnan(values[RAIN]), 0, 3600).astype(np.int32)
    for grid, hours in ((record.hourly, 1), (record.daily, 24)):
        cells = grid.cells(times.reshape(-1, hours)[:, -1])
        held = cells >= 0
        _put(grid, cells[held], rain_um, known, hours)
        for variable in (BATTERY, TEMPERATURE):
            table = values[variable].reshape(-1, hours, len(place))[held]
            grid.total[variable, cells[held]] = 12 * np.nan_to_num(table).sum(axis=1)
            grid.count[variable, cells[held]] = 12 * (~np.isnan(table)).sum(axis=1)
        grid.sum_again(0)
    record.longest_gap[record.daily.head - 31 : record.daily.head] = 3 * STEP_S


def _put(grid: Grid, cells: np.ndarray, rain_um: np.ndarray, known: np.ndarray, hours: int) -> None:
    last = len(rain_um) // hours - len(cells)
    for array, table in ((grid.rain, rain_um), (grid.known, known)):
        array[cells] = table.reshape(-1, hours, grid.stations)[last:].sum(axis=1)
    grid.covers[cells] = STEP_S


def _arrays(grid: Grid) -> list[np.ndarray]:
    return [
        *(grid.rain, grid.held, grid.known, grid.covers, grid.straddle, grid.running, grid.running_known),
        *(grid.total, grid.count),
    ]

"""Runs the real program over a world: the only part of this package that knows it."""

from __future__ import annotations

import csv
import io
import tempfile
import tomllib
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from tests.skill.climate import CLIMATES
from tests.skill.faults import DAY
from tests.skill.oracle import Limit
from tests.skill.score import rank_of
from tests.skill.world import COUNTER_WRAPS, SOURCES, World
from watchman.model import BATTERY, HUMIDITY, RAIN, SIGNAL, TEMPERATURE, VISIT, Readings, Span
from watchman.network import Network, load
from watchman.replay import replay

RULES = Path(__file__).parents[2] / "rules"
EVERY = timedelta(minutes=15)

NETWORK = """\
[network]
name = "Simulated"
zone = "{zone}"

[[sources]]
name = "main"
kind = "csv"
path = "main.csv"
columns = {{ time = "time", station = "station", rain = "rain", received = "received" }}

[[sources]]
name = "counter"
kind = "csv"
path = "counter.csv"
columns = {{ time = "time", station = "station", rain = "tips", received = "received" }}
rain = {{ unit = "tips", counts = "running total", wraps_at = {wraps_at} }}
"""
CONTACT = """
[[contacts]]
name = "{name}"
roles = ["{role}"]
mail = "{name}@simulated.example"
"""
ROLES = ("technician", "crew", "supervisor", "warden", "road crew", "data manager")
MAIL = '\n[mail]\nhost = "127.0.0.1"\nsecurity = "none"\nsender = "watch@simulated.example"\n'


def limits() -> tuple[Limit, ...]:
    """Return the limits for heavy rain that the shipped rule file asks for."""
    rule = tomllib.loads((RULES / "heavy-rain.toml").read_text(encoding="utf-8"))
    return tuple(
        Limit(
            one["depth_mm"],
            one["minutes"] if "minutes" in one else 60 * one["hours"],
            rank_of(one.get("severity", rule.get("severity", "moderate"))),
        )
        for one in rule["settings"]["limits"]
        if "depth_mm" in one
    )


def told(world: World, only_rules: Iterable[str] = ()) -> list[dict[str, Any]]:
    """Return the lines of a replay of the world with the shipped rules, or with some of them."""
    with tempfile.TemporaryDirectory() as folder:
        network = _network(Path(folder), world, set(only_rules))
        begin, end = (datetime.fromtimestamp(moment, UTC) for moment in (world.scored, world.ends))
        return list(replay(network, _readings(world), begin, end, every=EVERY, spans=_spans(world)))


def second(line: dict[str, Any]) -> int:
    """Return a line's time [s since 1970 UTC]."""
    return int(datetime.fromisoformat(line["at"]).timestamp())


def text_of(moment: int) -> str:
    """Return a moment as text, to the minute."""
    return f"{_aware(moment):%Y-%m-%d %H:%M}"


def _network(folder: Path, world: World, only_rules: set[str]) -> Network:
    people = "".join(CONTACT.format(name=role.replace(" ", "-"), role=role) for role in ROLES)
    zone = CLIMATES[world.order.climate].zone
    text = NETWORK.format(zone=zone, wraps_at=COUNTER_WRAPS)
    (folder / "network.toml").write_text(text + MAIL + people, encoding="utf-8")
    (folder / "stations.csv").write_text(_stations(world), encoding="utf-8")
    (folder / "rules").mkdir()
    for path in sorted(RULES.glob("*.toml")):
        if not only_rules or path.stem in only_rules:
            (folder / "rules" / path.name).write_text(path.read_text(encoding="utf-8"), encoding="utf-8")
    return load(folder, lambda name: None)


def _stations(world: World) -> str:
    """Return stations.csv as people would fill it in: some columns left out for a part of the stations."""
    rng = np.random.default_rng([world.order.seed, 99])
    kinds = {"cobalt": "lithium", "nickel": "lithium", "iron": "lithium-iron", "lead": "lead-acid"}
    cutoffs = {"nickel": "3.2", "lead": "11.7"}
    written = io.StringIO()
    table = csv.writer(written)
    table.writerow(
        [
            *("id", "name", "latitude", "longitude", "elevation_m", "source", "tip_mm", "chemistry", "cutoff_v"),
            *("sends_every_minutes", "mast", "plan", "plan_end"),
        ]
    )
    for site in world.sites:
        latitude = world.climate.latitude + site.y_km / 111.195
        longitude = 0.5 + site.x_km / (111.195 * np.cos(np.radians(latitude)))
        over = _aware(world.shared.plan_ends[site.plan] - DAY).date()
        table.writerow(
            [
                site.id, f"Station {site.id}", f"{latitude:.5f}", f"{longitude:.5f}", f"{site.elevation_m:.0f}",
                SOURCES[site.source], site.tip_mm, kinds[site.battery], cutoffs.get(site.battery, ""),
                site.every_minutes if rng.uniform() < 0.5 else "", f"M{site.mast}", f"P{site.plan}", over,
            ]
        )  # fmt: skip
    return written.getvalue()


def _readings(world: World) -> Readings:
    reports, parts = world.reports, []
    source = np.array([site.source for site in world.sites])
    for variable, values in (
        (RAIN, reports.rain),
        (BATTERY, reports.battery_v),
        (TEMPERATURE, reports.temperature_c),
        (HUMIDITY, reports.humidity),
        (SIGNAL, reports.signal_dbm),
    ):
        there = ~np.isnan(values)
        size = int(there.sum())
        parts.append(
            Readings(
                station=reports.station[there].astype(np.int32),
                variable=np.full(size, variable, np.int8),
                observed_at=reports.observed_at[there].astype(np.int64),
                received_at=reports.arrived_at[there].astype(np.int64),
                value=values[there].astype(np.float64),
                source=source[reports.station[there]].astype(np.int16),
                delivery=np.zeros(size, np.int64),
                revision=np.zeros(size, np.int64),
            )
        )
    return Readings.join(parts)


def _spans(world: World) -> tuple[Span, ...]:
    return tuple(
        Span(
            number=number,
            station=world.sites[visit.station].id,
            begins_at=_aware(visit.begins),
            ends_at=_aware(visit.ends),
            reason=VISIT,
            who="crew",
            decided_at=_aware(visit.decided),
        )
        for number, visit in enumerate(world.visits, 1)
    )


def _aware(moment: int) -> datetime:
    return datetime.fromtimestamp(moment, UTC)

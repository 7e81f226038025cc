"""The simulated world: weather, gauges, cells and radio put together, into reports with the moment each one arrives."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from demo import gauge, power, radio, rain
from demo.sites import TIP_MM, Site, plane, sites
from demo.story import HalfBlocked, HandTips, Story, fortnight

DAYS = 42
"""Length of the usual world: four weeks of history, then the story."""
LEAST_DAYS = 15
LAPSE_DEGC_PER_KM = 6.5
MID_SEPTEMBER_DAY = 20346
"""15 September 2025 [days since 1970]; the season's temperature is told from it."""


@dataclass(frozen=True, slots=True)
class Reports:
    """What the loggers sent, in order of arrival, repeats included; columns of equal length.

    station: position in the world's stations; observed_at: end of the interval [s since 1970 UTC]; arrived_at: when
    the service had it [s]; tips: in the interval; battery_v, temperature_c, signal_dbm: at its end.
    """

    station: np.ndarray
    observed_at: np.ndarray
    arrived_at: np.ndarray
    tips: np.ndarray
    battery_v: np.ndarray
    temperature_c: np.ndarray
    signal_dbm: np.ndarray

    def __len__(self) -> int:
        return len(self.station)

    def take(self, rows: np.ndarray) -> Reports:
        """Return the chosen rows as reports."""
        return Reports(*(getattr(self, name)[rows] for name in self.__slots__))


@dataclass(frozen=True, slots=True)
class World:
    """Everything that happened, and what was heard of it.

    rain_mm_h: rain and snow on the ground; tips: of the buckets, by hand too [both minute x station];
    battery_v, temperature_c: [quarter hour x station]; minute k ends at begins + (k + 1) minutes.
    """

    seed: int
    begins: datetime
    ends: datetime
    story: Story
    stations: tuple[Site, ...]
    rain_mm_h: np.ndarray
    tips: np.ndarray
    battery_v: np.ndarray
    temperature_c: np.ndarray
    reports: Reports


@dataclass(frozen=True, slots=True)
class _Scene:
    """What every part of the simulation needs to know. length: of the world [min]."""

    seed: int
    begins: datetime
    length: int
    story: Story
    stations: tuple[Site, ...]

    def stream(self, part: int, station: int = 0) -> np.random.Generator:
        """Return a part's own random numbers, so that a change in one part leaves the others as they were."""
        return np.random.default_rng([self.seed, part, station])

    def minute(self, moment: datetime) -> int:
        """Return which minute of the world begins at a moment."""
        return (_seconds(moment) - _seconds(self.begins)) // 60

    def position(self, station: str) -> int:
        """Return a station's position by its id."""
        return [site.id for site in self.stations].index(station)

    def day(self, moment_s: np.ndarray) -> np.ndarray:
        """Return in which day of the world, by UTC, each moment lies."""
        return np.asarray((moment_s - 1) // 86400 - _seconds(self.begins) // 86400)


def build(seed: int = 7, days: int = DAYS) -> World:
    """Return the world of a seed: `days` of it, the story at the end, random weather before.

    Raises ValueError when the story does not fit in.
    """
    if days < LEAST_DAYS:
        raise ValueError(f"the story needs {LEAST_DAYS} days, not {days}")
    story = fortnight()
    begins = (story.ends - timedelta(days=days)).replace(minute=0, second=0)
    scene = _Scene(seed, begins, days * rain.DAY_MINUTES, story, sites())
    quarter_s = _seconds(begins) + power.STEP_S * np.arange(1, days * 96 + 1)
    fall = _rain(scene)
    through = power.clearness(scene.stream(2), _wet_days(scene, fall))[scene.day(quarter_s)]
    temperature = _temperature(scene, quarter_s, through)
    tips = _tips(scene, fall, temperature)
    volts = _volts(scene, quarter_s, through, temperature)
    reports = _reports(scene, tips, volts, temperature)
    return World(seed, begins, story.ends, story, scene.stations, fall, tips, volts, temperature, reports)


def _seconds(moment: datetime) -> int:
    return int(moment.timestamp())


def _rain(scene: _Scene) -> np.ndarray:
    """Return the rain on the ground [mm/h, minute x station]: random until the story begins, then as scripted."""
    place = plane(scene.stations)
    fall = rain.season(scene.stream(0), place, scene.length // rain.DAY_MINUTES, rain.Climate())
    fall[scene.minute(scene.story.begins) :] = 0.0
    for minutes, part in _scripted_rain(scene, place):
        fall[minutes] += part
    return fall


def _scripted_rain(scene: _Scene, place: rain.Plane) -> Iterator[rain.Fall]:
    rng = scene.stream(1)
    for wide in scene.story.wide_rain:
        span = scene.minute(wide.begins), scene.minute(wide.ends)
        yield rain.wide(rng, place, span, wide.median_mm, scene.length)
    for storm in scene.story.storms:
        site = scene.stations[scene.position(storm.station)]
        begins = scene.minute(storm.begins)
        for cell in rain.of_depth(storm.cells, site.x_km, site.y_km, storm.depth_mm):
            yield rain.cell_fall(replace(cell, begins=cell.begins + begins), place, scene.length)


def _wet_days(scene: _Scene, fall: np.ndarray) -> np.ndarray:
    """Return for each UTC day whether a typical station had 2 mm [bool]."""
    day = scene.day(_seconds(scene.begins) + 60 * np.arange(1, scene.length + 1))
    depth = np.zeros((day[-1] + 1, fall.shape[1]))
    np.add.at(depth, day, fall / 60.0)
    return np.asarray(np.median(depth, axis=1) > 2.0)


def _temperature(scene: _Scene, quarter_s: np.ndarray, through: np.ndarray) -> np.ndarray:
    """Return the air's temperature [degC, quarter hour x station]: season, weather, time of day, height, script.

    The figures are those of low mountains in autumn, from memory.
    """
    rng = scene.stream(3)
    day = quarter_s / 86400.0
    hour = (day % 1.0) * 24.0 + 1.0
    air = 16.0 - 0.16 * (day - MID_SEPTEMBER_DAY) + _slow_weather(rng, len(day))
    air += (0.5 + 4.5 * through**1.5) * np.cos(2.0 * np.pi * (hour - 15.0) / 24.0)
    for warmth in scene.story.warmth:
        inside = (quarter_s > _seconds(warmth.begins)) & (quarter_s <= _seconds(warmth.ends))
        air += np.convolve(np.where(inside, warmth.degrees, 0.0), np.full(16, 1 / 16), mode="same")
    elevation_m = plane(scene.stations).elevation_m
    above_valley = LAPSE_DEGC_PER_KM * (elevation_m - 300.0) / 1000.0
    return np.asarray(air[:, None] - above_valley + rng.normal(0.0, 0.15, (len(day), len(elevation_m))))


def _slow_weather(rng: np.random.Generator, steps: int) -> np.ndarray:
    """Return warmer and colder spells of some days [degC], spread 0.8."""
    keep = float(np.exp(-power.STEP_S / (2.5 * 86400.0)))
    spell = np.empty(steps)
    state = 0.0
    for step, shock in enumerate(rng.normal(0.0, 0.8 * np.sqrt(1.0 - keep**2), steps)):
        state = keep * state + shock
        spell[step] = state
    return spell


def _tips(scene: _Scene, fall: np.ndarray, temperature: np.ndarray) -> np.ndarray:
    """Return the tips of all buckets, those made by hand too [minute x station]."""
    water = gauge.thaw(fall, np.repeat(temperature, power.STEP_S // 60, axis=0))
    for blocked in scene.story.blocked:
        water[scene.minute(blocked.begins) : scene.minute(blocked.ends), scene.position(blocked.station)] = 0.0
    for half in scene.story.half_blocked:
        span = slice(scene.minute(half.begins), scene.minute(half.ends))
        water[span, scene.position(half.station)] = _held_up(water[span, scene.position(half.station)], half)
    tips = gauge.tips(scene.stream(4), water, plane(scene.stations).elevation_m, TIP_MM)
    rng = scene.stream(5)
    for hand in scene.story.hand_tips:
        first = scene.minute(hand.begins)
        tips[first : first + hand.minutes, scene.position(hand.station)] += _spread(rng, hand)
    return tips


def _held_up(water_mm_h: np.ndarray, half: HalfBlocked) -> np.ndarray:
    """Return one station's water as a half blocked funnel lets it through [mm/h, minute]."""
    through, standing = np.zeros_like(water_mm_h), 0.0
    for minute, came in enumerate(water_mm_h):
        standing += came
        through[minute] = min(standing, half.passes_mm_h)
        standing -= through[minute]
    return through


def _spread(rng: np.random.Generator, hand: HandTips) -> np.ndarray:
    """Return the tips made in each minute: evenly, or in a few irregular bursts."""
    if hand.even:
        return np.diff(np.floor(np.arange(hand.minutes + 1) * hand.count / hand.minutes).astype(np.int64))
    return rng.multinomial(hand.count, rng.dirichlet(np.full(hand.minutes, 0.5)))


def _volts(scene: _Scene, quarter_s: np.ndarray, through: np.ndarray, temperature: np.ndarray) -> np.ndarray:
    """Return the cells' voltage [V, quarter hour x station]."""
    light = np.repeat((power.clear_sky(quarter_s) * through)[:, None], len(scene.stations), axis=1)
    for shadow in scene.story.shadows:
        grown = np.clip((quarter_s - _seconds(shadow.begins)) / (shadow.days * 86400.0), 0.0, 1.0)
        light[:, scene.position(shadow.station)] *= 1.0 - (1.0 - shadow.least) * grown
    return power.battery(scene.stream(6), scene.stations, light, temperature)


def _reports(scene: _Scene, tips: np.ndarray, volts: np.ndarray, temperature: np.ndarray) -> Reports:
    """Return what all loggers sent, in order of arrival."""
    parts = []
    for place, site in enumerate(scene.stations):
        ends = site.every_minutes * np.arange(1, scene.length // site.every_minutes + 1)
        sums = tips[: ends[-1], place].reshape(len(ends), site.every_minutes).sum(axis=1)
        quarter = (60 * ends - 1) // power.STEP_S
        rng = scene.stream(8, place)
        made = Reports(
            station=np.full(len(ends), place),
            observed_at=_seconds(scene.begins) + 60 * ends,
            arrived_at=np.zeros(len(ends), np.int64),
            tips=sums,
            battery_v=np.round(volts[quarter, place], 2),
            temperature_c=np.round(temperature[quarter, place], 1),
            signal_dbm=np.round(site.signal_dbm + rng.normal(0.0, 1.5, len(ends))),
        )
        parts.append(_sent(scene, rng, site, _frozen(scene, site, made)))
    together = Reports(*(np.concatenate([getattr(part, name) for part in parts]) for name in Reports.__slots__))
    together = replace(together, station=_named(scene, together))
    return together.take(np.lexsort((together.station, together.observed_at, together.arrived_at)))


def _frozen(scene: _Scene, site: Site, made: Reports) -> Reports:
    """Return one station's reports, those of a logger that repeats itself all with the values of its last sound one."""
    for frozen in scene.story.frozen:
        if frozen.station == site.id:
            inside = (made.observed_at > _seconds(frozen.begins)) & (made.observed_at <= _seconds(frozen.ends))
            last = int(np.flatnonzero(inside)[0]) - 1
            said = {
                name: np.where(inside, getattr(made, name)[last], getattr(made, name))
                for name in ("tips", "battery_v", "temperature_c", "signal_dbm")
            }
            made = replace(made, **said)
    return made


def _named(scene: _Scene, reports: Reports) -> np.ndarray:
    """Return the station under whose name each report comes."""
    station = reports.station.copy()
    for exchanged in scene.story.exchanged:
        inside = (reports.observed_at > _seconds(exchanged.begins)) & (reports.observed_at <= _seconds(exchanged.ends))
        one, other = (scene.position(name) for name in exchanged.stations)
        station[inside & (reports.station == one)] = other
        station[inside & (reports.station == other)] = one
    return station


def _sent(scene: _Scene, rng: np.random.Generator, site: Site, made: Reports) -> Reports:
    """Return one station's reports with their arrival, those that were lost left out, those filed twice twice."""
    story = scene.story
    silences = tuple(
        radio.Silence(_seconds(gap.begins), _seconds(gap.ends), gap.kept)
        for gap in story.unheard
        if site.id in gap.stations
    )
    outages, twice = (
        tuple((_seconds(stretch.begins), _seconds(stretch.ends)) for stretch in stretches)
        for stretches in (story.outages, story.filed_twice)
    )
    arrived = radio.at_the_door(radio.journey(rng, made.observed_at, 60 * site.every_minutes, silences), outages)
    arrived[made.battery_v < power.CUTOFF_V] = radio.NEVER
    again, again_at = radio.repeats(rng, arrived, twice)
    heard = np.flatnonzero(arrived != radio.NEVER)
    together = made.take(np.concatenate([heard, again]))
    return replace(together, arrived_at=np.concatenate([arrived[heard], radio.at_the_door(again_at, outages)]))

"""One simulated season: sites, weather, gauges, cells and radio put together into what arrived, and what was true."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from tests.skill import faults, gauge, power, radio, rain, weather
from tests.skill.climate import CLIMATES, Climate
from tests.skill.faults import DAY, HOUR, Fault, Shared
from tests.skill.radio import NEVER

BEFORE_DAYS = 45
"""Days of history before the first that is judged; no faults in them."""
TIPS_MM = (0.2, 0.254)
SOURCES = ("main", "counter")
"""Two services: one gives millimetres of each interval, one a running count of tips."""
COUNTER_WRAPS = 65536
MM_PER_INCH = 25.4


@dataclass(frozen=True, slots=True)
class Order:
    """What to simulate. spacing_km: between neighbours; gap_days: a station is well so long between faults, 0 for no
    faults at all; only: kinds of faults, all when empty.
    """

    seed: int
    climate: str
    stations: int
    spacing_km: float
    days: int
    gap_days: float
    only: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Site:
    """One station, as people would write it."""

    id: str
    x_km: float
    y_km: float
    elevation_m: float
    every_minutes: int
    tip_mm: float
    source: int
    mast: int
    plan: int
    battery: str


@dataclass(frozen=True, slots=True)
class Visit:
    """Work at a station that people booked, and when they did [s since 1970 UTC]."""

    station: int
    begins: int
    ends: int
    decided: int


@dataclass(frozen=True, slots=True)
class Reports:
    """What arrived, in no order, repeats included; columns of equal length.

    station; observed_at: as stamped, and arrived_at [s since 1970 UTC]; rain: as delivered, in the source's unit;
    battery_v, temperature_c, humidity, signal_dbm: NaN where the station has no such sensor. mm: the rain that the
    reading rightly read says; doubtful: a fault or a hand is in it; ended_at: when its interval truly ended.
    """

    station: np.ndarray
    observed_at: np.ndarray
    arrived_at: np.ndarray
    rain: np.ndarray
    battery_v: np.ndarray
    temperature_c: np.ndarray
    humidity: np.ndarray
    signal_dbm: np.ndarray
    mm: np.ndarray
    doubtful: np.ndarray
    ended_at: np.ndarray

    def __len__(self) -> int:
        return len(self.station)

    def take(self, rows: np.ndarray) -> Reports:
        """Return the chosen rows."""
        return Reports(*(getattr(self, name)[rows] for name in self.__slots__))


@dataclass(frozen=True, slots=True)
class World:
    """Everything that happened, and what was heard of it.

    begins: of the history; scored: from when on it is judged; ends [s since 1970 UTC]. fall [mm/h], tips: all that the
    buckets made, sound_tips: what they would have made without faults [minute x station]; temperature_c [quarter hour x
    station]; charge, sound_charge: with and without faults [-], running: loggers that have not cut off [quarter hour x
    station].
    """

    order: Order
    climate: Climate
    begins: int
    scored: int
    ends: int
    sites: tuple[Site, ...]
    place: rain.Place
    shared: Shared
    faults: tuple[Fault, ...]
    visits: tuple[Visit, ...]
    reports: Reports
    fall: np.ndarray
    tips: np.ndarray
    sound_tips: np.ndarray
    temperature_c: np.ndarray
    charge: np.ndarray
    sound_charge: np.ndarray
    running: np.ndarray

    @property
    def name(self) -> str:
        """Return what the world is called in tables."""
        order = self.order
        return f"{order.climate}/{order.stations}x{order.spacing_km:g}km/{order.seed}"

    def minute(self, moment: int) -> int:
        """Return which minute of the world begins at a moment."""
        return int(np.clip((moment - self.begins) // 60, 0, len(self.tips)))

    def tip_mm(self) -> np.ndarray:
        """Return the rain of one tip [mm, n]."""
        return np.array([site.tip_mm for site in self.sites])


def build(order: Order) -> World:
    """Return the world of an order; the same order always gives the same world."""
    climate = CLIMATES[order.climate]

    def stream(part: int, station: int = 0) -> np.random.Generator:
        return np.random.default_rng([order.seed, part, station])

    rng = stream(0)
    day = climate.begins[int(rng.integers(len(climate.begins)))] - timedelta(days=BEFORE_DAYS)
    begins = int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp())
    days = BEFORE_DAYS + order.days
    scored, ends = begins + BEFORE_DAYS * DAY, begins + days * DAY
    sites, place = _sites(rng, climate, order)
    shared = _shared(rng, sites, scored, ends)

    fall = rain.season(stream(1), climate, place, days)
    quarter = begins + weather.STEP_S * np.arange(1, days * weather.STEPS_A_DAY + 1)
    wet_share = (fall > 0.1).any(axis=1).reshape(days, -1).mean(axis=1)
    through = np.repeat(weather.clearness(stream(2), climate, wet_share), weather.STEPS_A_DAY)
    air = weather.air(stream(3), climate, quarter, through, place.elevation_m)
    tip_mm = np.array([site.tip_mm for site in sites])
    water = gauge.water(stream(4), fall, air.reshape(-1, 4, len(sites)).mean(axis=1), tip_mm)
    sound = gauge.tips(stream(5), water, tip_mm)

    planned: tuple[Fault, ...] = ()
    if order.gap_days:
        planned = faults.drawn(stream(6), shared, scored + DAY, ends, order.gap_days, order.only)
        planned = tuple(_at_its_moment(fault, sound, begins, ends) for fault in planned)
    visits = _visits(stream(7), planned, len(sites), scored, ends)
    tips = _faulty_tips(stream(8), planned, water, sound, tip_mm, begins)
    tips = _dew(stream(9), climate, tips, air, through, fall)
    tips, hands = _hand_tips(stream(10), planned, visits, tips, begins)

    bank = _bank(stream(11), sites)
    light = power.sunlight(quarter, climate.latitude) * through
    for _ in range(8):
        sound_charge, _, _ = power.run(stream(12), bank, light, air)
        larger = power.sized(bank, sound_charge)
        if (larger.panel_w == bank.panel_w).all():
            break
        bank = larger
    sky, capacity, load = _power_faults(planned, quarter, len(sites))
    charge, volts, running = power.run(stream(12), bank, light, air, sky=sky, capacity=capacity, load=load)
    world = World(
        order, climate, begins, scored, ends, sites, place, shared, planned, visits, _none(), fall, tips, sound, air,
        charge, sound_charge, running,
    )  # fmt: skip
    parts = [
        _reports(stream(13, position), stream(14, position), world, position, volts[:, position], hands)
        for position in range(len(sites))
    ]
    together = Reports(*(np.concatenate([getattr(part, name) for part in parts]) for name in Reports.__slots__))
    return replace(world, reports=_exchanged(together, planned))


def _none() -> Reports:
    return Reports(*(np.empty(0) for _ in Reports.__slots__))


def _sites(rng: np.random.Generator, climate: Climate, order: Order) -> tuple[tuple[Site, ...], rain.Place]:
    side = int(np.ceil(np.sqrt(order.stations)))
    cells = rng.permutation(side * side)[: order.stations]
    x = (cells % side + rng.uniform(-0.35, 0.35, order.stations)) * order.spacing_km
    y = (cells // side + rng.uniform(-0.35, 0.35, order.stations)) * order.spacing_km
    hills = sum(np.cos(x / scale + rng.uniform(0, 6)) * np.cos(y / scale + rng.uniform(0, 6)) for scale in (4.0, 11.0))
    high = np.maximum(climate.base_m + climate.relief_m * hills / 1.4 + rng.normal(0.0, 20.0, order.stations), 5.0)
    place = rain.Place(x, y, high)
    masts = _clusters(rng, place, max(1, order.stations // 4))
    every = rng.choice([5, 15, 60], order.stations, p=[0.35, 0.5, 0.15])
    kinds = rng.choice(["cobalt", "nickel", "iron", "lead"], order.stations, p=[0.35, 0.3, 0.15, 0.2])
    sources = rng.choice([0, 0, 1], order.stations)
    plans = rng.integers(0, max(2, order.stations // 4), order.stations)
    sites = tuple(
        Site(
            f"s{n:02d}", float(x[n]), float(y[n]), float(np.round(high[n])), int(every[n]), float(rng.choice(TIPS_MM)),
            int(sources[n]), int(masts[n]), int(plans[n]), str(kinds[n]),
        )
        for n in range(order.stations)
    )  # fmt: skip
    return sites, place


def _clusters(rng: np.random.Generator, place: rain.Place, number: int) -> np.ndarray:
    """Return to which of some masts each station is nearest."""
    chosen = rng.choice(len(place.x_km), number, replace=False)
    return np.asarray(np.argmin(place.apart_km()[:, chosen], axis=1))


def _shared(rng: np.random.Generator, sites: Sequence[Site], scored: int, ends: int) -> Shared:
    plans = sorted({site.plan for site in sites})
    over = {plan: int(rng.uniform(scored + 10 * DAY, ends + 250 * DAY)) // DAY * DAY for plan in plans}
    return Shared(
        mast=np.array([site.mast for site in sites]),
        plan=np.array([site.plan for site in sites]),
        source=np.array([site.source for site in sites]),
        alike=np.array([site.source * 100 + site.every_minutes for site in sites]),
        plan_ends=over,
    )


def _at_its_moment(fault: Fault, sound: np.ndarray, begins: int, ends: int) -> Fault:
    """Return a jam moved to the next minute in which its bucket tips: it jams while it moves."""
    if fault.kind != "jam":
        return fault
    first = (fault.begins - begins) // 60
    moving = np.flatnonzero(sound[first : first + 30 * 1440, fault.stations[0]])
    if not len(moving):
        return fault
    began = fault.begins + 60 * int(moving[min(len(moving) - 1, 10)])
    return replace(fault, begins=began, ends=min(ends, fault.ends + began - fault.begins))


def _visits(
    rng: np.random.Generator, planned: Sequence[Fault], stations: int, scored: int, ends: int
) -> tuple[Visit, ...]:
    """Return the booked visits: at the end of faults, and one a season to each station for its own sake."""
    found = []
    for fault in planned:
        if fault.booked:
            found += [_visit(rng, station, fault.ends - 1800) for station in fault.stations]
    for station in range(stations):
        day = int(rng.uniform(scored + DAY, max(scored + 2 * DAY, ends - DAY))) // DAY * DAY
        if rng.uniform() < (ends - scored) / DAY / 183.0:
            found.append(_visit(rng, station, day + int(rng.uniform(8.0, 15.0) * 60) * 60))
    return tuple(found)


def _visit(rng: np.random.Generator, station: int, begins: int) -> Visit:
    ends = begins + int(rng.uniform(1.0, 3.0) * HOUR)
    decided = begins - int(rng.uniform(0.0, 2.0) * DAY) if rng.uniform() < 0.7 else begins + int(rng.uniform(0, 900))
    return Visit(station, begins, ends, decided)


def _faulty_tips(
    rng: np.random.Generator,
    planned: Sequence[Fault],
    water: np.ndarray,
    sound: np.ndarray,
    tip_mm: np.ndarray,
    begins: int,
) -> np.ndarray:
    """Return the tips that the buckets make with their faults [minute x station]."""
    tips = sound.copy()
    for fault in planned:
        station, first, last = fault.stations[0], (fault.begins - begins) // 60, (fault.ends - begins) // 60
        here, size = tips[first:last, station], last - first
        if fault.kind in ("clog", "jam"):
            here[:] = 0
        elif fault.kind == "wire cut":
            here[:] = 0
            if fault.size < 0.3:
                here[0] = int(5 + 60 * fault.size)
        elif fault.kind == "wet cable":
            # Water reaches the joint with the first millimetre of the last six hours, and dries two hours after it.
            recent = np.convolve(here, np.ones(360), "full")[:size] * tip_mm[station]
            here[recent > 1.0] = 0
        elif fault.kind in ("slow drain", "undercatch", "drift"):
            flows = water[first:last, station].astype(np.float64)
            if fault.kind == "slow drain":
                flows = gauge.drained(flows, float(np.exp(fault.size)))
            elif fault.kind == "undercatch":
                flows = flows * fault.size
            else:
                flows = flows * (1.0 - fault.size * np.arange(size) / (30 * 1440.0))
            here[:] = gauge.tips(rng, flows[:, None], tip_mm[station : station + 1])[:, 0]
        elif fault.kind == "doubled":
            here[:] += rng.binomial(here, fault.size).astype(np.int16)
        elif fault.kind == "spurious":
            # In clusters: wind, a loose reed, the modem's own pulses.
            windy = np.repeat(rng.gamma(0.5, 2.0, size // 60 + 1), 60)[:size]
            here[:] += np.minimum(rng.poisson(fault.size / 1440.0 * windy), 3).astype(np.int16)
    return tips


def _dew(
    rng: np.random.Generator,
    climate: Climate,
    tips: np.ndarray,
    air: np.ndarray,
    through: np.ndarray,
    fall: np.ndarray,
) -> np.ndarray:
    """Add lone tips of dew at dawn after clear nights without rain or frost."""
    days, stations = len(tips) // 1440, tips.shape[1]
    calm = (through[:: weather.STEPS_A_DAY] > 0.6)[:, None]
    dry = fall.reshape(days, 1440, stations)[:, :480].max(axis=1) == 0.0
    mild = air.reshape(days, weather.STEPS_A_DAY, stations)[:, :32].min(axis=1) > 1.0
    day, station = np.nonzero((rng.uniform(size=(days, stations)) < climate.dew) & calm & dry & mild)
    tips[day * 1440 + rng.integers(240, 480, len(day)), station] += 1
    return tips


def _hand_tips(
    rng: np.random.Generator, planned: Sequence[Fault], visits: Sequence[Visit], tips: np.ndarray, begins: int
) -> tuple[np.ndarray, np.ndarray]:
    """Add the tips that people make; return the tips, and those made by hand."""
    hands = np.zeros(tips.shape, bool)

    def add(station: int, first: int, counts: np.ndarray) -> None:
        counts = counts[: max(0, len(tips) - first)]
        tips[first : first + len(counts), station] += counts.astype(np.int16)
        hands[first : first + len(counts), station] = True

    for visit in visits:
        first, long = (visit.begins - begins) // 60, (visit.ends - visit.begins) // 60
        hands[first : first + long, visit.station] = True
        for share in (0.15, 0.55) if rng.uniform() < 0.8 else ():
            add(visit.station, first + int(share * long), _even(rng, int(rng.integers(30, 60))))
    for fault in planned:
        first = (fault.begins - begins) // 60
        if fault.kind == "unbooked test":
            add(fault.stations[0], first, _even(rng, int(fault.size)))
        elif fault.kind == "poured":
            minutes = int(rng.integers(6, 40))
            add(fault.stations[0], first, rng.multinomial(int(fault.size), rng.dirichlet(np.full(minutes, 0.4))))
        elif fault.kind == "sprinkler":
            minutes = int(rng.integers(20, 50))
            for day in range((fault.ends - fault.begins) // DAY):
                count = rng.poisson(fault.size) if rng.uniform() < 0.85 else 0
                start = first + day * 1440 + int(rng.integers(-5, 6))
                add(fault.stations[0], start, rng.multinomial(count, np.full(minutes, 1.0 / minutes)))
    return tips, hands


def _even(rng: np.random.Generator, count: int) -> np.ndarray:
    """Return tips a minute of a test: evenly poured, a tip in 6 to 25 s."""
    at = np.cumsum(rng.uniform(6.0, 25.0) * rng.normal(1.0, 0.06, count)) / 60.0
    return np.bincount(np.maximum(at, 0.0).astype(np.int64))


def _bank(rng: np.random.Generator, sites: Sequence[Site]) -> power.Bank:
    size = len(sites)
    twelve = np.array([site.battery == "lead" for site in sites])
    return power.Bank(
        kind=tuple(site.battery for site in sites),
        panel_w=rng.uniform(3.0, 8.0, size) * np.where(twelve, 2.5, 1.0),
        sky=rng.uniform(0.6, 1.4, size),
        load_a=rng.uniform(0.014, 0.024, size),
        capacity_ah=rng.uniform(4.0, 10.0, size),
    )


def _power_faults(
    planned: Sequence[Fault], quarter: np.ndarray, stations: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return what is left of the light and the capacity, and how the load grows [-, quarter hour x station]."""
    sky, capacity, load = (np.ones((len(quarter), stations), np.float32) for _ in range(3))
    for fault in planned:
        at = np.flatnonzero((quarter >= fault.begins) & (quarter < fault.ends)), fault.stations[0]
        days = (quarter[at[0]] - fault.begins) / DAY
        if fault.kind == "shading":
            sky[at] = 1.0 - (1.0 - fault.size) * np.clip(days / 20.0, 0.0, 1.0)
        elif fault.kind == "panel cut":
            sky[at] = 0.0
        elif fault.kind == "ageing":
            capacity[at] = 1.0 - (1.0 - fault.size) * np.clip(days / 35.0, 0.0, 1.0)
        elif fault.kind == "weak signal":
            load[at] = 1.0 + 1.0 * np.clip(days / 5.0, 0.0, 1.0)
    return sky, capacity, load


def _reports(
    rng: np.random.Generator,
    sensors: np.random.Generator,
    world: World,
    position: int,
    volts: np.ndarray,
    hands: np.ndarray,
) -> Reports:
    """Return what arrived of one station, as stamped, repeats included."""
    site, own = world.sites[position], [fault for fault in world.faults if position in fault.stations]
    every = site.every_minutes
    ends = every * np.arange(1, len(world.tips) // every + 1)
    at = world.begins + 60 * ends
    tips = world.tips[: ends[-1], position].reshape(-1, every).sum(axis=1, dtype=np.int64)
    made_by_hand = hands[: ends[-1], position].reshape(-1, every).any(axis=1)
    quarter = (60 * ends - 1) // weather.STEP_S
    mm = tips * site.tip_mm
    doubtful = np.asarray(made_by_hand).copy()
    battery, temperature = np.round(volts[quarter], 2), np.round(world.temperature_c[quarter, position], 1)
    humidity, signal = _inside(sensors, at, own), _signal(sensors, at, own)
    for fault in own:
        inside = (at > fault.begins) & (at <= fault.ends)
        if fault.kind == "spike":
            hit = int(np.searchsorted(at, fault.begins))
            mm[hit : hit + 1], doubtful[hit : hit + 1] = np.round(fault.size, 1), True
        elif fault.kind == "stuck":
            first = np.flatnonzero(inside)
            for values in (battery, temperature, humidity, signal) if len(first) else ():
                values[inside] = values[first[0]]
            mm[inside] = 0.0 if fault.size < 0.85 or not len(first) else mm[first[0]]
        if fault.kind in ("doubled", "spurious", "sprinkler", "unit", "stuck", "exchanged") or "clock" in fault.kind:
            doubtful |= inside
    arrived = _arrivals(rng, world, position, at, quarter, own)
    delivered = _in_the_sources_unit(rng, site, np.where(world.running[quarter, position], mm, 0.0), at, own)
    stamped = at.copy()
    for fault in own:
        inside = (at > fault.begins) & (at <= fault.ends)
        if fault.kind == "clock hour":
            stamped[inside] += int(fault.size) * HOUR
        elif fault.kind == "clock day":
            stamped[inside] += int(fault.size) * DAY
        elif fault.kind == "clock years":
            back_to = 946684800 if fault.size < 0.7 else 0  # 2000 or 1970
            stamped[inside] += back_to - fault.begins
    has = sensors.uniform(size=3) < (0.8, 0.6, 0.9)
    nothing = np.full(len(at), np.nan)
    made = Reports(
        station=np.full(len(at), position), observed_at=stamped, arrived_at=arrived, rain=delivered,
        battery_v=battery, temperature_c=temperature if has[0] else nothing, humidity=humidity if has[1] else nothing,
        signal_dbm=signal if has[2] else nothing, mm=mm, doubtful=doubtful, ended_at=at,
    )  # fmt: skip
    again, again_at = radio.repeats(rng, arrived)
    heard = np.flatnonzero(arrived != NEVER)
    together = made.take(np.concatenate([heard, again]))
    return replace(together, arrived_at=_at_the_door(np.concatenate([arrived[heard], again_at]), own))


def _arrivals(
    rng: np.random.Generator, world: World, position: int, at: np.ndarray, quarter: np.ndarray, own: Sequence[Fault]
) -> np.ndarray:
    arrived = radio.journey(rng, at, 60 * world.sites[position].every_minutes)
    for fault in own:
        inside = (at > fault.begins) & (at <= fault.ends)
        caught = (arrived > fault.begins) & (at <= fault.ends)
        kept = fault.kind == "modem" or (fault.kind == "mast outage" and fault.size < 0.5)
        if fault.kind == "weak signal":
            arrived[inside & (rng.uniform(size=len(at)) < 0.15)] = NEVER
        elif kept:
            arrived[caught] = np.where(
                arrived[caught] == NEVER, NEVER, fault.ends + rng.integers(30, 900, caught.sum())
            )
        elif fault.kind in ("stop", "theft", "plan end", "mast outage"):
            arrived[caught] = NEVER
    arrived[~world.running[quarter, position]] = NEVER
    return arrived


def _at_the_door(arrived: np.ndarray, own: Sequence[Fault]) -> np.ndarray:
    """Return the arrivals with those inside an outage of the service moved to its end: it gives all afterwards."""
    moved = arrived.copy()
    for fault in own:
        if fault.kind == "source outage":
            moved[(moved >= fault.begins) & (moved < fault.ends)] = fault.ends
    return moved


def _in_the_sources_unit(
    rng: np.random.Generator, site: Site, mm: np.ndarray, at: np.ndarray, own: Sequence[Fault]
) -> np.ndarray:
    """Return the rain as delivered: millimetres, or a running count of tips with resets and wraps."""
    inches = np.zeros(len(mm), bool)
    for fault in own:
        if fault.kind == "unit":
            inches |= (at > fault.begins) & (at <= fault.ends)
    if site.source == 0:
        return np.round(np.where(inches, mm / MM_PER_INCH, mm), 3)
    # A counter has no unit to mistake: its tips are multiplied by the logger before they are counted.
    steps = np.round(np.where(inches, mm * MM_PER_INCH, mm) / site.tip_mm).astype(np.int64)
    count = np.cumsum(steps) + (COUNTER_WRAPS - rng.integers(1, 400) if rng.uniform() < 0.3 else rng.integers(0, 9000))
    for reset in np.flatnonzero(rng.uniform(size=len(mm)) < 2.0 / 365.0 * site.every_minutes / 1440.0):
        count[reset:] -= count[reset - 1] if reset else 0
    return np.asarray(count % COUNTER_WRAPS, np.float64)


def _slow(rng: np.random.Generator, at: np.ndarray, days: float) -> np.ndarray:
    """Return a wandering of unit spread whose memory is some days, at each report."""
    knots = np.arange(at[0], at[-1] + 2 * DAY, 6 * HOUR)
    keep = np.exp(-0.25 / days)
    walk, state = np.empty(len(knots)), rng.normal()
    for knot in range(len(knots)):
        state = keep * state + np.sqrt(1.0 - keep**2) * rng.normal()
        walk[knot] = state
    return np.asarray(np.interp(at, knots, walk))


def _inside(rng: np.random.Generator, at: np.ndarray, own: Sequence[Fault]) -> np.ndarray:
    """Return the relative humidity in the box [%]."""
    level = rng.uniform(25.0, 48.0) + 5.0 * _slow(rng, at, 4.0) + 4.0 * np.cos(2 * np.pi * (at % DAY) / DAY)
    for fault in own:
        if fault.kind == "damp":
            days = np.where((at > fault.begins) & (at <= fault.ends), (at - fault.begins) / DAY, 0.0)
            level += np.clip(days / 2.0, 0.0, 1.0) * (fault.size - level)
    return np.round(np.clip(level + rng.normal(0.0, 0.5, len(at)), 5.0, 100.0), 1)


def _signal(rng: np.random.Generator, at: np.ndarray, own: Sequence[Fault]) -> np.ndarray:
    level = rng.uniform(-95.0, -68.0) + 2.0 * _slow(rng, at, 3.0) + rng.normal(0.0, 2.0, len(at))
    for fault in own:
        if fault.kind == "weak signal":
            inside = (at > fault.begins) & (at <= fault.ends)
            level -= np.where(inside, fault.size * np.clip((at - fault.begins) / (3.0 * DAY), 0.0, 1.0), 0.0)
    return np.round(np.clip(level, -125.0, -40.0))


def _exchanged(reports: Reports, planned: Sequence[Fault]) -> Reports:
    """Return the reports with the ids of exchanged loggers in each other's place."""
    station = reports.station.copy()
    for fault in planned:
        if fault.kind == "exchanged":
            inside = (reports.ended_at > fault.begins) & (reports.ended_at <= fault.ends)
            one, other = (inside & (reports.station == position) for position in fault.stations)
            station[one], station[other] = fault.stations[1], fault.stations[0]
    return replace(reports, station=station)

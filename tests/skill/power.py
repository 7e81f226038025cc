"""Sun, panel and cell: the voltage of small solar stations, every quarter of an hour, by an account of their charge."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from tests.skill.weather import STEP_S, STEPS_A_DAY

CHARGER = 0.7
"""Share of the panel's power that arrives [-] (from memory)."""
GOES_IN = 0.97
NOISE_V = 0.006


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of battery. written: as people call it; charge, volts: open circuit; ohm: its resistance at 20 degC;
    sun_v: at which the panel's power goes in; cutoff_v; float_v: where the charger holds it; no_charge_below_c.
    """

    written: str
    charge: tuple[float, ...]
    volts: tuple[float, ...]
    ohm: float
    sun_v: float
    cutoff_v: float
    float_v: float
    no_charge_below_c: float


KINDS: Mapping[str, Kind] = {
    # Open-circuit curves from memory of common data sheets.
    "cobalt": Kind(
        "lithium",
        (0.0, 0.03, 0.06, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0),
        (3.00, 3.26, 3.42, 3.52, 3.62, 3.68, 3.73, 3.79, 3.86, 3.94, 4.02, 4.10, 4.19),
        0.12, 3.9, 3.3, 4.20, -2.0,
    ),
    "nickel": Kind(
        "lithium",
        (0.0, 0.04, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0),
        (2.90, 3.22, 3.40, 3.50, 3.57, 3.63, 3.70, 3.79, 3.87, 3.95, 4.04, 4.16),
        0.16, 3.9, 3.2, 4.16, -2.0,
    ),
    "iron": Kind(
        "lithium-iron",
        (0.0, 0.03, 0.08, 0.15, 0.3, 0.5, 0.7, 0.9, 0.97, 1.0),
        (2.50, 2.95, 3.12, 3.20, 3.25, 3.285, 3.30, 3.33, 3.36, 3.48),
        0.05, 3.3, 3.0, 3.55, -1.0,
    ),
    "lead": Kind(
        "lead-acid",
        (0.0, 0.1, 0.25, 0.5, 0.75, 1.0),
        (11.60, 11.85, 12.05, 12.28, 12.50, 12.75),
        0.20, 13.0, 11.7, 13.8, -15.0,
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Bank:
    """The batteries of all stations as columns [n]: kind, panel [W], sky: tilt and trees [-], load [A], capacity
    [Ah].
    """

    kind: tuple[str, ...]
    panel_w: np.ndarray
    sky: np.ndarray
    load_a: np.ndarray
    capacity_ah: np.ndarray

    def column(self, name: str) -> np.ndarray:
        """Return a number of each station's kind."""
        return np.array([getattr(KINDS[kind], name) for kind in self.kind])


def sunlight(moment_s: np.ndarray, latitude: float) -> np.ndarray:
    """Return the clear sky's light on level ground [W/m2] (Haurwitz; declination after Cooper; both from memory).

    The stations' clocks of the sun lie at longitude 0.
    """
    day = moment_s / 86400.0
    declination = np.radians(23.45) * np.sin(2.0 * np.pi * ((day % 365.25) - 80.0) / 365.25)
    hour = 2.0 * np.pi * ((day % 1.0) - 0.5)
    tilt = np.radians(latitude)
    height = np.sin(tilt) * np.sin(declination) + np.cos(tilt) * np.cos(declination) * np.cos(hour)
    height = np.maximum(height, 0.0)
    return np.asarray(1098.0 * height * np.exp(-0.059 / np.maximum(height, 1e-3)))


def run(
    rng: np.random.Generator,
    bank: Bank,
    light: np.ndarray,
    temperature_c: np.ndarray,
    *,
    sky: np.ndarray | None = None,
    capacity: np.ndarray | None = None,
    load: np.ndarray | None = None,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return charge [-], volts [V] and whether the logger runs [bool], each [quarter hour x station].

    light: [W/m2, step]; temperature_c: [step x station]; sky, capacity, load: what faults leave of the light and the
    capacity, and make of the load [-, step x station]. A cell gives less in the cold, and takes no charge below about
    -2 degC. A logger that has cut off comes back when the cell has recovered by a twentieth.
    """
    size = temperature_c.shape
    sky, capacity, load = (np.ones(size, np.float32) if part is None else part for part in (sky, capacity, load))
    sun_v, float_v, ohm, coldest = (bank.column(name) for name in ("sun_v", "float_v", "ohm", "no_charge_below_c"))
    sun_a = light[:, None] / 1000.0 * bank.sky * bank.panel_w * sky * CHARGER / sun_v
    sun_a = np.where(temperature_c < coldest, 0.0, sun_a)
    gives = np.clip(1.0 - 0.008 * (20.0 - temperature_c), 0.6, 1.05)
    full_ah = bank.capacity_ah * capacity * gives
    load_a = bank.load_a * load
    hours = STEP_S / 3600.0
    gain, use, sleep = GOES_IN * sun_a * hours / full_ah, load_a * hours / full_ah, 0.1 * load_a * hours / full_ah
    charge, running = np.empty(size), np.empty(size, bool)
    off_at = np.array([np.interp(KINDS[kind].cutoff_v, KINDS[kind].volts, KINDS[kind].charge) for kind in bank.kind])
    held, on = rng.uniform(0.85, 0.99, size[1]), np.ones(size[1], bool)
    for step in range(size[0]):
        held = np.clip(held + gain[step] - np.where(on, use[step], sleep[step]), 0.0, 1.0)
        on = np.where(on, held > off_at, held > off_at + 0.05)
        charge[step], running[step] = held, on
    volts = np.empty(size)
    for station, kind in enumerate(bank.kind):
        volts[:, station] = np.interp(charge[:, station], KINDS[kind].charge, KINDS[kind].volts)
    worn = 1.0 / np.maximum(capacity, 0.3)
    resistance = ohm * worn * (1.0 + 0.05 * np.maximum(0.0, 20.0 - temperature_c))
    fed_a = np.where(charge < 0.999, sun_a, load_a)  # a full cell is held, not fed
    # A nearly full cell resists: its volts climb towards where the charger holds it, the more the faster it is fed.
    pushed = np.clip((sun_a - load_a) / (0.03 * full_ah), 0.0, 1.0) * np.clip((charge - 0.8) / 0.2, 0.0, 1.0) ** 2
    volts += np.clip(fed_a - load_a, -1.0, 1.5) * resistance + pushed * np.maximum(float_v - volts, 0.0)
    volts = np.minimum(volts, float_v)
    return charge, volts + rng.normal(0.0, NOISE_V, size), running


def sized(bank: Bank, charge: np.ndarray) -> Bank:
    """Return the bank with larger panels and cells where a healthy year emptied the cell below 45 %."""
    weak = np.where(charge.min(axis=0) < 0.45, 1.5, 1.0)
    return Bank(bank.kind, bank.panel_w * weak, bank.sky, bank.load_a, bank.capacity_ah * weak)


def dawn(charge: np.ndarray) -> np.ndarray:
    """Return the least charge of each day [-, day x station]."""
    return np.asarray(charge.reshape(-1, STEPS_A_DAY, charge.shape[1]).min(axis=1))

"""How times, lengths of time, depths and names are said: in the network's own clock, short enough for a phone."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any

from watchman.network import Network, Station
from watchman.stations import SHORT_NAME_LETTERS

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

MM_PER_INCH = 25.4

AROUND_A_CLOCK_CHANGE = timedelta(hours=24)
"""How near a clock change texts carry the offset: the day before and the day after (decided here, no source)."""


def moment(value: datetime | str) -> datetime:
    """Return a time that may be written as RFC 3339."""
    return value if isinstance(value, datetime) else datetime.fromisoformat(value)


def offset(local: datetime) -> str:
    """Return a local time's distance from UTC, for instance "UTC-7" or "UTC+5:30"."""
    minutes = int((local.utcoffset() or timedelta()).total_seconds() // 60)
    if minutes == 0:
        return "UTC"
    hours, rest = divmod(abs(minutes), 60)
    return f"UTC{'+' if minutes > 0 else '-'}{hours}{f':{rest:02d}' if rest else ''}"


def rounded_down(value: float, decimals: int = 1) -> str:
    """Return a number rounded down, without needless zeros; float dust below a millionth costs no step."""
    scale = 10**decimals
    whole = math.floor(value * scale + 1e-6)
    return f"{whole / scale:.{decimals}f}".rstrip("0").rstrip(".") if decimals else str(whole)


def depth(depth_mm: float, unit: str) -> str:
    """Return a depth [mm] in "mm", rounded down to 0.1, or in "inch", rounded down to 0.01: "14.2 mm", "0.55 inch"."""
    return f"{bare_depth(depth_mm, unit)} {unit}"


def bare_depth(depth_mm: float, unit: str, decimals: int | None = None) -> str:
    """Return the same without its unit, for a table that names it."""
    inch = unit == "inch"
    usual = 2 if inch else 1
    return rounded_down(max(in_unit(depth_mm, unit), 0.0), usual if decimals is None else decimals)


def in_unit(depth_mm: float, unit: str) -> float:
    """Return a depth [mm] as a number of "mm" or "inch"."""
    return depth_mm / MM_PER_INCH if unit == "inch" else depth_mm


def within(minutes: float) -> str:
    """Return a duration that a depth is summed over [min] in words: "15 min", "1 h", "24 h"."""
    return (
        f"{rounded_down(minutes / 60)} h" if minutes >= 60 and minutes % 30 == 0 else f"{rounded_down(minutes, 0)} min"
    )


def lasting(length: timedelta) -> str:
    """Return a length of time in words, rounded down: "40 min", "5 h", "9 h 10 min", "3 days"."""
    minutes = max(int(length.total_seconds() // 60), 0)
    if minutes < 60:
        return f"{minutes} min"
    if minutes >= 48 * 60:
        return f"{minutes // 1440} days"
    hours, rest = divmod(minutes, 60)
    return f"{hours} h {rest} min" if rest and hours < 12 else f"{hours} h"


def one_in(odds: float) -> str:
    """Return how unlikely something is, rounded down to two figures: "1 in 5000"; beyond a million says no more."""
    if odds >= 1_000_000:
        return "under 1 in a million"
    whole = max(int(odds + 1e-6), 1)
    step = 10 ** max(len(str(whole)) - 2, 0)
    return f"1 in {whole // step * step}"


def rarity(period: Mapping[str, Any]) -> str:
    """Return how rare a depth is, rounded down: "about 1 in 10 yr"; never more than its table can say.

    period: years [a], and beyond: "more" or "less" where it lies outside the table.
    """
    years = float(period["years"])
    step = 1 if years < 10 else 5 if years < 50 else 10
    edge = f"1 in {math.floor(years + 1e-6)} yr"
    if period["beyond"]:
        return f"{'over' if period['beyond'] == 'more' else 'under'} {edge}, outside the table"
    return f"about 1 in {math.floor(years / step + 1e-6) * step} yr"


def counted(number: int, noun: str, several: str = "") -> str:
    """Return a number with its noun: "1 station", "4 stations"."""
    return f"{number} {noun if number == 1 else several or noun + 's'}"


def changed(change: Mapping[str, Any]) -> str:
    """Return how a source writes otherwise than before (checks/source_change.py): "battery in mV, before in V"."""
    before, after = change["before"], change["after"]
    if change["what"] == "unit":
        return f"{change['variable']} in {after}, before in {before}"
    if change["what"] == "interval":
        return f"a report every {after}, before every {before}"
    if change["what"] == "counting":
        return "more rain than can fall: totals that run on?"
    if after.endswith(" columns"):
        return f"{after}, before {before}"
    return f"column {before} is gone" + (f", new is {after}" if after else "")


def listed(names: Sequence[str], most: int = 3) -> str:
    """Return names as people say them, the first few and how many more: "A, B and 4 more"."""
    if len(names) <= 1:
        return "".join(names)
    if len(names) <= most:
        return f"{', '.join(names[:-1])} and {names[-1]}"
    return f"{', '.join(names[: most - 1])} and {len(names) - most + 1} more"


class Phrases:
    """Times and names as one network says them at `now`: `clock`, `short` for texts, `stamp`, `full` for mails."""

    def __init__(self, network: Network, now: datetime) -> None:
        self.zone = network.zone
        self.depth_unit, self.temperature_unit = network.units, network.temperature
        self.now = now
        self._here = now.astimezone(self.zone)
        around = AROUND_A_CLOCK_CHANGE
        before, after = ((now + shift).astimezone(self.zone).utcoffset() for shift in (-around, around))
        self._show_offset = before != after
        called = {station.name or station.id: station for station in network.stations}
        self._stations = called | {station.id: station for station in network.stations}

    def station(self, name: str) -> Station | None:
        """Return the station of that id or name, or None."""
        return self._stations.get(name)

    def full(self, name: str) -> str:
        """Return a station's whole name from its id or name."""
        station = self._stations.get(name)
        return (station.name or station.id) if station else name

    def short(self, name: str) -> str:
        """Return a station's short name from its id or name, for texts."""
        station = self._stations.get(name)
        return station.short_name if station else name[:SHORT_NAME_LETTERS].rstrip()

    def mm(self, depth_mm: float) -> str:
        """Return a depth [mm] in the network's unit, rounded down to 0.1 mm or 0.01 inch: "14.2 mm", "0.55 inch"."""
        return depth(depth_mm, self.depth_unit)

    def bare(self, depth_mm: float) -> str:
        """Return the same without its unit, for a table that names it."""
        return bare_depth(depth_mm, self.depth_unit)

    def fine(self, depth_mm: float) -> str:
        """Return a depth [mm] to 0.001 mm or 0.0001 inch, for the size of a tip: "0.254 mm", "0.01 inch"."""
        return f"{bare_depth(depth_mm, self.depth_unit, 4 if self.depth_unit == 'inch' else 3)} {self.depth_unit}"

    def degrees(self, celsius: float, decimals: int = 0) -> str:
        """Return a temperature [C] in the network's unit, rounded down: "55 C", "131 F"."""
        degrees = celsius * 9 / 5 + 32 if self.temperature_unit == "F" else celsius
        return f"{rounded_down(degrees, decimals)} {self.temperature_unit}"

    def clock(self, when: datetime | str) -> str:
        """Return a time for a text: "17:20", "Thu 17:20" if not today, "20 Oct 17:20" if a week away or more."""
        local = moment(when).astimezone(self.zone)
        days = abs((self._here.date() - local.date()).days)
        words = f"{local:%H:%M}"
        if days >= 7:
            words = f"{self.day(local)[4:]} {words}"
        elif days >= 1:
            words = f"{WEEKDAYS[local.weekday()]} {words}"
        return f"{words} {offset(local)}" if self._show_offset else words

    def stamp(self, when: datetime | str) -> str:
        """Return a time for a mail, with its offset: "Mon 20 Oct 17:20 UTC-6"."""
        local = moment(when).astimezone(self.zone)
        return f"{self.day(local)} {local:%H:%M} {offset(local)}"

    def day(self, when: datetime | date | str) -> str:
        """Return a day: "Mon 20 Oct", with the year when it isn't this one. A date alone is taken as it is."""
        if isinstance(when, str):
            when = date.fromisoformat(when) if len(when) == len("2025-10-20") else moment(when)
        local = when.astimezone(self.zone).date() if isinstance(when, datetime) else when
        words = f"{WEEKDAYS[local.weekday()]} {local.day} {MONTHS[local.month - 1]}"
        return words if local.year == self._here.year else f"{words} {local.year}"

    def clocks_changed(self, when: datetime | str) -> bool:
        """Say whether the network's clocks changed within a day of a time."""
        around = (moment(when) + shift for shift in (-AROUND_A_CLOCK_CHANGE, AROUND_A_CLOCK_CHANGE))
        return len({one.astimezone(self.zone).utcoffset() for one in around}) > 1

    def ago(self, when: datetime | str) -> str:
        """Return how long ago a time was, rounded down."""
        return lasting(self.now - moment(when))

    def shorts(self, names: Iterable[str], most: int = 3) -> str:
        """Return stations by their short names."""
        return listed([self.short(name) for name in names], most)

    def fulls(self, names: Iterable[str], most: int = 12) -> str:
        """Return stations by their whole names."""
        return listed([self.full(name) for name in names], most)

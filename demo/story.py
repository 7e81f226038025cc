"""The script: what goes wrong in the Veldran Hills between Monday 20 October and Monday 3 November 2025.

Times are written as the wall clock shows them there; in the hour that comes twice, the first is meant.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from demo.rain import Cell

ZONE = ZoneInfo("Europe/Vienna")
"""Clocks change on Sunday 26 October 2025, 03:00 -> 02:00. The loggers keep standard time (UTC+1) all year."""
TOWARDS_THE_END = "2025-12-31 00:00"


def local(written: str) -> datetime:
    """Return the moment, in UTC, at which clocks in the hills show this ("2025-10-20 10:05")."""
    return datetime.fromisoformat(written).replace(tzinfo=ZONE).astimezone(UTC)


@dataclass(frozen=True, slots=True)
class WideRain:
    """Stratiform rain on all stations, with this median depth [mm]."""

    begins: datetime
    ends: datetime
    median_mm: float


@dataclass(frozen=True, slots=True)
class Storm:
    """Cells that together rain a depth [mm] on one station; each cell's `begins` counts minutes from the storm's."""

    begins: datetime
    station: str
    depth_mm: float
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class HandTips:
    """Tips that a person made: so many, over so many minutes, evenly (a test) or in bursts (a bucket of water)."""

    begins: datetime
    station: str
    count: int
    minutes: int
    even: bool = True


@dataclass(frozen=True, slots=True)
class Blocked:
    """A funnel that lets nothing through."""

    station: str
    begins: datetime
    ends: datetime


@dataclass(frozen=True, slots=True)
class Unheard:
    """Stations that are not heard. kept: their loggers send everything afterwards."""

    stations: tuple[str, ...]
    begins: datetime
    ends: datetime
    kept: bool


@dataclass(frozen=True, slots=True)
class Stretch:
    """From one moment to another."""

    begins: datetime
    ends: datetime


@dataclass(frozen=True, slots=True)
class Warmth:
    """Air warmer (or, below zero, colder) than the season by so many degrees [degC]."""

    begins: datetime
    ends: datetime
    degrees: float


@dataclass(frozen=True, slots=True)
class Shadow:
    """Branches before a panel: its light sinks to `least` [-] over `days`."""

    station: str
    begins: datetime
    days: float
    least: float


@dataclass(frozen=True, slots=True)
class Booking:
    """A visit as it is booked with the watch: at which moment, by whom, for which stretch."""

    at: datetime
    who: str
    station: str
    begins: datetime
    ends: datetime
    reason: str


@dataclass(frozen=True, slots=True)
class Acknowledgement:
    """A person answers the newest standing alarm of a check; for one station, or for whatever it concerns ("")."""

    at: datetime
    who: str
    check: str
    station: str = ""


@dataclass(frozen=True, slots=True)
class Truth:
    """One thing that really happens, in words, for the account at the end."""

    at: datetime
    sentence: str


@dataclass(frozen=True, slots=True)
class Story:
    """Everything that is scripted; the weather between is random until the story begins."""

    begins: datetime
    ends: datetime
    wide_rain: tuple[WideRain, ...] = ()
    storms: tuple[Storm, ...] = ()
    hand_tips: tuple[HandTips, ...] = ()
    blocked: tuple[Blocked, ...] = ()
    unheard: tuple[Unheard, ...] = ()
    outages: tuple[Stretch, ...] = ()
    filed_twice: tuple[Stretch, ...] = ()
    warmth: tuple[Warmth, ...] = ()
    shadows: tuple[Shadow, ...] = ()
    bookings: tuple[Booking, ...] = ()
    acknowledgements: tuple[Acknowledgement, ...] = ()
    truths: tuple[Truth, ...] = ()


def _rain() -> tuple[WideRain, ...]:
    return (
        WideRain(local("2025-10-21 06:00"), local("2025-10-21 18:00"), 17.0),
        WideRain(local("2025-10-23 04:00"), local("2025-10-23 15:00"), 11.0),
        WideRain(local("2025-10-27 17:00"), local("2025-10-27 23:30"), 8.0),
        WideRain(local("2025-10-29 05:00"), local("2025-10-29 16:00"), 15.0),
        WideRain(local("2025-10-31 13:00"), local("2025-10-31 20:30"), 12.0),
        WideRain(local("2025-11-01 11:00"), local("2025-11-01 15:30"), 6.0),
    )


def _storms() -> tuple[Storm, ...]:
    ashlow, bracken = (6.0, 34.0), (11.0, 37.0)
    return (
        # One cell hangs over Ashlow Gap: 31 mm in the hour; Bracken Head feels its edge; the rest stay dry.
        Storm(
            local("2025-10-22 17:02"),
            "ashlow",
            31.0,
            (Cell(0, 34, 55.0, *ashlow, 3.7), Cell(14, 36, 62.0, *ashlow, 3.7)),
        ),
        # The same at Bracken Head, while the data service is off.
        Storm(
            local("2025-10-24 14:15"),
            "bracken",
            22.0,
            (Cell(0, 36, 45.0, bracken[0], bracken[1] + 1.0, 2.3), Cell(16, 38, 45.0, bracken[0], bracken[1], 2.3)),
        ),
        # The night storm over the ridge, moving east, then over the middle of the network.
        Storm(
            local("2025-10-31 21:15"),
            "ivory",
            36.0,
            (
                Cell(0, 40, 65.0, 5.0, 34.0, 4.0, 8.0, 2.0),
                Cell(12, 40, 80.0, 9.0, 35.0, 4.0, 8.0, 1.0),
                Cell(32, 34, 125.0, 21.0, 31.0, 3.8, 3.0, 0.0),
                Cell(52, 40, 62.0, 13.5, 29.0, 3.0, 3.0, 0.0),
                Cell(88, 45, 50.0, 7.0, 25.5, 3.8, 6.0, 0.0),
                Cell(112, 45, 55.0, 17.0, 24.0, 3.4, 4.0, 0.0),
                Cell(140, 42, 35.0, 10.0, 31.0, 5.0, 8.0, 0.0),
            ),
        ),
    )


def fortnight() -> Story:
    """Return the fortnight in the Veldran Hills."""
    return Story(
        begins=local("2025-10-20 00:00"),
        ends=local("2025-11-03 09:00"),
        wide_rain=_rain(),
        storms=_storms(),
        hand_tips=(
            HandTips(local("2025-10-20 10:05"), "hollin", 50, 12),
            HandTips(local("2025-10-20 10:32"), "hollin", 50, 12),
            HandTips(local("2025-10-25 15:46"), "corrow", 40, 14, even=False),
            HandTips(local("2025-10-28 10:50"), "hollin", 50, 12),
        ),
        blocked=(Blocked("hollin", local("2025-10-20 10:50"), local("2025-10-28 10:40")),),
        unheard=(
            Unheard(("fennick",), local("2025-10-25 02:02"), local("2025-10-25 11:20"), kept=True),
            Unheard(("kettle",), local("2025-10-25 02:17"), local("2025-10-25 11:21"), kept=True),
            Unheard(("eskwater",), local("2025-10-30 02:12"), local("2025-10-30 14:25"), kept=False),
            Unheard(
                ("fennick", "hollin", "larkmoor", "nettle"),
                local("2025-10-31 18:10"),
                local("2025-11-01 05:30"),
                kept=True,
            ),
            Unheard(("ivory",), local("2025-10-31 22:41"), local(TOWARDS_THE_END), kept=False),
        ),
        outages=(Stretch(local("2025-10-24 14:05"), local("2025-10-24 16:40")),),
        filed_twice=(Stretch(local("2025-10-21 09:00"), local("2025-10-21 12:00")),),
        warmth=(
            Warmth(local("2025-10-20 18:00"), local("2025-10-24 06:00"), 2.0),
            Warmth(local("2025-10-27 12:00"), local("2025-10-28 06:00"), 2.0),
            Warmth(local("2025-10-28 18:00"), local("2025-10-30 08:00"), -3.5),
            Warmth(local("2025-10-31 06:00"), local("2025-11-03 09:00"), 3.0),
        ),
        shadows=(Shadow("larkmoor", local("2025-10-12 00:00"), 5.0, 0.03),),
        bookings=_bookings(),
        acknowledgements=_acknowledgements(),
        truths=_truths(),
    )


def _bookings() -> tuple[Booking, ...]:
    return (
        Booking(
            local("2025-10-20 08:10"), "crew", "hollin",
            local("2025-10-20 10:00"), local("2025-10-20 12:00"), "yearly calibration, test tips",
        ),
        # Booked from the site, with one bar of signal, for the time since arrival.
        Booking(
            local("2025-10-28 10:20"), "crew", "hollin",
            local("2025-10-28 10:05"), local("2025-10-28 12:00"), "blocked funnel: clean, test tips",
        ),
    )  # fmt: skip


def _acknowledgements() -> tuple[Acknowledgement, ...]:
    return (
        Acknowledgement(local("2025-10-22 17:25"), "warden", "heavy-rain"),
        Acknowledgement(local("2025-10-24 14:50"), "tech-1", "source-outage"),
        Acknowledgement(local("2025-10-24 08:30"), "crew", "dry-among-wet", "hollin"),
        Acknowledgement(local("2025-10-25 07:40"), "tech-1", "overdue"),
        Acknowledgement(local("2025-10-30 08:05"), "tech-1", "overdue", "eskwater"),
        Acknowledgement(local("2025-10-31 22:05"), "warden", "heavy-rain"),
    )


def _truths() -> tuple[Truth, ...]:
    return (
        Truth(local("2025-10-20 10:05"), "Hollin Dam: booked visit, 100 test tips; a rag stays in the funnel"),
        Truth(local("2025-10-21 06:00"), "17 mm everywhere; all readings of the morning are delivered twice"),
        Truth(local("2025-10-22 17:02"), "Ashlow Gap: one storm cell, 31 mm in an hour; most others dry"),
        Truth(local("2025-10-23 04:00"), "11 mm everywhere; Hollin Dam still at nothing"),
        Truth(local("2025-10-24 14:05"), "the data service is off until 16:40"),
        Truth(local("2025-10-24 14:15"), "Bracken Head: 22 mm in an hour, hidden by the outage"),
        Truth(local("2025-10-25 02:02"), "Fennick Bridge and Kettle Weir: data plan P7 has ended; back at 11:20"),
        Truth(local("2025-10-25 15:46"), "Corrow Mill: somebody pours a bucket of water in"),
        Truth(local("2025-10-26 02:00"), "the clocks go back; nothing else happens"),
        Truth(local("2025-10-22 06:30"), "Larkmoor: branches hang before the panel since mid-October"),
        Truth(local("2025-10-28 10:40"), "Hollin Dam: the crew finds the rag, cleans, 50 test tips"),
        Truth(local("2025-10-29 05:00"), "15 mm in the valleys, snow on the ridge: four gauges cannot see it"),
        Truth(local("2025-10-30 02:12"), "Eskwater Ford stops, is repaired at 14:25"),
        Truth(local("2025-10-30 10:00"), "the snow on the ridge melts into the gauges"),
        Truth(local("2025-10-31 18:10"), "mast T3 goes off in the rain, four stations with it; back at 05:30"),
        Truth(local("2025-10-31 21:15"), "a storm over the ridge and the middle of the network"),
        Truth(local("2025-10-31 22:41"), "Ivory Scree is washed away in the storm"),
        Truth(local("2025-11-01 11:00"), "showers, 6 mm"),
    )

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
LONG_BEFORE, TOWARDS_THE_END = "2025-01-01 00:00", "2025-12-31 00:00"


STRANGER, STRANGERS_PHONE = "a stranger", "+15550199999"


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
class HalfBlocked:
    """A funnel that lets through only so much [mm/h]; the rest stands in it and comes later."""

    station: str
    begins: datetime
    ends: datetime
    passes_mm_h: float


@dataclass(frozen=True, slots=True)
class Exchanged:
    """Two stations that report under each other's name."""

    stations: tuple[str, str]
    begins: datetime
    ends: datetime


@dataclass(frozen=True, slots=True)
class Frozen:
    """A logger that sends the same values again and again."""

    station: str
    begins: datetime
    ends: datetime


@dataclass(frozen=True, slots=True)
class Reply:
    """What somebody sends. says: by text, with {code} for the letters of the notice or, where none is meant, their own.

    to: words of the newest notice to them, which is answered; "" for none. way: "text", or "board" for the button of
    that name behind the mail's link. phone: from which it comes, when that is not their own.
    """

    at: datetime
    who: str
    says: str
    to: str = ""
    way: str = "text"
    phone: str = ""


@dataclass(frozen=True, slots=True)
class Drill:
    """Everybody gets a marked exercise notice."""

    at: datetime


@dataclass(frozen=True, slots=True)
class OutsideWord:
    """What the watcher outside the house texts to somebody: it is none of the watch's."""

    at: datetime
    who: str
    words: str


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
    half_blocked: tuple[HalfBlocked, ...] = ()
    exchanged: tuple[Exchanged, ...] = ()
    frozen: tuple[Frozen, ...] = ()
    power_cuts: tuple[Stretch, ...] = ()
    text_trouble: tuple[Stretch, ...] = ()
    deeds: tuple[Reply | Drill | OutsideWord, ...] = ()
    truths: tuple[Truth, ...] = ()


def _rain() -> tuple[WideRain, ...]:
    return (
        WideRain(local("2025-10-21 06:00"), local("2025-10-21 18:00"), 17.0),
        WideRain(local("2025-10-23 04:00"), local("2025-10-23 15:00"), 11.0),
        WideRain(local("2025-10-27 17:00"), local("2025-10-27 23:30"), 8.0),
        WideRain(local("2025-10-29 05:00"), local("2025-10-29 16:00"), 15.0),
        WideRain(local("2025-10-31 13:00"), local("2025-10-31 20:30"), 12.0),
        WideRain(local("2025-11-01 11:00"), local("2025-11-01 15:30"), 6.0),
        WideRain(local("2025-11-02 15:30"), local("2025-11-02 22:00"), 9.0),
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
        # A last one at Bracken Head, while the watch itself has no power.
        Storm(
            local("2025-11-01 02:15"),
            "bracken",
            22.0,
            (Cell(0, 36, 45.0, bracken[0], bracken[1] + 1.0, 2.3), Cell(16, 38, 45.0, bracken[0], bracken[1], 2.3)),
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
            HandTips(local("2025-10-20 11:02"), "hollin", 50, 12),
            HandTips(local("2025-10-25 15:46"), "corrow", 34, 10, even=False),
            HandTips(local("2025-10-25 16:17"), "corrow", 16, 8, even=False),
            HandTips(local("2025-10-27 10:00"), "mossgate", 50, 68),
            HandTips(local("2025-10-28 10:02"), "nettle", 10, 5),
            HandTips(local("2025-10-28 10:50"), "hollin", 50, 12),
            HandTips(local("2025-10-28 13:56"), "juniper", 20, 6),
            HandTips(local("2025-11-02 12:22"), "ashlow", 25, 6),
        ),
        blocked=(
            Blocked("hollin", local("2025-10-20 11:20"), local("2025-10-28 10:40")),
            Blocked("mossgate", local("2025-10-30 22:00"), local(TOWARDS_THE_END)),
        ),
        half_blocked=(HalfBlocked("juniper", local("2025-10-20 12:00"), local("2025-10-28 13:50"), 0.8),),
        exchanged=(Exchanged(("eskwater", "gorsehill"), local("2025-10-28 10:40"), local(TOWARDS_THE_END)),),
        frozen=(Frozen("dunfell", local("2025-11-02 08:00"), local("2025-11-02 13:00")),),
        power_cuts=(Stretch(local("2025-11-01 01:40"), local("2025-11-01 07:15")),),
        text_trouble=(Stretch(local("2025-10-31 18:00"), local("2025-11-01 01:40")),),
        unheard=(
            Unheard(("fennick",), local("2025-10-25 02:02"), local("2025-10-25 11:20"), kept=True),
            Unheard(("kettle",), local("2025-10-25 02:17"), local("2025-10-25 11:21"), kept=True),
            Unheard(("nettle",), local(LONG_BEFORE), local("2025-10-28 09:30"), kept=False),
            Unheard(
                ("fennick", "hollin", "larkmoor", "nettle"),
                local("2025-10-31 18:10"),
                local("2025-11-01 05:30"),
                kept=True,
            ),
            Unheard(("ivory",), local("2025-11-01 03:12"), local(TOWARDS_THE_END), kept=False),
            Unheard(("ashlow",), local("2025-11-02 09:40"), local("2025-11-02 12:15"), kept=False),
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
        deeds=_deeds(),
        truths=_truths(),
    )


def _deeds() -> tuple[Reply | Drill | OutsideWord, ...]:
    """Return what people do, in order. The visits that are planned stand in network/visits.ics."""
    return (
        # Before the season: everybody's phone is tried. The road crew has a new number that nobody wrote down.
        Drill(local("2025-10-20 08:00")),
        Reply(local("2025-10-20 08:12"), "tech-1", "CAME {code}", "Drill"),
        Reply(local("2025-10-20 08:14"), "tech-1", "OK {code}", "Larkmoor"),
        Reply(local("2025-10-20 08:15"), "tech-1", "OK {code}", "Plan P7"),
        Reply(local("2025-10-20 08:20"), "crew", "CAME {code}", "Drill"),
        Reply(local("2025-10-20 08:31"), "supervisor", "CAME", "Drill", way="board"),
        Reply(local("2025-10-20 08:40"), "tech-2", "came {code}", "Drill"),
        Reply(local("2025-10-20 08:52"), "data-manager", "CAME", "Drill", way="board"),
        Reply(local("2025-10-20 09:10"), "warden", "CAME {code}", "Drill"),
        Reply(local("2025-10-20 09:40"), "warden-2", "Came {code}", "Drill"),
        Reply(local("2025-10-20 11:20"), "host-n", "It came, thank you {code}", "Drill"),
        Reply(local("2025-10-22 07:40"), "crew", "OK {code} thursday", "Juniper"),
        # A number that nobody knows tries the warden's storm; then somebody under the crew's number guesses letters.
        Reply(local("2025-10-22 17:26"), STRANGER, "OK {guess}", "eavy rain", phone=STRANGERS_PHONE),
        Reply(local("2025-10-22 17:29"), "warden", "OK {code}", "eavy rain"),
        Reply(local("2025-10-22 17:38"), "warden", "OK {code}", "eavy rain"),
        Reply(local("2025-10-23 17:20"), "crew", "ok {code} tomorrow", "Hollin"),
        Reply(local("2025-10-23 18:10"), STRANGER, "NOT A FAULT {guess} just dry", "Hollin", phone="crew"),
        Reply(local("2025-10-23 18:15"), STRANGER, "OK", "Hollin", way="board"),
        Reply(local("2025-10-24 14:50"), "tech-1", "OK", "no data", way="board"),
        Reply(local("2025-10-25 07:40"), "tech-1", "OK {code}", "silent"),
        Reply(local("2025-10-25 16:22"), "warden", "OK {code}", "Corrow"),
        Reply(local("2025-10-25 18:05"), "tech-1", "TEST {code} children with a bucket", "Corrow Mill:"),
        Reply(local("2025-10-27 09:10"), "tech-1", "OK {code}", "Larkmoor"),
        Reply(local("2025-10-27 13:20"), "tech-1", "TEST", "Mossgate", way="board"),
        # From the sites, with one bar of signal, by each person's own letters; at Hollin Dam afterwards.
        Reply(local("2025-10-28 09:50"), "host-n", "VISIT NETTLE 2H {code}"),
        Reply(local("2025-10-28 10:20"), "crew", "VISIT HOLLIN 2H {code} from 10:05 200ML"),
        Reply(local("2025-10-28 11:05"), "host-n", "DONE NETTLE {code}"),
        Reply(local("2025-10-28 11:50"), "crew", "DONE HOLLIN {code}"),
        Reply(local("2025-10-28 13:35"), "crew", "VISIT JUNIPER 2H {code}"),
        Reply(local("2025-10-28 15:05"), "crew", "DONE JUNIPER {code}"),
        Reply(local("2025-10-31 20:20"), "tech-2", "OK {code}", "Mast T3"),
        Reply(local("2025-10-31 21:54"), "warden-2", "OK {code} on it", "eavy rain"),
        Reply(local("2025-10-31 22:24"), "warden-2", "OK {code}", "rain"),
        OutsideWord(
            local("2025-11-01 01:55"), "tech-2", "The outside watcher: nothing heard of the watch since 01:40."
        ),
        Reply(local("2025-11-01 07:40"), "tech-2", "OK {code}", "Ivory"),
        Reply(local("2025-11-01 11:55"), "tech-2", "OK {code}", "Ivory"),
        Reply(local("2025-11-02 12:50"), "crew", "DONE ASHLOW {code}"),
        Reply(local("2025-11-02 14:40"), "tech-2", "OK {code}", "Dunfell"),
        Reply(local("2025-11-03 07:20"), "crew", "OK {code}", "Mossgate"),
    )


def _truths() -> tuple[Truth, ...]:
    return (
        Truth(local("2025-10-20 10:05"), "Hollin Dam: booked visit, 100 test tips; a rag stays in the funnel"),
        Truth(local("2025-10-21 06:00"), "17 mm everywhere; all readings of the morning are delivered twice"),
        Truth(local("2025-10-21 18:00"), "Juniper Saddle, half blocked, goes on draining after the rain"),
        Truth(local("2025-10-22 06:30"), "Larkmoor: branches hang before the panel since mid-October"),
        Truth(local("2025-10-22 17:02"), "Ashlow Gap: one storm cell, 31 mm in an hour; most others dry"),
        Truth(local("2025-10-23 04:00"), "11 mm everywhere; Hollin Dam still at nothing"),
        Truth(local("2025-10-24 14:05"), "the data service is off until 16:40"),
        Truth(local("2025-10-24 14:15"), "Bracken Head: 22 mm in an hour, hidden by the outage"),
        Truth(local("2025-10-25 02:02"), "Fennick Bridge and Kettle Weir: data plan P7 has ended; back at 11:20"),
        Truth(local("2025-10-25 15:46"), "Corrow Mill: children pour two buckets of water in"),
        Truth(local("2025-10-26 02:00"), "the clocks go back; nothing else happens"),
        Truth(local("2025-10-27 10:00"), "Mossgate: a slow test of 50 tips that nobody booked"),
        Truth(local("2025-10-28 09:30"), "Nettle Creek joins; its host makes 10 test tips"),
        Truth(local("2025-10-28 10:40"), "Hollin Dam: the crew finds the rag, cleans, 50 test tips"),
        Truth(
            local("2025-10-28 10:41"), "Eskwater Ford and Gorsehill School are serviced, their ids exchanged by mistake"
        ),
        Truth(local("2025-10-28 13:50"), "Juniper Saddle: cleaned"),
        Truth(local("2025-10-29 05:00"), "15 mm in the valleys, snow on the ridge: four gauges cannot see it"),
        Truth(local("2025-10-30 10:00"), "the snow on the ridge melts into the gauges"),
        Truth(local("2025-10-30 22:00"), "Mossgate: a rodent cuts the switch lead"),
        Truth(local("2025-10-31 18:10"), "mast T3 goes off in the rain, four stations with it; back at 05:30"),
        Truth(local("2025-10-31 21:15"), "a storm over the ridge; 4 of 10 texts fail; the warden sleeps on"),
        Truth(local("2025-11-01 01:40"), "the watch's own computer has no power until 07:15"),
        Truth(local("2025-11-01 02:15"), "Bracken Head: 22 mm in an hour, with nobody watching"),
        Truth(local("2025-11-01 03:12"), "Ivory Scree is stolen"),
        Truth(local("2025-11-01 11:00"), "showers, 6 mm"),
        Truth(local("2025-11-02 08:00"), "Dunfell Pass sends one packet over and over until 13:00"),
        Truth(local("2025-11-02 09:40"), "Ashlow Gap is moved, as booked"),
        Truth(local("2025-11-02 15:30"), "9 mm everywhere; Mossgate still at nothing"),
    )

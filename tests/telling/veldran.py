"""The Veldran Hills, an invented network: its people and stations, and alarms as the checks would have them."""

from __future__ import annotations

from datetime import UTC, datetime, time
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import SecretStr

from watchman.model import Alarm, AlarmKey, AlarmState, Certainty, Event, EventKind, Notice, Severity, When
from watchman.network import Network
from watchman.settings import ByDaySettings, Contact, DigestSettings, StoreSettings
from watchman.stations import Station, with_short_names

ZONE = ZoneInfo("America/Denver")


def at(local: str) -> datetime:
    """Return a time of the network's clock, "2025-10-20T17:20", in UTC."""
    return datetime.fromisoformat(local).replace(tzinfo=ZONE).astimezone(UTC)


def written(local: str) -> str:
    """Return the same as it stands in an alarm's numbers."""
    return at(local).isoformat()


def station(name: str, **columns: Any) -> Station:
    """Return a station named as people call it; its id is its first word."""
    columns.setdefault("id", name.split()[0].lower())
    return Station(name=name, latitude=39.7, longitude=-105.2, **columns)


STATIONS = (
    station("Ashlow Gap", mast="T1"),
    station("Bracken Head", mast="T1", short_name="Bracken Hd"),
    station("Corrow Mill", mast="T2"),
    station("Eskwater Ford", mast="T2", short_name="Eskwater Fd"),
    station("Fennick Bridge", mast="T3", plan="P7", road="south", short_name="Fennick Br", chemistry="lithium"),
    station("Gorsehill School", mast="T2", short_name="Gorsehill"),
    station("Hollin Dam", mast="T3", road="south"),
    station("Kettle Weir", mast="T2", plan="P7"),
    station("Larkmoor", mast="T3", road="south", chemistry="lithium"),
    station("Nettle Creek", mast="T3", short_name="Nettle Crk"),
)


def contact(name: str, *roles: str, mail: bool = True, text: bool = True, chat: bool = False) -> Contact:
    """Return a contact with made-up channels."""
    return Contact(
        name=name,
        roles=roles,
        mail=f"{name}@example.org" if mail else "",
        text=SecretStr("json://127.0.0.1/text" if text else ""),
        chat=SecretStr("json://127.0.0.1/chat" if chat else ""),
    )


CONTACTS = (
    contact("tech-1", "technician"),
    contact("crew-1", "crew"),
    contact("supervisor-1", "supervisor", text=False),
    contact("warden-1", "warden", mail=False),
)


def network(**changed: Any) -> Network:
    """Return the network, with some of its fields changed."""
    fields: dict[str, Any] = {
        "folder": Path("/nowhere"),
        "name": "Veldran Hills",
        "zone": ZONE,
        "day_starts": time(0),
        "grid_minutes": 5,
        "store": StoreSettings(),
        "by_day": ByDaySettings(),
        "digest": DigestSettings(),
        "mail": None,
        "sign_of_life": None,
        "board": None,
        "sources": (),
        "stations": with_short_names(STATIONS),
        "contacts": CONTACTS,
        "rules": (),
    }
    return Network(**fields | changed)


def spread() -> Network:
    """Return the network with its ten stations far enough apart to be ten sites."""
    apart = [one.model_copy(update={"latitude": 39.7 + place / 5}) for place, one in enumerate(STATIONS)]
    return network(stations=with_short_names(apart))


def alarm(number: int, check: str, scope: str, since: str, numbers: dict[str, Any], **changed: Any) -> Alarm:
    """Return an alarm that stands unacknowledged and was raised when it began."""
    began = at(since)
    fields: dict[str, Any] = {
        "number": number,
        "key": AlarmKey(check, check, scope),
        "check": check,
        "state": AlarmState.UNACKNOWLEDGED,
        "stations": (scope.removeprefix("station:"),) if scope.startswith("station:") else (),
        "severity": Severity.MODERATE,
        "certainty": Certainty.LIKELY,
        "when": When.BY_DAY,
        "tell": ("technician",),
        "since": began,
        "first_seen_at": began,
        "raised_at": began,
        "numbers": numbers,
        "steps": 1,
    }
    return Alarm(**fields | changed)


def event(kind: EventKind, of: Alarm, now: str = "2025-10-22T12:00", **changed: Any) -> Event:
    """Return a step of an alarm."""
    return Event(at(now), kind, of, changed.pop("step", of.steps), **changed)


def notice(of: Alarm | None, kind: EventKind, channel: str, now: str, **changed: Any) -> Notice:
    """Return a notice of an alarm's step to tech-1, due at once."""
    fields: dict[str, Any] = {
        "number": 1,
        "occasion": f"alarm:{of.number}:{of.steps}" if of else "drill:1",
        "person": "tech-1",
        "channel": channel,
        "kind": "storm" if of and of.check == "heavy-rain" else "fault",
        "due_at": at(now),
        "made_at": at(now),
        "alarm": of.number if of else 0,
        "event": kind.value,
    }
    return Notice(**fields | changed)


def silent(number: int = 41, since: str = "2025-10-23T02:10", at_station: str = "fennick", **numbers: Any) -> Alarm:
    """Return an overdue alarm: five hours silent, neighbours fine, battery fine, signal weak."""
    given = {
        "silent_since": written(since),
        "silent_minutes": 300,
        "limit_minutes": 45,
        "sends_every_minutes": 15,
        "usual_pause_minutes": 22,
        "plan_ended": None,
        "neighbours_reporting": 4,
        "neighbours_total": 4,
        "battery_v": 3.92,
        "battery_low": False,
        "signal_dbm": -107,
        "neighbours_wet": False,
        "wet_mm": 0.0,
    }
    return alarm(number, "overdue", f"station:{at_station}", since, given | numbers)


def battery(number: int = 45, since: str = "2025-10-20T05:00", at_station: str = "larkmoor", **numbers: Any) -> Alarm:
    """Return a battery that has not been full for a week while its peers filled."""
    given = {
        "days_left": 6.4,
        "days_left_low": 4.0,
        "days_left_high": 9.0,
        "charge_percent": 31.0,
        "dawn_v": 3.61,
        "cutoff_v": 3.3,
        "days_not_full": 7,
        "peers_full": 9,
        "peers_total": 11,
        "frosty_days": 0,
        "sign": "shaded",
        "came_in_percent": 31.0,
        "autonomy_days": 11.0,
        "autonomy_days_before": 11.5,
        "falls_percent_a_day": 4.8,
        "peers_fall_percent_a_day": 0.1,
        "fallen_percent": 40.0,
        "hours_lost": 0,
        "limit_days": 12.0,
        "limit_days_shaded": 25.0,
        "limit_autonomy_days": 5.0,
        "limit_floor_percent": 5.0,
    }
    return alarm(number, "battery-decline", f"station:{at_station}", since, given | numbers)


def clogged(number: int = 43, since: str = "2025-10-20T11:00", **numbers: Any) -> Alarm:
    """Return a gauge that stayed dry on two wet days after a visit."""
    near = [("Fennick Bridge", 6.1, 19.0), ("Larkmoor", 6.3, 16.2), ("Eskwater Ford", 8.0, 17.8)]
    near += [("Kettle Weir", 8.0, 16.6), ("Gorsehill School", 8.2, 18.4)]
    day = {"own_mm": 0.0, "witness": "Fennick Bridge", "km": 6.1}
    given = {
        "wet_days": 2,
        "odds": 5000.0,
        "limit_odds": 1000.0,
        "dry_since": written(since),
        "witnesses": [{"name": name, "km": km, "mm": mm} for name, km, mm in near],
        "least_mm": 9.4,
        "most_mm": 19.0,
        "days": [
            day | {"day": "2025-10-21", "mm": 19.0, "chance": 0.014},
            day | {"day": "2025-10-23", "mm": 12.0, "chance": 0.014},
        ],
        "battery_v": 3.97,
        "after_visit": written("2025-10-20T10:05"),
    }
    return alarm(number, "dry-among-wet", "station:hollin", since, given | numbers, tell=("crew",))


def source_out(number: int = 42, since: str = "2025-10-24T14:05", **numbers: Any) -> Alarm:
    """Return a source that brings nothing."""
    given = {
        "source": "main",
        "failing_since": written(since),
        "trouble": "it answered 503, four times",
        "stations_due": 11,
        "last_new_at": written("2025-10-24T14:00"),
        "rain_near": True,
    }
    return alarm(number, "source-outage", "source:main", since, given | numbers)


def mast_out(number: int = 44, since: str = "2025-10-31T18:10", cause: str = "mast", name: str = "T3") -> Alarm:
    """Return four stations that fell silent together."""
    ids = ("fennick", "hollin", "larkmoor", "nettle")
    numbers = {
        "cause": cause,
        "stations": ["Fennick Bridge", "Hollin Dam", "Larkmoor", "Nettle Creek"],
        "count": 4,
        "silent_since": written(since),
        "neighbours_wet": True,
        "plan_ended": False,
    }
    return alarm(number, "overdue", f"{cause}:{name}", since, numbers, stations=ids)


def gauge(
    name: str, mm: float, minutes: int, ended_at: str, also: tuple[tuple[float, int], ...] = ()
) -> dict[str, Any]:
    """Return what a storm's numbers say of one gauge."""
    return {
        "station": name.split()[0].lower(),
        "name": name,
        "mm": mm,
        "minutes": minutes,
        "ended_at": written(ended_at),
        "severity": "moderate",
        "also": [{"mm": depth, "minutes": length} for depth, length in also],
    }


def storm(*gauges: dict[str, Any], number: int = 46, since: str = "2025-10-22T17:05", **changed: Any) -> Alarm:
    """Return heavy rain, at Ashlow Gap and Bracken Head unless gauges are given."""
    gauges = gauges or (
        gauge("Ashlow Gap", 14.0, 15, "2025-10-22T17:20", ((31.2, 60),)),
        gauge("Bracken Head", 9.05, 15, "2025-10-22T17:20"),
    )
    numbers = {
        "gauges": list(gauges),
        "gauges_total": len(gauges),
        "one_gauge_only": changed.pop("one_gauge_only", False),
        "dry_neighbours": changed.pop("dry_neighbours", 0),
        "still_rising": changed.pop("still_rising", True),
    }
    fields = {"when": When.NOW, "tell": ("warden",), "stations": tuple(gauge["station"] for gauge in gauges)}
    return alarm(number, "heavy-rain", "network", since, numbers, **fields | changed)


def storm_over(number: int = 46) -> Alarm:
    """Return the same storm with its account, four stations unseen."""
    numbers = {
        "began_at": written("2025-10-22T16:40"),
        "ended_at": written("2025-10-22T17:50"),
        "totals": [{"name": "Ashlow Gap", "mm": 31.2}, {"name": "Bracken Head", "mm": 12.0}],
        "peaks": [{"name": "Ashlow Gap", "mm": 14.0, "minutes": 15, "ended_at": written("2025-10-22T17:20")}],
        "blind": ["Fennick Bridge", "Hollin Dam", "Larkmoor", "Nettle Creek"],
    }
    standing = storm(number=number)
    return alarm(number, "heavy-rain", "network", "2025-10-22T17:05", {**standing.numbers, **numbers}, tell=("warden",))

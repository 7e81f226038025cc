"""What `status`, `digest` and `drill` show or do, for the command line to print."""

from __future__ import annotations

from contextlib import ExitStack
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from watchman import speech, watch, weekly
from watchman.errors import InputError, Mistake, OutsideError
from watchman.judging.view import rfc3339
from watchman.lock import hold
from watchman.model import BATTERY, Fate, Notice, Outcome
from watchman.network import Network
from watchman.store import Store
from watchman.telling import compose, outbox, phrases, roster
from watchman.telling import digest as weekly_digest


def status(network: Network, store: Store, now: datetime) -> dict[str, Any]:
    """Return the stations as they are now and the alarms that stand; values fit for JSON."""
    watching = watch.begin(network, store, now)
    watching.record.advance(int(now.timestamp()))
    view = watch.view_of(watching, now)
    record, grid = view.record, view.record.hourly
    day = grid.sum(max(grid.head - 23, 0), grid.head)
    stations = [
        {
            "id": station.id,
            "name": station.name or station.id,
            "last_reading": _stamp(record.last_observed[position]),
            "silent_minutes": _minutes(int(now.timestamp()), record.last_received[position]),
            "rain_24h_mm": int(day[position]) / 1000,
            "battery_v": _number(record.last_value[BATTERY, position]),
            "in_service": bool(view.in_service[position]),
        }
        for position, station in enumerate(network.stations)
    ]
    alarms = [
        {
            "number": alarm.number,
            "rule": alarm.key.rule,
            "scope": alarm.key.scope,
            "state": alarm.state.value,
            "severity": alarm.severity.value,
            "since": alarm.since.isoformat(),
            "headline": compose.headline(alarm, network, now),
        }
        for alarm in watching.alarms.values()
        if alarm.standing
    ]
    return {"network": network.name, "stations": stations, "alarms": sorted(alarms, key=lambda one: one["number"])}


def as_text(facts: dict[str, Any]) -> str:
    """Return the status for a person's eye."""
    lines = [f"{facts['network']}: {len(facts['stations'])} stations", ""]
    lines.append(f"{'station':18} {'last message':>14} {'rain 24 h':>10} {'battery':>8}")
    for one in facts["stations"]:
        ago = "never heard" if one["silent_minutes"] is None else f"{_ago(one['silent_minutes'])} ago"
        volts = "" if one["battery_v"] is None else f"{one['battery_v']:.2f} V"
        working = "" if one["in_service"] else "  out of service"
        lines.append(f"{one['name'][:18]:18} {ago:>14} {one['rain_24h_mm']:>7.1f} mm {volts:>8}{working}")
    lines.append("")
    if not facts["alarms"]:
        lines.append("Nothing stands.")
    lines += [
        f"no. {alarm['number']:<4} {alarm['scope'].split(':')[-1]}: {alarm['headline']} ({alarm['state']})"
        for alarm in facts["alarms"]
    ]
    return "\n".join(lines)


def digest(network: Network, store: Store, week: str | None, now: datetime) -> compose.Words:
    """Return the digest of a week as it would be sent now. Raises InputError for a week that is none."""
    name = week or weekly_digest.week_name(now.astimezone(network.zone).date() - timedelta(days=7))
    try:
        weekly_digest.week_span(network, name)
    except ValueError:
        raise InputError([Mistake("--week", f'"{name}" is no week', "Year and ISO week.", "--week 2025-W43")]) from None
    watching = watch.begin(network, store, now)
    watching.record.advance(int(now.timestamp()))
    facts = weekly.facts(network, store, watching, name, now)
    contact = next(iter(roster.with_roles(network, network.digest.tell)), network.contacts[0])
    return weekly_digest.digest_words(weekly_digest.week(network, facts), contact, network)


def drill(network: Network, store: Store, people: tuple[str, ...], now: datetime) -> list[str]:
    """Put an exercise notice into the outbox for some or all, send it if no daemon is there to do so, and say how it
    went.
    """
    # Here, since what it brings with it takes longer to load than the other commands to run.
    from watchman.telling.channels import Channels

    number = int(store.marks().get("last_drill", 0)) + 1
    contacts = [contact for contact in network.contacts if not people or contact.name in people]
    notices = roster.summon(network, f"drill:{number}", "drill", contacts, now)
    marks = {"last_drill": str(number), "last_drill_at": now.isoformat(), "last_drill_asked": str(len(contacts))}
    store.add_notices(notices, marks)
    lock = ExitStack()
    try:
        lock.enter_context(hold(store))
    except OutsideError:
        counted = phrases.counted(len(notices), "notice")
        return [f"Drill {number}: {counted} in the outbox; the running watch sends within seconds."]
    with lock:
        watching = watch.begin(network, store, now)
        speaker = speech.Speaker(network, store, watching, now)
        attempts = outbox.deliver_due(store, Channels(network), speaker.words, network, now, put_off=speaker.put_off)
    tried = [(notice, outcome) for notice, outcome in attempts if notice.occasion == f"drill:{number}"]
    return [f"Drill {number}", *(_drill_line(notice, outcome) for notice, outcome in tried)]


def _drill_line(notice: Notice, outcome: Outcome) -> str:
    trouble = f": {outcome.detail}" if outcome.detail and outcome.fate is not Fate.ACCEPTED else ""
    return f"  {notice.person:14} {notice.channel:5} {outcome.fate.value}{trouble}"


def _stamp(seconds: np.int64) -> str | None:
    return rfc3339(int(seconds)) if seconds else None


def _minutes(now: int, then: np.int64) -> int | None:
    return None if not then else int(now - then) // 60


def _number(value: float) -> float | None:
    return None if np.isnan(value) else round(float(value), 2)


def _ago(minutes: int) -> str:
    if minutes < 120:
        return f"{minutes} min"
    return f"{minutes // 60} h" if minutes < 48 * 60 else f"{minutes // 1440} days"

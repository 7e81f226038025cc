"""What `status`, `digest` and `drill` show or do, for the command line to print."""

from __future__ import annotations

from contextlib import ExitStack
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from watchman import drills, speech, watch, weekly
from watchman.errors import InputError, Mistake, OutsideError
from watchman.judging.view import rfc3339
from watchman.lock import hold
from watchman.model import BATTERY, Fate, Notice, Outcome
from watchman.network import Network
from watchman.store import Store
from watchman.telling import compose, outbox, phrases, roster
from watchman.telling import digest as weekly_digest
from watchman.telling import visits as visit_list


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
            "status": station.status,
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
    alarms.sort(key=lambda one: one["number"])
    return {"network": network.name, "units": network.units, "stations": stations, "alarms": alarms}


def as_text(facts: dict[str, Any]) -> str:
    """Return the status for a person's eye."""
    lines = [f"{facts['network']}: {len(facts['stations'])} stations", ""]
    lines.append(f"{'station':18} {'last message':>14} {'rain 24 h':>10} {'battery':>8}")
    for one in facts["stations"]:
        ago = "never heard" if one["silent_minutes"] is None else f"{_ago(one['silent_minutes'])} ago"
        volts = "" if one["battery_v"] is None else f"{one['battery_v']:.2f} V"
        rain = phrases.depth(one["rain_24h_mm"], facts["units"])
        aside = one["status"] or ("" if one["in_service"] else "out of service")
        lines.append(f"{one['name'][:18]:18} {ago:>14} {rain:>10} {volts:>8}  {aside}".rstrip())
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
        _begin, end = weekly_digest.week_span(network, name)
    except ValueError:
        raise InputError([Mistake("--week", f'"{name}" is no week', "Year and ISO week.", "--week 2025-W43")]) from None
    # Hours are held in memory for a month: an older week is looked at from soon after its end.
    now = min(now, end + timedelta(days=7))
    watching = watch.begin(network, store, now)
    watching.record.advance(int(now.timestamp()))
    facts = weekly.facts(network, store, watching, name, now)
    contact = next(iter(roster.with_roles(network, network.digest.tell)), network.contacts[0])
    return weekly_digest.digest_words(weekly_digest.week(network, facts), contact, network)


def visits(network: Network, store: Store, form: str, now: datetime) -> str:
    """Return the visit list as "text", "csv" or "ics"."""
    plan = visit_list.plan(network, store.open_alarms(), store.spans(), now)
    words = {"text": visit_list.as_text, "csv": visit_list.as_csv, "ics": visit_list.as_calendar}
    return words[form](network, plan, now)


def page_of(words: compose.Words) -> str:
    """Return a mail's page with its pictures drawn and inside, as a file that any browser shows."""
    return compose.standing_alone(speech.illustrated(words))


def drill(network: Network, store: Store, people: tuple[str, ...], now: datetime) -> list[str]:
    """Put an exercise notice into the outbox for some or all, send it if no daemon is there to do so, and say how it
    went.
    """
    # Here, since what it brings with it takes longer to load than the other commands to run.
    from watchman.telling.channels import Channels

    number = int(store.marks().get("last_drill", 0)) + 1
    contacts = [contact for contact in network.contacts if not people or contact.name in people]
    notices = roster.summon(network, f"drill:{number}", "drill", contacts, now)
    marks = {"last_drill": str(number), "last_drill_at": now.isoformat()}
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

        def words(notice: Notice) -> compose.Words | None:
            said = speaker.words(notice)
            return said and speech.illustrated(said)

        attempts = outbox.deliver_due(store, Channels(network), words, network, now, put_off=speaker.put_off)
    tried = [(notice, outcome) for notice, outcome in attempts if notice.occasion == f"drill:{number}"]
    return [f"Drill {number}", *(_drill_line(notice, outcome) for notice, outcome in tried)]


def drill_answers(network: Network, store: Store, now: datetime) -> list[str]:
    """Return who has answered the last drill, and who has not."""
    drill = drills.last(store)
    return list(drills.as_lines(network, drill, now)) if drill else ["There has been no drill yet: `watchman drill`."]


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

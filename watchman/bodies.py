"""How moments and alarms are kept as text: RFC 3339 in UTC, and JSON a person can read."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import numpy as np

from watchman.model import Alarm, AlarmKey, AlarmState, Certainty, Severity, When


def to_text(moment: datetime) -> str:
    """Return a moment as RFC 3339 UTC text of one length, so that text order is time order.

    Raises ValueError for a moment without zone.
    """
    if moment.tzinfo is None:
        raise ValueError(f"a moment without zone: {moment}")
    return moment.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def from_text(text: str) -> datetime:
    """Return the moment that `to_text` wrote."""
    return datetime.fromisoformat(text)


def alarm_to_json(alarm: Alarm) -> str:
    """Return an alarm as JSON, its moments in RFC 3339 UTC."""

    def moment(at: datetime | None) -> str | None:
        return None if at is None else to_text(at)

    body = {
        "number": alarm.number,
        "rule": alarm.key.rule,
        "matter": alarm.key.matter,
        "scope": alarm.key.scope,
        "check": alarm.check,
        "state": alarm.state,
        "stations": alarm.stations,
        "severity": alarm.severity,
        "certainty": alarm.certainty,
        "when": alarm.when,
        "tell": alarm.tell,
        "since": moment(alarm.since),
        "first_seen_at": moment(alarm.first_seen_at),
        "raised_at": moment(alarm.raised_at),
        "absent_since": moment(alarm.absent_since),
        "level": alarm.level,
        "numbers": dict(alarm.numbers),
        "steps": alarm.steps,
        "state_before": alarm.state_before,
        "acknowledged_by": alarm.acknowledged_by,
        "acknowledged_at": moment(alarm.acknowledged_at),
        "shelved_until": moment(alarm.shelved_until),
        "came_back": alarm.came_back,
        "absorbed_by": alarm.absorbed_by,
        "asked_at": moment(alarm.asked_at),
        "called": alarm.called,
        "reminded": alarm.reminded,
        "ended_at": moment(alarm.ended_at),
    }
    return json.dumps(body, ensure_ascii=False, default=_plain)


def _plain(value: object) -> object:
    """Return a number of numpy's as a plain one; checks compute their evidence with numpy."""
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"not fit for JSON: {value!r}")


def alarm_from_json(text: str) -> Alarm:
    """Return the alarm that `alarm_to_json` wrote."""
    body = json.loads(text)

    def moment(name: str) -> datetime | None:
        # Alarms kept by an earlier version lack what came later.
        return None if body.get(name) is None else from_text(body[name])

    return Alarm(
        number=body["number"],
        key=AlarmKey(body["rule"], body["matter"], body["scope"]),
        check=body["check"],
        state=AlarmState(body["state"]),
        stations=tuple(body["stations"]),
        severity=Severity(body["severity"]),
        certainty=Certainty(body["certainty"]),
        when=When(body["when"]),
        tell=tuple(body["tell"]),
        since=from_text(body["since"]),
        first_seen_at=from_text(body["first_seen_at"]),
        raised_at=moment("raised_at"),
        absent_since=moment("absent_since"),
        level=body["level"],
        numbers=body["numbers"],
        steps=body["steps"],
        state_before=None if body["state_before"] is None else AlarmState(body["state_before"]),
        acknowledged_by=body["acknowledged_by"],
        acknowledged_at=moment("acknowledged_at"),
        shelved_until=moment("shelved_until"),
        came_back=body["came_back"],
        absorbed_by=body["absorbed_by"],
        asked_at=moment("asked_at"),
        called=tuple(body.get("called", ())),
        reminded=body.get("reminded", 0),
        ended_at=moment("ended_at"),
    )

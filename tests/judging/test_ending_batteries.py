"""The silence of a battery that was ending is part of its matter, told once however often it comes and goes."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from watchman.judging.alarms import pending
from watchman.judging.causes.batteries import with_ended_batteries
from watchman.model import Alarm, AlarmKey, AlarmState, Matter, Verdict

NOW = datetime(2025, 10, 21, 6, tzinfo=UTC)
BATTERY = AlarmKey("battery-decline", "battery-decline", "station:larkmoor")
OVERDUE = AlarmKey("overdue", "overdue", "station:larkmoor")


def matter(key: AlarmKey, verdict: Verdict = Verdict.PRESENT, **numbers: Any) -> Matter:
    return Matter(key, key.rule, verdict, stations=("larkmoor",), numbers=numbers, tell=("technician",))


def told(**numbers: Any) -> Alarm:
    """Return the battery's alarm as it stands."""
    alarm = pending(matter(BATTERY, **numbers), NOW)
    return replace(alarm, number=4, state=AlarmState.UNACKNOWLEDGED, raised_at=NOW)


def joined(alarm: Alarm, battery: Matter, *, silent: bool = True) -> tuple[Matter, Matter | None]:
    silence = [matter(OVERDUE, silent_since="2025-10-21T02:00:00Z")] if silent else []
    battery_now, *silence = with_ended_batteries([battery, *silence], {BATTERY: alarm})
    return battery_now, silence[0] if silence else None


def test_the_silence_of_an_ending_battery_is_its_news() -> None:
    """One level more, with since when; the silence itself is no second matter."""
    battery, silence = joined(told(sign="cut"), matter(BATTERY, Verdict.UNDETERMINED))
    assert silence is not None
    assert silence.part_of == BATTERY
    assert (battery.verdict, battery.level) == (Verdict.PRESENT, 1)
    assert battery.numbers["off_since"] == "2025-10-21T02:00:00Z"


def test_off_again_is_not_news_again() -> None:
    """It came back by day, and went off the next night: nothing got worse than it was told."""
    back, _ = joined(told(sign="cut", off_since="2025-10-20T02:00:00Z"), matter(BATTERY, sign="cut"), silent=False)
    assert "off_since" not in back.numbers
    again, silence = joined(replace(told(), numbers=back.numbers, level=1), matter(BATTERY, sign="cut"))
    assert silence is not None
    assert silence.part_of == BATTERY
    assert again.level == 1


def test_dying_at_night_is_told_already() -> None:
    """Each night's silence is part of it and changes nothing."""
    battery, silence = joined(told(sign="dies at night"), matter(BATTERY, sign="dies at night"))
    assert silence is not None
    assert silence.part_of == BATTERY
    assert battery == matter(BATTERY, sign="dies at night")


def test_other_silences_are_left_alone() -> None:
    """A station whose battery is well is simply silent."""
    silence = matter(OVERDUE)
    assert with_ended_batteries([silence], {}) == [silence]
    well = replace(told(), state=AlarmState.RETURNED)
    assert with_ended_batteries([silence], {BATTERY: well}) == [silence]

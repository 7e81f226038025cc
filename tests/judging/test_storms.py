"""Heavy rain as one thread of the network: how many gauges agree, who is believed, when it is over, how rare it was."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from tests.helpers import moment, stations_at, view_of
from watchman.judging import alarms
from watchman.judging.causes.storms import storm
from watchman.judging.checks import heavy_rain
from watchman.judging.checks.heavy_rain import Limit, Settings
from watchman.judging.rule import Rule
from watchman.judging.science.frequency import FrequencyTable
from watchman.judging.view import View, aware
from watchman.model import (
    RAIN,
    TEMPERATURE,
    Alarm,
    AlarmKey,
    Certainty,
    Event,
    EventKind,
    Matter,
    Severity,
    Verdict,
    When,
)

BEGIN = moment("2025-10-21T00:00Z")
NOW = BEGIN + 86400
SETTINGS = Settings(limits=(Limit(depth_mm=6, minutes=15), Limit(depth_mm=12, minutes=15, severity=Severity.SEVERE)))
RULE = Rule(name="heavy-rain", check="heavy-rain", when=When.NOW, tell=("warden",), settings=SETTINGS)
PLACES = [(0, 0), (3, 0), (6, 0), (300, 0)]
"""Three gauges near one another, and one far from all."""
TABLE = FrequencyTable((15.0, 60.0), (2.0, 10.0, 100.0), ((5, 10, 20), (10, 20, 40)))

Rain = Mapping[tuple[int, int], float]
"""By station and minutes after BEGIN at which the reading ends [mm in 5 minutes]."""


def view_at(now: int, rain: Rain, temperature: Mapping[int, float] | None = None, **changed: Any) -> View:
    """Return what is seen of two days of 5-minute readings up to `now`."""
    times = np.arange(BEGIN - 86400, BEGIN + 2 * 86400, 300)
    table = np.zeros((len(times), len(PLACES)))
    for (station, minutes), depth in rain.items():
        table[times == BEGIN + 60 * minutes, station] = depth
    values = {RAIN: table}
    if temperature:
        values[TEMPERATURE] = np.full(table.shape, np.nan)
        for station, degrees in temperature.items():
            values[TEMPERATURE][:, station] = degrees
    return replace(view_of(stations_at(PLACES), now, times, values), **changed)


def matter_of(view: View, rule: Rule = RULE) -> Matter | None:
    """Return the storm that is seen for the first time, or None."""
    return next(iter(storm(rule, heavy_rain.judge(view, SETTINGS), view, {})), None)


def burst(station: int, until: int, mm: float = 3.0) -> dict[tuple[int, int], float]:
    """Return a quarter of an hour of rain at one station."""
    return {(station, until - ago): mm for ago in (0, 5, 10)}


AT = 1440
"""Minutes after BEGIN of NOW."""


def test_one_gauge_beside_dry_ones_is_told_as_possible() -> None:
    """At once, as one gauge only, with how many are dry."""
    told = matter_of(view_at(NOW, burst(0, AT)))
    assert told is not None
    assert told.certainty is Certainty.POSSIBLE
    assert (told.numbers["one_gauge_only"], told.numbers["dry_neighbours"]) == (True, 2)


def test_one_gauge_that_no_neighbour_can_speak_of_is_likely() -> None:
    """Far from all, or beside gauges that may lie under snow or are out of service."""
    alone = [
        view_at(NOW, burst(3, AT)),
        view_at(NOW, burst(0, AT), temperature={1: -1.0, 2: 2.0}),
        view_at(NOW, burst(0, AT), in_service=np.array([True, False, False, True])),
        view_at(NOW, burst(0, AT), on_probation=np.array([False, True, True, False])),
    ]
    for view in alone:
        told = matter_of(view)
        assert told is not None
        assert (told.certainty, told.numbers["one_gauge_only"]) == (Certainty.LIKELY, False)


def test_two_that_agree_are_observed() -> None:
    """The other one reaches a limit too, or had a tenth of the rain."""
    for other in (burst(1, AT), burst(1, AT - 30, 0.4)):
        told = matter_of(view_at(NOW, burst(0, AT) | other))
        assert told is not None
        assert told.certainty is Certainty.OBSERVED


def test_two_gauges_far_apart_do_not_speak_for_each_other() -> None:
    """Heavy rain at a lone gauge makes poured water elsewhere no surer."""
    told = matter_of(view_at(NOW, burst(0, AT, 5.0) | burst(3, AT)))
    assert told is not None
    assert told.severity is Severity.SEVERE
    assert (told.certainty, told.stations) == (Certainty.POSSIBLE, ("S0", "S3"))


def test_a_new_station_is_believed_beside_wet_ones_only() -> None:
    """On a bench it may be poured into; beside a wet gauge in service its storm is told."""
    new = {"on_probation": np.array([True, False, False, False])}
    assert matter_of(view_at(NOW, burst(0, AT), **new)) is None
    told = matter_of(view_at(NOW, burst(0, AT) | burst(1, AT - 20, 0.4), **new))
    assert told is not None
    assert told.stations == ("S0",)
    far = matter_of(view_at(NOW, burst(0, AT) | burst(3, AT - 20, 0.4), **new))
    assert far is None, "rain 300 km away says nothing"


def test_a_rule_may_hold_what_is_visited() -> None:
    """With "hold" nothing is told of a station at which somebody works, wet neighbours or not."""
    view = view_at(NOW, burst(0, AT) | burst(1, AT - 20, 0.4), in_service=np.array([False, True, True, True]))
    assert matter_of(view) is not None
    assert matter_of(view, RULE.model_copy(update={"during_maintenance": "hold"})) is None


class Thread:
    """A storm's alarm, cycle by cycle."""

    def __init__(self, rain: Rain, settings: Settings = SETTINGS) -> None:
        self.rain, self.rule = rain, RULE.model_copy(update={"settings": settings})
        self.standing: dict[AlarmKey, Alarm] = {}
        self.events: list[tuple[int, Event]] = []
        self.number = 0

    def run(self, first: int, last: int) -> list[tuple[int, str, str]]:
        """Return what is told from one minute to another: when, what, and the note of an update."""
        for minutes in range(first, last + 1, 5):
            view = view_at(BEGIN + 60 * minutes, self.rain, frequency=TABLE)
            matters = storm(self.rule, heavy_rain.judge(view, self.rule.settings), view, self.standing)  # type: ignore[arg-type]
            changed, events = alarms.step(
                self.standing.values(), matters, (), {self.rule.name: self.rule}, self.number, aware(view.now)
            )
            self.standing = {one.key: one for one in changed if one.ended_at is None} or (
                {} if any(one.ended_at for one in changed) else self.standing
            )
            self.number = max([self.number, *(one.number for one in changed)])
            self.events += [(minutes, event) for event in events]
        return [(minutes, event.kind.value, event.note) for minutes, event in self.events]


def test_a_storm_ends_after_its_dry_time_with_totals_peaks_and_return_period() -> None:
    """Rain of 12 mm an hour goes on after the burst, under the limits: it is over an hour after the last of it."""
    after = {(0, 615 + ago): 1.0 for ago in range(0, 60, 5)}
    thread = Thread(burst(0, 610, 5.0) | after)
    assert thread.run(590, 760) == [(605, "raised", ""), (610, "updated", "worse"), (730, "ended", "")]
    numbers = thread.events[-1][1].alarm.numbers
    assert (numbers["began_at"], numbers["ended_at"]) == ("2025-10-21T09:55:00Z", "2025-10-21T11:10:00Z")
    assert numbers["totals"] == [{"name": "S0", "mm": 27.0}]
    assert (numbers["peaks"][0]["mm"], numbers["peaks"][0]["minutes"]) == (15.0, 15)
    assert numbers["rarest"] == {"mm": 15.0, "minutes": 15, "years": 31.62, "beyond": "", "name": "S0"}
    assert numbers["dry_minutes"] == 60


def test_a_longer_dry_time_makes_two_bursts_one_storm() -> None:
    """Two hours apart they are two storms with an hour, and one with three, told again when it is heavy again."""
    bursts = burst(0, 610) | burst(0, 760)
    kinds = [kind for _at, kind, _note in Thread(bursts).run(590, 900)]
    assert kinds == ["raised", "ended", "raised", "ended"]
    long = Thread(bursts, SETTINGS.model_copy(update={"dry_minutes": 180.0}))
    assert long.run(590, 960) == [(605, "raised", ""), (755, "updated", "heavy again"), (940, "ended", "")]
    assert long.events[-1][1].alarm.numbers["totals"] == [{"name": "S0", "mm": 18.0}]


def test_it_is_said_once_an_hour_at_most_that_it_is_heavy_again() -> None:
    """A second burst within the hour of the first is the same news."""
    thread = Thread(burst(0, 610) | burst(1, 640) | burst(0, 655))
    assert [kind for _at, kind, _note in thread.run(590, 800)] == ["raised", "ended"]


def test_long_rain_over_its_limit_is_told_once() -> None:
    """A limit of a day that was passed goes on at about its rate, now a little over it, now under: no repeats."""
    wet = {(0, 300 + 5 * step): 1.0 for step in range(50)}
    unsteady = {(0, 550 + 5 * step): 0.4 if step % 60 < 20 else 0.1 for step in range(150)}
    limit = Settings(limits=(Limit(depth_mm=48, hours=24),))
    thread = Thread(wet | unsteady, limit)
    told = thread.run(500, 1300)
    assert [kind for _at, kind, _note in told] == ["raised"]
    assert thread.standing[AlarmKey("heavy-rain", "heavy-rain", "network")].level <= 2


def test_who_could_not_be_seen_is_named() -> None:
    """A neighbour that sent nothing during the storm is blind, one far away is no part of it."""
    rain = burst(0, 610) | {(1, minutes): np.nan for minutes in range(400, 900, 5)}
    rain |= {(3, minutes): np.nan for minutes in range(400, 900, 5)}
    thread = Thread(rain)
    thread.run(590, 700)
    [end] = [event for _at, event in thread.events if event.kind is EventKind.ENDED]
    assert end.alarm.numbers["blind"] == ["S1"]


def test_nothing_of_a_storm_s_gauges_arrives_and_nobody_is_told_it_is_over() -> None:
    """Blind is not over."""
    thread = Thread(burst(0, 610) | {(0, minutes): np.nan for minutes in range(615, 1400, 5)})
    assert [kind for _at, kind, _note in thread.run(590, 900)] == ["raised"]
    view = view_at(BEGIN + 60 * 900, thread.rain)
    [matter] = storm(RULE, heavy_rain.judge(view, SETTINGS), view, thread.standing)
    assert matter.verdict is Verdict.UNDETERMINED

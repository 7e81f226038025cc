"""Stuck value: what moves outdoors and stands still, held to its own past, whatever its resolution."""

from __future__ import annotations

import numpy as np
import pytest

from tests.helpers import moment, stations_at, view_of
from watchman.judging.checks import stuck_value
from watchman.judging.checks.stuck_value import Settings
from watchman.judging.view import View
from watchman.model import BATTERY, HUMIDITY, RAIN, SIGNAL, TEMPERATURE, Verdict

NOW = moment("2025-10-21T18:00Z")
ABSENT, PRESENT, UNDETERMINED = Verdict.ABSENT, Verdict.PRESENT, Verdict.UNDETERMINED
Tables = dict[int, np.ndarray]


def weather(
    stations: int = 4, days: int = 20, every: int = 900, volts_step: float = 0.01, seed: int = 1
) -> tuple[np.ndarray, Tables]:
    """Return times and tables of stations whose values follow the day, each in the steps it is told in."""
    random = np.random.default_rng(seed)
    times = np.arange(NOW - days * 86400, NOW + 1, every) - 60
    shape = (len(times), stations)
    sun = np.maximum(np.sin((times % 86400 / 3600 - 6) / 12 * np.pi), 0)[:, None]
    slow = np.cumsum(random.normal(0, 0.1, shape), axis=0)
    tables = {
        RAIN: np.zeros(shape),
        BATTERY: _steps(3.9 + 0.3 * sun + random.normal(0, 0.004, shape), volts_step),
        TEMPERATURE: _steps(8 + 9 * sun + slow, 0.1),
        HUMIDITY: _steps(np.clip(70 - 25 * sun + 5 * slow, 5, 100), 0.1),
        SIGNAL: _steps(-85 + random.normal(0, 1.5, shape), 1.0),
    }
    return times, tables


def _steps(values: np.ndarray, step: float) -> np.ndarray:
    return np.asarray(np.round(values / step) * step)


def seen(times: np.ndarray, tables: Tables) -> View:
    size = tables[RAIN].shape[1]
    return view_of(stations_at([(4.0 * place, 0.0) for place in range(size)]), NOW, times, tables)


def freeze(times: np.ndarray, tables: Tables, station: int, hours: float, kinds: tuple[int, ...]) -> None:
    """Have a station repeat its last values of some hours ago."""
    after = np.flatnonzero(times > NOW - hours * 3600)
    for kind in kinds:
        tables[kind][after, station] = tables[kind][after[0] - 1, station]


def verdicts(view: View) -> list[int]:
    return stuck_value.judge(view, Settings()).verdict.tolist()


def test_values_that_move_are_left_in_peace() -> None:
    """Four stations, twenty days, nothing stands still."""
    assert verdicts(seen(*weather())) == [ABSENT] * 4


def test_one_packet_repeated_for_five_hours_is_told_by_day() -> None:
    """Volts, temperature, humidity and signal the same over twenty reports: it is a frozen packet."""
    times, tables = weather()
    freeze(times, tables, 1, 5.0, (BATTERY, TEMPERATURE, HUMIDITY, SIGNAL))
    view = seen(times, tables)
    found = stuck_value.judge(view, Settings())
    assert found.verdict.tolist() == [ABSENT, PRESENT, ABSENT, ABSENT]
    told = stuck_value.evidence(view, Settings(), found, 1)
    assert told["frozen"]
    assert abs(found.since[1] - (NOW - 5 * 3600)) <= 3600
    assert {one["what"] for one in told["values"]} == {"all", "battery", "temperature", "humidity", "signal"}


def test_a_packet_repeated_with_its_rain_is_frozen_and_one_whose_rain_moves_is_not() -> None:
    """0.4 mm in each quarter of an hour is part of the packet; rain that comes and goes is measured."""
    for rain, verdict in ((0.4, PRESENT), (None, ABSENT)):
        times, tables = weather()
        after = np.flatnonzero(times > NOW - 5 * 3600)
        freeze(times, tables, 0, 5.0, (BATTERY, TEMPERATURE, HUMIDITY, SIGNAL))
        tables[RAIN][after, 0] = rain if rain is not None else np.arange(len(after)) * 0.2
        assert verdicts(seen(times, tables))[0] == verdict


def test_six_packets_are_too_few() -> None:
    """An hourly station that repeats itself for five hours has sent five reports: nothing yet."""
    times, tables = weather(every=3600)
    freeze(times, tables, 0, 5.0, (BATTERY, TEMPERATURE, HUMIDITY, SIGNAL))
    assert verdicts(seen(times, tables))[0] == ABSENT
    freeze(times, tables, 0, 9.0, (BATTERY, TEMPERATURE, HUMIDITY, SIGNAL))
    assert verdicts(seen(times, tables))[0] == PRESENT


@pytest.mark.parametrize("kind", [BATTERY, TEMPERATURE, HUMIDITY, SIGNAL])
def test_one_sensor_that_sticks_is_told_within_four_days(kind: int) -> None:
    """Two days and two nights (signal three) to the last digit."""
    times, tables = weather()
    freeze(times, tables, 2, 20.0, (kind,))
    assert verdicts(seen(times, tables)) == [ABSENT] * 4
    freeze(times, tables, 2, 80.0, (kind,))
    found = stuck_value.judge(seen(times, tables), Settings())
    assert found.verdict.tolist() == [ABSENT, ABSENT, PRESENT, ABSENT]
    assert found.numbers["variable"][2] == kind


def test_a_battery_told_to_a_tenth_of_a_volt_rests_all_night() -> None:
    """And for days in a dark week: by itself it is told too coarsely to be judged."""
    times, tables = weather(volts_step=0.1)
    night = (times % 86400 < 6 * 3600) | (times % 86400 > 18 * 3600)
    assert np.ptp(tables[BATTERY][night]) == 0
    tables[BATTERY][times > NOW - 90 * 3600, 0] = 3.9
    assert verdicts(seen(times, tables)) == [ABSENT] * 4


def test_humidity_that_is_full_is_weather() -> None:
    """Four days of fog at 100 % are four days of fog."""
    times, tables = weather()
    tables[HUMIDITY][times > NOW - 96 * 3600, 0] = 100.0
    assert verdicts(seen(times, tables))[0] == ABSENT


def test_what_half_of_the_neighbours_do_too_is_no_fault_of_one() -> None:
    """A thermometer at 0.0 degC beside others at theirs: melting snow, not a dead sensor."""
    times, tables = weather(stations=6)
    for station in range(4):
        freeze(times, tables, station, 60.0, (TEMPERATURE,))
    assert verdicts(seen(times, tables)) == [ABSENT] * 6


def test_what_never_moved_is_no_sensor() -> None:
    """A column that is always 12.0 is no measurement, and none stands still."""
    times, tables = weather()
    tables[BATTERY][:, 0] = 12.0
    assert verdicts(seen(times, tables))[0] == ABSENT


def test_without_a_past_nothing_is_said() -> None:
    """Two days of readings do not say how long its values usually rest."""
    times, tables = weather(days=2)
    freeze(times, tables, 0, 8.0, (BATTERY, TEMPERATURE, HUMIDITY, SIGNAL))
    assert verdicts(seen(times, tables))[0] == ABSENT


def test_a_station_that_sends_rain_only_cannot_be_judged() -> None:
    """Zeros of rain are honest."""
    times, tables = weather()
    found = stuck_value.judge(seen(times, {RAIN: tables[RAIN]}), Settings())
    assert found.verdict.tolist() == [UNDETERMINED] * 4
    assert all(found.reason)


def test_evidence_answers_for_a_station_that_is_well() -> None:
    """`why` asks for it too."""
    view = seen(*weather())
    told = stuck_value.evidence(view, Settings(), stuck_value.judge(view, Settings()), 0)
    assert not told["frozen"]
    assert all(one["hours"] < one["limit_hours"] for one in told["values"])

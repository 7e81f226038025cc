"""A source that writes otherwise than before is noticed, and one that goes on as it did is not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.helpers import moment, stations_at, view_of
from watchman.judging.checks import source_change
from watchman.judging.checks.source_change import Settings, after, found, known_of, mark_of
from watchman.judging.view import View
from watchman.model import BATTERY, RAIN, TEMPERATURE, Change, KnownSource, Look, SourceHealth, Verdict

NOW = moment("2025-10-21T18:00Z")
HOUR, DAY = 3600, 86400
STATIONS = 5


def seen(
    *, battery_by: float = 1.0, celsius: tuple[float, float] = (1.0, 0.0), rain_by: float = 1.0, who: int = STATIONS
) -> View:
    """Return five stations for nine days of showers, of which the last half day is written otherwise at `who`."""
    random = np.random.default_rng(7)
    times = np.arange(NOW - 9 * DAY, NOW + 1, 300)
    shape = (len(times), STATIONS)
    hour = (times % DAY / HOUR)[:, None] + np.zeros(shape)
    battery = 3.9 + 0.15 * np.sin((hour - 9) / 12 * np.pi)
    temperature = 11 + 7 * np.sin((hour - 9) / 12 * np.pi) + random.normal(0, 0.5, shape)
    rain = 0.2 * random.poisson(0.3, shape) * (random.random(shape) < 0.3)
    new = (times > NOW - 12 * HOUR)[:, None] & (np.arange(STATIONS) < who)
    values = {
        RAIN: np.where(new, rain * rain_by, rain),
        BATTERY: np.where(new, battery * battery_by, battery),
        TEMPERATURE: np.where(new, temperature * celsius[0] + celsius[1], temperature),
    }
    stations = stations_at(
        [(4.0 * place, 0.0) for place in range(STATIONS)],
        tip_um=np.full(STATIONS, 200),
        source=("main",) * STATIONS,
    )
    view = view_of(stations, NOW, times, values)
    return replace(view, health=(SourceHealth("main"),))


def said(view: View) -> list[tuple[str, str, str]]:
    return [(change.variable, change.before, change.after) for change in found(view, "main", "mm", "degC")]


def test_a_source_that_goes_on_as_it_did_has_not_changed() -> None:
    """Nine days of showers, sun and frost are no change."""
    assert said(seen()) == []
    view = seen()
    assert said(replace(view, stations=replace(view.stations, tip_um=np.zeros(STATIONS, np.int64)))) == []


@pytest.mark.parametrize(
    ("otherwise", "change"),
    [
        ({"battery_by": 1000.0}, ("battery", "V", "mV")),
        ({"battery_by": 0.001}, ("battery", "mV", "V")),
        ({"celsius": (1.8, 32.0)}, ("temperature", "degC", "degF")),
        ({"celsius": (1.0, 273.15)}, ("temperature", "degC", "K")),
        ({"rain_by": 5.0}, ("rain", "mm", "tips")),
        ({"rain_by": 1 / 25.4}, ("rain", "mm", "inch")),
    ],
)
def test_another_unit_at_most_stations_is_the_sources_doing(
    otherwise: dict[str, float], change: tuple[str, str, str]
) -> None:
    """Also where only four of five write it; at one alone it is that station's."""
    assert said(seen(**otherwise)) == [change]  # type: ignore[arg-type]
    assert said(seen(**otherwise, who=4)) == [change]  # type: ignore[arg-type]
    assert said(seen(**otherwise, who=1)) == []  # type: ignore[arg-type]


def test_totals_that_suddenly_run_on_are_more_rain_than_can_fall() -> None:
    """A counter's state, read as the rain of five minutes."""
    assert ("rain", "rain that can be", "more rain than can fall") in said(seen(rain_by=4000.0))


def test_other_steps_between_reports_are_noticed_once_they_are_steady() -> None:
    """Every quarter of an hour instead of every five minutes."""
    times = np.concatenate([np.arange(NOW - DAY, NOW - 2 * HOUR, 300), np.arange(NOW - 2 * HOUR, NOW + 1, 900)])
    stations = stations_at([(4.0 * place, 0.0) for place in range(3)], source=("main",) * 3)
    view = view_of(stations, NOW, times, {RAIN: np.zeros((len(times), 3))})
    view = replace(view, health=(SourceHealth("main"),))

    assert said(view) == [("", "5 min", "15 min")]
    view = view_of(stations, NOW, times[:-6], {RAIN: np.zeros((len(times) - 6, 3))})
    assert said(replace(view, health=(SourceHealth("main"),))) == []


def looks(*headers: tuple[str, ...], **units: str) -> Look:
    return Look(frozenset(headers), frozenset(units.items()))


def test_columns_that_go_and_units_that_the_source_says_are_told_once() -> None:
    """A new column beside the old ones is nothing to tell; the first look is none either."""
    known = after(KnownSource("x"), looks(("time", "station", "rain_mm", "mast"), rain="mm"), (), NOW - HOUR)
    assert known.changes == ()

    known = after(known, looks(("time", "station", "rain_mm", "mast", "flag"), rain="mm"), (), NOW)
    assert known.changes == ()

    for _ in range(2):
        known = after(known, looks(("time", "station", "rain", "mast", "flag"), rain="in"), (), NOW)
    assert known.changes == (
        Change(NOW, "columns", "", "rain_mm", "rain"),
        Change(NOW, "unit", "rain", "mm", "in"),
    )
    assert known_of(mark_of(known), "x") == known
    assert known_of(mark_of(known), "other settings") == KnownSource("other settings")


def test_another_number_of_columns_counts_where_they_are_read_by_place() -> None:
    """Seven columns became eight: each after the new one is another."""
    known = after(KnownSource("x"), looks(("1", "2", "3")), (), NOW - HOUR)
    known = after(known, looks(("1", "2", "3", "4")), (), NOW)
    assert [(change.before, change.after) for change in known.changes] == [("3 columns", "4 columns")]


def test_a_change_stands_for_a_week_or_until_somebody_says_that_it_is_no_fault() -> None:
    """What was found later than that counts anew."""
    view = seen()
    change = Change(NOW - DAY, "unit", "battery", "V", "mV")
    view = replace(view, sources_known={"main": KnownSource("x", changes=(change,))})
    cleared = {("source-change", "source:main"): NOW - HOUR}

    def verdict(view: View) -> int:
        return int(source_change.judge(view, Settings()).verdict[0])

    assert verdict(view) == Verdict.PRESENT
    assert verdict(replace(view, cleared=cleared)) == Verdict.ABSENT
    assert verdict(replace(view, now=NOW + 7 * DAY)) == Verdict.ABSENT

"""Due dates: the ends of plans, calibrations, seasons; each in local days."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
import pytest

from tests.helpers import moment, stations_at, view_of
from watchman.judging.checks import due_dates
from watchman.judging.checks.due_dates import Settings
from watchman.judging.science.season import EPOCH, days_to_season
from watchman.judging.view import View
from watchman.model import RAIN, Verdict

NOW = moment("2025-10-21T18:00Z")
PRESENT = Verdict.PRESENT


def day(written: str) -> int:
    return (date.fromisoformat(written) - EPOCH).days


def seen(now: int = NOW, **columns: Any) -> View:
    times = np.arange(NOW - 86400, NOW + 1, 900)
    stations = stations_at([(3.0 * place, 0.0) for place in range(3)], **columns)
    return view_of(stations, now, times, {RAIN: np.zeros((len(times), 3))})


def due(view: View, **settings: int) -> dict[str, dict[str, Any]]:
    """Return what is due, by scope."""
    found = due_dates.judge(view, Settings(**settings))
    assert found.scopes is not None
    of = Settings(**settings)
    return {found.scopes[p]: due_dates.evidence(view, of, found, int(p)) for p in found.present()}


def test_a_plan_is_one_matter_with_its_stations() -> None:
    """Its first end counts, 30 days before."""
    plans = {"plan": ("P7", "P7", ""), "plan_end": np.array([day("2025-11-20"), day("2025-12-24"), 0])}
    assert due(seen(**plans)) == {
        "plan:P7": {
            "what": "plan",
            "due_on": "2025-11-20",
            "days_left": 30,
            "limit_days": 30,
            "stations_due": ["S0", "S1"],
        }
    }
    assert due(seen(**plans), plan_days=7, calibration_days=0, season_days=0) == {}


def test_a_plan_that_has_ended_stays_due_and_says_so() -> None:
    """Until somebody writes the next day."""
    plans = {"plan": ("P7", "", ""), "plan_end": np.array([day("2025-10-18"), 0, 0])}
    assert due(seen(**plans), plan_days=7)["plan:P7"]["days_left"] == -3
    assert due_dates.judge(seen(**plans), Settings()).level.max() == 1


def test_a_plan_without_a_name_is_its_station_s() -> None:
    """There is nobody to share it with."""
    assert list(due(seen(plan_end=np.array([0, day("2025-10-25"), 0])))) == ["station:S1"]


def test_a_calibration_is_due_at_its_station() -> None:
    """30 days before, and when it is overdue."""
    found = due(seen(calibration_due=np.array([day("2025-11-01"), day("2025-12-01"), day("2025-09-01")])))
    assert {scope: told["days_left"] for scope, told in found.items()} == {"station:S0": 11, "station:S2": -50}


def test_days_are_local_days() -> None:
    """At 18:00 UTC it is already tomorrow, ten hours east."""
    plan_end = np.array([day("2025-10-29"), 0, 0])
    assert due(seen(plan_end=plan_end), plan_days=7) == {}
    assert due(seen(plan_end=plan_end, utc_offset_s=36000), plan_days=7)["station:S0"]["days_left"] == 7


def test_a_stolen_station_needs_no_calibration() -> None:
    """Nobody drives for it."""
    dates = {"calibration_due": np.array([day("2025-10-25"), 0, 0]), "status": ("stolen", "", "")}
    assert due(seen(**dates)) == {}


def test_a_season_that_begins_is_told_before() -> None:
    """Two weeks, so that somebody looks at the station."""
    found = due(seen(season=("11-01/04-30", "05-01/10-31", "")))
    assert list(found) == ["station:S0"]
    assert found["station:S0"]["due_on"] == "2025-11-01"


def test_every_station_has_an_answer() -> None:
    """`why` asks by the station's position, also where nothing is written."""
    view = seen()
    found = due_dates.judge(view, Settings())
    assert due_dates.evidence(view, Settings(), found, 2)["what"] is None


@pytest.mark.parametrize(
    ("season", "on", "days"),
    [
        ("05-01/10-31", "2025-05-01", 0),
        ("05-01/10-31", "2025-10-31", 0),
        ("05-01/10-31", "2025-11-01", 181),
        ("05-01/10-31", "2025-04-30", 1),
        ("11-01/03-31", "2025-01-15", 0),
        ("11-01/03-31", "2025-12-31", 0),
        ("11-01/03-31", "2025-10-31", 1),
        ("02-29/03-31", "2025-02-27", 2),
        ("02-29/03-31", "2028-02-28", 1),
    ],
)
def test_days_to_a_season(season: str, on: str, days: int) -> None:
    """Both ends belong to it, and New Year may lie inside."""
    assert days_to_season(season, day(on)) == days

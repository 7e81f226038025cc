"""Heavy rain: exact at the limit, three-valued where data are missing or coarse, and news only while it is fresh."""

from __future__ import annotations

import numpy as np
import pytest

from tests.helpers import moment, stations_at, view_of
from watchman.judging.checks import heavy_rain
from watchman.judging.checks.heavy_rain import Limit, Settings
from watchman.judging.view import Findings
from watchman.model import RAIN, Severity, Verdict

NOW = moment("2025-10-21T18:00Z")
ABSENT, PRESENT, UNDETERMINED = Verdict.ABSENT, Verdict.PRESENT, Verdict.UNDETERMINED


def judged(rain_mm: dict[int, float], *, interval: int = 5, missing: tuple[int, ...] = (), **limit: float) -> Findings:
    """Judge one gauge: rain [mm] by minutes before NOW at which the reading ends, 0 in all others of the last 2
    days.
    """
    times = np.arange(NOW - 2 * 86400, NOW + 1, interval * 60)
    table = np.zeros((len(times), 1))
    for ago, depth in rain_mm.items():
        table[times == NOW - ago * 60] = depth
    for ago in missing:
        table[times == NOW - ago * 60] = np.nan
    settings = Settings(limits=(Limit(**limit),))  # type: ignore[arg-type]
    view = view_of(stations_at([(0, 0)]), NOW, times, {RAIN: table})
    return heavy_rain.judge(view, settings)


def verdict(rain_mm: dict[int, float], **given: object) -> int:
    return int(judged(rain_mm, **given).verdict[0])  # type: ignore[arg-type]


def test_the_limit_itself_is_reached() -> None:
    """Thirty tips of 0.2 mm are 6 mm: sums of tips are exact, floats would stop at 5.999."""
    three_times_ten_tips = {0: 10 * 0.2, 5: 10 * 0.2, 10: 10 * 0.2}
    assert verdict(three_times_ten_tips, depth_mm=6, minutes=15) == PRESENT
    assert verdict({0: 2.0, 5: 2.0, 10: 1.8}, depth_mm=6, minutes=15) == ABSENT


def test_a_limit_in_inches() -> None:
    """A quarter of an hour with 0.25 inch is 6.35 mm."""
    assert verdict({0: 6.35}, depth_inches=0.25, minutes=15) == PRESENT
    assert verdict({0: 6.2}, depth_inches=0.25, minutes=15) == ABSENT


def test_stretches_slide() -> None:
    """Rain split by the clock's quarter hour is still one quarter hour of rain."""
    assert verdict({10: 4.0, 20: 4.0}, depth_mm=8, minutes=15) == PRESENT
    assert verdict({10: 4.0, 25: 4.0}, depth_mm=8, minutes=15) == ABSENT


@pytest.mark.parametrize(("depth_mm", "expected"), [(45.0, PRESENT), (12.0, UNDETERMINED), (9.0, ABSENT)])
def test_what_an_hourly_reading_proves_of_a_quarter_hour(depth_mm: float, expected: Verdict) -> None:
    """45 mm in an hour had 10 mm in some quarter of it; 12 mm proves nothing about it; 9 mm can't have had it."""
    times = np.arange(NOW - 2 * 86400, NOW + 1, 3600)
    table = np.zeros((len(times), 1))
    table[-1] = depth_mm
    view = view_of(stations_at([(0, 0)]), NOW, times, {RAIN: table})
    found = heavy_rain.judge(view, Settings(limits=(Limit(depth_mm=10, minutes=15),)))
    assert found.verdict[0] == expected


def test_gaps_turn_absent_into_undetermined_but_never_take_back_what_is_proven() -> None:
    """A missing reading leaves the answer open, unless what arrived already reaches the limit."""
    assert verdict({0: 2.0}, depth_mm=6, minutes=15, missing=(5,)) == UNDETERMINED
    assert verdict({0: 6.0}, depth_mm=6, minutes=15, missing=(5,)) == PRESENT


def test_a_gauge_of_which_nothing_fresh_arrived_is_not_judged() -> None:
    """Silence is no dry weather."""
    last_hours = tuple(range(0, 90, 5))
    found = judged({}, depth_mm=6, minutes=15, missing=last_hours)
    assert found.verdict[0] == UNDETERMINED
    assert found.reason[0] == heavy_rain.BLIND


def test_rain_older_than_an_hour_is_history() -> None:
    """Back-filled readings wake nobody."""
    assert verdict({55: 20.0}, depth_mm=6, minutes=15) == PRESENT
    assert verdict({65: 20.0}, depth_mm=6, minutes=15) == ABSENT


def test_a_long_limit_is_news_when_reached_or_when_it_rains_on_at_its_rate() -> None:
    """Fifty millimetres that ended ten hours ago are no news, nor is a tip on top; the tip that reaches fifty is."""
    night = {600 + 5 * step: 5.0 for step in range(10)}
    assert verdict(night, depth_mm=50, hours=24) == ABSENT
    assert verdict({**night, 10: 0.2}, depth_mm=50, hours=24) == ABSENT
    assert verdict({**night, 10: 1.2, 20: 1.2}, depth_mm=50, hours=24) == PRESENT, "over 50/24 mm/h: still heavy"
    assert verdict({**night, 645: 4.8, 10: 0.2}, depth_mm=50, hours=24) == PRESENT, "crossed by this tip"


def test_a_long_limit_does_not_come_and_go_around_its_depth() -> None:
    """Reached in the night, a little under it when the first rain leaves the day, over it again by a shower: no
    news.
    """
    night = {1435: 1.0, **{600 + 5 * step: 5.0 for step in range(10)}}
    assert verdict({**night, 10: 0.4}, depth_mm=50.5, hours=24) == ABSENT, "reached at 51 mm, 50 mm, 50.4 mm"
    first = {1435: 11.0, **{600 + 5 * step: 4.0 for step in range(10)}}
    assert verdict({**first, 10: 0.4}, depth_mm=51.0, hours=24) == ABSENT
    assert verdict({1500: 51.0, 600: 30.0, 10: 21.2}, depth_mm=51.0, hours=24) == PRESENT, "was under four fifths of it"


def test_the_most_severe_limit_counts_and_says_its_depth() -> None:
    """Of several limits reached the most severe one is told, with the depth in its own time."""
    times = np.arange(NOW - 2 * 86400, NOW + 1, 300)
    table = np.zeros((len(times), 2))
    table[-3:, 0] = 5.0
    settings = Settings()
    view = view_of(stations_at([(0, 0), (3, 0)]), NOW, times, {RAIN: table})
    found = heavy_rain.judge(view, settings)
    assert found.verdict.tolist() == [PRESENT, ABSENT]
    told = heavy_rain.evidence(view, settings, found, 0)
    assert (told["mm"], told["minutes"], told["severity"]) == (15.0, 15, Severity.SEVERE.value)
    assert {"mm": 15.0, "minutes": 60} in told["also"]
    assert found.since[0] == NOW - 300, "two readings made 10 mm, more than the lowest limit"


def test_a_limit_needs_one_depth_and_one_duration() -> None:
    """Both or neither is a mistake that says what to write."""
    with pytest.raises(ValueError, match="depth_mm = 6"):
        Limit(depth_mm=6, depth_inches=1, minutes=15)
    with pytest.raises(ValueError, match="minutes = 15"):
        Limit(depth_mm=6)

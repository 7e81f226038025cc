"""A watch begun again knows what the one before knew, and what changed while nobody watched."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from tests import test_watch
from tests.helpers import SECRETS, write_network
from tests.test_watch import NETWORK, RULES, STATIONS, STATIONS_CSV, T0, Story, rows_of
from watchman import watch
from watchman.model import RAIN, VISIT, Delivery
from watchman.network import load

HOUR = timedelta(hours=1)
DAYS = 9


@pytest.fixture
def tips(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Story:
    """A network that counts tips of 0.2 mm, watched for nine days with one tip every three hours at each station."""
    network = NETWORK.replace("covers_minutes = 15", 'covers_minutes = 60\nrain = { unit = "tips" }\ntip_mm = 0.2')
    monkeypatch.setattr(test_watch, "NETWORK", network)
    story = Story(tmp_path, T0)
    for _ in range(DAYS * 8):
        hear(story, dict.fromkeys(range(STATIONS), 1.0), 3 * HOUR)
    return story


def hear(story: Story, tips: dict[int, float], after: timedelta) -> None:
    """Go on by some time, and hear these stations."""
    story.now += after
    rows = rows_of([(station, RAIN, value) for station, value in tips.items()], story.now - HOUR / 60, story.now)
    told = watch.cycle(story.watch, [Delivery("main", story.now, rows)], story.now)
    story.events += told.events


def rewrite(story: Story, old: str, new: str) -> None:
    """Change network.toml and begin again."""
    text = (story.folder / "network.toml").read_text()
    assert old in text
    write_network(story.folder, text.replace(old, new), STATIONS_CSV, RULES)
    story.network = load(story.folder, SECRETS.get)
    story.restart()


def rain_mm(story: Story, grid: str) -> np.ndarray:
    array: np.ndarray = getattr(story.watch.record, grid).rain.sum(axis=0) / 1000
    return array


def test_a_corrected_tip_reaches_all_days_and_stays(tips: Story) -> None:
    """Every saved day is counted with the corrected tip, after the restart and after the one that follows."""
    rewrite(tips, "tip_mm = 0.2", "tip_mm = 0.5")
    for _ in range(2):
        for grid in ("hourly", "daily"):
            np.testing.assert_allclose(rain_mm(tips, grid), DAYS * 8 * 0.5)
        hear(tips, {}, HOUR)
        tips.restart()
    assert not tips.watch.record.anew.any(), "made anew once only"


def test_a_corrected_length_leaves_no_hour_known_that_was_not_read(tips: Story) -> None:
    """Readings of 15 minutes instead of 60 cover a quarter of the time, in the saved cells too."""
    before = tips.watch.record.hourly.known.sum()
    rewrite(tips, "covers_minutes = 60", "covers_minutes = 15")
    hear(tips, {}, HOUR)
    tips.restart()
    assert not tips.watch.record.anew.any()
    assert tips.watch.record.hourly.known.sum() == before / 4
    assert tips.watch.record.daily.known.sum() == before / 4


def test_another_day_start_sorts_the_readings_into_other_days(tips: Story) -> None:
    """Days that begin at 06:00 hold the same rain in all, and eight tips each."""
    rewrite(tips, "[network]\n", '[network]\nday_starts = "06:00"\n')
    hear(tips, {}, HOUR)
    tips.restart()
    daily = tips.watch.record.daily
    np.testing.assert_allclose(rain_mm(tips, "daily"), DAYS * 8 * 0.2)
    assert (daily.rain[daily.head - 7 : daily.head] == 1600).all()


@pytest.mark.parametrize("back_days", [1, 7])
def test_what_was_decided_while_off_reaches_hours_and_days(tips: Story, back_days: int) -> None:
    """A visit booked while nobody watched leaves the sums at the start, and comes back when it is withdrawn so."""
    hear(tips, {}, HOUR)
    begins = tips.now - timedelta(days=back_days)
    visit = tips.store.add_span("s0", begins, begins + 24 * HOUR, VISIT, "tech-1", tips.now)
    tips.restart()
    for grid in ("hourly", "daily"):
        assert rain_mm(tips, grid)[0] == pytest.approx((DAYS * 8 - 8) * 0.2, abs=0.21)
        assert rain_mm(tips, grid)[1] == pytest.approx(DAYS * 8 * 0.2)
    hear(tips, {}, HOUR)
    tips.store.withdraw_span(visit.number, tips.now)
    tips.restart()
    for grid in ("hourly", "daily"):
        np.testing.assert_allclose(rain_mm(tips, grid), DAYS * 8 * 0.2)


@pytest.mark.parametrize("every_h", [1, 12, 24])
def test_a_station_silent_before_a_restart_is_overdue_after_it(tmp_path: Path, every_h: int) -> None:
    """However seldom it sends, its habit and when it was last heard outlive the restart, and its silence is told."""
    story = Story(tmp_path, datetime(2025, 10, 1, tzinfo=UTC))
    others = {station: 0.0 for station in range(STATIONS) if station != 5}
    for hour in range(24 * 12):
        hear(story, others | ({5: 0.0} if hour % every_h == 0 else {}), HOUR)
    heard = story.watch.record.last_received[5]
    for _ in range(every_h):
        hear(story, others, HOUR)
    story.restart()
    assert story.watch.record.sends_every_s[5] == every_h * 3600
    assert story.watch.record.last_received[5] == heard
    assert story.watch.record.last_observed[5] == heard - 60
    for _ in range(24 * 6):
        hear(story, others, HOUR)
    assert [key for key in story.kinds(story.events) if key[0] == "raised"] == [("raised", "station:s5")]

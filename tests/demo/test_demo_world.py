"""The invented world is the story's, whatever the seed, and its reports are honest about when they arrived."""

from functools import cache

import numpy as np
import pytest

from demo.story import local
from demo.world import World, build

SEEDS = (7, 1, 2)


@cache
def world(seed: int = 7) -> World:
    return build(seed)


def _position(place: str) -> int:
    return [site.id for site in world().stations].index(place)


def _minute(written: str) -> int:
    return int(local(written).timestamp() - world().begins.timestamp()) // 60


def _most_mm(of: World, place: str, begins: str, ends: str, minutes: int) -> float:
    tips = of.tips[_minute(begins) : _minute(ends), _position(place)]
    running = np.concatenate([[0], np.cumsum(tips)])
    return 0.2 * float((running[minutes:] - running[:-minutes]).max())


def _depth_mm(of: World, place: str, begins: str, ends: str) -> float:
    return 0.2 * float(of.tips[_minute(begins) : _minute(ends), _position(place)].sum())


def _heard(of: World, place: str) -> np.ndarray:
    return np.unique(of.reports.observed_at[of.reports.station == _position(place)])


def _stamp(written: str) -> int:
    return int(local(written).timestamp())


def test_same_seed_same_world() -> None:
    """A seed gives the same reports twice, and another seed others."""
    again, other = build(7), world(1)

    for name in type(again.reports).__slots__:
        assert np.array_equal(getattr(again.reports, name), getattr(world().reports, name))
    assert not np.array_equal(world().rain_mm_h, other.rain_mm_h)


def test_reports_come_in_order_of_arrival_and_after_their_time() -> None:
    """No report arrives before the interval it tells of has ended."""
    reports = world().reports

    assert np.all(np.diff(reports.arrived_at) >= 0)
    assert np.all(reports.arrived_at > reports.observed_at)


def test_most_reports_come_within_minutes() -> None:
    """Half arrive within a minute or so, one in a hundred takes more than ten, a few never come."""
    of = world()
    delay = of.reports.arrived_at - of.reports.observed_at
    whole = [site for site in of.stations if site.id not in ("nettle", "ivory", "eskwater", "gorsehill")]
    due = sum(42 * 24 * 60 // site.every_minutes for site in whole)
    heard = sum(len(_heard(of, site.id)) for site in whole)

    assert 20 < np.median(delay) < 90
    assert 0.005 < np.mean(delay > 600) < 0.08
    assert 0.001 < 1 - heard / due < 0.03


@pytest.mark.parametrize("seed", SEEDS)
def test_hollin_dam_is_dry_beside_wet_neighbours(seed: int) -> None:
    """From the visit to the cleaning Hollin Dam has no tip, on days when every neighbour has millimetres."""
    of = world(seed)

    assert _depth_mm(of, "hollin", "2025-10-20 11:30", "2025-10-28 10:30") == 0.0
    for place in ("fennick", "larkmoor", "eskwater", "kettle", "gorsehill"):
        assert _depth_mm(of, place, "2025-10-21 06:00", "2025-10-21 18:30") > 10.0
        assert _depth_mm(of, place, "2025-10-23 04:00", "2025-10-23 15:30") > 5.0
    assert _depth_mm(of, "hollin", "2025-10-28 10:45", "2025-10-28 11:05") == pytest.approx(10.0)


def test_test_tips_are_in_the_readings() -> None:
    """The two runs of 50 test tips on 20 October are in what Hollin Dam reports."""
    assert _depth_mm(world(), "hollin", "2025-10-20 10:00", "2025-10-20 11:20") == pytest.approx(20.0)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_storm_cell_stays_on_one_gauge(seed: int) -> None:
    """On 22 October Ashlow Gap crosses the second level and not the third, while the valleys have nothing."""
    of, begins, ends = world(seed), "2025-10-22 16:30", "2025-10-22 19:00"

    assert 12.0 <= _most_mm(of, "ashlow", begins, ends, 15) < 20.0
    assert 25.0 <= _most_mm(of, "ashlow", begins, ends, 60) < 40.0
    assert _most_mm(of, "bracken", begins, ends, 15) < 6.0
    for place in ("dunfell", "eskwater", "fennick", "gorsehill", "ivory", "kettle", "larkmoor", "mossgate", "nettle"):
        assert _depth_mm(of, place, begins, ends) == 0.0


@pytest.mark.parametrize("seed", SEEDS)
def test_the_night_storm_is_wide(seed: int) -> None:
    """On 31 October at least five gauges cross the first level within three hours, and Ivory Scree the third."""
    of, begins, ends = world(seed), "2025-10-31 21:00", "2025-11-01 01:00"

    crossed = [site.id for site in of.stations if _most_mm(of, site.id, begins, ends, 15) >= 6.0]

    assert {"ashlow", "bracken", "corrow", "gorsehill", "juniper", "ivory"} <= set(crossed)
    assert _most_mm(of, "ivory", begins, "2025-10-31 22:35", 15) >= 20.0


@pytest.mark.parametrize("seed", SEEDS)
def test_larkmoor_declines_for_weeks_and_lasts(seed: int) -> None:
    """Larkmoor's cell falls for ten days before 27 October and does not cut off by the end; the others stay full."""
    of = world(seed)
    dawn = of.battery_v[[_minute(f"2025-10-{day:02d} 05:00") // 15 for day in range(17, 28)]]
    shaded, healthy = dawn[:, _position("larkmoor")], np.delete(dawn, _position("larkmoor"), axis=1)

    assert np.polyfit(np.arange(11), shaded, 1)[0] < -0.02
    assert 3.55 < shaded[-1] < 3.75
    assert of.battery_v[:, _position("larkmoor")].min() > 3.35
    assert healthy.min() > 4.0


def test_cells_fall_by_night_and_dip_in_the_cold() -> None:
    """Healthy cells stand lower at dawn than in the afternoon, and lower in the cold nights than in the mild ones."""
    volts = world().battery_v
    healthy = [place for place in range(14) if place != _position("larkmoor")]
    dawn = [_minute(f"2025-10-{day} 05:00") // 15 for day in range(20, 30)]
    afternoon = [_minute(f"2025-10-{day} 14:00") // 15 for day in range(20, 30)]

    assert np.all(volts[np.ix_(dawn, healthy)].mean(axis=0) < volts[np.ix_(afternoon, healthy)].mean(axis=0))
    assert np.median(volts[dawn[9], healthy]) < np.median(volts[dawn[0], healthy])


def test_snow_blinds_the_ridge_only() -> None:
    """On 29 October the valleys have rain, the high ridge snow, and the gauges there tip when it melts."""
    of = world()
    snow_day = "2025-10-29 05:00", "2025-10-29 17:00"

    for place in ("bracken", "dunfell", "ivory"):
        at = slice(_minute(snow_day[0]), _minute(snow_day[1]))
        fallen = float(of.rain_mm_h[at, _position(place)].sum()) / 60.0
        assert _depth_mm(of, place, *snow_day) < 0.3 * fallen
        assert _depth_mm(of, place, "2025-10-30 08:00", "2025-10-31 12:00") > 1.0
    for place in ("fennick", "hollin", "larkmoor", "nettle"):
        assert _depth_mm(of, place, *snow_day) > 8.0


def test_a_stop_and_an_outage_differ_in_what_comes_back() -> None:
    """Eskwater's stop leaves a hole for good; the mast's outage is filled in afterwards; Ivory is never heard again."""
    of = world()
    ashlow, fennick, ivory = _heard(of, "ashlow"), _heard(of, "fennick"), _heard(of, "ivory")

    hole = (ashlow > _stamp("2025-11-02 09:45")) & (ashlow < _stamp("2025-11-02 12:15"))
    filled = (fennick > _stamp("2025-10-31 18:10")) & (fennick < _stamp("2025-11-01 05:30"))
    assert hole.sum() == 0
    assert filled.sum() > 40
    assert ivory.max() <= _stamp("2025-11-01 03:12")


def test_a_half_blocked_funnel_drains_evenly_after_the_rain() -> None:
    """Juniper Saddle tips once a quarter of an hour until near midnight; its neighbours have stopped at six."""
    of = world()
    after = "2025-10-21 18:30", "2025-10-21 23:30"

    quarters = of.tips[_minute(after[0]) : _minute(after[1]), _position("juniper")].reshape(-1, 15).sum(axis=1)
    assert set(quarters.tolist()) <= {0, 1}
    assert quarters.sum() >= 18
    assert _depth_mm(of, "ivory", *after) == 0.0
    assert _depth_mm(of, "juniper", "2025-10-21 06:00", "2025-10-22 06:00") > 12.0


def test_exchanged_ids_exchange_all_that_is_peculiar() -> None:
    """From the service on each of the two reports the other's signal under its own name."""
    reports = world().reports
    signal = {}
    for place in ("eskwater", "gorsehill"):
        for day in ("27", "30"):
            begins, ends = _stamp(f"2025-10-{day} 00:00"), _stamp(f"2025-10-{day} 23:00")
            mine = (reports.station == _position(place)) & (reports.observed_at > begins) & (reports.observed_at < ends)
            signal[place, day] = float(reports.signal_dbm[mine].mean())

    assert abs(signal["eskwater", "30"] - signal["gorsehill", "27"]) < 1.0
    assert abs(signal["gorsehill", "30"] - signal["eskwater", "27"]) < 1.0
    assert signal["gorsehill", "27"] - signal["eskwater", "27"] > 10.0


def test_a_stuck_logger_sends_one_packet_again_and_again() -> None:
    """Dunfell Pass reports on time from 08:00 to 13:00 on 2 November, always with the same values."""
    reports = world().reports
    stuck = (reports.station == _position("dunfell")) & (reports.observed_at > _stamp("2025-11-02 08:00"))
    stuck &= reports.observed_at <= _stamp("2025-11-02 13:00")

    assert len(np.unique(reports.observed_at[stuck])) > 15
    for values in (reports.battery_v, reports.temperature_c, reports.signal_dbm):
        assert len(np.unique(values[stuck])) == 1


def test_nothing_is_heard_through_a_silence() -> None:
    """While the mast is off no new report of its stations arrives, and none of any while the data service is off."""
    every = world().reports
    _, first = np.unique(np.stack([every.station, every.observed_at]), axis=1, return_index=True)
    reports = every.take(first)
    masted = np.isin(reports.station, [_position(place) for place in ("fennick", "hollin", "larkmoor", "nettle")])
    off = (reports.arrived_at > _stamp("2025-10-31 18:10")) & (reports.arrived_at < _stamp("2025-11-01 05:30"))
    closed = (every.arrived_at >= _stamp("2025-10-24 14:05")) & (every.arrived_at < _stamp("2025-10-24 16:40"))

    assert not np.any(masted & off)
    assert not np.any(closed)


def test_a_morning_is_delivered_twice() -> None:
    """Every report that arrived on 21 October between 09:00 and 12:00 is there a second time, with the same values."""
    reports = world().reports
    first = (reports.arrived_at > _stamp("2025-10-21 09:00")) & (reports.arrived_at <= _stamp("2025-10-21 10:00"))

    for row in np.flatnonzero(first):
        same = (reports.station == reports.station[row]) & (reports.observed_at == reports.observed_at[row])
        assert same.sum() >= 2
        assert len(np.unique(reports.tips[same])) == 1


def test_loggers_do_not_know_the_clock_change() -> None:
    """Through the night of 26 October a five-minute station reports every 5 minutes, 300 times in a day of 25 h."""
    heard = _heard(world(), "bracken")
    day = heard[(heard > _stamp("2025-10-26 00:00")) & (heard <= _stamp("2025-10-27 00:00"))]

    assert 290 <= len(day) <= 300
    assert np.all(np.diff(day) % 300 == 0)


def test_a_cell_at_its_cut_off_switches_the_logger_off() -> None:
    """No report carries a voltage below the cut-off."""
    assert world().reports.battery_v.min() >= 3.3


def test_a_story_that_does_not_fit_is_refused() -> None:
    """A world shorter than its story is refused."""
    with pytest.raises(ValueError, match="the story needs"):
        build(7, days=10)

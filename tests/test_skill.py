"""The simulated years are believable, the truth in them is the truth, and the scorer counts right."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from tests.skill import gauge, oracle, radio, rain, running, score
from tests.skill.climate import CLIMATES
from tests.skill.faults import ALL_KINDS, DAY, HOUR, Fault
from tests.skill.oracle import NEVER, Crossing, Episode, Limit
from tests.skill.score import Thread, at_least, at_most, threads_of, worst_tenth
from tests.skill.world import COUNTER_WRAPS, Order, World, build

NOON = 1_750_000_000


@pytest.fixture(scope="module")
def place() -> rain.Place:
    east, north = np.meshgrid(6.0 * np.arange(4), 6.0 * np.arange(4))
    return rain.Place(east.ravel(), north.ravel(), np.full(16, 300.0))


@pytest.fixture(scope="module")
def showers(place: rain.Place) -> np.ndarray:
    climate = replace(CLIMATES["convective"], bands=0.0, steady=0.0)
    return rain.season(np.random.default_rng(1), climate, place, 120)


@pytest.fixture(scope="module")
def steady(place: rain.Place) -> np.ndarray:
    climate = replace(CLIMATES["temperate"], storms=0.0, bands=0.0)
    return rain.season(np.random.default_rng(1), climate, place, 60)


@pytest.fixture(scope="module")
def temperate() -> World:
    return build(Order(7, "temperate", 12, 6.0, 25, 0.0))


@pytest.fixture(scope="module")
def faulty() -> World:
    return build(Order(11, "temperate", 12, 6.0, 40, 8.0))


def correlation_range_km(fall: np.ndarray, place: rain.Place) -> float:
    """Fit exp(-d / range) through the correlations of hourly rain, as hydrologists do."""
    pairs = np.triu_indices(fall.shape[1], 1)
    mm = fall.reshape(-1, 60, fall.shape[1]).mean(axis=1)
    r, km = np.corrcoef(mm[(mm > 0.1).any(axis=1)].T)[pairs], place.apart_km()[pairs]
    use = r > 0.02
    return float(-(km[use] ** 2).sum() / (km[use] * np.log(r[use])).sum())


def test_hourly_rain_is_correlated_over_the_distances_that_were_measured(
    showers: np.ndarray, steady: np.ndarray, place: rain.Place
) -> None:
    # Published: 26 km in periods of heavy thunderstorms, 75 km cyclonic (Valeo & Tang 2001), real mixtures both; other
    # fields of cells alone had 15 km, of steady rain alone 72 km (our own simulation, earlier).
    assert 7 <= correlation_range_km(showers, place) <= 26
    assert 40 <= correlation_range_km(steady, place) <= 90


def test_gauges_three_kilometres_apart_agree_in_steady_rain() -> None:
    place = rain.Place(np.array([0.0, 3.0]), np.zeros(2), np.full(2, 300.0))
    climate = replace(CLIMATES["temperate"], storms=0.0, bands=0.0)
    mm = rain.season(np.random.default_rng(2), climate, place, 60).reshape(-1, 60, 2).mean(axis=1)
    assert np.corrcoef(mm[mm.any(axis=1)].T)[0, 1] > 0.9


def test_showers_leave_honest_zeros_and_steady_rain_few(showers: np.ndarray, steady: np.ndarray) -> None:
    def zeros(fall: np.ndarray) -> float:
        day = fall.reshape(-1, 1440, fall.shape[1]).sum(axis=1) / 60.0
        return float((day[day.max(axis=1) >= 2.0] == 0.0).mean())

    assert 0.15 < zeros(showers) < 0.7
    assert zeros(steady) < 0.15


def test_the_strongest_rain_is_strong_and_never_more_than_nature_has_done(
    showers: np.ndarray, steady: np.ndarray
) -> None:
    for fall, least in ((showers, 8.0), (steady, 1.0)):
        quarter = fall.reshape(-1, 15, fall.shape[1]).mean(axis=1) / 4.0
        # The most ever measured in a quarter of an hour is 198 mm (WMO-No. 168, table of world records).
        assert least < quarter.max() < 198.0


def test_the_same_order_is_the_same_world() -> None:
    one, other = (build(Order(4, "desert", 5, 8.0, 20, 8.0)) for _ in range(2))
    assert one.faults == other.faults
    np.testing.assert_array_equal(one.reports.arrived_at, other.reports.arrived_at)
    np.testing.assert_array_equal(one.reports.rain, other.reports.rain)


def test_the_bucket_loses_what_was_measured_while_it_tips() -> None:
    # 0.98 % at 19.9 mm/h and 8.78 % at 175 mm/h (Duchon, Fiebrich, Grimsley 2014), 0.254 mm tips.
    for rate, lost in ((19.9, 0.0098), (175.0, 0.0878)):
        assert gauge.TIP_SECONDS * rate / (3600.0 * 0.254) == pytest.approx(lost, rel=0.05)


def test_a_blocked_funnel_passes_all_its_water_late() -> None:
    water = np.zeros(3000)
    water[100:160] = 0.2
    out = gauge.drained(water, mm_h=1.0)
    assert out.sum() == pytest.approx(water.sum())
    assert out.max() <= 1.0 / 60.0 + 1e-12
    assert np.flatnonzero(out)[-1] == pytest.approx(100 + 12.0 * 60, abs=2)


def test_a_healthy_network_never_cuts_off(temperate: World) -> None:
    assert temperate.running.all()


def test_reports_arrive_after_they_were_made_late_twice_and_out_of_order(temperate: World) -> None:
    reports = temperate.reports
    assert (reports.arrived_at > reports.observed_at).all()
    mine = reports.take(reports.station == 0)
    in_order = mine.take(np.argsort(mine.arrived_at, kind="stable")).observed_at
    assert (np.diff(in_order) < 0).any()
    assert len(np.unique(mine.observed_at)) < len(mine)
    assert (mine.arrived_at - mine.observed_at > HOUR).any()


def test_running_counts_hold_the_tips_over_resets_and_wraps(temperate: World) -> None:
    for position, site in enumerate(temperate.sites):
        if site.source != 1:
            continue
        mine = temperate.reports.take(temperate.reports.station == position)
        _, first = np.unique(mine.ended_at, return_index=True)
        mine = mine.take(first)
        steps, mm = np.diff(mine.rain), mine.mm[1:]
        grown = steps > 0
        alone = np.diff(mine.ended_at) == 60 * site.every_minutes
        np.testing.assert_allclose(steps[grown & alone] * site.tip_mm, mm[grown & alone])
        assert mine.rain.max() < COUNTER_WRAPS


def test_faults_do_to_the_reports_what_they_say(faulty: World) -> None:
    assert {"stop", "modem", "source outage"} <= {fault.kind for fault in faulty.faults}
    for fault in faulty.faults:
        rows = faulty.reports.take(np.isin(faulty.reports.station, fault.stations))
        inside = (rows.ended_at > fault.begins) & (rows.ended_at <= fault.ends)
        if fault.kind in ("stop", "theft", "plan end"):
            assert not inside.any()
        elif fault.kind == "modem":
            assert (rows.arrived_at[inside] >= fault.ends).all()
        elif fault.kind == "source outage":
            assert not ((rows.arrived_at >= fault.begins) & (rows.arrived_at < fault.ends)).any()


def test_overlapping_faults_are_of_different_kinds_of_trouble(faulty: World) -> None:
    alone = [fault for fault in faulty.faults if len(fault.stations) == 1]
    both = [
        (one, other)
        for one in alone
        for other in alone
        if one is not other and one.stations == other.stations and one.begins <= other.begins < one.ends
    ]
    assert both
    assert all(one.kind != other.kind for one, other in both)


def test_a_silence_is_knowable_after_three_transmissions_and_a_clog_only_after_rain(faulty: World) -> None:
    for fault, episode in zip(faulty.faults, oracle.episodes(faulty), strict=True):
        if episode.knowable == NEVER:
            continue
        if fault.kind == "stop":
            every = 60 * faulty.sites[fault.stations[0]].every_minutes
            assert episode.knowable >= fault.begins + 2 * every
        if fault.kind == "clog":
            minutes = slice(faulty.minute(fault.begins), faulty.minute(episode.knowable))
            assert faulty.fall[minutes].sum(axis=0).max() / 60.0 >= 10.0


def test_a_shared_silence_is_not_knowable_from_stations_that_were_silent_before() -> None:
    world = build(Order(12, "desert", 6, 8.0, 20, 0.0))
    silent = Fault("stop", (2,), world.scored + DAY, world.scored + 5 * DAY, 0.0)
    rows = world.reports
    gone = (rows.station == 2) & (rows.ended_at > silent.begins) & (rows.ended_at <= silent.ends)
    world = _with(world, rows.take(~gone), (silent,))
    (known,) = [episode.knowable for episode in oracle.episodes(world)]
    assert silent.begins < known < silent.begins + DAY // 4
    later = Fault("plan end", (2,), silent.begins + DAY, silent.begins + 2 * DAY, 0.0)
    assert oracle.episodes(_with(world, world.reports, (later,)))[0].knowable == NEVER


@pytest.mark.parametrize(
    ("tips", "minutes_before", "known"), [(0, 0, True), (1, 0, True), (2, 30, False), (2, 90, True)]
)
def test_poured_water_is_knowable_only_beside_gauges_that_should_be_dry(
    tips: int, minutes_before: int, known: bool
) -> None:
    world = build(Order(12, "desert", 6, 8.0, 20, 0.0))
    station = next(place for place, site in enumerate(world.sites) if site.every_minutes <= 15)
    begins = world.scored + 5 * DAY
    poured = Fault("poured", (station,), begins, begins + 2 * HOUR, 40.0)
    sound = np.zeros_like(world.sound_tips)
    sound[world.minute(begins - 60 * minutes_before), station - 1] = tips
    (episode,) = oracle.episodes(replace(world, sound_tips=sound, faults=(poured,)))
    assert (episode.knowable != NEVER) == known


def _with(world: World, reports: object, faults: tuple[Fault, ...]) -> World:
    return replace(world, reports=reports, faults=faults)  # type: ignore[arg-type]


def test_a_crossing_is_known_when_the_reading_that_reaches_it_arrives() -> None:
    world = build(Order(13, "desert", 1, 8.0, 2, 0.0))
    every = 60 * world.sites[0].every_minutes
    at = world.scored + HOUR + every * np.arange(1, 5)
    rows = world.reports.take(np.arange(4))
    rows = replace(
        rows,
        station=np.zeros(4, int),
        ended_at=at,
        observed_at=at,
        arrived_at=at + np.array([60, 900, 60, 60]),
        mm=np.array([5.0, 5.0, 0.0, 0.0]),
        doubtful=np.zeros(4, bool),
    )
    limit = Limit(10.0, 2 * world.sites[0].every_minutes, 2)
    assert oracle.crossings(_with(world, rows, ()), [limit]) == (
        Crossing("s00", int(at[1]) + 900, 2, doubtful=False, until=int(at[1]) + 900),
    )
    assert not oracle.crossings(_with(world, rows, ()), [replace(limit, mm=10.1)])
    history = replace(rows, arrived_at=at + 2 * HOUR)
    assert not oracle.crossings(_with(world, history, ()), [limit])


# --- the scorer, by hand ---


def thread(number: int, check: str, opened: int, *stations: str, weekly: bool = False) -> Thread:
    return Thread(number, check, check, frozenset(stations), opened, weekly, ((opened, 1),), opened + HOUR, 1, "")


def clog(knowable: int = NOON + 5 * DAY, station: str = "a") -> Episode:
    return Episode("clog", (station,), NOON, NOON + 30 * DAY, knowable, knowable + DAY)


def test_one_hit_its_delay_and_a_second_thread_that_only_repeats_it() -> None:
    threads = [thread(1, "dry-among-wet", NOON + 6 * DAY, "a"), thread(2, "dry-among-wet", NOON + 9 * DAY, "a")]
    result = score.score("w", 30.0, threads, [clog()])
    tally = result.kinds["clog"]
    assert (tally.episodes, tally.detected, tally.in_time, tally.duplicates) == (1, 1, 1, 1)
    assert tally.latency_s == [DAY]
    assert not result.false
    assert not result.missed


@pytest.mark.parametrize(
    "wrong",
    [
        thread(1, "dry-among-wet", NOON + 6 * DAY, "b"),
        thread(1, "battery-decline", NOON + 6 * DAY, "a"),
        thread(1, "dry-among-wet", NOON - HOUR, "a"),
        thread(1, "dry-among-wet", NOON + 31 * DAY + HOUR, "a"),
    ],
    ids=["another station", "another trouble", "before it began", "after its grace"],
)
def test_what_fits_nothing_is_false_and_the_episode_missed(wrong: Thread) -> None:
    result = score.score("w", 30.0, [wrong], [clog()])
    assert result.false == [wrong]
    assert len(result.missed) == 1


def test_a_thread_on_what_nobody_could_know_is_neither_right_nor_wrong() -> None:
    result = score.score("w", 30.0, [thread(1, "dry-among-wet", NOON + DAY, "a")], [clog(NEVER)])
    tally = result.kinds["clog"]
    assert (tally.episodes, tally.detected, tally.neutral) == (0, 0, 1)
    assert not result.false


def test_a_consequence_told_beside_its_cause_is_a_duplicate_and_neutral_without() -> None:
    follows = thread(2, "undercatch", NOON + 8 * DAY, "a")
    alone = score.score("w", 30.0, [follows], [clog()])
    both = score.score("w", 30.0, [thread(1, "dry-among-wet", NOON + 6 * DAY, "a"), follows], [clog()])
    assert (alone.kinds["clog"].neutral, alone.kinds["clog"].duplicates, len(alone.missed)) == (1, 0, 1)
    assert (both.kinds["clog"].neutral, both.kinds["clog"].duplicates, len(both.missed)) == (0, 1, 0)


def test_two_threads_on_two_faults_of_one_kind_are_a_hit_each() -> None:
    older, newer = clog(), replace(clog(), begins=NOON + DAY)
    threads = [thread(n, "dry-among-wet", NOON + 6 * DAY + n, "a") for n in (1, 2)]
    tally = score.score("w", 30.0, threads, [older, newer]).kinds["clog"]
    assert (tally.detected, tally.duplicates) == (2, 0)


def test_a_fault_inside_another_that_the_same_check_has_told_is_not_counted() -> None:
    long = Episode("spurious", ("a",), NOON, NOON + 10 * DAY, NOON + DAY, NOON + 3 * DAY)
    inside = Episode("spike", ("a",), NOON + 5 * DAY, NOON + 5 * DAY + HOUR, NOON + 5 * DAY, NOON + 6 * DAY)
    after = replace(inside, begins=NOON + 20 * DAY, knowable=NOON + 20 * DAY, due=NOON + 21 * DAY)
    result = score.score("w", 30.0, [thread(1, "doubtful-rain", NOON + 2 * DAY, "a")], [long, inside, after])
    assert (result.kinds["spike"].episodes, result.kinds["spike"].covered) == (1, 1)
    assert result.missed == [after]


def test_a_station_silent_again_within_a_day_is_told_by_the_same_alarm() -> None:
    """What the alarm of the first silence says again is the notice of the second, no second notice of the first."""
    first = Episode("stop", ("a",), NOON, NOON + 5 * HOUR, NOON + HOUR, NOON + 2 * HOUR)
    second = Episode("stop", ("a",), NOON + 30 * HOUR, NOON + 2 * DAY, NOON + 31 * HOUR, NOON + 32 * HOUR)
    once = thread(1, "overdue", NOON + HOUR, "a")
    again = replace(once, levels=(*once.levels, (NOON + 31 * HOUR, 1)))
    for told, detected in ((once, 1), (again, 2)):
        result = score.score("world", 1.0, [told], [first, second])
        assert (result.kinds["stop"].detected, result.kinds["stop"].duplicates) == (detected, 0)
        assert len(result.missed) == 2 - detected


def test_an_outage_told_as_one_thread_is_one_hit_and_told_by_station_the_rest_are_duplicates() -> None:
    outage = Episode("mast outage", ("a", "b", "c"), NOON, NOON + DAY, NOON + HOUR, NOON + 2 * HOUR)
    once = score.score("w", 30.0, [thread(1, "overdue", NOON + HOUR, "a", "b", "c")], [outage])
    thrice = score.score("w", 30.0, [thread(n, "overdue", NOON + HOUR, s) for n, s in enumerate("abc", 1)], [outage])
    assert once.kinds["mast outage"].duplicates == 0
    assert (thrice.kinds["mast outage"].detected, thrice.kinds["mast outage"].duplicates) == (1, 2)


def test_a_battery_told_after_it_cut_off_is_missed_and_before_it_leads() -> None:
    episode = Episode(
        "shading", ("a",), NOON, NOON + 40 * DAY, NOON + 5 * DAY, NOON + 30 * DAY, NOON + 30 * DAY, NOON + 5 * DAY
    )
    early = score.score("w", 30.0, [thread(1, "battery-decline", NOON + 20 * DAY, "a")], [episode])
    late = score.score("w", 30.0, [thread(1, "battery-decline", NOON + 31 * DAY, "a")], [episode])
    assert early.kinds["shading"].lead_s == [10 * DAY]
    assert early.kinds["shading"].allowed_s == [25 * DAY]
    assert late.missed == [episode]


def test_heavy_rain_counts_when_told_at_its_level_in_the_cycle_it_arrived() -> None:
    crossing = Crossing("a", NOON, 2, doubtful=False, until=NOON)

    def storm(opened: int, rank: int) -> Thread:
        return Thread(
            1, "heavy-rain", "heavy-rain", frozenset("a"), opened, False, ((opened, rank),), opened + HOUR, 1, ""
        )

    def counts(*storms: Thread) -> tuple[int, int, int]:
        result = score.score("w", 30.0, storms, [], [crossing])
        return result.crossings_told, result.crossings_in_cycle, result.storms_false

    assert counts(storm(NOON + 600, 2)) == (1, 1, 0)
    assert counts(storm(NOON + 1800, 2)) == (1, 0, 0)
    assert counts(storm(NOON + 600, 1)) == (0, 0, 0)
    assert counts(storm(NOON - 5 * HOUR, 3)) == (0, 0, 1)
    assert counts() == (0, 0, 0)


def test_rain_that_somebody_made_is_doubtful_and_in_a_booked_visit_false() -> None:
    told = thread(1, "heavy-rain", NOON + 600, "a")
    doubtful = score.score("w", 30.0, [told], [], [Crossing("a", NOON, 1, doubtful=True, until=NOON)])
    assert (doubtful.storms_doubtful, doubtful.storms_false, doubtful.crossings) == (1, 0, 0)
    assert score.score("w", 30.0, [told], []).storms_false == 1


def test_lines_become_threads_by_their_number() -> None:
    def line(alarm: int | None, event: str, check: str, when: str = "by day") -> dict[str, object]:
        return {
            "alarm": alarm, "event": event, "rule": check, "check": check, "stations": ["a"], "severity": "severe",
            "when": when, "text": event,
        }  # fmt: skip

    lines = [
        line(1, "raised", "overdue"), line(None, "told", "digest"), line(1, "updated", "overdue"),
        line(2, "returned", "overdue"), line(3, "raised", "undercatch", "weekly"), line(4, "raised", "due-dates"),
        line(5, "raised", "battery-decline", "weekly") | {"stations": []},
    ]  # fmt: skip
    found = threads_of(lines, {place: NOON + place for place in range(len(lines))})
    assert [(one.number, one.lines, one.weekly) for one in found] == [(1, 2, False), (3, 1, True)]
    assert found[0].levels == ((NOON, 2), (NOON + 2, 2))


@settings(deadline=None)
@given(st.integers(0, 400), st.integers(1, 400))
def test_the_lower_bound_is_clopper_and_pearsons(detected: int, episodes: int) -> None:
    detected = min(detected, episodes)
    exact = stats.beta.ppf(0.05, detected, episodes - detected + 1) if detected else 0.0
    assert at_least(detected, episodes) == pytest.approx(exact, abs=1e-6)


@given(st.integers(0, 200), st.floats(1.0, 1e4))
def test_the_upper_bound_of_a_rate_is_garwoods(count: int, exposure: float) -> None:
    assert at_most(count, exposure) == pytest.approx(stats.chi2.ppf(0.95, 2 * count + 2) / 2.0 / exposure, rel=1e-6)


def test_the_worst_tenth_is_the_mean_of_the_largest() -> None:
    value, low, high = worst_tenth([0.0] * 18 + [1.0, 3.0])
    assert value == 2.0
    assert low <= value <= high


def test_every_kind_of_fault_has_a_check_that_may_name_it() -> None:
    assert set(score.NAMES) == set(ALL_KINDS)


def test_lost_reports_are_few_and_most_come_later() -> None:
    made = NOON + 300 * np.arange(20_000)
    arrived = radio.journey(np.random.default_rng(1), made, 300)
    assert 0.0 < (arrived == radio.NEVER).mean() < 0.01


def test_the_real_program_tells_of_a_station_that_stops() -> None:
    world = build(Order(1010, "desert", 4, 6.0, 3, 1.0, ("stop",)))
    stopped = {site for fault in world.faults for site in (world.sites[fault.stations[0]].id,)}
    lines = running.told(world, ("overdue",))
    assert stopped
    assert {line["station"] for line in lines if line["event"] == "raised"} & stopped

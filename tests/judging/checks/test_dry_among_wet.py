"""Dry among wet: honest zeros are left alone, dead gauges are found, and what can't be seen is said so."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as effort
from hypothesis import strategies as st

from tests.helpers import moment, stations_at, table_of, view_of
from watchman.judging.checks import dry_among_wet
from watchman.judging.science.neighbours import CAUTIOUS, HonestZeros
from watchman.judging.view import Findings, View
from watchman.model import RAIN, TEMPERATURE, Verdict
from watchman.readings.cleaning import Held

HOUR, DAY = 3600, 86400
BEGIN = moment("2025-06-01T00:00Z")
DAYS = 12
TIMES = BEGIN + HOUR * np.arange(1, DAYS * 24 + 1)
NOW = BEGIN + DAYS * DAY + 7 * HOUR
PLACES = ((0.0, 0.0), (6.0, 0.0), (0.0, 6.0), (7.0, 7.0), (-6.0, 2.0))
SILENT, WITNESS = 0, 1
LENIENT = dry_among_wet.Settings(limit_odds=20)
ANSWER = {Verdict.PRESENT: "present", Verdict.ABSENT: "absent", Verdict.UNDETERMINED: "undetermined"}


def showers(days: tuple[int, ...], mm: float = 12.0, hour: int = 14) -> np.ndarray:
    """Return hourly rain [mm] of the five stations: on these days mm in two hours everywhere, and on day 1 as well."""
    rain = np.zeros((len(TIMES), len(PLACES)))
    rain[24 + 10, :] = 5.0
    for day in days:
        rain[day * 24 + hour : day * 24 + hour + 2, :] = mm / 2
    return rain


def clogged(days: tuple[int, ...] = (4, 7, 9), mm: float = 12.0) -> np.ndarray:
    """Return such rain with the first gauge dead since day 2."""
    rain = showers(days, mm)
    rain[48:, SILENT] = 0.0
    return rain


def judged(
    rain: np.ndarray,
    *,
    now: int = NOW,
    temperature: np.ndarray | None = None,
    places: tuple[tuple[float, float], ...] = PLACES,
    settings: dry_among_wet.Settings | None = None,
    begin: int = BEGIN,
    **columns: Any,
) -> tuple[View, Findings]:
    tables = {RAIN: rain} if temperature is None else {RAIN: rain, TEMPERATURE: temperature}
    view = view_of(stations_at(places, **columns), now, TIMES - BEGIN + begin, tables)
    return view, dry_among_wet.judge(view, settings or dry_among_wet.Settings())


def verdict(rain: np.ndarray, **more: Any) -> str:
    """Return the first gauge's verdict in words."""
    return ANSWER[Verdict(judged(rain, **more)[1].verdict[SILENT])]


def test_a_gauge_dry_through_three_storms_is_told_alone() -> None:
    """0.021 a storm, the second and third raised a little; wet gauges are fine; its last rain is known to the hour."""
    _, findings = judged(clogged())
    assert findings.verdict.tolist() == [Verdict.PRESENT] + [Verdict.ABSENT] * 4
    again, once_more = 0.021 * 21 / 20.021, 0.021 * 22 / 20.042
    assert findings.numbers["odds"][SILENT] == pytest.approx(1 / (0.021 * again * once_more))
    assert findings.since[SILENT] == BEGIN + DAY + 11 * HOUR


def test_one_storm_is_never_enough() -> None:
    """However wet the witness, a single spell may have missed the gauge."""
    rain = clogged((4,), 60.0)
    view, findings = judged(rain, settings=dry_among_wet.Settings(limit_odds=20))
    assert findings.numbers["odds"][SILENT] > 200
    assert findings.verdict[SILENT] == Verdict.ABSENT
    assert len(findings.present()) == 0
    assert view.now == NOW


def test_the_limit_is_reached_exactly_at_the_odds() -> None:
    """Two storms of 0.021 make 1 in 2161.9: told at a limit of 2161, not at 2163."""
    rain = clogged((4, 7))
    assert verdict(rain, settings=dry_among_wet.Settings(limit_odds=2161)) == "present"
    assert verdict(rain, settings=dry_among_wet.Settings(limit_odds=2163)) == "absent"


def test_rain_over_midnight_is_one_spell() -> None:
    """Rain from 22 to 2 h is one storm on two days, and counts once."""
    rain = showers(())
    rain[4 * 24 + 22 : 5 * 24 + 2, :] = 6.0
    rain[48:, SILENT] = 0.0
    _, findings = judged(rain)
    assert findings.numbers["spells"][SILENT] == 1
    assert findings.numbers["odds"][SILENT] == pytest.approx(1 / 0.021)


def test_somebodys_word_ends_the_evidence() -> None:
    """Said on the day after the second storm not to be a fault, it is judged from the day after that alone: the third
    storm is one, and not enough; a fourth and fifth are told, as dry since the answer at the earliest.
    """
    said = BEGIN + 8 * DAY + 9 * HOUR
    settings = dry_among_wet.Settings()
    for days, told in (((4, 7, 9), Verdict.ABSENT), ((4, 7, 9, 10, 11), Verdict.PRESENT)):
        view, _ = judged(clogged(days))
        view = replace(view, cleared={("dry-among-wet", "station:S0"): said})
        findings = dry_among_wet.judge(view, settings)
        assert findings.verdict.tolist() == [told] + [Verdict.ABSENT] * 4
    assert findings.since[SILENT] >= said
    shown = dry_among_wet.evidence(view, settings, findings, SILENT)
    assert [day["day"] for day in shown["days"]] == ["2025-06-10", "2025-06-11", "2025-06-12"]
    others = replace(view, cleared={("dry-among-wet", "station:S1"): said, ("overdue", "station:S0"): said})
    assert dry_among_wet.judge(others, settings).numbers["spells"][SILENT] == 5


def test_own_rain_ends_the_evidence() -> None:
    """After a real shower of its own a gauge starts again from nothing."""
    rain = clogged((4, 7, 9))
    rain[8 * 24 + 5, SILENT] = 0.6
    assert verdict(rain) == "absent"


@pytest.mark.parametrize(("day", "told"), [(8, "present"), (7, "present")])
def test_a_lone_tip_is_dew_on_dry_days_and_seeps_on_wet_ones(day: int, told: str) -> None:
    """A single tip in a dry day, or beside 12 mm, doesn't end the evidence of the other storms."""
    rain = clogged((4, 7, 9))
    rain[day * 24 + 5, SILENT] = 0.2
    assert verdict(rain) == told


def test_a_visitors_tips_end_the_evidence_and_it_starts_again() -> None:
    """After test tips nobody knows how the gauge was left: three storms before a visit say nothing about today."""
    rain = clogged()
    before, _ = judged(rain)
    assert dry_among_wet.judge(before, dry_among_wet.Settings()).verdict[SILENT] == Verdict.PRESENT

    visit = BEGIN + 10 * DAY + 9 * HOUR
    rain[visit + HOUR == TIMES, SILENT] = 10.0
    seen, _ = judged(rain)
    held = Held.of([(SILENT, visit, visit + 2 * HOUR)])
    seen.record.decide(held, [(SILENT, visit, visit + 2 * HOUR)], lambda _b, _e, _s: table_of(TIMES, {RAIN: rain}))
    assert dry_among_wet.judge(seen, dry_among_wet.Settings()).verdict[SILENT] == Verdict.ABSENT


def test_a_lone_tip_beside_little_rain_is_rain() -> None:
    """0.2 mm beside 1.8 mm is a gauge that works."""
    rain = clogged((4, 7))
    rain[9 * 24 + 14, :] = 1.8
    rain[9 * 24 + 14, SILENT] = 0.2
    assert verdict(rain) == "absent"


def test_only_hours_in_which_both_delivered_count() -> None:
    """Storms that fell while the gauge was silent, or while it delivered nothing of that day, are no evidence."""
    rain = clogged()
    for day in (4, 7, 9):
        rain[day * 24 + 12 : day * 24 + 18, SILENT] = np.nan
    _, findings = judged(rain)
    assert findings.numbers["odds"][SILENT] == 1.0


def test_a_gap_outside_the_storm_takes_nothing_away() -> None:
    """A gauge that missed the night still was dry in the afternoon's storm."""
    rain = clogged()
    rain[4 * 24 : 4 * 24 + 6, SILENT] = np.nan
    rain[7 * 24 : 7 * 24 + 6, WITNESS] = np.nan
    assert verdict(rain) == "present"


def test_rain_is_weighed_six_hours_after_it_fell() -> None:
    """The second storm of the day now running counts after six hours, not before."""
    rain = clogged((4, 10))
    ended = BEGIN + 10 * DAY + 16 * HOUR
    assert verdict(rain, now=ended + 4 * HOUR) == "absent"
    assert verdict(rain, now=ended + 6 * HOUR) == "present"


def test_a_lone_wet_gauge_is_no_witness() -> None:
    """Water poured into one neighbour while the others stay dry accuses nobody."""
    rain = clogged()
    rain[48:, 2:] = 0.0
    _, findings = judged(rain)
    assert findings.verdict.tolist() == [Verdict.ABSENT] * 5


def test_a_witness_is_believed_up_to_five_times_its_neighbours() -> None:
    """300 mm beside neighbours with 1 mm is taken for 5 mm."""
    rain = clogged((4, 7), 1.0)
    rain[[4 * 24 + 14, 7 * 24 + 14], WITNESS] = 300.0
    view, findings = judged(rain)
    days = dry_among_wet.evidence(view, dry_among_wet.Settings(), findings, SILENT)["days"]
    assert [day["mm"] for day in days] == [5.0, 5.0]


def test_without_a_gauge_within_30_km_it_says_so() -> None:
    """A lonely gauge is undetermined, with the reason; so is one whose only neighbour stands alone beside it."""
    rain = clogged()
    _, far = judged(rain, places=((0.0, 0.0), (31.0, 0.0), (31.0, 5.0), (36.0, 0.0), (40.0, 0.0)))
    assert (far.verdict[SILENT], far.reason[SILENT]) == (Verdict.UNDETERMINED, "no gauge within 30 km")
    _, pair = judged(rain, places=((0.0, 0.0), (6.0, 0.0), (50.0, 0.0), (50.0, 5.0), (50.0, 9.0)))
    assert pair.verdict[SILENT] == Verdict.UNDETERMINED
    assert "confirm" in pair.reason[SILENT]


def test_two_dead_gauges_side_by_side_are_both_found() -> None:
    """A dead neighbour neither accuses nor protects."""
    rain = clogged()
    rain[48:, 2] = 0.0
    _, findings = judged(rain)
    assert findings.present().tolist() == [0, 2]


def test_frozen_is_cannot_see() -> None:
    """Storms at 1 degC are no evidence, and the gauge is undetermined; at 3 degC they are."""
    cold = np.full((len(TIMES), len(PLACES)), 1.0)
    assert verdict(clogged(), temperature=cold) == "undetermined"
    assert verdict(clogged(), temperature=cold + 2.0) == "present"


def test_cold_nights_do_not_blind_a_gauge_in_afternoon_storms() -> None:
    """What counts at the gauge itself is the temperature while the witness, which is mild all day, was wet."""
    temperature = np.full((len(TIMES), len(PLACES)), 8.0)
    temperature[:, SILENT] = np.tile(np.where(np.arange(24) < 9, -3.0, 8.0), DAYS)
    assert verdict(clogged(), temperature=temperature) == "present"
    temperature[:, SILENT] *= -1.0
    assert verdict(clogged(), temperature=temperature) == "undetermined"


def thaw(days: tuple[int, ...] = (4, 7, 9), hours: int = 9) -> tuple[np.ndarray, np.ndarray]:
    """Return rain of 1 mm in so many hours from 9 h on at all gauges but the first, as a thaw gives it, and the air: at
    -1 degC from 0 to 8 h on these days at all but the first, else at 8 degC.
    """
    rain, temperature = np.zeros((len(TIMES), len(PLACES))), np.full((len(TIMES), len(PLACES)), 8.0)
    rain[24 + 10, :] = 5.0
    for day in days:
        rain[day * 24 + 9 : day * 24 + 9 + hours, 1:] = 1.0
        temperature[day * 24 : day * 24 + 8, 1:] = -1.0
    return rain, temperature


def test_tips_of_a_thaw_accuse_nobody() -> None:
    """9 mm in as many hours after a night of frost may be melt; in one hour they can't."""
    rain, temperature = thaw()
    assert verdict(rain, temperature=temperature, settings=LENIENT) == "undetermined"
    for day in (4, 7, 9):
        rain[day * 24 + 9, 1:] = 9.0
        rain[day * 24 + 10 : day * 24 + 18, 1:] = 0.0
    assert verdict(rain, temperature=temperature, settings=LENIENT) == "present"


def test_no_snow_lies_after_a_night_in_which_all_warmer_gauges_were_dry() -> None:
    """Two mild gauges beyond the witness that had nothing that night say so, with the one in question; one does not."""
    rain, temperature = thaw()
    for mild, told in ((1, "undetermined"), (2, "present")):
        places = (*PLACES, *((34.0, float(place)) for place in range(mild)))
        more = np.concatenate([rain, rain[:, [WITNESS] * mild]], axis=1)
        air = np.concatenate([temperature, np.full((len(TIMES), mild), 8.0)], axis=1)
        assert verdict(more, temperature=air, places=places, settings=LENIENT) == told


def test_a_witness_near_freezing_while_it_is_wet_may_be_thawing() -> None:
    """1.5 degC in the witnesses' wet hours is sleet, in a dry one it is nothing; a mild gauge below isn't accused."""
    for hours, told in (((14, 15), "undetermined"), ((12, 13), "present")):
        temperature = np.full((len(TIMES), len(PLACES)), 8.0)
        for hour in hours:
            temperature[hour::24, 1:] = 1.5
        assert verdict(clogged(), temperature=temperature) == told


def test_when_hours_are_no_longer_held_the_days_mean_shows_a_thaw() -> None:
    """40 days later: neighbours with 3.9 degC in the mean on the days before the storms were thawing, with 4.1 not."""
    for mean_c, least, most in ((3.9, 1.0, 1.0), (4.1, 1000.0, np.inf)):
        temperature = np.full((len(TIMES), len(PLACES)), 8.0)
        for day in (3, 6, 8):
            temperature[day * 24 : (day + 1) * 24, 1:] = mean_c
        view, _ = judged(clogged(), temperature=temperature)
        view.record.advance(NOW + 40 * DAY)
        daily = view.record.daily
        daily.total[TEMPERATURE, daily.head], daily.count[TEMPERATURE, daily.head] = 8.0, 1  # they still send
        settings = dry_among_wet.Settings(frost_months=())
        later = dry_among_wet.judge(replace(view, now=NOW + 40 * DAY), settings)
        assert least <= later.numbers["odds"][SILENT] <= most


def test_without_a_thermometer_rain_of_the_frost_months_may_be_melt() -> None:
    """All of it in January, none in June."""
    for month, told in (("2025-01", True), ("2025-06", False)):
        begin = moment(f"{month}-01T00:00Z")
        view, _ = judged(clogged(), now=NOW - BEGIN + begin, begin=begin)
        melt = dry_among_wet._thaw_um(
            view, dry_among_wet.Settings(), 0, view.stations.neighbours, dry_among_wet._Melt(view)
        )
        assert (melt > 0).any() == told


def test_a_thermometer_far_below_shows_a_thaw_by_height() -> None:
    """5 degC at a thermometer 500 m below the wet gauges is 1.75 degC there, 450 m below 2.1."""
    temperature = np.full((len(TIMES), len(PLACES)), np.nan)
    temperature[:, SILENT] = 5.0
    for height, told in ((500.0, "undetermined"), (450.0, "present")):
        elevation_m = np.array([0.0, height, height, height, height])
        assert verdict(clogged(), temperature=temperature, elevation_m=elevation_m) == told


def test_a_little_rain_of_its_own_is_likelier_than_none() -> None:
    """0.2 mm beside 12 mm is 0.021 as a zero is; 0.4 mm is three times as likely, so two such storms say too little."""
    rain = clogged((4, 7))
    for mm, odds in ((0.2, 1 / (0.021 * 0.021 * 21 / 20.021)), (0.4, 1 / (0.063 * 0.063 * 21 / 20.063))):
        rain[[4 * 24 + 14, 7 * 24 + 14], SILENT] = mm
        _, findings = judged(rain)
        assert findings.numbers["odds"][SILENT] == pytest.approx(odds)
    assert findings.verdict[SILENT] == Verdict.ABSENT


def test_a_neighbours_temperature_is_corrected_for_height() -> None:
    """With 7 degC at a thermometer 1000 m below, the gauge is at 0.5 degC and frozen; 500 m below it isn't."""
    warm = np.full((len(TIMES), len(PLACES)), np.nan)
    warm[:, WITNESS] = 7.0
    for height, told in ((1000.0, "undetermined"), (500.0, "present")):
        elevation_m = np.array([height, 0.0, 0.0, 0.0, 0.0])
        assert verdict(clogged(), temperature=warm, elevation_m=elevation_m) == told


@pytest.mark.parametrize(
    ("month", "frost_months", "told"),
    [
        ("2025-01", None, "undetermined"),
        ("2025-06", None, "present"),
        ("2025-01", (), "present"),
        ("2025-06", (6,), "undetermined"),
    ],
)
def test_without_a_thermometer_the_frost_months_are_not_judged(
    month: str, frost_months: tuple[int, ...] | None, told: str
) -> None:
    """November to March in the north unless written otherwise; an empty list is judged all year."""
    begin = moment(f"{month}-01T00:00Z")
    settings = dry_among_wet.Settings(frost_months=frost_months)
    assert verdict(clogged(), now=NOW - BEGIN + begin, begin=begin, settings=settings) == told


def test_frost_comes_half_a_year_later_in_the_south() -> None:
    """In June a southern gauge without a thermometer is not judged."""
    assert verdict(clogged(), latitude=np.full(5, -40.0)) == "undetermined"


def test_a_station_out_of_service_or_gone_is_undetermined() -> None:
    """While somebody works there, or when it has sent nothing for a day, nothing is said of it."""
    view, _ = judged(clogged())
    view.in_service[SILENT] = False
    assert dry_among_wet.judge(view, dry_among_wet.Settings()).reason[SILENT] == "out of service"
    rain = clogged()
    rain[-48:, SILENT] = np.nan
    assert verdict(rain) == "undetermined"


def test_evidence_is_a_table_of_days_fit_for_json() -> None:
    """Each day names its witness, distance, rain and chance; depths are rounded down."""
    rain = clogged((4, 7), 12.19)
    view, findings = judged(rain)
    evidence = dry_among_wet.evidence(view, dry_among_wet.Settings(), findings, SILENT)
    json.dumps(evidence, allow_nan=False)
    assert evidence["days"][0] == {
        "day": "2025-06-05",
        "own_mm": 0.0,
        "chance": 0.021,
        "witness": "S1",
        "km": 6.0,
        "mm": 12.1,
        "wet": 4,
        "gauges": 4,
    }
    assert (evidence["wet_days"], evidence["odds"], evidence["limit_odds"]) == (2, 2200.0, 1000.0)
    assert (evidence["spells"], evidence["spells_needed"], evidence["learned_days"]) == (2, 2, 0)
    assert evidence["dry_since"] == "2025-06-02T11:00:00Z"
    assert [witness["name"] for witness in evidence["witnesses"]] == ["S1", "S2", "S4", "S3"]
    assert (evidence["least_mm"], evidence["most_mm"], evidence["battery_v"]) == (12.1, 12.1, None)


def test_a_nearly_dead_gauge_is_as_good_as_dry() -> None:
    """0.8 mm beside 12 mm in each of three storms is a clog that leaks a little; 1.6 mm is a gauge that works."""
    rain = clogged()
    for day in (4, 7, 9):
        rain[day * 24 + 14, SILENT] = 0.8
    assert verdict(rain) == "present"
    rain[9 * 24 + 14, SILENT] = 1.6
    assert verdict(rain) == "absent"


def test_a_drains_slow_tips_do_not_end_the_evidence() -> None:
    """A clog that leaks 2 mm through the dry night after each storm is still one; the same at once is a shower."""
    rain = clogged()
    for day in (4, 7, 9):
        rain[day * 24 + 21 : day * 24 + 31, SILENT] = 0.2
    assert verdict(rain) == "present"
    rain[10 * 24 + 12, SILENT] = 2.0
    assert verdict(rain) == "absent"


def test_drizzle_on_all_gauges_is_rain_however_slow() -> None:
    """Slow tips while the neighbours have as much are the gauge's own rain."""
    rain = clogged()
    rain[10 * 24 + 2 : 10 * 24 + 12, :] = 0.2
    assert verdict(rain) == "absent"


def test_a_lone_shower_says_less_than_rain_everywhere() -> None:
    """With two of five gauges wet an honest zero is likelier than with all wet: three storms are not enough."""
    places = (*PLACES, (0.0, -9.0), (9.0, -2.0), (-9.0, -5.0), (12.0, 3.0))
    rain = np.concatenate([clogged(), clogged()[:, 1:]], axis=1)
    assert verdict(rain, places=places) == "present"
    rain[48:, 3:] = 0.0
    assert verdict(rain, places=places) == "absent"


def test_a_gauge_that_is_usually_drier_needs_more_evidence() -> None:
    """Twice as dry as the network's table has it, by its own past: two storms are not enough any more."""
    view, _ = judged(clogged((4, 7)))
    assert dry_among_wet.judge(view, dry_among_wet.Settings()).verdict[SILENT] == Verdict.PRESENT
    known = HonestZeros(1, 400, CAUTIOUS, np.full(5, 60.0), np.full(5, 20.0))
    seen = replace(view, honest_zeros=known)
    assert dry_among_wet.judge(seen, dry_among_wet.Settings()).verdict[SILENT] == Verdict.ABSENT


def test_what_the_network_learned_takes_the_tables_place() -> None:
    """Where honest gauges are dry beside such witnesses half the time, three storms accuse nobody."""
    view, _ = judged(clogged())
    often = HonestZeros(1, 400, np.full(CAUTIOUS.shape, 0.5), np.zeros(5), np.zeros(5))
    assert dry_among_wet.judge(replace(view, honest_zeros=often), dry_among_wet.Settings()).present().tolist() == []


def test_the_findings_outlive_the_cycle() -> None:
    """`numbers` hold the time of the first day, so that evidence is the same after the record has moved on."""
    view, findings = judged(clogged())
    before = dry_among_wet.evidence(view, dry_among_wet.Settings(), findings, SILENT)
    view.record.advance(NOW + 60 * DAY)
    after = dry_among_wet.evidence(replace(view, now=NOW), dry_among_wet.Settings(), findings, SILENT)
    assert after["days"] == before["days"]


def test_daily_readings_are_judged_and_days_in_a_row_are_one_spell() -> None:
    """With a reading a day at 9 h, rain on three days in a row may be one spell; three times apart are three."""
    begin = BEGIN + 9 * HOUR
    times = begin + DAY * np.arange(20)
    now = int(times[-1]) + 7 * HOUR
    for days, spells in (((5, 6, 7), 1), ((5, 9, 14), 3)):
        rain = np.zeros((20, len(PLACES)))
        rain[1] = 5.0
        rain[list(days), 1:] = 12.0
        findings = dry_among_wet.judge(view_of(stations_at(PLACES), now, times, {RAIN: rain}), dry_among_wet.Settings())
        assert findings.numbers["spells"][SILENT] == spells


@effort(max_examples=8, deadline=None)
@given(order=st.permutations(range(len(PLACES))))
def test_the_order_of_stations_does_not_matter(order: list[int]) -> None:
    """Whatever line of stations.csv a gauge stands on, it gets the same verdict."""
    _, straight = judged(clogged())
    _, mixed = judged(clogged()[:, order], places=tuple(PLACES[position] for position in order))
    assert mixed.verdict.tolist() == straight.verdict[order].tolist()
    assert mixed.numbers["odds"] == pytest.approx(straight.numbers["odds"][order])


def test_odds_stay_numbers_however_long_a_gauge_is_dead() -> None:
    """Half a year of wet days, each as unlikely as can be learned, makes odds that can be written down."""
    shape = (183, 1)
    no, nothing = np.zeros(shape, bool), np.zeros(1)
    _since, odds, spells, _blind = dry_among_wet._walk(no, np.full(shape, 0.002), no, no, nothing, nothing)
    assert spells.tolist() == [183]
    assert np.isfinite(odds).all()

"""Battery decline: weather accuses nobody, causes are told apart, days are told with an honest range."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from tests.judging.checks.dawns import BEGIN, DAY, DAYS, HOUR, NOW, ONE, PLACES, account, seen_by, sunny, volts
from watchman.judging.causes.batteries import batteries
from watchman.judging.checks import battery_decline, not_charging
from watchman.judging.checks.battery_decline import SIGNS
from watchman.judging.rule import Rule
from watchman.judging.science.battery import LEAD_ACID, LITHIUM, LITHIUM_IRON
from watchman.judging.view import Findings, View
from watchman.model import Matter, Verdict, When

SETTINGS = battery_decline.Settings()


def judged(hours: np.ndarray, **more: Any) -> tuple[View, Findings]:
    more.setdefault("warmth_c", np.full(hours.shape, 9.0))
    view = seen_by(hours, **more)
    return view, battery_decline.judge(view, SETTINGS)


def sign(findings: Findings, position: int = ONE) -> str:
    return SIGNS[int(findings.numbers["sign"][position])]


def left(findings: Findings, position: int = ONE) -> tuple[float, float, float]:
    low, middle, high = (float(findings.numbers[f"days_left{end}"][position]) for end in ("_low", "", "_high"))
    return low, middle, high


def cut_for(days: int, kind: str = LITHIUM) -> np.ndarray:
    """Return hourly volts of a network in which the first panel brings nothing for the last days."""
    gains = sunny()
    gains[-1 - days :, ONE] = 0.0
    return volts(account(gains), kind, 1.2 if kind == LEAD_ACID else 0.08)


def weather_matters(view: View, findings: Findings) -> list[Matter]:
    rule = Rule(name="battery-decline", check="battery-decline", when=When.BY_DAY, settings=SETTINGS)
    return batteries(rule, findings, view, {})


def test_a_steady_network_is_quiet() -> None:
    """Healthy batteries are absent, with many days left."""
    _, findings = judged(volts(account(sunny())))
    assert (findings.verdict == Verdict.ABSENT).all()
    assert (findings.numbers["days_left"] == battery_decline.MANY_DAYS).all()


def test_a_cut_panel_is_told_after_days_on_which_its_peers_fill() -> None:
    """It uses 0.08 a day; five days after the cut some 0.5 are left, 6 to 7 days: the range holds them."""
    _, findings = judged(cut_for(5))
    assert findings.present().tolist() == [ONE]
    assert sign(findings) == "cut"
    low, middle, high = left(findings)
    truth = (0.93 - 5 * 0.08 - 0.05) / 0.08
    assert low <= truth <= high
    assert middle == pytest.approx(truth, abs=2.5)
    assert findings.level[ONE] == 0
    # The dawn after its last full day.
    assert abs(findings.since[ONE] - (BEGIN + (DAYS - 6) * DAY + 6 * HOUR)) <= DAY


def test_a_panel_just_cut_is_not_told_on_the_first_day() -> None:
    """One dark day says nothing."""
    _, findings = judged(cut_for(1))
    assert len(findings.present()) == 0


def test_the_last_three_days_are_a_level_more() -> None:
    """Nine days after the cut it is urgent: the rise is worth an update."""
    _, findings = judged(cut_for(9))
    assert (sign(findings), findings.level[ONE]) == ("cut", 1)
    assert left(findings)[1] <= battery_decline.URGENT_DAYS


def test_a_panel_that_brings_too_little_is_shaded() -> None:
    """It brings three quarters of what the station uses while its peers fill: with weeks left, time to saw."""
    gains = sunny()
    gains[-10:, ONE] = 0.05
    _, findings = judged(volts(account(gains)))
    assert findings.present().tolist() == [ONE]
    assert sign(findings) == "shaded"
    assert 8 < left(findings)[1] <= 25


def worn(use_before: float, use_now: float, *last_gains: float) -> np.ndarray:
    """Return hourly volts of a network whose first battery fills, but uses more for ten days [share/half day] and had
    these gains on the last whole days.
    """
    use = np.full((DAYS, len(PLACES)), 0.04)
    use[:, ONE] = np.where(np.arange(DAYS) < DAYS - 11, use_before, use_now)
    gains = sunny()
    gains[:, ONE] = 0.5
    if last_gains:
        gains[-1 - len(last_gains) : -1, ONE] = last_gains
    return volts(account(gains, use))


def test_a_night_that_takes_more_is_ageing_once_dull_days_lower_it() -> None:
    """It sags twice as deep as weeks ago and five dull days take more than they bring: a worn cell that ends."""
    view, findings = judged(worn(0.05, 0.11, 0.18, 0.18, 0.18, 0.18, 0.18))
    assert findings.present().tolist() == [ONE]
    assert sign(findings) == "ageing"
    evidence = battery_decline.evidence(view, SETTINGS, findings, ONE)
    assert evidence["autonomy_days"] < 5 < evidence["autonomy_days_before"]


def test_a_worn_cell_that_the_sun_fills_every_day_sends_nobody() -> None:
    """It holds 4 days without sun, but its dawns are alike: 99 days left is no notice."""
    view, findings = judged(worn(0.05, 0.11))
    assert left(findings)[1:] == (battery_decline.MANY_DAYS, battery_decline.MANY_DAYS)
    assert battery_decline.evidence(view, SETTINGS, findings, ONE)["autonomy_days"] < SETTINGS.autonomy_days
    assert findings.verdict[ONE] == Verdict.ABSENT


def test_a_fall_that_is_not_sure_sends_nobody() -> None:
    """A worn cell and a few dull days: 20 days left, within the limit, but the range ends at 99."""
    view, findings = judged(worn(0.05, 0.11, 0.15, 0.15, 0.15))
    _, middle, high = left(findings)
    assert middle <= SETTINGS.shaded_days_left < battery_decline.MANY_DAYS == high
    assert battery_decline.evidence(view, SETTINGS, findings, ONE)["autonomy_days"] < SETTINGS.autonomy_days
    assert findings.verdict[ONE] != Verdict.PRESENT


def test_a_cell_that_still_holds_a_week_sends_nobody() -> None:
    """The night takes twice as much and it falls for sure, but full it lasts 8 days without sun; 28 or 21 are left."""
    longer = SETTINGS.model_copy(update={"autonomy_days": 10.0})
    for gain, days_left, told_if_longer in ((0.088, 28, []), (0.08, 21, [ONE])):
        view, findings = judged(worn(0.03, 0.0625, gain, gain, gain, gain))
        assert left(findings)[1] == pytest.approx(days_left, abs=1)
        assert left(findings)[2] < battery_decline.MANY_DAYS
        assert battery_decline.evidence(view, SETTINGS, findings, ONE)["autonomy_days"] == pytest.approx(8, abs=0.5)
        assert findings.verdict[ONE] == Verdict.ABSENT
        assert battery_decline.judge(view, longer).present().tolist() == told_if_longer


def test_a_cut_panel_with_weeks_left_waits_unless_it_is_seen_idle() -> None:
    """A frugal station, six days without gain: its account alone waits for 25 days left, volts flat by day do not."""
    gains, use = sunny(), np.full((DAYS, len(PLACES)), 0.04)
    use[:, ONE] = 0.015
    gains[-6:, ONE] = 0.0
    still_lifted = volts(account(gains, use))
    idle = still_lifted.copy()
    idle[-7 * 24 :] = np.where(np.arange(len(PLACES)) == ONE, volts(account(gains, use), bump_v=0.0), idle)[-7 * 24 :]
    _, waits = judged(still_lifted)
    assert waits.verdict[ONE] != Verdict.PRESENT
    view, told = judged(idle)
    assert not_charging.judge(view, not_charging.Settings()).present().tolist() == [ONE]
    assert sign(told) == "cut"
    assert left(told)[1] > SETTINGS.shaded_days_left


def test_longer_colder_nights_age_nobody() -> None:
    """When the nights of all take more, it is the season."""
    use = np.repeat(np.linspace(0.04, 0.15, DAYS)[:, None], len(PLACES), axis=1)
    _, findings = judged(volts(account(np.full((DAYS, len(PLACES)), 0.5), use)))
    assert len(findings.present()) == 0


def test_cloud_over_all_accuses_nobody_and_is_one_line() -> None:
    """All fall alike: one matter of the network for the digest, sorted by days left, and no station's."""
    gains = sunny()
    gains[-8:] = 0.02
    half_days = account(gains)
    half_days[:, 3] -= 0.1
    view, findings = judged(volts(half_days))
    assert len(findings.present()) == 0
    (weather,) = weather_matters(view, findings)
    assert (weather.key.scope, weather.verdict, weather.when) == ("network", Verdict.PRESENT, When.WEEKLY)
    days = [one["days_left"] for one in weather.numbers["batteries"]]
    assert weather.numbers["batteries"][0]["station"] == "S3"
    assert days == sorted(days)
    assert (weather.numbers["falling"], weather.numbers["cold"]) == (6, False)


def test_weather_that_ends_batteries_is_told_by_day_and_once() -> None:
    """All at their last few percent: the floor of each is part of the network's line, and that is urgent."""
    gains = sunny()
    gains[-12:] = 0.003
    view, findings = judged(volts(account(gains)))
    assert {sign(findings, position) for position in range(6)} == {"floor"}
    weather, *others = weather_matters(view, findings)
    assert (weather.when, weather.level) == (When.BY_DAY, 1)
    assert len(others) == 6
    assert all(other.part_of == weather.key for other in others)


def test_one_cold_night_accuses_nobody() -> None:
    """A single night's fall of one battery is no decline."""
    half_days = account(sunny())
    half_days[-2, ONE] = 0.6
    _, findings = judged(volts(half_days))
    assert len(findings.present()) == 0


def test_a_cell_locked_out_by_frost_is_no_fault() -> None:
    """High up it freezes and takes no charge while the valley fills; without frost the same volts are a cut panel."""
    warmth_c = np.full((DAYS * 24, len(PLACES)), 6.0)
    hours = cut_for(6)
    assert sign(judged(hours, warmth_c=warmth_c)[1]) == "cut"
    warmth_c[-8 * 24 :, ONE] = -5.0
    view, findings = judged(hours, warmth_c=warmth_c)
    assert len(findings.present()) == 0
    assert battery_decline.evidence(view, SETTINGS, findings, ONE)["frosty_days"] >= 6


def test_cold_months_without_a_thermometer_are_more_cautious() -> None:
    """In November at 40 degrees north it could be frost, until it ends within days."""
    assert judged(cut_for(3))[1].present().tolist() == [ONE]
    for days, present in ((3, []), (8, [ONE])):
        assert judged(cut_for(days), warmth_c=None)[1].present().tolist() == present


def test_under_the_floor_is_told_whatever_the_cause() -> None:
    """Alone, without peers or past."""
    hours = cut_for(11)[:, :1]
    hours[: (DAYS - 8) * 24] = np.nan
    _, findings = judged(hours)
    assert sign(findings) == "floor"
    assert findings.level[ONE] == 1


def test_dying_at_night_is_told_on_the_second_night() -> None:
    """Silent from 2 to 9 and back by day near the cut-off; one such night, or one with good volts, is not it."""
    hours = cut_for(11)
    night = np.arange(2, 9)
    hours[-24 * 3 :, ONE] = 3.34
    for day in (DAYS - 1, DAYS - 2):
        hours[day * 24 + night, ONE] = np.nan
    now = BEGIN + (DAYS - 1) * DAY + 13 * HOUR
    view, findings = judged(hours, now=now)
    assert sign(findings) == "dies at night"
    assert battery_decline.evidence(view, SETTINGS, findings, ONE)["hours_lost"] == 14
    once = hours.copy()
    once[(DAYS - 2) * 24 + night, ONE] = 3.34
    assert sign(judged(once, now=now)[1]) != "dies at night"
    good = np.where(np.isnan(hours), np.nan, np.maximum(hours, 3.9))
    assert sign(judged(good, now=now)[1]) != "dies at night"


def test_flat_curve_cells_name_no_days() -> None:
    """What iron phosphate volts don't tell isn't told; only the floor is."""
    _, findings = judged(cut_for(5, LITHIUM_IRON), chemistry=(LITHIUM_IRON,) * 6)
    assert len(findings.present()) == 0
    assert np.isnan(findings.numbers["days_left"]).all()
    hours = cut_for(5, LITHIUM_IRON)
    hours[-48:, ONE] = 3.08
    assert sign(judged(hours, chemistry=(LITHIUM_IRON,) * 6)[1]) == "floor"


def test_lead_acid_declines_in_charge_too() -> None:
    """A 12 V battery is judged by its own table, also when nobody wrote its chemistry."""
    for chemistry in ((LEAD_ACID,) * 6, ("",) * 6):
        _, findings = judged(cut_for(5, LEAD_ACID), chemistry=chemistry)
        assert findings.present().tolist() == [ONE]
        assert sign(findings) == "cut"


def test_without_peers_a_fall_is_not_told_and_the_reason_is() -> None:
    """It may be the weather."""
    _, findings = judged(cut_for(5)[:, :2])
    assert len(findings.present()) == 0
    assert "fewer than 3 peers" in findings.reason[1]


def test_too_few_or_too_old_mornings_are_undetermined() -> None:
    """Three mornings in seven are too few; two silent dawns are too old; no volts at all says so."""
    few, old, none = (volts(account(sunny())) for _ in range(3))
    few[(DAYS - 7) * 24 : (DAYS - 2) * 24, ONE] = np.nan
    old[(DAYS - 3) * 24 :, ONE] = np.nan
    none[:, ONE] = np.nan
    for hours, words in ((few, "fewer than 4"), (old, "last 2 days"), (none, "sends no battery volts")):
        _, findings = judged(hours)
        assert findings.verdict[ONE] == Verdict.UNDETERMINED
        assert words in findings.reason[ONE]


def test_low_without_a_proof_is_neither_well_nor_a_fault() -> None:
    """After cloud it stays undetermined until it has filled again, so that nothing told before is called over."""
    gains = sunny()
    gains[-8:] = 0.02
    _, findings = judged(volts(account(gains)))
    assert (findings.verdict == Verdict.UNDETERMINED).all()
    assert "weather" in findings.reason[ONE]


def test_dawn_is_by_the_sun_of_the_place() -> None:
    """A quarter of the way round the world, with volts six hours later, nothing changes."""
    hours = cut_for(5)
    _, here = judged(hours)
    _, there = judged(np.roll(hours, 6, axis=0), longitude=np.full(6, -90.0), now=NOW + 6 * HOUR)
    assert sign(there) == sign(here) == "cut"
    assert left(there) == pytest.approx(left(here), abs=0.1)


def test_a_written_cutoff_holds() -> None:
    """A station that cuts off at 3.6 V has fewer days left than one that lasts to 3.3 V."""
    days = [left(judged(cut_for(4), cutoff_v=np.full(6, cutoff_v))[1])[1] for cutoff_v in (3.3, np.nan, 3.6)]
    assert days[0] == days[1] > days[2] + 1


def test_volts_once_a_day_still_decline_beside_the_peers() -> None:
    """Without evenings there is no account, but the fall is seen."""
    hours = cut_for(7)
    hours[np.arange(len(hours)) % 24 != 4] = np.nan
    _, findings = judged(hours)
    assert findings.present().tolist() == [ONE]
    assert sign(findings) == "declining"


def test_evidence_is_fit_for_json_for_every_station() -> None:
    """All numbers are there, rounded; what is not known is null."""
    hours = cut_for(5)
    hours[:, 4] = np.nan
    view, findings = judged(hours)
    for position in range(6):
        evidence = battery_decline.evidence(view, SETTINGS, findings, position)
        json.dumps(evidence, allow_nan=False)
    assert battery_decline.evidence(view, SETTINGS, findings, 4)["days_left"] is None
    assert battery_decline.evidence(view, SETTINGS, findings, ONE)["cutoff_v"] == 3.3


def test_the_order_of_stations_does_not_matter() -> None:
    """The last line of stations.csv is judged as the first."""
    _, findings = judged(cut_for(5)[:, ::-1], places=PLACES[::-1])
    assert findings.present().tolist() == [len(PLACES) - 1]

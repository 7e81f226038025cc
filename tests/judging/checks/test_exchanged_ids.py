"""Exchanged ids: what is peculiar to two stations changes places at one moment; weather and new parts accuse nobody."""

from __future__ import annotations

import json
from collections.abc import Sequence

import numpy as np
import pytest

from tests.helpers import moment, stations_at, view_of
from tests.telling.veldran import alarm, at, network, notice
from watchman.judging.causes.explained import explained
from watchman.judging.causes.plain import plain
from watchman.judging.checks import exchanged_ids
from watchman.judging.rule import Rule
from watchman.judging.view import Findings, View
from watchman.model import BATTERY, RAIN, SIGNAL, TEMPERATURE, AlarmKey, EventKind, Matter, Verdict
from watchman.telling import compose
from watchman.telling.gsm import septets

HOUR, DAY = 3600, 86400
BEGIN = moment("2025-10-01T00:00Z")
DAYS = 40
TIMES = BEGIN + HOUR * np.arange(1, DAYS * 24 + 1)
ONE, TWO = 1, 4
WEST, EAST = [(0.0, 0.0), (3.0, 0.0), (0.0, 3.0), (3.0, 3.0)], [(40.0, 0.0), (43.0, 0.0), (40.0, 3.0), (43.0, 3.0)]
PLACES = (*WEST, *EAST)
SIZE = len(PLACES)
CHANGE_H = 30 * 24 + 10
Tables = dict[int, np.ndarray]


def usual() -> Tables:
    """Return what eight honest stations deliver; the two in question differ by 14 dBm, 0.15 V and 4 degC."""
    random = np.random.default_rng(3)
    shape = (len(TIMES), SIZE)
    noon = np.sin((TIMES[:, None] / HOUR - 9) * 2 * np.pi / 24)
    levels = {SIGNAL: np.full(SIZE, -90.0), BATTERY: np.full(SIZE, 3.9), TEMPERATURE: np.full(SIZE, 12.0)}
    for variable, apart in ((SIGNAL, 14.0), (BATTERY, 0.15), (TEMPERATURE, 4.0)):
        levels[variable][ONE] += apart / 2
        levels[variable][TWO] -= apart / 2
    weather = np.cumsum(random.normal(0.0, 0.2, (len(TIMES), 1)), axis=0)
    return {
        SIGNAL: levels[SIGNAL] + random.normal(0.0, 2.0, shape),
        BATTERY: levels[BATTERY] + 0.08 * noon + random.normal(0.0, 0.01, shape),
        TEMPERATURE: levels[TEMPERATURE] + 5.0 * noon + weather + random.normal(0.0, 0.4, shape),
    }


def showers() -> np.ndarray:
    """Return rain that falls in the west on odd days and in the east on even ones [mm; hour, station]."""
    rain = np.zeros((len(TIMES), SIZE))
    for day in range(1, DAYS):
        side = slice(0, 4) if day % 2 else slice(4, 8)
        rain[day * 24 + 14 : day * 24 + 18, side] = 1.0
    return rain


def exchanged(tables: Tables, from_h: int = CHANGE_H, to_h: int | None = None, only: Sequence[int] = ()) -> Tables:
    """Return the tables with the two stations' columns exchanged in some hours, all or only some variables."""
    changed = {variable: table.copy() for variable, table in tables.items()}
    for variable in only or tables:
        changed[variable][from_h:to_h, [ONE, TWO]] = tables[variable][from_h:to_h, [TWO, ONE]]
    return changed


def judged(tables: Tables, hour: int) -> tuple[View, Findings]:
    """Return what is found so many hours after the first."""
    view = view_of(stations_at(PLACES), BEGIN + hour * HOUR + 600, TIMES, tables)
    return view, exchanged_ids.judge(view, exchanged_ids.Settings())


@pytest.mark.parametrize("hours_later", [25, 49, 8 * 24])
def test_an_exchange_is_told_a_day_later_and_stands(hours_later: int) -> None:
    """At the earlier of the two, with the hour since when; the other says where it is told."""
    view, findings = judged(exchanged(usual()), CHANGE_H + hours_later)
    assert findings.present().tolist() == [ONE]
    assert findings.verdict[TWO] == Verdict.UNDETERMINED
    assert "S1" in findings.reason[TWO]
    assert abs(int(findings.since[ONE]) - (BEGIN + CHANGE_H * HOUR)) <= HOUR
    told = exchanged_ids.evidence(view, exchanged_ids.Settings(), findings, ONE)
    assert told["other"] == "S4"
    assert [one["variable"] for one in told["changed"]] == ["signal", "battery", "temperature"]
    signal = told["changed"][0]
    assert signal["before"] == pytest.approx(signal["other_now"], abs=1.5)
    assert signal["now"] == pytest.approx(signal["other_before"], abs=1.5)


def test_honest_stations_are_not_exchanged() -> None:
    """Whoever is compared with whom, on any day."""
    for hour in (3 * 24, 12 * 24, 25 * 24, DAYS * 24 - 1):
        _, findings = judged(usual() | {RAIN: showers()}, hour)
        assert len(findings.present()) == 0


def test_set_right_again_it_is_over() -> None:
    """Changing back isn't a second exchange."""
    for days in (10, 22):
        tables = exchanged(usual(), CHANGE_H - days * 24, CHANGE_H)
        _, during = judged(tables, CHANGE_H - days * 24 + 30)
        _, later = judged(tables, CHANGE_H + 26)
        assert (during.present().tolist(), later.present().tolist()) == ([ONE], [])


def only(variable: int, hour: int, beside: float = 0.0) -> Findings:
    """Return what is found when stations send nothing but one variable, exchanged; beside: how far the second one's new
    level is from the first one's old one.
    """
    table = exchanged({variable: usual()[variable]})[variable]
    table[CHANGE_H:, TWO] += beside
    return judged({variable: table}, hour)[1]


@pytest.mark.parametrize("days_later", [2, 9])
@pytest.mark.parametrize(("variable", "told"), [(SIGNAL, True), (BATTERY, True), (TEMPERATURE, False)])
def test_signal_or_battery_alone_is_enough_and_the_weather_is_not(variable: int, told: bool, days_later: int) -> None:
    assert only(variable, CHANGE_H + 24 * days_later).present().tolist() == [ONE] * told


def test_one_variable_alone_must_be_exact() -> None:
    """4 dB beside the other's level of 14 dB before are no exchange, 2 dB may be chance."""
    assert only(SIGNAL, CHANGE_H + 96, beside=2.0).present().tolist() == [ONE]
    assert len(only(SIGNAL, CHANGE_H + 96, beside=4.0).present()) == 0


@pytest.mark.parametrize(("days", "told"), [(0, True), (8, False)], ids=["at once", "within eight days"])
def test_long_after_one_variable_must_still_have_changed_from_day_to_day(days: int, told: bool) -> None:
    """24 days later its hours are no longer held, its days are."""
    signal, change = usual()[SIGNAL], 15 * 24
    share = np.clip((np.arange(len(signal)) - change) / max(days * 24, 1), 0.0, 1.0)[:, None]
    moved = signal.copy()
    moved[:, [ONE, TWO]] = (1 - share) * signal[:, [ONE, TWO]] + share * signal[:, [TWO, ONE]]
    assert judged({SIGNAL: moved}, 39 * 24)[1].present().tolist() == [ONE] * told


def test_one_variable_that_is_less_distinct_needs_rain() -> None:
    """With each one's rain at the other's place it is the ids, without it may be the weather."""
    assert len(only(TEMPERATURE, CHANGE_H + 96).present()) == 0
    _, findings = judged(exchanged({TEMPERATURE: usual()[TEMPERATURE], RAIN: showers()}), CHANGE_H + 96)
    assert findings.present().tolist() == [ONE]
    assert findings.numbers["rain_odds"][ONE] >= exchanged_ids.RAIN_FOR


def test_what_stays_where_it_was_speaks_against_it() -> None:
    """Two sensors exchanged on a visit, while signal stays: these are the old stations."""
    _, findings = judged(exchanged(usual(), only=[BATTERY, TEMPERATURE]), CHANGE_H + 72)
    assert len(findings.present()) == 0


def test_rain_that_stays_speaks_against_it() -> None:
    """Everything else changed places, but each gauge still has its own neighbours' rain."""
    tables = usual() | {RAIN: showers()}
    _, findings = judged(exchanged(tables, only=[SIGNAL, BATTERY, TEMPERATURE]), CHANGE_H + 96)
    assert len(findings.present()) == 0


def test_one_station_that_moves_alone_is_no_exchange() -> None:
    """A new antenna and cell at one of them may turn the difference round; the other must have moved too."""
    for station, way in ((ONE, -2), (TWO, 2)):
        tables = usual()
        for variable, apart in ((SIGNAL, 14.0), (BATTERY, 0.15), (TEMPERATURE, 4.0)):
            tables[variable][CHANGE_H:, station] += way * apart
        _, findings = judged(tables, CHANGE_H + 72)
        assert len(findings.present()) == 0


def test_weather_that_turns_things_round_slowly_is_no_exchange() -> None:
    """Fog below a sunny ridge turns temperature and battery round over a day, not between two messages."""
    tables = {variable: usual()[variable] for variable in (BATTERY, TEMPERATURE)}
    part = np.clip((np.arange(len(TIMES)) - CHANGE_H) / 24.0, 0.0, 1.0)[:, None]
    for variable, table in tables.items():
        turned = table[:, [TWO, ONE]]
        tables[variable][:, [ONE, TWO]] = (1 - part) * table[:, [ONE, TWO]] + part * turned
    _, findings = judged(tables, CHANGE_H + 72)
    assert len(findings.present()) == 0


def test_too_few_days_are_undetermined() -> None:
    """In the first days nobody knows yet who is who, and without any such reading never."""
    _, findings = judged(usual(), 60)
    assert (findings.verdict == Verdict.UNDETERMINED).all()
    _, findings = judged({RAIN: showers()}, DAYS * 24 - 1)
    assert (findings.verdict == Verdict.UNDETERMINED).all()
    assert "fewer than 5 days" in findings.reason[0]


def test_evidence_answers_for_every_station() -> None:
    """Whatever the verdict, and fit for JSON."""
    view, findings = judged(exchanged(usual() | {RAIN: showers()}), CHANGE_H + 40)
    for position in range(SIZE):
        told = exchanged_ids.evidence(view, exchanged_ids.Settings(), findings, position)
        assert told["compared"] == SIZE - 1
        json.dumps(told)


def test_it_is_one_matter_of_both_and_explains_their_other_faults() -> None:
    """One matter names both stations; a clog suspected at either is part of it."""
    view, findings = judged(exchanged(usual()), CHANGE_H + 30)
    rule = Rule(name="exchanged-ids", check="exchanged-ids", tell=("technician",))
    [matter] = plain(rule, findings, view, {})
    assert matter.stations == ("S1", "S4")
    clogs = [
        Matter(AlarmKey("d", "d", f"station:{name}"), "dry-among-wet", Verdict.PRESENT, stations=(name,), numbers={})
        for name in ("S1", "S4", "S5")
    ]
    parts = [one.part_of for one in explained([matter, *clogs], {})]
    assert parts == [None, matter.key, matter.key, None]


def test_its_text_fits() -> None:
    """Both names, since when, what to do; raised and returned, and what `why` says."""
    changed = [
        {"variable": name, "before": 4.12, "now": 3.95, "other_before": 3.95, "other_now": 4.1}
        for name in ("signal", "battery", "temperature")
    ]
    for odds in (None, 80000.0):
        numbers = {"compared": 9, "changed": changed, "other": "gorsehill", "shared_with": ["gorsehill"]}
        numbers["rain_odds"] = odds
        one = alarm(52, "exchanged-ids", "station:eskwater", "2025-11-01T23:40", numbers)
        here = network()
        for kind in (EventKind.RAISED, EventKind.RETURNED):
            for channel in ("text", "mail"):
                row = notice(one, kind, channel, "2025-11-02T09:00")
                words = compose.words(row, one, kind, here.contacts[0], here, at("2025-11-02T09:00"))
                assert words.trouble == ""
                assert "Gorsehill" in words.text
                assert channel == "mail" or septets(words.text) <= 160
        for verdict in ("present", "absent", "undetermined"):
            given = {"compared": 9, "changed": []} if verdict == "absent" else numbers
            facts = {"n": given, "verdict": verdict, "reason": "why not"}
            assert compose.account("exchanged-ids", facts, here, at("2025-11-02T09:00"))

"""What checks that change slowly found is kept for their period, with its evidence; when they are asked again."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.helpers import moment, stations_at, view_of
from watchman import watch
from watchman.judging import causes
from watchman.judging.checks import due_dates, gaps, not_charging, stuck_value
from watchman.judging.rule import Rule
from watchman.judging.view import Findings, View
from watchman.model import RAIN, Verdict

NOW = moment("2025-10-21T18:00Z")
DAY, HOUR, MINUTE = 86400, 3600, 60
LOSES, FAR = 1, 5
PLACES = [(0.0, 0.0), (4.0, 0.0), (8.0, 0.0), (12.0, 0.0), (16.0, 0.0), (300.0, 0.0)]
GAPS = Rule(name="gaps", check="gaps", settings=gaps.Settings())
RULES = (
    GAPS,
    Rule(name="plan-ends", check="due-dates", settings=due_dates.Settings()),
    Rule(name="not-charging", check="not-charging", settings=not_charging.Settings()),
    Rule(name="stuck-value", check="stuck-value", settings=stuck_value.Settings()),
)


@pytest.fixture(scope="module")
def view() -> View:
    """Six stations, of which one has lost a quarter of its reports for six days; the last one is far from all."""
    random = np.random.default_rng(2)
    times = np.arange(NOW - 40 * DAY, NOW + 1, 900)
    rain = np.zeros((len(times), len(PLACES)))
    rain[(times > NOW - 6 * DAY) & (random.random(len(times)) < 0.25), LOSES] = np.nan
    return view_of(stations_at(PLACES), NOW, times, {RAIN: rain})


def found(view: View, kept: dict[str, watch.Kept], minutes: int = 0, away: tuple[int, ...] = ()) -> Findings:
    """Return what `gaps` is held to have found some minutes later, with some stations out of service."""
    in_service = ~np.isin(np.arange(len(view.stations)), away)
    judged, _ = watch.judge([GAPS], replace(view, now=view.now + MINUTE * minutes, in_service=in_service), kept)
    return judged[0][1]


def test_what_was_found_holds_for_its_period(view: View) -> None:
    """Nothing is asked again in the hour; in the next it is."""
    kept: dict[str, watch.Kept] = {}
    first = found(view, kept)
    assert first.present().tolist() == [LOSES]
    assert found(view, kept, 59) is first
    assert found(view, kept, 60) is not first


@pytest.mark.parametrize(("visited", "again"), [(LOSES, True), (0, True), (FAR, False)])
def test_a_visit_asks_again_what_it_may_change(view: View, visited: int, again: bool) -> None:
    """At the station where something was found and around it, when it begins and when it ends; not far from it."""
    kept: dict[str, watch.Kept] = {}
    before = found(view, kept)
    during = found(view, kept, 1, away=(visited,))
    assert (during is not before) == again
    assert found(view, kept, 2, away=(visited,)) is during
    assert (found(view, kept, 3) is not during) == again


def test_what_could_not_be_judged_in_a_visit_is_asked_at_its_end(view: View) -> None:
    """Judged while somebody worked there, it was undetermined; afterwards nobody waits for the next period."""
    verdict = np.where(np.arange(len(PLACES)) == FAR, Verdict.UNDETERMINED, Verdict.ABSENT)
    in_service = np.arange(len(PLACES)) != FAR
    asked_then = watch.Kept(view.now // HOUR, in_service, Findings.of(verdict))
    kept = {"gaps": asked_then}
    assert found(view, kept, 1, away=(FAR,)) is asked_then.findings
    assert found(view, kept, 2) is not asked_then.findings


def test_of_many_stations_no_two_slow_rules_are_asked_in_one_cycle(view: View, monkeypatch: pytest.MonkeyPatch) -> None:
    """After the first cycle each is asked in a minute of its own, and none later than its own period after it was."""
    monkeypatch.setattr(watch, "MANY_STATIONS", len(PLACES))
    kept: dict[str, watch.Kept] = {}
    asked: dict[str, list[int]] = {rule.name: [] for rule in RULES}
    for minute in range(7 * 60):
        before = {name: one.findings for name, one in kept.items()}
        watch.judge(RULES, replace(view, now=NOW + MINUTE * minute), kept)
        for name, one in kept.items():
            if one.findings is not before.get(name):
                asked[name].append(minute)
    later = [minute for minutes in asked.values() for minute in minutes[1:]]
    assert len(later) == len(set(later))
    for rule in RULES:
        every = watch.holds_s(rule) // MINUTE
        assert max(np.diff(asked[rule.name])) <= every
        assert len(asked[rule.name]) <= 1 + 7 * 60 / every + 1


def test_evidence_is_made_once_for_what_holds_and_anew_for_what_is_found_anew(
    view: View, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An hour of cycles makes it once; the visit that is told beside it stays out of what is kept."""
    made: list[int] = []
    sound = gaps.evidence

    def counted(view: View, settings: gaps.Settings, findings: Findings, position: int) -> dict[str, Any]:
        made.append(position)
        return sound(view, settings, findings, position)

    monkeypatch.setattr(gaps, "evidence", counted)
    kept: dict[str, watch.Kept] = {}
    first = found(view, kept)
    since = int(first.since[LOSES])
    visited = replace(view, last_visit=np.where(np.arange(len(PLACES)) == LOSES, since - HOUR, 0))
    for minute in range(60):
        seen = replace(visited if minute < 30 else view, now=view.now + MINUTE * minute)
        matter = causes.gather([(GAPS, found(view, kept, minute))], seen, {})[0]
        assert ("after_visit" in matter.numbers) == (minute < 30)
        assert matter.numbers["received_percent"] == sound(view, gaps.Settings(), first, LOSES)["received_percent"]
    assert made == [LOSES]
    causes.gather([(GAPS, found(view, kept, 60))], view, {})
    assert made == [LOSES, LOSES]

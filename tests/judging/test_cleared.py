"""What somebody said is not a fault is not told again until it was gone once, began anew, or got worse."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from tests.helpers import record_of, seen, stations_at
from tests.store_behaviour import an_alarm
from watchman.judging import cleared
from watchman.judging.cleared import Cleared, guarded, newly
from watchman.judging.rule import Rule
from watchman.judging.view import Findings, View
from watchman.model import AlarmKey, Answer, Matter, Severity, Verdict

NOW = datetime(2025, 10, 21, 20, 20, tzinfo=UTC)
SAID = int(NOW.timestamp())
KEY = AlarmKey("silent", "overdue", "station:S1")
MARK = Cleared(KEY, "overdue", SAID, level=1, severity=Severity.MODERATE.rank)
THERE = Matter(KEY, "overdue", Verdict.PRESENT, ("S1",), since=NOW - timedelta(hours=3), level=1)


@pytest.fixture(scope="module")
def view() -> View:
    """Return what the checks see of three stations."""
    stations = stations_at([(0, 0), (5, 0), (0, 5)])
    return seen(stations, SAID, record_of(stations, SAID, 900))


def found(verdict: Verdict) -> list[tuple[Rule, Findings]]:
    """Return what the rule found: all absent but for the second station."""
    verdicts = np.array([Verdict.ABSENT, verdict, Verdict.ABSENT])
    return [(Rule(name="silent", check="overdue"), Findings.of(verdicts))]


def test_the_same_matter_is_not_told(view: View) -> None:
    """While it lasts it is as good as absent, whoever else it concerns; another station's is told."""
    other = replace(THERE, key=replace(KEY, scope="station:S2"))
    kept, left = guarded([replace(THERE, held=True), other], found(Verdict.PRESENT), view, {KEY: MARK})
    assert [matter.verdict for matter in kept] == [Verdict.ABSENT, Verdict.PRESENT]
    assert not kept[0].held
    assert left == {KEY: MARK}


NEWS = {
    "began after the answer": replace(THERE, since=NOW),
    "a higher level": replace(THERE, level=2),
    "more severe": replace(THERE, severity=Severity.SEVERE),
}


@pytest.mark.parametrize("news", NEWS)
def test_what_is_new_or_worse_is_told(view: View, news: str) -> None:
    """And the answer holds no more."""
    kept, left = guarded([NEWS[news]], found(Verdict.PRESENT), view, {KEY: MARK})
    assert kept == [NEWS[news]]
    assert left == {}


def test_once_absent_it_is_told_again(view: View) -> None:
    """Whether that is said of an open alarm, or only the check finds it; what can't be decided changes nothing."""
    for judged, matters in ((found(Verdict.ABSENT), []), ([], [replace(THERE, verdict=Verdict.ABSENT)])):
        assert guarded(matters, judged, view, {KEY: MARK}) == (matters, {})
    undetermined = replace(THERE, verdict=Verdict.UNDETERMINED)
    for judged, matters in ((found(Verdict.UNDETERMINED), []), ([], [undetermined]), ([], [])):
        assert guarded(matters, judged, view, {KEY: MARK}) == (matters, {KEY: MARK})


def test_a_group_of_which_nothing_is_said_is_over(view: View) -> None:
    """A mast's matter is made of several findings; when its rule says nothing of it, it is absent."""
    key = replace(KEY, scope="mast:T3")
    assert guarded([], found(Verdict.PRESENT), view, {key: replace(MARK, key=key)}) == ([], {})


def test_a_check_that_gathers_evidence_is_told_only_what_came_since(view: View) -> None:
    """Its absence is what the answer brought about, and doesn't bring the old evidence back; the answer holds on."""
    mark = replace(MARK, check="dry-among-wet")
    matter = replace(THERE, check="dry-among-wet")
    for verdict in (Verdict.ABSENT, Verdict.UNDETERMINED):
        assert guarded([], found(verdict), view, {KEY: mark})[1] == {KEY: mark}
        assert guarded([replace(matter, verdict=verdict)], [], view, {KEY: mark})[1] == {KEY: mark}
    news = replace(matter, since=NOW + timedelta(days=4))
    assert guarded([news], found(Verdict.PRESENT), view, {KEY: mark}) == ([news], {KEY: mark})


def test_which_answers_clear() -> None:
    """Not a fault, of an alarm that stands; no other word, no storm, nothing that is over."""
    alarm = an_alarm(41, key=KEY)
    said = Answer(1, NOW, "not a fault", "tech-1", 41, reason="sprinkler")
    expected = Cleared(KEY, "overdue", SAID, alarm.level, Severity.SEVERE.rank)
    assert newly([alarm], [said]) == {KEY: expected}
    assert newly([alarm], [replace(said, kind="acknowledge")]) == {}
    assert newly([alarm], [replace(said, alarm=7)]) == {}
    assert newly([replace(alarm, check="heavy-rain")], [said]) == {}
    assert newly([replace(alarm, ended_at=NOW)], [said]) == {}


def test_kept_as_text() -> None:
    """There and back."""
    assert cleared.from_text(cleared.to_text(MARK)) == MARK

"""A gauge that somebody relies on: whoever stands in stations.csv is told, besides the roles of the rule."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.helpers import moment, record_of, seen, stations_at
from tests.telling.veldran import at, network, notice, silent
from watchman.judging.causes.plain import plain
from watchman.judging.rule import ReliedOn, Rule
from watchman.judging.view import Findings
from watchman.model import EventKind, Verdict, When
from watchman.telling import compose

NOW = moment("2025-06-01T00:00Z")
RULE = Rule(
    name="slow-drain", check="slow-drain", when=When.WEEKLY, tell=("crew",), relied_on=ReliedOn(tell=("warden",))
)


def told(relied_on_by: str, rule: Rule = RULE, *, relied_on: bool = True) -> tuple[When, tuple[str, ...]]:
    """Return when and whom a rule tells of a gauge that it finds present."""
    stations = stations_at(((0.0, 0.0),), relied_on_by=(relied_on_by,))
    view = seen(stations, NOW, record_of(stations, NOW, 300))
    findings = Findings.of(np.array([Verdict.PRESENT]))
    findings.shown[0] = {"relied_on": relied_on}
    (matter,) = plain(rule, findings, view, {})
    return matter.when, matter.tell


@pytest.mark.parametrize(
    ("relied_on_by", "tell"),
    [
        ("warden", ("crew", "warden")),
        ("road crew", ("crew", "warden", "road crew")),
        ("warden-2", ("crew", "warden", "warden-2")),
    ],
)
def test_whoever_relies_on_it_is_told_too(relied_on_by: str, tell: tuple[str, ...]) -> None:
    """A role or a contact, once each; a role the rule tells anyway is not told twice."""
    assert told(relied_on_by) == (When.BY_DAY, tell)


def test_nobody_more_is_told_of_a_gauge_nobody_relies_on() -> None:
    """Nor by a rule that has no such table."""
    assert told("", relied_on=False) == (When.WEEKLY, ("crew",))
    assert told("road crew", RULE.model_copy(update={"relied_on": None})) == (When.WEEKLY, ("crew",))


def test_the_mail_says_why_they_are_told() -> None:
    """A person named in stations.csv has none of the rule's roles, and still learns why."""
    of = replace(silent(), tell=("crew", "warden-1"))
    here = network()
    crew, warden = here.contacts[1], here.contacts[3]
    said = {
        one.name: compose.words(
            notice(of, EventKind.RAISED, "mail", "2025-10-23T07:10"),
            of,
            EventKind.RAISED,
            one,
            here,
            at("2025-10-23T07:10"),
        ).text
        for one in (crew, warden)
    }
    assert "Why me    By stations.csv you rely on this gauge.\n" in said["warden-1"]
    assert "Why me    You have the role crew" in said["crew-1"]

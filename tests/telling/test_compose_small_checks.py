"""Stuck values, limits, gaps and dates in words: one message each, with the place and what to do."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.telling.veldran import alarm, at, network, notice, silent, station
from watchman.model import Alarm, EventKind
from watchman.stations import with_short_names
from watchman.telling import compose, phrases
from watchman.telling.gsm import septets

STILL = {"hours": 5, "limit_hours": 3, "longest_before_hours": 1, "reports": 20}
FROZEN = {
    "frozen": True,
    "variable": None,
    "same_since": "2025-10-22T17:00:00Z",
    "values": [{"what": "battery", "value": 3.92, **STILL}, {"what": "all", "value": None, **STILL}],
}
ONE = FROZEN | {"frozen": False, "variable": "battery"}
DAMP = {
    "variable": "humidity",
    "side": "above",
    "value": 87.2,
    "limit": 80.0,
    "falls_by": None,
    "share_percent": 93,
    "limit_share_percent": 60,
    "hours": 72,
    "say": "Bring desiccant, a seal, a cloth.",
    "beyond_since": "2025-10-20T00:00:00Z",
    "limits": [],
}
WEAK = (
    DAMP
    | {"variable": "signal", "side": "fallen", "value": -99.0, "limit": -96.0, "falls_by": 6.0}
    | {
        "fall_days": 3,
        "weak_dbm": -95.0,
    }
)
HOT = DAMP | {"variable": "battery", "value": 4.41, "limit": 4.3, "hours": 1, "say": "Bring charger, meter, cell."}
LOSES = {
    "received_percent": 71,
    "usual_percent": 98,
    "of_peers_percent": 97,
    "limit_percent": 90.0,
    "points_under": 10.0,
    "days": [{"begins_at": "2025-10-20T07:00:00Z", "received_percent": 70}],
}
PLAN = {
    "what": "plan",
    "due_on": "2025-10-25",
    "days_left": 2,
    "limit_days": 7,
    "stations_due": ["Fennick Bridge", "Kettle Weir"],
}
CALIBRATION = PLAN | {"what": "calibration", "stations_due": [], "limit_days": 30}


def written_otherwise(*changes: tuple[str, str, str, str]) -> dict[str, Any]:
    names = ("what", "variable", "before", "after")
    of = [dict(zip(names, change, strict=True)) | {"at": "2025-10-22T23:05:00Z"} for change in changes]
    return {"source": "main", "changes": of, "stated": False}


IN_MILLIVOLTS = written_otherwise(("unit", "battery", "V", "mV"))
OTHER_COLUMNS = written_otherwise(("columns", "", "rain_mm", "rain_total"), ("interval", "", "5 min", "15 min"))

NOW = "2025-10-23T07:10"


def told(check: str, numbers: dict[str, Any], scope: str = "station:fennick", since: str = "2025-10-22T17:05") -> Alarm:
    return alarm(41, check, scope, since, numbers)


def words(of: Alarm, kind: EventKind = EventKind.RAISED, channel: str = "text") -> compose.Words:
    here = network()
    said = compose.words(notice(of, kind, channel, NOW), of, kind, here.contacts[0], here, at(NOW))
    assert said.trouble == ""
    return said


@pytest.mark.parametrize(
    ("of", "text"),
    [
        (
            told("stuck-value", FROZEN),
            "Fennick Br repeats one packet since Wed 17:05. The same for 5 h. "
            "Treat it as stopped: it sees no rain. Restart it remotely, else bring laptop, logger. No. 41.",
        ),
        (
            told("stuck-value", ONE),
            "Fennick Br battery volts stuck since Wed 17:05 at 3.92 V. The same for 5 h; longest before 1 h. "
            "All else goes on. Bring a spare sensor when you pass. No. 41.",
        ),
        (
            told("limit", DAMP),
            "Fennick Br box damp inside since Wed 17:05: 87 %, limit 80 %. Bring desiccant, a seal, a cloth. "
            "Don't drive for this alone. No. 41.",
        ),
        (
            told("limit", WEAK),
            "Fennick Br signal weak since Wed 17:05: -99 dBm, limit -96 dBm. Bring desiccant, a seal, a cloth. "
            "Don't drive for this alone. No. 41.",
        ),
        (
            told("limit", HOT),
            "Fennick Br battery charged too far since Wed 17:05: 4.41 V, limit 4.3 V. Bring charger, meter, cell. "
            "Swollen or hot cell: leave it. No. 41.",
        ),
        (
            told("gaps", LOSES),
            "Fennick Br loses reports since Wed 17:05: 71 % received, usually 98 %, neighbours 97 %. "
            "Radio or power? When you pass: bring antenna, modem, meter. No. 41.",
        ),
        (
            told("due-dates", PLAN, "plan:P7"),
            "Plan P7: data plan ends Sat 25 Oct, in 2 days. Fennick Br and Kettle Weir. "
            "Phone the provider, don't drive. No. 41.",
        ),
        (
            told("due-dates", CALIBRATION | {"days_left": -3, "due_on": "2025-10-20"}),
            "Fennick Br: calibration was due Mon 20 Oct, 3 days ago. "
            "Next visit: bring test bottle, level, brush. No. 41.",
        ),
        (
            told("source-change", IN_MILLIVOLTS, "source:main"),
            "Source main writes otherwise since Wed 17:05: battery in mV, before in V. "
            "Values may be wrong. Ask the service, then say so in network.toml. Don't drive.",
        ),
        (
            told("source-change", OTHER_COLUMNS, "source:main"),
            "Source main writes otherwise since Wed 17:05: column rain_mm is gone, new is rain_total, and 1 more. "
            "Ask the service, then say so in network.toml. Don't drive.",
        ),
        (
            silent(signal_dbm=-80),
            "Fennick Br silent since 02:10 (5 h), 4 neighbours fine. Last battery 3.92 V, fine. "
            "Modem, SIM, or gone? Phone the land owner first; bring modem, SIM. No. 41.",
        ),
        (
            silent(plan_ended="2025-10-22"),
            "Fennick Br silent since 02:10 (5 h), 4 neighbours fine. Last battery 3.92 V, fine. Signal was weak. "
            "Its data plan ended Wed 22 Oct. Phone, don't drive. No. 41.",
        ),
    ],
)
def test_what_the_text_says(of: Alarm, text: str) -> None:
    """Place and what, then the evidence, then what to do and bring."""
    assert words(of).text == text


@pytest.mark.parametrize("kind", [EventKind.RAISED, EventKind.RETURNED])
@pytest.mark.parametrize(
    ("check", "numbers", "scope"),
    [
        ("stuck-value", FROZEN, "station:fennick"),
        ("stuck-value", ONE, "station:fennick"),
        ("limit", DAMP, "station:fennick"),
        ("limit", WEAK, "station:fennick"),
        ("gaps", LOSES, "station:fennick"),
        ("due-dates", PLAN, "plan:P7"),
        ("due-dates", CALIBRATION | {"what": "season"}, "station:fennick"),
        ("source-change", OTHER_COLUMNS, "source:main"),
    ],
)
def test_mails_of_every_kind_can_be_written(check: str, numbers: dict[str, Any], scope: str, kind: EventKind) -> None:
    """Raised and returned, with the words of its own template."""
    of = replace(told(check, numbers, scope), absent_since=at("2025-10-23T06:00"))
    place = {"station": "Fennick Bridge", "plan": "Plan P7", "source": "ource main"}[scope.partition(":")[0]]
    assert place in words(of, kind, "mail").text


@settings(max_examples=40, deadline=None)
@given(
    name=st.text(st.characters(blacklist_categories=["Cs"]), min_size=1, max_size=60),
    value=st.floats(-1e6, 1e6),
    number=st.integers(0, 99_999),
    of=st.sampled_from(
        [
            ("stuck-value", FROZEN),
            ("stuck-value", ONE | {"variable": "temperature"}),
            ("limit", DAMP | {"variable": "temperature", "say": "x" * 60}),
            ("limit", WEAK),
            ("limit", HOT | {"say": ""}),
            ("gaps", LOSES),
            ("due-dates", CALIBRATION),
            ("due-dates", CALIBRATION | {"what": "season"}),
            ("due-dates", PLAN),
        ]
    ),
)
def test_every_text_fits_one_message(name: str, value: float, number: int, of: tuple[str, dict[str, Any]]) -> None:
    """Whatever names and numbers are: the place opens it, and what to do is in it."""
    here = network(stations=with_short_names((station("x", id="fennick").model_copy(update={"name": name}),)))
    check, numbers = of
    wild = {key: value for key in ("value", "limit") if key in numbers}
    wild |= {key: -number for key in ("days_left",) if key in numbers}
    fault = replace(told(check, numbers | wild, since="2024-10-22T17:05"), number=10**6)
    row = notice(fault, EventKind.RAISED, "text", NOW)
    said = compose.words(row, fault, EventKind.RAISED, here.contacts[0], here, at(NOW))
    assert said.trouble == ""
    assert septets(said.text) <= 160
    assert said.text.startswith(" ".join(phrases.Phrases(here, at(NOW)).short("fennick").split()))
    assert any(task in said.text for task in ("ring", "hone", "drive", "leave it"))


@pytest.mark.parametrize("verdict", ["present", "absent", "undetermined"])
@pytest.mark.parametrize(
    ("check", "numbers"),
    [
        ("stuck-value", FROZEN),
        ("limit", DAMP | {"limits": [DAMP, WEAK, HOT | {"value": None}]}),
        ("gaps", LOSES),
        ("due-dates", PLAN),
        ("due-dates", {"what": None, "due_on": None, "days_left": None, "limit_days": 30, "stations_due": []}),
        ("overdue", silent().numbers),
        ("source-change", IN_MILLIVOLTS),
    ],
)
def test_why_is_answered_whatever_the_verdict(check: str, numbers: dict[str, Any], verdict: str) -> None:
    """With the numbers and the limit, or why it can't be judged."""
    facts = {"n": numbers, "verdict": verdict, "reason": "sends nothing"}
    assert compose.account(check, facts, network(), at(NOW)).endswith(".")


def test_why_says_long_silences_in_hours_and_days() -> None:
    """Not in thousands of minutes."""
    numbers = dict(silent().numbers) | {"silent_minutes": 2599, "limit_minutes": 184, "usual_pause_minutes": 692}
    facts = {"n": numbers, "verdict": "present", "reason": ""}

    assert compose.account("overdue", facts, network(), at(NOW)) == (
        "Silent for 43 h; the limit is 3 h 4 min. It reports every 15 min, "
        "and its longest pause on a usual day is 11 h 32 min."
    )

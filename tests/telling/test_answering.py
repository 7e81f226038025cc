"""What a line answers: read the same in any case, with any signs and words about it, by the clock on the wall."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from tests.helpers import SECRETS, write_network
from tests.store_behaviour import an_alarm
from watchman.model import AlarmState
from watchman.network import Network, load
from watchman.telling.answering import Kind, Said, offered, read
from watchman.telling.gsm import is_plain, septets

NOW = datetime(2025, 10, 21, 20, 20, tzinfo=UTC)
"""Tuesday, 14:20 where the network's people are (America/Denver)."""


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.fixture(scope="module")
def network(tmp_path_factory: pytest.TempPathFactory) -> Network:
    """Return a network of Hollin Dam, Fennick Bridge and Larkmoor."""
    return load(write_network(tmp_path_factory.mktemp("network")), SECRETS.get)


SAME = {
    "ok": Said(Kind.OK),
    " OK!! ": Said(Kind.OK),
    '"Ok."': Said(Kind.OK),
    "\u200b\ufeffok": Said(Kind.OK),
    "OK 43": Said(Kind.OK, 43),
    "Ok no. 43": Said(Kind.OK, 43),
    "ok43kxq": Said(Kind.OK, 43, "kxq"),
    "OK 43 KXQ going Thursday": Said(Kind.OK, 43, "kxq", reason="going Thursday"),
    "OK, I am going there": Said(Kind.OK, reason="I am going there"),
    "acknowledged": Said(Kind.OK),
    "NOT A FAULT 43kxq: pasture sprinkler": Said(Kind.NOT_A_FAULT, 43, "kxq", reason="pasture sprinkler"),
    "not a fault, pasture sprinkler 43kxq": Said(Kind.NOT_A_FAULT, 43, "kxq", reason="pasture sprinkler"),
    "Test 48kxq": Said(Kind.TEST, 48, "kxq"),
    "RAIN 48": Said(Kind.RAIN, 48),
    "It came": Said(Kind.CAME),
    "CAME 3kxq": Said(Kind.CAME, 3, "kxq"),
    "STOP": Said(Kind.STOP),
    "start": Said(Kind.START),
    "LATER 48H": Said(Kind.LATER, until=utc("2025-10-23T20:20")),
    "later 43kxq 48 hrs please": Said(Kind.LATER, 43, "kxq", until=utc("2025-10-23T20:20"), reason="please"),
    "LATER 43 2 days": Said(Kind.LATER, 43, until=utc("2025-10-23T20:20")),
    "LATER THU": Said(Kind.LATER, until=utc("2025-10-23T13:00")),
    "later until Thursday": Said(Kind.LATER, until=utc("2025-10-23T13:00"), reason="until"),
    "LATER TUE": Said(Kind.LATER, until=utc("2025-10-28T13:00")),
    "LATER tomorrow": Said(Kind.LATER, until=utc("2025-10-22T13:00")),
    "LATER 2025-10-25 43kxq": Said(Kind.LATER, 43, "kxq", until=utc("2025-10-25T13:00")),
    "VISIT HOLLIN 2H": Said(Kind.VISIT, station="hollin", hours=2),
    "visit Hollin Dam, 2 h": Said(Kind.VISIT, station="hollin", hours=2),
    "Visit hollin 2hrs thanks": Said(Kind.VISIT, station="hollin", hours=2),
    "VISIT larkmoor": Said(Kind.VISIT, station="larkmoor"),
    "visit 1.5h": Said(Kind.VISIT, hours=1.5),
    "VISIT HOLLIN 2H KXQTP": Said(Kind.VISIT, own_code="kxqtp", station="hollin", hours=2),
    "VISIT HOLLIN 2H from 9:40 400ml": Said(
        Kind.VISIT, station="hollin", hours=2, begins_at=utc("2025-10-21T15:40"), poured_ml=400
    ),
    "VISIT HOLLIN FROM 09:40 TO 11:00": Said(
        Kind.VISIT, station="hollin", begins_at=utc("2025-10-21T15:40"), ends_at=utc("2025-10-21T17:00")
    ),
    "VISIT HOLLIN 2H 12,5 ml": Said(Kind.VISIT, station="hollin", hours=2, poured_ml=12.5),
    "Done": Said(Kind.DONE),
    "DONE 11:05": Said(Kind.DONE, ends_at=utc("2025-10-21T17:05")),
    "done hollin kxqtp": Said(Kind.DONE, own_code="kxqtp", station="hollin"),
}


@pytest.mark.parametrize("line", SAME)
def test_what_is_answered(network: Network, line: str) -> None:
    """Each line says what it says."""
    assert read(line, network, NOW) == SAME[line]


REFUSED = {
    "": "not understood",
    "thanks a lot": "not understood",
    "okra is a vegetable": "not understood",
    "visitors came": "not understood",
    "LATER": "Until when?",
    "LATER alligator": "Until when?",
    "LATER 2025-13-45": "is no day",
    "LATER 2025-10-20": "is past",
    "LATER 2027-01-01": "too far off",
    "LATER 9999 days": "too far off",
    "LATER 0H": "is past",
    "NOT A FAULT": "Say why",
    "NOT A FAULT 43kxq.": "Say why",
    "VISIT HOLLIN 48H": "up to 24 hours",
    "VISIT HOLLIN 0H": "up to 24 hours",
    "VISIT ATLANTIS 2H": 'No station is called "atlantis"',
    "VISIT HOLLIN FROM 11:00 TO 09:40": "end before it begins",
    "DONE 23:59": "Answer OK",
}


@pytest.mark.parametrize("line", ["VISIT HOLLIN TO 01:00", "VISIT HOLLIN FROM 23:00 TO 01:00"])
def test_a_visit_over_midnight_ends_on_the_next_day(network: Network, line: str) -> None:
    """At half past eleven at night one o'clock is still to come."""
    said = read(line, network, utc("2025-10-22T05:30"))
    assert isinstance(said, Said)
    assert said.ends_at == utc("2025-10-22T07:00")


@pytest.mark.parametrize("line", [line for line in REFUSED if not line.startswith("DONE")])
def test_what_is_no_answer(network: Network, line: str) -> None:
    """What is none says what can be answered, in one text."""
    sentence = read(line, network, NOW)
    assert isinstance(sentence, str)
    assert REFUSED[line] in sentence
    assert is_plain(sentence)
    assert septets(sentence) <= 160


def test_a_time_of_last_night(network: Network) -> None:
    """The nearest such time is meant: after midnight, last evening's."""
    said = read("VISIT HOLLIN 2H FROM 23:00", network, utc("2025-10-22T07:00"))
    assert isinstance(said, Said)
    assert said.begins_at == utc("2025-10-22T05:00")


def test_the_night_the_clocks_go_back(network: Network) -> None:
    """01:30 comes twice on 2 November (07:30 and 08:30 UTC): the one nearer to now is meant."""
    for now, meant in (("2025-11-02T07:50", "2025-11-02T07:30"), ("2025-11-02T08:45", "2025-11-02T08:30")):
        said = read("DONE 01:30", network, utc(now))
        assert isinstance(said, Said)
        assert said.ends_at == utc(meant)
    later = read("LATER SUN", network, utc("2025-10-31T18:00"))
    assert isinstance(later, Said)
    assert later.until == utc("2025-11-02T14:00"), "seven by the clock on the wall, an hour later than the day before"


def test_the_night_the_clocks_go_forward(network: Network) -> None:
    """02:30 doesn't come on 9 March 2025; what is written is taken for a time within the hour, and days for days."""
    said = read("VISIT HOLLIN 1H FROM 02:30", network, utc("2025-03-09T10:00"))
    assert isinstance(said, Said)
    assert said.begins_at is not None
    assert utc("2025-03-09T08:30") <= said.begins_at <= utc("2025-03-09T09:30")
    later = read("LATER 48H", network, utc("2025-03-08T20:00"))
    assert isinstance(later, Said)
    assert later.until == utc("2025-03-10T20:00")


OTHERS = (
    "43 43kxq kxqtp thu 48h 2025-10-25 9999-12-31 0001-01-01 from to 09:40 99:99 400ml hollin dam 1e9 -1 no. # 0h 9999d"
)
WORDS = st.sampled_from([*Kind, *OTHERS.split(), "\u0663", "\u00b2", "\x00"])


@given(st.one_of(st.text(max_size=400), st.lists(WORDS, max_size=12).map(" ".join)))
@example("LATER \u017fun")
@example("OK " * 200)
@example("LATER " + "9" * 290)
@example("VISIT " + "hollin " * 60)
@example("NOT A FAULT " + "1kxq " * 60)
def test_any_line_gives_a_value_or_a_sentence_at_once(network: Network, line: str) -> None:
    """Nothing anybody can write raises, or takes long; what is understood stays within its bounds."""
    begun = time.perf_counter()
    said = read(line, network, NOW)
    assert time.perf_counter() - begun < 0.5
    if isinstance(said, str):
        assert said
        return
    assert 0 <= said.number < 10**9
    assert len(said.reason) <= 200
    assert said.station in ("", "hollin", "fennick", "larkmoor")
    assert said.until is None or NOW < said.until <= utc("2026-01-19T20:20")
    assert said.hours is None or 0 < said.hours <= 24


def test_several_stations_of_one_name(tmp_path: Path) -> None:
    """A name that fits two asks which."""
    csv = "id,latitude,longitude,name\na1,39.7,-105.2,Mill Creek\na2,39.8,-105.2,Mill Road\n"
    network = load(write_network(tmp_path, stations=csv), SECRETS.get)
    assert read("VISIT MILL 2H", network, NOW) == "Which station is meant: MILL CREEK or MILL ROAD?"
    said = read("VISIT MILL ROAD 2H", network, NOW)
    assert isinstance(said, Said)
    assert said.station == "a2"


def test_what_a_notice_offers() -> None:
    """A storm's is acknowledged and no more, a drill's came, and tips held back are a test or rain."""
    standing = an_alarm(state=AlarmState.UNACKNOWLEDGED, shelved_until=None)
    tips = an_alarm(check="doubtful-rain", numbers={"kind": "test tips", "held": True})
    assert offered("storm", standing, ("hollin",)) == (Kind.OK,)
    assert offered("drill", None, ()) == (Kind.CAME,)
    assert offered("tool", standing, ()) == (Kind.OK, Kind.LATER)
    assert offered("visit", None, ("hollin",)) == (Kind.VISIT, Kind.DONE)
    assert offered("digest", None, ()) == ()
    assert offered("fault", tips, ("hollin",))[-2:] == (Kind.TEST, Kind.RAIN)
    assert offered("fault", an_alarm(ended_at=NOW), ("hollin",)) == (Kind.VISIT, Kind.DONE)

"""Replies by text, handed in by a gateway over real HTTP: who sent them proves nothing, their letters do."""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
import requests
from pydantic import SecretStr

from tests.board.test_page import KEY, NOW, STANDING, free_port
from tests.helpers import SECRETS, write_network
from watchman import answers
from watchman.board.page import Served, create_app, serve
from watchman.links import code, own_code
from watchman.model import Notice
from watchman.network import load
from watchman.settings import AnswersSettings, TextAnswersSettings
from watchman.store import Store
from watchman.telling.answering import Kind, Said

HOOK = "hook-key-of-24-letters-x"
TECH, HOST = "+15551230000", "+15551239999"


class Gateway:
    """A gateway in front of a real server over a store in memory."""

    def __init__(self, folder: Path) -> None:
        network = load(write_network(folder), SECRETS.get)
        tech, warden = network.contacts
        host = warden.model_copy(
            update={"name": "host-1", "roles": ("volunteer host",), "phone": HOST, "text": SecretStr("json://x/y")}
        )
        contacts = (tech.model_copy(update={"phone": TECH}), warden, host)
        settings = TextAnswersSettings(key=SecretStr(HOOK), sender_field="from", text_field="body")
        self.network = replace(network, contacts=contacts, answers=AnswersSettings(text=settings))
        self.store = Store.open("sqlite://", Path())
        self.store.commit(NOW, alarms=[STANDING])
        self.now = NOW
        listen = f"127.0.0.1:{free_port()}"
        self.served: Served = serve(create_app(self.store, self.network, KEY, lambda: self.now), listen)
        self.address = f"http://{listen}/texts/"

    def notice(self, occasion: str = "alarm:41:1", person: str = "tech-1", kind: str = "fault", alarm: int = 41) -> str:
        """Put a notice into the store and return the letters that its answer carries."""
        notice = Notice(0, occasion, person, "text", kind, self.now, self.now, alarm=alarm, event="raised")
        self.store.add_notices([notice])
        number = next(one.number for one in self.store.notices() if one.occasion == occasion and one.person == person)
        return code(KEY, number, person)

    def hand_in(self, text: str, sender: str = TECH, key: str = HOOK, *, as_json: bool = False) -> int:
        """Hand a text in and return the status."""
        body = {"from": sender, "body": text}
        sent = {"json": body} if as_json else {"data": body}
        return requests.post(self.address + key, timeout=5, **sent).status_code  # type: ignore[arg-type]

    def acted(self) -> list[tuple[str, str, int]]:
        """Return what was said: kind, who, alarm."""
        return [(one.kind, one.who, one.alarm) for one in self.store.answers_after(0)]

    def told(self, person: str = "tech-1") -> list[str]:
        """Return what people were told of their answers."""
        return [one.text for one in self.store.notices() if one.person == person and one.occasion.startswith("answer:")]


@pytest.fixture
def gateway(tmp_path: Path) -> Iterator[Gateway]:
    """Return a gateway to a network with an alarm standing at Hollin Dam."""
    gateway = Gateway(tmp_path)
    yield gateway
    gateway.served.close()
    gateway.store.close()


@pytest.mark.parametrize("as_json", [False, True])
def test_a_reply_with_its_letters(gateway: Gateway, as_json: bool) -> None:
    """A form or JSON, in whatever case, acknowledges; what was done as asked needs no further text."""
    letters = gateway.notice()
    assert gateway.hand_in(f"ok 41{letters.upper()} going now", as_json=as_json) == 204
    assert gateway.acted() == [("acknowledge", "tech-1", 41)]
    assert gateway.told() == []


def test_numbers_are_the_same_however_they_are_written(gateway: Gateway) -> None:
    """Gateways write a number in many ways."""
    letters = gateway.notice()
    for sender in ("15551230000", "001 555 123-0000", "+1 (555) 123 0000"):
        gateway.hand_in(f"OK 41{letters}", sender)
    assert len(gateway.acted()) == 3


def test_a_stranger(gateway: Gateway, caplog: pytest.LogCaptureFixture) -> None:
    """A number that is nobody's changes nothing and hears nothing, though the letters are right; that is logged."""
    letters = gateway.notice()
    with caplog.at_level(logging.WARNING):
        assert gateway.hand_in(f"OK 41{letters} my secret words", "+15550000001") == 204
    assert gateway.acted() == []
    assert gateway.store.spans() == ()
    assert [record.message for record in caplog.records if "answer" in record.message] == [
        "texts: an answer was refused (from a number that is no contact's)"
    ]
    assert len(gateway.store.notices()) == 1, "nobody is told"


def test_a_forged_sender(gateway: Gateway, caplog: pytest.LogCaptureFixture) -> None:
    """A contact's number without the letters, or with another person's, changes nothing; they hear of it."""
    gateway.notice()
    others = gateway.notice("alarm:41:2", person="warden")
    with caplog.at_level(logging.WARNING):
        for text in ("OK", "OK 41", f"OK 41{others}", f"OK 42{others}", "VISIT HOLLIN 2H"):
            assert gateway.hand_in(text) == 204
    assert gateway.acted() == []
    assert gateway.store.spans() == ()
    assert "letters are missing or wrong" in gateway.told()[0]
    assert others not in caplog.text
    assert "HOLLIN" not in caplog.text


def test_five_wrong_codes_end_a_numbers_day(gateway: Gateway) -> None:
    """Whoever tries letters has five goes a day; then not even the right ones are read until the next day."""
    letters = gateway.notice()
    wrong = "bcd" if letters != "bcd" else "bcf"
    for _ in range(5):
        gateway.hand_in(f"OK 41{wrong}")
    gateway.hand_in(f"OK 41{letters}")
    assert gateway.acted() == []

    gateway.now += timedelta(days=1)
    gateway.hand_in(f"OK 41{letters}")
    assert gateway.acted() == [("acknowledge", "tech-1", 41)]


def test_a_stale_notice(gateway: Gateway) -> None:
    """Thirty days on the letters answer nothing any more, and the person is told so."""
    letters = gateway.notice()
    gateway.now += timedelta(days=30, seconds=1)
    gateway.hand_in(f"OK 41{letters}")
    assert gateway.acted() == []
    assert "more than 30 days old" in gateway.told()[0]


def test_a_visit_by_the_own_letters(gateway: Gateway) -> None:
    """Nobody asked, the person's own letters prove it, and the visit is confirmed by text."""
    gateway.hand_in(f"Visit hollin 2h from 09:40 400ml {own_code(KEY, 'tech-1')}")
    (window,) = gateway.store.spans()
    assert (window.station, window.who) == ("hollin", "tech-1")
    assert gateway.store.marks()[answers.poured_mark(window)] == "400"
    (told,) = gateway.told()
    assert "on site at Hollin Dam from 09:40 until 11:40" in told
    assert len(told) <= 160


def test_not_understood(gateway: Gateway) -> None:
    """What is no answer changes nothing, and the person reads what can be answered."""
    gateway.hand_in("where is everybody?")
    (told,) = gateway.told()
    assert "Answer OK, LATER THU" in told
    assert gateway.acted() == []


def test_nonsense_makes_no_flood(gateway: Gateway) -> None:
    """What proves nothing is answered five times a day at most, then said to be read no more; a repeated STOP once."""
    for minute in range(10):
        gateway.now = NOW + timedelta(minutes=minute)
        gateway.hand_in("where is everybody?")
        gateway.hand_in("STOP", HOST)
    assert len(gateway.told()) == 6
    assert sum("Until tomorrow none is read" in told for told in gateway.told()) == 1
    assert len(gateway.told("host-1")) == 1


def test_a_volunteer_may_stop_whatever_came_from_the_number_before(gateway: Gateway) -> None:
    """Nonsense that a stranger sent in the volunteer's name must not keep them from stopping."""
    for _ in range(6):
        gateway.hand_in("where is everybody?", HOST)
    gateway.hand_in("STOP", HOST)
    assert "host-1" in answers.stopped(gateway.store.marks(answers.STOPPED))


def test_about_one_notice_only(gateway: Gateway) -> None:
    """The letters of one alarm's notice answer no other, and book no visit at a station it is not about."""
    letters = gateway.notice()
    gateway.store.commit(
        NOW, alarms=[STANDING, replace(STANDING, number=42, key=replace(STANDING.key, scope="station:fennick"))]
    )
    gateway.hand_in(f"OK 42{letters}")
    gateway.hand_in(f"VISIT LARKMOOR 2H 41{letters}")
    assert gateway.acted() == []
    assert gateway.store.spans() == ()


def test_a_drill(gateway: Gateway) -> None:
    """A drill is answered by its letters, by CAME or OK."""
    letters = gateway.notice("drill:41", kind="drill", alarm=0)
    gateway.hand_in(f"OK 41{letters}")
    gateway.hand_in(f"CAME 41{letters}")
    assert gateway.acted() == [("came", "tech-1", 0)] * 2


def test_a_number_where_the_notice_has_none(gateway: Gateway) -> None:
    """An alarm's number in the answer to a digest does nothing, and says so."""
    digest = Notice(1, "digest:2025-10-20", "tech-1", "mail", "digest", NOW, NOW)
    done = answers.act(gateway.store, gateway.network, Said(Kind.OK, 41), "tech-1", NOW, notice=digest)
    assert done == answers.Done("There is nothing to answer here: nothing was changed.")
    assert gateway.acted() == []


def test_a_volunteer_stops_and_starts(gateway: Gateway) -> None:
    """STOP from a volunteer's phone ends their notices, START brings them back, both confirmed; others' can't."""
    gateway.hand_in("Stop", HOST)
    assert answers.stopped(gateway.store.marks()) == {"host-1"}
    gateway.hand_in("START", HOST)
    gateway.hand_in("STOP", TECH)
    assert answers.stopped(gateway.store.marks()) == frozenset()
    assert [text.split(": ", 1)[1][:24] for text in gateway.told("host-1")] == [
        "You get no more notices.",
        "You get notices again. S",
    ]


@pytest.mark.parametrize("key", ["", "x", HOOK[:-1], HOOK + "x", "é" * 16, "../" + HOOK])
def test_without_the_gateways_key(gateway: Gateway, key: str) -> None:
    """Only who knows the address may hand in."""
    letters = gateway.notice()
    assert gateway.hand_in(f"OK 41{letters}", key=key) in (404, 405)
    assert gateway.acted() == []


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"[1, 2]",
        b'"x"',
        b"{" * 2000,
        b"[" * 4000,
        b'{"from": {"a": 1}, "body": ["x"]}',
        b'{"from": null}',
        b"\xff",
    ],
)
def test_odd_bodies(gateway: Gateway, body: bytes, caplog: pytest.LogCaptureFixture) -> None:
    """What is no text at all is refused in words, and is no fault of the page."""
    answer = requests.post(gateway.address + HOOK, data=body, headers={"Content-Type": "application/json"}, timeout=5)
    assert answer.status_code == 400
    assert not [record for record in caplog.records if record.levelno >= logging.ERROR]


def test_too_large(gateway: Gateway) -> None:
    """More than any text is not read."""
    assert gateway.hand_in("OK 41 " + "x" * 10_000) == 413


def test_not_set_up(gateway: Gateway) -> None:
    """Without [answers.text] there is no such address, whatever key is tried."""
    app = create_app(gateway.store, replace(gateway.network, answers=AnswersSettings()), KEY, lambda: NOW)
    for key in (HOOK, "None", ""):
        assert app.test_client().post(f"/texts/{key}", data=json.dumps({})).status_code in (404, 405)


def test_a_days_end_is_the_networks_own(gateway: Gateway) -> None:
    """The count of wrong codes begins anew at midnight where the people are, not in UTC."""
    letters = gateway.notice()
    gateway.now = datetime.fromisoformat("2025-10-22T05:59:00+00:00")
    for _ in range(5):
        gateway.hand_in("OK 41bbb")
    gateway.now += timedelta(minutes=2)
    gateway.hand_in(f"OK 41{letters}")
    assert gateway.acted() == [("acknowledge", "tech-1", 41)]

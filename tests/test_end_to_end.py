"""Bad input through the real way, from a local source to a local phone: a clear sentence, and nothing else is lost."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler
from pathlib import Path
from typing import Self

import pytest

from demo.clock import Clock
from demo.mailbox import Arrived, TextBox
from tests.helpers import write_network
from tests.town import RULES, SECRETS, STATIONS, Town, Watched, read_only, storms, table
from watchman import daemon
from watchman.errors import InputError, OutsideError
from watchman.model import Delivery, Notice, NoticeState
from watchman.store import Store

NOW = datetime.now(UTC)
HEAD = b"station,time,rain_mm,battery_v\n"


@pytest.fixture
def town(tmp_path: Path) -> Iterator[Town]:
    """A town whose other source brings heavy rain."""
    with Town(tmp_path) as town:
        town.wet()
        yield town


def once(town: Town) -> dict[str, Delivery]:
    """Fetch, judge, commit and send once; return what each source brought."""
    _told, deliveries = daemon.once(town.folder, SECRETS.get)
    return {delivery.source: delivery for delivery in deliveries}


def sentences(delivery: Delivery) -> str:
    """Return all that is said of a delivery's trouble."""
    return "\n".join([delivery.trouble, *(f"{row.reason}: {row.row}" for row in delivery.rejected)])


def rain_is_told(town: Town) -> bool:
    """Say whether the other source's heavy rain has reached the warden once by text and once by mail."""
    texts, mails = storms(town.told("warden")), storms(town.told("warden", "mail"))
    return len(texts) == len(mails) == 1 and "Larkmoor" in texts[0]


def endless(request: BaseHTTPRequestHandler) -> None:
    """Answer without end."""
    request.send_response(200)
    request.end_headers()
    with contextlib.suppress(OSError):
        while True:
            request.wfile.write(b"hollin,2025-10-20T00:00:00Z,0.0,3.9\n" * 1000)


STAMP = (NOW - timedelta(minutes=1)).strftime("%Y-%m-%dT%H:%M:%SZ").encode()
BAD = {
    "a web page": (b"<!doctype html><title>Please log in</title>", ["web page", "Please log in"]),
    "nothing": (b"", ["empty answer"]),
    "an endless answer": (endless, ["more than max_mb = 0.1"]),
    "a row of letters": (HEAD + b"hollin,abc,def,ghi\n", ["time 'abc' can't be read"]),
    "letters for rain": (HEAD + b"hollin," + STAMP + b",wet,3.9\n", ["rain is not a number", "wet"]),
    "a station nobody listed": (HEAD + b"ghost," + STAMP + b",50,3.9\n", ["ghost", "not in stations.csv"]),
    "another table": (b"when;what\n1;2\n", ["main.csv can't be read"]),
    "bytes": (bytes(range(128, 256)) * 20, ["can't be read"]),
}


@pytest.mark.parametrize("body, said", BAD.values(), ids=BAD.keys())
def test_what_a_source_sends_wrongly_is_said_and_costs_nothing_else(town: Town, body: bytes, said: list[str]) -> None:
    """The sentence names what came; the other source's heavy rain is told."""
    town.answers["/main.csv"] = body
    trouble = sentences(once(town)["main"])
    assert [words for words in said if words not in trouble] == [], trouble
    assert rain_is_told(town)


def test_half_a_json_is_said_and_costs_nothing_else(tmp_path: Path) -> None:
    """A document that breaks off in its middle."""
    with Town(tmp_path, kind="json") as town:
        town.wet()
        town.answers["/main.csv"] = b'[{"station": "hollin", "time": "2025-10-20T00:00'
        assert "can't be read" in sentences(once(town)["main"])
        assert rain_is_told(town)


def test_an_empty_file_is_said_and_costs_nothing_else(tmp_path: Path) -> None:
    """A file of no bytes, as an upload leaves it when the disk is full."""
    with Town(tmp_path, main='path = "upload.csv"') as town:
        town.wet()
        (tmp_path / "upload.csv").touch()
        os.utime(tmp_path / "upload.csv", (0, 0))  # a fresh one may still be being written
        assert "upload.csv is empty" in sentences(once(town)["main"])
        assert rain_is_told(town)


ABSURD = {
    "negative rain": b"hollin," + STAMP + b",-5,3.9\n",
    "absurd rain": b"hollin," + STAMP + b",9000,3.9\n",
    "a stamp of 1970": b"hollin,1970-01-01T00:00:00Z,30,3.9\n",
    "a stamp of 2099": b"hollin,2099-01-01T00:00:00Z,30,3.9\n",
}


@pytest.mark.parametrize("row", [pytest.param(row, id=name) for name, row in ABSURD.items()])
def test_absurd_readings_are_kept_with_a_flag_and_told_to_nobody(town: Town, row: bytes) -> None:
    """The row stays as it came, with a reason; no storm is made of it, and the sound one is told."""
    town.answers["/main.csv"] = HEAD + row
    assert once(town)["main"].trouble == ""
    with contextlib.closing(sqlite3.connect(town.folder / "watch.db")) as database:
        kept = database.execute(
            "SELECT value, flag, reason FROM delivered JOIN stations ON station = number "
            "WHERE id = 'hollin' AND variable = 0"
        ).fetchall()
    assert len(kept) == 1
    value, flag, reason = kept[0]
    assert value == float(row.split(b",")[2])
    assert flag in (3, 4)
    assert len(reason) > 5
    assert rain_is_told(town)
    assert [text for text in town.told("warden") if "Hollin" in text] == []


def test_the_same_file_twice_changes_nothing(tmp_path: Path) -> None:
    """Uploaded again under another time, it is neither rain again nor a notice again."""
    with Town(tmp_path, main='path = "upload.csv"') as town:
        (tmp_path / "upload.csv").write_bytes(table({"hollin": 8.4, "fennick": 0.0}))
        once(town)
        with contextlib.closing(sqlite3.connect(tmp_path / "watch.db")) as database:
            before = database.execute("SELECT count(*) FROM delivered").fetchone()
        (tmp_path / "upload.csv").write_bytes((tmp_path / "upload.csv").read_bytes())
        once(town)
        with contextlib.closing(sqlite3.connect(tmp_path / "watch.db")) as database:
            assert database.execute("SELECT count(*) FROM delivered").fetchone() == before
        assert len(storms(town.told("warden"))) == 1


def test_a_rule_with_a_typo_is_named_with_what_may_stand_there(town: Town) -> None:
    """File, line, what was found, what is allowed."""
    town.write(
        rules=RULES | {"heavy-rain": RULES["heavy-rain"].replace('check = "heavy-rain"', 'check = "heavy-rian"')}
    )
    with pytest.raises(InputError) as raised:
        once(town)
    assert "rules/heavy-rain.toml, line" in str(raised.value)
    assert '"heavy-rian"' in str(raised.value)
    assert '"heavy-rain"' in str(raised.value)


def test_a_contact_no_channel_can_reach_is_named(tmp_path: Path) -> None:
    """Nobody would ever hear that the notice did not arrive."""
    with (
        Town(tmp_path, more='\n[[contacts]]\nname = "nobody"\nroles = ["host"]\n') as town,
        pytest.raises(InputError, match=r"nobody can't be reached.*needs mail, text or chat"),
    ):
        once(town)


def test_a_mail_server_that_refuses_costs_no_text(town: Town) -> None:
    """Nothing listens where mail should go: the text arrives, and the mail waits with its reason."""
    town.write(mail_port=9)
    once(town)
    assert len(storms(town.told("warden"))) == 1
    with contextlib.closing(Store.open("sqlite:///watch.db", town.folder)) as store:
        mail = [notice for notice in store.notices() if (notice.person, notice.channel) == ("warden", "mail")]
    assert [notice.state.value for notice in mail] == ["due"]
    assert "refused" in mail[0].error.lower()
    assert mail[0].next_attempt_at is not None


def test_while_the_store_is_read_only_storms_are_told_hourly_and_the_alarm_is_raised_afterwards(town: Town) -> None:
    """Marked as what may come again, by text and mail; told properly, once, when it can be written down."""
    watched = Watched(town)
    with read_only(watched.store):
        assert "read" in watched.turn()
        assert len(storms(town.told("warden"))) == 1
        assert "(repeat)" in town.told("warden")[0]
        assert len(town.told("warden")[0]) <= 160
        assert town.told("warden", "mail")[0].startswith("(repeat) ")
        watched.turn(5)
        watched.turn(5)
        assert len(storms(town.told("warden"))) == 1
        town.answers["/other.csv"] = table({"larkmoor": 9.0}, watched.now + timedelta(minutes=51))
        town.answers["/main.csv"] = table({"hollin": 0.0, "fennick": 0.0}, watched.now + timedelta(minutes=51))
        watched.turn(52)
        assert len(storms(town.told("warden"))) == 2
        assert watched.store.open_alarms() == ()
    assert watched.turn(1) == ""
    assert [alarm.check for alarm in watched.store.open_alarms() if alarm.standing] == ["heavy-rain"]
    assert len(storms(town.told("warden"))) == 3
    assert "(repeat)" not in town.told("warden")[2]
    watched.turn(1)
    assert len(storms(town.told("warden"))) == 3
    watched.store.close()


LIMIT_OF_TWO_READINGS = """\
check = "heavy-rain"
when = "now"
tell = ["warden"]
[settings]
limits = [{ depth_mm = 10, minutes = 30, severity = "moderate" }]
"""


@pytest.mark.parametrize("again", [pytest.param(False, id="the newest alone"), pytest.param(True, id="all again")])
def test_rain_adds_up_while_the_store_is_read_only(tmp_path: Path, again: bool) -> None:
    """Two readings that reach the limit only together, whether the source sends the first again or not."""
    with Town(tmp_path) as town:
        town.write(rules=RULES | {"heavy-rain": LIMIT_OF_TWO_READINGS})
        watched = Watched(town)
        with read_only(watched.store):
            watched.rain(larkmoor=5.6)
            first = town.answers["/other.csv"]
            watched.turn()
            assert storms(town.told("warden")) == []
            watched.rain(larkmoor=5.6, minutes_ago=-14)
            if again:
                second = town.answers["/other.csv"]
                assert isinstance(first, bytes)
                assert isinstance(second, bytes)
                town.answers["/other.csv"] = first + second.partition(b"\n")[2]
            watched.turn(15)
            assert len(storms(town.told("warden"))) == 1
        watched.store.close()


def test_while_the_store_is_read_only_a_storm_that_stands_is_told_again_after_an_hour(town: Town) -> None:
    """It is told hourly for as long as it stands, and not more often."""
    watched = Watched(town)
    with read_only(watched.store):
        told = []
        for _ in range(8):
            at = watched.now + timedelta(minutes=5)
            town.answers["/other.csv"] = table({"larkmoor": 9.0}, at - timedelta(minutes=1))
            watched.turn(10)
            told.append(len(storms(town.told("warden"))))
    assert told == [1, 1, 1, 1, 1, 1, 2, 2]
    watched.store.close()


def test_what_came_while_the_store_was_read_only_is_kept_afterwards(town: Town) -> None:
    """The source is not told that we have it before we do."""
    watched = Watched(town)
    with read_only(watched.store):
        watched.turn()
        watched.turn(1)
    assert watched.turn(1) == ""
    assert len(watched.store.delivered_after(0)) > 0
    total = watched.daemon.watch.record.daily.rain.sum()
    assert total == 8_400
    watched.store.close()


def test_once_on_a_store_that_cannot_be_written_says_so(town: Town, monkeypatch: pytest.MonkeyPatch) -> None:
    """Exit code 3 at the command line; the storm is told all the same."""

    def refuse(*_: object, **__: object) -> None:
        raise OutsideError("watch.db can't grow, the disk is full: free some space.")

    monkeypatch.setattr(Store, "commit", refuse)
    with pytest.raises(OutsideError, match="the disk is full"):
        once(town)
    assert len(storms(town.told("warden"))) == 1


STORY_NETWORK = """\
[network]
name = "Veldran Hills"
zone = "UTC"

[[sources]]
name = "main"
kind = "csv"
path = "upload.csv"
covers_minutes = 15
columns = { time = "time", station = "station", rain = "rain_mm", battery = "battery_v" }

[[contacts]]
name = "warden"
roles = ["warden", "road crew"]
text = "json://127.0.0.1:PORT/texts/warden"

[[contacts]]
name = "tech-1"
roles = ["technician", "supervisor"]
text = "json://127.0.0.1:PORT/texts/tech-1"
"""


class Story:
    """The short story, its phones, and the process that starts copies of its watch."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.arrived = folder, list[Arrived]()
        self.phones = TextBox(folder / "texts.txt", Clock(NOW), self.arrived)

    def __enter__(self) -> Self:
        self.phones.__enter__()
        network = STORY_NETWORK.replace("PORT", str(self.phones.port))
        stations = STATIONS.replace(",other,", ",main,")
        write_network(self.folder, network, stations, RULES)
        self.starter = subprocess.Popen(
            [sys.executable, "-m", "tests.short_story", str(self.folder)],
            cwd=Path(__file__).parent.parent,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.starter.stdout is not None
        self.starter.stdout.readline()
        return self

    def __exit__(self, *_: object) -> None:
        self.starter.communicate()
        self.phones.__exit__()

    def watch(self, kill_after_s: float | None = None) -> int:
        """Watch the story from where it stands to its end or to a kill; return how the process ended."""
        assert self.starter.stdin is not None
        assert self.starter.stdout is not None
        self.starter.stdin.write("go\n")
        self.starter.stdin.flush()
        process = int(self.starter.stdout.readline())
        if kill_after_s is not None:
            time.sleep(kill_after_s)
            with contextlib.suppress(ProcessLookupError):
                os.kill(process, signal.SIGKILL)
        return int(self.starter.stdout.readline())

    def events(self) -> list[tuple[str, str, str]]:
        """Return what happened, in order."""
        with contextlib.closing(Store.open("sqlite:///watch.db", self.folder)) as store:
            events = store.events(NOW - timedelta(days=9999), NOW)
        return [(event.at.isoformat(), event.kind.value, event.alarm.key.scope) for event in events]

    def notices(self) -> dict[tuple[str, str], Notice]:
        """Return the outbox by occasion and person, all that says the watch was off left out."""
        with contextlib.closing(Store.open("sqlite:///watch.db", self.folder)) as store:
            return {(one.occasion, one.person): one for one in store.notices() if not one.occasion.startswith("off:")}


def test_killed_at_any_instant_it_tells_every_event_once_or_marks_the_repeat(tmp_path: Path) -> None:
    """kill -9, fifteen times in a short story: the same events as without, none lost, none told twice unmarked."""
    with Story(tmp_path / "calm") as calm:
        began = time.monotonic()
        assert calm.watch() == 0
        took = time.monotonic() - began
    expected = calm.notices()
    assert len(calm.events()) >= 6
    assert len(calm.arrived) == len(expected)

    chance = random.Random(5)
    kills = 0
    with Story(tmp_path / "killed") as story:
        for _ in range(15):
            kills += story.watch(chance.uniform(0.08, 0.25) * took) == signal.SIGKILL
        assert story.watch() == 0
    assert kills >= 5
    assert story.events() == calm.events()
    notices = story.notices()
    assert notices.keys() == expected.keys()
    accepted = [notice for notice in notices.values() if notice.state is NoticeState.ACCEPTED]
    for notice in notices.values():
        # Two steps of one storm that wait together are one notice: the newer.
        newer = [one for one in accepted if one.alarm == notice.alarm and one.made_at > notice.made_at]
        assert notice in accepted or (notice.state is NoticeState.WITHDRAWN and newer)
    texts = [one.words for one in story.arrived]
    unmarked = [text for text in texts if "(repeat)" not in text]
    assert len(unmarked) == len(set(unmarked))
    assert [notice.text for notice in accepted if notice.text not in texts] == []

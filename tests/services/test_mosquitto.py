"""Messages out of a real MQTT broker: nothing is lost and nothing counted twice, whatever breaks."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Protocol

import pytest
from pydantic import TypeAdapter

from tests.helpers import RULES, SECRETS, STATIONS_CSV, write_network
from tests.services.mosquitto import PASSWORD, USER, Broker
from tests.town import read_only, until
from watchman import daemon, verify
from watchman.daemon import Daemon
from watchman.model import Delivery
from watchman.network import load
from watchman.readings.sources import AnySource, FetchMemory, fetch, listen
from watchman.readings.sources.sampling import look_at_messages
from watchman.store import Store

HOUSE = Path(__file__).parents[2]
STATIONS = {"hollin": 0, "fennick": 1, "larkmoor": 2}
BEGIN = datetime(2025, 10, 20, tzinfo=UTC)
THIS_MINUTE = datetime.now(UTC).replace(second=0, microsecond=0)
VERSIONS = ("5", "3.1.1")
ADAPTER: TypeAdapter[AnySource] = TypeAdapter(AnySource)


@pytest.fixture(scope="module")
def running() -> Iterator[Broker]:
    with Broker() as broker:
        yield broker


@pytest.fixture
def broker(running: Broker) -> Broker:
    """Return the broker, whatever a test before has done to it."""
    running.stop(kill=True)
    for saved in running.folder.glob("*.db*"):
        saved.unlink()
    running.start()
    return running


def made(broker: Broker, **settings: Any) -> AnySource:
    usual = {
        "name": "field",
        "kind": "mqtt",
        "address": broker.address,
        "user": USER,
        "password": PASSWORD,
        "topics": ["gauges/{station}/up"],
        "columns": {"time": "at", "rain": "mm"},
    }
    return ADAPTER.validate_python({**usual, **settings}, strict=False)


def message(number: int, station: str = "hollin", mm: float = 0.2) -> tuple[str, bytes]:
    """Return the message of a station's minute."""
    at = (BEGIN + timedelta(minutes=number)).strftime("%Y-%m-%dT%H:%M:%SZ")
    return f"gauges/{station}/up", json.dumps({"at": at, "mm": mm}).encode()


class Listening(Protocol):
    """What a source is heard through."""

    def __call__(self, source: AnySource) -> Heard: ...


class Heard:
    """A source being listened to, its fetches kept, or not."""

    def __init__(self, source: AnySource) -> None:
        self.source = source
        listener = listen(source)
        assert listener is not None
        self.listener, self.memory = listener, FetchMemory()
        self.rows: set[tuple[int, int, float]] = set()
        self.rejected: list[str] = []

    def fetch(self, *, keep: bool = True) -> Delivery:
        delivery, memory = fetch(self.source, Path(), STATIONS, 0, self.memory, datetime.now(UTC), self.listener)
        if keep:
            readings = delivery.readings
            columns = (readings.station.tolist(), readings.observed_at.tolist(), readings.value.tolist())
            self.rows |= set(zip(*columns, strict=True))
            self.rejected += [one.reason for one in delivery.rejected]
            self.memory = memory
            self.listener.kept(memory)
        return delivery

    def fetched(self, rows: int) -> bool:
        """Fetch once more, and say whether all are here."""
        self.fetch()
        return len(self.rows) >= rows

    def ready(self) -> None:
        until(lambda: self.fetch().trouble == "", "the line")


def end(broker: Broker, heard: Heard) -> None:
    """Listen no more, and wait until the broker has noticed: who comes back at once is served before."""
    before = broker.log().count("Received DISCONNECT")
    heard.listener.close()
    until(lambda: broker.log().count("Received DISCONNECT") > before, "the end of the line")


@pytest.fixture
def hear() -> Iterator[Listening]:
    """Return what begins to listen, and ends with the test."""
    with ExitStack() as stack:

        def begin(source: AnySource) -> Heard:
            heard = Heard(source)
            stack.callback(heard.listener.close)
            return heard

        yield begin


@pytest.mark.parametrize("version", VERSIONS)
def test_bad_messages_between_good_ones(broker: Broker, hear: Listening, version: str) -> None:
    """A message that can't be read, or is too large, costs no other and doesn't end the line."""
    heard = hear(made(broker, version=version, max_mb=0.01))
    heard.ready()
    broken = ("gauges/hollin/up", b'{"at": 7,')
    large = ("gauges/hollin/up", b"x" * 2_000_000)
    broker.send([message(1), broken, ("gauges/\N{SNOWMAN}/up", b"[]"), large, message(2), message(3, "larkmoor")])
    until(lambda: heard.fetched(3), "the good messages")
    assert [reason for reason in heard.rejected if "half a JSON" in reason]
    # With MQTT 5 the broker itself keeps back what is too large.
    assert [reason for reason in heard.rejected if "MB; the limit is max_mb = 0.01" in reason] == (
        [] if version == "5" else ["it has 2 MB; the limit is max_mb = 0.01"]
    )
    broker.send([message(4)])
    until(lambda: heard.fetched(4), "the message after them")


@pytest.mark.parametrize("version", VERSIONS)
def test_what_was_not_kept_comes_again(broker: Broker, hear: Listening, version: str) -> None:
    """Fetched but not kept, messages come with the next fetch; unacknowledged, they come to the next start."""
    first = hear(made(broker, version=version))
    first.ready()
    broker.send([message(number) for number in range(5)])
    until(lambda: len(first.fetch(keep=False).readings) == 5, "the messages")
    assert len(first.fetch(keep=False).readings) == 5
    first.listener.close()
    broker.send([message(number) for number in range(5, 8)])

    second = hear(made(broker, version=version))
    until(lambda: second.fetched(8), "those not kept, and those of the time between")
    end(broker, second)
    third = hear(made(broker, version=version))
    third.ready()
    broker.send([message(9)])
    until(lambda: third.fetched(1), "a new one")
    assert len(third.rows) == 1, "what was kept is not sent again"


@pytest.mark.parametrize("version", VERSIONS)
def test_a_broker_that_starts_again(broker: Broker, hear: Listening, version: str) -> None:
    """The line comes back by itself, also when the broker was not there at first, and nothing kept is lost."""
    broker.stop()
    heard = hear(made(broker, version=version))
    assert heard.fetch().trouble == f"{broker.address} can't be reached: connection refused"
    broker.start()
    heard.ready()
    broker.send([message(1)])
    until(lambda: len(heard.fetch(keep=False).readings) == 1, "the first message")
    broker.stop()
    until(lambda: heard.fetch(keep=False).trouble != "", "the trouble")
    broker.start()
    broker.send([message(2)])
    until(lambda: heard.fetched(2), "both messages")


@pytest.mark.parametrize("version", VERSIONS)
def test_five_thousand_at_once(broker: Broker, hear: Listening, version: str) -> None:
    """A burst while nobody listens, and one while somebody does: each message once, the sum right."""
    heard = hear(made(broker, version=version))
    heard.ready()
    heard.listener.close()
    names = list(STATIONS)
    messages = [message(number // 3, names[number % 3], 0.2 * (number % 7)) for number in range(5000)]
    broker.send(messages[:2500])
    again = hear(made(broker, version=version))
    broker.send(messages[2500:])
    until(lambda: again.fetched(5000), "5,000 messages", 90)
    assert len(again.rows) == 5000
    assert sum(mm for _, _, mm in again.rows) == pytest.approx(sum(0.2 * (number % 7) for number in range(5000)))


def test_more_than_is_held(broker: Broker, hear: Listening, monkeypatch: pytest.MonkeyPatch) -> None:
    """When as much is held as may be, the broker has to wait; nothing is dropped."""
    monkeypatch.setattr("watchman.readings.sources.listening.HELD_MESSAGES", 50)
    heard = hear(made(broker))
    heard.ready()
    broker.send([message(number) for number in range(1000)])
    until(lambda: len(heard.fetch(keep=False).readings) >= 50, "as much as may be held")
    assert len(heard.fetch(keep=False).readings) < 200
    until(lambda: heard.fetched(1000), "all of them", 60)


@pytest.mark.parametrize("version", VERSIONS)
def test_refusals_in_words(broker: Broker, version: str) -> None:
    """Why nothing can be heard is told, without the password."""

    def trouble(**settings: Any) -> str:
        heard = Heard(made(broker, version=version, **settings))
        with closing(heard.listener):
            return heard.fetch().trouble.removeprefix(f"{heard.source.place} ")

    assert trouble() == ""
    assert trouble(password="sesame").startswith("refused us: user or password is wrong")
    assert trouble(user="", password="").startswith("refused us: user or password is wrong")
    assert trouble(address="mqtt://nowhere.invalid") == "can't be found: no such name, or no link to the name server"
    told = trouble(address=f"mqtts://localhost:{broker.tls}")
    assert told.startswith("has a certificate that can't be trusted")
    assert trouble(address=f"mqtts://localhost:{broker.plain}").startswith("can't agree with us on how to speak")


def test_somebody_who_may_not_listen(broker: Broker, hear: Listening) -> None:
    """A broker lets everybody ask; what it says then is told."""
    heard = hear(made(broker, user="blind", topics=["gauges/{station}/up"]))
    broker.send([message(1)])
    assert heard.fetch().trouble in ("", f"{broker.address} doesn't let us listen to gauges/+/up: not authorized")
    assert len(heard.fetch().readings) == 0


def test_two_of_one_name(broker: Broker, hear: Listening) -> None:
    """Two programs that take the same place from each other in turn are told so."""
    first = hear(made(broker))
    first.ready()
    second = hear(made(broker))
    second.ready()
    told = "breaks off the line again and again; perhaps another program has the same client_id"
    until(lambda: told in first.fetch().trouble, "the trouble of the first", 60)
    until(lambda: told in second.fetch().trouble, "the trouble of the second", 60)


def test_a_private_line(broker: Broker, hear: Listening, monkeypatch: pytest.MonkeyPatch) -> None:
    """By TLS with a certificate that is trusted; for another name it isn't."""
    monkeypatch.setenv("SSL_CERT_FILE", str(broker.certificate))
    heard = hear(made(broker, address=f"mqtts://localhost:{broker.tls}"))
    heard.ready()
    broker.send([message(1)])
    until(lambda: heard.fetched(1), "the message")
    other = hear(made(broker, address=f"mqtts://127.0.0.1:{broker.tls}"))
    assert "has a certificate that can't be trusted" in other.fetch().trouble


def test_retained_messages(broker: Broker, hear: Listening) -> None:
    """What the broker retained arrived long ago, and what comes live arrives now."""
    broker.send([message(1)], retain=True)
    heard = hear(made(broker))
    until(lambda: heard.fetched(1), "the retained message")
    broker.send([message(2)])
    until(
        lambda: len(again := heard.fetch(keep=False).readings) == 1 and again.received_at[0] > time.time() - 60, "live"
    )


def test_a_first_look(broker: Broker) -> None:
    """What messages hold is proposed from what is heard, also where nothing can be."""
    bodies = [{"at": f"2025-10-21T14:{minute:02}:00Z", "obs": {"rain_mm": 0.2}} for minute in (20, 25)]
    broker.send([("gauges/hollin/up", json.dumps(bodies).encode()), message(2, "larkmoor")], retain=True)
    written = {"address": broker.address, "user": USER, "password": PASSWORD, "topics": ["gauges/{station}/up"]}
    proposal = look_at_messages(written, 1.0)
    assert (proposal.kind, proposal.trouble) == ("mqtt", "")
    assert proposal.settings["columns"] == {"time": "at", "rain": "obs.rain_mm"}
    assert "hollin" in {one.name for one in proposal.stations}
    quiet = look_at_messages({**written, "topics": ["gauges/{station}/down"]}, 0.2)
    assert quiet.trouble == "nothing was sent in 0.2 s; a station may send once an hour only"
    assert "user or password" in look_at_messages({**written, "password": "sesame"}, 0.2).trouble


NETWORK = """\
[network]
name = "Veldran Hills"
zone = "America/Denver"

[mail]
host = "127.0.0.1"
port = 9
security = "none"
sender = "watch@example.org"

[[sources]]
name = "field"
kind = "mqtt"
address = "{address}"
version = "{version}"
user = "field"
password = "secret:broker"
topics = ["gauges/{{station}}/up"]
columns = {{ time = "at", rain = "mm" }}

[[contacts]]
name = "tech-1"
roles = ["technician", "crew", "supervisor", "warden", "road crew"]
mail = "tech-1@example.org"
"""
ALL_SECRETS = {**SECRETS, "broker": PASSWORD}


def network(folder: Path, broker: Broker, version: str = "5") -> Path:
    return write_network(folder, NETWORK.format(address=broker.address, version=version), STATIONS_CSV, RULES)


def introduce(folder: Path, broker: Broker) -> None:
    """Have the broker know the network, so that it keeps for it what comes from now on."""
    heard = Heard(load(folder, ALL_SECRETS.get).sources[0])
    heard.ready()
    end(broker, heard)


def now_message(minutes_ago: int, station: str = "hollin") -> tuple[str, bytes]:
    at = THIS_MINUTE - timedelta(minutes=minutes_ago)
    return f"gauges/{station}/up", json.dumps({"at": at.strftime("%Y-%m-%dT%H:%M:%SZ"), "mm": 0.2}).encode()


def kept(folder: Path) -> int:
    """Return how many readings the store has."""
    with closing(Store.open("sqlite:///watch.db", folder)) as store:
        store.bind(list(STATIONS), ["field"])
        return len(store.delivered(0, 2**40))


DIES = """
import os, sys
from pathlib import Path
from watchman import daemon
from watchman.network import load
from watchman.store import Store
folder, how, count = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
network = load(folder, {secrets!r}.get)
store = Store.open("sqlite:///watch.db", folder)
watching = daemon.Daemon(network, store)
watching.listen()
while len(watching.fetch(0).readings) < count:
    pass
if how == "after":
    watching._remember = lambda one: os._exit(9)
    watching.cycle()
os._exit(9)
"""


@pytest.mark.parametrize("version", VERSIONS)
@pytest.mark.parametrize("how", ["before", "after"])
def test_a_watch_that_dies(tmp_path: Path, broker: Broker, how: str, version: str) -> None:
    """Killed before the store has kept the messages, or after it and before they are acknowledged: once is kept."""
    folder = network(tmp_path / "net", broker, version)
    introduce(folder, broker)
    broker.send([now_message(minutes) for minutes in range(10)])
    script = DIES.format(secrets=ALL_SECRETS)
    died = subprocess.run([sys.executable, "-c", script, str(folder), how, "10"], cwd=HOUSE, timeout=60, check=False)
    assert died.returncode == 9
    assert kept(folder) == (10 if how == "after" else 0)

    broker.send([now_message(minutes) for minutes in range(10, 12)])
    _, deliveries = daemon.once(folder, ALL_SECRETS.get)
    assert sum(len(delivery.readings) for delivery in deliveries) >= 12, "the broker sent them again"
    assert kept(folder) == 12
    _, deliveries = daemon.once(folder, ALL_SECRETS.get)
    assert sum(len(delivery.readings) for delivery in deliveries) == 0, "now it knows that they were kept"


def test_a_single_look_takes_all_that_the_broker_kept(tmp_path: Path, broker: Broker) -> None:
    """More than the broker sends at once."""
    folder = network(tmp_path / "net", broker, "3.1.1")
    daemon.once(folder, ALL_SECRETS.get)
    broker.send([now_message(minutes, station) for minutes in range(100) for station in STATIONS])
    daemon.once(folder, ALL_SECRETS.get)
    assert kept(folder) == 300


def test_a_store_that_can_not_write(tmp_path: Path, broker: Broker) -> None:
    """While the disk is full the messages stay the broker's, and are kept once it isn't."""
    folder = network(tmp_path / "net", broker)
    store = Store.open("sqlite:///watch.db", folder)
    with closing(store):
        watching = Daemon(load(folder, ALL_SECRETS.get), store)
        watching.listen()
        with closing(watching):
            watching.fetch(0)
            watching.cycle()
            broker.send([now_message(minutes) for minutes in range(4)])
            with read_only(store):
                assert watching.hear(10)
                told = watching.cycle()
                assert told is not None
                assert told.trouble
            assert len(watching.fetch(0).readings) == 4, "they are still held"
            watching.cycle()
            assert len(watching.fetch(0).readings) == 0
    assert kept(folder) == 4


def test_the_running_watch_hears_at_once(tmp_path: Path, broker: Broker) -> None:
    """A message is kept within seconds, though the source is polled once a minute; nothing heard is no trouble."""
    folder = network(tmp_path / "net", broker)
    given = {"WATCHMAN_TECH_1_TEXT": SECRETS["tech_1_text"], "WATCHMAN_BROKER": PASSWORD}
    with (tmp_path / "log").open("wb") as log:
        command = [sys.executable, "-m", "watchman", "run", str(folder)]
        process = subprocess.Popen(command, cwd=HOUSE, stdout=log, stderr=log, env={**_environment(), **given})
    try:
        until(lambda: "Received SUBSCRIBE" in broker.log().rpartition("mosquitto version")[2], "the subscription", 60)
        until(lambda: _polled(folder), "the first poll", 60)
        sent_s = time.monotonic()
        broker.send([now_message(1)])
        until(lambda: kept(folder) == 1, "the message in the store", 30)
        took_s = time.monotonic() - sent_s
        assert took_s < 15, "well before the next poll"
        with closing(Store.open("sqlite:///watch.db", folder)) as store:
            assert [health.failing_since for health in store.health()] == [None]
    finally:
        process.terminate()
        process.wait(20)
    assert PASSWORD not in (tmp_path / "log").read_text()
    assert "Traceback" not in (tmp_path / "log").read_text()


def _environment() -> dict[str, str]:
    import os

    return dict(os.environ)


def _polled(folder: Path) -> bool:
    if not (folder / "watch.db").exists():
        return False
    with closing(Store.open("sqlite:///watch.db", folder)) as store:
        return any(health.last_success_at for health in store.health())


def test_verify_takes_nothing(tmp_path: Path, broker: Broker, monkeypatch: pytest.MonkeyPatch) -> None:
    """It says what it heard in a short while, and the watch hears all the same; silence is not called an answer."""
    monkeypatch.setattr("watchman.readings.sources.listening.OVERHEAR_S", 1.0)
    folder = network(tmp_path / "net", broker)
    introduce(folder, broker)
    quiet = "\n".join(verify.verify(folder, ALL_SECRETS.get, datetime.now(UTC)).lines)
    assert "field: lets us listen; nothing of our stations was sent while we did" in quiet
    broker.send([now_message(5)], retain=True)
    heard = "\n".join(verify.verify(folder, ALL_SECRETS.get, datetime.now(UTC)).lines)
    assert "field: 1 reading of 1 station" in heard
    daemon.once(folder, ALL_SECRETS.get)
    assert kept(folder) == 1
    broker.stop()
    gone = verify.verify(folder, ALL_SECRETS.get, datetime.now(UTC))
    assert gone.exit_code == verify.OUTSIDE
    assert "can't be reached: connection refused" in "\n".join(gone.lines)

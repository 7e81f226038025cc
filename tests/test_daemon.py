"""The watch as a service: a real process between a local source, mail server and text service, and its parts."""

from __future__ import annotations

import json
import logging
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, suppress
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler
from pathlib import Path
from typing import Any, cast

import pytest
from apscheduler.schedulers.background import BackgroundScheduler

from tests.town import RULES, SECRETS, Town, Watched, read_only, storms, table, until
from watchman import daemon
from watchman.errors import InputError, OutsideError
from watchman.network import load
from watchman.store import Store

LIFE = '\n[sign_of_life]\naddress = "secret:life"\n'
SIGN = "/life/" + SECRETS["life"]


class Manager:
    """The service manager's end of the notify socket."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(str(path))
        self.socket.setblocking(False)
        self._heard: list[str] = []

    def heard(self) -> list[str]:
        """Return all it has been told so far."""
        with suppress(BlockingIOError):
            while True:
                self._heard.append(self.socket.recv(4096).decode())
        return list(self._heard)


class Service:
    """`watchman run` as a process of its own; its log in a file."""

    def __init__(self, town: Town, manager: Manager | None = None, *options: str) -> None:
        self.log = town.folder / f"run-{time.monotonic_ns()}.log"
        web = town.web.server_port
        secrets = {"WATCHMAN_FEED": SECRETS["feed"], "WATCHMAN_LIFE": f"http://127.0.0.1:{web}{SIGN}"}
        environment = {**os.environ, **secrets, **({"NOTIFY_SOCKET": str(manager.path)} if manager else {})}
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "watchman", "run", str(town.folder), *options],
                env=environment,
                cwd=Path(__file__).parent.parent,
                stdout=log,
                stderr=log,
            )

    def end(self, seconds: float = 10.0) -> tuple[int, float]:
        """Ask it to end; return its exit code and how long it took [s]."""
        began = time.monotonic()
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(seconds), time.monotonic() - began

    def said(self) -> str:
        return self.log.read_text(encoding="utf-8")


@pytest.fixture
def services() -> Iterator[Callable[..., Service]]:
    """Start services that end with the test, however it ends."""
    with ExitStack() as stack:

        def start(town: Town, manager: Manager | None = None, *options: str) -> Service:
            service = Service(town, manager, *options)
            stack.callback(service.process.wait)
            stack.callback(service.process.kill)
            return service

        yield start


def test_a_day_of_a_service(tmp_path: Path, services: Callable[..., Service]) -> None:
    """Ready, alive after cycles, a storm by text and mail, one copy only, a sign of life, no secret said, a quick
    end.
    """
    manager = Manager(tmp_path / "notify")
    with Town(tmp_path / "net", more=LIFE) as town:
        service = services(town, manager, "--verbose")
        until(lambda: "READY=1" in manager.heard(), "READY=1")
        until(lambda: "WATCHDOG=1" in manager.heard(), "WATCHDOG=1")
        assert manager.heard().index("READY=1") < manager.heard().index("WATCHDOG=1")
        until(lambda: SIGN in town.asked, "the sign of life")

        town.wet()
        until(lambda: storms(town.told("warden")) and storms(town.told("warden", "mail")), "text and mail of the storm")
        assert "Larkmoor" in town.told("warden")[0]

        second = services(town)
        assert second.process.wait(15) == 3
        assert re.search(r"Another watch already runs on .*watch\.db \(process \d+ on ", second.said())

        code, took = service.end()
        assert code == 0
        assert took < 4
        # A cycle that was under way may still say that it is done.
        assert "STOPPING=1" in manager.heard()[-2:]
        log = service.said()
        assert "watching Veldran Hills: 3 stations, 2 sources" in log
        assert [secret for secret in SECRETS.values() if secret in log] == []
        assert "/main.csv" not in log, "no address is logged while all is well"
        assert "Traceback" not in log
        assert len(town.told("warden")) == 1
        with closing(Store.open("sqlite:///watch.db", town.folder)) as store:
            kept = json.loads(store.marks()["config"])
        assert kept["network.toml"].endswith(LIFE), "for a start after a bad edit"


def test_it_ends_in_time_while_source_and_mail_server_hang(tmp_path: Path, services: Callable[..., Service]) -> None:
    """A notice under way is known as such afterwards; nothing that hangs holds up the end."""
    hang = threading.Event()

    def hanging(_request: BaseHTTPRequestHandler) -> None:
        hang.wait(30)

    with Town(tmp_path / "net") as town, closing(socket.create_server(("127.0.0.1", 0))) as silent:
        town.write(mail_port=silent.getsockname()[1])
        town.wet()
        service = services(town)
        until(lambda: storms(town.told("warden")), "the text, which the mail doesn't delay")
        town.answers["/main.csv"] = town.answers["/other.csv"] = hanging
        asked = len(town.asked)
        until(lambda: len(town.asked) > asked, "a source being asked that hangs")
        code, took = service.end(12)
        hang.set()
        assert code == 0
        assert took < 10
        with closing(Store.open("sqlite:///watch.db", town.folder)) as store:
            states = {(one.person, one.channel): one.state.value for one in store.notices()}
        assert states == {("warden", "text"): "accepted", ("warden", "mail"): "attempting"}


def keep_as_good(town: Town) -> str:
    """Do what a good start does, and return what it keeps."""
    network, store, trouble = daemon.open_network(town.folder, SECRETS.get)
    assert trouble == ""
    store.set_mark("config", network.to_text())
    store.close()
    return network.to_text()


def test_a_broken_edit_leaves_the_last_good_network_at_work(tmp_path: Path, services: Callable[..., Service]) -> None:
    """After a start with a typo the storm is still told, and the technicians hear of the typo."""
    with Town(tmp_path / "net") as town:
        keep_as_good(town)
        town.write(rules=RULES | {"overdue": 'check = "overdu"\ntell = ["technician"]\n'})
        town.wet()
        service = services(town)
        until(lambda: storms(town.told("warden")) and town.told("tech-1"), "the storm and the technician's text")
        assert "network folder" in town.told("tech-1")[0]
        until(lambda: town.told("tech-1", "mail"), "the technician's mail")
        until(
            lambda: any("overdue.toml" in mail.read_text() for mail in town.mails.folder.glob("*-tech-1-*.eml")),
            "the mail that names the file",
        )
        assert service.end()[0] == 0
        assert 'there is no check "overdu"' in service.said()


@pytest.mark.parametrize("address", ["sqlite:///watch.db", "sqlite:///elsewhere.db"])
@pytest.mark.parametrize("broken", ["[sources\n", "\n[nonsense]\n"])
def test_the_last_good_network_is_found_however_broken_the_file_is(tmp_path: Path, address: str, broken: str) -> None:
    """Also when the store lies elsewhere and the file is no TOML any more."""
    store_table = f'\n[store]\n# where it lies\naddress = "{address}"\n'
    with Town(tmp_path, more=store_table) as town:
        kept = keep_as_good(town)
        file = town.folder / "network.toml"
        file.write_text(file.read_text() + broken)
        again, store, trouble = daemon.open_network(town.folder, SECRETS.get)
        store.close()
        assert again.to_text() == kept
        assert "network.toml" in trouble


def test_after_the_edit_is_mended_the_alarm_of_it_ends(tmp_path: Path) -> None:
    """A start with good files says that the network folder is well again."""
    with Town(tmp_path) as town, closing(Store.open("sqlite:///watch.db", town.folder)) as store:
        network = load(town.folder, SECRETS.get)
        now = datetime.now(UTC)
        for trouble in ("rules/overdue.toml: a typo", "", ""):
            watching = daemon.Daemon(network, store, clock=lambda: now)
            if trouble:
                watching.watch.own_trouble[daemon.FOLDER] = trouble
            for position in range(2):
                watching.fetch(position)
            watching.cycle()
        assert [(event.kind.value, event.alarm.check) for event in store.events(now - timedelta(days=1), now)] == [
            ("raised", "check-failure"),
            ("returned", "check-failure"),
        ]


def test_a_first_start_with_a_mistake_is_refused(tmp_path: Path) -> None:
    """There is no good network to go on with."""
    with Town(tmp_path) as town:
        town.write(rules={"overdue": "check = 1\n"})
        with pytest.raises(InputError):
            daemon.open_network(town.folder, SECRETS.get)
        assert not (town.folder / "watch.db").exists()


class Still:
    """A service whose network nobody edits."""

    def __init__(self, scheduler: BackgroundScheduler) -> None:
        self.scheduler = scheduler

    def edited(self, *, asked: bool) -> None:
        """Say that nothing is new."""


class Turns:
    """An event that is set after so many waits."""

    def __init__(self, turns: int) -> None:
        self.turns = turns

    def wait(self, _seconds: float) -> bool:
        self.turns -= 1
        return self.turns < 0


@pytest.mark.parametrize("moved", [-3600.0, 3600.0])
def test_after_a_step_of_the_clock_every_job_goes_again(moved: float) -> None:
    """Set back an hour, the scheduler alone would sleep for that hour."""
    wall = iter([1000.0, 1001.0, 1002.0 + moved, 1003.0 + moved])
    steady = iter([0.0, 0.0, 1.0, 1.0, 2.0, 2.0, 3.0, 3.0])
    scheduler = BackgroundScheduler(timezone=UTC)
    scheduler.start(paused=True)
    scheduler.add_job(lambda: None, "interval", seconds=60, next_run_time=datetime.fromtimestamp(1060.0, UTC))
    daemon._wait(
        cast(Any, Turns(3)), threading.Event(), cast(Any, Still(scheduler)), lambda: next(wall), lambda: next(steady)
    )
    assert scheduler.get_jobs()[0].next_run_time == datetime.fromtimestamp(1002.0 + moved, UTC)
    scheduler.shutdown()


def test_a_clock_that_only_drifts_changes_nothing() -> None:
    """A second in an hour is no step."""
    wall = iter([1000.0, 1001.5, 1003.0])
    steady = iter([0.0, 0.0, 1.0, 1.0, 2.0, 2.0])
    scheduler = BackgroundScheduler(timezone=UTC)
    scheduler.start(paused=True)
    due = datetime.fromtimestamp(1060.0, UTC)
    scheduler.add_job(lambda: None, "interval", seconds=60, next_run_time=due)
    daemon._wait(
        cast(Any, Turns(2)), threading.Event(), cast(Any, Still(scheduler)), lambda: next(wall), lambda: next(steady)
    )
    assert scheduler.get_jobs()[0].next_run_time == due
    scheduler.shutdown()


def test_the_first_cycle_waits_for_every_source(tmp_path: Path) -> None:
    """What happened while the watch was off must be known when that is told."""
    with Town(tmp_path) as town, closing(Store.open("sqlite:///watch.db", town.folder)) as store:
        watching = daemon.Daemon(load(town.folder, SECRETS.get), store)
        assert watching.cycle() is None
        watching.fetch(0)
        assert watching.cycle() is None
        watching.fetch(1)
        assert watching.cycle() is not None
        assert watching.cycle() is None, "nothing new has arrived"
        watching.fetch(0)
        assert watching.cycle() is not None, "afterwards each is judged as it comes"


def test_a_source_that_hangs_does_not_keep_the_first_cycle_waiting_for_ever(tmp_path: Path) -> None:
    """After a minute it runs with what there is."""
    with Town(tmp_path) as town, closing(Store.open("sqlite:///watch.db", town.folder)) as store:
        watching = daemon.Daemon(load(town.folder, SECRETS.get), store)
        watching.fetch(0)
        watching.last_cycle_s -= daemon.IDLE_CYCLE_S
        assert watching.cycle() is not None


def test_a_board_that_cannot_listen_does_not_stop_the_watch(tmp_path: Path) -> None:
    """Its port is taken: that is trouble of the watch's own, to be told."""
    with closing(socket.create_server(("127.0.0.1", 0))) as taken, ExitStack() as stack:
        board = f'\n[board]\nlisten = "127.0.0.1:{taken.getsockname()[1]}"\naddress = "https://watch.example.org"\n'
        town = stack.enter_context(Town(tmp_path, more=board + 'key = "secret:feed"\n'))
        store = stack.enter_context(closing(Store.open("sqlite:///watch.db", town.folder)))
        watching = daemon.Daemon(load(town.folder, SECRETS.get), store)
        assert daemon._serve_board(watching) is None
        assert "can't listen" in watching.watch.own_trouble[daemon.BOARD]


def test_while_nothing_can_be_written_the_outside_watcher_hears_nothing(tmp_path: Path) -> None:
    """The service manager does: to start the watch again would only end its telling of storms."""
    manager = Manager(tmp_path / "notify")
    with Town(tmp_path / "net", more=LIFE) as town, closing(Store.open("sqlite:///watch.db", town.folder)) as store:
        address = f"http://127.0.0.1:{town.web.server_port}{SIGN}"
        watching = daemon.Daemon(load(town.folder, lambda name: address if name == "life" else name), store)
        watching.notify = daemon.Notify({"NOTIFY_SOCKET": str(manager.path)}.get)
        with read_only(store):
            for position in range(2):
                watching.fetch(position)
            assert watching.cycle() is not None
            assert manager.heard() == ["WATCHDOG=1"]
        assert watching.last_sign_s < 0
        watching.fetch(0)
        watching.cycle()
        until(lambda: SIGN in town.asked, "the sign of life")
        assert town.asked.count(SIGN) == 1


def test_a_source_in_trouble_is_logged_once(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """A night of failing fetches is one line when it begins and one when it is over."""
    caplog.set_level(logging.INFO, "watchman.daemon")
    with Town(tmp_path) as town, closing(Store.open("sqlite:///watch.db", town.folder)) as store:
        watching = daemon.Daemon(load(town.folder, SECRETS.get), store)
        good, town.answers["/main.csv"] = town.answers["/main.csv"], b"<html></html>"
        for _ in range(3):
            watching.fetch(0)
        town.answers["/main.csv"] = good
        watching.fetch(0)
    assert ["web page" in line or "works again" in line for line in caplog.messages] == [True, True]


NOON = datetime(2025, 10, 22, 12, tzinfo=UTC)


def raw_readings(store: Store) -> int:
    """Return how many raw readings the store holds."""
    return len(store.delivered_after(0))


def test_old_readings_are_deleted_but_never_by_a_wrong_clock(tmp_path: Path) -> None:
    """Two years are kept, counted from the newest reading: a clock set ten years ahead deletes nothing."""
    with Town(tmp_path) as town:
        watched = Watched(town, NOON - timedelta(days=1000))
        for at in (watched.now, NOON):
            watched.now = at
            watched.rain()
            watched.turn()
            held = raw_readings(watched.store)
        watched.now = NOON + timedelta(days=3650)
        watched.store.forget(NOON - timedelta(days=1000))
        assert raw_readings(watched.store) == held
        watched.daemon.forget()
        assert raw_readings(watched.store) == held / 2
        watched.store.close()


def test_deleting_that_fails_is_logged(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """House-keeping stops nothing else."""
    with Town(tmp_path) as town:
        watched = Watched(town, NOON)
        with read_only(watched.store):
            watched.daemon.forget()
        watched.store.close()
    assert any("old readings could not be deleted" in line for line in caplog.messages)


def test_every_job_is_scheduled(tmp_path: Path) -> None:
    """Old readings are deleted once a day."""
    with Town(tmp_path) as town:
        watched = Watched(town, NOON)
        jobs = {job.id: job for job in daemon._scheduler(watched.daemon, daemon.Beside()).get_jobs()}
        assert set(jobs) == {"fetch main", "fetch other", "cycle", "send", "forget"}
        assert jobs["forget"].trigger.interval == timedelta(days=1)
        watched.store.close()


@pytest.mark.parametrize("jump", [timedelta(days=20), timedelta(days=-20), timedelta(hours=7)])
def test_a_clock_that_was_wrong_for_a_while_does_not_blind_the_watch(tmp_path: Path, jump: timedelta) -> None:
    """After a jump and one back, heavy rain is told; what the watch was in trouble with is still known."""
    with Town(tmp_path) as town:
        watched = Watched(town, NOON)
        watched.daemon.watch.own_trouble[daemon.FOLDER] = "rules/overdue.toml: a typo"
        watched.rain()
        watched.turn()
        first = watched.daemon.watch
        for moved in (jump, -jump):
            watched.now += moved
            watched.turn(1)
        assert watched.daemon.watch is not first
        assert watched.daemon.watch.own_trouble == {daemon.FOLDER: "rules/overdue.toml: a typo"}
        again = watched.daemon.watch
        watched.rain(larkmoor=9.0, minutes_ago=-14)
        watched.turn(15)
        assert watched.daemon.watch is again, "a quarter of an hour is no jump"
        assert len(storms(town.told("warden"))) == 1
        watched.store.close()


def test_a_watch_that_cannot_be_begun_anew_goes_on_and_tries_again(tmp_path: Path) -> None:
    """A store that can't be read for a moment leaves the old one at work until the next cycle."""
    with Town(tmp_path) as town:
        watched = Watched(town, NOON)
        watched.daemon.cycled_at = NOON
        first = watched.daemon.watch
        whole, watched.store.bind = watched.store.bind, _unreadable  # type: ignore[method-assign]
        watched.daemon._begin_anew_after_a_jump(NOON + timedelta(days=1))
        assert watched.daemon.watch is first
        watched.store.bind = whole  # type: ignore[method-assign]
        watched.daemon._begin_anew_after_a_jump(NOON + timedelta(days=1))
        assert watched.daemon.watch is not first
        watched.store.close()


def _unreadable(_stations: object, _sources: object) -> None:
    raise OutsideError("the store can't be read")


def test_runs_by_a_timer_are_no_time_off(tmp_path: Path) -> None:
    """An hour between two single runs is what was asked for, and nobody is told that the watch was off."""
    with Town(tmp_path) as town:
        for hour in range(3):
            at = NOON + timedelta(hours=hour)
            town.answers["/main.csv"] = table({"hollin": 0.0, "fennick": 0.0}, at - timedelta(minutes=1))
            town.answers["/other.csv"] = table({"larkmoor": 0.0}, at - timedelta(minutes=1))
            told, _ = daemon.once(town.folder, SECRETS.get, clock=lambda at=at: at)  # type: ignore[misc]
            assert told.notices == ()
        assert town.told("tech-1") == []


def test_where_no_service_manager_listens_nothing_is_said(tmp_path: Path) -> None:
    """Neither without a socket nor with one that is gone."""
    daemon.Notify(lambda _name: None).ready()
    daemon.Notify({"NOTIFY_SOCKET": str(tmp_path / "gone")}.get).ready()


def test_the_service_manager_is_told_on_an_abstract_socket() -> None:
    """An address that begins with @ is no file (sd_notify(3))."""
    with closing(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)) as manager:
        name = f"watchman-test-{os.getpid()}"
        manager.bind(f"\0{name}")
        daemon.Notify({"NOTIFY_SOCKET": f"@{name}"}.get).alive()
        assert manager.recv(100) == b"WATCHDOG=1"

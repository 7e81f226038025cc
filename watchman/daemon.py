"""The watch as a service: fetching and sending beside the cycle, signals, clock steps, the service manager's
watchdog.
"""

from __future__ import annotations

import logging
import os
import queue
import signal
import socket
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import FrameType

import requests
from apscheduler.events import EVENT_JOB_ERROR, JobExecutionEvent
from apscheduler.schedulers.background import BackgroundScheduler

from watchman import speech, watch
from watchman.board import page
from watchman.errors import InputError, OutsideError
from watchman.lock import hold
from watchman.model import Delivery
from watchman.network import Network, SecretLookup, load, load_text
from watchman.readings import sources
from watchman.store import Store
from watchman.telling import outbox
from watchman.telling.channels import Channels

log = logging.getLogger(__name__)

CYCLE_S = 10
"""How often the cycle looks whether something was delivered [s]."""
IDLE_CYCLE_S = 60
"""How often it runs when nothing was: silence is judged too [s]."""
SEND_S = 10
SIGN_OF_LIFE_S = 60
CLOCK_STEP_S = 2.0
EARLIEST_CLOCK = datetime(2025, 1, 1, tzinfo=UTC)
"""A clock before this has not been set yet: the host has just started without a battery for its clock."""
EMERGENCY_EVERY = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Fetched:
    """One delivery, and what the next fetch from its source is to remember once this one is kept."""

    delivery: Delivery
    memory: sources.FetchMemory


class Daemon:
    """The running watch. Every public method is one job of the scheduler, and can be run by hand in a test."""

    def __init__(
        self,
        network: Network,
        store: Store,
        *,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
        channels: Channels | None = None,
    ) -> None:
        self.network, self.store, self.clock = network, store, clock
        self.channels = channels or Channels(network)
        self.watch = watch.begin(network, store, clock())
        self.memories = {
            source.name: _memory(self.watch.marks.get(f"fetch:{source.name}")) for source in network.sources
        }
        self.arrived: queue.SimpleQueue[Fetched] = queue.SimpleQueue()
        self.last_cycle_s = -float(IDLE_CYCLE_S)
        self.last_sign_s = -float(SIGN_OF_LIFE_S)
        self.emergency_at: datetime | None = None
        self.notify = Notify()

    def fetch(self, position: int) -> None:
        """Fetch from one source and put what it brought into the queue."""
        source = self.network.sources[position]
        delivery, memory = sources.fetch(
            source,
            self.network.folder,
            self.network.aliases(position),
            position,
            self.memories[source.name],
            self.clock(),
        )
        if delivery.trouble:
            log.warning("source %s: %s", source.name, delivery.trouble)
        self.arrived.put(Fetched(delivery, memory))

    def cycle(self) -> watch.Told | None:
        """Run one cycle over what has arrived; without anything new, once a minute."""
        fetched = self._drain()
        if not fetched and time.monotonic() - self.last_cycle_s < IDLE_CYCLE_S:
            return None
        self.last_cycle_s = time.monotonic()
        now = self.clock()
        told = watch.cycle(self.watch, [one.delivery for one in fetched], now)
        if told.trouble:
            self._tell_without_store(told, now)
            return told
        for one in fetched:
            self._remember(one)
        self.notify.alive()
        self._sign_of_life()
        return told

    def send(self) -> None:
        """Hand the notices that are due to their channels."""
        now = self.clock()
        speaker = speech.Speaker(self.network, self.store, self.watch, now)
        outbox.deliver_due(self.store, self.channels, speaker.words, self.network, now)

    def _drain(self) -> list[Fetched]:
        fetched = []
        while True:
            try:
                fetched.append(self.arrived.get_nowait())
            except queue.Empty:
                return fetched

    def _remember(self, one: Fetched) -> None:
        name = one.delivery.source
        if one.memory != self.memories[name]:
            self.memories[name] = one.memory
            self.store.set_mark(f"fetch:{name}", one.memory.model_dump_json())

    def _sign_of_life(self) -> None:
        """Tell the outside watcher, at most once a minute, that a cycle was completed."""
        settings = self.network.sign_of_life
        if settings is None or time.monotonic() - self.last_sign_s < SIGN_OF_LIFE_S:
            return
        self.last_sign_s = time.monotonic()
        threading.Thread(target=_ask, args=(settings.address.get_secret_value(),), daemon=True).start()

    def _tell_without_store(self, told: watch.Told, now: datetime) -> None:
        """Tell heavy rain though nothing can be written down: marked, and at most once an hour."""
        if self.emergency_at is not None and now - self.emergency_at < EMERGENCY_EVERY:
            return
        speaker = speech.Speaker(self.network, self.store, self.watch, now)
        for notice, words in speaker.without_store(told):
            contact = next(one for one in self.network.contacts if one.name == notice.person)
            outcome = self.channels.send(speech.worded(notice, words), contact, notice.channel, now)
            log.warning("store trouble; told %s by %s: %s", notice.person, notice.channel, outcome.fate.value)
            self.emergency_at = now


def run(folder: Path, secret: SecretLookup) -> None:
    """Watch a network until told to stop. Raises InputError, OutsideError."""
    stop = threading.Event()
    _stop_on_signals(stop)
    _wait_for_clock(stop)
    network, store, trouble = open_network(folder, secret)
    with hold(store):
        daemon = Daemon(network, store)
        if trouble:
            daemon.watch.own_trouble["network folder"] = trouble
        else:
            store.set_mark("config", network.to_text())
        scheduler = _scheduler(daemon)
        board = _serve_board(daemon)
        scheduler.start()
        daemon.notify.ready()
        log.info("watching %s: %d stations, %d sources", network.name, len(network.stations), len(network.sources))
        _wait(stop, scheduler)
        daemon.notify.stopping()
        scheduler.shutdown(wait=True)
        if board is not None:
            board.close()
    store.close()


def once(folder: Path, secret: SecretLookup, clock: Callable[[], datetime] = lambda: datetime.now(UTC)) -> watch.Told:
    """Fetch once, run one cycle, send what is due. Raises InputError, OutsideError."""
    network = load(folder, secret)
    store = Store.open(network.store.address.get_secret_value(), folder)
    with hold(store):
        daemon = Daemon(network, store, clock=clock)
        for position in range(len(network.sources)):
            daemon.fetch(position)
        told = daemon.cycle()
        daemon.send()
    store.close()
    if told is None:
        raise AssertionError("a cycle runs when something was fetched")
    if told.trouble:
        raise OutsideError(told.trouble)
    return told


def open_network(folder: Path, secret: SecretLookup) -> tuple[Network, Store, str]:
    """Return the network and its store; after a broken edit the last good network, and what is wrong with the new one.

    Raises InputError when nothing good is known.
    """
    try:
        network = load(folder, secret)
    except InputError as error:
        store = _store_of_before(folder)
        kept = store.marks().get("config") if store else None
        if store is None or kept is None:
            raise
        log.error("what is written can't be used; going on with the last that could:\n%s", error)
        network = load_text(kept, folder, secret)
        return network, store, str(error).splitlines()[0]
    return network, Store.open(network.store.address.get_secret_value(), folder), ""


def _store_of_before(folder: Path) -> Store | None:
    try:
        return Store.open("sqlite:///watch.db", folder, create=False)
    except OutsideError:
        return None


def _scheduler(daemon: Daemon) -> BackgroundScheduler:
    """Return the scheduler; it only wakes jobs, and what is due is asked by each cycle."""
    scheduler = BackgroundScheduler(
        timezone=UTC,
        job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None},
        executors={"default": {"type": "threadpool", "max_workers": len(daemon.network.sources) + 2}},
    )
    now = datetime.now(UTC)
    for position, source in enumerate(daemon.network.sources):
        scheduler.add_job(
            daemon.fetch,
            "interval",
            seconds=source.every_s,
            args=[position],
            id=f"fetch {source.name}",
            next_run_time=now,
        )
    scheduler.add_job(daemon.cycle, "interval", seconds=CYCLE_S, id="cycle", next_run_time=now)
    scheduler.add_job(daemon.send, "interval", seconds=SEND_S, id="send", next_run_time=now)
    scheduler.add_listener(_log_job_error, EVENT_JOB_ERROR)
    return scheduler


def _log_job_error(event: JobExecutionEvent) -> None:
    log.error("%s failed: %s\n%s", event.job_id, event.exception, event.traceback)


def _wait(stop: threading.Event, scheduler: BackgroundScheduler) -> None:
    """Wait for the end; after a step of the host's clock set every job going again, or they would sleep through it."""
    offset = time.time() - time.monotonic()
    while not stop.wait(1.0):
        moved = time.time() - time.monotonic() - offset
        if abs(moved) > CLOCK_STEP_S:
            log.warning("the host's clock was set by %+.0f s", moved)
            offset += moved
            for job in scheduler.get_jobs():
                job.modify(next_run_time=datetime.now(UTC))


def _stop_on_signals(stop: threading.Event) -> None:
    def handler(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, handler)


def _wait_for_clock(stop: threading.Event) -> None:
    told = False
    while datetime.now(UTC) < EARLIEST_CLOCK and not stop.wait(1.0):
        if not told:
            log.warning("the host's clock says %s; waiting until it is set", datetime.now(UTC))
            told = True


def _serve_board(daemon: Daemon) -> page.Served | None:
    """Serve the page behind the notices' links, if there is to be one."""
    settings = daemon.network.board
    if settings is None:
        return None
    app = page.create_app(daemon.store, daemon.network, settings.key.get_secret_value(), daemon.clock)
    return page.serve(app, settings.listen)


def _memory(text: str | None) -> sources.FetchMemory:
    try:
        return sources.FetchMemory.model_validate_json(text) if text else sources.FetchMemory()
    except ValueError:
        return sources.FetchMemory()


def _ask(address: str) -> None:
    try:
        requests.get(address, timeout=(5, 10), stream=True).close()
    except requests.RequestException as error:
        log.warning("the outside watcher could not be told: %s", type(error).__name__)


class Notify:
    """The service manager's notify and watchdog protocol (systemd, sd_notify(3)); does nothing where nobody listens."""

    def __init__(self, environment: Callable[[str], str | None] = os.environ.get) -> None:
        self.address = environment("NOTIFY_SOCKET")

    def ready(self) -> None:
        """Say that the watch has begun."""
        self._say("READY=1")

    def alive(self) -> None:
        """Say that a cycle was completed."""
        self._say("WATCHDOG=1")

    def stopping(self) -> None:
        """Say that it is about to end."""
        self._say("STOPPING=1")

    def _say(self, words: str) -> None:
        if not self.address:
            return
        address = "\0" + self.address[1:] if self.address.startswith("@") else self.address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
                channel.sendto(words.encode(), address)
        except OSError as error:
            log.warning("the service manager could not be told %s: %s", words, error)

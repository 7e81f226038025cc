"""The watch as a service: fetching and sending beside the cycle, signals, clock steps, the service manager's
watchdog.
"""

from __future__ import annotations

import logging
import os
import queue
import re
import signal
import socket
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any

import requests
from apscheduler.events import EVENT_JOB_ERROR, JobExecutionEvent
from apscheduler.executors.base import BaseExecutor, run_job
from apscheduler.schedulers.background import BackgroundScheduler

from watchman import answers, bookings, mailbox, speech, watch
from watchman.board import page
from watchman.edits import Edits, differences
from watchman.errors import InputError, Mistake, OutsideError
from watchman.judging import causes
from watchman.lock import hold
from watchman.model import Delivery, Notice, Turn
from watchman.network import NETWORK_FILE, Network, SecretLookup, load, load_text
from watchman.readings import sources
from watchman.readings.sources.piped import Given, Piped
from watchman.store import Store
from watchman.telling import outbox
from watchman.telling.channels import Channels
from watchman.telling.compose import Words

if TYPE_CHECKING:
    from watchman.readings.sources.listening import Listener

log = logging.getLogger(__name__)

CYCLE_S = 2
"""How often the cycle looks whether something was delivered [s]."""
IDLE_CYCLE_S = 60
"""How often it runs when nothing was: silence is judged too [s]."""
SEND_S = 2
"""How often the outbox is looked into [s]."""
SIGN_OF_LIFE_S = 60
"""How often the outside watcher hears of us at most [s]."""
CLOCK_STEP_S = 2.0
"""A difference between the host's clock and its steady one that is a step and no drift [s]."""
EARLIEST_CLOCK = datetime(2025, 1, 1, tzinfo=UTC)
"""A clock before this has not been set yet: the host has just started without a battery for its clock."""
EMERGENCY_EVERY = timedelta(hours=1)
"""How often heavy rain is told at most while nothing can be written down."""
JUMP = timedelta(hours=6)
"""A change of time between two cycles after which the watch is begun anew: the host slept, or its clock was set."""
FORGET_S = 86_400
"""How often old readings are deleted [s]."""
END_S = 5.0
"""How long the end waits for notices on their way [s]; their fate is unknown after that, and the next start says so."""
AT_ONCE, AT_ONCE_IN_TROUBLE = 12, 4
"""How many sources are asked at once, and how many of those that failed the last time: such may hang, and no other
source waits for them (judgement, no source).
"""
HEAR_S = 1
"""How often it is looked whether a source has sent something by itself [s]."""
PAUSE_S, ONCE_S = 1.5, 60.0
"""A single look takes what a broker kept for it, some messages at a time: until a pause, or for so long at most [s]."""
EDITS_S = 5
"""How often it is looked whether the network's files were changed; a change must stand for so long [s]."""
STAND_STILL, STAND_STILL_S = ("cycle", "send", "mail"), 20.0
"""What must not run while one network takes the place of another, and how long that is waited for [s]."""
MAIL_S = 60
"""How often the box is looked into for replies [s]."""
MAIL_TOLD_AFTER = timedelta(minutes=30)
"""How long that may fail before it is told (judgement, no source)."""
FOLDER, TEMPLATES, BOARD, ANSWERS = "network folder", "a template", "the board", "answers by mail"
"""What of the watch's own can be in trouble besides a check."""


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
        bookings.let_go(network, store, clock())
        self.watch = watch.begin(network, store, clock())
        self.memories = {
            source.name: _memory(self.watch.marks.get(f"fetch:{source.name}")) for source in network.sources
        }
        self.kept = {one.name: bookings.kept_of(self.watch.marks, one.name) for one in network.calendars}
        self.listeners: dict[str, Listener | Piped] = {}
        self.minded: dict[str, sources.FetchMemory] = {}
        self.lanes = {False: threading.Semaphore(AT_ONCE), True: threading.Semaphore(AT_ONCE_IN_TROUBLE)}
        self.turns: dict[str, tuple[Turn, ...]] = {}
        self.awaited = {*self.memories, *(f"calendar {calendar.name}" for calendar in network.calendars)}
        self.arrived: queue.SimpleQueue[Fetched] = queue.SimpleQueue()
        self.looked: queue.SimpleQueue[bookings.Look] = queue.SimpleQueue()
        self.unwritten: queue.SimpleQueue[Notice] = queue.SimpleQueue()
        self.turn = threading.Lock()
        self.last_cycle_s = time.monotonic()
        self.cycled_at: datetime | None = None
        self.last_sign_s = -float(SIGN_OF_LIFE_S)
        self.emergency_at: datetime | None = None
        self.mail_fails_since: datetime | None = None
        self.logged: dict[str, str] = {}
        self.notify = Notify()
        # What was due while the watch was off may be sent before the first cycle.
        self._take_stopped()

    def fetch(self, position: int) -> Delivery:
        """Fetch from one source, put what it brought into the queue, and return it."""
        source = self.network.sources[position]
        listener = self.listeners.get(source.name)
        with nullcontext() if listener else self.lanes[bool(self.logged.get(f"source {source.name}"))]:
            memory = self.memories[source.name]
            delivery, memory = sources.fetch(
                source,
                self.network.folder,
                self.network.aliases(position),
                position,
                memory.minding(self.minded.get(source.name, memory)),
                self.clock(),
                listener,
            )
        # What the server asked of us holds at once; what was read, only when it is kept.
        self.minded[source.name] = memory
        self._log_once(f"source {source.name}", delivery.trouble)
        for rejected in delivery.rejected:
            log.debug("source %s: not read: %s: %s", source.name, rejected.reason, rejected.row)
        self.arrived.put(Fetched(delivery, memory))
        self.awaited.discard(source.name)
        return delivery

    def listen(self) -> None:
        """Begin to listen to the sources that send by themselves."""
        for source in self.network.sources:
            if source.name not in self.listeners and (listener := sources.listen(source)) is not None:
                self.listeners[source.name] = listener

    def take(self, given: Given) -> None:
        """Read one source's rows from what is given. Raises InputError, in words."""
        names = [source.name for source in self.network.sources]
        if given.source not in names:
            allowed = f"network.toml has: {', '.join(names)}."
            raise InputError([Mistake("--input", f"there is no source {given.source!r}", allowed)])
        position = names.index(given.source)
        stations = tuple(self.network.aliases(position))
        source = self.network.sources[position]
        self.listeners[source.name] = Piped(given, source, stations, self.memories[source.name])

    def hear(self, wait_s: float = 0.0) -> list[Delivery]:
        """Fetch what such sources have sent since they were last fetched from, and return it.

        wait_s: how long to wait for something to come [s].
        """
        ends = time.monotonic() + wait_s
        while not any(one.news for one in self.listeners.values()) and self.listeners and time.monotonic() < ends:
            time.sleep(0.05)
        return [
            self.fetch(position)
            for position, source in enumerate(self.network.sources)
            if source.name in self.listeners and self.listeners[source.name].news
        ]

    def close(self) -> None:
        """Listen no more; what was not kept the sources send again."""
        for listener in self.listeners.values():
            listener.close()
        self.listeners.clear()

    def go_on_from(self, before: Daemon) -> None:
        """Take over what a daemon of the same store had not finished: it was the same watch by other rules."""
        self.watch.unkept, self.watch.ran_at = before.watch.unkept, before.watch.ran_at
        self.unwritten, self.emergency_at = before.unwritten, before.emergency_at
        self.logged, self.last_sign_s, self.cycled_at = before.logged, before.last_sign_s, before.cycled_at
        self.mail_fails_since = before.mail_fails_since

    def own_trouble(self, what: str, trouble: str) -> None:
        """Note what of the watch's own is in trouble, or that it is not any more."""
        with self.turn:
            if trouble:
                self.watch.own_trouble[what] = trouble
            else:
                self.watch.own_trouble.pop(what, None)

    def look(self, position: int) -> bookings.Look:
        """Look into one calendar, put what it says into the queue, and return it."""
        calendar = self.network.calendars[position]
        kept = self.kept[calendar.name]
        try:
            seen = bookings.look(self.network, calendar, kept, self.clock())
        except Exception as error:
            log.exception("calendar %s could not be looked into", calendar.name)
            seen = bookings.Look(calendar.name, None, kept, causes.words_of(error))
        self.kept[calendar.name] = seen.kept
        self._log_once(f"calendar {calendar.name}", seen.trouble)
        self.looked.put(seen)
        self.awaited.discard(f"calendar {calendar.name}")
        return seen

    def read_mail(self) -> None:
        """Act on the replies that have come by mail; a box that can't be read for long is the watch's own trouble."""
        board = self.network.board
        try:
            mailbox.look(self.network, self.store, board.key.get_secret_value() if board else "", self.clock)
        except OutsideError as error:
            trouble = str(error)
            self.mail_fails_since = self.mail_fails_since or self.clock()
        else:
            trouble, self.mail_fails_since = "", None
        self._log_once("answers by mail", trouble)
        told = self.mail_fails_since is not None and self.clock() - self.mail_fails_since >= MAIL_TOLD_AFTER
        self.own_trouble(ANSWERS, trouble if told else "")

    def cycle(self) -> watch.Told | None:
        """Run one cycle over what has arrived; without anything new, once a minute.

        The first one waits for every source, so that what happened while the watch was off is known when that is told.
        """
        if (self.awaited or self.arrived.empty()) and time.monotonic() - self.last_cycle_s < IDLE_CYCLE_S:
            return None
        self.awaited.clear()
        self.last_cycle_s = time.monotonic()
        fetched = self._drain()
        now = self.clock()
        with self.turn:
            self._begin_anew_after_a_jump(now)
            self._take_calendars(now)
            self._take_stopped()
            told = watch.cycle(self.watch, [one.delivery for one in fetched], now)
            if told.trouble:
                self._tell_without_store(told, now)
        log.debug("cycle: %d deliveries, %d events", len(fetched), len(told.events))
        # Also when nothing could be written: the process is well, and to start it again would end the telling.
        self.notify.alive()
        if not told.trouble:
            self._sign_of_life()
            for one in fetched:
                self._remember(one)
        return told

    def _take_calendars(self, now: datetime) -> None:
        """Book what the calendars have shown since the last cycle; what can't be written down is taken with the next.

        A calendar that can't be used is the watch's own trouble; what it said before holds.
        """
        for seen in [self.looked.get() for _ in range(self.looked.qsize())]:
            what = f"calendar {seen.name}"
            try:
                turns, trouble = bookings.take(self.network, self.store, seen, now)
                if seen.book is not None:
                    self.turns[seen.name] = turns
            except OutsideError as error:
                self.looked.put(seen)
                trouble = str(error)
            except Exception as error:
                log.exception("%s could not be taken", what)
                trouble = causes.words_of(error)
            if trouble:
                self.watch.own_trouble[what] = trouble
            else:
                self.watch.own_trouble.pop(what, None)
        self._go_on_with(turns=tuple(turn for of_one in self.turns.values() for turn in of_one))

    def _take_stopped(self) -> None:
        """Take over which volunteers have asked not to be told any more; as before while the store can't be read."""
        try:
            stopped = answers.stopped(self.store.marks(answers.STOPPED))
        except OutsideError as error:
            log.error("who has stopped their notices could not be read: %s", error)
        else:
            self._go_on_with(stopped=stopped)

    def _go_on_with(self, **facts: Any) -> None:
        """Let facts of the network hold from now on that change while it is watched."""
        if any(getattr(self.network, name) != fact for name, fact in facts.items()):
            self.network = replace(self.network, **facts)
            self.watch.network = replace(self.watch.network, **facts)

    def _begin_anew_after_a_jump(self, now: datetime) -> None:
        """Build the watch again from the store when the time is another than it was: its record lies around then."""
        before, self.cycled_at = self.cycled_at, now
        if before is None or abs(now - before) <= JUMP:
            return
        log.warning("the time went from %s to %s between two cycles; the watch is begun anew", before, now)
        try:
            anew = watch.begin(self.network, self.store, now)
        except OutsideError as error:
            log.error("the watch could not be begun anew, and will be with the next cycle: %s", error)
            self.cycled_at = before
            return
        anew.own_trouble, anew.unkept = self.watch.own_trouble, self.watch.unkept
        self.watch = anew

    def forget(self) -> None:
        """Delete raw readings that are too old to be kept, counted back from the newest: the clock may be wrong."""
        with self.turn:
            newest = int(self.watch.record.last_observed.max(initial=0))
        try:
            gone = self.store.forget(min(self.clock(), datetime.fromtimestamp(newest, UTC)))
        except OutsideError as error:
            log.error("old readings could not be deleted: %s", error)
        else:
            log.info("%d old readings were deleted", gone)

    def send(self) -> None:
        """Hand the notices that are due to their channels."""
        now = self.clock()
        self._send_unwritten(now)
        try:
            speaker = speech.Speaker(self.network, self.store, self.watch, now)
            outbox.deliver_due(
                self.store,
                self.channels,
                lambda notice: self._said(speaker, notice),
                self.network,
                now,
                put_off=speaker.put_off,
            )
        except OutsideError as error:
            self._log_once("the outbox", str(error))
        else:
            self._log_once("the outbox", "")

    def _said(self, speaker: speech.Speaker, notice: Notice) -> Words | None:
        """Return a notice's words; the record stands still while they are found, not while pictures are drawn."""
        with self.turn:
            said = speaker.words(notice)
            if said is not None and said.trouble:
                self.watch.own_trouble[TEMPLATES] = said.trouble
        return said and speech.illustrated(said)

    def _drain(self) -> list[Fetched]:
        return [self.arrived.get() for _ in range(self.arrived.qsize())]

    def _remember(self, one: Fetched) -> None:
        name = one.delivery.source
        if one.memory != self.memories[name]:
            self.memories[name] = one.memory
            self.store.set_mark(f"fetch:{name}", one.memory.model_dump_json())
        if name in self.listeners:
            self.listeners[name].kept(one.memory)

    def _sign_of_life(self) -> None:
        """Tell the outside watcher, at most once a minute, that a cycle was completed."""
        settings = self.network.sign_of_life
        if settings is None or time.monotonic() - self.last_sign_s < SIGN_OF_LIFE_S:
            return
        self.last_sign_s = time.monotonic()
        threading.Thread(target=_ask, args=(settings.address.get_secret_value(),), daemon=True).start()

    def _tell_without_store(self, told: watch.Told, now: datetime) -> None:
        """Have heavy rain told though nothing can be written down: marked, and at most once an hour."""
        if self.emergency_at is not None and now - self.emergency_at < EMERGENCY_EVERY:
            return
        for notice in speech.without_store(self.network, told, now):
            self.unwritten.put(notice)
            self.emergency_at = now

    def _send_unwritten(self, now: datetime) -> None:
        """Send the storm notices that could not be written down, side by side."""
        unwritten = [self.unwritten.get() for _ in range(self.unwritten.qsize())]
        contacts = {contact.name: contact for contact in self.network.contacts}

        def send(notice: Notice) -> None:
            outcome = self.channels.send(notice, contacts[notice.person], notice.channel, now)
            log.warning("store trouble; told %s by %s: %s", notice.person, notice.channel, outcome.fate.value)

        with ThreadPoolExecutor(outbox.AT_ONCE) as pool:
            list(pool.map(send, unwritten))

    def _log_once(self, what: str, trouble: str) -> None:
        """Log trouble when it begins or changes, and when it is over."""
        if trouble != self.logged.get(what, ""):
            log.warning("%s: %s", what, trouble or "works again")
            self.logged[what] = trouble


def run(folder: Path, secret: SecretLookup, clock: Callable[[], datetime] = lambda: datetime.now(UTC)) -> bool:
    """Watch a network until told to stop; say whether all that was under way came to its end.

    Its files are read again when they have changed, or on SIGHUP. If something is still under way at the end, threads
    that wait for a server would hold up the end of the process. Raises InputError, OutsideError.
    """
    stop, reread = threading.Event(), threading.Event()
    _on_signals(stop, reread)
    _wait_for_clock(stop)
    network, store, trouble = open_network(folder, secret)
    edits = Edits(network, secret, trouble)
    with hold(store):
        service = Service(Daemon(network, store, clock=clock), edits)
        service.begin()
        while (edited := _wait(stop, reread, service)) is not None:
            for line in differences(service.daemon.network, edited):
                log.info("read again: %s", line)
            after = Daemon(edited, store, clock=clock)
            after.go_on_from(service.daemon)
            service.end()
            service = Service(after, edits)
            service.begin()
        service.daemon.notify.stopping()
        waiting = service.end()
        if waiting:
            log.warning("ending without waiting any longer for: %s", ", ".join(waiting))
        store.close()
    return not waiting


class Service:
    """A daemon at work: its scheduler, its jobs beside it, and its board."""

    def __init__(self, daemon: Daemon, edits: Edits) -> None:
        self.daemon, self.edits = daemon, edits
        self.jobs = Beside()
        self.scheduler = _scheduler(daemon, self.jobs)
        self.board: page.Served | None = None

    def begin(self) -> None:
        """Begin to work."""
        network = self.daemon.network
        if not self.edits.trouble:
            self.daemon.store.set_mark("config", network.to_text())
        self.look_at_trouble()
        self.daemon.listen()
        self.board = _serve_board(self.daemon)
        self.scheduler.start()
        self.daemon.notify.ready()
        log.info("watching %s: %d stations, %d sources", network.name, len(network.stations), len(network.sources))

    def edited(self, *, asked: bool) -> Network | None:
        """Return the network as it is written by now, if that is new; every job stands still then."""
        network = self.edits.look(self.daemon.clock().date(), asked=asked)
        self.look_at_trouble()
        if network is None:
            return None
        self.scheduler.pause()
        waiting = self.jobs.unfinished((*STAND_STILL, "hear"), STAND_STILL_S)
        if waiting:
            log.warning("what was edited waits for: %s", ", ".join(waiting))
            self.edits.forget()
            self.scheduler.resume()
            return None
        return network

    def look_at_trouble(self) -> None:
        """Have it told when what is written can't be used, and when it can again."""
        trouble = self.edits.trouble
        if trouble:
            self.daemon.own_trouble(FOLDER, f"{trouble.splitlines()[0]}; what was written before goes on")
        else:
            self.daemon.own_trouble(FOLDER, "")

    def end(self) -> list[str]:
        """Stop working; return what is still under way."""
        self.scheduler.shutdown(wait=False)
        waiting = self.jobs.unfinished(STAND_STILL, END_S)
        self.daemon.close()
        if self.board is not None:
            self.board.close()
        return waiting


def once(
    folder: Path,
    secret: SecretLookup,
    clock: Callable[[], datetime] = lambda: datetime.now(UTC),
    given: Given | None = None,
) -> tuple[watch.Told, list[Delivery]]:
    """Fetch once, run one cycle, send what is due; return what was told and what each source brought.

    given: rows that are read in the place of one source's address or path. Raises InputError, OutsideError.
    """
    network = load(folder, secret, clock().date())
    store = Store.open(network.store.address.get_secret_value(), folder)
    with hold(store):
        daemon = Daemon(network, store, clock=clock)
        # Between two such runs nobody meant it to watch: that is no time off to be told of.
        daemon.watch.ran_at = clock()
        if given is not None:
            daemon.take(given)
        daemon.listen()
        with ThreadPoolExecutor(AT_ONCE) as pool:
            deliveries = list(pool.map(daemon.fetch, range(len(network.sources))))
        for position in range(len(network.calendars)):
            daemon.look(position)
        told = daemon.cycle()
        ends = time.monotonic() + ONCE_S
        while told is not None and not told.trouble and time.monotonic() < ends and (more := daemon.hear(PAUSE_S)):
            deliveries += more
            again = daemon.cycle()
            told = again and watch.Told((*told.events, *again.events), (*told.notices, *again.notices), again.trouble)
        daemon.close()
        daemon.send()
    store.close()
    if told is None:
        raise AssertionError("a cycle runs when something was fetched")
    if told.trouble:
        raise OutsideError(told.trouble)
    return told, deliveries


def open_network(folder: Path, secret: SecretLookup) -> tuple[Network, Store, str]:
    """Return the network and its store; after a broken edit the last good network, and what is wrong with the new one.

    Raises InputError when nothing good is known.
    """
    today = datetime.now(UTC).date()
    try:
        network = load(folder, secret, today)
    except InputError as error:
        store = _store_of_before(folder, secret)
        kept = store.marks().get("config") if store else None
        if store is None or kept is None:
            raise
        log.error("what is written can't be used; going on with the last that could:\n%s", error)
        return load_text(kept, folder, secret, today), store, str(error)
    return network, Store.open(network.store.address.get_secret_value(), folder), ""


STORE_ADDRESS = re.compile(r"""^\[store\][^\[]*?^address\s*=\s*["'](secret:)?([^"']+)""", re.MULTILINE)
"""Where the store's address stands in network.toml, however broken the rest of it is."""


def _store_of_before(folder: Path, secret: SecretLookup) -> Store | None:
    """Return the store of a network whose files can't be used, or None."""
    try:
        written = STORE_ADDRESS.search((folder / NETWORK_FILE).read_text(encoding="utf-8", errors="replace"))
        address = "sqlite:///watch.db"
        if written is not None:
            address = (secret(written[2]) or address) if written[1] else written[2]
        return Store.open(address, folder, create=False)
    except (OSError, OutsideError):
        return None


class Beside(BaseExecutor):  # type: ignore[misc]
    """Runs each of the scheduler's jobs in a thread of its own that doesn't hold up the end of the process."""

    def __init__(self) -> None:
        super().__init__()
        self._threads: dict[str, threading.Thread] = {}

    def _do_submit_job(self, job: Any, run_times: Sequence[datetime]) -> None:
        def work() -> None:
            self._run_job_success(job.id, run_job(job, "default", run_times, self._logger.name))

        self._threads[job.id] = threading.Thread(target=work, name=job.id, daemon=True)
        self._threads[job.id].start()

    def unfinished(self, names: Sequence[str], wait_s: float) -> list[str]:
        """Wait for some jobs to end, so long at most [s], and return those that have not."""
        ends = time.monotonic() + wait_s
        threads = [self._threads[name] for name in names if name in self._threads]
        for thread in threads:
            thread.join(max(0.0, ends - time.monotonic()))
        return [thread.name for thread in threads if thread.is_alive()]


def _scheduler(daemon: Daemon, jobs: Beside) -> BackgroundScheduler:
    """Return the scheduler; it only wakes jobs, and what is due is asked by each cycle."""
    scheduler = BackgroundScheduler(
        timezone=UTC,
        job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None},
        executors={"default": jobs},
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
    for position, calendar in enumerate(daemon.network.calendars):
        scheduler.add_job(
            daemon.look,
            "interval",
            minutes=calendar.every_minutes,
            args=[position],
            id=f"calendar {calendar.name}",
            next_run_time=now,
        )
    if any(map(sources.sends_itself, daemon.network.sources)):
        scheduler.add_job(daemon.hear, "interval", seconds=HEAR_S, id="hear", next_run_time=now)
    scheduler.add_job(daemon.cycle, "interval", seconds=CYCLE_S, id="cycle", next_run_time=now)
    scheduler.add_job(daemon.send, "interval", seconds=SEND_S, id="send", next_run_time=now)
    if daemon.network.answers.mail is not None:
        scheduler.add_job(daemon.read_mail, "interval", seconds=MAIL_S, id="mail", next_run_time=now)
    scheduler.add_job(daemon.forget, "interval", seconds=FORGET_S, id="forget", next_run_time=now)
    scheduler.add_listener(_log_job_error, EVENT_JOB_ERROR)
    return scheduler


def _log_job_error(event: JobExecutionEvent) -> None:
    log.error("%s failed: %s: %s\n%s", event.job_id, type(event.exception).__name__, event.exception, event.traceback)


def _wait(
    stop: threading.Event,
    reread: threading.Event,
    service: Service,
    wall: Callable[[], float] = time.time,
    steady: Callable[[], float] = time.monotonic,
) -> Network | None:
    """Wait for the end, or for the network to be written otherwise: return it then.

    After a step of the host's clock every job is set going again, or it would sleep through it.
    """
    offset, scheduler, looked = wall() - steady(), service.scheduler, steady()
    while not stop.wait(1.0):
        asked = reread.is_set()
        if asked or steady() - looked >= EDITS_S:
            looked = steady()
            reread.clear()
            if (edited := service.edited(asked=asked)) is not None:
                return edited
        now = wall()
        moved = now - steady() - offset
        if abs(moved) > CLOCK_STEP_S:
            log.warning("the host's clock was set by %+.0f s", moved)
            offset += moved
            for job in scheduler.get_jobs():
                job.modify(next_run_time=datetime.fromtimestamp(now, UTC))
    return None


def _on_signals(stop: threading.Event, reread: threading.Event) -> None:
    """Stop on SIGTERM and SIGINT, read again on SIGHUP."""

    def handler(number: int, _frame: FrameType | None) -> None:
        (reread if number == signal.SIGHUP else stop).set()

    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, handler)


def _wait_for_clock(stop: threading.Event) -> None:
    told = False
    while datetime.now(UTC) < EARLIEST_CLOCK and not stop.wait(1.0):
        if not told:
            log.warning("the host's clock says %s; waiting until it is set", datetime.now(UTC))
            told = True


def _serve_board(daemon: Daemon) -> page.Served | None:
    """Serve the page behind the notices' links, if there is to be one; the watch goes on without it."""
    settings = daemon.network.board
    if settings is None:
        return None
    app = page.create_app(daemon.store, daemon.network, settings.key.get_secret_value(), daemon.clock)
    try:
        return page.serve(app, settings.listen)
    except OutsideError as error:
        log.error("%s", error)
        daemon.watch.own_trouble[BOARD] = str(error)
        return None


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

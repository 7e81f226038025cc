"""The store in a SQLite file, and what only a file can suffer."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
import sqlalchemy as sql
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.store_behaviour import NOW, SOURCES, STATIONS, StoreBehaviour, T, a_notice, facts, rows
from watchman import migrations
from watchman import store as store_module
from watchman.errors import OutsideError
from watchman.model import RAIN, Readings
from watchman.store import Store

ROOT = Path(__file__).parent.parent


class TestInFile(StoreBehaviour):
    """Every behaviour, in a file."""

    @pytest.fixture
    def another(self, tmp_path: Path) -> Iterator[Callable[[], Store]]:
        """Return what opens a store on one file, again and again."""
        opened = []

        def open_it() -> Store:
            opened.append(Store.open("sqlite:///watch.db", tmp_path))
            return opened[-1]

        yield open_it
        for one in opened:
            one.close()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """Return an empty store in a file."""
    store = Store.open("sqlite:///watch.db", tmp_path)
    store.bind(STATIONS, SOURCES)
    yield store
    store.close()


DELIVERIES = st.lists(
    st.lists(
        st.tuples(st.integers(0, 2), st.integers(0, 1), st.integers(0, 3), st.sampled_from([0.0, 0.2, 0.4])),
        max_size=6,
    ),
    max_size=6,
)


@settings(max_examples=40, deadline=None)
@given(DELIVERIES, st.randoms())
def test_any_order_and_repetition(deliveries: list[list[tuple[int, int, int, float]]], random: object) -> None:
    """Whatever the order, the batches and the repetition: each fact is kept once, and is new when it first comes."""
    in_memory = Store.open("sqlite://", Path())
    in_memory.bind(STATIONS, SOURCES)
    batches = [*deliveries, *deliveries]
    random.shuffle(batches)  # type: ignore[attr-defined]
    known: set[tuple[int, int, int, float]] = set()
    for batch in batches:
        new = in_memory.keep(rows(*((s, v, T + t, x) for s, v, t, x in batch)) if batch else Readings.empty())
        expected = {(s, v, T + t, x) for s, v, t, x in batch} - known
        assert sorted(facts(new)) == sorted(expected)
        known |= expected
    assert sorted(facts(in_memory.delivered(0, 2 * T))) == sorted(known)
    in_memory.close()


def test_tables_as_described(store: Store) -> None:
    """The tables the migrations make have the columns the statements use, and no other."""
    inspector = sql.inspect(store._engine)
    for table in (*store_module.TABLES, store_module.VERSION):
        assert [column["name"] for column in inspector.get_columns(table.name)] == list(table.c.keys())
    assert set(inspector.get_table_names()) == {table.name for table in store_module.TABLES} | {"store_version"}


def test_reads_find_their_hours(store: Store) -> None:
    """Reads are led by the index, whichever stations and hours they ask for; a walk through all rows would be slow."""
    statements: list[str] = []
    sql.event.listen(store._engine, "before_cursor_execute", lambda *given: statements.append(given[2]))
    for stations in (None, np.array([1]), np.arange(3)):
        for hours in (1, 100, 3_000):
            store.delivered(T - 3600 * hours, T, stations=stations, with_previous=True)

    reads = [statement for statement in statements if statement.startswith("SELECT station")]
    with store._reading() as connection:
        plans = [str(connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {read}").fetchall()) for read in reads]
    assert len(plans) > 9
    assert not [plan for plan in plans if "SCAN delivered" in plan or "delivered_once" not in plan]


def test_safe_settings(store: Store) -> None:
    """What was committed survives a loss of power, and references hold."""
    with store._reading() as connection:
        pragmas = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
        }
    assert pragmas == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 10_000}


# Migrations


def test_migrates(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A store of version 1 is brought up by the steps it lacks, and keeps what it holds."""
    old = Store.open("sqlite:///watch.db", tmp_path)
    old.bind(STATIONS, SOURCES)
    old.keep(rows((0, RAIN, T, 1.0)))
    old.close()

    step = ("CREATE TABLE extra (word TEXT)", "INSERT INTO extra VALUES ('here')")
    monkeypatch.setattr(store_module, "MIGRATIONS", (*migrations.MIGRATIONS, step))
    for _ in range(2):
        new = Store.open("sqlite:///watch.db", tmp_path)
        new.bind(STATIONS, SOURCES)
        with new._reading() as connection:
            assert connection.exec_driver_sql("SELECT word FROM extra").scalars().all() == ["here"]
        assert facts(new.delivered_after(0)) == [(0, RAIN, T, 1.0)]
        new.close()


def test_migration_fails_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A step that fails leaves the store at the version it had, with nothing of the step in it."""
    Store.open("sqlite:///watch.db", tmp_path).close()
    step = ("CREATE TABLE extra (word TEXT)", "INSERT INTO nowhere VALUES (1)")
    with monkeypatch.context() as patch:
        patch.setattr(store_module, "MIGRATIONS", (*migrations.MIGRATIONS, step))
        with pytest.raises(OutsideError, match="nowhere"):
            Store.open("sqlite:///watch.db", tmp_path)

    old = Store.open("sqlite:///watch.db", tmp_path)
    assert "extra" not in sql.inspect(old._engine).get_table_names()
    old.close()


def test_newer_tables(tmp_path: Path, store: Store) -> None:
    """A store that a newer program wrote is left alone, and the reader is told what to do."""
    with store._writing() as connection:
        connection.exec_driver_sql("UPDATE store_version SET version = 99")
    with pytest.raises(OutsideError, match=r"newer program \(version 99"):
        Store.open("sqlite:///watch.db", tmp_path)


# What an address can point to


def test_no_store_yet(tmp_path: Path) -> None:
    """A command that only reads makes no store."""
    with pytest.raises(OutsideError, match="no store"):
        Store.open("sqlite:///watch.db", tmp_path, create=False)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "address, words",
    [
        ("watch.db", "is not one"),
        ("mysql://host/database", "is not known"),
        ("sqlite:///nowhere/watch.db", "its folder must exist"),
    ],
)
def test_impossible_address(tmp_path: Path, address: str, words: str) -> None:
    """An address that can't be a store is told in words."""
    with pytest.raises(OutsideError, match=words):
        Store.open(address, tmp_path)


def test_not_a_database(tmp_path: Path) -> None:
    """A file of another kind is told as such and left alone."""
    (tmp_path / "watch.db").write_text("id,latitude\n" * 500)
    with pytest.raises(OutsideError, match="is not a store"):
        Store.open("sqlite:///watch.db", tmp_path)
    assert (tmp_path / "watch.db").read_text().startswith("id,latitude")


def test_database_of_another(tmp_path: Path) -> None:
    """Another program's database is not written into."""
    other = sqlite3.connect(tmp_path / "watch.db")
    other.execute("CREATE TABLE bookmarks (name)")
    other.close()
    with pytest.raises(OutsideError, match="'bookmarks' is not ours"):
        Store.open("sqlite:///watch.db", tmp_path)


# What a disk can do


@contextmanager
def ordinary_user() -> Iterator[None]:
    """Run the block as a user who may not do everything, if we are root."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def test_read_only() -> None:
    """A user who may only read the file is told so."""
    folder = Path(tempfile.mkdtemp())
    Store.open("sqlite:///watch.db", folder).close()
    (folder / "watch.db").chmod(0o444)
    folder.chmod(0o555)

    with ordinary_user(), pytest.raises(OutsideError, match=r"can only be read|can't be opened"):
        Store.open("sqlite:///watch.db", folder).set_mark("x", "y")

    folder.chmod(0o755)
    shutil.rmtree(folder)


def test_unwritable_folder() -> None:
    """A folder in which this user can't make a store is told as such."""
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o555)

    with ordinary_user(), pytest.raises(OutsideError, match="be able to write in it"):
        Store.open("sqlite:///watch.db", folder)

    folder.rmdir()


def test_full(store: Store) -> None:
    """A store that can't grow says so, keeps what it has, and goes on when there is room again."""
    store.keep(rows((0, RAIN, T, 1.0)))
    with store._reading() as connection:
        connection.exec_driver_sql("PRAGMA max_page_count = 60")
    many = rows(*((0, RAIN, T + second, 1.0) for second in range(1, 5000)))

    with pytest.raises(OutsideError, match="disk is full"):
        store.keep(many)

    assert facts(store.delivered_after(0)) == [(0, RAIN, T, 1.0)]
    with store._reading() as connection:
        connection.exec_driver_sql("PRAGMA max_page_count = 100000")
    assert len(store.keep(many)) == 4999


def test_full_disk(tmp_path: Path) -> None:
    """The same on a real file system of 1 MB, where one may be mounted."""
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", tmp_path], capture_output=True)
    if mounted.returncode:
        pytest.skip("only root may mount a small file system")
    try:
        store = Store.open("sqlite:///watch.db", tmp_path)
        store.bind(STATIONS, SOURCES)
        store.keep(rows((0, RAIN, T, 1.0)))
        with pytest.raises(OutsideError, match="disk is full"):
            store.keep(rows(*((0, RAIN, T + second, 1.0) for second in range(1, 40_000))))
        assert facts(store.delivered_after(0)) == [(0, RAIN, T, 1.0)]
        store.close()
    finally:
        subprocess.run(["umount", tmp_path], check=True)


def test_held_by_another(store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A writer waits for another, but not for ever, and readers don't wait at all."""
    monkeypatch.setattr(store_module, "BUSY_S", 0.05)
    impatient = Store.open("sqlite:///watch.db", tmp_path)
    other = sqlite3.connect(tmp_path / "watch.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")

    with pytest.raises(OutsideError, match="held by another program"):
        impatient.set_mark("x", "y")
    assert impatient.marks() == {}
    other.execute("ROLLBACK")
    impatient.set_mark("x", "y")
    other.close()
    impatient.close()


def test_backup(store: Store, tmp_path: Path) -> None:
    """A copy made while the store is in use opens as a store with all that was committed."""
    store.keep(rows((0, RAIN, T, 1.0)))
    store.commit(NOW, notices=[a_notice()])
    (tmp_path / "safe").mkdir()

    store.backup(tmp_path / "safe" / "copy.db")

    copy = Store.open("sqlite:///copy.db", tmp_path / "safe")
    copy.bind(STATIONS, SOURCES)
    assert facts(copy.delivered_after(0)) == [(0, RAIN, T, 1.0)]
    assert copy.notices() == store.notices()
    copy.close()
    with pytest.raises(OutsideError, match=r"the backup .*nowhere"):
        store.backup(tmp_path / "nowhere" / "copy.db")


# What a process can do

WRITER = """
import sys
from dataclasses import replace
from pathlib import Path
from tests.store_behaviour import *
store = Store.open("sqlite:///watch.db", Path(sys.argv[1]))
store.bind(STATIONS, SOURCES)
first = store.last_alarm_number() + 1
for number in range(first, first + 100_000):
    store.keep(rows((0, RAIN, T + number, 1.0), (1, RAIN, T + number, 1.0)))
    alarm = an_alarm(number, key=AlarmKey("overdue", "silent", f"station:{number}"))
    event = Event(NOW, EventKind.RAISED, alarm, 1)
    store.commit(NOW, alarms=[alarm], events=[event], notices=[a_notice(event.occasion, alarm=number)])
    print(number, flush=True)
"""


def test_killed(tmp_path: Path) -> None:
    """A writer killed at any moment has lost nothing it committed, and left no alarm without its event and notice."""
    for lines in (1, 25):
        writer = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(tmp_path)], cwd=ROOT, stdout=subprocess.PIPE, text=True
        )
        assert writer.stdout is not None
        for _ in range(lines):
            acknowledged = int(writer.stdout.readline())
        writer.send_signal(signal.SIGKILL)
        acknowledged = max([acknowledged, *(int(line) for line in writer.stdout.read().split())])
        writer.wait()
        writer.stdout.close()

        store = Store.open("sqlite:///watch.db", tmp_path)
        store.bind(STATIONS, SOURCES)
        last = store.last_alarm_number()
        assert last in (acknowledged, acknowledged + 1)
        assert [alarm.number for alarm in store.open_alarms()] == list(range(1, last + 1))
        assert {event.alarm.number for event in store.events(NOW.replace(year=2024), NOW)} == set(range(1, last + 1))
        assert {notice.alarm for notice in store.notices()} == set(range(1, last + 1))
        kept = store.delivered_after(0)
        assert len(kept) % 2 == 0
        assert len(kept) // 2 in (last, last + 1)
        with store._reading() as connection:
            assert connection.exec_driver_sql("PRAGMA integrity_check").scalar() == "ok"
        store.close()


COUNTER = """
import sys
from pathlib import Path
from tests.store_behaviour import *
store = Store.open("sqlite:///watch.db", Path(sys.argv[1]))
store.bind(STATIONS, SOURCES)
for step in range(30):
    assert len(store.keep(rows((int(sys.argv[2]), RAIN, T + step, 1.0)))) == 1
    store.add_answer(NOW, "acknowledge", sys.argv[2], step)
"""


def test_two_processes(tmp_path: Path) -> None:
    """Two processes that begin with a new store and write at once lose nothing."""
    writers = [
        subprocess.Popen([sys.executable, "-c", COUNTER, str(tmp_path), str(station)], cwd=ROOT) for station in (0, 1)
    ]
    assert [writer.wait() for writer in writers] == [0, 0]
    store = Store.open("sqlite:///watch.db", tmp_path)
    store.bind(STATIONS, SOURCES)
    assert len(store.delivered(T - 1, T + 100)) == 60
    assert [answer.number for answer in store.answers_after(0)] == list(range(1, 61))
    store.close()

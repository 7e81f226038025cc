"""The only SQL: what was delivered, what was decided, and what people are told, kept for good.

SQLite by default, PostgreSQL by address, one code path (SQLAlchemy Core). Every change is one transaction, and one
writer writes at a time; readers never wait. Positions in the arrays stand for numbers in the tables, which never change
(`Store.bind`). Moments are RFC 3339 UTC text of one length, so that text order is time order and a person can read
them; readings carry whole seconds since 1970 UTC.
"""

from __future__ import annotations

import os
import socket
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import fields, replace
from datetime import datetime, timedelta
from pathlib import Path
from threading import RLock
from typing import Any, cast

import numpy as np
import sqlalchemy as sql
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.engine import URL, Connection, Engine, Row
from sqlalchemy.exc import ArgumentError, DBAPIError, IntegrityError, ProgrammingError
from sqlalchemy.pool import StaticPool

from watchman.bodies import alarm_from_json, alarm_to_json, from_text, to_text
from watchman.errors import OutsideError
from watchman.migrations import MIGRATIONS, WORDS
from watchman.model import (
    RAIN,
    READING_COLUMNS,
    Alarm,
    AlarmKey,
    Answer,
    Event,
    EventKind,
    Flag,
    Notice,
    NoticeState,
    Picture,
    Readings,
    Rejected,
    SourceHealth,
    Span,
)
from watchman.readings.cleaning import COUNTED_TO, EARLIEST_S, FILLINGS, FUTURE_S, OLDEST_S

BUSY_S = 10
"""How long a writer waits for another before it gives up [s]; far above the longest write measured (0.4 s)."""

BELIEVABLE = (
    f"value >= 0 AND value < {COUNTED_TO} AND value NOT IN {FILLINGS} AND observed_at >= {EARLIEST_S} "
    f"AND received_at - observed_at BETWEEN -{FUTURE_S} AND {OLDEST_S}"
)
"""`cleaning.believable` of rain, in SQL."""

REJECTED_KEPT = 10_000
PICTURES_KEPT = timedelta(days=92)
"""How long a sent mail's pictures are kept (judgement, no source); its words stay."""
LINE_KEPT = 500
"""How many characters of a rejected row are kept; with four bytes each it still fits an index entry of PostgreSQL."""

Cells = tuple[np.ndarray, np.ndarray, np.ndarray]
"""Station positions [int32], ends of cells [int64, s since 1970 UTC] and values [row, 15; float64]."""

CELL_VALUES = 15
DUE_AT_MOST = timedelta(days=7)
"""How long a notice may have been due before it goes out; the outbox tries for a day."""
ROWS_AT_ONCE = 10_000
HOURS_AT_ONCE = 1_024
SEEKS_AT_MOST = 20_000
"""Above this many station-hours a read walks through all rows of its hours instead of seeking each."""

ONE_WRITER = 7_316_425_001
ONE_DAEMON = 7_316_425_002
"""Keys of PostgreSQL's advisory locks; any two numbers nobody else in the same database uses would do."""


class Moment(sql.types.TypeDecorator[datetime]):
    """A column of moments, kept as `to_text` writes them."""

    impl = sql.Text
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: sql.Dialect) -> str | None:
        """Return the moment as kept."""
        return None if value is None else to_text(value)

    def process_result_value(self, value: str | None, dialect: sql.Dialect) -> datetime | None:
        """Return the moment as used."""
        return None if value is None else from_text(value)


class Words(sql.types.TypeDecorator[str]):
    """A column of text that may come from outside: what no database takes (NUL, half characters) is replaced."""

    impl = sql.Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: sql.Dialect) -> str | None:
        """Return the text as kept."""
        return value and value.replace("\0", "\N{REPLACEMENT CHARACTER}").encode("utf-8", "replace").decode()


def _table(table: str, key: str, /, **columns: Any) -> sql.Table:
    """Return the description of a table that a migration makes; `key` names the columns of its key."""
    return sql.Table(
        table,
        sql.MetaData(),
        *(sql.Column(column, kind, primary_key=column in key.split()) for column, kind in columns.items()),
    )


STATIONS = _table("stations", "number", number=sql.BigInteger, id=Words)
SOURCES = _table("sources", "number", number=sql.BigInteger, id=Words)
DELIVERED = _table(
    "delivered",
    "delivery",
    delivery=sql.BigInteger,
    station=sql.Integer,
    variable=sql.SmallInteger,
    observed_at=sql.BigInteger,
    received_at=sql.BigInteger,
    source=sql.Integer,
    value=sql.Double,
    revision=sql.BigInteger,
    flag=sql.SmallInteger,
    reason=Words,
)
REJECTED = _table(
    "rejected", "number", number=sql.BigInteger, source=Words, received_at=Moment, line=Words, reason=Words
)
SPANS = _table(
    "spans",
    "number",
    number=sql.BigInteger,
    station=Words,
    begins_at=Moment,
    ends_at=Moment,
    reason=Words,
    who=Words,
    decided_at=Moment,
    withdrawn_at=Moment,
)
ANSWERS = _table(
    "answers",
    "number",
    number=sql.BigInteger,
    at=Moment,
    kind=Words,
    who=Words,
    alarm=sql.BigInteger,
    until=Moment,
    reason=Words,
)
ALARMS = _table(
    "alarms",
    "entry",
    entry=sql.BigInteger,
    number=sql.BigInteger,
    rule=Words,
    matter=Words,
    scope=Words,
    state=Words,
    severity=Words,
    raised_at=Moment,
    ended_at=Moment,
    body=Words,
)
EVENTS = _table(
    "events",
    "number",
    number=sql.BigInteger,
    alarm=sql.BigInteger,
    step=sql.Integer,
    at=Moment,
    kind=Words,
    who=Words,
    note=Words,
    body=Words,
)
NOTICES = _table(
    "notices",
    "number",
    number=sql.BigInteger,
    occasion=Words,
    person=Words,
    channel=Words,
    kind=Words,
    due_at=Moment,
    made_at=Moment,
    alarm=sql.BigInteger,
    event=Words,
    state=Words,
    subject=Words,
    text=Words,
    html=Words,
    message_id=Words,
    references=Words,
    attempts=sql.Integer,
    attempted_at=Moment,
    next_attempt_at=Moment,
    accepted_at=Moment,
    error=Words,
    repeat=sql.Boolean,
)
HEALTH = _table(
    "health",
    "source",
    source=Words,
    last_attempt_at=Moment,
    last_success_at=Moment,
    last_new_at=Moment,
    failing_since=Moment,
    back_at=Moment,
    trouble=Words,
)
MARKS = _table("marks", "name", name=Words, value=Words)
CELLS = _table(
    "cells", "grid cell_end station", grid=Words, cell_end=sql.BigInteger, station=sql.Integer, cell=sql.LargeBinary
)
PICTURES = _table("pictures", "notice name", notice=sql.BigInteger, name=Words, alternative=Words, png=sql.LargeBinary)
VERSION = _table("store_version", "version", version=sql.Integer)
TABLES = (
    STATIONS,
    SOURCES,
    DELIVERED,
    REJECTED,
    SPANS,
    ANSWERS,
    ALARMS,
    EVENTS,
    NOTICES,
    PICTURES,
    HEALTH,
    MARKS,
    CELLS,
)

HOUR = "observed_at / 3600"
"""Word for word the expression of the index `delivered_once`; otherwise neither database would use it."""

GIVEN = ("delivery", "station", "variable", "observed_at", "received_at", "source", "value", "revision")
"""The columns of `delivered` that a delivery gives; flag and reason come later."""

NOTICE_COLUMNS = tuple(NOTICES.c[field.name] for field in fields(Notice) if field.name != "pictures")
NOTICE_GIVEN = tuple(column.name for column in NOTICE_COLUMNS if column.name != "number")


class Store:
    """All that the program remembers. Made by `Store.open`; usable from several threads and processes at once."""

    def __init__(self, engine: Engine, address: URL) -> None:
        self._engine = engine
        self._writer = engine.execution_options(writes=True)
        self._insert: Callable[[sql.Table], Any] = (
            sqlite.insert if engine.dialect.name == "sqlite" else postgresql.insert
        )
        # Ready for the driver, because thousands of rows through the layer between cost three times as much.
        insert = self._insert(DELIVERED).on_conflict_do_nothing()
        self._insert_delivered = str(insert.compile(engine, column_keys=GIVEN))
        self._name = _shown(address)
        self.path = Path(str(address.database)) if _is_file(address) else None
        """The file of a SQLite store, or None."""
        self.on_server = address.get_backend_name() == "postgresql"
        # A store in memory is one connection, so its users take turns; elsewhere every user has a connection.
        self._turn: AbstractContextManager[Any] = RLock() if _is_memory(address) else nullcontext()
        self._stations = self._sources = _Numbers({}, ())

    # Opening and closing

    @classmethod
    def open(cls, address: str, folder: Path, *, create: bool = True) -> Store:
        """Return the store at an address, its tables brought up to this program's version.

        `sqlite:///watch.db` lies in the folder, `sqlite://` in memory only. Raises OutsideError if there is none and
        `create` is false, or it can't be read, written or understood.
        """
        url = _address(address, folder)
        if _is_file(url) and not create and not Path(url.database or "").exists():
            raise OutsideError(f"There is no store at {url.database} yet: the first `watchman run` or `once` makes it.")
        store = cls(_engine(url), url)
        try:
            store._migrate(create)
        except BaseException:
            store.close()
            raise
        return store

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    def _migrate(self, create: bool) -> None:
        with self._reading() as connection:
            version = self._version(connection)
        if version == len(MIGRATIONS):
            return
        if version == 0 and not create:
            raise OutsideError(f"The store {self._name} is empty: the first `watchman run` or `once` fills it.")
        words = WORDS[self._engine.dialect.name]
        with self._writing() as connection:
            # Asked again, now that nobody else can write: another process may have been quicker.
            for step in MIGRATIONS[self._version(connection) :]:
                for statement in step:
                    connection.exec_driver_sql(statement.format(**words))
            connection.execute(VERSION.delete())
            connection.execute(VERSION.insert(), {"version": len(MIGRATIONS)})

    def _version(self, connection: Connection) -> int:
        tables = set(sql.inspect(connection).get_table_names())
        if VERSION.name not in tables:
            # On a server tables of others may stand beside ours; a file is ours alone.
            foreign = sorted(tables & {table.name for table in TABLES} if self.on_server else tables)
            if foreign:
                raise OutsideError(
                    f"{self._name} belongs to another program (its table {foreign[0]!r} is not ours): write another "
                    "address under [store] in network.toml."
                )
            return 0
        version = int(connection.scalar(sql.select(VERSION.c.version)) or 0)
        if version > len(MIGRATIONS):
            raise OutsideError(
                f"The store {self._name} was written by a newer program (version {version} of the tables; this one "
                f"knows {len(MIGRATIONS)}): install the newer program again, or restore the backup made before it."
            )
        return version

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        with self._turn, self._plainly(), self._engine.connect() as connection:
            yield connection

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        with self._turn, self._plainly(), self._writer.begin() as connection:
            yield connection

    @contextmanager
    def _plainly(self) -> Iterator[None]:
        """Turn the database's trouble into a technician's words; wrong SQL and broken constraints are bugs of ours."""
        try:
            yield
        except DBAPIError as error:
            if isinstance(error, IntegrityError | ProgrammingError) and "permission denied" not in str(error.orig):
                raise
            raise OutsideError(_in_words(self._name, str(error.orig))) from error

    # Positions and numbers

    def bind(self, station_ids: Sequence[str], source_names: Sequence[str]) -> None:
        """Say which stations and sources the positions in arrays stand for; their numbers in the tables never change.

        Raises ValueError if one stands there twice.
        """
        self._stations = self._numbered(STATIONS, station_ids)
        self._sources = self._numbered(SOURCES, source_names)

    def _numbered(self, table: sql.Table, ids: Sequence[str]) -> _Numbers:
        if len(set(ids)) < len(ids):
            raise ValueError(f"the same id twice: {sorted(one for one in set(ids) if list(ids).count(one) > 1)}")
        # Read first: a store that can only be read is still worth watching with.
        if not set(ids) <= self._known(table).keys():
            with self._writing() as connection:
                self._put_once(connection, table, [{"id": one} for one in ids])
        return _Numbers(self._known(table), ids)

    def _known(self, table: sql.Table) -> dict[str, int]:
        with self._reading() as connection:
            return {row.id: row.number for row in connection.execute(sql.select(table.c.id, table.c.number))}

    # Readings

    def keep(self, readings: Readings, rejected: Sequence[Rejected] = ()) -> Readings:
        """Keep what was delivered, and return only the rows that are new, with their delivery numbers.

        A row is new unless the same station, variable, observed_at, source, revision and value were delivered before;
        a contradictory value is a new row beside the old one. A missing value is NaN. One transaction.
        """
        if not len(readings) and not rejected:
            return readings
        with self._writing() as connection:
            if rejected:
                self._keep_rejected(connection, rejected)
            last = connection.scalar(sql.select(sql.func.max(DELIVERED.c.delivery))) or 0
            if not len(readings):
                return readings
            # A part at a time: as Python rows a big delivery takes ten times the memory of its arrays.
            for first in range(0, len(readings), ROWS_AT_ONCE):
                part = readings.take(np.arange(first, min(first + ROWS_AT_ONCE, len(readings))))
                connection.exec_driver_sql(self._insert_delivered, self._rows(part, last + 1 + first))
            kept = connection.scalars(sql.select(DELIVERED.c.delivery).where(DELIVERED.c.delivery > last)).all()
        numbers = np.sort(np.array(kept, np.int64))
        new = readings.take(numbers - (last + 1))
        new.delivery[:] = numbers
        return new

    def _rows(self, readings: Readings, first: int) -> list[tuple[Any, ...]]:
        """Return the readings as rows of the columns `GIVEN`, numbered from `first`."""
        values: list[float | None] = readings.value.tolist()
        for row in np.flatnonzero(np.isnan(readings.value)).tolist():
            values[row] = None
        columns = (
            range(first, first + len(readings)),
            self._stations.number[readings.station].tolist(),
            readings.variable.tolist(),
            readings.observed_at.tolist(),
            readings.received_at.tolist(),
            self._sources.number[readings.source].tolist(),
            values,
            readings.revision.tolist(),
        )
        return list(zip(*columns, strict=True))

    def _keep_rejected(self, connection: Connection, rejected: Sequence[Rejected]) -> None:
        rows = [
            {"source": one.source, "received_at": one.received_at, "line": one.row[:LINE_KEPT], "reason": one.reason}
            for one in rejected[-REJECTED_KEPT:]
        ]
        connection.execute(self._insert(REJECTED).on_conflict_do_nothing(), rows)
        newest = sql.select(REJECTED.c.number).order_by(REJECTED.c.number.desc()).limit(1).offset(REJECTED_KEPT)
        connection.execute(REJECTED.delete().where(REJECTED.c.number <= newest.scalar_subquery()))

    def rejected(self, newest: int = 20) -> tuple[Rejected, ...]:
        """Return the rows that could not be read, the newest first; a row is kept once, however often it came."""
        with self._reading() as connection:
            rows = connection.execute(sql.select(REJECTED).order_by(REJECTED.c.number.desc()).limit(newest))
            return tuple(Rejected(row.source, row.received_at, row.line, row.reason) for row in rows)

    def delivered(
        self,
        begin: int,
        end: int,
        *,
        stations: np.ndarray | None = None,
        variable: int | None = None,
        with_previous: bool = False,
        known_to: int | None = None,
    ) -> Readings:
        """Return the rows with begin < observed_at <= end [s since 1970 UTC], by station, variable, time and delivery.

        stations: positions, None for all. with_previous: also each station's believable rain rows at its last
        observed_at <= begin, which a running count needs. known_to: only rows up to that delivery number, so that
        several reads see one state. Rows of stations and sources that are no longer bound are left out.
        """
        numbers = self._stations.number if stations is None else self._stations.number[np.asarray(stations, np.intp)]
        asked = None if stations is None else numbers.tolist()
        where = f"observed_at > {begin:d} AND observed_at <= {end:d} AND {_lead(_hour(begin), _hour(end), asked)}"
        if variable is not None:
            where += f" AND variable = {variable:d}"
        known = "" if known_to is None else f" AND delivery <= {known_to:d}"
        with self._reading() as connection:
            parts = [self._fetch(connection, where + known)]
            if with_previous:
                parts += self._previous(connection, begin, numbers, known)
        rows = Readings.join(parts)
        return rows.take(np.lexsort((rows.delivery, rows.observed_at, rows.variable, rows.station)))

    def delivered_after(self, delivery: int) -> Readings:
        """Return the rows with a larger delivery number, in the order of delivery."""
        with self._reading() as connection:
            rows = self._fetch(connection, f"delivery > {delivery:d}")
        return rows.take(np.argsort(rows.delivery))

    def last_delivery(self) -> int:
        """Return the largest delivery number ever given, 0 if none was."""
        with self._reading() as connection:
            return connection.scalar(sql.select(sql.func.max(DELIVERED.c.delivery))) or 0

    def observed_first(self, begin: int, end: int) -> int | None:
        """Return the first observed_at of any row with begin < observed_at <= end [s since 1970 UTC], or None."""
        return self._observed(begin, end, "min", "ASC")

    def observed_last(self, begin: int, end: int) -> int | None:
        """Return the last observed_at of any row with begin < observed_at <= end [s since 1970 UTC], or None."""
        return self._observed(begin, end, "max", "DESC")

    def _observed(self, begin: int, end: int, extreme: str, direction: str) -> int | None:
        hours = _lead(_hour(begin), _hour(end), None)
        where = f"observed_at > {begin:d} AND observed_at <= {end:d} AND {hours}"
        # By way of the hour, which leads the index: the rows of one hour are looked at, not all of them.
        hour = f"SELECT {HOUR} FROM delivered WHERE {where} ORDER BY {HOUR} {direction} LIMIT 1"  # noqa: S608
        query = f"SELECT {extreme}(observed_at) FROM delivered WHERE {where} AND {HOUR} = ({hour})"  # noqa: S608
        with self._reading() as connection:
            return cast(int | None, connection.exec_driver_sql(query).scalar())

    def names_kept(self) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Return the ids of all stations and the names of all sources that ever were bound, in the order of that."""
        stations, sources = self._known(STATIONS), self._known(SOURCES)
        return tuple(sorted(stations, key=stations.__getitem__)), tuple(sorted(sources, key=sources.__getitem__))

    def _previous(self, connection: Connection, begin: int, numbers: np.ndarray, known: str) -> list[Readings]:
        """Return each station's believable rain rows at its last observed_at <= begin."""
        missing, parts = numbers, []
        for first, last in _looking_back(connection, _hour(begin)):
            hours = _lead(first, last, missing.tolist())
            where = f"variable = {RAIN} AND observed_at <= {begin:d} AND {BELIEVABLE} AND {hours}{known}"
            latest = f"SELECT station AS who, max(observed_at) AS latest FROM delivered WHERE {where} GROUP BY station"  # noqa: S608
            join = f" JOIN ({latest}) AS newest ON station = who AND observed_at = latest"
            found = self._fetch(connection, where, join)
            parts.append(found)
            missing = np.setdiff1d(missing, self._stations.number[found.station])
            if not len(missing):
                break
        return parts

    def _fetch(self, connection: Connection, where: str, join: str = "") -> Readings:
        """Return the rows that meet a condition, in no particular order, a part at a time to spare memory.

        The condition is text made of whole numbers: building it up from pieces costs more than a small read itself.
        """
        columns = ", ".join(READING_COLUMNS)
        cursor = connection.exec_driver_sql(f"SELECT {columns} FROM delivered{join} WHERE {where}").cursor  # noqa: S608
        parts = []
        while rows := cursor.fetchmany(ROWS_AT_ONCE):
            arrays = dict(zip(READING_COLUMNS, zip(*rows, strict=True), strict=True))
            station = self._stations.positions(arrays.pop("station"))
            source = self._sources.positions(arrays.pop("source"))
            rest = {name: np.array(column, READING_COLUMNS[name]) for name, column in arrays.items()}
            part = Readings(station=station.astype(np.int32), source=source.astype(np.int16), **rest)
            bound = (station >= 0) & (source >= 0)
            parts.append(part if bound.all() else part.take(bound))
        return Readings.join(parts)

    # Spans and answers

    def spans(self) -> tuple[Span, ...]:
        """Return every span ever decided, the withdrawn ones too: a replay uses those decided by then."""
        with self._reading() as connection:
            return tuple(Span(**row._mapping) for row in connection.execute(sql.select(SPANS).order_by(SPANS.c.number)))

    def add_span(
        self, station: str, begins_at: datetime, ends_at: datetime, reason: str, who: str, decided_at: datetime
    ) -> Span:
        """Write down that a stretch of a station's readings doesn't count, and return it with its number."""
        with self._writing() as connection:
            return _insert_span(connection, Span(0, station, begins_at, ends_at, reason, who, decided_at))

    def end_span(self, number: int, ends_at: datetime, decided_at: datetime) -> Span | None:
        """Give a span another end, and return it as it now is; None if there is none of that number that holds.

        What was decided before stays known: the old span is withdrawn and a new one written at `decided_at`.
        """
        with self._writing() as connection:
            row = connection.execute(
                sql.select(SPANS).where(SPANS.c.number == number, SPANS.c.withdrawn_at.is_(None))
            ).first()
            if row is None:
                return None
            old = Span(**row._mapping)
            connection.execute(SPANS.update().where(SPANS.c.number == number).values(withdrawn_at=decided_at))
            return _insert_span(
                connection, Span(0, old.station, old.begins_at, ends_at, old.reason, old.who, decided_at)
            )

    def confirm_span(self, number: int, who: str, at: datetime) -> Span | None:
        """Make a span somebody's own decision, and return it as it now is; None if none of that number holds."""
        with self._writing() as connection:
            holds = sql.select(SPANS).where(SPANS.c.number == number, SPANS.c.withdrawn_at.is_(None))
            row = connection.execute(holds).first()
            if row is None:
                return None
            return next(_put_spans(connection, [replace(Span(**row._mapping), who=who, decided_at=at)]), None)

    def withdraw_span(self, number: int, at: datetime) -> bool:
        """Take a span back from a moment on, and say whether there was one that held."""
        return self._change(SPANS, {"withdrawn_at": at}, SPANS.c.number == number, SPANS.c.withdrawn_at.is_(None))

    def add_answer(
        self, at: datetime, kind: str, who: str, alarm: int, until: datetime | None = None, reason: str = ""
    ) -> Answer:
        """Write down what a person said of an alarm, and return it with its number; the next cycle acts on it."""
        given = {"at": at, "kind": kind, "who": who, "alarm": alarm, "until": until, "reason": reason}
        with self._writing() as connection:
            return Answer(number=_insert_numbered(connection, ANSWERS, given), **cast(dict[str, Any], given))

    def answers_after(self, number: int) -> tuple[Answer, ...]:
        """Return the answers with a larger number, in order; the mark "answered_to" says how far the cycles came."""
        with self._reading() as connection:
            rows = connection.execute(sql.select(ANSWERS).where(ANSWERS.c.number > number).order_by(ANSWERS.c.number))
            return tuple(Answer(**row._mapping) for row in rows)

    # Alarms and events

    def open_alarms(self) -> tuple[Alarm, ...]:
        """Return the alarms that have not ended, by number; those not raised yet (number 0) come first."""
        with self._reading() as connection:
            rows = connection.scalars(
                sql.select(ALARMS.c.body)
                .where(ALARMS.c.ended_at.is_(None))
                .order_by(sql.func.coalesce(ALARMS.c.number, 0), ALARMS.c.entry)
            )
            return tuple(alarm_from_json(body) for body in rows)

    def alarm(self, number: int) -> Alarm | None:
        """Return the alarm of a number, or None."""
        with self._reading() as connection:
            body = connection.scalar(sql.select(ALARMS.c.body).where(ALARMS.c.number == number))
            return None if body is None else alarm_from_json(body)

    def last_alarm_number(self) -> int:
        """Return the largest number ever given to an alarm, 0 if none was."""
        with self._reading() as connection:
            return connection.scalar(sql.select(sql.func.max(ALARMS.c.number))) or 0

    def ended_alarms(self, begin: datetime, end: datetime) -> tuple[Alarm, ...]:
        """Return the alarms with begin < ended_at <= end, by their end."""
        with self._reading() as connection:
            rows = connection.scalars(
                sql.select(ALARMS.c.body)
                .where(ALARMS.c.ended_at > begin, ALARMS.c.ended_at <= end)
                .order_by(ALARMS.c.ended_at, ALARMS.c.number)
            )
            return tuple(alarm_from_json(body) for body in rows)

    def events(self, begin: datetime, end: datetime) -> tuple[Event, ...]:
        """Return the events with begin < at <= end, as they were written down."""
        return self._events(EVENTS.c.at > begin, EVENTS.c.at <= end)

    def events_of(self, alarm_number: int) -> tuple[Event, ...]:
        """Return the steps in one alarm's life, in order."""
        return self._events(EVENTS.c.alarm == alarm_number)

    def _events(self, *conditions: sql.ColumnElement[bool]) -> tuple[Event, ...]:
        with self._reading() as connection:
            rows = connection.execute(sql.select(EVENTS).where(*conditions).order_by(EVENTS.c.number))
            return tuple(
                Event(row.at, EventKind(row.kind), alarm_from_json(row.body), row.step, row.who, row.note)
                for row in rows
            )

    # The outbox

    def notices_due(self, now: datetime) -> tuple[Notice, ...]:
        """Return the notices to be sent or tried again now, the oldest first."""
        return self._notices(
            NOTICES.c.state == NoticeState.DUE,
            NOTICES.c.due_at <= now,
            sql.or_(NOTICES.c.next_attempt_at.is_(None), NOTICES.c.next_attempt_at <= now),
        )

    def unsettled(self) -> tuple[Notice, ...]:
        """Return the notices whose sending had begun when the program was stopped: their fate is unknown."""
        return self._notices(NOTICES.c.state == NoticeState.ATTEMPTING)

    def notice(self, number: int) -> Notice | None:
        """Return the notice of a number, or None."""
        found = self._notices(NOTICES.c.number == number)
        return found[0] if found else None

    def notice_of_message(self, message_id: str) -> Notice | None:
        """Return the notice that left with a Message-ID, or None."""
        found = self._notices(NOTICES.c.message_id == message_id) if message_id else ()
        return found[0] if found else None

    def notices(
        self, *, alarm: int | None = None, begin: datetime | None = None, end: datetime | None = None
    ) -> tuple[Notice, ...]:
        """Return the notices about an alarm and with begin < made_at <= end, the oldest due first."""
        conditions = []
        if alarm is not None:
            conditions.append(NOTICES.c.alarm == alarm)
        if begin is not None:
            conditions.append(NOTICES.c.made_at > begin)
        if end is not None:
            conditions.append(NOTICES.c.made_at <= end)
        return self._notices(*conditions)

    def _notices(self, *conditions: sql.ColumnElement[bool]) -> tuple[Notice, ...]:
        query = sql.select(*NOTICE_COLUMNS).where(*conditions).order_by(NOTICES.c.due_at, NOTICES.c.number)
        with self._reading() as connection:
            return tuple(_notice(row) for row in connection.execute(query))

    def add_notices(self, notices: Sequence[Notice], marks: Mapping[str, str] | None = None) -> None:
        """Put notices into the outbox beside a cycle, with what is to be remembered of it, in one transaction.

        One whose occasion, person and channel exist already changes nothing.
        """
        with self._writing() as connection:
            self._put_once(connection, NOTICES, [_notice_row(notice) for notice in notices])
            for notice in notices:
                self._put_new_pictures(connection, notice)
            self._put(connection, MARKS, [{"name": name, "value": value} for name, value in (marks or {}).items()])

    def _put_new_pictures(self, connection: Connection, notice: Notice) -> None:
        """Write down the pictures of a notice just made with its words."""
        if notice.pictures:
            it = [NOTICES.c[name] == getattr(notice, name) for name in ("occasion", "person", "channel", "message_id")]
            number = connection.scalar(sql.select(NOTICES.c.number).where(*it))
            if number is not None:
                self._put_once(connection, PICTURES, _picture_rows(number, notice.pictures))

    def put_words(
        self,
        number: int,
        subject: str,
        text: str,
        html: str,
        message_id: str,
        references: str,
        pictures: Sequence[Picture] = (),
    ) -> bool:
        """Write down the words and pictures a notice is about to be sent with, in the place of those before.

        False if it is not due any more: then they stay.
        """
        words = {"subject": subject, "text": text, "html": html, "message_id": message_id, "references": references}
        with self._writing() as connection:
            due = (NOTICES.c.number == number, NOTICES.c.state == NoticeState.DUE)
            if connection.execute(NOTICES.update().where(*due).values(**words)).rowcount != 1:
                return False
            connection.execute(PICTURES.delete().where(PICTURES.c.notice == number))
            self._put_once(connection, PICTURES, _picture_rows(number, pictures))
            return True

    def pictures(self, notice: int) -> tuple[Picture, ...]:
        """Return the pictures a notice is sent with."""
        query = sql.select(PICTURES.c.name, PICTURES.c.alternative, PICTURES.c.png).order_by(PICTURES.c.name)
        with self._reading() as connection:
            rows = connection.execute(query.where(PICTURES.c.notice == notice))
            return tuple(Picture(row.name, row.alternative, bytes(row.png)) for row in rows)

    def begin_attempt(self, number: int, at: datetime) -> bool:
        """Write down that the sending begins, before it does; false if the notice is not due any more: don't send."""
        attempt = {"state": NoticeState.ATTEMPTING, "attempts": NOTICES.c.attempts + 1, "attempted_at": at}
        return self._change(NOTICES, attempt, NOTICES.c.number == number, NOTICES.c.state == NoticeState.DUE)

    def settle(
        self,
        number: int,
        at: datetime,
        state: NoticeState,
        *,
        next_attempt_at: datetime | None = None,
        error: str = "",
        repeat: bool = False,
    ) -> bool:
        """Write down what became of an attempt, and say whether one was under way.

        state: ACCEPTED, REFUSED, UNKNOWN, or DUE with `next_attempt_at` to try again; repeat: it may arrive twice.
        """
        outcome: dict[str, Any] = {
            "state": state,
            "next_attempt_at": next_attempt_at,
            "accepted_at": at if state is NoticeState.ACCEPTED else None,
            "error": error,
        }
        if repeat:
            outcome["repeat"] = True
        return self._change(NOTICES, outcome, NOTICES.c.number == number, NOTICES.c.state == NoticeState.ATTEMPTING)

    def sent_since(self, moment: datetime) -> tuple[Notice, ...]:
        """Return the notices that went out since a moment, are on their way, or may have arrived since."""
        on_its_way = sql.or_(
            NOTICES.c.accepted_at >= moment,
            NOTICES.c.state == NoticeState.ATTEMPTING,
            sql.and_(NOTICES.c.state == NoticeState.UNKNOWN, NOTICES.c.attempted_at >= moment),
            sql.and_(NOTICES.c.state == NoticeState.DUE, NOTICES.c.attempts > 0, NOTICES.c.text != ""),
        )
        states = (NoticeState.ACCEPTED, NoticeState.ATTEMPTING, NoticeState.UNKNOWN, NoticeState.DUE)
        # What was due long before has been given up: asked for only so that the index leads to few rows.
        return self._notices(NOTICES.c.state.in_(states), NOTICES.c.due_at >= moment - DUE_AT_MOST, on_its_way)

    def hold_back(self, numbers: Sequence[int], why: str, until: datetime | None = None) -> None:
        """Let notices that are due and have no words yet wait, and say why: until a moment, or for another notice."""
        held = {"error": why} | ({} if until is None else {"due_at": until})
        waiting = (NOTICES.c.state == NoticeState.DUE, NOTICES.c.text == "")
        with self._writing() as connection:
            connection.execute(NOTICES.update().where(NOTICES.c.number.in_(numbers), *waiting).values(**held))

    def withdraw(self, number: int, why: str) -> bool:
        """Take back a notice that is still due, because what it tells no longer stands; false if it is too late."""
        withdrawn = {"state": NoticeState.WITHDRAWN, "error": why}
        with self._writing() as connection:
            due = (NOTICES.c.number == number, NOTICES.c.state == NoticeState.DUE)
            if connection.execute(NOTICES.update().where(*due).values(**withdrawn)).rowcount != 1:
                return False
            connection.execute(PICTURES.delete().where(PICTURES.c.notice == number))
            return True

    def _change(self, table: sql.Table, values: Mapping[str, Any], *conditions: sql.ColumnElement[bool]) -> bool:
        with self._writing() as connection:
            return connection.execute(table.update().where(*conditions).values(**values)).rowcount == 1

    # One cycle

    def commit(
        self,
        now: datetime,
        *,
        alarms: Sequence[Alarm] = (),
        events: Sequence[Event] = (),
        notices: Sequence[Notice] = (),
        health: Sequence[SourceHealth] = (),
        marks: Mapping[str, str] | None = None,
        flags: tuple[np.ndarray, np.ndarray, Sequence[str]] | None = None,
        answered_to: int | None = None,
        spans: Sequence[Span] = (),
    ) -> tuple[Span, ...]:
        """Write down everything a cycle decided, in one transaction, and that it did so (the mark "last_cycle").

        alarms: all that are open after the cycle, and those that ended in it. One not raised yet (number 0) that is no
        longer among them is forgotten; a raised one stays as it was. notices: one whose occasion, person and channel
        exist already changes nothing; the same holds for an event's alarm and step. flags: delivery numbers, flags and
        reasons of the rows whose flag changed. answered_to: the number of the last answer acted on. spans: what does
        not count from now on; one with a number takes the place of the span of that number, unless that was withdrawn
        meanwhile. Returns those written, with their numbers.
        """
        facts = {"last_cycle": to_text(now), **(marks or {})}
        if answered_to is not None:
            facts["answered_to"] = str(answered_to)
        with self._writing() as connection:
            _put_alarms(connection, alarms)
            self._put_once(connection, EVENTS, [_event_row(event) for event in events])
            self._put_once(connection, NOTICES, [_notice_row(notice) for notice in notices])
            self._put(connection, HEALTH, [{f.name: getattr(one, f.name) for f in fields(one)} for one in health])
            self._put(connection, MARKS, [{"name": name, "value": value} for name, value in facts.items()])
            if flags is not None and len(flags[0]):
                _put_flags(connection, *flags)
            return tuple(_put_spans(connection, spans))

    def health(self) -> tuple[SourceHealth, ...]:
        """Return how fetching from each source has gone."""
        with self._reading() as connection:
            rows = connection.execute(sql.select(HEALTH).order_by(HEALTH.c.source))
            return tuple(SourceHealth(**row._mapping) for row in rows)

    def marks(self, begins: str = "") -> dict[str, str]:
        """Return the small named facts: "last_cycle", "answered_to", "cells_known_to", and what others wrote.

        begins: only those whose names begin so.
        """
        with self._reading() as connection:
            theirs = MARKS.c.name.startswith(begins, autoescape=True)
            return {row.name: row.value for row in connection.execute(sql.select(MARKS).where(theirs))}

    def set_mark(self, name: str, value: str) -> None:
        """Write down one small named fact."""
        with self._writing() as connection:
            self._put(connection, MARKS, [{"name": name, "value": value}])

    def _put_once(self, connection: Connection, table: sql.Table, rows: Sequence[Mapping[str, Any]]) -> None:
        """Insert the rows that don't exist yet."""
        if rows:
            connection.execute(self._insert(table).on_conflict_do_nothing(), rows)

    def _put(self, connection: Connection, table: sql.Table, rows: Sequence[Mapping[str, Any]]) -> None:
        """Insert the rows, or write them over those of the same key."""
        if rows:
            insert = self._insert(table)
            new = {column.name: insert.excluded[column.name] for column in table.c if not column.primary_key}
            key = [column.name for column in table.primary_key]
            connection.execute(insert.on_conflict_do_update(index_elements=key, set_=new), rows)

    # The long memory

    def save_cells(
        self,
        cells: Mapping[str, Cells],
        known_to: int,
        *,
        anew: np.ndarray | None = None,
        marks: Mapping[str, str] | None = None,
    ) -> None:
        """Save cells by the name of their grid, and the delivery number up to which they know, in one transaction.

        A cell: station position, its end [s since 1970 UTC], 15 values. Raises ValueError for another number of values.
        anew: positions of stations whose cells saved before go. marks: what else is to be remembered with them.
        """
        rows = []
        for grid, (station, cell_end, values) in cells.items():
            if values.shape != (len(station), CELL_VALUES):
                raise ValueError(f"cells of shape {values.shape}, not {(len(station), CELL_VALUES)}")
            numbers = self._stations.number[station].tolist()
            for end, number, cell in zip(cell_end.tolist(), numbers, values.astype("<f8"), strict=True):
                rows.append({"grid": grid, "cell_end": end, "station": number, "cell": cell.tobytes()})
        facts = {"cells_known_to": str(known_to), **(marks or {})}
        with self._writing() as connection:
            if anew is not None and len(anew):
                gone = CELLS.c.station.in_(_written_out(self._stations.number[anew].tolist()))
                connection.execute(CELLS.delete().where(gone))
            self._put(connection, CELLS, rows)
            self._put(connection, MARKS, [{"name": name, "value": value} for name, value in facts.items()])

    def load_cells(self, grid: str, begin: int) -> Cells:
        """Return a grid's cells that end after begin [s since 1970 UTC]; those of stations not bound are left out."""
        query = sql.select(CELLS.c.station, CELLS.c.cell_end, CELLS.c.cell).where(
            CELLS.c.grid == grid, CELLS.c.cell_end > begin
        )
        parts = []
        with self._reading() as connection:
            result = connection.execute(query)
            while rows := result.fetchmany(ROWS_AT_ONCE):
                station, cell_end, cell = zip(*rows, strict=True)
                values = np.frombuffer(b"".join(cell), "<f8").reshape(-1, CELL_VALUES).astype(np.float64)
                parts.append((self._stations.positions(station), np.array(cell_end, np.int64), values))
        if not parts:
            return (np.empty(0, np.int32), np.empty(0, np.int64), np.empty((0, CELL_VALUES)))
        position, ends, values = (np.concatenate(column) for column in zip(*parts, strict=True))
        bound = position >= 0
        return position[bound].astype(np.int32), ends[bound], values[bound]

    def cells_known_to(self) -> int:
        """Return the delivery number up to which the saved cells know, 0 if there are none."""
        return int(self.marks().get("cells_known_to", 0))

    # Care

    def forget(self, now: datetime, months: int = 24) -> int:
        """Delete raw readings both observed and received more than so many months (of 30.5 days) ago; return how many.

        The last row ever delivered stays, so that no delivery number is given twice. The pictures of old mails go too.
        """
        limit = int((now - timedelta(days=30.5 * months)).timestamp())
        with self._writing() as connection:
            old_notices = sql.select(NOTICES.c.number).where(NOTICES.c.made_at < now - PICTURES_KEPT)
            connection.execute(PICTURES.delete().where(PICTURES.c.notice.in_(old_notices)))
            last = connection.scalar(sql.select(sql.func.max(DELIVERED.c.delivery))) or 0
            old = f"{HOUR} <= {_hour(limit)} AND observed_at < {limit} AND received_at < {limit} AND delivery < {last}"
            return connection.execute(DELIVERED.delete().where(sql.text(old))).rowcount

    def backup(self, target: Path) -> None:
        """Copy a SQLite store into a file while it is in use; the file appears when it is whole.

        Raises OutsideError if it can't be written, or if the store is not SQLite's.
        """
        if self.on_server:
            raise OutsideError(f"{self._name} is copied with PostgreSQL's own tool: pg_dump --format=custom.")
        unfinished = target.with_name(target.name + ".part")
        try:
            copy = sqlite3.connect(unfinished)
            try:
                with self._reading() as connection:
                    cast(sqlite3.Connection, connection.connection.driver_connection).backup(copy)
            finally:
                copy.close()
            os.replace(unfinished, target)
        except (sqlite3.Error, OSError) as error:
            raise OutsideError(_in_words(f"the backup {target}", str(error))) from error

    @contextmanager
    def hold_server_lock(self) -> Iterator[None]:
        """Hold PostgreSQL's lock against a second daemon until the block ends; OutsideError says who holds it."""
        with self._plainly(), self._engine.connect() as connection:
            connection.execution_options(isolation_level="AUTOCOMMIT")
            # Taken out of the pool: when it is closed the server lets go, also if the process ends without a word.
            connection.detach()
            if not connection.scalar(sql.select(sql.func.pg_try_advisory_lock(ONE_DAEMON))):
                key = {"high": ONE_DAEMON >> 32, "low": ONE_DAEMON & 0xFFFFFFFF}
                who = connection.scalar(sql.text(WHO_HOLDS), key) or "it just ended"
                raise OutsideError(f"Another watch already runs on {self._name} ({who}).")
            yield


WHO_HOLDS = """
    SELECT application_name || ', since ' || to_char(backend_start AT TIME ZONE 'UTC', 'YYYY-MM-DD HH24:MI') || ' UTC'
    FROM pg_locks JOIN pg_stat_activity USING (pid)
    WHERE locktype = 'advisory' AND granted AND classid = :high AND objid = :low AND pg_locks.database =
        (SELECT oid FROM pg_database WHERE datname = current_database())
"""


class _Numbers:
    """The positions in arrays beside the numbers in a table."""

    def __init__(self, known: Mapping[str, int], ids: Sequence[str]) -> None:
        self.number = np.array([known[one] for one in ids], np.int64)
        self._position = np.full(max(known.values(), default=0) + 2, -1, np.int64)
        self._position[self.number] = np.arange(len(ids))

    def positions(self, numbers: Sequence[int]) -> np.ndarray:
        """Return the positions of numbers, -1 where one is not bound."""
        return self._position[np.minimum(np.array(numbers, np.int64), len(self._position) - 1)]


# The way to the database


def _address(address: str, folder: Path) -> URL:
    try:
        url = sql.make_url(address)
    except ArgumentError as error:
        raise OutsideError("The store's address is not one: write for instance sqlite:///watch.db") from error
    if url.get_backend_name() not in WORDS:
        raise OutsideError(
            f"A store at {url.get_backend_name()}:// is not known: write sqlite:///watch.db or "
            "postgresql://user@host/database."
        )
    return url.set(database=str(folder / str(url.database))) if _is_file(url) else url


def _is_memory(url: URL) -> bool:
    return url.get_backend_name() == "sqlite" and url.database in (None, "", ":memory:")


def _is_file(url: URL) -> bool:
    return url.get_backend_name() == "sqlite" and not _is_memory(url)


def _shown(url: URL) -> str:
    """Return an address as people may see it: without password."""
    return str(url.database) if _is_file(url) else url.render_as_string(hide_password=True)


def _engine(url: URL) -> Engine:
    if url.get_backend_name() == "postgresql":
        who = f"watchman on {socket.gethostname()}, process {os.getpid()}"[:63]
        options = f"-c lock_timeout={BUSY_S}s -c timezone=UTC"
        connect = {"application_name": who, "connect_timeout": BUSY_S, "options": options}
        engine = sql.create_engine(url, connect_args=connect, pool_pre_ping=True, paramstyle="format")
        sql.event.listen(engine, "begin", _begin_on_server)
        return engine
    connect = {"timeout": BUSY_S, "check_same_thread": False}
    pool = {"poolclass": StaticPool} if _is_memory(url) else {}
    engine = sql.create_engine(url, connect_args=connect, **pool)
    sql.event.listen(engine, "connect", _prepare_file)
    sql.event.listen(engine, "begin", _begin_in_file)
    return engine


def _prepare_file(connection: sqlite3.Connection, _record: object) -> None:
    # The driver's own way of beginning transactions is silently late: we begin them ourselves.
    connection.isolation_level = None
    for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON"):
        connection.execute(f"PRAGMA {pragma}")


def _begin_in_file(connection: Connection) -> None:
    # A writer takes its turn at once and may wait for it: after a read it would be refused without waiting.
    connection.exec_driver_sql("BEGIN IMMEDIATE" if connection.get_execution_options().get("writes") else "BEGIN")


def _begin_on_server(connection: Connection) -> None:
    # The same law as in a file, one writer at a time: delivery numbers can then be given by looking at the last one.
    if connection.get_execution_options().get("writes"):
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({ONE_WRITER})")


TROUBLES = (
    ("readonly", "{store} can only be read: let this user write to the file and to its folder."),
    ("read-only", "{store} can only be read: let this user write to it."),
    ("permission denied", "{store} can't be used by this user: grant the tables to it."),
    ("unable to open", "{store} can't be opened: its folder must exist, and this user must be able to write in it."),
    ("is full", "{store} can't grow, the disk is full: free some space; nothing that was kept is lost."),
    ("No space left", "{store} can't grow, the disk is full: free some space; nothing that was kept is lost."),
    ("is locked", "{store} is held by another program for more than {busy} s: try again, or end that program."),
    ("lock timeout", "{store} is held by another program for more than {busy} s: try again, or end that program."),
    (
        "not a database",
        "{store} is not a store (nor any SQLite database): write another address, or restore the backup.",
    ),
    ("malformed", "{store} is damaged: restore the backup."),
    ("disk I/O error", "{store} can't be read or written: the disk may be failing or full."),
)
"""The databases' own words, and what a technician can do."""


def _in_words(store: str, trouble: str) -> str:
    """Return the database's trouble in a technician's words, the database's own behind them."""
    own = " ".join(trouble.split())
    for sign, sentence in TROUBLES:
        if sign in own:
            return f"{sentence.format(store=store, busy=BUSY_S)} ({own})"
    return f"{store} can't be used: {own}"


# Rows and values


def _hour(moment: int) -> int:
    """Return the hour as the index counts it: SQL divides towards zero."""
    return int(moment / 3600)


def _written_out(numbers: Sequence[int]) -> sql.BindParameter[Sequence[int]]:
    """Return whole numbers to stand in the statement itself: a database takes only so many parameters."""
    return sql.bindparam(None, list(numbers), expanding=True, literal_execute=True)


def _lead(first: int, last: int, stations: Sequence[int] | None) -> str:
    """Return the condition that leads the index to the hours first..last of some stations (None: all)."""
    if stations is None:
        return f"{HOUR} >= {first} AND {HOUR} <= {last}"
    among = f"station IN ({', '.join(map(str, stations))})"
    if (last - first + 1) * len(stations) > SEEKS_AT_MOST:
        return f"{HOUR} >= {first} AND {HOUR} <= {last} AND {among}"
    return f"{HOUR} IN ({', '.join(map(str, range(first, last + 1)))}) AND {among}"


def _looking_back(connection: Connection, hour: int) -> Iterator[tuple[int, int]]:
    """Yield first and last hours of longer and longer stretches, from `hour` back to the oldest one kept."""
    first, hours = hour - 1, 16
    yield first, hour
    column: sql.ColumnElement[int] = sql.literal_column(HOUR)
    oldest = connection.scalar(sql.select(column).select_from(DELIVERED).order_by(column).limit(1)) or 0
    # A stamp of 1970 must not make every look back walk through half a century.
    oldest = max(oldest, hour - 4 * 366 * 24)
    while first > oldest:
        last = first - 1
        first = max(last - hours + 1, oldest)
        yield first, last
        hours = min(hours * 8, HOURS_AT_ONCE)


def _insert_numbered(connection: Connection, table: sql.Table, row: Mapping[str, Any]) -> int:
    return cast(int, connection.scalar(table.insert().values(**row).returning(table.c.number)))


def _insert_span(connection: Connection, span: Span) -> Span:
    row = {field.name: getattr(span, field.name) for field in fields(span) if field.name != "number"}
    return Span(number=_insert_numbered(connection, SPANS, row), **row)


def _put_spans(connection: Connection, spans: Sequence[Span]) -> Iterator[Span]:
    """Write spans, each with a number in the place of the one that has it and still holds."""
    for span in spans:
        if span.number:
            old = SPANS.update().where(SPANS.c.number == span.number, SPANS.c.withdrawn_at.is_(None))
            if connection.execute(old.values(withdrawn_at=span.decided_at)).rowcount != 1:
                continue
        yield _insert_span(connection, span)


def _put_flags(connection: Connection, delivery: np.ndarray, flag: np.ndarray, reason: Sequence[str]) -> None:
    update = (
        DELIVERED.update()
        .where(DELIVERED.c.delivery == sql.bindparam("row"))
        .values(flag=sql.bindparam("new_flag"), reason=sql.bindparam("why"))
    )
    plain = (DELIVERED.c.flag == Flag.GOOD) & (DELIVERED.c.reason == "")
    for first in range(0, len(delivery), ROWS_AT_ONCE):
        part = slice(first, first + ROWS_AT_ONCE)
        rows = list(zip(delivery[part].tolist(), flag[part].tolist(), reason[part], strict=True))
        # Most of what is judged again is good, as it was.
        numbers = _written_out([row for row, one, why in rows if one == Flag.GOOD and not why])
        was_odd = set(
            connection.scalars(sql.select(DELIVERED.c.delivery).where(~plain, DELIVERED.c.delivery.in_(numbers)))
        )
        changed = [
            {"row": row, "new_flag": one, "why": why}
            for row, one, why in rows
            if row in was_odd or one != Flag.GOOD or why
        ]
        if changed:
            connection.execute(update, changed)


def _put_alarms(connection: Connection, alarms: Sequence[Alarm]) -> None:
    """Write the alarms that differ from what is kept, and forget those not raised that are no longer among them."""
    numbers = [alarm.number for alarm in alarms if alarm.number]
    kept = connection.execute(
        sql.select(ALARMS).where(sql.or_(ALARMS.c.ended_at.is_(None), ALARMS.c.number.in_(_written_out(numbers))))
    ).all()
    raised = {row.number: row for row in kept if row.number is not None}
    pending = {AlarmKey(row.rule, row.matter, row.scope): row for row in kept if row.number is None}
    # Those that ended first: a key may be open again in the same cycle.
    for alarm in sorted(alarms, key=lambda alarm: alarm.ended_at is None):
        if alarm.ended_at is not None and not alarm.number:
            continue
        row = raised.get(alarm.number)
        # An alarm that has just been raised takes the place of its pending self.
        old = row if row is not None else pending.pop(alarm.key, None)
        new = _alarm_row(alarm)
        if old is None:
            connection.execute(ALARMS.insert(), new)
        elif old.body != new["body"]:
            connection.execute(ALARMS.update().where(ALARMS.c.entry == old.entry).values(**new))
    if pending:
        gone = [row.entry for row in pending.values()]
        connection.execute(ALARMS.delete().where(ALARMS.c.entry.in_(_written_out(gone))))


def _alarm_row(alarm: Alarm) -> dict[str, Any]:
    return {
        "number": alarm.number or None,
        "rule": alarm.key.rule,
        "matter": alarm.key.matter,
        "scope": alarm.key.scope,
        "state": alarm.state,
        "severity": alarm.severity,
        "raised_at": alarm.raised_at,
        "ended_at": alarm.ended_at,
        "body": alarm_to_json(alarm),
    }


def _event_row(event: Event) -> dict[str, Any]:
    return {
        "alarm": event.alarm.number,
        "step": event.step,
        "at": event.at,
        "kind": event.kind,
        "who": event.who,
        "note": event.note,
        "body": alarm_to_json(event.alarm),
    }


def _notice_row(notice: Notice) -> dict[str, Any]:
    return {name: getattr(notice, name) for name in NOTICE_GIVEN}


def _picture_rows(notice: int, pictures: Sequence[Picture]) -> list[dict[str, Any]]:
    return [
        {"notice": notice, "name": picture.name, "alternative": picture.alternative, "png": picture.png}
        for picture in pictures
    ]


def _notice(row: Row[Any]) -> Notice:
    return Notice(**{**row._mapping, "state": NoticeState(row.state)})

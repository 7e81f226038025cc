"""The data manager's copy: readings as delivered and as judged, maintenance, alarms and events, as CSV in a folder.

Readings are judged again, day by day, by the same function and on the same terms as the watch's own record, so that
flags and sums are those of the record and the digest. The folder gets its name only when everything is in it.
"""

from __future__ import annotations

import csv
import json
import os
import re
import shutil
import tempfile
import textwrap
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from watchman import visiting, watch
from watchman.errors import InputError, Mistake, OutsideError
from watchman.judging.view import aware
from watchman.mistakes import nearest_word
from watchman.model import RAIN, VARIABLES, Alarm, Flag, Readings, Span
from watchman.network import Network
from watchman.readings.cleaning import IMPOSSIBLE, LOOK_BACK_S, REASONS, WENT_BACK, Clean, Held, clean
from watchman.readings.record import DAY
from watchman.readings.sources.settings import Rain
from watchman.stations import STATIONS_FILE, read_stations
from watchman.store import Store
from watchman.telling import compose

READINGS, MAINTENANCE, ALARMS, EVENTS, ABOUT = (
    "readings.csv",
    "maintenance.csv",
    "alarms.csv",
    "events.csv",
    "README.txt",
)
UNITS = ("mm", "V", "degC", "%", "dBm")
"""What comparable values are in, by the position in VARIABLES."""
STATIONS_AT_ONCE, DAYS_AT_ONCE = 64, 4
"""How many stations' readings are held in memory at once, of how many days where there are no more stations."""
GUARDED = re.compile(r"^(?=[\t\r\n])|(^|[;\t\r\n])( *)(?=['=+\-@＝＋－＠])")
"""Where text may become a formula in a spreadsheet: at the start of a cell, and wherever a spreadsheet that is told
another separator, or sees no quotes, would begin one (common practice, no source; the wide signs are taken like the
narrow ones by some). An apostrophe is put there; also before an apostrophe, so that it can be undone.
"""
UNDONE = r"""re.sub(r"(^|[;\t\r\n])( *)'", r"\1\2", text)"""
"""How a program undoes it, as it stands in the readers' file."""
SHEET_ROWS = 1_048_576
"""How many rows a spreadsheet shows at most (common practice, no source)."""
FAR = datetime(9999, 1, 1, tzinfo=UTC)
FAR_S = int(FAR.timestamp())

NO_STATION = "stations.csv has no line for this station on that day"
NO_SOURCE = "network.toml has no source of this name any more"
WORDS = (*REASONS, NO_STATION, NO_SOURCE)

COLUMNS: Mapping[str, Mapping[str, str]] = {
    READINGS: {
        "station": "The station's id in stations.csv.",
        "variable": "What was measured: rain, battery (voltage), temperature, humidity or signal (strength).",
        "observed_at": "When it was measured, in UTC; of rain, the end of the interval that the value sums over.",
        "observed_local": "The same by the network's clock, with its distance from UTC.",
        "received_at": "When it arrived here, in UTC.",
        "source": "Which source of network.toml brought it.",
        "delivery": "The number of this value in the order of arrival; no number is given twice.",
        "revision": "The source's own revision of the value, if it gives one: of two that contradict the higher holds.",
        "delivered_value": "The value as it was kept when it arrived; never changed. Empty: nothing was measured.",
        "delivered_unit": "Its unit: tips of the bucket or mm (a running total says so), V, degC, % or dBm. A source's "
        "inches, mV and degF were turned into these before they were kept.",
        "comparable_value": "The same in one unit for all stations: rain in mm of its own interval, so differences of "
        "a running total. Empty where it can't be known.",
        "comparable_unit": "Its unit: mm, V, degC, % or dBm.",
        "covers_s": "How many seconds the rain value sums over; empty where it isn't known.",
        "flag": "How far it is believed (QARTOD): 1 good, 2 not evaluated, 3 suspect, 4 bad, 9 missing.",
        "reason": "Why it is not simply good, or doesn't count, in words.",
        "counts": "yes: it enters totals and is judged. no: it doesn't; the reason says why, and where it is empty "
        "another value for the same time holds.",
    },
    MAINTENANCE: {
        "number": "The number of the span.",
        "station": "The station's id.",
        "begins_at": "From when on its rain doesn't count, in UTC.",
        "begins_local": "The same by the network's clock.",
        "ends_at": "Until when, in UTC.",
        "ends_local": "The same by the network's clock.",
        "reason": "Why: visit, test tips, melt, poured ...",
        "who": 'Who decided it; "watch" if the program held it back by itself.',
        "poured_ml": "Water poured in each test, if it was said [ml].",
        "decided_at": "When it was decided, in UTC.",
        "withdrawn_at": "When it was taken back or replaced by another, in UTC; empty while it holds.",
        "holds": "yes: the readings in it don't count. no: it was taken back, and changes nothing any more.",
    },
    ALARMS: {
        "number": "The alarm's number, as in the notices.",
        "rule": "The rule that raised it: its file in rules/.",
        "check": "The check behind the rule.",
        "scope": "What it is about: a station, a mast, a plan, a source, the network or the tool itself.",
        "stations": "The ids of the stations concerned, with a space between.",
        "state": "Where it stood when this copy was made (ISA-18.2): normal means over.",
        "severity": "How much it matters (CAP 1.2): minor, moderate, severe, extreme.",
        "certainty": "How sure it is (CAP 1.2): possible, likely, observed.",
        "since": "Since when it was so, by the readings, in UTC.",
        "since_local": "The same by the network's clock.",
        "raised_at": "When people were told, in UTC.",
        "ended_at": "When it was over, in UTC; empty while it is open.",
        "acknowledged_by": "Who said that they see to it.",
        "acknowledged_at": "When, in UTC.",
        "shelved_until": "Until when somebody set it aside, in UTC.",
        "part_of": "The number of the wider alarm that took it in, if one did.",
        "what": "What is or was wrong, in words.",
        "why": "Why it was told, in words.",
        "numbers": "The evidence as JSON; each name ends with its unit.",
    },
    EVENTS: {
        "alarm": "The alarm's number.",
        "step": "Which of its steps this is, from 1.",
        "at": "When, in UTC.",
        "at_local": "The same by the network's clock.",
        "event": "What happened: raised, updated, reminded, escalated, acknowledged, returned, shelved ...",
        "who": "The person behind it, if one is.",
        "note": "What else was said.",
        "state": "Where the alarm stood after it.",
    },
}


@dataclass(frozen=True, slots=True)
class Asked:
    """What is wanted: readings with begin < observed_at <= end, what overlaps it, and of which stations; () = all."""

    begin: datetime
    end: datetime
    stations: tuple[str, ...] = ()


def stations_named(network: Network, store: Store, written: Sequence[str]) -> tuple[str, ...]:
    """Return the ids of stations written by id or name, also those that stations.csv no longer has; InputError."""
    names = {one: one for one in store.names_kept()[0]}
    for line in read_stations(network.texts[STATIONS_FILE], []):
        names |= {called: line.station.id for called in (line.station.name, line.station.id) if called}
    by_lower = {name.lower(): station for name, station in names.items()}
    unknown = [one for one in written if one.lower() not in by_lower]
    if unknown:
        known = set(names.values())
        raise InputError(
            Mistake("--station", f'"{one}" is no station', nearest_word(one, known, "station")) for one in unknown
        )
    return tuple(dict.fromkeys(by_lower[one.lower()] for one in written))


def export(
    network_on: Callable[[date], Network],
    store: Store,
    asked: Asked,
    target: Path,
    now: datetime,
    passed: Callable[[int], object] = lambda seconds: None,
) -> list[str]:
    """Write the files into a new folder and return what to say of them, line by line.

    network_on: the network as it was on a day. passed: is told how much of the time asked for has been done [s].
    Raises InputError when there is nothing in that time or something stands at the target, OutsideError when it can't
    be written.
    """
    network = network_on(asked.end.date())
    with _new_folder(target) as folder:
        known_to = store.last_delivery()
        counted = Counter[str]()
        with _table(folder, READINGS) as write:
            for part in _readings(network_on, store, asked, known_to, passed):
                write(part.rows(network.zone))
                counted += part.counted()
        alarms = _alarms(store, asked)
        spans = [span for span in store.spans() if _touches(asked, span.begins_at, span.ends_at, (span.station,))]
        if not (counted or alarms or spans):
            raise _nothing(store, asked, network)
        with _table(folder, MAINTENANCE) as write:
            write(_maintenance_rows(spans, store.marks(), network.zone))
        with _table(folder, ALARMS) as write:
            write(_alarm_rows(alarms, network, now))
        events = 0
        with _table(folder, EVENTS) as write:
            for alarm in alarms:
                rows = list(_event_rows(store, alarm, network.zone))
                events += len(rows)
                write(rows)
        about = _about(network, asked, known_to, now)
        _write(folder / ABOUT, about)
    return _said(target, counted, len(spans), len(alarms), events)


# --- readings ---


@dataclass(frozen=True, slots=True)
class _Part:
    """Some readings with their judgement, row by row. comparable: in base units, NaN where not known; covers_s [s, 0
    where not known]; reason: position in `WORDS`; counts [bool]; stations, sources, rain_units: what the positions in
    the readings stand for.
    """

    readings: Readings
    comparable: np.ndarray
    covers_s: np.ndarray
    flag: np.ndarray
    reason: np.ndarray
    counts: np.ndarray
    stations: Sequence[str]
    sources: Sequence[str]
    rain_units: Sequence[str]

    def days(self) -> Iterator[_Part]:
        """Yield the rows of each day (UTC) by themselves, in their order."""
        day = (self.readings.observed_at - 1) // DAY
        for one in np.unique(day).tolist():
            rows = day == one
            yield replace(
                self,
                readings=self.readings.take(rows),
                comparable=self.comparable[rows],
                covers_s=self.covers_s[rows],
                flag=self.flag[rows],
                reason=self.reason[rows],
                counts=self.counts[rows],
            )

    def rows(self, zone: ZoneInfo) -> Iterator[Sequence[str]]:
        """Return the lines of the file, every cell as it is written."""
        given = self.readings
        observed, local = _stamps(given.observed_at, zone)
        received, _ = _stamps(given.received_at, zone)
        units = [*self.rain_units, *UNITS[1:]]
        unit = np.where(given.variable == RAIN, given.source, len(self.rain_units) - 1 + given.variable)
        return zip(
            _looked_up([_guarded(one) for one in self.stations], given.station),
            _looked_up(VARIABLES, given.variable),
            observed,
            local,
            received,
            _looked_up([_guarded(one) for one in self.sources], given.source),
            map(str, given.delivery.tolist()),
            ["" if one == 0 else str(one) for one in given.revision.tolist()],
            _numbers(given.value),
            _looked_up(units, unit),
            _numbers(self.comparable),
            _looked_up(UNITS, given.variable),
            ["" if one == 0 else str(one) for one in self.covers_s.tolist()],
            map(str, self.flag.tolist()),
            _looked_up(WORDS, self.reason),
            _looked_up(("no", "yes"), self.counts.astype(int)),
            strict=True,
        )

    def counted(self) -> Counter[str]:
        """Return how many rows there are, how many are suspect or bad, and how many don't count."""
        doubtful = int((self.flag >= Flag.SUSPECT).sum())
        return Counter(rows=len(self.readings), doubtful=doubtful, out=int((~self.counts).sum()))


def _readings(
    network_on: Callable[[date], Network],
    store: Store,
    asked: Asked,
    known_to: int,
    passed: Callable[[int], object],
) -> Iterator[_Part]:
    """Yield the readings by day (UTC), each day's by station, variable and time, some stations at once."""
    for network, begin, end in _as_written(network_on, asked):
        judge = _Judge(network, store, known_to)
        chosen = [place for place, name in enumerate(judge.stations) if not asked.stations or name in asked.stations]
        done = begin
        while (first := store.observed_first(done, end)) is not None:
            # The reading of midnight sums over the day before.
            days = DAYS_AT_ONCE if len(chosen) <= STATIONS_AT_ONCE else 1
            last = min(((first - 1) // DAY + days) * DAY, end)
            for position in range(0, len(chosen), STATIONS_AT_ONCE):
                part = judge.judged(first - 1, last, np.array(chosen[position : position + STATIONS_AT_ONCE]))
                yield from part.days()
            passed(last - done)
            done = last
        passed(end - done)


def _as_written(network_on: Callable[[date], Network], asked: Asked) -> Iterator[tuple[Network, int, int]]:
    """Yield the network with each stretch (begin, end] in which the same lines of stations.csv hold."""
    begin, end = int(asked.begin.timestamp()), int(asked.end.timestamp())
    network = network_on(asked.end.date())
    offset_s = network.columns().utc_offset_s
    stations = [line.station for line in read_stations(network.texts[STATIONS_FILE], [])]
    days = [one.valid_from for one in stations if one.valid_from]
    days += [one.until + timedelta(days=1) for one in stations if one.until]
    epoch = date(1970, 1, 1)
    midnights = {(day - epoch).days * DAY - offset_s for day in days}
    for first, last in pairwise([begin, *sorted(one for one in midnights if begin < one < end), end]):
        yield network_on(epoch + timedelta(days=(first + offset_s) // DAY)), first, last


class _Judge:
    """What the readings of a stretch are judged by. stations, sources: those of the network, then all the store knows
    besides; judged are only the network's.
    """

    def __init__(self, network: Network, store: Store, known_to: int) -> None:
        self._store, self._known_to = store, known_to
        ours = [station.id for station in network.stations], [source.name for source in network.sources]
        self._size = tuple(len(one) for one in ours)
        self.stations, self.sources = (
            [*own, *(name for name in kept if name not in own)]
            for own, kept in zip(ours, store.names_kept(), strict=True)
        )
        store.bind(self.stations, self.sources)
        self._terms = watch.terms_of(network)
        positions = network.columns().positions
        self._held = Held.of(
            [
                (positions[span.station], int(span.begins_at.timestamp()), int(span.ends_at.timestamp()))
                for span in store.spans()
                if span.withdrawn_at is None and span.station in positions
            ]
        )
        no_more = [""] * (len(self.sources) - len(network.sources))
        self._rain_units = [*(_delivered_unit(source.rain) for source in network.sources), *no_more]

    def judged(self, begin: int, end: int, stations: np.ndarray) -> _Part:
        """Return the readings of some stations in (begin, end], judged, by station, variable, time and delivery."""
        readings = self._delivered(begin, end, stations)
        ours = self._ours(readings)
        wet = np.unique(readings.station[ours & (readings.variable == RAIN)])
        around = [readings, *self._around(begin, end, wet)] if len(wet) else [readings]
        known = Readings.join(around)
        rows = clean(known.take(self._ours(known)), self._terms, self._held)
        return self._beside(readings, rows.take((rows.observed_at > begin) & (rows.observed_at <= end)))

    def _delivered(self, begin: int, end: int, stations: np.ndarray, **how: Any) -> Readings:
        return self._store.delivered(begin, end, stations=stations, known_to=self._known_to, **how)

    def _around(self, begin: int, end: int, stations: np.ndarray) -> Iterator[Readings]:
        """Yield what came before and after that says what rain in (begin, end] means."""
        variable = None if self._terms.each_tip.any() else RAIN
        yield self._delivered(begin - LOOK_BACK_S, begin, stations, variable=variable, with_previous=True)
        yield self._delivered(end, end + DAY, stations, variable=variable)

    def _ours(self, readings: Readings) -> np.ndarray:
        return np.asarray((readings.station < self._size[0]) & (readings.source < self._size[1]))

    def _beside(self, readings: Readings, rows: Clean) -> _Part:
        """Return the readings with what was judged of them, in their order."""
        in_order = np.argsort(readings.delivery)
        place = in_order[np.searchsorted(readings.delivery[in_order], rows.delivery)]
        value, known = self._comparable(rows)
        part = _Part(
            readings,
            comparable=np.full(len(readings), np.nan),
            covers_s=np.zeros(len(readings), np.int64),
            flag=np.full(len(readings), Flag.NOT_EVALUATED, np.int8),
            reason=np.where(readings.station < self._size[0], WORDS.index(NO_SOURCE), WORDS.index(NO_STATION)),
            counts=np.zeros(len(readings), bool),
            stations=self.stations,
            sources=self.sources,
            rain_units=self._rain_units,
        )
        part.comparable[place], part.covers_s[place] = value, rows.covers_s
        part.flag[place], part.reason[place] = rows.flag, rows.reason
        part.counts[place] = rows.counts & rows.usable & known
        return part

    def _comparable(self, rows: Clean) -> tuple[np.ndarray, np.ndarray]:
        """Return comparable values, NaN where they can't be known, and which are known."""
        rain = rows.variable == RAIN
        first = self._terms.running[rows.source] & (rows.covers_s == 0)
        known = (rows.usable | (rows.reason == IMPOSSIBLE)) & ~first & (rows.reason != WENT_BACK)
        return np.where(rain, np.where(known, rows.rain_um / 1000, np.nan), rows.value), known | ~rain


def _delivered_unit(rain: Rain) -> str:
    """Return what rain is in as it is kept, and whether it runs on."""
    unit = "tips" if rain.unit == "tips" else "mm"
    return f"{unit} {rain.counts}" if rain.counts.endswith("total") else unit


# --- what was decided ---


def _touches(asked: Asked, begins_at: datetime, ends_at: datetime | None, stations: Iterable[str]) -> bool:
    """Say whether something lies in the time asked for and is about a station asked for, or about none at all."""
    theirs = tuple(stations)
    about = not asked.stations or not theirs or any(one in asked.stations for one in theirs)
    return about and begins_at <= asked.end and (ends_at is None or ends_at > asked.begin)


def _alarms(store: Store, asked: Asked) -> list[Alarm]:
    """Return the alarms that stood at any time asked for, by number."""
    # The open ones first: one that ends between the two reads is then found by the second.
    found = {alarm.number: alarm for alarm in (*store.open_alarms(), *store.ended_alarms(asked.begin, FAR))}
    return [
        alarm
        for _number, alarm in sorted(found.items())
        if alarm.raised_at is not None and _touches(asked, alarm.raised_at, alarm.ended_at, alarm.stations)
    ]


def _maintenance_rows(spans: Iterable[Span], marks: Mapping[str, str], zone: ZoneInfo) -> Iterator[list[str]]:
    for span in spans:
        yield _cells(
            span.number,
            span.station,
            *_both(span.begins_at, zone),
            *_both(span.ends_at, zone),
            span.reason,
            span.who,
            visiting.poured_ml(marks, span),
            span.decided_at,
            span.withdrawn_at,
            span.withdrawn_at is None,
        )


def _alarm_rows(alarms: Iterable[Alarm], network: Network, now: datetime) -> Iterator[list[str]]:
    for alarm in alarms:
        said = compose.sections(alarm, network, alarm.ended_at or now)
        yield _cells(
            alarm.number,
            alarm.key.rule,
            alarm.check,
            alarm.key.scope,
            " ".join(alarm.stations),
            alarm.state.value,
            alarm.severity.value,
            alarm.certainty.value,
            *_both(alarm.since, network.zone),
            alarm.raised_at,
            alarm.ended_at,
            alarm.acknowledged_by,
            alarm.acknowledged_at,
            alarm.shelved_until,
            alarm.absorbed_by or None,
            " ".join(said["what"].split()),
            " ".join(said["why_now"].split()),
            json.dumps(dict(alarm.numbers), ensure_ascii=False),
        )


def _event_rows(store: Store, alarm: Alarm, zone: ZoneInfo) -> Iterator[list[str]]:
    for event in store.events_of(alarm.number):
        at = _both(event.at, zone)
        yield _cells(alarm.number, event.step, *at, event.kind.value, event.who, event.note, event.alarm.state.value)


# --- cells ---


def _guarded(text: str) -> str:
    """Return text as it stands in a cell, where it can be no formula; `UNDONE` gives it back."""
    return GUARDED.sub(r"\1\2'", text)


def _cells(*values: str | bool | float | datetime | None) -> list[str]:
    """Return values as they stand in cells: text guarded, numbers plain, moments as RFC 3339 in UTC."""
    return [_cell(value) for value in values]


def _cell(value: str | bool | float | datetime | None) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return _guarded(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    return _utc(value) if isinstance(value, datetime) else repr(value)


def _utc(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def _both(moment: datetime, zone: ZoneInfo) -> tuple[datetime, str]:
    """Return a moment, and as the network's clock has it, with its offset."""
    return moment, moment.astimezone(zone).isoformat(timespec="seconds")


def _stamps(seconds: np.ndarray, zone: ZoneInfo) -> tuple[list[str], list[str]]:
    """Return moments [s since 1970 UTC] as RFC 3339 in UTC, and in a zone."""
    distinct, place = np.unique(seconds, return_inverse=True)
    moments = [aware(one) for one in distinct.tolist()]
    utc, local = [_utc(one) for one in moments], [_both(one, zone)[1] for one in moments]
    return _looked_up(utc, place), _looked_up(local, place)


def _numbers(values: np.ndarray) -> list[str]:
    """Return numbers as the shortest text that is exactly them, "" for none."""
    return ["" if one != one else repr(one) for one in values.tolist()]


def _looked_up(words: Sequence[str], places: np.ndarray) -> list[str]:
    return [words[place] for place in places.tolist()]


# --- the folder ---


@contextmanager
def _new_folder(target: Path) -> Iterator[Path]:
    """Give a private folder to write into, which gets the target's name when all is written, and else is gone."""
    _free(target)
    try:
        unfinished = Path(tempfile.mkdtemp(prefix=f".{target.name}.", suffix=".part", dir=target.parent))
        try:
            yield unfinished
            _flush(unfinished)
            # Refused where something has come to stand there meanwhile; an empty folder gives way.
            os.rename(unfinished, target)
            _flush(target.parent)
        except BaseException:
            shutil.rmtree(unfinished, ignore_errors=True)
            raise
    except OSError as error:
        said = f"{target} can't be written: {error.strerror}. Nothing was left behind; name another folder with --out."
        raise OutsideError(said) from error


def _free(target: Path) -> None:
    """Raise InputError when something stands at the target, or nothing is there to put it into."""
    if not target.parent.is_dir():
        allowed = "The folder above it must exist."
        raise InputError([Mistake("--out", f"there is no folder {target.parent}", allowed)])
    if target.is_dir() and not any(target.iterdir()):
        return
    if os.path.lexists(target):
        allowed = "Nothing is ever overwritten: name a new folder."
        raise InputError([Mistake("--out", f"{target} exists already", allowed, f"--out {target}-2")])


@contextmanager
def _table(folder: Path, name: str) -> Iterator[Callable[[Iterable[Sequence[str]]], None]]:
    """Give what writes rows into a CSV file (RFC 4180: UTF-8, CRLF, quotes doubled) that has its head already."""
    with _private(folder / name) as file:
        writer = csv.writer(file, lineterminator="\r\n")
        writer.writerow(COLUMNS[name])
        yield writer.writerows


def _private(path: Path) -> Any:
    return os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8", newline="")


def _write(path: Path, text: str) -> None:
    with _private(path) as file:
        file.write(text)


def _flush(folder: Path) -> None:
    """Have a folder and the files in it on the disk, so that not even a power cut leaves half of one."""
    for path in (*(one for one in folder.iterdir() if one.is_file()), folder):
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


# --- words ---


def _nothing(store: Store, asked: Asked, network: Network) -> InputError:
    first, last = store.observed_first(0, FAR_S), store.observed_last(0, FAR_S)
    kept = "The store has no readings yet."
    if first is not None and last is not None:
        begin, end = (_both(aware(one), network.zone)[1] for one in (first, last))
        kept = f"The store's readings lie between {begin} and {end}."
    who = f" of {', '.join(asked.stations)}" if asked.stations else ""
    return InputError([Mistake("--from, --to", f"there is nothing{who} in that time", kept)])


def _said(target: Path, counted: Counter[str], spans: int, alarms: int, events: int) -> list[str]:
    rows = counted["rows"]
    lines = [
        f"{target}:",
        f"  {ABOUT:16} what the columns mean; read it first",
        f"  {READINGS:16} {_number(rows, 'reading')}: {counted['doubtful']:,} suspect or bad, "
        f"{counted['out']:,} don't count",
        f"  {MAINTENANCE:16} {_number(spans, 'span')} of maintenance",
        f"  {ALARMS:16} {_number(alarms, 'alarm')}",
        f"  {EVENTS:16} {_number(events, 'event')} in their lives",
    ]
    if rows >= SHEET_ROWS:
        lines.append(f"A spreadsheet shows at most {SHEET_ROWS:,} rows: for one, take fewer days or stations.")
    return lines


def _number(count: int, noun: str) -> str:
    return f"{count:,} {noun}{'' if count == 1 else 's'}"


def _about(network: Network, asked: Asked, known_to: int, now: datetime) -> str:
    begin, end, made = (_both(one, network.zone)[1] for one in (asked.begin, asked.end, now))
    tables = "\n\n".join(
        "\n".join([name, *(_entry(column, meaning) for column, meaning in columns.items())])
        for name, columns in COLUMNS.items()
    )
    return f"""\
{network.name}: readings, and what was decided about them

From       {begin}
To         {end}
Stations   {", ".join(asked.stations) or "all"}
Made       {made}, knowing deliveries up to number {known_to}

readings.csv     every value that was delivered for this time, none left out, none altered, with its judgement. A
                 reading whose time is the very beginning lies before it and is left out; one at the end is in.
                 In order of day (UTC), station, variable, time and delivery.
maintenance.csv  every span of this time in which a station's rain doesn't count, also those taken back since.
alarms.csv       every alarm that stood in this time; events.csv all steps of these alarms.

To sum rain, add comparable_value where variable is rain and counts is yes: that is what the digest shows. Values are
judged as of now: a late reading or a decision taken back may have changed flags since a notice was sent.

Tables are UTF-8 with commas, a head line, CRLF at line ends and doubled quotes (RFC 4180). Times are RFC 3339: in UTC
with Z at the end, or by the network's clock ({network.zone.key}) with its distance from UTC.

So that no spreadsheet takes text for a formula, an apostrophe (') stands before text that begins with = + - @ (or their
wide forms), a tab or a line break, or with an apostrophe; likewise inside a text, after a semicolon, tab or line break.
To have a text as it was, a program (here in Python) does

  {UNDONE}

Numbers have none, negative ones neither. A spreadsheet that shows a line in one cell, or numbers as days, wants to be
told: the separator is a comma, the decimal sign a point.

An id such as 007 is text: have your program read station, source and who as text, lest it becomes 7.

{tables}
"""


def _entry(column: str, meaning: str) -> str:
    return textwrap.fill(f"  {column:17} {meaning}", 118, subsequent_indent=" " * 20)

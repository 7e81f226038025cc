"""The same cycle over the past, `now` moved by hand, nothing sent: what would have been told, line by line."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from watchman import watch
from watchman.errors import InputError, Mistake
from watchman.judging import cleared
from watchman.judging.alarms import NOT_A_FAULT
from watchman.model import (
    RAIN,
    Alarm,
    Answer,
    Delivery,
    Event,
    EventKind,
    Notice,
    Readings,
    Rejected,
    SourceHealth,
    Span,
)
from watchman.network import Contact, Network
from watchman.readings import sources
from watchman.readings.cleaning import believable
from watchman.readings.sources.settings import DocumentSource, TableSource
from watchman.store import CELL_VALUES, Cells, Store
from watchman.telling import compose, roster

FAR = datetime(9999, 1, 1, tzinfo=UTC)
"""A file is read as from afar: at no earlier time would a row from later have arrived early."""
FAR_S = int(FAR.timestamp())
SETTLING = timedelta(days=2)
"""A replay begins this much earlier without telling, so that what stood already is not told as new."""


def replay(
    network: Network,
    readings: Readings,
    begin: datetime,
    end: datetime,
    *,
    every: timedelta,
    spans: tuple[Span, ...] = (),
    said: Sequence[cleared.Cleared] = (),
) -> Iterator[dict[str, Any]]:
    """Yield one line per event that would have been told from `begin` to `end`, in order.

    readings: all that may be known, seen in the order and at the time of their arrival. spans: visits and other
    stretches that don't count, each from the moment it was decided; said: what people said is no fault, from then on.
    Alarm numbers are the replay's own.
    """
    for _scope, line in scoped(network, readings, begin, end, every=every, spans=spans, said=said):
        yield line


def scoped(
    network: Network,
    readings: Readings,
    begin: datetime,
    end: datetime,
    *,
    every: timedelta,
    spans: tuple[Span, ...] = (),
    said: Sequence[cleared.Cleared] = (),
) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield the lines of `replay`, each with its alarm's scope ("station:hollin", "mast:T3", "network" ...), or what a
    digest is called.
    """
    past = Past(readings, spans)
    now = begin - SETTLING
    past.until(now)
    watching = watch.begin(network, past, now)
    watching.answerable = False
    while now <= end:
        said = let_clear(watching, said, now)
        told = watch.cycle(watching, deliveries(network, past.until(now), now), now)
        if now >= begin:
            for event in told.events:
                line = line_of(network, event)
                if line["to"]:
                    yield event.alarm.key.scope, line
            yield from ((line["text"], line) for line in digest_lines(network, told.notices, now))
        now += every


def let_clear(watching: watch.Watch, said: Sequence[cleared.Cleared], now: datetime) -> list[cleared.Cleared]:
    """Let what was said by `now` not to be a fault hold in a watch, and return what was said later."""
    by_now = {mark.key: mark for mark in said if mark.at <= now.timestamp()}
    watch.clear(watching, {**watching.cleared, **by_now})
    return [mark for mark in said if mark.at > now.timestamp()]


def said_no_fault(store: Store, end: datetime) -> tuple[cleared.Cleared, ...]:
    """Return what people had said by then is no fault, in order."""
    return tuple(
        cleared.of(event.alarm, int(event.at.timestamp()))
        for event in store.events(datetime(1970, 1, 1, tzinfo=UTC), end)
        if event.kind is EventKind.ANSWERED and event.note.startswith(NOT_A_FAULT)
    )


class Past:
    """What a replay has in the place of the store: everything delivered, seen as far as it had arrived; nothing is
    kept.
    """

    def __init__(self, readings: Readings, spans: tuple[Span, ...]) -> None:
        self._all = readings.take(np.argsort(readings.received_at, kind="stable")).without_repeats()
        self._all = replace(self._all, delivery=np.arange(1, len(self._all) + 1))
        self._believable = believable(self._all)
        self._seen = 0
        self._spans = spans
        in_time = np.argsort(self._all.observed_at, kind="stable")
        self._by_station = {
            int(station): in_time[(self._all.station[in_time] == station)] for station in np.unique(self._all.station)
        }

    def until(self, now: datetime) -> Readings:
        """Return what arrived since the last call, up to `now`."""
        before = self._seen
        self._seen = int(np.searchsorted(self._all.received_at, int(now.timestamp()), side="right"))
        return self._all.take(np.arange(before, self._seen))

    def delivered(
        self,
        begin: int,
        end: int,
        *,
        stations: np.ndarray | None = None,
        variable: int | None = None,
        with_previous: bool = False,
    ) -> Readings:
        """Return what the store would, of all that has arrived (`Store.delivered`)."""
        chosen = []
        for station in self._by_station if stations is None else stations.tolist():
            rows = self._by_station.get(station, np.empty(0, np.int64))
            rows = rows[rows < self._seen]
            if variable is not None:
                rows = rows[self._all.variable[rows] == variable]
            at = self._all.observed_at[rows]
            first, last = np.searchsorted(at, [begin, end], side="right")
            if with_previous:
                rain = rows[:first]
                rain = rain[(self._all.variable[rain] == RAIN) & self._believable[rain]]
                chosen.append(rain[self._all.observed_at[rain] == self._all.observed_at[rain[-1:]]])
            chosen.append(rows[first:last])
        return self._all.take(np.concatenate([np.empty(0, np.int64), *chosen]))

    def delivered_after(self, delivery: int) -> Readings:
        """Return what has arrived after a delivery number."""
        return self._all.take(np.arange(delivery, self._seen))

    def keep(self, readings: Readings, rejected: Sequence[Rejected] = ()) -> Readings:
        """Return the readings: what was delivered twice has been taken out."""
        return readings

    def spans(self) -> tuple[Span, ...]:
        """Return the stretches that don't count, with the times at which they were decided."""
        return self._spans

    def bind(self, station_ids: Sequence[str], source_names: Sequence[str]) -> None:
        """Do nothing: positions are positions here."""

    def answers_after(self, number: int) -> tuple[Answer, ...]:
        """Return no answers: nobody was asked."""
        return ()

    def commit(self, now: datetime, *, spans: Sequence[Span] = (), **_decided: object) -> tuple[Span, ...]:
        """Keep the spans the watch decided, numbered as the store would; all else the watch itself remembers."""
        last = max((span.number for span in self._spans), default=0)
        numbered = tuple(replace(span, number=last + place) for place, span in enumerate(spans, 1))
        replaced = {span.number for span in spans if span.number}
        self._spans = (
            *(replace(span, withdrawn_at=now) if span.number in replaced else span for span in self._spans),
            *numbered,
        )
        return numbered

    def save_cells(
        self,
        cells: Mapping[str, Any],
        known_to: int,
        *,
        anew: np.ndarray | None = None,
        marks: Mapping[str, str] | None = None,
    ) -> None:
        """Keep nothing."""

    def load_cells(self, grid: str, begin: int) -> Cells:
        """Return no saved cells."""
        return np.empty(0, np.int32), np.empty(0, np.int64), np.empty((0, CELL_VALUES))

    def cells_known_to(self) -> int:
        """Return that nothing was saved."""
        return 0

    def marks(self) -> dict[str, str]:
        """Return no facts."""
        return {}

    def notices(
        self, *, alarm: int | None = None, begin: datetime | None = None, end: datetime | None = None
    ) -> tuple[Notice, ...]:
        """Return no notices: nothing is sent."""
        return ()

    def health(self) -> tuple[SourceHealth, ...]:
        """Return that nothing was ever fetched."""
        return ()

    def open_alarms(self) -> tuple[Alarm, ...]:
        """Return no alarms: a replay has a series of its own."""
        return ()

    def last_alarm_number(self) -> int:
        """Return that no number was used."""
        return 0


def deliveries(network: Network, readings: Readings, now: datetime) -> list[Delivery]:
    """Return readings as what each source delivered at `now`."""
    return [
        Delivery(source.name, now, readings.take(readings.source == position))
        for position, source in enumerate(network.sources)
    ]


def past_readings(
    network: Network, store: Store | None, end: datetime
) -> tuple[Readings, tuple[Rejected, ...], list[str]]:
    """Return what can be replayed: files as they lie there, everything else as the store has kept it; and what to know.

    Only what had arrived at the end is needed. Raises InputError if a file source can't be read.
    """
    parts: list[Readings] = []
    rejected: list[Rejected] = []
    remarks: list[str] = []
    kept = Readings.empty() if store is None else store.delivered(0, FAR_S)
    kept = kept.take(kept.received_at <= int(end.timestamp()))
    for position, source in enumerate(network.sources):
        if isinstance(source, DocumentSource) and source.path is not None:
            fetched = sources.fetch(
                source, network.folder, network.aliases(position), position, sources.FetchMemory(), FAR
            )
            delivery = fetched[0]
            if delivery.trouble:
                raise InputError([Mistake(f"source {source.name}", delivery.trouble, "A replay needs its file.")])
            parts.append(delivery.readings)
            rejected += delivery.rejected
            if not isinstance(source, TableSource) or source.columns.received is None:
                delay = f"{source.arrival_delay_minutes:g} minutes"
                remarks.append(f"{source.name} doesn't say when readings arrived: {delay} after their time is assumed.")
        elif store is not None:
            parts.append(kept.take(kept.source == position))
            remarks.append(f"{source.name} is replayed as this host's store has kept it.")
    return Readings.join(parts), tuple(rejected), remarks


def line_of(network: Network, event: Event) -> dict[str, Any]:
    """Return an event as the promised line: what was told, of what, to whom, in which words."""
    alarm = event.alarm
    told = roster.told_of(network, event) or roster.read_by(network, event)
    station = alarm.key.scope.removeprefix("station:") if alarm.key.scope.startswith("station:") else None
    return {
        "at": stamp(event.at),
        "event": event.kind.value,
        "alarm": alarm.number,
        "rule": alarm.key.rule,
        "check": alarm.check,
        "station": station,
        "stations": list(alarm.stations),
        "severity": alarm.severity.value,
        "certainty": alarm.certainty.value,
        "when": alarm.when.value,
        "to": [contact.name for contact in told],
        "text": _text(network, event, told[0]) if told else "",
    }


def _text(network: Network, event: Event, contact: Contact) -> str:
    notice = Notice(0, event.occasion, contact.name, "text", roster.kind(event.alarm), event.at, event.at)
    said = compose.words(notice, event.alarm, event.kind, contact, network, event.at, note=event.note)
    return said.text


def digest_lines(network: Network, notices: tuple[Notice, ...], now: datetime) -> Iterator[dict[str, Any]]:
    """Yield the digests among a cycle's notices as lines."""
    told: dict[str, list[str]] = {}
    for notice in notices:
        if notice.kind == "digest":
            told.setdefault(notice.occasion, []).append(notice.person)
    for occasion, people in told.items():
        yield {
            "at": stamp(now),
            "event": "told",
            "alarm": None,
            "rule": "digest",
            "check": "digest",
            "station": None,
            "stations": [],
            "severity": "minor",
            "certainty": "observed",
            "when": "now",
            "to": people,
            "text": f"Weekly digest {occasion.removeprefix('digest:')} of {network.name}",
        }


def stamp(moment: datetime) -> str:
    """Return a moment as RFC 3339 in UTC."""
    return moment.astimezone(UTC).isoformat().replace("+00:00", "Z")


def as_line(line: dict[str, Any]) -> str:
    """Return a line of the format as text."""
    return json.dumps(line, ensure_ascii=False)

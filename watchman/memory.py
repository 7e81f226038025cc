"""What a cycle needs of whatever remembers: the store, or, in a replay, the past."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Protocol

import numpy as np

from watchman.model import Alarm, Answer, Event, Notice, Readings, Rejected, SourceHealth, Span
from watchman.store import Cells


class Memory(Protocol):
    """What a cycle asks of it; `Store` says what each does in full."""

    def bind(self, station_ids: Sequence[str], source_names: Sequence[str]) -> None:
        """Say which stations and sources the positions in arrays stand for."""
        ...

    def keep(self, readings: Readings, rejected: Sequence[Rejected] = ()) -> Readings:
        """Keep what was delivered; return what is new, with delivery numbers."""
        ...

    def delivered(
        self,
        begin: int,
        end: int,
        *,
        stations: np.ndarray | None = None,
        variable: int | None = None,
        with_previous: bool = False,
    ) -> Readings:
        """Return what was observed in (begin, end], and each station's rain before it."""
        ...

    def delivered_after(self, delivery: int) -> Readings:
        """Return what was delivered after a delivery number."""
        ...

    def spans(self) -> tuple[Span, ...]:
        """Return the stretches that don't count."""
        ...

    def answers_after(self, number: int) -> tuple[Answer, ...]:
        """Return what people answered after an answer's number."""
        ...

    def open_alarms(self) -> tuple[Alarm, ...]:
        """Return the alarms that have not ended."""
        ...

    def last_alarm_number(self) -> int:
        """Return the highest number ever used."""
        ...

    def notices(
        self, *, alarm: int | None = None, begin: datetime | None = None, end: datetime | None = None
    ) -> tuple[Notice, ...]:
        """Return the notices about an alarm, or made in a stretch of time."""
        ...

    def health(self) -> tuple[SourceHealth, ...]:
        """Return how fetching has gone."""
        ...

    def marks(self) -> dict[str, str]:
        """Return the small named facts."""
        ...

    def cells_known_to(self) -> int:
        """Return up to which delivery the saved cells know."""
        ...

    def load_cells(self, grid: str, begin: int) -> Cells:
        """Return a grid's saved cells."""
        ...

    def save_cells(
        self,
        cells: Mapping[str, Cells],
        known_to: int,
        *,
        anew: np.ndarray | None = None,
        marks: Mapping[str, str] | None = None,
    ) -> None:
        """Save the cells of grids, by name, in the place of all before where a station's are made anew."""
        ...

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
        """Write down everything a cycle decided, at once; return the spans with their numbers."""
        ...

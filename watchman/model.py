"""The nouns of the program: plain frozen values that every room may use.

Times are aware UTC (`datetime`) in the nouns people meet, and whole seconds since 1970-01-01 UTC (int64) in arrays.
Rain is whole micrometres (0.2 mm = 200), so that sums and limits are exact.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import IntEnum, StrEnum
from typing import Any

import numpy as np

VARIABLES = ("rain", "battery", "temperature", "humidity", "signal")
"""What is measured; a reading carries the position in this tuple. Base units: tips or mm, V, degC, %, dBm."""

RAIN, BATTERY, TEMPERATURE, HUMIDITY, SIGNAL = range(len(VARIABLES))


class Flag(IntEnum):
    """How far a reading is believed (QARTOD)."""

    GOOD = 1
    NOT_EVALUATED = 2
    SUSPECT = 3
    BAD = 4
    MISSING = 9


class Verdict(IntEnum):
    """What a check says of a station at a time."""

    UNDETERMINED = -1
    ABSENT = 0
    PRESENT = 1


class Severity(StrEnum):
    """How much it matters (OASIS CAP 1.2)."""

    MINOR = "minor"
    MODERATE = "moderate"
    SEVERE = "severe"
    EXTREME = "extreme"

    @property
    def rank(self) -> int:
        """Return 0 for minor up to 3 for extreme."""
        return list(Severity).index(self)


class Certainty(StrEnum):
    """How sure it is (OASIS CAP 1.2)."""

    OBSERVED = "observed"
    LIKELY = "likely"
    POSSIBLE = "possible"


class When(StrEnum):
    """When a person is told."""

    NOW = "now"
    BY_DAY = "by day"
    WEEKLY = "weekly"


class AlarmState(StrEnum):
    """Where an alarm stands (ISA-18.2 / IEC 62682)."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"
    OUT_OF_SERVICE = "out of service"


class EventKind(StrEnum):
    """One step in an alarm's life; the list is closed."""

    RAISED = "raised"
    UPDATED = "updated"
    REMINDED = "reminded"
    ESCALATED = "escalated"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    ABSORBED = "absorbed"
    ENDED = "ended"
    ANSWERED = "answered"
    TOLD = "told"


@dataclass(frozen=True, slots=True)
class Readings:
    """Delivered values as columns of equal length, in no particular order.

    station: position in `network.stations` [int32]; variable: position in VARIABLES [int8];
    observed_at: end of the interval, and received_at: when we had it [int64, s since 1970 UTC];
    value: as delivered, in the unit the source's settings name [float64];
    source: position in `network.sources` [int16]; delivery: the store's number of the row, 0 before it is kept [int64];
    revision: the source's own revision stamp, 0 when it has none [int64].
    """

    station: np.ndarray
    variable: np.ndarray
    observed_at: np.ndarray
    received_at: np.ndarray
    value: np.ndarray
    source: np.ndarray
    delivery: np.ndarray
    revision: np.ndarray

    def __len__(self) -> int:
        return len(self.station)

    def take(self, rows: np.ndarray) -> Readings:
        """Return the chosen rows (positions or a mask) as readings."""
        return Readings(*(getattr(self, name)[rows] for name in READING_COLUMNS))

    def without_repeats(self) -> Readings:
        """Return the readings without those that are the same as one before: same place, time, value and revision."""
        names = ("revision", "value", "source", "observed_at", "variable", "station")
        order = np.lexsort([getattr(self, name) for name in names])
        new = np.zeros(len(order), bool)
        new[:1] = True
        for name in names:
            column = getattr(self, name)[order]
            new[1:] |= column[1:] != column[:-1]
        return self.take(np.sort(order[new]))

    @staticmethod
    def empty() -> Readings:
        """Return no readings."""
        return Readings(*(np.empty(0, kind) for kind in READING_COLUMNS.values()))

    @staticmethod
    def join(parts: list[Readings]) -> Readings:
        """Return the parts one after another."""
        if not parts:
            return Readings.empty()
        return Readings(*(np.concatenate([getattr(part, name) for part in parts]) for name in READING_COLUMNS))


READING_COLUMNS: Mapping[str, type[np.generic]] = {
    "station": np.int32,
    "variable": np.int8,
    "observed_at": np.int64,
    "received_at": np.int64,
    "value": np.float64,
    "source": np.int16,
    "delivery": np.int64,
    "revision": np.int64,
}


@dataclass(frozen=True, slots=True)
class Rejected:
    """A row or an answer of a source that could not be read at all."""

    source: str
    received_at: datetime
    row: str
    reason: str


@dataclass(frozen=True, slots=True)
class SourceHealth:
    """How fetching from one source has gone; `source-outage` judges it.

    failing_since is None while the last fetch succeeded; back_at is when it last began to succeed again (also after the
    watch itself was off); last_new_at is when it last brought a reading that was new.
    """

    source: str
    last_attempt_at: datetime | None = None
    last_success_at: datetime | None = None
    last_new_at: datetime | None = None
    failing_since: datetime | None = None
    back_at: datetime | None = None
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class Look:
    """How a source writes, as far as one delivery shows it.

    headers: the names of the columns, in order, of each table that was new; units: what the source itself says, as
    (variable, unit).
    """

    headers: frozenset[tuple[str, ...]] = frozenset()
    units: frozenset[tuple[str, str]] = frozenset()


@dataclass(frozen=True, slots=True)
class Change:
    """A source writes otherwise than before. what: "columns", "unit", "interval" or "counting"; before, after: how."""

    at: int
    what: str
    variable: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class KnownSource:
    """How a source wrote until now, and how that changed. belongs_to: its settings, with others it begins anew."""

    belongs_to: str
    look: Look = Look()
    changes: tuple[Change, ...] = ()


@dataclass(frozen=True, slots=True)
class Delivery:
    """What one fetch from one source brought: readings, rows that could not be read, and how the fetch went."""

    source: str
    at: datetime
    readings: Readings
    rejected: tuple[Rejected, ...] = ()
    trouble: str = ""
    look: Look = Look()


VISIT = "visit"
"""The reason of a span that somebody's work at a station leaves."""
WATCH = "watch"
"""Who decided a span when no person did."""


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of a station's readings that does not count, beside the data (a visit, test tips, melt, a fault)."""

    number: int
    station: str
    begins_at: datetime
    ends_at: datetime
    reason: str
    who: str
    decided_at: datetime
    withdrawn_at: datetime | None = None

    def covers(self, moment: datetime) -> bool:
        """Say whether the moment lies inside, and the span still holds."""
        return self.withdrawn_at is None and self.begins_at < moment <= self.ends_at


@dataclass(frozen=True, slots=True)
class Answer:
    """What a person said by command, form or reply; the next cycle acts on it.

    kind: "acknowledge", "shelve", "unshelve", "not a fault"; "came" answers a drill, "stop" and "start" say whether a
    volunteer wants notices. alarm: its number, or 0. until: the end of a shelving.
    """

    number: int
    at: datetime
    kind: str
    who: str
    alarm: int
    until: datetime | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class AlarmKey:
    """What makes an alarm one of a kind. scope: "station:hollin", "source:main", "mast:T3", "network" ..."""

    rule: str
    matter: str
    scope: str


@dataclass(frozen=True, slots=True)
class Matter:
    """What the checks and causes say this cycle of one thing that people may have to be told.

    since: when it began, by the readings. level: a rise is worth an update. numbers: the evidence, units in the names,
    values fit for JSON. reason: why it is undetermined, or empty. part_of: the wider matter that explains it. held:
    true while somebody works at the station and the rule waits.
    """

    key: AlarmKey
    check: str
    verdict: Verdict
    stations: tuple[str, ...] = ()
    severity: Severity = Severity.MODERATE
    certainty: Certainty = Certainty.LIKELY
    when: When = When.BY_DAY
    tell: tuple[str, ...] = ()
    since: datetime | None = None
    level: int = 0
    numbers: Mapping[str, Any] = field(default_factory=dict)
    reason: str = ""
    part_of: AlarmKey | None = None
    held: bool = False


@dataclass(frozen=True, slots=True)
class Alarm:
    """One matter for people, from its first sign to its end.

    number: 0 until raised (the on-delay still runs), then never used twice. steps: events told so far.
    first_seen_at: when the finding was first present without a break; absent_since: since when it has been gone.
    state_before: what a shelved or suppressed alarm goes back to. came_back: how often it was there again within a day.
    asked_at: when people were last asked to answer; called: who was called besides, because nobody answered, in order;
    reminded: how often it was said again.
    """

    number: int
    key: AlarmKey
    check: str
    state: AlarmState
    stations: tuple[str, ...]
    severity: Severity
    certainty: Certainty
    when: When
    tell: tuple[str, ...]
    since: datetime
    first_seen_at: datetime
    raised_at: datetime | None = None
    absent_since: datetime | None = None
    level: int = 0
    numbers: Mapping[str, Any] = field(default_factory=dict)
    steps: int = 0
    state_before: AlarmState | None = None
    acknowledged_by: str = ""
    acknowledged_at: datetime | None = None
    shelved_until: datetime | None = None
    came_back: int = 0
    absorbed_by: int = 0
    asked_at: datetime | None = None
    called: tuple[str, ...] = ()
    reminded: int = 0
    ended_at: datetime | None = None

    @property
    def standing(self) -> bool:
        """Say whether it has been raised and has not ended."""
        return self.raised_at is not None and self.ended_at is None

    @property
    def open_now(self) -> bool:
        """Say whether what it tells is so now: it stands, and does not merely wait, returned, to be acknowledged."""
        return self.standing and AlarmState.RETURNED not in (self.state, self.state_before)


@dataclass(frozen=True, slots=True)
class Turn:
    """One person's turn of duty at a role, as a calendar has it."""

    role: str
    person: str
    begins_at: datetime
    ends_at: datetime


@dataclass(frozen=True, slots=True)
class Call:
    """What is owed because nobody answered: to call one more person about an alarm, or to say it once more.

    kind: escalated or reminded. who: the person to call, "" for a reminder. tried: who was told before.
    """

    alarm: int
    kind: EventKind
    who: str = ""
    tried: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Event:
    """One step in an alarm's life, worth writing down and perhaps telling.

    step: which of the alarm's events this is, from 1. alarm: the alarm as it was just after the step.
    who: the person behind it, if one is. note: one more sentence, if one is needed.
    """

    at: datetime
    kind: EventKind
    alarm: Alarm
    step: int
    who: str = ""
    note: str = ""

    @property
    def occasion(self) -> str:
        """Return what makes its notices one of a kind."""
        return f"alarm:{self.alarm.number}:{self.step}"


class NoticeState(StrEnum):
    """Where a notice stands on its way to one person by one channel."""

    DUE = "due"
    ATTEMPTING = "attempting"
    ACCEPTED = "accepted"
    REFUSED = "refused"
    UNKNOWN = "unknown"
    WITHDRAWN = "withdrawn"


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture in a mail. name: its content id; alternative: what it shows, in a sentence; png: the picture itself."""

    name: str
    alternative: str
    png: bytes


@dataclass(frozen=True, slots=True)
class Notice:
    """What one person is told by one channel on one occasion: one row of the outbox.

    kind: "storm", "fault", "digest", "tool", "drill", "visit". alarm: its number, or 0. event: the EventKind's value.
    text, subject and html are empty until it is due and composed, then frozen, and so are its pictures, which are read
    from the store only to be sent (`Store.pictures`).
    """

    number: int
    occasion: str
    person: str
    channel: str
    kind: str
    due_at: datetime
    made_at: datetime
    alarm: int = 0
    event: str = ""
    state: NoticeState = NoticeState.DUE
    subject: str = ""
    text: str = ""
    html: str = ""
    message_id: str = ""
    references: str = ""
    attempts: int = 0
    next_attempt_at: datetime | None = None
    accepted_at: datetime | None = None
    error: str = ""
    repeat: bool = False
    pictures: tuple[Picture, ...] = ()


class Fate(StrEnum):
    """What became of one attempt to hand a notice to a channel."""

    ACCEPTED = "accepted"
    REFUSED = "refused"
    LATER = "try later"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Outcome:
    """The fate of an attempt, with the channel's own words and how long it asked us to wait [s]."""

    fate: Fate
    detail: str = ""
    retry_after_s: int | None = None

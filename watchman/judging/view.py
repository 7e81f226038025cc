"""What the checks look at: the stations as columns, the record, how fetching goes, and `now`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cached_property
from typing import Any

import numpy as np

from watchman.judging.science.frequency import FrequencyTable
from watchman.judging.science.neighbours import NOTHING_LEARNED, HonestZeros
from watchman.model import KnownSource, SourceHealth, Span, Verdict
from watchman.readings.record import Record


@dataclass(frozen=True)
class Stations:
    """The stations as columns of equal length n; a station's position is its place in every array of the program.

    latitude, longitude [deg, float64]; elevation_m [m, float64, NaN when not given]; chemistry: "lithium",
    "lithium-iron", "lead-acid" or ""; cutoff_v [V, float64]; covers_s, sends_every_s: as written [s, 0 = learned];
    mast, plan, area, source: the written names, "" when none; neighbours: positions of the nearest stations, nearest
    first, -1 where there are no more [n, k]; neighbours_km: their great-circle distances [km, NaN where none];
    utc_offset_s: the network's standard-time offset, the same all year; tip_um: rain of one tip [um, int64, 0 = not
    known]; plan_end, calibration_due: the last day of the data plan, the day a calibration is due [days since 1970,
    int64, 0 = none]; from_s: when the station came to this place [s since 1970 UTC, int64, 0 = always here]; status:
    as written, "" in service; season: as written, "" all year; relied_on_by: the role or contact that counts on seeing
    rain here, "" when none.
    """

    ids: tuple[str, ...]
    names: tuple[str, ...]
    latitude: np.ndarray
    longitude: np.ndarray
    elevation_m: np.ndarray
    chemistry: tuple[str, ...]
    cutoff_v: np.ndarray
    covers_s: np.ndarray
    sends_every_s: np.ndarray
    mast: tuple[str, ...]
    plan: tuple[str, ...]
    area: tuple[str, ...]
    source: tuple[str, ...]
    neighbours: np.ndarray
    neighbours_km: np.ndarray
    utc_offset_s: int
    tip_um: np.ndarray
    plan_end: np.ndarray
    calibration_due: np.ndarray
    from_s: np.ndarray
    status: tuple[str, ...]
    season: tuple[str, ...]
    relied_on_by: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.ids)

    @cached_property
    def positions(self) -> Mapping[str, int]:
        """Return each station's position, by its id."""
        return {station: position for position, station in enumerate(self.ids)}


@dataclass(frozen=True, slots=True)
class View:
    """Everything a check may look at.

    in_service: false while somebody works at the station [bool, n]; last_visit: the end of the latest visit that is
    over [s since 1970 UTC, 0 = none, n]; on_probation: new here, so that nobody far away is told of it yet [bool, n];
    held_back: the spans the watch itself decided, or a person confirmed, which hold (judging/holding.py); cleared: when
    what a check found in a scope was last said not to be a fault, by both [s since 1970 UTC]; frequency: the network's
    depth-duration-frequency table, if it has one; honest_zeros: how often honest gauges are dry (judging/learned.py);
    sources_known: how each source wrote until now (checks/source_change.py).
    """

    now: int
    stations: Stations
    record: Record
    health: tuple[SourceHealth, ...]
    in_service: np.ndarray
    last_visit: np.ndarray
    on_probation: np.ndarray
    held_back: tuple[Span, ...] = ()
    frequency: FrequencyTable | None = None
    honest_zeros: HonestZeros = NOTHING_LEARNED
    cleared: Mapping[tuple[str, str], int] = field(default_factory=dict)
    sources_known: Mapping[str, KnownSource] = field(default_factory=dict)

    def cleared_s(self, check: str) -> np.ndarray:
        """Return when somebody last said that what a check found is not a fault [s since 1970 UTC, 0 = never, n]."""
        cleared = np.zeros(len(self.stations), np.int64)
        for (name, scope), at in self.cleared.items():
            position = self.stations.positions.get(scope.removeprefix("station:"))
            if name == check and position is not None:
                cleared[position] = max(cleared[position], at)
        return cleared


@dataclass(frozen=True, slots=True)
class Findings:
    """What a check says, one entry per station (or per name in `scopes`, for checks that judge something else).

    verdict: model.Verdict [int8]; since: when it began by the readings, 0 when unknown [s, int64]; severity: rank of
    model.Severity, -1 to take the rule's own [int8]; level: a rise is worth an update [int16]; numbers: named numbers
    with units in the names, one array each; reason: why undetermined, "" otherwise [object]. shown: the evidence of
    some of them by position, made once, since it holds as long as the finding does (judging/causes/plain.py).
    """

    verdict: np.ndarray
    since: np.ndarray
    severity: np.ndarray
    level: np.ndarray
    numbers: Mapping[str, np.ndarray]
    reason: np.ndarray
    scopes: tuple[str, ...] | None = None
    shown: dict[int, Mapping[str, Any]] = field(default_factory=dict)

    @staticmethod
    def of(verdict: np.ndarray, **columns: Any) -> Findings:
        """Return findings with every column not given at its neutral value."""
        size = len(verdict)
        neutral: dict[str, Any] = {
            "since": np.zeros(size, np.int64),
            "severity": np.full(size, -1, np.int8),
            "level": np.zeros(size, np.int16),
            "numbers": {},
            "reason": np.full(size, "", object),
            "scopes": None,
        }
        return Findings(verdict=verdict.astype(np.int8), **{**neutral, **columns})

    def present(self) -> np.ndarray:
        """Return the positions where the finding is present."""
        return np.flatnonzero(self.verdict == Verdict.PRESENT)


def rfc3339(seconds: int | float) -> str:
    """Return seconds since 1970 UTC as text for the evidence, for instance "2025-10-21T14:20:00Z"."""
    return datetime.fromtimestamp(int(seconds), UTC).isoformat().replace("+00:00", "Z")


def aware(seconds: int | float) -> datetime:
    """Return seconds since 1970 UTC as an aware time."""
    return datetime.fromtimestamp(int(seconds), UTC)

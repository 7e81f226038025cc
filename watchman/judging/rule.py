"""One file of rules/: which check, how it is set, who is told and when."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, SerializeAsAny

from watchman.model import Severity, When
from watchman.written import Written


class BesideRain(Written):
    """Who is told, and when, of a fault beside rain: a station that goes silent there is safety news."""

    when: When = Field(When.NOW, strict=False)
    """When people are told: "now", "by day" or "weekly"."""
    tell: tuple[str, ...] = Field(strict=False)
    """Roles that are told, as they stand at the contacts."""


class ReliedOn(Written):
    """Who is told besides, and when, at a station that somebody relies on for seeing heavy rain.

    Whoever stands in stations.csv as the one who does (relied_on_by) is told too.
    """

    when: When = Field(When.BY_DAY, strict=False)
    """When people are told: "now", "by day" or "weekly"."""
    tell: tuple[str, ...] = Field(strict=False)
    """Roles that are told, as they stand at the contacts."""


class Rule(Written):
    """One file of rules/: which check, how it is set, who is told and when."""

    name: str
    """The file's name without .toml."""
    check: str
    """The check's name, for instance "overdue"."""
    when: When = Field(When.BY_DAY, strict=False)
    """When people are told: "now" (any hour), "by day" (waits for the morning) or "weekly" (the digest)."""
    tell: tuple[str, ...] = Field((), strict=False)
    """Roles that are told, as they stand at the contacts."""
    beside_rain: BesideRain | None = None
    """When and whom to tell instead, while a neighbour is wet."""
    relied_on: ReliedOn | None = None
    """When and whom to tell besides, where a gauge that somebody relies on can't be trusted for heavy rain."""
    severity: Severity = Field(Severity.MODERATE, strict=False)
    """How much it matters: minor, moderate, severe or extreme; a limit's own severity goes before it."""
    during_maintenance: Literal["hold", "tell"] = "hold"
    """While somebody works at the station: hold the rule for that station, or tell as always."""
    on_delay_minutes: Annotated[float, Field(ge=0, le=10080)] = 0.0
    """How long it must hold before anybody is told [min]."""
    off_delay_minutes: Annotated[float, Field(ge=0, le=10080)] = 0.0
    """How long it must be gone before it counts as over [min]."""
    settings: SerializeAsAny[Written] = Field(default_factory=Written)
    """The check's own settings."""

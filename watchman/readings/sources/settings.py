"""What people write of a source, and the table of text a source's bytes become; nothing here opens anything."""

from __future__ import annotations

import re
from abc import abstractmethod
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal, Self
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, Field, SecretStr, model_validator

from watchman.errors import OutsideError
from watchman.model import VARIABLES
from watchman.written import Written

if TYPE_CHECKING:
    from watchman.readings.sources.memory import FetchMemory
    from watchman.readings.sources.pieces import Asked, Fault, Piece

PLACEHOLDER = re.compile(r"\{([a-z]+)(?::([^{}]+))?\}")
"""`{station}`, `{since}`, `{since:%Y-%m-%d}`, `{token}` in an address or path."""

Column = str | int
"""A column by its header, a field by its dotted name, or a place counted from 1 where there are no names."""


HeaderName = Annotated[str, Field(pattern=r"^[A-Za-z0-9-]+$")]


class UnreadableError(OutsideError):
    """An answer or file can't be read as a whole; the sentence says why and what to change."""


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of text as a source delivered them: one list a column, all equally long, keyed by `Columns` field.

    Only columns that were found are in it. row_text: returns one row for a person to recognise, by its position.
    faulty: rows that don't fit the table at all, as (row, reason); they are in no column. units: what the source itself
    says each variable is in, by its name in VARIABLES; it goes before the settings. header: its columns' names, in
    order, where every row has the same. shift_s: what is to be added to its times for them to be the ends of their
    intervals [s], where the source itself says so; it goes before the settings. remarks: what of the source is left
    unread and why, as sentences that are told once.
    """

    columns: Mapping[str, Sequence[str]]
    row_text: Callable[[int], str]
    faulty: tuple[tuple[str, str], ...] = ()
    units: Mapping[str, str] = field(default_factory=dict)
    header: tuple[str, ...] = ()
    shift_s: int | None = None
    remarks: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(next(iter(self.columns.values()), ()))


def _known_format(value: str) -> str:
    if value not in ("ISO 8601", "epoch", "epoch ms") and "%" not in value:
        raise ValueError('allowed are "ISO 8601", "epoch", "epoch ms" or a pattern, for instance "%d.%m.%Y %H:%M"')
    return value


def _known_zone(value: str) -> str:
    try:
        return ZoneInfo(value).key
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise ValueError('allowed is a zone name of the IANA list, for instance "America/Denver"') from error


def _http_address(value: str) -> str:
    try:
        parts = urlsplit(value)
        good = parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0
    except ValueError:
        good = False
    if not good:
        raise ValueError('allowed is an http or https address, for instance "https://data.example.org/latest.csv"')
    return _only_placeholders(value, "station", "since", "until", "token", "offset", "page", "next")


def _file_path(value: str) -> str:
    if not value.strip():
        raise ValueError('allowed is a file or a pattern of files, for instance "data/*.csv"')
    return _only_placeholders(value, "station")


def _only_placeholders(text: str, *allowed: str) -> str:
    rest = PLACEHOLDER.sub("", text)
    if "{" in rest or "}" in rest or not {match[1] for match in PLACEHOLDER.finditer(text)} <= set(allowed):
        names = ", ".join(f"{{{name}}}" for name in allowed)
        raise ValueError(f"in braces only {names} may stand")
    return text


def _user_name(secret: SecretStr) -> SecretStr:
    if ":" in secret.get_secret_value():
        raise ValueError("no colon may stand in it (RFC 7617): perhaps name and password are in one")
    return _not_empty(secret)


def _not_empty(secret: SecretStr) -> SecretStr:
    text = secret.get_secret_value()
    if not (text and text.isprintable()):
        raise ValueError("allowed are visible characters; perhaps it ends with a line break")
    return secret


def _sendable(secret: SecretStr) -> SecretStr:
    text = secret.get_secret_value()
    if not (text and text.isascii() and text.isprintable()):
        raise ValueError("allowed are visible ASCII characters; perhaps it ends with a line break")
    return secret


class Columns(Written):
    """Where each thing stands: ours = theirs. A number is a place counted from 1, for tables without a header."""

    time: Column | Annotated[tuple[Column, ...], Field(strict=False, min_length=2, max_length=6)]
    """The time of a reading. Several columns, for instance ["Date", "Time"], are joined by a space."""
    station: Column | None = None
    """The station's id or alias. Left out where {station} stands in the address or path."""
    received: Column | None = None
    """When the reading arrived, if the source knows; a replay then sees it only from that time on."""
    revision: Column | None = None
    """The source's own revision number or time; of two contradicting readings the higher revision counts."""
    variable: Column | None = None
    """What was measured, in a table with one value a row."""
    value: Column | None = None
    """The value, in a table with one value a row."""
    rain: Column | None = None
    """Rain, in tips or depth (see `rain`). Where CSV has a column a station: "rain_{station}", and so the others."""
    battery: Column | None = None
    """Battery voltage."""
    temperature: Column | None = None
    """Temperature."""
    humidity: Column | None = None
    """Relative humidity [%]."""
    signal: Column | None = None
    """Signal strength [dBm]."""

    @model_validator(mode="after")
    def _one_shape(self) -> Self:
        measured = [name for name in VARIABLES if getattr(self, name) is not None]
        if (self.variable is None) != (self.value is None):
            raise ValueError('name both `variable` and `value`, for instance variable = "parameter", value = "reading"')
        if self.variable is not None and measured:
            raise ValueError(
                "a table has either one value a row (variable, value) or a column for each variable "
                f"({', '.join(measured)}), not both"
            )
        if self.variable is None and not measured:
            raise ValueError('name at least one measured column, for instance rain = "rain_mm"')
        return self

    @model_validator(mode="after")
    def _only_variables_by_station(self) -> Self:
        others = [parts for name, parts in self.parts().items() if name not in VARIABLES]
        if any("{station}" in str(part) for parts in others for part in parts):
            raise ValueError('{station} stands in columns that measure, for instance rain = "rain_{station}"')
        return self

    @property
    def by_station(self) -> bool:
        """Say whether there is a column a station, as in rain = "rain_{station}"."""
        return any("{station}" in str(getattr(self, name)) for name in VARIABLES)

    def parts(self) -> dict[str, tuple[Column, ...]]:
        """Return every column that is named, as the tuple of places it is read from."""
        named = {name: getattr(self, name) for name in type(self).model_fields}
        return {
            name: place if isinstance(place, tuple) else (place,) for name, place in named.items() if place is not None
        }


class Variables(Written):
    """What a table with one value a row calls each variable; others in it are left alone."""

    rain: str = "rain"
    """Its word for rain."""
    battery: str = "battery"
    """Its word for the battery's voltage."""
    temperature: str = "temperature"
    """Its word for the temperature."""
    humidity: str = "humidity"
    """Its word for relative humidity."""
    signal: str = "signal"
    """Its word for the signal's strength."""


class Clock(Written):
    """How the source writes its times. Without `utc_offset` or `zone`, times that carry no offset are UTC."""

    format: Annotated[str, AfterValidator(_known_format)] = "ISO 8601"
    """"ISO 8601", "epoch" (seconds since 1970), "epoch ms", or a pattern such as "%d.%m.%Y %H:%M"."""
    utc_offset: Annotated[str, Field(pattern=r"^[+-]\d\d:\d\d$")] | None = None
    """What the source's clock keeps all year, for instance "-07:00"; loggers mostly do."""
    zone: Annotated[str, AfterValidator(_known_zone)] | None = None
    """The zone of a source whose clock changes in spring and autumn, for instance "America/Denver"."""

    @model_validator(mode="after")
    def _one_clock(self) -> Self:
        if self.utc_offset and self.zone:
            raise ValueError(
                'give `utc_offset` or `zone`, not both; for a clock that never changes utc_offset = "-07:00"'
            )
        return self

    def tzinfo(self) -> tzinfo:
        """Return the clock that times without an offset are read by."""
        if self.zone:
            return ZoneInfo(self.zone)
        if self.utc_offset:
            hours, minutes = int(self.utc_offset[1:3]), int(self.utc_offset[4:])
            offset = timedelta(hours=hours, minutes=minutes)
            return timezone(-offset if self.utc_offset[0] == "-" else offset)
        return UTC


class Rain(Written):
    """How the source counts rain."""

    unit: Literal["mm", "tips", "inch"] = "mm"
    """"mm", "inch", or "tips" of the bucket."""
    counts: Literal["each interval", "running total", "each tip"] = "each interval"
    """Whether a value is the rain of its own interval, a total that runs on, or rain that is sent when the bucket tips,
    by a station that sends no rain while it is dry."""
    wraps_at: Annotated[float, Field(gt=0)] | None = None
    """Where a running total starts again from 0, in its own unit, for instance 65536."""
    zeroed_at: Annotated[str, Field(pattern=r"^([01]\d|2[0-3]):[0-5]\d$")] | None = None
    """When a running total goes back to 0 each day, by the source's own clock, for instance "00:00"."""

    @model_validator(mode="after")
    def _only_totals_wrap(self) -> Self:
        for name in ("wraps_at", "zeroed_at"):
            if getattr(self, name) is not None and self.counts != "running total":
                raise ValueError(f'`{name}` needs counts = "running total"')
        return self


@dataclass(frozen=True, slots=True)
class Paging:
    """How an answer that is too long for one page goes on; nothing in it: an answer is one page.

    field: where a page names the next one, LINK_HEADER or a dotted name; size: rows of a full page; first: the number
    of the first page.
    """

    field: str = ""
    size: int = 0
    first: int = 1


LINK_HEADER = "Link header"


class Source(Written):
    """What every kind of source has in common: its name, how its values are read, and how often it is asked."""

    name: Annotated[str, Field(min_length=1, max_length=40)]
    """A short name, used in notices and commands."""
    variables: Variables = Variables()
    """What a source with one value a row calls each variable."""
    time: Clock = Clock()
    """How times are written."""
    stamps: Literal["end", "begin"] = "end"
    """Whether a time is the end or the beginning of its interval."""
    covers_minutes: Annotated[float, Field(gt=0, le=1440)] | None = None
    """The time a value sums or averages over; learned when not given."""
    rain: Rain = Rain()
    """How rain is counted."""
    tip_mm: Annotated[float, Field(gt=0, le=10)] | None = None
    """Rain of one tip at stations that don't state their own [mm]."""
    temperature_unit: Literal["degC", "degF"] = "degC"
    """The unit of temperatures."""
    battery_unit: Literal["V", "mV"] = "V"
    """The unit of battery voltages."""
    missing: Annotated[tuple[str, ...], Field(strict=False)] = (
        *("", "NA", "N/A", "NaN", "NAN", "nan", "null", "None", "-", "--", "---"),
        *("-999", "-9999"),
    )
    """Values that mean "nothing measured"."""
    arrival_delay_minutes: Annotated[float, Field(ge=0, le=1440)] = 5.0
    """How long after its time a reading is taken to have arrived where nobody knows: when a source is first read."""
    every_s: Annotated[float, Field(ge=1, le=86400)] = 60.0
    """How often it is asked [s]."""
    budget_s: Annotated[float, Field(gt=0, le=600)] = 30.0
    """How long one asking may take in all, every station, repetition and wait included [s]."""
    overlap_minutes: Annotated[float, Field(ge=0, le=10080)] = 60.0
    """How much more than what is new is asked for each time, for what comes a little late [min]."""
    look_back_days: Annotated[float, Field(gt=0, le=400)] = 31.0
    """How far it is asked back at first, and once a day for what came late, where it is asked from a time on."""

    @model_validator(mode="after")
    def _begins_need_a_length(self) -> Self:
        if self.stamps == "begin" and self.covers_minutes is None:
            raise ValueError('stamps = "begin" needs the length of the interval, for instance covers_minutes = 5')
        return self

    @model_validator(mode="after")
    def _zeroed_by_a_clock_that_never_changes(self) -> Self:
        if self.rain.zeroed_at and self.time.zone:
            raise ValueError('`zeroed_at` needs a clock that never changes, for instance utc_offset = "-07:00"')
        return self

    @property
    @abstractmethod
    def place(self) -> str:
        """Return where the readings come from, as written."""

    @property
    def asks_since(self) -> bool:
        """Say whether it is asked from a time on, so that each station's newest reading is to be remembered."""
        return False

    @property
    def asks_until(self) -> bool:
        """Say whether it is asked up to a time as well, so that a long gap can be had in bites."""
        return False

    @abstractmethod
    def pieces(
        self, folder: Path, aliases: Mapping[str, int], memory: FetchMemory, now: datetime
    ) -> Iterator[Piece | Fault | Asked]:
        """Yield what is there that is new, each piece as `tables` wants it. Nothing outside makes it raise."""

    @abstractmethod
    def tables(self, content: Any) -> Iterator[Table]:
        """Yield a piece's content as tables, in order. Raise UnreadableError when it isn't what the settings say."""


class DocumentSource(Source):
    """A source whose bytes come from a file, files or an HTTP address. Kinds derive from it."""

    address: Annotated[str, AfterValidator(_http_address)] | None = None
    """An http or https address. {station}: asked once a station. {since}: RFC 3339 time from which on it is asked
    ({since:epoch} or {since:%Y-%m-%d} for other ways to write it), {until}: up to when, so that a long gap is fetched
    in bites. {offset}, {page}, {next}: where the next page begins. {token}: the token below."""
    path: Annotated[str, AfterValidator(_file_path)] | None = None
    """A file, or files by * and **, beneath the network's folder. {station} stands for the station's id or alias."""
    max_mb: Annotated[float, Field(gt=0, le=4096)] = 64.0
    """The largest answer or file that is read [MB]."""
    token: Annotated[SecretStr, AfterValidator(_sendable)] | None = None
    """A password for the address: put in place of {token}, else sent as "Authorization: Bearer"."""
    headers: Mapping[HeaderName, Annotated[SecretStr, AfterValidator(_sendable)]] = {}
    """HTTP headers to send, for instance { X-Api-Key = "secret:feed_key" }."""
    user: Annotated[SecretStr, AfterValidator(_user_name)] | None = None
    """The name to log in with ("Authorization: Basic"), with `password`: "secret:NAME"."""
    password: Annotated[SecretStr, AfterValidator(_not_empty)] | None = None
    """The password to log in with: "secret:NAME"."""
    certificate: Annotated[str, Field(min_length=1)] | None = None
    """A file (PEM) beneath the network's folder with the certificate of a server that made its own, or of its issuer;
    no other is trusted for this address."""
    bite_hours: Annotated[float, Field(ge=0.25, le=24 * 400)] = 24.0
    """How much of a long gap is asked for at a time where the address has {until}, oldest first [h]. What is new is
    asked for before that, and reaches back no further."""
    askings_per_minute: Annotated[int, Field(ge=1, le=6000)] | None = None
    """How often it may be asked in a minute, every station, page and repetition counted; no limit when not given."""

    @model_validator(mode="after")
    def _one_place(self) -> Self:
        if (self.address is None) == (self.path is None):
            raise ValueError(
                "give either an address or a path, for instance "
                'address = "https://data.example.org/latest.csv" or path = "data/*.csv"'
            )
        address_only = ("token", "headers", "user", "password", "certificate", "askings_per_minute")
        if self.path and any(getattr(self, name) for name in address_only):
            raise ValueError(f"`{'`, `'.join(address_only)}` belong to an address, not to a path")
        if self.address and "{token}" in self.address and self.token is None:
            raise ValueError('{token} in the address needs a token, for instance token = "secret:feed_token"')
        return self

    @model_validator(mode="after")
    def _one_login(self) -> Self:
        if (self.user is None) != (self.password is None):
            missing = "password" if self.password is None else "user"
            raise ValueError(f'to log in takes `user` and `password`, for instance {missing} = "secret:feed_{missing}"')
        in_header = [self.user, self.token if "{token}" not in self.place else None]
        in_header += [value for name, value in self.headers.items() if name.lower() == "authorization"]
        if sum(value is not None for value in in_header) > 1:
            raise ValueError(
                "give one of `user` with `password`, `token`, and a header Authorization, for instance "
                'token = "secret:feed_token"; with {token} in the address a token may stand beside the others'
            )
        return self

    @model_validator(mode="after")
    def _until_needs_since(self) -> Self:
        if self.has("until") and not self.has("since"):
            raise ValueError('{until} needs {since}, for instance address = "https://...?from={since}&to={until}"')
        return self

    @property
    def place(self) -> str:
        """Return the address or path as written."""
        return self.address or self.path or ""

    @property
    def per_station(self) -> bool:
        """Say whether the address or path is one a station."""
        return "{station}" in self.place

    @property
    def asks_since(self) -> bool:
        """Say whether the address asks from a time on."""
        return self.has("since")

    @property
    def asks_until(self) -> bool:
        """Say whether the address asks up to a time."""
        return self.has("until")

    def has(self, placeholder: str) -> bool:
        """Say whether the address or path has a placeholder."""
        return any(match[1] == placeholder for match in PLACEHOLDER.finditer(self.place))

    def paging(self) -> Paging:
        """Return how an answer goes on that is too long for one page."""
        return Paging()

    def next_of(self, content: bytes, field: str) -> str:
        """Return what a page's own content says at a dotted name of where the next one is, "" for the last page."""
        return ""

    def pieces(
        self, folder: Path, aliases: Mapping[str, int], memory: FetchMemory, now: datetime
    ) -> Iterator[Piece | Fault | Asked]:
        """Yield each page's or file's new bytes."""
        # Their libraries take long to load, and a command that only looks at settings needs none of them.
        from watchman.readings.sources import asking, files

        if self.address:
            return asking.pieces(self, folder, aliases, memory, now)
        return files.pieces(self, folder, aliases, memory)

    def heads(self, content: bytes) -> tuple[tuple[int, int], ...] | None:
        """Return which bytes must stand before what follows, as (from, to), for it to be read alone; None: it can't."""
        return None

    def whole(self, content: bytes) -> int:
        """Return how many first bytes are whole rows, where rows can be read alone; the rest may be being written."""
        return len(content)

    def since(self, moment: datetime, how: str | None) -> str:
        """Return a moment as {since} wants it: RFC 3339 in UTC, epoch seconds, or a pattern in the source's clock."""
        if how is None:
            return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        if how == "epoch":
            return str(int(moment.timestamp()))
        return moment.astimezone(self.time.tzinfo()).strftime(how)


class TableSource(DocumentSource):
    """A source whose documents hold a table, of whose columns people say what they are. Kinds derive from it."""

    station_in_columns: ClassVar[bool] = False

    columns: Columns
    """Where each thing stands in the table."""
    next_page: Annotated[str, Field(min_length=1)] | None = None
    """Where a page names the one that follows: "Link header" (rel="next"), or a field of a JSON document, dotted:
    "meta.next". It holds an address, a list of links, or what {next} in the address is to be."""
    page_size: Annotated[int, Field(ge=1)] | None = None
    """How many rows a full page has: a shorter one is the last. With {since} alone a full page means that there is
    more: what follows is asked for from its newest row on, or, with {until}, half the time at once."""
    first_page: Annotated[int, Field(ge=0)] = 1
    """The number of the first page, where the address has {page}."""

    @model_validator(mode="after")
    def _one_way_to_know_the_station(self) -> Self:
        if [self.per_station, self.columns.station is not None, self.columns.by_station].count(True) != 1:
            raise ValueError(
                "say once how to know the station: name its column, for instance columns.station = "
                '"station_id", or write {station} into the address or path'
            )
        if self.columns.by_station and not self.station_in_columns:
            raise ValueError("{station} can stand in columns of CSV only; write it into the address or path")
        return self

    @model_validator(mode="after")
    def _one_way_to_the_next_page(self) -> Self:
        ways = [name for name in ("offset", "page") if self.has(name)] + ["next_page"] * (self.next_page is not None)
        if len(ways) > 1:
            raise ValueError('pages go on in one way: {offset}, {page}, or for instance next_page = "meta.next"')
        if self.has("next") and self.next_page is None:
            raise ValueError('{next} needs the field it comes from, for instance next_page = "meta.cursor"')
        if self.next_page not in (None, LINK_HEADER) and type(self).next_of is DocumentSource.next_of:
            raise ValueError('only a JSON document names its next page in itself; next_page = "Link header"')
        if self.next_page is not None and (self.path or self.page_size):
            raise ValueError("`next_page` belongs to an address, and needs no `page_size`")
        if self.page_size is not None and not any(map(self.has, ("offset", "page", "since"))):
            raise ValueError('`page_size` needs {offset}, {page} or {since}, for instance "https://...?from={since}"')
        if self.first_page != 1 and not self.has("page"):
            raise ValueError('`first_page` needs {page} in the address, for instance "https://...?page={page}"')
        return self

    def paging(self) -> Paging:
        """Return how an answer goes on that is too long for one page."""
        return Paging(self.next_page or "", self.page_size or 0, self.first_page)

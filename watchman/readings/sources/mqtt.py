"""Messages that stations send to a broker (MQTT 5 or 3.1.1), pushed to us as they come. `listening.py` hears them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, SecretStr, model_validator

from watchman.model import VARIABLES
from watchman.readings.sources import csv, json, settings
from watchman.readings.sources.settings import Columns, Table, UnreadableError

if TYPE_CHECKING:
    from watchman.readings.sources.memory import FetchMemory
    from watchman.readings.sources.pieces import Fault, Piece

PORTS = {"mqtt": 1883, "mqtts": 8883}
"""Usual ports (MQTT 5.0, 4.2, as registered at IANA)."""
SHOWN = 200
"""Characters of a message that are shown when it can't be read."""


@dataclass(frozen=True, slots=True)
class Message:
    """One message as it came. station: the word in its topic, "" when none is there; trouble: why it was not taken."""

    topic: str
    station: str
    payload: bytes
    retained: bool = False
    trouble: str = ""


def _broker(address: str) -> str:
    try:
        parts = urlsplit(address)
        good = parts.scheme in PORTS and bool(parts.hostname) and parts.port != 0 and not parts.path.strip("/")
    except ValueError:
        good = False
    if not good or parts.username is not None:
        raise ValueError(
            'allowed is a broker, for instance "mqtts://broker.example.org:8883"; user and password stand beside it'
        )
    if find_spec("paho") is None:
        raise ValueError("MQTT needs one more library; type: pip install 'watchman[mqtt]'")
    return address


def _topic(topic: str) -> str:
    levels = topic.split("/")
    words = [level for level in levels if level not in ("{station}", "+", "#")]
    odd = [word for word in words if set(word) & set("{}+#")]
    if not topic or odd or "#" in levels[:-1] or levels.count("{station}") > 1:
        raise ValueError(
            "allowed is a topic whose levels are words, {station} (once), + (any word) or # (at its end: all below), "
            'for instance "gauges/{station}/up"'
        )
    return topic


class Source(settings.Source):
    """Messages from a broker. While the watch is off the broker keeps them, for `look_back_days`."""

    kind: Literal["mqtt"]
    """"mqtt"."""
    address: Annotated[str, AfterValidator(_broker), Field(examples=["mqtts://broker.example.org:8883"])]
    """The broker: mqtts:// and its name (private, its certificate is checked), or mqtt:// (in the open)."""
    version: Literal["5", "3.1.1"] = "5"
    """Which MQTT the broker speaks. With 3.1.1 it sends a message that is too large all the same."""
    user: str = ""
    """The name to log in with, or empty."""
    password: SecretStr = SecretStr("")
    """The password to log in with: "secret:NAME"."""
    client_id: Annotated[str, Field(pattern=r"^[A-Za-z0-9-]{0,23}$")] = ""
    """What the broker knows us by; made of the address and topics when not written. Two watches need two."""
    topics: Annotated[tuple[Annotated[str, AfterValidator(_topic)], ...], Field(min_length=1, strict=False)]
    """What to listen to, for instance ["gauges/{station}/up"]; {station} stands for the station's id or alias."""
    payload: Literal["json", "csv"] = "json"
    """What a message holds: "json" (a record, or a list of them) or "csv" (lines, with a header where columns have
    names).
    """
    records: str = ""
    """Where the list of records lies in JSON, dotted: "data.readings". Empty when the message is the record or list."""
    delimiter: Annotated[str, Field(pattern=r'^([^"\r\n]|tab)$')] = ","
    """What stands between columns of CSV: one character, or "tab"."""
    decimal: Literal[".", ","] = "."
    """The decimal sign of CSV."""
    columns: Columns
    """Where each thing stands in a record or line."""
    max_mb: Annotated[float, Field(gt=0, le=64)] = 1.0
    """The largest message that is taken [MB]."""

    @model_validator(mode="after")
    def _fits(self) -> Self:
        in_topic = ["{station}" in topic for topic in self.topics]
        if any(in_topic) != all(in_topic) or in_topic[0] == (self.columns.station is not None):
            raise ValueError(
                "say once how to know the station: write {station} into every topic, or name its column, for instance "
                'columns.station = "station_id"'
            )
        if self.password.get_secret_value() and not self.user:
            raise ValueError('to log in takes both user and password, for instance user = "watch"')
        return self

    @property
    def place(self) -> str:
        """Return the broker's address."""
        return self.address

    @cached_property
    def host_and_port(self) -> tuple[str, int]:
        """Return where the broker is."""
        parts = urlsplit(self.address)
        return parts.hostname or "", parts.port or PORTS[parts.scheme]

    @property
    def filters(self) -> tuple[str, ...]:
        """Return the topics as the broker wants them."""
        return tuple(dict.fromkeys(topic.replace("{station}", "+") for topic in self.topics))

    def station_of(self, topic: str) -> str:
        """Return the word that stands in a message's topic where {station} does, or ""."""
        for pattern in self._patterns:
            if match := pattern.fullmatch(topic):
                return match["station"]
        return ""

    @cached_property
    def _patterns(self) -> tuple[re.Pattern[str], ...]:
        meant = {"{station}": "(?P<station>[^/]+)", "+": "[^/]*", "#": ".*"}
        with_station = [topic.split("/") for topic in self.topics if "{station}" in topic]
        return tuple(
            re.compile("/".join(meant.get(level) or re.escape(level) for level in levels).replace("/.*", "(?:/.*)?"))
            for levels in with_station
        )

    def pieces(
        self, folder: Path, aliases: Mapping[str, int], memory: FetchMemory, now: datetime
    ) -> Iterator[Piece | Fault]:
        """Yield what is heard in a short while, and take nothing: who watches has a `listening.Listener`."""
        from watchman.readings.sources import listening

        return listening.overhear(self)

    def tables(self, content: Any) -> Iterator[Table]:
        """Yield messages as one table; a message that can't be read is one of its faulty rows."""
        messages: Sequence[Message] = content
        faulty = [(shown(message), message.trouble) for message in messages if message.trouble]
        good = [message for message in messages if not message.trouble]
        yield self._lines(good, faulty) if self.payload == "csv" else self._records(good, faulty)

    def _records(self, messages: Iterable[Message], faulty: list[tuple[str, str]]) -> Table:
        parts = self.columns.parts()
        needed = [name for name in parts if name in (*VARIABLES, "value")]
        stations: list[str] = []
        rows: list[Any] = []
        for message in messages:
            try:
                for record in self._found(json.parse(message.payload)):
                    if all(json.find(record, place) is None for name in needed for place in parts[name]):
                        faulty.append((shown(message), f"it has none of {', '.join(map(str, self._measured))}"))
                        continue
                    rows.append(record)
                    stations.append(message.station)
            except UnreadableError as error:
                faulty.append((shown(message), str(error)))
        columns: dict[str, Sequence[str]] = {
            name: [" ".join([json.as_text(json.find(row, place)) for place in places]) for row in rows]
            for name, places in parts.items()
        }
        if self.columns.station is None:
            columns["station"] = stations
        return Table(columns, lambda row: f"{stations[row]} {json.as_text(rows[row])}".strip(), tuple(faulty))

    @property
    def _measured(self) -> list[settings.Column]:
        return [
            place for name, places in self.columns.parts().items() if name in (*VARIABLES, "value") for place in places
        ]

    def _found(self, document: Any) -> list[Any]:
        """Return the records of a message. Raise UnreadableError when there are none."""
        found = json.find(document, self.records) if self.records else document
        records = found if isinstance(found, list) and not self._is_row(found) else [found]
        if not records or not all(isinstance(record, dict | list) for record in records):
            where = f" at {self.records!r}" if self.records else " in it"
            raise UnreadableError(f"there is no record{where}")
        return records

    def _is_row(self, found: list[Any]) -> bool:
        """Say whether a list is one record whose columns are places, rather than a list of records."""
        return all(isinstance(place, int) for places in self.columns.parts().values() for place in places) and not any(
            isinstance(part, list) for part in found
        )

    def _lines(self, messages: Iterable[Message], faulty: list[tuple[str, str]]) -> Table:
        columns: dict[str, list[str]] = {name: [] for name in self.columns.parts()}
        stations: list[str] = []
        texts: list[str] = []
        for message in messages:
            try:
                for table in self._reader.tables(message.payload):
                    for name, cells in table.columns.items():
                        columns[name] += cells
                    stations += [message.station] * len(table)
                    texts += map(table.row_text, range(len(table)))
                    faulty += [(f"{message.station} {row}".strip(), reason) for row, reason in table.faulty]
            except UnreadableError as error:
                faulty.append((shown(message), str(error)))
        if self.columns.station is None:
            columns["station"] = stations
        return Table(columns, lambda row: f"{stations[row]} {texts[row]}".strip(), tuple(faulty))

    @cached_property
    def _reader(self) -> csv.Source:
        """Return what reads one message of CSV."""
        given = {"delimiter": self.delimiter, "decimal": self.decimal, "columns": self.columns, "time": self.time}
        path = "{station}" if self.columns.station is None else "messages"
        return csv.Source.model_validate({"name": self.name, "kind": "csv", "path": path, **given})


def shown(message: Message) -> str:
    """Return a message for a person to recognise: its topic, and how it begins."""
    return f"{message.topic}: {message.payload[:SHOWN].decode('utf-8', 'replace')}"

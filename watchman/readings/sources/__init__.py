"""From a source to readings. The register of kinds is `AnySource`; a new kind is one file and one line in it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from watchman.model import Delivery
from watchman.readings.sources import csv, json, mqtt, sensorthings, sql, waterml
from watchman.readings.sources.memory import FetchMemory

if TYPE_CHECKING:
    from watchman.readings.sources.listening import Listener
    from watchman.readings.sources.piped import Piped

__all__ = ["AnySource", "FetchMemory", "fetch", "listen", "sends_itself"]

AnySource = Annotated[
    csv.Source  # tables in text
    | json.Source  # records in a JSON document
    | sensorthings.Source  # a server of OGC SensorThings 1.1
    | waterml.Source  # time series in OGC WaterML 2.0
    | sql.Source  # rows of a database
    | mqtt.Source,  # messages pushed by a broker
    Field(discriminator="kind"),
]


def fetch(
    source: AnySource,
    folder: Path,
    aliases: Mapping[str, int],
    source_position: int,
    memory: FetchMemory,
    now: datetime,
    listener: Listener | Piped | None = None,
) -> tuple[Delivery, FetchMemory]:
    """Return what one source brought, and what to remember for its next fetch.

    folder: the network's, for paths. aliases: the source's word for a station (id or alias) -> its position in
    `network.stations`. source_position: the source's in `network.sources`. memory: what the last fetch returned, or
    FetchMemory() at first. Nothing outside makes it raise: `Delivery.trouble` is a sentence about the source as a
    whole; rows, files and stations that could not be read are `Delivery.rejected`, an unlisted station once for good.
    listener: what `listen` returned, for a source that is not asked; it gives everything that has not been kept yet.
    Without one such a source is only overheard for some seconds, and nothing is taken from it. Or standard input, in
    the place of any source's address or path.

    received_at: what the source says; else, at the first fetch, the time of the reading and
    `arrival_delay_minutes`, at most now; else now.
    """
    # Reading needs pandas and requests, which a command that only looks at settings shouldn't wait for.
    from watchman.readings.sources import fetching

    return fetching.fetch(source, folder, aliases, source_position, memory, now, listener)


def sends_itself(source: AnySource) -> bool:
    """Say whether a source sends by itself rather than being asked."""
    return isinstance(source, mqtt.Source)


def listen(source: AnySource) -> Listener | None:
    """Return an open line to a source that sends by itself, to be closed; None for a source that is asked.

    `Listener.news` says whether it has something to fetch; `Listener.kept` is told the memory of each fetch whose
    delivery was kept, and only then the source forgets it.
    """
    if not isinstance(source, mqtt.Source):
        return None
    from watchman.readings.sources.listening import Listener

    return Listener(source)

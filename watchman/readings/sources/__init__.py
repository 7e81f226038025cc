"""From a source to readings. The register of kinds is `AnySource`; a new kind is one file and one line in it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Annotated

from pydantic import Field

from watchman.model import Delivery
from watchman.readings.sources import csv, json
from watchman.readings.sources.memory import FetchMemory

__all__ = ["AnySource", "FetchMemory", "fetch"]

AnySource = Annotated[
    csv.Source  # tables in text
    | json.Source,  # records in a JSON document
    Field(discriminator="kind"),
]


def fetch(
    source: AnySource,
    folder: Path,
    aliases: Mapping[str, int],
    source_position: int,
    memory: FetchMemory,
    now: datetime,
) -> tuple[Delivery, FetchMemory]:
    """Return what one source brought, and what to remember for its next fetch.

    folder: the network's, for paths. aliases: the source's word for a station (id or alias) -> its position in
    `network.stations`. source_position: the source's in `network.sources`. memory: what the last fetch returned, or
    FetchMemory() at first. Nothing outside makes it raise: `Delivery.trouble` is a sentence about the source as a
    whole; rows, files and stations that could not be read are `Delivery.rejected`, an unlisted station once for good.

    received_at: what the source says; else, at the first fetch, the time of the reading and
    `arrival_delay_minutes`, at most now; else now.
    """
    # Reading needs pandas and requests, which a command that only looks at settings shouldn't wait for.
    from watchman.readings.sources import fetching

    return fetching.fetch(source, folder, aliases, source_position, memory, now)

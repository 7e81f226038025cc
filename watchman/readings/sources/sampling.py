"""A look at a database or a broker: what the settings of such a source probably are, and how it reads by them."""

from __future__ import annotations

import csv as text
import io
import json as documents
from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from watchman.readings.sources import json, mqtt, sql
from watchman.readings.sources.pieces import Fault, Piece
from watchman.readings.sources.propose import Proposal, propose
from watchman.readings.sources.settings import UnreadableError

ANY_COLUMNS = {"time": "time", "station": "station", "rain": "rain"}
"""What stands for the columns while nobody knows them yet."""
TOPIC_STATION = "station in the topic"


def look_at_rows(written: Mapping[str, Any], folder: Path, now: datetime) -> Proposal:
    """Return what the settings of a database's query probably are; never raises, and reads only.

    written: its address and query, as in network.toml.
    """
    source = sql.Source.model_validate({"name": "main", "kind": "sql", "columns": ANY_COLUMNS, **written})
    try:
        names, rows = sql.first_rows(source, folder, now)
    except UnreadableError as error:
        return Proposal("sql", trouble=str(error))
    sample = io.StringIO()
    text.writer(sample, lineterminator="\n").writerows([names, *([sql.as_text(cell) for cell in row] for row in rows)])
    found = propose(sample.getvalue().encode("utf-8", "replace"), "csv")
    # How a text would have to be cut is no matter of a database.
    kept = {key: value for key, value in found.settings.items() if key not in ("delimiter", "decimal", "skip_lines")}
    return replace(found, kind="sql", settings=kept)


def look_at_messages(written: Mapping[str, Any], seconds: float) -> Proposal:
    """Return what the settings of a broker's messages probably are, after listening for a while [s]; never raises.

    written: address and topics, and what else is needed to be let in, as in network.toml. Nothing is taken from who
    watches already.
    """
    in_topic = any("{station}" in topic for topic in written["topics"])
    columns = {name: place for name, place in ANY_COLUMNS.items() if name != "station" or not in_topic}
    source = mqtt.Source.model_validate({"name": "main", "kind": "mqtt", "columns": columns, **written})
    from watchman.readings.sources import listening

    with closing(listening.Listener(source, keeps=False)) as listener:
        listener.wait(seconds)
        pieces = list(listener.pieces())
    faults = [piece.sentence for piece in pieces if isinstance(piece, Fault)]
    messages = [one for piece in pieces if isinstance(piece, Piece) for one in piece.content or ()]
    if not messages:
        trouble = faults[0] if faults else f"nothing was sent in {seconds:g} s; a station may send once an hour only"
        return Proposal("mqtt", trouble=trouble)
    records = [{TOPIC_STATION: one.station, **record} for one in messages for record in _records(one)]
    found = propose(documents.dumps(records).encode(), "json")
    if found.trouble:
        return replace(found, kind="mqtt")
    settings = dict(found.settings)
    if in_topic:
        settings["columns"] = {name: place for name, place in settings["columns"].items() if name != "station"}
    return replace(found, kind="mqtt", settings=settings)


def _records(message: mqtt.Message) -> Sequence[dict[str, Any]]:
    """Return the records of a message of JSON, none where it can't be read."""
    try:
        document = json.parse(message.payload)
    except UnreadableError:
        return ()
    return [one for one in (document if isinstance(document, list) else [document]) if isinstance(one, dict)]

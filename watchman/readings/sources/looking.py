"""A look at a source that speaks an open standard: what its settings probably are, and how it reads by them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any, Literal, TypeVar

from watchman.model import RAIN, Readings
from watchman.readings.sources import datastreams, json, propose, sensorthings, tables, things, waterml, web
from watchman.readings.sources.memory import FetchMemory
from watchman.readings.sources.propose import Proposal, StationSeen
from watchman.readings.sources.series import described
from watchman.readings.sources.settings import Source, Table, UnreadableError

T = TypeVar("T")

STREAMS_LOOKED_AT = 12
"""Datastreams of which the newest observations are looked at."""
HEAD = 100_000
"""A schema is looked for in this many first bytes."""
COUNTS: tuple[dict[str, Any], ...] = ({}, {"rain": {"unit": "tips"}})
"""The settings that are tried: what rain is in decides which series can be read at all."""


def kind_of(sample: bytes) -> Literal["sensorthings", "waterml", ""]:
    """Return which open standard an answer or file speaks, "" for none: the root of a SensorThings server lists its
    entity sets by name (OGC 18-088, 9.2), and a WaterML document names its schema (OGC 10-126r4).
    """
    if b"http://www.opengis.net/waterml/2.0" in sample[:HEAD]:
        return "waterml"
    try:
        found = json.find(json.parse(sample), "value")
    except UnreadableError:
        return ""
    sets = [one.get("name") for one in found if isinstance(one, dict)] if isinstance(found, list) else []
    return "sensorthings" if "Datastreams" in sets else ""


def look_at_things(address: str, token: str, now: datetime) -> Proposal:
    """Return what the settings of a SensorThings server at an address probably are; never raises.

    token: sent as a bearer token, "" for none. Stations are its things, by name.
    """
    written: dict[str, Any] = {"name": "main", "kind": "sensorthings", "address": address}
    source = sensorthings.Source.model_validate(written | ({"token": token} if token else {}))
    with web.door_of(source) as door:
        asking = things.Asking(source, door, {}, FetchMemory(), int(now.timestamp()))
        try:
            entities = asking.entities()
            names = list(dict.fromkeys(str(entity["Thing"].get("name") or "") for entity in entities))
            aliases = {name: place for place, name in enumerate(names) if name}
            settings, (streams, remarks) = _best(
                lambda more: datastreams.choose(entities, sensorthings.Source.model_validate(written | more), aliases),
                lambda choice: len(choice[0]),
            )
        except web.RefusedError as error:
            return Proposal("sensorthings", trouble=f"it {error}")
        except web.NotNowError:
            return Proposal("sensorthings", trouble="it has more datastreams than can be listed in the time there is")
        except UnreadableError as error:
            return Proposal("sensorthings", trouble=str(error))
        pages = [asking.newest(stream) for stream in streams[:STREAMS_LOOKED_AT]]
    source = sensorthings.Source.model_validate(written | settings)
    stated = not any(isinstance(row, dict) and not sensorthings.over_time(row) for page in pages for row in page.rows)
    found = [table for page in pages for table in source.tables(page)]
    proposal = _proposal("sensorthings", settings, _readings(source, found, aliases), names, remarks, stated)
    reasons = dict.fromkeys(
        f"{stream.variable.capitalize()} is read from {stream.name!r} in {stream.unit or 'the unit of the settings'}."
        for stream in streams
    )
    heard = {one.name for one in proposal.stations}
    others = dict.fromkeys(stream.station for stream in streams if stream.station not in heard)
    silent = tuple(StationSeen(name, 0, now, now, None) for name in others)
    return replace(proposal, stations=(*proposal.stations, *silent), reasons=(*reasons, *proposal.reasons))


def look_at_series(sample: bytes) -> Proposal:
    """Return what the settings of a source with such WaterML 2.0 documents probably are; never raises."""
    written: dict[str, Any] = {"name": "main", "kind": "waterml", "path": "sample"}
    try:
        every = described(sample)
        names = list(dict.fromkeys(series.place for series in every))
        aliases = {name: place for place, name in enumerate(names)}
        document = waterml.Document(sample, aliases)
        settings, found = _best(
            lambda more: list(waterml.Source.model_validate(written | more).tables(document)),
            lambda read: sum(map(len, read)),
        )
    except UnreadableError as error:
        return Proposal("waterml", trouble=str(error))
    remarks = [remark for table in found for remark in table.remarks]
    readings = _readings(waterml.Source.model_validate(written | settings), found, aliases)
    stated = all(table.shift_s is not None for table in found if len(table))
    return _proposal("waterml", settings, readings, names, remarks, stated)


def _best(read: Callable[[dict[str, Any]], T], size: Callable[[T], int]) -> tuple[dict[str, Any], T]:
    """Return the settings by which most can be read, and what that is. Raises UnreadableError when nothing can."""
    found: list[tuple[dict[str, Any], T]] = []
    troubles: list[UnreadableError] = []
    for settings in COUNTS:
        try:
            found.append((settings, read(settings)))
        except UnreadableError as error:
            troubles.append(error)
    if not found:
        raise troubles[0]
    return max(found, key=lambda one: size(one[1]))


def _readings(source: Source, found: Iterable[Table], aliases: Mapping[str, int]) -> Readings:
    setting = tables.Setting(source, aliases, 0, 0)
    return Readings.join([tables.read(table, "", False, setting).readings for table in found if len(table)])


def _proposal(
    kind: Literal["sensorthings", "waterml"],
    settings: dict[str, Any],
    readings: Readings,
    names: Sequence[str],
    remarks: Iterable[str],
    stated: bool,
) -> Proposal:
    """Return the proposal. stated: the source itself says what its times stand for."""
    settings = {name: dict(value) for name, value in settings.items()}
    reasons, questions = [], [f"{remark[:1].upper()}{remark[1:]}." for remark in remarks]
    tips = settings.get("rain", {}).get("unit") == "tips"
    if tips:
        reasons.append("Rain is taken as tips: the source says so.")
        questions.append("How much rain is one tip? Write tip_mm for each station, or for the source.")
    counts = propose.counts_of(readings)
    if counts == "running total":
        settings["rain"] = {**settings.get("rain", {}), "counts": counts}
        reasons.append("Rain is taken as a running total: at each station it only rises.")
    elif counts is None and (readings.variable == RAIN).any():
        questions.append("Does rain count each interval, or run on as a total? The sample holds too little to tell.")
    if not stated:
        questions.append("Is a time the end of its interval or the beginning? The end is taken.")
    stations, rows = propose.seen(readings, names)
    return Proposal(kind, settings, stations, rows, tuple(reasons), tuple(questions))

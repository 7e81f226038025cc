"""Which datastreams of a SensorThings server are read, and as what; what isn't is told with what to write."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any

from watchman.model import VARIABLES
from watchman.readings.sources import json, observed
from watchman.readings.sources.sensorthings import Source, Stream
from watchman.readings.sources.settings import UnreadableError

SHOWN = 60
"""So many letters of a name are shown."""
TOLD = 20
"""So many things that aren't in stations.csv are told one by one."""
NUMBERS = ("OM_Measurement", "OM_CountObservation", "OM_Observation")
"""Observation types whose results may be numbers (OGC 18-088, table 12)."""
KEPT = ("@iot.id", "name", "unitOfMeasurement", "observationType", "Thing", "ObservedProperty")
BESIDE = {"Thing": ("@iot.id", "name", "properties"), "ObservedProperty": ("name", "definition")}
"""The entities that belong to a datastream, and what of them is needed."""


def outline(entity: Mapping[str, Any]) -> dict[str, Any]:
    """Return what of a datastream is needed, with what stands in it of its thing and its observed property."""
    kept = {name: entity[name] for name in KEPT if name in entity}
    return kept | {
        name: {part: kept[name][part] for part in parts if part in kept[name]}
        for name, parts in BESIDE.items()
        if isinstance(kept.get(name), dict)
    }


def needed(entity: dict[str, Any], source: Source, aliases: Mapping[str, int]) -> dict[str, Any]:
    """Return an outline, or of one whose thing is no station of ours only what that is called."""
    if "Thing" not in entity or observed.stations_of(_station_words(entity, source), aliases):
        return entity
    return {"@iot.id": entity["@iot.id"], "Thing": {"name": _called(entity)}} if "@iot.id" in entity else {}


def key_of(entity: Mapping[str, Any]) -> str:
    """Return a datastream's id as it stands in an address: a number as it is, text in quotes; "" if there is none."""
    identifier = entity.get("@iot.id")
    if isinstance(identifier, int) and not isinstance(identifier, bool):
        return str(identifier)
    return "'{}'".format(identifier.replace("'", "''")) if isinstance(identifier, str) and identifier else ""


def lacking(entity: Mapping[str, Any], source: Source, aliases: Mapping[str, int]) -> str:
    """Return which entity beside a datastream still has to be asked for, "" for none."""
    if not _measures(entity):
        return ""
    if "Thing" not in entity:
        return "Thing"
    ours = observed.stations_of(_station_words(entity, source), aliases)
    return "ObservedProperty" if ours and "ObservedProperty" not in entity else ""


def has_changed(entity: Mapping[str, Any], stream: Stream, source: Source) -> bool:
    """Say whether a datastream says another unit than when it was chosen; one that says nothing has not."""
    if not isinstance(entity.get("unitOfMeasurement"), dict):
        return False
    return observed.unit_of(_unit_words(entity), stream.variable, source)[0] != stream.unit


def choose(
    entities: Sequence[Mapping[str, Any]], source: Source, aliases: Mapping[str, int]
) -> tuple[tuple[Stream, ...], tuple[str, ...]]:
    """Return the datastreams to read, and what a person should know of the others.

    Raises UnreadableError, with what to write, when there is none.
    """
    chosen: dict[tuple[int, str], list[Stream]] = defaultdict(list)
    unread: dict[tuple[int, str], str] = {}
    unlisted: dict[str, None] = {}
    remarks: list[str] = []
    for entity in filter(_measures, entities):
        stations = observed.stations_of(_station_words(entity, source), aliases)
        if not stations:
            unlisted[_called(entity)] = None
            continue
        name = json.as_text(entity.get("name"))[:SHOWN]
        told = f"datastream {name!r} of thing {_text(entity, 'Thing', 'name')[:SHOWN]!r}"
        said = [_text(entity, "ObservedProperty", "name"), _text(entity, "ObservedProperty", "definition")]
        variables = observed.variables_of(source, said, [name])
        if len(stations) > 1:
            remarks.append(_whose(told, list(stations.values())))
        elif len(variables) > 1:
            remarks.append(_what(told, name, variables))
        elif variables:
            (place, station), variable = next(iter(stations.items())), variables[0]
            unit, complaint = observed.unit_of(_unit_words(entity), variable, source)
            if complaint:
                unread[place, variable] = f"{told} is not read: {complaint}"
            else:
                stream = Stream(key=key_of(entity), name=name, station=station, variable=variable, unit=unit)
                chosen[place, variable].append(stream)
    remarks += [told for place, told in unread.items() if place not in chosen]
    remarks += [_which(variable, found) for (_, variable), found in chosen.items() if len(found) > 1]
    streams = tuple(found[0] for found in chosen.values() if len(found) == 1)
    if not streams:
        raise UnreadableError(_nothing(len(entities), list(unlisted), remarks))
    return streams, (*remarks, *_foreign(list(unlisted)))


def _measures(entity: Mapping[str, Any]) -> bool:
    kind = entity.get("observationType")
    return bool(key_of(entity)) and (not isinstance(kind, str) or observed.short(kind) in NUMBERS)


def _text(entity: Mapping[str, Any], beside: str, part: str) -> str:
    found = entity.get(beside)
    return json.as_text(found.get(part)) if isinstance(found, dict) else ""


def _called(entity: Mapping[str, Any]) -> str:
    return (_text(entity, "Thing", "name") or _text(entity, "Thing", "@iot.id") or "without a name")[:SHOWN]


def _station_words(entity: Mapping[str, Any], source: Source) -> list[str]:
    """Return the words that a datastream's station may be known by."""
    thing = entity.get("Thing")
    properties = thing.get("properties") if isinstance(thing, dict) else None
    properties = properties if isinstance(properties, dict) else {}
    own = {part: _text(entity, "Thing", part) for part in ("name", "@iot.id")}
    if source.station is not None:
        return [own.get(source.station) or json.as_text(json.find(properties, source.station))]
    return [own["name"], *(json.as_text(value) for value in properties.values()), own["@iot.id"]]


def _unit_words(entity: Mapping[str, Any]) -> list[str]:
    """Return what is said of a datastream's unit; a count without one counts."""
    said = [_text(entity, "unitOfMeasurement", part) for part in ("symbol", "name", "definition")]
    counts = observed.short(json.as_text(entity.get("observationType"))) == "OM_CountObservation"
    return said if any(said) or not counts else ["1"]


def _whose(told: str, words: Sequence[str]) -> str:
    both = " and ".join(map(repr, words))
    return f'{told} names {len(words)} of our stations, {both}; say where to look, for instance station = "name"'


def _what(told: str, name: str, variables: Sequence[str]) -> str:
    which = " or ".join(variables)
    return f'{told} may be {which}; say which, for instance variables = {{ {variables[0]} = "{name}" }}'


def _which(variable: str, found: Sequence[Stream]) -> str:
    names = ", ".join(repr(stream.name) for stream in found[:5])
    return (
        f"station {found[0].station!r} has {len(found)} datastreams that may be its {variable}, and none is read: "
        f'{names}; say which, for instance variables = {{ {variable} = "{found[0].name}" }}'
    )


def _foreign(names: Sequence[str]) -> tuple[str, ...]:
    """Say which things aren't stations of ours."""
    if len(names) > TOLD:
        return (f"{len(names)} things are not in stations.csv; the first are {', '.join(map(repr, names[:5]))}",)
    return tuple(f"thing {name!r} is not in stations.csv: list it, or write it as another's alias" for name in names)


def _nothing(count: int, names: Sequence[str], remarks: Sequence[str]) -> str:
    """Say why there is no datastream to read."""
    if remarks:
        return "; ".join(remarks[:3])
    if names:
        return f"none of its {len(names)} things is in stations.csv; it has: {', '.join(names[:5])}"
    if not count:
        return "it has no datastreams"
    return (
        f"none of its {count} datastreams is one of {', '.join(VARIABLES)}; say which is, for instance "
        'variables = { rain = "Precipitation" }'
    )

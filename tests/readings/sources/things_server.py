"""A small SensorThings server, written from the text of OGC 18-088: what a source is tested against over real HTTP.

Sections in the docstrings are those of the standard. What servers in the field do otherwise can be switched on.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from urllib.parse import parse_qsl, quote, unquote, urlsplit

from tests.readings.sources.server import Handler

TYPES = "http://www.opengis.net/def/observationType/OGC-OM/2.0/"
MM = {"name": "millimetre", "symbol": "mm", "definition": "ucum:mm"}
OPTIONS = ("$filter", "$count", "$orderby", "$skip", "$top", "$expand", "$select")
COMPARED: dict[str, Callable[[Any, Any], bool]] = {
    "eq": lambda left, right: left == right,
    "gt": lambda left, right: left > right,
    "ge": lambda left, right: left >= right,
    "lt": lambda left, right: left < right,
    "le": lambda left, right: left <= right,
}


class RefusedError(Exception):
    """The request can't be answered: its status, as the standard wants it."""

    def __init__(self, status: int) -> None:
        super().__init__(str(status))
        self.status = status


@dataclass
class Datastream:
    identifier: int | str
    name: str
    thing: dict[str, Any]
    observed: dict[str, Any]
    unit: dict[str, Any]
    kind: str = "OM_Measurement"
    observations: list[dict[str, Any]] = field(default_factory=list)


@dataclass
class Things:
    """What a server holds, and how it differs from the standard's text.

    page: the most entities in one answer (9.3.3.5: a larger $top is discarded). ignores: options that have no effect;
    "inner" those in brackets. refuses: options that are answered with 501 (9.3.1). broken: paths answered with 500.
    address: how it calls itself in its links.
    """

    page: int = 100
    ignores: set[str] = field(default_factory=set)
    refuses: set[str] = field(default_factory=set)
    broken: set[str] = field(default_factory=set)
    names_next_after_top: bool = False
    circle: bool = False
    unstable: bool = False
    turned: bool = False
    address: str = ""
    datastreams: list[Datastream] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)
    count: int = 0

    def add(self, thing: str, /, name: str = "Rain", **other: Any) -> Datastream:
        """Add a datastream of a thing."""
        number = len(self.datastreams) + 1
        described = {"@iot.id": 100 + number, "name": thing, "properties": other.pop("properties", {})}
        made = Datastream(
            identifier=other.pop("identifier", number),
            name=name,
            thing={**described, **other.pop("thing", {})},
            observed={"name": other.pop("observed", name), "definition": other.pop("definition", "")},
            unit=other.pop("unit", MM),
            kind=other.pop("kind", "OM_Measurement"),
        )
        self.datastreams.append(made)
        assert not other
        return made

    def observe(self, stream: Datastream, time: str, result: Any, came: str | None = None) -> None:
        """Add an observation, whenever it is of."""
        self.count += 1
        observation = {"@iot.id": self.count, "phenomenonTime": time, "resultTime": came, "result": result}
        stream.observations.append(observation)

    # --- answering ---

    def answer(self, request: Handler) -> None:
        self.asked.append(request.path)
        parts = urlsplit(request.path)
        self.address = self.address or f"http://{request.headers['Host']}/v1.1"
        path = parts.path.removeprefix("/v1.1")
        try:
            if path in self.broken:
                raise RefusedError(500)
            options = self._options(parse_qsl(parts.query, keep_blank_values=True))
            content = self._resource(path, options)
        except RefusedError as refusal:
            request.send(b'{"code": "error"}', refusal.status, Content_Type="application/json")
            return
        request.send(json.dumps(content).encode(), Content_Type="application/json")

    def _options(self, pairs: Iterable[tuple[str, str]]) -> dict[str, str]:
        options = dict(pairs)
        if set(options) - set(OPTIONS):
            raise RefusedError(400)
        if set(options) & self.refuses:
            raise RefusedError(501)
        return {name: value for name, value in options.items() if name not in self.ignores}

    def _resource(self, path: str, options: dict[str, str]) -> Any:
        """Usages 2, 6 and 8 of resource paths (9.2)."""
        if path == "/Datastreams":
            return self._list("Datastreams", [self._datastream(one) for one in self.datastreams], options)
        match = re.fullmatch(r"/Datastreams\(([^)]*)\)/(Observations|Thing|ObservedProperty)", unquote(path))
        stream = next((one for one in self.datastreams if match and _literal(one.identifier) == match[1]), None)
        if match is None or stream is None:
            raise RefusedError(404)
        if match[2] == "Observations":
            return self._list(path.strip("/"), self._observations(stream), options)
        return stream.thing if match[2] == "Thing" else stream.observed

    def _datastream(self, stream: Datastream) -> dict[str, Any]:
        here = f"{self.address}/Datastreams({quote(_literal(stream.identifier))})"
        return {
            "@iot.id": stream.identifier,
            "@iot.selfLink": here,
            "name": stream.name,
            "unitOfMeasurement": stream.unit,
            "observationType": TYPES + stream.kind,
            "Thing@iot.navigationLink": f"{here}/Thing",
            "ObservedProperty@iot.navigationLink": f"{here}/ObservedProperty",
            "Observations@iot.navigationLink": f"{here}/Observations",
            "stream": stream,
        }

    def _observations(self, stream: Datastream) -> list[dict[str, Any]]:
        # A server without an order of its own may list what is as late as another in any order (9.3.3.4).
        self.turned = not self.turned
        return stream.observations[::-1] if self.unstable and self.turned else list(stream.observations)

    def _list(self, path: str, entities: list[dict[str, Any]], options: dict[str, str]) -> dict[str, Any]:
        """$filter, $count, $orderby, $skip, $top, in this order; then pages; then $expand and $select (9.3.1)."""
        if "$filter" in options:
            entities = [one for one in entities if _holds(one, options["$filter"])]
        answer: dict[str, Any] = {"@iot.count": len(entities)} if options.get("$count") == "true" else {}
        for part in reversed(options.get("$orderby", "").split(",")):
            if part.strip():
                name, _, way = part.strip().partition(" ")
                entities = sorted(entities, key=lambda one, name=name: _value(one, name), reverse=way == "desc")
        skip, top = int(options.get("$skip", 0)), int(options.get("$top", len(entities)))
        size = min(top, self.page)
        shown = entities[skip : skip + size]
        more = len(entities) > skip + size
        if self.circle or (more and (size < top or "$top" not in options or self.names_next_after_top)):
            following = {**options, "$skip": str(0 if self.circle and skip else skip + size)}
            query = "&".join(f"{quote(name)}={quote(value)}" for name, value in following.items())
            answer["@iot.nextLink"] = f"{self.address}/{path}?{query}"
        expanded = [self._expanded(one, options.get("$expand", "")) for one in shown]
        return {**answer, "value": [_selected(one, options) for one in expanded]}

    def _expanded(self, entity: dict[str, Any], expand: str) -> dict[str, Any]:
        """Inline what is named, with the options in its brackets, separated by semicolons (9.3.2.1)."""
        stream = entity.get("stream")
        entity = {name: value for name, value in entity.items() if name != "stream"}
        for part in re.findall(r"[^,()]+(?:\([^()]*(?:\([^()]*\)[^()]*)*\))?", expand):
            name, _, inside = part.partition("(")
            if stream is None or name not in ("Thing", "ObservedProperty", "Observations"):
                raise RefusedError(400)
            if name != "Observations":
                entity[name] = stream.thing if name == "Thing" else stream.observed
                continue
            pairs = [each.split("=", 1) for each in inside.removesuffix(")").split(";") if each]
            options = {} if "inner" in self.ignores else self._options((left, right) for left, right in pairs)
            path = f"Datastreams({_literal(stream.identifier)})/Observations"
            inner = self._list(path, self._observations(stream), options)
            entity["Observations"] = inner["value"]
            if "@iot.nextLink" in inner:
                entity["Observations@iot.nextLink"] = inner["@iot.nextLink"]
        return entity


def _literal(identifier: int | str) -> str:
    return str(identifier) if isinstance(identifier, int) else "'{}'".format(identifier.replace("'", "''"))


def _selected(entity: dict[str, Any], options: dict[str, str]) -> dict[str, Any]:
    """Only what is named, and what is expanded (9.3.2.2)."""
    if "$select" not in options:
        return entity
    names = {"@iot.id" if name == "id" else name for name in options["$select"].split(",")}
    return {
        name: value
        for name, value in entity.items()
        if name in names or name.split("@")[0] in options.get("$expand", "-")
    }


def _holds(entity: dict[str, Any], text: str) -> bool:
    """Comparisons, joined by and / or; `and` binds closer (9.3.3.6)."""
    return any(all(_compares(entity, one) for one in part.split(" and ")) for part in text.split(" or "))


def _compares(entity: dict[str, Any], text: str) -> bool:
    match = re.fullmatch(r"\s*([\w/]+) (eq|gt|ge|lt|le) (.+?)\s*", text)
    if match is None:
        raise RefusedError(400)
    found = _value(entity, match[1])
    if isinstance(found, datetime):
        return COMPARED[match[2]](found, datetime.fromisoformat(match[3]))
    return COMPARED[match[2]](_literal(found), match[3])


def _value(entity: dict[str, Any], name: str) -> Any:
    """Return what is compared or ordered by; of an interval its begin."""
    found = entity["@iot.id" if name == "id" else name]
    return datetime.fromisoformat(found.split("/")[0]) if name.endswith("Time") else found

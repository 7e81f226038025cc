"""A WaterML 2.0 document -> what its series say of themselves, and their points; in bounded memory, and never a DTD."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from xml.etree.ElementTree import Element, ParseError, TreeBuilder

from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import DefusedXMLParser

from watchman.readings.sources import observed
from watchman.readings.sources.settings import UnreadableError

CHUNK = 65_536
"""Bytes that are read at a time."""
DEEPEST = 200
"""Elements within one another; the schema needs some twenty."""
LARGEST = 20_000
"""Elements, or pieces of text, in one description or point."""
LETTERS = 1_000_000
"""Letters in one description or point, and in one word of an attribute."""
SHOWN = 60
"""So many letters of a name are shown."""
HOLDERS = ("Collection", "GetObservationResponse", "FeatureCollection")
"""What may be outermost where there is no series at all (OGC 10-126r4; 10-037 for the response)."""
SERIES = ("MeasurementTimeseries", "Timeseries", "CategoricalTimeseries")
BEGINNINGS = (*SERIES, "OM_Observation")
DESCRIBED = (
    *("MonitoringPoint", "SF_SpatialSamplingFeature", "procedure", "observedProperty", "featureOfInterest"),
    *("metadata", "defaultPointMetadata", "ExceptionText"),
)
BROKEN_OFF = (3, 5, 20)
"""The parser's numbers for an end in the middle: no element, an unclosed tag or piece of text (expat.h)."""
NIL = "{http://www.w3.org/2001/XMLSchema-instance}nil"
GML_ID = "{http://www.opengis.net/gml/3.2}id"
XLINK = "{http://www.w3.org/1999/xlink}"


@dataclass(frozen=True, slots=True)
class PointMetadata:
    """What is said of a point, or of all points that say nothing else. unit: its code, title and address."""

    unit: tuple[str, ...] = ()
    quality: str = ""
    interpolation: str = ""
    aggregation: str = ""

    def over(self, usual: PointMetadata) -> PointMetadata:
        """Return this, and where it says nothing what is usual."""
        if self == NOTHING_SAID:
            return usual
        return PointMetadata(
            self.unit or usual.unit,
            self.quality or usual.quality,
            self.interpolation or usual.interpolation,
            self.aggregation or usual.aggregation,
        )


NOTHING_SAID = PointMetadata()


@dataclass(frozen=True, slots=True)
class Point:
    """A point as it stands there; time is "" where only the series says it, value is "" where it is nil."""

    time: str
    value: str
    said: PointMetadata


@dataclass(slots=True)
class Series:
    """What a document says of one series.

    feature: words for its station; zone: the offset of its times where they have none; observes: words for what it
    measures; process: how; base, spacing: of times that its points don't name.
    """

    feature: list[str] = field(default_factory=list)
    zone: str = ""
    observes: list[str] = field(default_factory=list)
    process: str = ""
    usual: PointMetadata = NOTHING_SAID
    cumulative: str = ""
    base: str = ""
    spacing: str = ""

    @property
    def name(self) -> str:
        """Return what it measures, in its own words."""
        return next((observed.short(word)[:SHOWN] for word in self.observes if word), "without a name")

    @property
    def place(self) -> str:
        """Return where it measures, in its own words."""
        return next((observed.short(word)[:SHOWN] for word in self.feature if word), "without a name")


def described(content: bytes) -> list[Series]:
    """Return every series of a document, in order. Raise UnreadableError when it isn't such a document."""
    found: list[Series] = []
    places: dict[str, Series] = {}
    head, root, results = Series(), "", 0
    for name, element, within in _elements(content, DESCRIBED):
        root = root or name
        if name == "OM_Observation":
            head, results = Series(), results + 1
        elif name in SERIES:
            found.append(head)
            # Another series in the same observation shares all but what it says itself.
            head = Series(head.feature, head.zone, head.observes, head.process)
        elif name == "ExceptionText":
            raise UnreadableError(f"the server refused it: {_text(element)[:200]!r}")
        elif element is not None and within:
            _note_series(found[-1], name, element)
        elif element is not None:
            _note_head(head, name, element, places)
    if not found and results:
        raise UnreadableError(f"its observations hold no series of times and values ({SERIES[0]})")
    if not found and root not in HOLDERS:
        raise UnreadableError(f"it is not WaterML 2.0: its outermost element is {root[:40]!r}")
    for series in found:
        for word in list(series.feature):
            place = places.get(word.removeprefix("#")) if word.startswith("#") else None
            if place is not None:
                series.feature = [*place.feature, *series.feature]
                series.zone = series.zone or place.zone
    return found


def points(content: bytes, wanted: Collection[int]) -> Iterator[tuple[int, Point]]:
    """Yield the points of the wanted series, with the place of the series in the document."""
    place = -1
    for name, element, _ in _elements(content, ("point",)):
        if name in SERIES:
            place += 1
        elif name == "point" and place in wanted and element is not None:
            yield place, _point(element)


# --- elements ---


def _note_head(head: Series, name: str, element: Element, places: dict[str, Series]) -> None:
    """Note what an observation says before its result, or a station that others refer to."""
    if name == "observedProperty":
        head.observes = _words(element)
    elif name == "procedure":
        said = [element.get(f"{XLINK}arcrole", ""), *(_href(one) for one in element.iter() if _is(one, "processType"))]
        head.process = next((observed.short(word) for word in said if word), "")
    elif name == "featureOfInterest":
        head.feature = [*_words(element), *_names(element)]
        head.zone = _zone(element)
    elif name not in ("metadata", "defaultPointMetadata"):
        key = element.get(GML_ID, "")
        places[key] = Series(feature=[*_names(element), key], zone=_zone(element))


def _note_series(series: Series, name: str, element: Element) -> None:
    if name == "defaultPointMetadata":
        series.usual = _metadata(element)
    if name != "metadata":
        return
    series.cumulative = series.cumulative or _text_of(element, "cumulative")
    series.base = series.base or _text_of(element, "baseTime")
    series.spacing = series.spacing or _text_of(element, "spacing")


def _point(element: Element) -> Point:
    time = value = ""
    said = NOTHING_SAID
    for pair in element:
        for part in pair:
            if _is(part, "time"):
                time = _text(part)
            elif _is(part, "value"):
                value = "" if part.get(NIL) in ("true", "1") else _text(part)
            elif _is(part, "metadata"):
                said = _metadata(part)
    return Point(time, value, said)


def _metadata(element: Element) -> PointMetadata:
    """Return what stands in the metadata of a point, or of all. Only its children count: an accuracy has a unit too."""
    parts = {_local(part.tag): part for holder in element for part in holder}
    unit, quality, interpolation = (parts.get(name) for name in ("uom", "quality", "interpolationType"))
    aggregation = parts.get("aggregationDuration")
    words = (unit.get("code", ""), unit.get(f"{XLINK}title", ""), _href(unit)) if unit is not None else ()
    return PointMetadata(
        tuple(word for word in words if word.strip()),
        _term(quality).lower(),
        _term(interpolation),
        "" if aggregation is None else _text(aggregation),
    )


def _term(element: Element | None) -> str:
    """Return the word that a reference to a register names."""
    if element is None:
        return ""
    return observed.short(_href(element)) or element.get(f"{XLINK}title", "").strip()


def _words(element: Element) -> list[str]:
    return [word for word in (element.get(f"{XLINK}title", "").strip(), _href(element)) if word]


def _names(element: Element) -> list[str]:
    """Return the identifiers and names of the stations in an element."""
    found = [_text(one) for one in element.iter() if _local(one.tag) in ("identifier", "name")]
    keys = [one.get(GML_ID, "") for one in element if one.get(GML_ID)]
    return [word for word in [*found, *keys] if word]


def _zone(element: Element) -> str:
    zone = next((one for one in element.iter() if _is(one, "timeZone")), None)
    return "" if zone is None else _text_of(zone, "zoneOffset")


def _href(element: Element) -> str:
    return element.get(f"{XLINK}href", "").strip()


def _text_of(element: Element, name: str) -> str:
    return next((_text(one) for one in element.iter() if _is(one, name)), "")


def _text(element: Element | None) -> str:
    return "" if element is None else "".join(element.itertext()).strip()


def _is(element: Element, name: str) -> bool:
    return _local(element.tag) == name


def _local(tag: str) -> str:
    return tag.rpartition("}")[2]


# --- the parser ---


def _elements(content: bytes, whole: Collection[str]) -> Iterator[tuple[str, Element | None, bool]]:
    """Yield the outermost element, each observation and series as it begins, by its local name; and those whose name is
    among the whole ones as they end, with all that is in them, and whether they stand in a series.

    Raises UnreadableError, in words.
    """
    target = _Target(frozenset(whole))
    parser = DefusedXMLParser(target=target, forbid_dtd=True)
    if not content.strip():
        raise UnreadableError("it is empty")
    try:
        for begin in range(0, len(content), CHUNK):
            parser.feed(content[begin : begin + CHUNK])
            yield from target.ready()
        parser.close()
    except DefusedXmlException:
        reason = (
            "with which a few lines can be made to swell without end or to read other files; ask for it without one"
        )
        raise UnreadableError(f"it has a document type (DTD), {reason}") from None
    except ParseError as error:
        line, column = error.position
        if error.code in BROKEN_OFF:
            raise UnreadableError(f"it breaks off after {len(content):,} bytes: half an XML document") from None
        raise UnreadableError(f"it is not XML (line {line}, column {column + 1})") from None
    except (LookupError, ValueError) as error:
        raise UnreadableError(f"its text can't be read: {str(error)[:80]}") from None
    yield from target.ready()


class _Target:
    """Takes what the parser finds, and keeps no more of it than one element that is wanted whole."""

    def __init__(self, whole: frozenset[str]) -> None:
        self._whole = whole
        self._path: list[str] = []
        self._ready: list[tuple[str, Element | None, bool]] = []
        self._builder: TreeBuilder | None = None
        self._begun = self._size = self._letters = 0

    def ready(self) -> Iterator[tuple[str, Element | None, bool]]:
        """Yield what is there, once."""
        found, self._ready = self._ready, []
        yield from found

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        """An element begins."""
        name = tag.rpartition("}")[2]
        self._path.append(name)
        if len(self._path) > DEEPEST:
            raise UnreadableError(f"more than {DEEPEST} elements stand within one another; that is no WaterML")
        if self._builder is None:
            if name not in self._whole:
                if name in BEGINNINGS or len(self._path) == 1:
                    self._ready.append((name, None, False))
                return
            self._builder, self._begun, self._size, self._letters = TreeBuilder(), len(self._path), 0, 0
        self._count(sum(map(len, attributes.values())))
        self._builder.start(tag, attributes)

    def data(self, text: str) -> None:
        """Text comes."""
        if self._builder is not None:
            self._count(len(text))
            self._builder.data(text)

    def end(self, tag: str) -> None:
        """An element ends."""
        if self._builder is not None:
            self._builder.end(tag)
            if len(self._path) == self._begun:
                series = any(name in SERIES for name in self._path)
                self._ready.append((self._path[-1], self._builder.close(), series))
                self._builder = None
        self._path.pop()

    def close(self) -> None:
        """The document ends."""

    def _count(self, letters: int) -> None:
        self._size, self._letters = self._size + 1, self._letters + letters
        if self._size > LARGEST or self._letters > LETTERS:
            raise UnreadableError("one of its descriptions is longer than any need be; that is no WaterML")

"""A look at a sample of a source: what its settings probably are, and how its first rows read by them.

Everything here is a guess for a person to confirm; the words and limits come from common practice, no source.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Literal

import numpy as np

from watchman.model import RAIN, VARIABLES, Readings
from watchman.readings.sources import csv, json, tables, times
from watchman.readings.sources.settings import Clock, Source, Table, UnreadableError

WORDS = {
    "rain": ("rain", "precip", "pcp", "prcp", "tips", "tip", "bucket", "niederschlag", "regen", "pluie", "lluvia"),
    "battery": ("batt", "battery", "vbat", "volt", "supply", "akku", "bv"),
    "temperature": ("temp", "temperature", "airt", "tair"),
    "humidity": ("humid", "humidity", "rh", "relhum"),
    "signal": ("signal", "rssi", "dbm"),
}
STATION_WORDS = ("station", "site", "gauge", "device", "logger", "node", "id", "name")
TIME_WORDS = ("time", "date", "datetime", "timestamp", "stamp", "observed", "datum", "zeit", "fecha", "heure")
RECEIVED_WORDS = ("received", "arrived", "arrival", "ingested")
VARIABLE_WORDS = ("variable", "parameter", "element", "quantity", "sensor", "channel", "property")
DERIVED = ("intensity", "rate", "mmh", "24h", "1h", "day", "daily", "hour", "hourly", "sum", "max", "cumulative")
"""What a column says that holds something made of the readings rather than the readings."""
VALUE_WORDS = ("value", "val", "reading", "result", "measurement")

FORMATS = (
    *("ISO 8601", "epoch", "epoch ms"),
    *("%d.%m.%Y %H:%M", "%d.%m.%Y %H:%M:%S", "%d/%m/%Y %H:%M", "%d/%m/%Y %H:%M:%S"),
    *("%m/%d/%Y %H:%M", "%m/%d/%Y %H:%M:%S", "%m/%d/%Y %I:%M %p", "%m/%d/%Y %I:%M:%S %p"),
    *("%d-%m-%Y %H:%M", "%d-%m-%Y %H:%M:%S", "%d-%b-%Y %H:%M", "%d %b %Y %H:%M", "%d.%m.%y %H:%M"),
)
RAIN_UNITS = {
    "tips": {"tip", "tips", "count", "counts", "pulses"},
    "inch": {"in", "inch", "inches"},
    "mm": {"mm", "millimetre", "millimetres", "millimeter", "millimeters"},
}
FAHRENHEIT = {"f", "degf", "fahrenheit"}
MISSING: tuple[str, ...] = Source.model_fields["missing"].default

SENSIBLE = (datetime(1990, 1, 1, tzinfo=UTC).timestamp(), datetime(2100, 1, 1, tzinfo=UTC).timestamp())
"""Times a working logger may show; a number outside is no epoch."""

NO_STATION = "No column names the station: write {station} into the address or path."
LOOKED_AT = 400
"""Rows that are looked at for guessing."""
FIRST_ROWS = 5


@dataclass(frozen=True, slots=True)
class StationSeen:
    """A station found in the sample: how many readings, from when to when, and their typical spacing."""

    name: str
    readings: int
    first_at: datetime
    last_at: datetime
    spacing_minutes: float | None


@dataclass(frozen=True, slots=True)
class RowSeen:
    """One reading of the sample as it was read by the proposed settings; value in base units."""

    station: str
    observed_at: datetime
    variable: str
    value: float


@dataclass(frozen=True, slots=True)
class Proposal:
    """What a source's settings probably are. settings: keys of network.toml beside name, kind, address or path.

    reasons: why, one sentence a guess. questions: what the sample can't tell. trouble: why nothing is proposed, or "".
    """

    kind: Literal["csv", "json", "sensorthings", "waterml", "sql", "mqtt"]
    settings: Mapping[str, Any] = field(default_factory=dict)
    stations: tuple[StationSeen, ...] = ()
    rows: tuple[RowSeen, ...] = ()
    reasons: tuple[str, ...] = ()
    questions: tuple[str, ...] = ()
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class _Sample:
    """A sample as rows of text under names. labels: each name with its unit. layout: settings that cut it up so."""

    names: list[str | int]
    labels: list[str]
    rows: list[list[str]]
    layout: dict[str, Any]


def propose(sample: bytes, kind: Literal["csv", "json"]) -> Proposal:
    """Return what the settings of a source with such content probably are; never raises."""
    try:
        cut = _cut_text(sample) if kind == "csv" else _cut_document(sample)
        return _read_by(kind, _Guess(cut), sample)
    except UnreadableError as error:
        return Proposal(kind, trouble=str(error))


def _cut_text(sample: bytes) -> _Sample:
    """Return the rows of a text table: delimiter, header, units and lines to skip are guessed."""
    lines = csv.decode(sample).replace("\r\n", "\n").split("\n")
    spoken = [(number, line) for number, line in enumerate(lines, 1) if line.strip() and not line.startswith("#")]
    if not spoken:
        raise UnreadableError("it is empty")
    delimiter = max(",;\t|", key=lambda sign: _regularity([line for _, line in spoken[:LOOKED_AT]], sign))
    cut = [(number, csv.split_line(line, delimiter)) for number, line in spoken]
    width = Counter(len(row) for _, row in cut).most_common(1)[0][0]
    first = next((place for place, (_, row) in enumerate(cut) if len(row) == width and _has_time(row)), None)
    if first is None:
        raise UnreadableError("no column of it looks like a time")
    above = [place for place in range(first) if len(cut[place][1]) == width]
    layout: dict[str, Any] = {}
    if delimiter != ",":
        layout["delimiter"] = "tab" if delimiter == "\t" else delimiter
    skipped = [cut[place][0] for place in range(first) if not above or place != above[0]]
    if skipped:
        layout["skip_lines"] = skipped
    names: list[str | int] = [name.strip() for name in cut[above[0]][1]] if above else list(range(1, width + 1))
    units = cut[above[1]][1] if len(above) > 1 else [""] * width
    rows = [row for _, row in cut[first:] if len(row) == width]
    labels = [f"{name} {unit}" for name, unit in zip(names, units, strict=True)]
    cells = [cell for row in rows[:LOOKED_AT] for cell in row]
    if delimiter != "," and any(re.fullmatch(r"\s*-?\d+,\d+\s*", cell) for cell in cells):
        layout["decimal"] = ","
        rows = [[cell.replace(",", ".") for cell in row] for row in rows]
    return _Sample(names, labels, rows, layout)


def _cut_document(sample: bytes) -> _Sample:
    """Return the records of a JSON document: its largest list of objects, fields by dotted names."""
    path, records = max(_lists(json.parse(sample), ""), key=lambda found: len(found[1]), default=("", []))
    if not records:
        raise UnreadableError("there is no list of records in it")
    names = list(dict.fromkeys(name for record in records[:LOOKED_AT] for name in _leaves(record, "")))
    rows = [[json.as_text(json.find(record, name)) for name in names] for record in records]
    return _Sample(list(names), list(names), rows, {"records": path} if path else {})


def _lists(node: Any, path: str) -> Iterator[tuple[str, list[dict[str, Any]]]]:
    if isinstance(node, list) and node and all(isinstance(item, dict) for item in node):
        yield path, node
    elif isinstance(node, dict):
        for name, below in node.items():
            yield from _lists(below, f"{path}.{name}" if path else name)


def _leaves(node: dict[str, Any], path: str) -> Iterator[str]:
    for name, below in node.items():
        if isinstance(below, dict):
            yield from _leaves(below, f"{path}{name}.")
        elif not isinstance(below, list):
            yield f"{path}{name}"


def _regularity(lines: Sequence[str], delimiter: str) -> tuple[float, int]:
    """Return how regularly a delimiter cuts the lines: the share of lines cut alike, and in how many columns."""
    count, alike = Counter(line.count(delimiter) for line in lines).most_common(1)[0]
    return (alike / len(lines) if count else 0.0), count


def _has_time(row: Sequence[str]) -> bool:
    return any(_format_of([cell]) for cell in row) or bool(_split_time([[cell] for cell in row]))


def _format_of(texts: Sequence[str]) -> str | None:
    """Return the way these texts write times, or None. Of two that fit, the one whose times lie closer together."""
    filled = [text for text in texts if text.strip()]
    fitting: list[tuple[int, str]] = []
    for pattern in FORMATS if filled else ():
        seconds = times.read(filled, Clock(format=pattern))
        good = (seconds > SENSIBLE[0]) & (seconds < SENSIBLE[1])
        if good.mean() > 0.9:
            fitting.append((int(np.ptp(seconds[good])), pattern))
        if fitting and pattern == "epoch ms":
            break
    return min(fitting, key=lambda found: found[0])[1] if fitting else None


def _split_time(columns: Sequence[Sequence[str]]) -> tuple[int, int] | None:
    """Return the places of a date and of a time of day that stand in two columns, or None."""
    clock = [
        place for place, texts in enumerate(columns) if all(re.fullmatch(r"\s*\d?\d:\d\d(:\d\d)?\s*", t) for t in texts)
    ]
    for time_place in clock:
        for place, texts in enumerate(columns):
            joined = [f"{day} {hour}" for day, hour in zip(texts, columns[time_place], strict=True)]
            if place != time_place and any(len(day.strip()) >= 6 for day in texts) and _format_of(joined):
                return place, time_place
    return None


class _Guess:
    """What has been guessed so far of a sample, and what is left to explain."""

    def __init__(self, sample: _Sample) -> None:
        self.sample = sample
        self.texts = [[row[place] for row in sample.rows[:LOOKED_AT]] for place in range(len(sample.names))]
        self.free = [place for place, column in enumerate(self.texts) if any(text.strip() for text in column)]
        self.columns: dict[str, Any] = {}
        self.settings: dict[str, Any] = dict(sample.layout)
        self.reasons: list[str] = []
        self.questions: list[str] = []
        self._time()
        self._received()
        if self._long():
            self._station()
        elif not self._by_station():
            self._wide()
            self._station()
        if not self.columns.keys() & {*VARIABLES, "value"}:
            if isinstance(sample.names[0], int):
                raise UnreadableError(
                    "it has no header: write columns by place, such as { time = 2, station = 1, rain = 3 }"
                )
            names = ", ".join(map(str, sample.names))
            raise UnreadableError(f"no column looks like rain or another reading; it has: {names}")
        self.settings["columns"] = self.columns

    def _take(self, key: str, place: int) -> None:
        self.columns[key] = self.sample.names[place]
        self.free.remove(place)

    def _named(self, words: Sequence[str]) -> list[int]:
        """Return the columns left whose label holds one of the words."""
        return [place for place in self.free if says(self.sample.labels[place], words)]

    def _time(self) -> None:
        """Find the column or columns of the time, and how it is written."""
        formats = {place: pattern for place in self.free if (pattern := _format_of(self.texts[place]))}
        likely = self._named(TIME_WORDS)
        order = sorted(formats, key=lambda place: (place not in likely, place in self._named(RECEIVED_WORDS)))
        split = _split_time(self.texts)
        if split and (not order or order[0] == split[0]):
            written = [f"{day} {hour}" for day, hour in zip(self.texts[split[0]], self.texts[split[1]], strict=True)]
            pattern = _format_of(written) or "ISO 8601"
            self.columns["time"] = [self.sample.names[place] for place in split]
            self.free = [place for place in self.free if place not in split]
        elif order:
            written, pattern = self.texts[order[0]], formats[order[0]]
            self._take("time", order[0])
        else:
            raise UnreadableError("no column of it looks like a time")
        if pattern != "ISO 8601":
            self.settings["time"] = {"format": pattern}
            self.reasons.append(f"Times are written as {pattern}: {written[0]!r}.")
        self._ask_of_time(written, pattern)

    def _ask_of_time(self, written: Sequence[str], pattern: str) -> None:
        if not pattern.startswith("epoch") and not all(times.HAS_OFFSET.search(text[10:]) for text in written):
            self.questions.append(
                'Times carry no offset: which clock do they keep? UTC is taken; else add utc_offset = "-07:00" to time.'
            )
        swapped = pattern.translate(str.maketrans("dm", "md")) if pattern[:5] in ("%d/%m", "%m/%d") else pattern
        if swapped != pattern and (times.read(written, Clock(format=swapped)) != times.UNREADABLE).all():
            self.questions.append(f"Is {written[0]!r} day first or month first? It is taken as {pattern}.")
        self.questions.append("Is a time the end of its interval or the beginning? The end is taken.")

    def _received(self) -> None:
        for place in self._named(RECEIVED_WORDS):
            if _format_of(self.texts[place]):
                self._take("received", place)
                return

    def _long(self) -> bool:
        """Find the columns of a table with one value a row; say whether it is one."""
        words = [place for place in self.free if not _are_numbers(self.texts[place])]
        variable = [place for place in self._named(VARIABLE_WORDS) if place in words and self._speaks(place)]
        variable += [place for place in words if self._names_variables(place)]
        figures = [place for place in self.free if place not in words]
        value = [place for place in self._named(VALUE_WORDS) if place in figures]
        others = [place for place in figures if not says(self.sample.labels[place], STATION_WORDS)]
        # What is measured takes more values than what numbers stations.
        value += sorted(others, key=lambda place: -len(set(self.texts[place])))[:1]
        if not variable or not value:
            return False
        names = self.texts[variable[0]]
        ours = {ours: theirs for theirs in reversed(dict.fromkeys(names)) if (ours := _variable_of(theirs))}
        self.settings["variables"] = ours
        self._take("variable", variable[0])
        self._take("value", value[0])
        if "rain" in ours:
            own = [text for text, name in zip(self.texts[value[0]], names, strict=True) if name == ours["rain"]]
            self._rain(ours["rain"], own)
        return True

    def _speaks(self, place: int) -> bool:
        """Say whether a word in a column names something that is measured."""
        return any(_variable_of(word) for word in set(self.texts[place]))

    def _names_variables(self, place: int) -> bool:
        """Say whether the words in a column name what is measured: rain and something else, each again and again."""
        ours = {_variable_of(word) for word in set(self.texts[place])} - {""}
        return "rain" in ours and len(ours) > 1 and self._repeats(place)

    def _repeats(self, place: int) -> bool:
        """Say whether a column holds few words, again and again."""
        return 4 * len(set(self.texts[place])) <= len(self.texts[place])

    def _by_station(self) -> bool:
        """Find tables with a column a station; say whether it is one."""
        kinds: dict[str, list[int]] = {}
        for place in self.free:
            kind = _variable_of(self.sample.labels[place])
            if kind and _are_numbers(self.texts[place]):
                kinds.setdefault(kind, []).append(place)
        if len(kinds.get("rain", ())) < 2 or self._named(STATION_WORDS) or "records" in self.sample.layout:
            return False
        patterns = {kind: _pattern([str(self.sample.names[place]) for place in own]) for kind, own in kinds.items()}
        if not patterns["rain"]:
            return False
        for kind, own in kinds.items():
            if patterns[kind]:
                self.columns[kind] = patterns[kind]
                self.free = [place for place in self.free if place not in own]
        self.reasons.append(f"There is a column a station: {self.columns['rain']}.")
        label = self.sample.labels[kinds["rain"][0]]
        self._rain(label, [text for place in kinds["rain"] for text in self.texts[place]])
        return True

    def _wide(self) -> None:
        for place in list(self.free):
            name = _variable_of(self.sample.labels[place])
            if name and name not in self.columns and _are_numbers(self.texts[place]):
                self._take(name, self._plainest(name) if name == "rain" else place)
                if name == "rain":
                    place = self.sample.names.index(self.columns["rain"])
                    self._rain(self.sample.labels[place], self.texts[place])
                if name == "temperature" and _words(self.sample.labels[place]) & FAHRENHEIT:
                    self.settings["temperature_unit"] = "degF"
                    self.reasons.append("Temperature is taken as degrees Fahrenheit: its name says so.")

    def _plainest(self, variable: str) -> int:
        """Return the column of a variable whose name says least besides; the others are said not to be read."""
        own = [place for place in self.free if _variable_of(self.sample.labels[place]) == variable]
        own = [place for place in own if _are_numbers(self.texts[place])]
        plain = min(own, key=lambda place: (says(self.sample.labels[place], DERIVED), len(self.sample.labels[place])))
        others = [str(self.sample.names[place]) for place in own if place != plain]
        if others:
            self.reasons.append(f"Other columns of {variable} are not read: {', '.join(others)[:200]}.")
        return plain

    def _rain(self, label: str, texts: Sequence[str]) -> None:
        value, _ = tables.numbers(texts, MISSING)
        unit, why = _rain_unit(label, value[~np.isnan(value)])
        self.settings["rain"] = {"unit": unit}
        self.reasons.append(f"Rain is taken as {unit}: {why}.")
        if unit == "tips":
            self.questions.append("How much rain is one tip? Write tip_mm for each station, or for the source.")

    def _station(self) -> None:
        for word in STATION_WORDS:
            for place in self._named([word]):
                self._take("station", place)
                return
        words = [place for place in self.free if not _are_numbers(self.texts[place])]
        repeated = [place for place in self.free if self._repeats(place)]
        if words or ("variable" in self.columns and repeated):
            self._take("station", (words or repeated)[0])
        else:
            self.questions.append(NO_STATION)


def _read_by(kind: Literal["csv", "json"], guess: _Guess, sample: bytes) -> Proposal:
    """Return the proposal, with the sample read by it through the same code that will read the source."""
    settings = guess.settings
    by_station = "{station}" in str(guess.columns.get("rain"))
    lone = "" if "station" in guess.columns or by_station else "the station"
    source, found = _tables_by(kind, settings, lone, sample)
    if "skip_lines" in settings:
        # What stands around a header is mostly known as such, and the units there are read then.
        fewer = {name: value for name, value in settings.items() if name != "skip_lines"}
        with suppress(UnreadableError):
            plain, by_itself = _tables_by(kind, fewer, lone, sample)
            if sum(map(_faults, by_itself)) <= sum(map(_faults, found)):
                source, found = plain, by_itself
                del settings["skip_lines"]
    names = [lone] if lone else sorted({text.strip() for table in found for text in table.columns["station"]} - {""})
    setting = tables.Setting(source, {name: place for place, name in enumerate(names)}, 0, 0)
    batches = [tables.read(table, lone, False, setting) for table in found]
    readings = Readings.join([batch.readings for batch in batches])
    if not len(readings):
        reason = next((reason for batch in batches for _, reason in batch.faulty), "no row holds a value")
        raise UnreadableError(f"no row of it could be read by {settings['columns']}: {reason}")
    counts = counts_of(readings)
    if counts == "running total":
        settings["rain"]["counts"] = counts
        guess.reasons.append("Rain is taken as a running total: at each station it only rises.")
    elif counts is None and "rain" in settings:
        guess.questions.append(
            "Does rain count each interval, or run on as a total? The sample holds too little to tell."
        )
    faulty = [reason for batch in batches for _, reason in batch.faulty]
    if faulty:
        guess.questions.append(f"{len(faulty)} rows can't be read; the first: {faulty[0]}.")
    if settings.get("rain") == {"unit": "mm"}:
        del settings["rain"]
    return Proposal(
        kind,
        settings,
        *seen(readings, names),
        tuple(guess.reasons),
        tuple(guess.questions),
    )


def _tables_by(
    kind: Literal["csv", "json"], settings: Mapping[str, Any], lone: str, sample: bytes
) -> tuple[csv.Source | json.Source, list[Table]]:
    kinds: dict[str, type[csv.Source | json.Source]] = {"csv": csv.Source, "json": json.Source}
    source = kinds[kind].model_validate(
        {"name": "sample", "kind": kind, "path": "{station}" if lone else "sample", **settings}
    )
    return source, list(source.tables(sample))


def _faults(table: Table) -> int:
    return len(table.faulty) + len(table.remarks)


def seen(readings: Readings, names: Sequence[str]) -> tuple[tuple[StationSeen, ...], tuple[RowSeen, ...]]:
    """Return the stations that readings are of, by their position in names, and the first rows."""
    return _stations(readings, names), _first_rows(readings, names)


def counts_of(readings: Readings) -> Literal["each interval", "running total"] | None:
    """Say how rain counts: a running total only rises (or starts again), an interval's rain falls back to 0."""
    rain = readings.take(readings.variable == RAIN)
    order = np.lexsort((rain.observed_at, rain.station))
    steps = np.diff(rain.value[order])[np.diff(rain.station[order]) == 0]
    rises, falls = int((steps > 0).sum()), int((steps < 0).sum())
    level = int(((steps == 0) & (rain.value[order][1:][np.diff(rain.station[order]) == 0] > 0)).sum())
    if falls and level > 10 * falls and rises >= falls:
        # Rain of each interval is seldom the same twice running; a total stands still above 0 until it starts again.
        return "running total"
    if rises < 3:
        return "each interval" if falls else None
    return "running total" if falls <= 0.05 * rises else "each interval"


def _stations(readings: Readings, names: Sequence[str]) -> tuple[StationSeen, ...]:
    seen = []
    for place in np.unique(readings.station).tolist():
        moments = np.unique(readings.observed_at[readings.station == place])
        spacing = float(np.median(np.diff(moments))) / 60 if len(moments) > 1 else None
        count = int((readings.station == place).sum())
        seen.append(StationSeen(names[place], count, _moment(moments[0]), _moment(moments[-1]), spacing))
    return tuple(seen)


def _first_rows(readings: Readings, names: Sequence[str]) -> tuple[RowSeen, ...]:
    order = np.lexsort((readings.variable, readings.station, readings.observed_at))[:FIRST_ROWS].tolist()
    return tuple(
        RowSeen(
            names[int(readings.station[row])],
            _moment(readings.observed_at[row]),
            VARIABLES[int(readings.variable[row])],
            float(readings.value[row]),
        )
        for row in order
    )


def _moment(seconds: np.integer[Any]) -> datetime:
    return datetime.fromtimestamp(int(seconds), UTC)


def _pattern(names: Sequence[str]) -> str:
    """Return what names have in common, with {station} where they differ; "" where nothing is left of one of them."""
    before, after = _beginning(names), _beginning([name[::-1] for name in names])[::-1]
    # A station's name may begin as the others' do: names part at a sign between words only.
    before = before[: max((place + 1 for place, sign in enumerate(before) if not sign.isalnum()), default=len(before))]
    after = after[min((place for place, sign in enumerate(after) if not sign.isalnum()), default=0) :]
    longest = len(before) + len(after)
    return f"{before}{{station}}{after}" if longest and all(len(name) > longest for name in names) else ""


def _beginning(names: Sequence[str]) -> str:
    """Return what all names begin with."""
    first = min(names, key=len)
    differs = (place for place, sign in enumerate(first) if any(name[place] != sign for name in names))
    return first[: next(differs, len(first))]


def _words(label: str) -> set[str]:
    """Return a label's words, in lower case; camelCase and digits end a word."""
    return set(re.findall(r"[a-z]+", re.sub(r"([a-z])([A-Z])", r"\1 \2", label).lower()))


def says(label: str, words: Sequence[str]) -> bool:
    """Say whether a label holds one of the words: as a word of its own, or, from four letters on, within one."""
    own = _words(label)
    return any(word in own or (len(word) >= 4 and any(word in each for each in own)) for word in words)


def _variable_of(label: str) -> str:
    """Return which variable a label speaks of, or ""."""
    return next((name for name, words in WORDS.items() if says(label, words)), "")


def _are_numbers(texts: Sequence[str]) -> bool:
    _, bad = tables.numbers(texts, MISSING)
    return bool(bad.mean() < 0.1)


def _rain_unit(label: str, value: np.ndarray) -> tuple[str, str]:
    """Return the unit of rain and why: by the header's words, else by the grid of the values."""
    words = _words(label)
    for unit, said in RAIN_UNITS.items():
        if words & said:
            return unit, "its name says so"
    wet = value[(value > 0) & (value < 1e5)]
    if not len(wet):
        return "mm", "the sample holds no rain to tell by"
    if _on_grid(wet, 1.0):
        return "tips", "all its values are whole numbers"
    if any(_on_grid(wet, step) for step in (0.1, 0.2, 0.25, 0.254)):
        return "mm", "its values lie on the grid of a bucket in mm"
    if _on_grid(wet, 0.01) and wet.max() < 2:
        return "inch", "its values are small hundredths"
    return "mm", "nothing in the sample says otherwise"


def _on_grid(value: np.ndarray, step: float) -> bool:
    return bool(np.all(np.abs(value / step - np.round(value / step)) < 1e-6))

"""stations.csv: one line a station, read and checked line by line."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import AfterValidator, ConfigDict, Field

from watchman.errors import Mistake
from watchman.judging.science.distance import great_circle_km
from watchman.mistakes import Page, check, nearest_word, wrong
from watchman.telling import gsm
from watchman.written import Written

STATIONS_FILE = "stations.csv"

FAR_KM = 200.0
FAR_TIMES = 10.0
"""A station farther than this from the middle of the network, and than so many times the usual distance from it, is
asked about (judgement, no source)."""

SHORT_NAME_LETTERS = 12
"""Room for a station's name in a text of 160 letters [letters of the GSM 7-bit alphabet]."""


def _station_id(written: str) -> str:
    if not re.fullmatch(r"[\w.-]+", written):
        allowed = "An id has letters, digits, points, - and _ only, and no spaces; the name may have anything."
        raise wrong(f'the id is "{written}"', allowed, "hollin-dam")
    return written


def _latitude(written: float) -> float:
    if not -90 <= written <= 90:
        allowed = "A latitude lies between -90 and 90. Are latitude and longitude exchanged?"
        raise wrong(f"the latitude is {written}", allowed)
    return written


def _tip_mm(written: float) -> float:
    if written < 0.05:
        raise wrong(f"tip_mm is {written}", "It is in millimetres: a tip of 0.01 inch is 0.254.", "0.254")
    return written


def _name(written: str) -> str:
    if not written.isprintable():
        raise wrong("its name has signs in it that nobody can see", "Write it anew by hand, on one line.", "Hollin Dam")
    return written


def _short_name(written: str) -> str:
    if not gsm.is_plain(written) or gsm.septets(written) > SHORT_NAME_LETTERS:
        allowed = f"It may have {SHORT_NAME_LETTERS} plain letters; others make a text cost several."
        raise wrong(f'the short name is "{written}"', allowed, shorten(written))
    return written


def _season(written: str) -> str:
    if written and not re.fullmatch(r"(0[1-9]|1[0-2])-([0-2]\d|3[01])/(0[1-9]|1[0-2])-([0-2]\d|3[01])", written):
        allowed = "It is the first and the last day of the year's season, month before day, with / between."
        raise wrong(f'the season is "{written}"', allowed, "05-01/10-31")
    for end in filter(None, written.split("/")):
        try:
            date.fromisoformat(f"2024-{end}")
        except ValueError:
            raise wrong(f'the season is "{written}"', f"There is no day {end}.", "05-01/10-31") from None
    return written


class Station(Written):
    """One line of stations.csv. Everything but id and position has a default or is learned."""

    model_config = ConfigDict(populate_by_name=True)

    id: Annotated[str, AfterValidator(_station_id), Field(examples=["hollin"])]
    """A short name for good, without spaces; what the source calls the station, unless `alias` says otherwise."""
    latitude: Annotated[float, AfterValidator(_latitude)]
    """[deg], north positive, with a decimal point."""
    longitude: Annotated[float, Field(ge=-180, le=180)]
    """[deg], east positive, with a decimal point."""
    elevation_m: Annotated[float, Field(ge=-450, le=9000)] | None = None
    """Height above the sea [m]."""
    name: Annotated[str, AfterValidator(_name)] = ""
    """What people call it; the id when empty."""
    short_name: Annotated[str, AfterValidator(_short_name)] = ""
    """At most 12 plain letters for texts; made from the name when empty."""
    valid_from: date | None = Field(None, alias="from")
    """First day on which this line holds (the same id stands twice if the station moved)."""
    until: date | None = None
    """Last day on which this line holds."""
    source: str = ""
    """The source that brings its readings; empty: any."""
    alias: str = ""
    """What the source calls it; the id when empty."""
    covers_minutes: Annotated[float, Field(gt=0, le=1440)] | None = None
    """The time one rain value sums over [min]; learned when empty."""
    sends_every_minutes: Annotated[float, Field(gt=0, le=44640)] | None = None
    """How often it transmits [min]; learned when empty."""
    tip_mm: Annotated[float, AfterValidator(_tip_mm), Field(le=5)] | None = None
    """Rain of one tip [mm]; never guessed for a source that sends tips."""
    funnel_cm2: Annotated[float, Field(gt=0, le=10000)] | None = None
    """Area of the funnel's opening [cm2]."""
    mast: str = ""
    """The cell mast it talks to: stations of one mast that fail together are one notice."""
    area: str = ""
    """The valley or slope it stands for."""
    road: str = ""
    """The road to it, for planning trips."""
    plan: str = ""
    """The data plan it is paid by."""
    plan_end: date | None = None
    """The last day of the data plan."""
    chemistry: Literal["", "lithium", "lithium-iron", "lead-acid"] = ""
    """The battery: "lithium", "lithium-iron" or "lead-acid"."""
    cutoff_v: Annotated[float, Field(ge=0.5, le=60)] | None = None
    """The voltage at which the logger cuts off [V]; from the chemistry when empty."""
    season: Annotated[str, AfterValidator(_season)] = ""
    """The part of the year in which it measures, 05-01/10-31; outside it is stood down. All year when empty."""
    status: Literal["", "probation", "stood down", "relocating", "stolen"] = ""
    """"probation" for a new one, "stood down" out of season, "relocating" while it is being moved, "stolen"."""
    calibration_due: date | None = None
    """The day on which the next calibration is due."""
    host: str = ""
    """The contact on whose land it stands."""
    relied_on_by: str = ""
    """The role or contact that counts on seeing rain here."""
    notes: str = ""
    """Anything else."""

    def holds_on(self, day: date) -> bool:
        """Say whether the line is in force on a day."""
        return (self.valid_from is None or self.valid_from <= day) and (self.until is None or day <= self.until)


@dataclass(frozen=True, slots=True)
class StationLine:
    """A station and the line on which it stands."""

    number: int
    station: Station

    @property
    def label(self) -> str:
        """Return where the station stands, for a mistake."""
        return f"{STATIONS_FILE}, line {self.number}, station {self.station.name or self.station.id}"


COLUMNS = {column.alias or name: column for name, column in Station.model_fields.items()}
NUMBER_COLUMNS = {name for name, column in COLUMNS.items() if "float" in str(column.annotation)}


def read_stations(text: str, mistakes: list[Mistake]) -> list[StationLine]:
    """Return the stations with their lines; every mistake of every line is noted."""
    rows = csv.reader(text.splitlines(keepends=True))
    example = "id,latitude,longitude,name"
    try:
        heads = [head.strip() for head in next(rows, [])]
        if len(heads) == 1 and re.search("[;\t]", heads[0]):
            allowed = "Save the table with commas between the columns and points in the numbers."
            mistakes.append(
                Mistake(f"{STATIONS_FILE}, line 1", "the columns are not separated by commas", allowed, example)
            )
            return []
        if not _heads_are_known(heads, mistakes):
            return []
        lines: list[StationLine] = []
        unplaced: list[tuple[int, str]] = []
        for cells in rows:
            if any(cell.strip() for cell in cells):
                lines.extend(_read_line(rows.line_num, heads, cells, mistakes, unplaced))
    except csv.Error as error:
        allowed = "Quotes must come in pairs, and a quote inside a text is written twice."
        mistakes.append(Mistake(f"{STATIONS_FILE}, line {rows.line_num}", f"this can't be read: {error}", allowed))
        return []
    mistakes.extend(_unplaced(unplaced))
    if not lines and not unplaced and not mistakes:
        mistakes.append(
            Mistake(
                STATIONS_FILE,
                "no station stands in it",
                "One line a station is needed.",
                "hollin,39.75,-105.21,Hollin Dam",
            )
        )
    return lines


def _heads_are_known(heads: list[str], mistakes: list[Mistake]) -> bool:
    place = f"{STATIONS_FILE}, line 1"
    before = len(mistakes)
    for head, count in Counter(heads).items():
        if count > 1:
            mistakes.append(
                Mistake(place, f'the column "{head}" stands {count} times', "Each column may stand only once.")
            )
        if head not in COLUMNS:
            found = f'the column "{head}" is unknown' if head else "a column has no name"
            mistakes.append(Mistake(place, found, nearest_word(head, COLUMNS, "column")))
    for head in ("id", "latitude", "longitude"):
        if head not in heads:
            allowed = "Every station needs id, latitude and longitude."
            mistakes.append(Mistake(place, f'the column "{head}" is missing', allowed, "id,latitude,longitude,name"))
    return len(mistakes) == before


def _read_line(
    number: int, heads: list[str], cells: list[str], mistakes: list[Mistake], unplaced: list[tuple[int, str]]
) -> Iterator[StationLine]:
    row: dict[str, Any] = {head: cell.strip() for head, cell in zip(heads, cells, strict=False) if cell.strip()}
    label = f", station {row.get('name') or row.get('id', '')}" if row.get("name") or row.get("id") else ""
    place = f"{STATIONS_FILE}, line {number}{label}"
    if len(cells) > len(heads):
        allowed = "A comma inside a text or a number? Put the text in double quotes, and points in the numbers."
        mistakes.append(Mistake(place, f"{len(cells)} values stand under {len(heads)} columns", allowed))
        return
    if "latitude" not in row and "longitude" not in row:
        unplaced.append((number, str(row.get("name") or row.get("id", ""))))
        row |= {"latitude": 0.0, "longitude": 0.0}
    for head in NUMBER_COLUMNS & row.keys():
        # What is no number stays text and is refused below, with everything else that is wrong in the line.
        with suppress(ValueError):
            row[head] = float(row[head])
    station = check(Station, Page(STATIONS_FILE, row, {}, place), mistakes, lambda name: None)
    if station is not None and not (unplaced and unplaced[-1][0] == number):
        yield StationLine(number, station)


def _unplaced(unplaced: list[tuple[int, str]]) -> Iterator[Mistake]:
    if unplaced:
        numbers = ", ".join(str(number) for number, _ in unplaced[:10]) + (" ..." if len(unplaced) > 10 else "")
        names = ", ".join(name for _, name in unplaced[:10]) + (" ..." if len(unplaced) > 10 else "")
        yield Mistake(
            f"{STATIONS_FILE}, {'line' if len(unplaced) == 1 else 'lines'} {numbers}",
            f"{_count(len(unplaced), 'station')} without a position: {names}",
            "A gauge is compared with its neighbours: fill in latitude and longitude, in degrees with a point.",
            "hollin,39.75,-105.21,Hollin Dam",
        )


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}{'' if number == 1 else 's'}"


def lines_of_the_day(lines: list[StationLine], today: date | None) -> list[StationLine]:
    """Return one line a station: the one in force, or the last one when no day is given."""
    if today is not None:
        return [line for line in lines if line.station.holds_on(today)]
    last = {line.station.id: line for line in sorted(lines, key=lambda line: line.station.valid_from or date.min)}
    return [line for line in lines if last[line.station.id] is line]


def repeated_stations(lines: list[StationLine]) -> Iterator[Mistake]:
    """Find stations that are listed twice for the same days, and two stations a source couldn't tell apart."""
    seen: list[tuple[str, dict[Any, list[StationLine]]]] = [("id", {}), ("alias", {}), ("short_name", {})]
    for line in lines:
        station = line.station
        seen[0][1].setdefault(station.id, []).append(line)
        if station.alias:
            seen[1][1].setdefault((station.source, station.alias), []).append(line)
        if station.short_name:
            seen[2][1].setdefault(station.short_name, []).append(line)
    for what, groups in seen:
        for same in groups.values():
            for position, line in enumerate(same):
                twin = next((other for other in same[:position] if _both_hold(other.station, line.station)), None)
                if twin is None or (what != "id" and twin.station.id == line.station.id):
                    continue
                first, second = (one.station.name or one.station.id for one in (twin, line))
                value = getattr(line.station, what)
                yield Mistake(
                    f"{STATIONS_FILE}, lines {twin.number} and {line.number}",
                    f"{first} and {second} have the same {what} {value}",
                    "Rain would be counted twice or under the wrong name. Which is right? "
                    "For a station that moved, end the first line with `until` and begin the second with `from`."
                    if what == "id"
                    else "Each needs its own.",
                )


def _both_hold(one: Station, other: Station) -> bool:
    begin = max(one.valid_from or date.min, other.valid_from or date.min)
    return begin <= min(one.until or date.max, other.until or date.max)


def misplaced(lines: list[StationLine], doubts: list[Mistake]) -> Iterator[Mistake]:
    """Find stations that stand at zero, have latitude and longitude exchanged, or are oddly far from all others."""
    for line in lines:
        if line.station.latitude == 0 and line.station.longitude == 0:
            yield Mistake(
                line.label, "the position is 0, 0, in the sea south of Ghana", "Fill in latitude and longitude."
            )
    if not lines:
        return
    places = np.array([(line.station.latitude, line.station.longitude) for line in lines])
    middle = np.median(places, axis=0)
    away_km = great_circle_km(*middle, *places.T)
    exchanged_km = great_circle_km(*middle, *places.T[::-1])
    far_km = max(FAR_KM, FAR_TIMES * float(np.median(away_km)))
    for position in np.flatnonzero(away_km > far_km):
        line = lines[position]
        found = f"{line.station.name or line.station.id} is {away_km[position]:.0f} km from the middle of the network"
        if abs(line.station.longitude) <= 90 and exchanged_km[position] <= far_km:
            allowed = "Latitude and longitude are exchanged, it seems."
            yield Mistake(line.label, found, allowed, f"{line.station.longitude:g},{line.station.latitude:g}")
        else:
            doubts.append(Mistake(line.label, found, "Is its position right? A minus sign, a digit?"))


def with_short_names(stations: Sequence[Station]) -> tuple[Station, ...]:
    """Return the stations, each with a short name for texts, no two alike."""
    taken = {station.short_name for station in stations if station.short_name}
    alike: dict[str, int] = {}
    named: list[Station] = []
    for station in stations:
        if not station.short_name:
            name = short = shorten(station.name or station.id)
            while name in taken:
                alike[short] = alike.get(short, 1) + 1
                name = f"{short[: SHORT_NAME_LETTERS - len(str(alike[short]))]}{alike[short]}"
            taken.add(name)
            station = station.model_copy(update={"short_name": name})
        named.append(station)
    return tuple(named)


def shorten(name: str, room: int = SHORT_NAME_LETTERS) -> str:
    """Return a name in so much room of the GSM 7-bit alphabet [septets]: "Fennick Bridge" becomes "Fennick Brdg"."""
    words = gsm.plain(name).split()
    for position in range(len(words) - 1, 0, -1):
        if gsm.septets(" ".join(words)) > room:
            words[position] = words[position][:1] + re.sub("[aeiou]", "", words[position][1:])
    short = " ".join(words)
    while gsm.septets(short) > room:
        short = short[:-1]
    return short.strip()

"""What people write (network.toml, stations.csv, rules/*.toml) as one checked `Network`, or all mistakes at once."""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time
from functools import cached_property
from pathlib import Path
from typing import Any, Literal
from zoneinfo import ZoneInfo

import numpy as np

from watchman.errors import InputError, Mistake
from watchman.frequency_table import read_frequency_table
from watchman.judging import checks
from watchman.judging.checks import heavy_rain
from watchman.judging.rule import Rule
from watchman.judging.science.battery import CUTOFF_V
from watchman.judging.science.distance import nearest
from watchman.judging.science.frequency import FrequencyTable
from watchman.judging.view import Stations
from watchman.mistakes import Page, SecretLookup, check, decode, nearest_word, read_page
from watchman.model import Turn, When
from watchman.readings.record import DAY
from watchman.readings.sources import AnySource
from watchman.settings import (
    TABLE_FILE,
    AnswersSettings,
    BoardSettings,
    ByDaySettings,
    CalendarSettings,
    Contact,
    DigestSettings,
    DutySettings,
    EscalationSettings,
    HolidaySettings,
    MailSettings,
    NetworkFile,
    SignOfLifeSettings,
    StoreSettings,
)
from watchman.stations import (
    STATIONS_FILE,
    Station,
    StationLine,
    lines_of_the_day,
    misplaced,
    read_stations,
    repeated_stations,
    with_short_names,
)

__all__ = [
    "AnySource",
    "Contact",
    "MailSettings",
    "Network",
    "Rule",
    "SecretLookup",
    "Station",
    "load",
    "load_text",
    "schemas",
]

NETWORK_FILE = "network.toml"
RULES_FOLDER = "rules"

NEIGHBOURS = 12
NEIGHBOURS_WITHIN_KM = 60.0
"""How many others a station is compared with, and how near they must be (common practice, no source)."""

EPOCH = date(1970, 1, 1).toordinal()
SUN_OFF_HOURS = 4.0
"""Clocks differ from the sun by less than this everywhere on Earth (from memory: western China, by about 3 hours)."""


@dataclass(frozen=True)
class Network:
    """All stations, sources, rules and people together, checked.

    stations: those of the day, in the order of stations.csv, each with a short name; a station's place here is its
    position in every array.
    turns: of duty, as calendars have them; stopped: volunteers who asked not to be told. Both change while we watch.
    frequency: the depth-duration-frequency table, if there is one. doubts: what stops nothing and should still be
    looked at. texts: the files as written, by their names.
    """

    folder: Path
    name: str
    zone: ZoneInfo
    day_starts: time
    grid_minutes: int
    store: StoreSettings
    by_day: ByDaySettings
    digest: DigestSettings
    mail: MailSettings | None
    sign_of_life: SignOfLifeSettings | None
    board: BoardSettings | None
    sources: tuple[AnySource, ...]
    stations: tuple[Station, ...]
    contacts: tuple[Contact, ...]
    rules: tuple[Rule, ...]
    units: Literal["mm", "inch"] = "mm"
    temperature: Literal["C", "F"] = "C"
    escalation: EscalationSettings = field(default_factory=EscalationSettings)
    answers: AnswersSettings = field(default_factory=AnswersSettings)
    duty: tuple[DutySettings, ...] = ()
    holidays: tuple[HolidaySettings, ...] = ()
    calendars: tuple[CalendarSettings, ...] = ()
    turns: tuple[Turn, ...] = ()
    stopped: frozenset[str] = frozenset()
    frequency: FrequencyTable | None = None
    doubts: tuple[Mistake, ...] = ()
    texts: Mapping[str, str] = field(default_factory=dict, repr=False)

    def to_text(self) -> str:
        """Return everything that was written as one text, secrets by name only; `load_text` reads it again."""
        return _bundle(self.texts)

    def fingerprint(self) -> str:
        """Return 16 letters that change whenever a written file changes."""
        return hashlib.sha256(self.to_text().encode()).hexdigest()[:16]

    def aliases(self, source_position: int) -> dict[str, int]:
        """Return the stations' positions by what one source calls them."""
        name = self.sources[source_position].name
        return {
            station.alias or station.id: position
            for position, station in enumerate(self.stations)
            if station.source in ("", name)
        }

    def tip_mm(self, position: int) -> float | None:
        """Return the rain of one tip of a station [mm]: its own, else what its source says, else None."""
        station = self.stations[position]
        return station.tip_mm or next(iter(_tips_said(station, self.sources)), None)

    def columns(self) -> Stations:
        """Return the stations as columns, with their nearest neighbours."""
        return self._columns

    @cached_property
    def _columns(self) -> Stations:
        stations = self.stations
        latitude = np.array([station.latitude for station in stations], np.float64)
        longitude = np.array([station.longitude for station in stations], np.float64)
        neighbours, neighbours_km = nearest(latitude, longitude, NEIGHBOURS, NEIGHBOURS_WITHIN_KM)
        only_source = self.sources[0].name if len(self.sources) == 1 else ""
        return Stations(
            ids=tuple(station.id for station in stations),
            names=tuple(station.name or station.id for station in stations),
            latitude=latitude,
            longitude=longitude,
            elevation_m=_numbers(station.elevation_m for station in stations),
            chemistry=tuple(station.chemistry for station in stations),
            cutoff_v=_numbers(station.cutoff_v or CUTOFF_V.get(station.chemistry) for station in stations),
            covers_s=_seconds(station.covers_minutes for station in stations),
            sends_every_s=_seconds(station.sends_every_minutes for station in stations),
            mast=tuple(station.mast for station in stations),
            plan=tuple(station.plan for station in stations),
            area=tuple(station.area for station in stations),
            source=tuple(station.source or only_source for station in stations),
            neighbours=neighbours,
            neighbours_km=neighbours_km,
            utc_offset_s=standard_offset_s(self.zone),
            tip_um=np.array([round(1000 * (self.tip_mm(place) or 0.0)) for place in range(len(stations))], np.int64),
            plan_end=_days(station.plan_end for station in stations),
            calibration_due=_days(station.calibration_due for station in stations),
            from_s=_midnights((station.valid_from for station in stations), standard_offset_s(self.zone)),
            status=tuple(station.status for station in stations),
            season=tuple(station.season for station in stations),
            relied_on_by=tuple(station.relied_on_by for station in stations),
        )


def _numbers(values: Iterable[float | None]) -> np.ndarray:
    return np.array([np.nan if value is None else value for value in values], np.float64)


def _seconds(minutes: Iterable[float | None]) -> np.ndarray:
    return np.array([0 if value is None else round(60 * value) for value in minutes], np.int64)


def _days(dates: Iterable[date | None]) -> np.ndarray:
    """Return dates as days since 1970, 0 for none."""
    return np.array([0 if day is None else day.toordinal() - EPOCH for day in dates], np.int64)


def _midnights(dates: Iterable[date | None], offset_s: int) -> np.ndarray:
    """Return when days begin in standard time [s since 1970 UTC], 0 for none."""
    days = _days(dates)
    return np.where(days > 0, days * DAY - offset_s, 0)


def standard_offset_s(zone: ZoneInfo) -> int:
    """Return a zone's offset from UTC [s] when its clocks are not put forward: the smaller one of January and July.

    The year is fixed, so that the record's days are the same in every run.
    """
    offsets = [datetime(2025, month, 1, tzinfo=zone).utcoffset() for month in (1, 7)]
    return int(min(offset.total_seconds() for offset in offsets if offset is not None))


# --- reading the files ---


def load(folder: Path, secret: SecretLookup, today: date | None = None, other_rules: Sequence[Path] = ()) -> Network:
    """Read and check a network's folder.

    secret: gives the value of a secret by its name, or None. today: the day whose lines of stations.csv count; without
    it the last line of each station does. other_rules: rule files in the place of those of the same name, or beside
    them. Raises InputError with every mistake found.
    """
    mistakes: list[Mistake] = []
    texts = _read_texts(folder, mistakes) | _read_other_rules(other_rules, mistakes)
    try:
        return _build(texts, folder, secret, today, mistakes)
    except InputError as error:
        raise InputError([_where_it_stands(mistake, other_rules) for mistake in error.mistakes]) from None


def load_text(text: str, folder: Path, secret: SecretLookup, today: date | None = None) -> Network:
    """Check what `Network.to_text` gave, as if it still stood in the folder. Raises InputError."""
    return _build(json.loads(text), folder, secret, today, [])


def _bundle(texts: Mapping[str, str]) -> str:
    return json.dumps(dict(sorted(texts.items())), ensure_ascii=False)


def _read_texts(folder: Path, mistakes: list[Mistake]) -> dict[str, str]:
    """Return the written files by their names relative to the folder."""
    if not folder.is_dir():
        allowed = "It must be a folder with network.toml, stations.csv and rules/."
        raise InputError([Mistake(str(folder), "there is no such folder", allowed, "watchman init my-network")])
    names = [NETWORK_FILE, STATIONS_FILE]
    names += [f"{RULES_FOLDER}/{path.name}" for path in sorted((folder / RULES_FOLDER).glob("*.toml"))]
    texts = {name: text for name in names if (text := _read_text(folder, name, mistakes)) is not None}
    table = _table_named(texts)
    if table and (text := _read_text(folder, table, mistakes, "[rain] in network.toml names it.")) is not None:
        texts[table] = text
    return texts


def _read_other_rules(paths: Sequence[Path], mistakes: list[Mistake]) -> dict[str, str]:
    """Return rule files from elsewhere by the names they would have in the folder."""
    texts: dict[str, str] = {}
    for path in paths:
        name = f"{RULES_FOLDER}/{path.name}"
        if path.suffix != ".toml":
            mistakes.append(Mistake(str(path), "its name does not end with .toml", "A rule is such a file."))
        elif name in texts:
            allowed = "The file's own name is the rule's name: give each rule once."
            mistakes.append(Mistake(str(path), f"another {path.name} is given too", allowed))
        elif (text := _read_other_rule(path, mistakes)) is not None:
            texts[name] = text
    return texts


def _read_other_rule(path: Path, mistakes: list[Mistake]) -> str | None:
    try:
        raw = path.read_bytes()
    except OSError as error:
        allowed = "Give the path of a rule file that this program's user can read."
        mistakes.append(Mistake(str(path), f"it can't be opened: {error.strerror}", allowed))
        return None
    return decode(str(path), raw, mistakes)


def _where_it_stands(mistake: Mistake, other_rules: Sequence[Path]) -> Mistake:
    """Return a mistake that names a rule file where it lies, when it is one from elsewhere."""
    for path in other_rules:
        name = f"{RULES_FOLDER}/{path.name}"
        if mistake.place.startswith(name):
            return replace(mistake, place=f"{path}{mistake.place.removeprefix(name)}")
    return mistake


def _read_text(folder: Path, name: str, mistakes: list[Mistake], needed: str = "It is needed.") -> str | None:
    try:
        raw = (folder / name).read_bytes()
    except FileNotFoundError:
        mistakes.append(Mistake(name, f"there is no such file in {folder}", needed, "watchman init my-network"))
        return None
    except OSError as error:
        mistakes.append(
            Mistake(name, f"it can't be opened: {error.strerror}", "This program's user must be able to read it.")
        )
        return None
    return decode(name, raw, mistakes)


def _table_named(texts: Mapping[str, str]) -> str:
    """Return the file of the depth-duration-frequency table, "" for none or for one that is named wrongly."""
    try:
        rain = tomllib.loads(texts.get(NETWORK_FILE, "")).get("rain", {})
    except tomllib.TOMLDecodeError:
        return ""
    name = rain.get("frequency_table", "") if isinstance(rain, dict) else ""
    return name if isinstance(name, str) and re.fullmatch(TABLE_FILE, name) else ""


def _build(
    texts: Mapping[str, str], folder: Path, secret: SecretLookup, today: date | None, mistakes: list[Mistake]
) -> Network:
    page = read_page(NETWORK_FILE, texts[NETWORK_FILE], mistakes) if NETWORK_FILE in texts else None
    written = check(NetworkFile, page, mistakes, secret) if page is not None else None
    lines = read_stations(texts[STATIONS_FILE], mistakes) if STATIONS_FILE in texts else []
    rule_pages = [
        read
        for name, text in texts.items()
        if name.startswith(f"{RULES_FOLDER}/") and (read := read_page(name, text, mistakes))
    ]
    rules = tuple(rule for read in rule_pages if (rule := _read_rule(read, mistakes)))
    table_name = _table_named(texts)
    table = read_frequency_table(table_name, texts[table_name], mistakes) if table_name in texts else None
    lines_now = lines_of_the_day(lines, today)
    doubts: list[Mistake] = []
    mistakes.extend(repeated_stations(lines))
    mistakes.extend(misplaced(lines_now, doubts))
    if not any(name.startswith(f"{RULES_FOLDER}/") for name in texts):
        mistakes.append(
            Mistake(
                RULES_FOLDER, "there are no rules", "Without rules nobody is ever told anything.", "rules/overdue.toml"
            )
        )
    mistakes.extend(_repeated_rules(rules))
    if table is not None or not table_name:
        mistakes.extend(_return_periods(rules, rule_pages, table, table_name))
    if page is not None:
        roles = _roles_written(page)
        mistakes.extend(_people_nobody_is(page, rule_pages, lines, roles, doubts))
        mistakes.extend(_turns_of_nobody(page, roles))
        mistakes.extend(_calendars_of_nobody(page, doubts))
        mistakes.extend(_source_mistakes(page, lines))
        mistakes.extend(_repeated_names(page))
    if page is not None and written is not None:
        mistakes.extend(_unreachable_by_mail(page, written))
        mistakes.extend(_unanswerable(page, written))
        mistakes.extend(_never_by_day(page, written))
        doubts.extend(_turns_without_role(page, written))
        mistakes.extend(_tips_without_size(lines_now, written))
        doubts.extend(_strange_clock(page, lines_now, written))
        doubts.extend(_idle_sources(page, lines_now, written))
    if mistakes or written is None:
        raise InputError(sorted(mistakes, key=_in_reading_order))
    head = written.network
    return Network(
        folder=folder,
        name=head.name,
        zone=ZoneInfo(head.zone),
        day_starts=head.day_starts,
        grid_minutes=head.grid_minutes,
        units=head.units,
        temperature=head.temperature,
        store=written.store,
        by_day=written.by_day,
        digest=written.digest,
        mail=written.mail,
        sign_of_life=written.sign_of_life,
        board=written.board,
        sources=written.sources,
        stations=with_short_names([line.station for line in lines_now]),
        contacts=written.contacts,
        rules=rules,
        escalation=written.escalation,
        answers=written.answers,
        duty=written.duty,
        holidays=written.holidays,
        calendars=written.calendars,
        frequency=table,
        doubts=tuple(doubts),
        texts=dict(texts),
    )


def _in_reading_order(mistake: Mistake) -> list[tuple[int, str]]:
    """Return a sort key by file and line."""
    return [(int(part), "") if part.isdigit() else (0, part) for part in re.split(r"(\d+)", mistake.place)]


# --- rules ---


def _read_rule(page: Page, mistakes: list[Mistake]) -> Rule | None:
    """Return a rule with its check's own settings, or None and its mistakes."""
    if "name" in page.data:
        allowed = "The file's own name is the rule's name; take the line out."
        mistakes.append(Mistake(page.place(("name",)), "a rule has no name in it", allowed))
    keys = {name: value for name, value in page.data.items() if name != "settings"} | {"name": Path(page.file).stem}
    rule = check(Rule, page, mistakes, _no_secrets, data=keys)
    named, given = page.data.get("check"), page.data.get("settings", {})
    module = checks.CHECKS.get(named) if isinstance(named, str) else None
    if isinstance(named, str) and module is None:
        allowed = nearest_word(named, checks.CHECKS, "check")
        mistakes.append(Mistake(page.place(("check",)), f'there is no check "{named}"', allowed, 'check = "overdue"'))
    if not isinstance(given, dict):
        allowed = "How the check is set stands below a heading of its own."
        mistakes.append(Mistake(page.place(("settings",)), "settings is no table", allowed, "[settings]"))
        return None
    settings = check(module.Settings, page, mistakes, _no_secrets, ("settings",), given) if module else None
    if rule is None or settings is None:
        return None
    if not rule.tell and rule.when is not When.WEEKLY:
        allowed = "Name at least one role."
        mistakes.append(Mistake(page.place(("tell",)), "it tells nobody", allowed, 'tell = ["technician"]'))
    return rule.model_copy(update={"settings": settings})


def _no_secrets(name: str) -> None:
    """Find no secret: none belongs in a rule."""


def _repeated_rules(rules: tuple[Rule, ...]) -> Iterator[Mistake]:
    """Find a rule that tells the same people the same thing as another one."""
    for position, rule in enumerate(rules):
        for other in rules[:position]:
            roles = sorted(set(rule.tell) & set(other.tell))
            if other.check == rule.check and other.settings == rule.settings and roles:
                yield Mistake(
                    f"{RULES_FOLDER}/{rule.name}.toml",
                    f"it asks the same as {RULES_FOLDER}/{other.name}.toml",
                    f"{', '.join(roles)} would be told twice. Take one of the two away, or set it differently.",
                )


def _return_periods(
    rules: tuple[Rule, ...], pages: list[Page], table: FrequencyTable | None, file: str
) -> Iterator[Mistake]:
    """Find return periods that no table, or not this one, can be asked for."""
    of_file = {Path(page.file).stem: page for page in pages}
    for rule in rules:
        for place, limit in enumerate(getattr(rule.settings, "limits", ())):
            years = getattr(limit, "return_period_years", None)
            if years is None:
                continue
            where = of_file[rule.name].place(("settings", "limits", place))
            if table is None:
                allowed = "Name a depth-duration-frequency table of the place in network.toml."
                example = '[rain] frequency_table = "frequency.csv"'
                yield Mistake(where, f"there is no table to take {years:g} years from", allowed, example)
            elif not table.years[0] <= years <= table.years[-1]:
                found = f"{years:g} years lie outside the table in {file}"
                yield Mistake(where, found, f"It has {table.years[0]:g} to {table.years[-1]:g} years.")
            elif 60 * table.minutes[0] > heavy_rain.LONGEST_S:
                yield Mistake(
                    where, f"{file} begins at {table.minutes[0]:g} minutes", "72 hours are looked at, no more."
                )


# --- how the files fit together ---


def _roles_written(page: Page) -> set[str]:
    """Return the roles somebody has, as far as they can be read, so that one bad contact does not spoil the rest."""
    contacts = page.data.get("contacts", [])
    given = (
        [contact.get("roles", []) for contact in contacts if isinstance(contact, dict)]
        if isinstance(contacts, list)
        else []
    )
    return {role for roles in given if isinstance(roles, list) for role in roles if isinstance(role, str)}


def _names_written(page: Page, what: str) -> list[str]:
    items = page.data.get(what, [])
    named = [item.get("name") for item in items if isinstance(item, dict)] if isinstance(items, list) else []
    return [name if isinstance(name, str) else "" for name in named]


def _people_nobody_is(
    page: Page, rules: list[Page], lines: list[StationLine], roles: set[str], doubts: list[Mistake]
) -> Iterator[Mistake]:
    """Find roles that nobody has: nobody would get the notice. Where others would, and it is no slip, it is a doubt."""
    people = set(_names_written(page, "contacts")) | roles
    digest = page.data.get("digest", {})
    asked: list[tuple[Page, tuple[str, ...], Any]] = [(rule, ("tell",), rule.data.get("tell", [])) for rule in rules]
    for rule in rules:
        beside = rule.data.get("beside_rain", {})
        asked.append((rule, ("beside_rain", "tell"), beside.get("tell", []) if isinstance(beside, dict) else []))
    asked.append((page, ("digest", "tell"), digest.get("tell", ["supervisor"]) if isinstance(digest, dict) else []))
    for where, location, tell in asked:
        tell = tell if isinstance(tell, list) else []
        told = any(role in roles for role in tell if isinstance(role, str))
        for index, role in enumerate(tell):
            if isinstance(role, str) and role not in roles:
                nearest = nearest_word(role, roles, "role")
                place, found = where.place((*location, index)), f'nobody has the role "{role}"'
                example = f'under [[contacts]]: roles = ["{role}"]'
                if told and "Did you mean" not in nearest:
                    doubts.append(Mistake(place, found, "The others of the rule are told.", example))
                else:
                    yield Mistake(place, found, f"Nobody would get it. {nearest}", example)
    for line in lines:
        for column, name in (("relied_on_by", line.station.relied_on_by), ("host", line.station.host)):
            if name and name not in people:
                allowed = nearest_word(name, people, "role or contact")
                yield Mistake(f"{line.label} ({column})", f'there is no contact or role "{name}"', allowed)


def _turns_of_nobody(page: Page, roles: set[str]) -> Iterator[Mistake]:
    """Find turns of duty, holidays and calls that name no contact, no role or no calendar."""
    people, calendars = set(_names_written(page, "contacts")), set(_names_written(page, "calendars"))
    taken: list[str] = []
    for place, duty in enumerate(_tables(page, "duty")):
        role = duty.get("role")
        if isinstance(role, str) and role not in roles:
            yield _unknown(page, ("duty", place, "role"), role, roles, "role")
        elif isinstance(role, str) and role in taken:
            allowed = "A role has one order of turns; join the two."
            yield Mistake(page.place(("duty", place, "role")), f'"{role}" has turns twice', allowed)
        taken.append(str(role))
        named = duty.get("people", [])
        for index, name in enumerate(named if isinstance(named, list) else []):
            if isinstance(name, str) and name not in people:
                yield _unknown(page, ("duty", place, "people", index), name, people, "contact")
        calendar = duty.get("calendar")
        if isinstance(calendar, str) and calendar and calendar not in calendars:
            yield _unknown(page, ("duty", place, "calendar"), calendar, calendars, "calendar")
    for place, holiday in enumerate(_tables(page, "holidays")):
        name = holiday.get("person")
        if isinstance(name, str) and name and name not in people:
            yield _unknown(page, ("holidays", place, "person"), name, people, "contact")
    escalation = page.data.get("escalation", {})
    then = escalation.get("then", []) if isinstance(escalation, dict) else []
    for index, role in enumerate(then if isinstance(then, list) else []):
        if isinstance(role, str) and role not in roles:
            yield _unknown(page, ("escalation", "then", index), role, roles, "role")


def _calendars_of_nobody(page: Page, doubts: list[Mistake]) -> Iterator[Mistake]:
    """Find turns taken from a calendar of visits; that a calendar of duty is nobody's is a doubt."""
    calendars = [(one.get("name"), one.get("holds")) for one in _tables(page, "calendars")]
    named = [duty.get("calendar") for duty in _tables(page, "duty")]
    for place, calendar in enumerate(named):
        if (calendar, "visits") in calendars:
            found, allowed = f'"{calendar}" holds visits', "Turns of duty stand in a calendar of duty."
            yield Mistake(page.place(("duty", place, "calendar")), found, allowed, 'holds = "duty"')
    for place, (calendar, what) in enumerate(calendars):
        if what == "duty" and calendar not in named:
            found, allowed = f'no role takes its turns from "{calendar}"', "Name it under [[duty]]."
            doubts.append(Mistake(page.place(("calendars", place)), found, allowed, f'calendar = "{calendar}"'))


def _never_by_day(page: Page, written: NetworkFile) -> Iterator[Mistake]:
    """Find quiet hours that leave nothing of the network's day: faults would never be told."""
    day = written.by_day
    for place, contact in enumerate(written.contacts):
        quiet = contact.quiet_hours
        if quiet is None:
            continue
        past_midnight = quiet.ends < quiet.begins
        through = quiet.begins <= day.begins and day.ends <= quiet.ends
        if through or (past_midnight and (day.begins >= quiet.begins or day.ends <= quiet.ends)):
            found = (
                f"the quiet hours of {contact.name} leave nothing of the day, {day.begins:%H:%M} to {day.ends:%H:%M}"
            )
            allowed = "Faults would never be told. Leave some of the day, or make it longer under [by_day]."
            yield Mistake(page.place(("contacts", place, "quiet_hours")), found, allowed, 'begins = "22:00"')


def _turns_without_role(page: Page, written: NetworkFile) -> Iterator[Mistake]:
    """Doubt people who take turns at a role that they don't have."""
    roles = {contact.name: contact.roles for contact in written.contacts}
    for place, duty in enumerate(written.duty):
        for index, name in enumerate(duty.people):
            if name in roles and duty.role not in roles[name]:
                found, allowed = f'{name} takes turns as "{duty.role}" and has not that role', "Is the name right?"
                yield Mistake(page.place(("duty", place, "people", index)), found, allowed, f'roles = ["{duty.role}"]')


def _tables(page: Page, name: str) -> list[dict[str, Any]]:
    """Return the tables under a heading that may stand several times, as far as they can be read."""
    written = page.data.get(name, [])
    return [item if isinstance(item, dict) else {} for item in written] if isinstance(written, list) else []


def _unknown(page: Page, location: tuple[str | int, ...], name: str, known: Iterable[str], what: str) -> Mistake:
    return Mistake(page.place(location), f'there is no {what} "{name}"', nearest_word(name, known, what))


def _source_mistakes(page: Page, lines: list[StationLine]) -> Iterator[Mistake]:
    sources = set(_names_written(page, "sources"))
    for line in lines:
        if line.station.source and line.station.source not in sources:
            allowed = nearest_word(line.station.source, sources, "source")
            yield Mistake(f"{line.label} (source)", f'there is no source "{line.station.source}"', allowed)


def _repeated_names(page: Page) -> Iterator[Mistake]:
    for what in ("sources", "contacts", "calendars"):
        names = _names_written(page, what)
        for position, name in enumerate(names):
            if name and name in names[:position]:
                place = page.place((what, position, "name"))
                yield Mistake(place, f'"{name}" stands twice among the {what}', "Each needs a name of its own.")


def _unanswerable(page: Page, written: NetworkFile) -> Iterator[Mistake]:
    """Find ways of answering that need what is not written."""
    if written.answers.text is not None and written.board is None:
        found, allowed = "there is no [board]", "It takes the texts in, and its key signs the letters they carry."
        yield Mistake(page.place(("answers", "text")), found, allowed, "[board]")
    if written.answers.mail is not None and written.mail is None:
        found, allowed = "there is no [mail]", "People reply to our mail."
        yield Mistake(page.place(("answers", "mail")), found, allowed, '[mail] host = "mail.example.org"')
    numbers = Counter(contact.phone for contact in written.contacts if contact.phone)
    for position, contact in enumerate(written.contacts):
        if numbers[contact.phone] > 1:
            found = f"{contact.name} has a phone that another contact has too"
            yield Mistake(page.place(("contacts", position, "phone")), found, "It says who sent a text: one each.")


def _unreachable_by_mail(page: Page, written: NetworkFile) -> Iterator[Mistake]:
    if written.mail is not None:
        return
    for position, contact in enumerate(written.contacts):
        if contact.mail:
            alone = not (contact.text or contact.chat)
            allowed = (
                f"{'Nothing would reach this person. ' if alone else ''}Say under [mail] which server takes our mail."
            )
            place = page.place(("contacts", position, "mail"))
            yield Mistake(
                place,
                f"{contact.name} has a mail address, and there is no [mail]",
                allowed,
                '[mail] host = "mail.example.org"',
            )


def _tips_said(station: Station, sources: tuple[AnySource, ...]) -> list[float]:
    return sorted({source.tip_mm for source in sources if source.tip_mm and station.source in ("", source.name)})


def _tips_without_size(lines: list[StationLine], written: NetworkFile) -> Iterator[Mistake]:
    """Find stations whose tips are counted without anybody saying how much rain a tip is."""
    counting = {source.name for source in written.sources if source.rain.unit == "tips"}
    if not counting:
        return
    for line in lines:
        station = line.station
        said = _tips_said(station, written.sources)
        if station.tip_mm or not (station.source in counting or not station.source):
            continue
        if not said:
            allowed = "Its source counts tips, and the rain of a tip is never guessed: often it is 0.2 or 0.254."
            yield Mistake(
                f"{line.label} (tip_mm)",
                "no tip_mm",
                allowed,
                "a column tip_mm with 0.2, or tip_mm = 0.2 in the source",
            )
        elif len(said) > 1:
            allowed = "Its sources say different ones. Which is right? Write it in its line, or name its source."
            yield Mistake(f"{line.label} (tip_mm)", "no tip_mm of its own", allowed, "0.2")


def _strange_clock(page: Page, lines: list[StationLine], written: NetworkFile) -> Iterator[Mistake]:
    """Doubt a zone whose clocks are hours away from the sun over the stations: often a lost minus sign."""
    if not lines:
        return
    middle = float(np.median([line.station.longitude for line in lines]))
    apart = (standard_offset_s(ZoneInfo(written.network.zone)) / 3600 - middle / 15 + 12) % 24 - 12
    if abs(apart) > SUN_OFF_HOURS:
        found = (
            f"clocks in {written.network.zone} are {abs(apart):.0f} hours away from the sun at longitude {middle:.0f}"
        )
        yield Mistake(
            page.place(("network", "zone")),
            found,
            "Is the zone right, and do western longitudes have their minus sign?",
        )


def _idle_sources(page: Page, lines: list[StationLine], written: NetworkFile) -> Iterator[Mistake]:
    for position, source in enumerate(written.sources):
        if lines and not any(line.station.source in ("", source.name) for line in lines):
            found = f'no station belongs to the source "{source.name}"'
            yield Mistake(page.place(("sources", position)), found, "Nothing it brings would be used.")


# --- help for editors ---


def schemas() -> dict[str, dict[str, Any]]:
    """Return a JSON Schema for each kind of file: network.toml, a line of stations.csv, a rule of each check."""
    found = {NETWORK_FILE: NetworkFile.model_json_schema(), STATIONS_FILE: Station.model_json_schema()}
    for name, module in checks.CHECKS.items():
        schema, settings = Rule.model_json_schema(), module.Settings.model_json_schema()
        schema.setdefault("$defs", {}).update(settings.pop("$defs", {}))
        schema["properties"] |= {"check": {"const": name}, "settings": settings}
        del schema["properties"]["name"]
        schema["required"].remove("name")
        found[f"{RULES_FOLDER}/{name}.toml"] = schema
    return found

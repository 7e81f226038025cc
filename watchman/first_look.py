"""Getting to know a source: where the readings come from, a look there, and how a person agrees to read them."""

from __future__ import annotations

import gzip
import json
import re
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import quote

from pydantic import ValidationError

from watchman.errors import InputError, Mistake, OutsideError
from watchman.model import VARIABLES
from watchman.readings.sources import looking, sampling
from watchman.readings.sources.propose import NO_STATION, Proposal, StationSeen, propose
from watchman.readings.sources.settings import PLACEHOLDER
from watchman.readings.sources.web import MEGABYTE, Door, RefusedError, shown
from watchman.settings import NetworkSettings
from watchman.telling.phrases import counted

Ask = Callable[[str, str], str]
Tell = Callable[[str], None]

SAMPLE_BYTES = 4 * MEGABYTE
SAMPLE_WITHIN_S = 30.0
LISTEN_S = 60.0
FILES_LOOKED_AT = 200
ATTEMPTS = 3
LONGEST_NAME = 80
FARTHEST_OFFSET = timedelta(hours=14)
"""No place's clock is farther from UTC (IANA time zone database: Pacific/Kiritimati)."""
LATE_HALVES = 1
"""A source may be this late without its clock being another one [half hours] (judgement, no source)."""
RAIN_15_MM, RAIN_60_MM = 6.0, 25.0
"""The depths in 15 and 60 minutes to which the limits in rules/heavy-rain.toml belong [mm]."""
PLACES = "An address (https://..., postgresql://..., mqtts://...) or files (data/*.csv)"
EXAMPLE_QUERY = "select station, time, rain_mm from readings where time > :since"


@dataclass(slots=True)
class Conversation:
    """Questions and answers: what was answered beforehand is not asked."""

    ask_person: Ask
    tell: Tell
    answers: Mapping[str, str]

    def ask(self, key: str, question: str, default: str = "") -> str:
        """Return the answer to a question, without spaces around it."""
        answer = self.answers[key] if key in self.answers else self.ask_person(question, default)
        return answer.strip()

    def insist(self, key: str, question: str, default: str, mistake: Callable[[str], str]) -> str:
        """Ask until an answer will do. Raises InputError after some attempts, at once for one given beforehand."""
        for _ in range(1 if key in self.answers else ATTEMPTS):
            answer = self.ask(key, question, default)
            wrong = mistake(answer)
            if not wrong:
                return answer
            self.tell(wrong)
        raise InputError([Mistake(f'the answer to "{key}"', wrong.rstrip("."), "Start again when you know it.")])

    def agrees(self, key: str, question: str, default: str = "yes") -> bool:
        """Ask something to be answered by yes or no."""
        return self.ask(key, f"{question} (yes/no)", default).lower() in ("y", "yes", "true", "1")


@dataclass(slots=True)
class Draft:
    """What is to be written. secrets: values by name, "" when still to be filled in. undone: risks in plain words."""

    source: dict[str, Any] = field(default_factory=dict)
    stations: tuple[StationSeen, ...] = ()
    positions: dict[str, tuple[str, str]] = field(default_factory=dict)
    network: dict[str, Any] = field(default_factory=dict)
    mail: dict[str, Any] = field(default_factory=dict)
    contact: dict[str, Any] = field(default_factory=dict)
    secrets: dict[str, str] = field(default_factory=dict)
    rain_15_mm: float = RAIN_15_MM
    rain_60_mm: float = RAIN_60_MM
    undone: list[str] = field(default_factory=list)


def ask_source(talk: Conversation, draft: Draft, folder: Path, now: datetime) -> None:
    """Ask where the readings come from, look there, and agree on how to read them.

    Raises OutsideError when nothing can be had or read there.
    """
    trouble = ""
    for _ in range(1 if "source" in talk.answers else ATTEMPTS):
        place = talk.ask("source", f"Where do the readings come from? {PLACES}")
        try:
            written, proposal = _looked_at(talk, draft, place, folder, now)
        except OutsideError as error:
            trouble = str(error)
            talk.tell(trouble)
            continue
        _show(talk.tell, proposal)
        draft.stations = tuple(one for one in proposal.stations if _is_a_name(one.name))
        if len(draft.stations) < len(proposal.stations):
            odd = counted(len(proposal.stations) - len(draft.stations), "station")
            draft.undone.append(f"{odd} left out: a name with signs nobody can see, or one that looks like a formula.")
        draft.source = {"name": "main", "kind": proposal.kind, **written, **proposal.settings}
        _agree(talk, draft, proposal, now)
        return
    raise OutsideError(trouble)


def _looked_at(
    talk: Conversation, draft: Draft, place: str, folder: Path, now: datetime
) -> tuple[dict[str, Any], Proposal]:
    """Ask what else it takes to look into a place; return what is to be written of it, and how it would be read."""
    scheme = place.partition("://")[0] if "://" in place else ""
    if scheme in ("postgresql", "sqlite"):
        return _look_into_database(talk, draft, place, folder, now)
    if scheme in ("mqtt", "mqtts"):
        return _listen_to_broker(talk, draft, place)
    asked = "A token or password for that address, if it wants one"
    token = talk.ask("token", asked) if _is_address(place) else ""
    stations = _ids(talk.ask("stations", "Its stations' ids, with commas between")) if _asks_each(place) else ()
    proposal = _look(place, token, stations, folder, now)
    written: dict[str, Any] = dict(_written_place(place, folder))
    if token:
        draft.secrets["main_token"] = token
        written |= {"token": "secret:main_token"}
    return written, proposal


def _look_into_database(
    talk: Conversation, draft: Draft, place: str, folder: Path, now: datetime
) -> tuple[dict[str, Any], Proposal]:
    """Ask for the query, and try it. The address may hold a password: it is written as a secret."""
    query = talk.ask("query", "What to ask it: one select, from :since on, for instance " + EXAMPLE_QUERY)
    written = {"address": place, "query": query}
    try:
        proposal = sampling.look_at_rows(written, folder, now)
    except ValidationError as error:
        raise OutsideError(f"{'; '.join(_words(error))}.") from None
    if proposal.trouble:
        raise OutsideError(f"The database can't be read: {proposal.trouble}.")
    draft.secrets["main_address"] = place
    return {"address": "secret:main_address", "query": query}, proposal


def _listen_to_broker(talk: Conversation, draft: Draft, place: str) -> tuple[dict[str, Any], Proposal]:
    """Ask for the topics and the login, and listen for a while; nothing is taken from who listens already."""
    topics = _ids(talk.ask("topics", "Its topics, with {station} where the station stands", "gauges/{station}"))
    user = talk.ask("user", "The name to log in with, if it wants one")
    password = talk.ask("password", "The password") if user else ""
    written: dict[str, Any] = {"address": place, "topics": list(topics), **({"user": user} if user else {})}
    talk.tell(f"Listening for {LISTEN_S:g} s at most.")
    try:
        proposal = sampling.look_at_messages(written | ({"password": password} if password else {}), LISTEN_S)
    except ValidationError as error:
        raise OutsideError(f"{'; '.join(_words(error))}.") from None
    if proposal.trouble:
        raise OutsideError(f"{place} can't be read: {proposal.trouble}.")
    if password:
        draft.secrets["main_password"] = password
        written |= {"password": "secret:main_password"}
    return written, proposal


def _words(error: ValidationError) -> list[str]:
    return [one["msg"].removeprefix("Value error, ") for one in error.errors()]


def _is_a_name(name: str) -> bool:
    """Say whether a source's word for a station can stand in a table that people open, and be shown to them."""
    return name.isprintable() and name[:1] not in ("=", "+", "-", "@") and len(name) <= LONGEST_NAME


def _asks_each(place: str) -> bool:
    return _is_address(place) and "{station}" in place


def _is_address(place: str) -> bool:
    return place.startswith(("http://", "https://"))


def _ids(answer: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in answer.split(",") if part.strip())


def _written_place(place: str, folder: Path) -> dict[str, str]:
    """Return the address, or the path as seen from the network's folder, which may be moved with its data inside."""
    if _is_address(place):
        return {"address": place}
    whole, home = Path(place).absolute(), folder.absolute()
    return {"path": str(whole.relative_to(home) if whole.is_relative_to(home) else whole)}


def _look(place: str, token: str, stations: Sequence[str], folder: Path, now: datetime) -> Proposal:
    """Return what the source's settings probably are. Raises OutsideError when nothing can be had or read there."""
    if _is_address(place):
        samples = [(station, _fetched(place, token, station, now)) for station in stations[:1] or [""]]
    else:
        samples = _samples_of_files(place)
    if _is_address(place) and looking.kind_of(samples[0][1]) == "sensorthings":
        proposal = looking.look_at_things(place, token, now)
        if proposal.trouble:
            raise OutsideError(f"{shown(place)} can't be read: {proposal.trouble}.")
        return proposal
    looks = [(station, _proposed(place, sample)) for station, sample in samples]
    good = [(station, proposal) for station, proposal in looks if not proposal.trouble]
    if not good:
        raise OutsideError(f"{shown(place) if _is_address(place) else place} can't be read: {looks[0][1].trouble}.")
    seen = {name: one for station, proposal in good for name, one in _named(station, proposal)}
    for station in stations:
        seen.setdefault(station, StationSeen(station, 0, now, now, None))
    best = max((proposal for _, proposal in good), key=lambda proposal: len(proposal.rows))
    if "{station}" not in place and NO_STATION in best.questions:
        raise OutsideError(_how_to_know_the_station(place))
    return Proposal(best.kind, best.settings, tuple(seen.values()), best.rows, best.reasons, best.questions)


def _how_to_know_the_station(place: str) -> str:
    """Say where {station} could stand in a place whose readings don't say whose they are."""
    head, slash, tail = place.rpartition("/")
    _, dot, ending = tail.partition(".")
    if _is_address(place):
        return "Nothing in it names the station: write {station} into the address, where its name stands."
    likely = f"{head}{slash}{{station}}{dot}{ending}"
    return f"Nothing in it names the station. If the file's name does, write {likely}, and each file is one station's."


def _named(station: str, proposal: Proposal) -> list[tuple[str, StationSeen]]:
    """Return the stations of one look by name; in a file of its own a station has the name it was asked by."""
    if not station:
        return [(one.name, one) for one in proposal.stations]
    return [
        (station, StationSeen(station, one.readings, one.first_at, one.last_at, one.spacing_minutes))
        for one in proposal.stations
    ]


def _proposed(place: str, sample: bytes) -> Proposal:
    if looking.kind_of(sample) == "waterml":
        return looking.look_at_series(sample)
    return propose(sample, "json" if place.endswith(".json") or sample.lstrip()[:1] in (b"[", b"{") else "csv")


def _fetched(place: str, token: str, station: str, now: datetime) -> bytes:
    """Return what the address answers, asked as the source will ask. Raises OutsideError."""

    def filled(found: re.Match[str]) -> str:
        how = found[2]
        words = {"station": station, "token": token, "offset": "0", "page": "1", "next": ""}
        for name, moment in (("since", now - timedelta(days=7)), ("until", now + timedelta(days=1))):
            stamp = moment.strftime(how or "%Y-%m-%dT%H:%M:%SZ")
            words[name] = str(int(moment.timestamp())) if how == "epoch" else stamp
        return quote(words.get(found[1], found[0]), safe=":")

    headers = {"Authorization": f"Bearer {token}"} if token and "{token}" not in place else {}
    with Door(SAMPLE_WITHIN_S, SAMPLE_BYTES * 16, headers) as door:
        try:
            content, _ = door.get(PLACEHOLDER.sub(filled, place), None)
        except RefusedError as refusal:
            raise OutsideError(f"{shown(place)} {refusal}.") from None
    return content or b""


def _samples_of_files(place: str) -> list[tuple[str, bytes]]:
    """Return the beginning of each file, with the station it is of where {station} stands in the path."""
    whole = Path(place).absolute()
    pattern = str(whole).replace("{station}", "*")
    found = sorted(path for path in Path(whole.anchor).glob(pattern[len(whole.anchor) :]) if path.is_file())
    if not found and whole.is_dir():
        raise OutsideError(f"{place} is a folder: write {place.rstrip('/')}/*.csv, or {{station}}.csv for a file each.")
    if not found:
        raise OutsideError(f"There is no file {place}.")
    shape = re.escape(str(whole)).replace(r"\*", ".*").replace(r"\{station\}", "(?P<station>[^/]+?)", 1)
    samples = []
    for path in found[:FILES_LOOKED_AT]:
        try:
            with gzip.open(path) if path.suffix == ".gz" else path.open("rb") as file:
                sample = file.read(SAMPLE_BYTES)
        except (OSError, EOFError, zlib.error) as error:
            raise OutsideError(f"{path} can't be opened: {getattr(error, 'strerror', None) or error}.") from None
        if len(sample) == SAMPLE_BYTES:
            sample = sample[: sample.rfind(b"\n") + 1]
        match = re.fullmatch(shape, str(path))
        samples.append((match["station"] if match and "{station}" in place else "", sample))
    return samples


def _show(tell: Tell, proposal: Proposal) -> None:
    """Show how the source would be read, with the first rows as they were read."""
    tell(f"It looks like {proposal.kind} and would be read so:")
    for ours, theirs in proposal.settings.get("columns", {}).items():
        tell(f"  {ours:<12} from {theirs if isinstance(theirs, str) else json.dumps(theirs)}")
    for reason in proposal.reasons:
        tell(f"  {reason}")
    clock = "" if any("offset" in question for question in proposal.questions) else " UTC"
    tell("The first rows, as read:")
    for row in (row for row in proposal.rows if row.station.isprintable()):
        tell(f"  {row.station:<16} {row.observed_at:%Y-%m-%d %H:%M}{clock}  {row.variable:<12} {row.value:g}")
    tell(f"{counted(len(proposal.stations), 'station')}:")
    for one in (one for one in proposal.stations if one.name.isprintable()):
        spacing = (
            f", one every {one.spacing_minutes:.3g} min" if one.spacing_minutes and one.spacing_minutes >= 1 else ""
        )
        heard = f"last reading {one.last_at:%Y-%m-%d %H:%M}{clock}{spacing}" if one.readings else "not looked at yet"
        tell(f"  {one.name:<16} {heard}")


def _agree(talk: Conversation, draft: Draft, proposal: Proposal, now: datetime) -> None:
    """Let the person confirm or correct the reading, and answer what the sample can't tell."""
    right = talk.agrees("right", "Is that right?")
    if not right and "columns" not in proposal.settings:
        draft.undone.append("How the source is read is not right yet: edit its [[sources]], then watchman verify.")
    elif not right:
        talk.tell("Name the columns; leave empty what there is not.")
        columns = dict(proposal.settings.get("columns", {}))
        for name in dict.fromkeys(("time", *columns, *VARIABLES)):
            before = columns.pop(name, "")
            answer = talk.ask(f"column:{name}", f"Column of {name}", before if isinstance(before, str) else "")
            if answer or not isinstance(before, str):
                columns[name] = answer or before
        draft.source["columns"] = columns
        draft.undone.append("The columns you named have not been tried: watchman verify reads by them.")
    questions = [question for question in proposal.questions if question != NO_STATION]
    questions = _ask_day_or_month(talk, draft, proposal, questions, now)
    if any("offset" in question for question in questions):
        questions = [question for question in questions if "offset" not in question]
        likely = _likely_clock(proposal, now)
        if likely != "UTC":
            talk.tell(f"Its newest time would be right now if its clock keeps {likely}.")
        clock = talk.insist(
            "clock", "Which clock do its times keep? UTC, or an offset such as -07:00, or a zone", likely, _no_clock
        )
        if clock.upper() != "UTC":
            key = "utc_offset" if re.fullmatch(r"[+-]\d\d:\d\d", clock) else "zone"
            draft.source["time"] = {**draft.source.get("time", {}), key: clock}
    if draft.source.get("rain", {}).get("unit") == "tips":
        questions = [question for question in questions if "tip_mm" not in question]
        tip = talk.insist(
            "tip_mm", "How much rain is one tip, in mm? Often 0.2 or 0.254; it stands on the gauge", "", _no_tip
        )
        draft.source["tip_mm"] = float(tip)
    if any("run on as a total" in question for question in questions):
        questions = [question for question in questions if "run on as a total" not in question]
        if talk.agrees("running_total", "Does its rain run on as a total, rather than count each interval?", "no"):
            draft.source["rain"] = {**draft.source.get("rain", {}), "counts": "running total"}
    if any("end of its interval" in question for question in questions):
        questions = [question for question in questions if "end of its interval" not in question]
        _ask_stamps(talk, draft, proposal)
    draft.undone += [f"Taken for granted: {question}" for question in questions]


def _ask_day_or_month(
    talk: Conversation, draft: Draft, proposal: Proposal, questions: list[str], now: datetime
) -> list[str]:
    """Ask what comes first where both would do; today's date tells which is likely. Return the questions left."""
    asked = [question for question in questions if "day first or month first" in question]
    if not asked:
        return questions
    pattern = proposal.settings["time"]["format"]
    newest = max(one.last_at for one in proposal.stations)
    swapped = newest.replace(month=newest.day, day=newest.month)
    first, other = ("day", "month") if pattern.startswith("%d") else ("month", "day")
    likely = first if abs(now - newest) <= abs(now - swapped) else other
    answer = talk.insist("dates", asked[0].split(" It is taken")[0] + " (day/month)", likely, _no_day_or_month)
    if answer != first:
        turned = pattern.translate(str.maketrans("dm", "md"))
        draft.source["time"] = {**draft.source.get("time", {}), "format": turned}
    return [question for question in questions if question not in asked]


def _no_day_or_month(answer: str) -> str:
    return "" if answer in ("day", "month") else 'Answer "day" or "month": what stands first in its dates?'


def _likely_clock(proposal: Proposal, now: datetime) -> str:
    """Return the offset that would make the newest time a recent one, UTC where none would."""
    newest = max((one.last_at for one in proposal.stations if one.readings), default=now)
    # A source is some minutes late, and nearly all offsets are whole half hours: the later one is meant.
    halves = -((now - newest) // timedelta(minutes=30))
    if abs(newest - now) > FARTHEST_OFFSET or -LATE_HALVES <= halves <= 0:
        return "UTC"
    hours, minutes = divmod(30 * abs(halves), 60)
    return f"{'+' if halves > 0 else '-'}{hours:02}:{minutes:02}"


def _ask_stamps(talk: Conversation, draft: Draft, proposal: Proposal) -> None:
    """Ask whether times begin or end their intervals; how long those are that begin is known by their steps."""
    stamps = talk.insist(
        "stamps", "Does a time stand at the end of its interval or at the beginning? (end/begin)", "end", _no_stamps
    )
    if stamps == "begin":
        steps = [one.spacing_minutes for one in proposal.stations if one.spacing_minutes]
        minutes = min(steps, default=0.0) or float(
            talk.insist("covers", "How many minutes is it long?", "5", _no_length)
        )
        draft.source |= {"stamps": "begin", "covers_minutes": minutes}


def _no_stamps(answer: str) -> str:
    return "" if answer in ("end", "begin") else 'Answer "end" or "begin"; most loggers write the end.'


def _no_length(answer: str) -> str:
    try:
        good = 0 < float(answer) <= 1440
    except ValueError:
        good = False
    return "" if good else "It is a number of minutes such as 5 or 15."


def _no_clock(answer: str) -> str:
    if answer.upper() == "UTC" or re.fullmatch(r"[+-]\d\d:\d\d", answer):
        return ""
    return no_zone(answer)


def _no_tip(answer: str) -> str:
    try:
        good = 0.05 <= float(answer) <= 5
    except ValueError:
        good = False
    return "" if good else "One tip is a number of millimetres such as 0.2, with a point; 0.01 inch is 0.254."


def no_zone(answer: str) -> str:
    """Say why an answer is no time zone, or return ""."""
    try:
        NetworkSettings(name="any", zone=answer)
    except ValidationError as error:
        return error.errors()[0]["msg"]
    return ""

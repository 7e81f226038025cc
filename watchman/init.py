"""A handful of questions, a look at the data, and a network's folder that works."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any, Literal
from urllib.parse import quote

from pydantic import ValidationError

from watchman.errors import InputError, Mistake, OutsideError
from watchman.model import VARIABLES
from watchman.network import NETWORK_FILE, RULES_FOLDER, load
from watchman.readings.sources.propose import Proposal, StationSeen, propose
from watchman.readings.sources.settings import PLACEHOLDER
from watchman.readings.sources.web import MEGABYTE, Door, RefusedError
from watchman.settings import Contact, NetworkSettings
from watchman.stations import STATIONS_FILE
from watchman.telling.phrases import counted, listed
from watchman.verify import uncovered

Ask = Callable[[str, str], str]
Tell = Callable[[str], None]

SECRETS_FILE = "secrets.env"
SAMPLE_BYTES = 4 * MEGABYTE
SAMPLE_WITHIN_S = 30.0
FILES_LOOKED_AT = 200
ATTEMPTS = 3
ROLES = ("technician", "crew", "supervisor", "warden", "road crew", "data manager")
RAIN_15_MM, RAIN_60_MM = 6.0, 25.0
"""The depths in 15 and 60 minutes to which the limits in rules/heavy-rain.toml belong [mm]."""
RULES = next(
    place for place in (Path(__file__).parent / "rules", Path(__file__).parent.parent / "rules") if place.is_dir()
)
"""The rule files to copy: inside the installed package, or beside it in a checkout."""


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


def start(
    folder: Path, ask: Ask, tell: Tell, answers: Mapping[str, str] | None = None, now: datetime | None = None
) -> tuple[str, ...]:
    """Make a network's folder, and return what is undone, as risks in plain words.

    ask: puts a question with a default and returns the answer; answers: those given beforehand, by the question's key.
    Raises InputError when there is a network already or an answer won't do, OutsideError when the data can't be had.
    """
    if (folder / NETWORK_FILE).exists():
        allowed = "Edit it, or name another folder."
        raise InputError([Mistake(str(folder / NETWORK_FILE), "there is a network already", allowed)])
    talk = Conversation(ask, tell, answers or {})
    draft = Draft()
    _ask_source(talk, draft, folder, now or datetime.now(UTC))
    _ask_network(talk, draft, folder)
    _ask_contact(talk, draft)
    _ask_heavy_rain(talk, draft)
    _ask_positions(talk, draft)
    written = _write(folder, draft)
    tell(f"Written into {folder}: {listed(written, 9)}.")
    undone = (*draft.undone, *_look_over(folder, draft))
    tell("Undone, as risks:")
    for risk in undone:
        tell(f"  - {risk}")
    if draft.secrets:
        tell(f"Before each command: set -a; . {folder / SECRETS_FILE}; set +a")
    tell(f"Next: watchman verify {folder}")
    return undone


# --- the source ---


def _ask_source(talk: Conversation, draft: Draft, folder: Path, now: datetime) -> None:
    """Ask where the readings come from, look there, and agree on how to read them."""
    trouble = ""
    for _ in range(1 if "source" in talk.answers else ATTEMPTS):
        place = talk.ask("source", "Where do the readings come from? An address (https://...) or files (data/*.csv)")
        asked = "A token or password for that address, if it wants one"
        token = talk.ask("token", asked) if _is_address(place) else ""
        stations = _ids(talk.ask("stations", "Its stations' ids, with commas between")) if _asks_each(place) else ()
        try:
            proposal = _look(place, token, stations, folder, now)
        except OutsideError as error:
            trouble = str(error)
            talk.tell(trouble)
            continue
        _show(talk.tell, proposal)
        draft.stations = proposal.stations
        draft.source = {"name": "main", "kind": proposal.kind, **_written_place(place, folder), **proposal.settings}
        if token:
            draft.secrets["main_token"] = token
            draft.source |= {"token": "secret:main_token"}
        _agree(talk, draft, proposal)
        return
    raise OutsideError(trouble)


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
    looks = [(station, propose(sample, _kind(place, sample))) for station, sample in samples]
    good = [(station, proposal) for station, proposal in looks if not proposal.trouble]
    if not good:
        raise OutsideError(f"{place} can't be read: {looks[0][1].trouble}.")
    seen = {name: one for station, proposal in good for name, one in _named(station, proposal)}
    for station in stations:
        seen.setdefault(station, StationSeen(station, 0, now, now, None))
    best = max((proposal for _, proposal in good), key=lambda proposal: len(proposal.rows))
    return Proposal(best.kind, best.settings, tuple(seen.values()), best.rows, best.reasons, best.questions)


def _named(station: str, proposal: Proposal) -> list[tuple[str, StationSeen]]:
    """Return the stations of one look by name; in a file of its own a station has the name it was asked by."""
    if not station:
        return [(one.name, one) for one in proposal.stations]
    return [
        (station, StationSeen(station, one.readings, one.first_at, one.last_at, one.spacing_minutes))
        for one in proposal.stations
    ]


def _kind(place: str, sample: bytes) -> Literal["csv", "json"]:
    return "json" if place.endswith(".json") or sample.lstrip()[:1] in (b"[", b"{") else "csv"


def _fetched(place: str, token: str, station: str, now: datetime) -> bytes:
    """Return what the address answers, asked as the source will ask. Raises OutsideError."""

    def filled(found: re.Match[str]) -> str:
        since = now - timedelta(days=7)
        how = found[2]
        words = {
            "station": station,
            "token": token,
            "since": str(int(since.timestamp())) if how == "epoch" else since.strftime(how or "%Y-%m-%dT%H:%M:%SZ"),
        }
        return quote(words.get(found[1], found[0]), safe=":")

    headers = {"Authorization": f"Bearer {token}"} if token and "{token}" not in place else {}
    with Door(SAMPLE_WITHIN_S, SAMPLE_BYTES * 16, headers) as door:
        try:
            content, _ = door.get(PLACEHOLDER.sub(filled, place), None)
        except RefusedError as refusal:
            raise OutsideError(f"{place.split('?')[0]} {refusal}.") from None
    return content or b""


def _samples_of_files(place: str) -> list[tuple[str, bytes]]:
    """Return the beginning of each file, with the station it is of where {station} stands in the path."""
    whole = Path(place).absolute()
    pattern = str(whole).replace("{station}", "*")
    found = sorted(path for path in Path(whole.anchor).glob(pattern[len(whole.anchor) :]) if path.is_file())
    if not found:
        raise OutsideError(f"There is no file {place}.")
    shape = re.escape(str(whole)).replace(r"\*", ".*").replace(r"\{station\}", "(?P<station>[^/]+?)", 1)
    samples = []
    for path in found[:FILES_LOOKED_AT]:
        try:
            with path.open("rb") as file:
                sample = file.read(SAMPLE_BYTES)
        except OSError as error:
            raise OutsideError(f"{path} can't be opened: {error.strerror}.") from None
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
    tell("The first rows, as read:")
    for row in proposal.rows:
        tell(f"  {row.station:<16} {row.observed_at:%Y-%m-%d %H:%M} UTC  {row.variable:<12} {row.value:g}")
    tell(f"{counted(len(proposal.stations), 'station')}:")
    for one in proposal.stations:
        spacing = f", one every {one.spacing_minutes:g} min" if one.spacing_minutes else ""
        heard = f"last reading {one.last_at:%Y-%m-%d %H:%M} UTC{spacing}" if one.readings else "not looked at yet"
        tell(f"  {one.name:<16} {heard}")


def _agree(talk: Conversation, draft: Draft, proposal: Proposal) -> None:
    """Let the person confirm or correct the reading, and answer what the sample can't tell."""
    if not talk.agrees("right", "Is that right?"):
        talk.tell("Name the columns; leave empty what there is not.")
        columns = dict(proposal.settings.get("columns", {}))
        for name in dict.fromkeys(("time", *columns, *VARIABLES)):
            before = columns.pop(name, "")
            answer = talk.ask(f"column:{name}", f"Column of {name}", before if isinstance(before, str) else "")
            if answer or not isinstance(before, str):
                columns[name] = answer or before
        draft.source["columns"] = columns
        draft.undone.append("The columns you named have not been tried: watchman verify reads by them.")
    questions = list(proposal.questions)
    if any("offset" in question for question in questions):
        questions = [question for question in questions if "offset" not in question]
        clock = talk.insist(
            "clock", "Which clock do its times keep? UTC, or an offset such as -07:00, or a zone", "UTC", _no_clock
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
    draft.undone += [f"Taken for granted: {question}" for question in questions]


def _no_clock(answer: str) -> str:
    if answer.upper() == "UTC" or re.fullmatch(r"[+-]\d\d:\d\d", answer):
        return ""
    return _no_zone(answer)


def _no_tip(answer: str) -> str:
    try:
        good = 0.05 <= float(answer) <= 5
    except ValueError:
        good = False
    return "" if good else "One tip is a number of millimetres such as 0.2, with a point; 0.01 inch is 0.254."


# --- the network and its people ---


def _ask_network(talk: Conversation, draft: Draft, folder: Path) -> None:
    default = folder.absolute().name.replace("-", " ").replace("_", " ").title()
    name = talk.ask("name", "What is the network called?", default) or default
    zone = talk.insist("zone", "In which time zone do its people read clocks?", _machine_zone(), _no_zone)
    draft.network = {"name": name, "zone": zone}


def _no_zone(answer: str) -> str:
    try:
        NetworkSettings(name="any", zone=answer)
    except ValidationError as error:
        return error.errors()[0]["msg"]
    return ""


def _machine_zone() -> str:
    """Return the zone this machine is set to, or UTC where that can't be told."""
    parts = Path("/etc/localtime").resolve().parts
    zone = "/".join(parts[parts.index("zoneinfo") + 1 :]) if "zoneinfo" in parts else ""
    return zone if zone and not _no_zone(zone) else "UTC"


def _ask_contact(talk: Conversation, draft: Draft) -> None:
    """Ask how the person is reached; at least one way is needed."""
    mail = talk.insist("mail", "Your mail address, if mail is to reach you", "", partial(_no_channel, "mail"))
    text = talk.insist(
        "text", "An address, as apprise takes it, that texts your phone, if one does", "", partial(_no_channel, "text")
    )
    if not (mail or text):
        allowed = "Without mail or text nobody would ever be told anything."
        raise InputError([Mistake('the answers to "mail" and "text"', "both are empty", allowed)])
    draft.contact = {"name": mail.split("@")[0] if mail else "me", "roles": list(ROLES)}
    if mail:
        draft.contact["mail"] = mail
        _ask_mail_server(talk, draft, mail)
    if text:
        draft.contact["text"] = "secret:my_text"
        draft.secrets["my_text"] = text
    else:
        draft.undone.append("No text address: what happens at night waits in your mail until you look.")
    draft.undone.append("You have every role. Add the others under [[contacts]] and take their roles from yours.")


def _no_channel(channel: str, answer: str) -> str:
    try:
        Contact.model_validate({"name": "any", "roles": ("any",), "chat": "json://example.org", channel: answer})
    except ValidationError as error:
        return error.errors()[0]["msg"]
    return ""


def _ask_mail_server(talk: Conversation, draft: Draft, mail: str) -> None:
    asked = "Which server takes your mail on its way out? With :port if it has an unusual one"
    host, _, port = (talk.ask("mail_host", asked, "localhost") or "localhost").partition(":")
    draft.mail = {"host": host, **({"port": int(port)} if port.isdigit() else {}), "sender": mail}
    if host in ("localhost", "127.0.0.1"):
        draft.mail["security"] = "none"
        return
    user = talk.ask("mail_user", "Your name there, if it wants one", mail)
    if user:
        password = talk.ask(
            "mail_password", f"The password there (kept in {SECRETS_FILE} only; empty: fill it in later)"
        )
        draft.mail |= {"user": user, "password": "secret:mail_password"}
        draft.secrets["mail_password"] = password


def _ask_heavy_rain(talk: Conversation, draft: Draft) -> None:
    for key, words, default in (
        ("rain_15_mm", "What is heavy rain here, from how many mm in 15 minutes? Ask your authority", RAIN_15_MM),
        ("rain_60_mm", "And from how many mm in one hour?", RAIN_60_MM),
    ):
        answer = talk.insist(key, words, f"{default:g}", _no_depth)
        setattr(draft, key, float(answer))
    if (draft.rain_15_mm, draft.rain_60_mm) == (RAIN_15_MM, RAIN_60_MM):
        draft.undone.append(
            "The limits for heavy rain are a mere beginning: ask your authority which depths matter here."
        )


def _no_depth(answer: str) -> str:
    try:
        good = 0 < float(answer) <= 400
    except ValueError:
        good = False
    return "" if good else "That is no depth of rain: write a number of millimetres, with a point."


def _ask_positions(talk: Conversation, draft: Draft) -> None:
    """Ask where the stations stand, if the person has the time; neighbours can't be compared without."""
    given = any(f"position:{one.name}" in talk.answers for one in draft.stations)
    question = f"The source gives no positions. Type those of {counted(len(draft.stations), 'station')} now?"
    if not given and not talk.agrees("positions", question, "no"):
        return
    for one in draft.stations:
        answer = talk.insist(
            f"position:{one.name}", f"{one.name}: latitude, longitude (empty: later)", "", _no_position
        )
        if answer:
            latitude, longitude = (part.strip() for part in answer.split(","))
            draft.positions[one.name] = latitude, longitude


def _no_position(answer: str) -> str:
    if not answer:
        return ""
    try:
        latitude, longitude = (float(part) for part in answer.split(","))
    except ValueError:
        return "Write two numbers with points in them and a comma between, such as 39.75, -105.21."
    return "" if abs(latitude) <= 90 and abs(longitude) <= 180 else "A latitude is at most 90, a longitude at most 180."


# --- writing ---


def _write(folder: Path, draft: Draft) -> list[str]:
    """Write the folder, and return what was written."""
    try:
        (folder / RULES_FOLDER).mkdir(parents=True, exist_ok=True)
        written = {NETWORK_FILE: _network_toml(draft), STATIONS_FILE: _stations_csv(draft)}
        for rule in sorted(RULES.glob("*.toml")):
            text = rule.read_text(encoding="utf-8")
            written[f"{RULES_FOLDER}/{rule.name}"] = _scaled(text, draft) if rule.stem == "heavy-rain" else text
        for name, text in written.items():
            (folder / name).write_text(text, encoding="utf-8")
        if draft.secrets:
            written[SECRETS_FILE] = ""
            _write_secrets(folder / SECRETS_FILE, draft.secrets)
    except OSError as error:
        raise OutsideError(f"{folder} can't be written: {error.strerror}.") from None
    return list(written)


def _write_secrets(path: Path, secrets: Mapping[str, str]) -> None:
    """Write what nobody else may read, as lines a shell and a service manager take for the environment."""
    path.touch(mode=0o600)
    path.chmod(0o600)
    lines = ["# Secrets: keep this file to yourself, and out of copies. Read by: set -a; . ./secrets.env; set +a"]
    lines += [
        f"WATCHMAN_{name.upper()}='{value.replace(chr(39), chr(39) + chr(92) + chr(39) * 2)}'"
        for name, value in secrets.items()
    ]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _network_toml(draft: Draft) -> str:
    parts = [
        "# The network: its sources and its people. `watchman verify` reads it and says what is not covered.",
        "# Secrets never stand here, only their names; their values are in the environment or in credential files.",
        _table("[network]", draft.network, {"zone": "where people read clocks; all else is UTC"}),
        _table("[store]", {"address": "sqlite:///watch.db"}, {"address": "a file in this folder"}),
    ]
    if draft.mail:
        parts.append(_table("[mail]", draft.mail, {}))
    parts += [
        "# Somebody outside who notices when this machine stops: an address to ask after each completed cycle.",
        '# [sign_of_life]\n# address = "https://watch.example.org/seen"\n',
        "# The page for phones, with the links that acknowledge. The key: secret, 16 random letters or more.",
        '# [board]\n# address = "https://watch.example.org"\n# key = "secret:link_key"\n',
        _table("[[sources]]", draft.source, {}),
        _table(
            "[[contacts]]", draft.contact, {"roles": "the rules' `tell` names roles; give them to those who have them"}
        ),
    ]
    return "\n".join(parts)


def _table(heading: str, values: Mapping[str, Any], notes: Mapping[str, str]) -> str:
    lines = [f"{key} = {_toml(value)}{f'  # {notes[key]}' if key in notes else ''}" for key, value in values.items()]
    return "\n".join([heading, *lines]) + "\n"


def _toml(value: Any) -> str:
    """Return a value as TOML writes it; tables stand inline."""
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(key)} = {_toml(item)}" for key, item in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    # JSON's text, numbers, true and false are TOML's, too, but for the delete character.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007F")


def _key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else json.dumps(key, ensure_ascii=False)


def _stations_csv(draft: Draft) -> str:
    """Return one line a station, with what is known of it; the empty columns are for the person."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(
        ("id", "name", "latitude", "longitude", "elevation_m", "alias", "chemistry", "mast", "plan", "plan_end")
    )
    taken: set[str] = set()
    for one in draft.stations:
        ours = _id(one.name, taken)
        latitude, longitude = draft.positions.get(one.name, ("", ""))
        table.writerow((ours, one.name, latitude, longitude, "", one.name if ours != one.name else "", "", "", "", ""))
    return out.getvalue()


def _id(name: str, taken: set[str]) -> str:
    """Return an id for good: the source's own word where it can be one."""
    plain = re.sub(r"[^\w.-]+", "-", name).strip("-") or "station"
    number = 2
    ours = plain
    while ours in taken:
        ours, number = f"{plain}-{number}", number + 1
    taken.add(ours)
    return ours


def _scaled(text: str, draft: Draft) -> str:
    """Return the rule for heavy rain with its limits in proportion to the depths the person named."""

    def scaled(found: re.Match[str]) -> str:
        wide = found[3] == "hours" or float(found[4]) >= 60
        factor = draft.rain_60_mm / RAIN_60_MM if wide else draft.rain_15_mm / RAIN_15_MM
        return f"{found[1]}{round(float(found[2]) * factor, 1):g}, {found[3]} = {found[4]}"

    return re.sub(r"(depth_mm = )([\d.]+), (minutes|hours) = ([\d.]+)", scaled, text)


def _look_over(folder: Path, draft: Draft) -> list[str]:
    """Read the folder as every command will, and return what is missing or not covered."""
    try:
        network = load(folder, lambda name: draft.secrets.get(name) or "still to be filled in")
    except InputError as error:
        return [str(mistake) for mistake in error.mistakes]
    empty = [name for name, value in draft.secrets.items() if not value]
    missing = [f"Fill in {listed(empty, 9)} in {folder / SECRETS_FILE}."] if empty else []
    columns = {**draft.source["columns"], **draft.source.get("variables", {})}
    return missing + uncovered(network, {position for position, name in enumerate(VARIABLES) if name in columns})

"""A handful of questions, a look at the data, and a network's folder that works."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from watchman.errors import InputError, Mistake, OutsideError
from watchman.first_look import RAIN_15_MM, RAIN_60_MM, Ask, Conversation, Draft, Tell, ask_source, no_zone
from watchman.model import VARIABLES
from watchman.network import NETWORK_FILE, RULES_FOLDER, load
from watchman.settings import Contact
from watchman.stations import STATIONS_FILE
from watchman.telling.phrases import counted, listed
from watchman.verify import uncovered

SECRETS_FILE = "secrets.env"
ROLES = ("technician", "crew", "supervisor", "warden", "road crew", "data manager")
RULES = next(
    place for place in (Path(__file__).parent / "rules", Path(__file__).parent.parent / "rules") if place.is_dir()
)
"""The rule files to copy: inside the installed package, or beside it in a checkout."""


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
    ask_source(talk, draft, folder, now or datetime.now(UTC))
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


# --- the network and its people ---


def _ask_network(talk: Conversation, draft: Draft, folder: Path) -> None:
    default = folder.absolute().name.replace("-", " ").replace("_", " ").title()
    name = talk.ask("name", "What is the network called?", default) or default
    zone = talk.insist("zone", "In which time zone do its people read clocks?", _machine_zone(), no_zone)
    draft.network = {"name": name, "zone": zone}


def _machine_zone() -> str:
    """Return the zone this machine is set to, or UTC where that can't be told."""
    parts = Path("/etc/localtime").resolve().parts
    zone = "/".join(parts[parts.index("zoneinfo") + 1 :]) if "zoneinfo" in parts else ""
    return zone if zone and not no_zone(zone) else "UTC"


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
    columns = {**draft.source.get("columns", {}), **draft.source.get("variables", {})}
    return missing + uncovered(network, {position for position, name in enumerate(VARIABLES) if name in columns})

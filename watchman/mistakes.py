"""From a page that a person wrote to checked values, or to mistakes with file, line and key in plain words."""

from __future__ import annotations

import difflib
import json
import re
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, SecretStr, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails, PydanticCustomError

from watchman.errors import Mistake

Location = tuple[str | int, ...]
SecretLookup = Callable[[str], str | None]

M = TypeVar("M", bound=BaseModel)

SECRET = re.compile(r"secret:(\w+)")
PASSWORD_IN_ADDRESS = re.compile(r"://[^/@\s\"]*:[^/@\s\"]*@")
NEVER_WRITTEN = ("password", "key", "token")
HEADER = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(#.*)?$")
KEY = re.compile(
    r"""\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*=\s*(.*)$"""
)
STRINGS = re.compile(r"\"(?:\\.|[^\"\\])*\"|'[^']*'")
SYNTAX_ADVICE = (
    (
        "Unescaped '\\'",
        "In double quotes a backslash begins an escape; put the text in single quotes.",
        r"path = 'C:\data\*.csv'",
    ),
    ("Cannot overwrite", "Each key may stand only once under its heading; take one of the two out.", ""),
    ("Cannot declare", "Each heading may stand only once; a list of things has double brackets.", "[[contacts]]"),
    (
        "Invalid value",
        "Text stands in double quotes, numbers have a point and no quotes, yes and no are true and false.",
        "",
    ),
    ("Expected newline", "Only one key may stand on a line, and clock times and text need quotes.", 'time = "07:30"'),
    (
        "Expected '='",
        "A line is a key, an equals sign and a value, or a heading in brackets.",
        'name = "Veldran Hills"',
    ),
    (
        "Invalid statement",
        "A line is a key, an equals sign and a value, or a heading in brackets.",
        'name = "Veldran Hills"',
    ),
)
"""What tomllib says (from memory of its messages, tried with Python 3.11), and what a colleague would add."""


def wrong(found: str, allowed: str, example: str = "") -> PydanticCustomError:
    """Return the error a validator raises, in the three parts of a `Mistake`; `found` must never hold a secret."""
    parts = {"found": found, "allowed": allowed, "example": example}
    return PydanticCustomError("mistake", "{found}. {allowed}", parts)


MOST_NAMED = 80


def nearest_word(word: str, known: Iterable[str], thing: str) -> str:
    """Return a sentence that names the known word that was likely meant, or all of them when they are few.

    A list that nobody would read to its end is not begun; who wants it has it elsewhere.
    """
    names = sorted(set(known))
    lowered = {name.lower(): name for name in names}
    close = difflib.get_close_matches(word.lower(), lowered, n=1, cutoff=0.6)
    if close:
        return f'Did you mean "{lowered[close[0]]}"?'
    if not names:
        return f"There is no {thing} yet."
    return (
        f"Known is: {', '.join(names)}." if len(names) <= MOST_NAMED else f"None of the {len(names)} known is like it."
    )


def decode(file: str, raw: bytes, mistakes: list[Mistake]) -> str | None:
    """Return the text of a file a person saved, with or without a byte order mark; None when it is not UTF-8."""
    try:
        return raw.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        likely = raw[error.start : error.start + 1].decode("cp1252", "replace")
        mistakes.append(
            Mistake(
                f"{file}, line {line}",
                f'a letter (perhaps "{likely}") is not stored as UTF-8',
                'Save the file again and choose the encoding "UTF-8".',
            )
        )
        return None


@dataclass(frozen=True, slots=True)
class Page:
    """What a person wrote, as values, and where each stands.

    file: its name; lines: the line of each key; label: where all of it stands, when it is one line of a table.
    """

    file: str
    data: Mapping[str, Any]
    lines: Mapping[Location, int]
    label: str = ""

    def place(self, location: Location) -> str:
        """Name file, line and key; a key that stands in no line of its own has the line of what it belongs to."""
        around = (location[:length] for length in range(len(location), 0, -1))
        line = next((self.lines[part] for part in around if part in self.lines), 0)
        key = dotted(location)
        return f"{self.label or self.file}{f', line {line}' if line else ''}{f' ({key})' if key else ''}"


def dotted(location: Location) -> str:
    """Return a location as people write it: sources[1].address, counted from 1."""
    return "".join(f"[{step + 1}]" if isinstance(step, int) else f".{step}" for step in location).lstrip(".")


def scan(text: str) -> tuple[dict[Location, int], list[tuple[Location, int]]]:
    """Return the line of each heading, key and list item of a TOML text, and the keys that stand twice.

    tomllib gives no positions. Good enough for pages people write: keys inside an inline table share its line.
    """
    lines: dict[Location, int] = {}
    twice: list[tuple[Location, int]] = []
    counts: dict[Location, int] = {}
    heading: Location = ()
    key: Location = ()
    depth, item, quotes = 0, 0, ""
    for number, line in enumerate(text.splitlines(), start=1):
        if quotes:
            quotes = "" if quotes in line else quotes
            continue
        bare = STRINGS.sub('""', line).split("#")[0]
        if depth == 1 and bare.strip().strip("],"):
            lines[(*key, item)] = number
            item += 1
        elif depth == 0 and (header := HEADER.match(line)):
            heading = _heading(_keys(header[2]), header[1] == "[[", counts)
            lines.setdefault(heading, number)
            continue
        elif depth == 0 and (pair := KEY.match(line)):
            key, item = (*heading, *_keys(pair[1])), 0
            if key in lines:
                twice.append((key, number))
            lines.setdefault(key, number)
            quotes = next((mark for mark in ('"""', "'''") if pair[2].count(mark) == 1), "")
            bare = STRINGS.sub('""', pair[2]).split("#")[0]
        depth = max(0, depth + bare.count("[") - bare.count("]"))
    return lines, twice


def _keys(written: str) -> tuple[str, ...]:
    return tuple(part.strip().strip("\"'") for part in written.split("."))


def _heading(keys: tuple[str, ...], one_of_a_list: bool, counts: dict[Location, int]) -> Location:
    """Return where a heading's keys belong, counting the tables of each list."""
    place: Location = ()
    for position, key in enumerate(keys, start=1):
        place = (*place, key)
        if one_of_a_list and position == len(keys):
            counts[place] = counts.get(place, -1) + 1
        if place in counts:
            place = (*place, counts[place])
    return place


def read_page(file: str, text: str, mistakes: list[Mistake]) -> Page | None:
    """Return a TOML text as a page, or None with the mistake that keeps it from being read."""
    lines, twice = scan(text)
    try:
        return Page(file, tomllib.loads(text), lines)
    except tomllib.TOMLDecodeError as error:
        said = str(error)
        at = re.search(r"line (\d+)", said)
        line = at[1] if at else str(twice[0][1]) if twice else "the last"
        key = f" ({dotted(twice[0][0])})" if twice and "overwrite" in said else ""
        advice, example = next(
            ((advice, example) for start, advice, example in SYNTAX_ADVICE if said.startswith(start)),
            ("A line is a key, an equals sign and a value; brackets and quotes come in pairs.", ""),
        )
        found = f"this can't be read: {said.split(' (at')[0].lower()}"
        mistakes.append(Mistake(f"{file}, line {line}{key}", found, advice, example))
        return None


def check(
    model: type[M], page: Page, mistakes: list[Mistake], lookup: SecretLookup, at: Location = (), data: Any = None
) -> M | None:
    """Return what stands on a page (or `data`, at a location of it) as a checked model, or None and all its mistakes.

    Values written "secret:NAME" are looked up; no value of a secret ever stands in a mistake.
    """
    written = page.data if data is None else data
    secrets = _Secrets(lookup)
    resolved = secrets.resolve(written)
    found = [_not_found(page, at, place, name) for place, name in secrets.missing.items()]
    found += [_written_out(page, at, place, _trace(model, place)[2]) for place in _open_secrets(model, written)]
    value = None
    try:
        # By way of JSON, strict means: no number in quotes, yet lists, dates and words of a closed list are taken.
        value = model.model_validate_json(json.dumps(resolved, default=str))
    except ValidationError as error:
        for detail in error.errors(include_url=False, include_input=False):
            location, owner, field = _trace(model, detail["loc"])
            followed = (detail["type"] == "too_short" and _at(written, location)) or location in secrets.missing
            if not followed:  # by a mistake already told
                mistake = _translate(page, at, written, location, owner, field, detail)
                found.append(secrets.hide(mistake))
    if value is not None:
        found += [_shown_secret(page, at, place) for place in secrets.places if not _is_secret(value, place)]
    mistakes.extend(found)
    return None if found else value


@dataclass(slots=True)
class _Secrets:
    """The secrets a page names: where they stand, which are missing, and their values, to keep those out of sight."""

    lookup: SecretLookup
    places: dict[Location, str] = dataclass_field(default_factory=dict)
    missing: dict[Location, str] = dataclass_field(default_factory=dict)
    values: dict[str, str] = dataclass_field(default_factory=dict)

    def resolve(self, written: Any, place: Location = ()) -> Any:
        """Return the data with every "secret:NAME" replaced by the secret."""
        if isinstance(written, Mapping):
            return {key: self.resolve(item, (*place, key)) for key, item in written.items()}
        if isinstance(written, list):
            return [self.resolve(item, (*place, index)) for index, item in enumerate(written)]
        if not (isinstance(written, str) and (named := SECRET.fullmatch(written))):
            return written
        name = named[1]
        secret = self.lookup(name)
        self.places[place] = name
        if not secret:
            self.missing[place] = name
            return written
        self.values[secret] = name
        return secret

    def hide(self, mistake: Mistake) -> Mistake:
        """Return the mistake with every secret in it replaced by its name."""

        def hidden(text: str) -> str:
            for secret, name in self.values.items():
                text = text.replace(secret, f"secret:{name}")
            return text

        return Mistake(mistake.place, hidden(mistake.found), hidden(mistake.allowed), hidden(mistake.example))


def _not_found(page: Page, at: Location, place: Location, name: str) -> Mistake:
    variable = f"WATCHMAN_{name.upper()}"
    allowed = f"Put it into a file named {name} in the credentials directory, or into the environment as {variable}."
    return Mistake(page.place(at + place), f'the secret "{name}" is not to be found', allowed, f"export {variable}=...")


def _written_out(page: Page, at: Location, place: Location, field: FieldInfo | None) -> Mistake:
    found = "a secret is written out"
    if not _may_be_secret(field):
        return Mistake(
            page.place(at + place),
            found,
            "Take the password out of it, and give it by name: as user and password, token or header.",
        )
    allowed = "Files are copied and shown around; name the secret here and keep it outside."
    return Mistake(page.place(at + place), found, allowed, f'{place[-1]} = "secret:{place[0]}_{place[-1]}"')


def _shown_secret(page: Page, at: Location, place: Location) -> Mistake:
    allowed = "Only passwords, keys, tokens and addresses can be secrets; write this one out."
    return Mistake(page.place(at + place), "a secret stands where its value would be shown", allowed)


def _is_secret(value: Any, place: Location) -> bool:
    for step in place:
        value = getattr(value, str(step), None) if isinstance(value, BaseModel) else value[step]
    return isinstance(value, SecretStr)


def _open_secrets(model: type[BaseModel], written: Any, here: Location = ()) -> Iterator[Location]:
    """Find passwords, keys and tokens that are written out in the file instead of named."""
    items = written.items() if isinstance(written, Mapping) else enumerate(written) if isinstance(written, list) else ()
    for key, item in items:
        yield from _open_secrets(model, item, (*here, key))
    if not isinstance(written, str) or not written or SECRET.fullmatch(written):
        return
    named_so = bool(here) and here[-1] in NEVER_WRITTEN and _may_be_secret(_trace(model, here)[2])
    if named_so or PASSWORD_IN_ADDRESS.search(written):
        yield here


def _may_be_secret(field: FieldInfo | None) -> bool:
    return field is not None and SecretStr in _members(field.annotation)


def _translate(
    page: Page,
    at: Location,
    written: Any,
    location: Location,
    owner: type[BaseModel] | None,
    field: FieldInfo | None,
    detail: ErrorDetails,
) -> Mistake:
    """Return a mistake for one of pydantic's errors, in plain words."""
    kind, context = detail["type"], detail.get("ctx", {})
    place, key = page.place(at + location), str(location[-1]) if location else ""
    if kind == "extra_forbidden":
        return Mistake(place, f'the key "{key}" is unknown', nearest_word(key, _keys_of(owner), "key"))
    if kind == "missing":
        return Mistake(place, f'"{key}" is missing', _help(field), _example(key, field))
    if kind in ("union_tag_not_found", "union_tag_invalid"):
        name = str(context["discriminator"]).strip("'")
        tags = (str(context.get("expected_tags", "")) or ", ".join(map(repr, _tags(field)))).replace("'", '"')
        found = f'"{name}" is missing' if kind == "union_tag_not_found" else f'"{name}" is "{context["tag"]}"'
        place = page.place((*at, *location, name))
        return Mistake(place, found, f"It may be one of {tags}.", f'{name} = "{_first(tags)}"')
    if kind == "mistake":
        return Mistake(place, str(context["found"]), str(context["allowed"]), str(context["example"]))
    value = _at(written, location)
    if isinstance(value, Mapping) or not key:
        return Mistake(place, "this does not fit together", _allowed(kind, context, detail["msg"]))
    found = f"{key} is {_shown(value, field)}" if isinstance(location[-1], str) else _shown(value, field)
    return Mistake(place, found, _allowed(kind, context, detail["msg"]), _example(key, field))


def _allowed(kind: str, context: Mapping[str, Any], said: str) -> str:
    """Say what may stand where something else stands."""
    limits = {"gt": "more than", "ge": "at least", "lt": "less than", "le": "at most"}
    limit = next((f"It must be {words} {context[name]}." for name, words in limits.items() if name in context), "")
    plain = {
        "float_type": "It must be a plain number with a decimal point, without quotes.",
        "int_type": "It must be a plain whole number, without quotes.",
        "int_from_float": "It must be a whole number.",
        "finite_number": "It must be an ordinary number.",
        "bool_type": "It must be true or false, without quotes.",
        "string_type": "It must be text, in double quotes.",
        "tuple_type": 'It must be a list in brackets, ["like", "this"].',
        "dict_type": "It must be a table: a heading in brackets with keys below it.",
        "model_type": "It must be a table: a heading in brackets with keys below it.",
        "date_parsing": 'It must be a day, written like "2026-10-31".',
        "date_from_datetime_parsing": 'It must be a day, written like "2026-10-31".',
        "date_from_datetime_inexact": 'It must be a day, written like "2026-10-31".',
        "too_short": "At least one is needed.",
        "string_too_short": "It must not be empty.",
    }
    if "expected" in context:
        return "It may be {}.".format(str(context["expected"]).replace("'", '"'))
    if kind == "value_error":
        return _sentence(str(context.get("error", said)))
    return limit or plain.get(kind) or _sentence(said)


def _sentence(words: str) -> str:
    words = words[:1].upper() + words[1:]
    return words if words.endswith((".", "?", "!")) else f"{words}."


def _shown(value: Any, field: FieldInfo | None) -> str:
    """Return a value as it was written, shortened; never one that may be a secret."""
    if _may_be_secret(field):
        return "not what a secret looks like" if isinstance(value, str) else "not text"
    if value is None:
        return "missing"
    shown = json.dumps(value, default=str, ensure_ascii=False)
    shown = PASSWORD_IN_ADDRESS.sub("://...@", shown)
    return shown if len(shown) <= 60 else f"{shown[:57]}..."


def _help(field: FieldInfo | None) -> str:
    said = field.description if field is not None and field.description else ""
    return f"It is needed. {_sentence(said)}" if said else "It is needed."


def _example(key: str, field: FieldInfo | None) -> str:
    examples = field.examples if field is not None and field.examples else []
    return f"{key} = {json.dumps(examples[0], ensure_ascii=False)}" if examples else ""


def _first(tags: str) -> str:
    return tags.split(",")[0].strip().strip('"')


def _at(written: Any, location: Location) -> Any:
    for step in location:
        try:
            written = written[step]
        except (KeyError, IndexError, TypeError):
            return None
    return written


def _members(annotation: Any) -> list[Any]:
    """Return the alternatives of a type, without None."""
    origin = get_origin(annotation)
    if origin is Annotated:
        return _members(get_args(annotation)[0])
    if origin in (Union, UnionType):
        return [member for part in get_args(annotation) for member in _members(part)]
    return [] if annotation is NoneType else [annotation]


def _models(alternatives: list[Any]) -> list[type[BaseModel]]:
    return [part for part in alternatives if isinstance(part, type) and issubclass(part, BaseModel)]


def _literals(model: type[BaseModel]) -> list[str]:
    return [
        str(word)
        for field in model.model_fields.values()
        if get_origin(field.annotation) is Literal
        for word in get_args(field.annotation)
    ]


def _tags(field: FieldInfo | None) -> list[str]:
    alternatives = _members(field.annotation) if field is not None else []
    inner = [part for item in alternatives if get_origin(item) in (tuple, list) for part in _members(get_args(item)[0])]
    return [word for model in _models(inner or alternatives) for word in _literals(model)[:1]]


def _keys_of(model: type[BaseModel] | None) -> list[str]:
    return [] if model is None else [field.alias or name for name, field in model.model_fields.items()]


def _trace(model: type[BaseModel], location: Location) -> tuple[Location, type[BaseModel] | None, FieldInfo | None]:
    """Return a location without the tags pydantic puts into it, and the model and field in which it ends."""
    kept: list[str | int] = []
    here: list[Any] = [model]
    owner: type[BaseModel] | None = model
    field: FieldInfo | None = None
    for step in location:
        models = _models(here)
        tagged = [part for part in models if step in _literals(part)]
        if isinstance(step, int):
            here = [part for item in here if get_origin(item) in (tuple, list) for part in _members(get_args(item)[0])]
        elif len(models) > 1 and tagged:
            here = tagged
            continue
        else:
            owner = next((part for part in models if step in _keys_of(part)), models[0] if models else None)
            fields = {} if owner is None else {known.alias or name: known for name, known in owner.model_fields.items()}
            field = fields.get(step)
            values = [part for item in here if get_origin(item) is dict for part in _members(get_args(item)[1])]
            here = values if field is None else _members(field.annotation)
        kept.append(step)
    return tuple(kept), owner, field

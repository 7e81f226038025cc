"""What a series of an open standard says of itself -> whose it is, which of our variables, in which unit, how long."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence

from watchman.model import RAIN, VARIABLES
from watchman.readings.sources import units
from watchman.readings.sources.settings import Source

OTHERS = {
    "rain": ("intensity", "rate", "drain", "drainage", "terrain", "probability", "duration", "forecast"),
    "battery": ("solar", "panel", "reference"),
    "temperature": ("water", "soil", "dew", "dewpoint", "wet", "sea", "road"),
    "humidity": ("soil", "absolute", "specific"),
    "signal": (),
}
"""Words with which a name that sounds like a variable means another quantity (common practice, no source)."""
RATE = re.compile(r"/ ?(?:h|hr|hour|min|minute|s|sec|d|day)\b|\bper (?:hour|minute|second|day)|(?:h|min|s|d)-1\b", re.I)
DURATION = re.compile(r"P(?:(\d+)W)?(?:(\d+)D)?(?:T(?=\d)(?:(\d+)H)?(?:(\d+)M)?(?:(\d+)(?:\.\d+)?S)?)?", re.ASCII)
"""A duration of ISO 8601 without years and months, which have no fixed length."""


def short(word: str) -> str:
    """Return what an address or URN names: its last part; other words as they are."""
    word = word.strip()
    if "://" not in word and not word.startswith(("urn:", "ucum:", "#")):
        return word
    return next((part for part in reversed(re.split(r"[/#:]", word)) if part), "")


def variables_of(source: Source, *said: Sequence[str]) -> tuple[str, ...]:
    """Return the names in VARIABLES that a series fits: the very word that is written for one, else by its sense.

    said: its words, those that decide first in front; what comes behind is asked only where they don't decide.
    """
    from watchman.readings.sources.propose import WORDS, says

    groups = [[word.strip() for word in words if word.strip()] for words in said]
    every = {each for words in groups for word in words for each in (word, short(word))}
    written = {name: getattr(source.variables, name).strip() for name in source.variables.model_fields_set}
    exact = tuple(name for name in VARIABLES if written.get(name) in every)
    if exact:
        return exact
    open_ones = [
        name for name in VARIABLES if name not in written and not any(says(short(word), OTHERS[name]) for word in every)
    ]
    fits = [
        tuple(name for name in open_ones if any(says(short(word), WORDS[name]) for word in words)) for words in groups
    ]
    return next((names for names in fits if len(names) == 1), next((names for names in fits if names), ()))


def unit_of(said: Sequence[str], variable: str, source: Source) -> tuple[str, str]:
    """Return which of the words said of a series' unit we know, "" if none was said; or why it can't be read.

    said: its symbol, name and definition, as far as they are there.
    """
    said = [word.strip() for word in said if word.strip()]
    if not said:
        return "", ""
    unit = next((word for full in said for word in (full, short(full)) if units.fits(word, variable)), "")
    rate = next((word for word in said if RATE.search(word)), "")
    if not unit or rate:
        known = units.EXAMPLES[variable]
        return "", f"its unit {(rate or said[0])[:40]!r} is not one of {variable} that can be read, such as {known}"
    if variable == VARIABLES[RAIN]:
        tips = source.rain.unit == "tips"
        if units.counts_tips(unit) and not tips:
            return "", f'it counts tips (unit {unit!r}): write rain = {{ unit = "tips" }} and tip_mm'
        if tips and not units.counts_tips(unit):
            return "", f"its unit is {unit!r}, and the settings say that rain is in tips"
    return unit, ""


def stations_of(words: Iterable[str], aliases: Mapping[str, int]) -> dict[int, str]:
    """Return the listed stations that a series' words name: position -> the first word for it."""
    found: dict[int, str] = {}
    for word in words:
        if word.strip() in aliases:
            found.setdefault(aliases[word.strip()], word.strip())
    return found


def length_s(text: str) -> int | None:
    """Return an ISO 8601 duration [s], or None where it has no fixed length or is none."""
    match = DURATION.fullmatch(text.strip())
    if match is None or not any(match.groups()):
        return None
    parts = [int(part or 0) for part in match.groups()]
    seconds = sum(part * each for part, each in zip(parts, (604_800, 86_400, 3600, 60, 1), strict=True))
    return seconds if 0 < seconds < 10**9 else None

"""A fault at a station that explains another one there: the second is part of the first, not news of its own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from watchman.model import Alarm, AlarmKey, Matter, Verdict

EXPLAINS: Mapping[str, frozenset[str]] = {
    "exchanged-ids": frozenset(
        {"battery-decline", "not-charging", "dry-among-wet", "slow-drain", "undercatch", "clock", "stuck-value"}
    ),
    "overdue": frozenset({"gaps", "stuck-value", "limit", "not-charging", "clock"}),
    "stuck-value": frozenset({"dry-among-wet", "undercatch", "limit", "not-charging", "battery-decline"}),
    "battery-decline": frozenset({"not-charging", "gaps"}),
    "clock": frozenset({"undercatch", "slow-drain", "gaps", "stuck-value"}),
    "doubtful-rain": frozenset({"undercatch", "dry-among-wet"}),
    "dry-among-wet": frozenset({"undercatch", "slow-drain"}),
    "slow-drain": frozenset({"undercatch"}),
}
"""By check: which others' findings at the same station it explains (judgement, no source)."""


def explained(matters: list[Matter], standing: Mapping[AlarmKey, Alarm]) -> list[Matter]:
    """Return the matters, each that another one at its station explains made part of it.

    standing: the alarms that have not ended; one that has been told explains until it is over.
    """
    causes: dict[tuple[str, str], AlarmKey] = {}
    for matter in matters:
        told = matter.key in standing and standing[matter.key].open_now
        if matter.check in EXPLAINS and (matter.verdict is Verdict.PRESENT or (told and matter.verdict < 0)):
            stations = matter.stations or (standing[matter.key].stations if told else ())
            causes |= {(station, matter.check): matter.key for station in stations}
    return [_explained(matter, causes) for matter in matters]


def _explained(matter: Matter, causes: Mapping[tuple[str, str], AlarmKey]) -> Matter:
    if matter.verdict is not Verdict.PRESENT or matter.part_of is not None or len(matter.stations) != 1:
        return matter
    for check, others in EXPLAINS.items():
        if matter.check in others and (matter.stations[0], check) in causes:
            return replace(matter, part_of=causes[matter.stations[0], check])
    return matter

"""A fault at a station that explains another one there: the second is part of the first, not news of its own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from watchman.model import Alarm, AlarmKey, Matter, Verdict, When

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

    What rings a phone is never part of what goes into the digest only: somebody must be told of it. standing: the
    alarms that have not ended; one that has been told explains until it is over.
    """
    causes: dict[tuple[str, str], Matter] = {}
    for matter in matters:
        told = matter.key in standing and standing[matter.key].open_now
        if matter.check in EXPLAINS and (matter.verdict is Verdict.PRESENT or (told and matter.verdict < 0)):
            stations = matter.stations or (standing[matter.key].stations if told else ())
            for station in stations:
                # Of two rules of one check the one that rings explains, whichever comes first.
                before = causes.get((station, matter.check))
                if before is None or before.when is When.WEEKLY:
                    causes[station, matter.check] = matter
    return [_explained(matter, causes) for matter in matters]


def _explained(matter: Matter, causes: Mapping[tuple[str, str], Matter]) -> Matter:
    if matter.verdict is not Verdict.PRESENT or matter.part_of is not None or len(matter.stations) != 1:
        return matter
    for check, others in EXPLAINS.items():
        cause = causes.get((matter.stations[0], check)) if matter.check in others else None
        if cause is not None and (cause.when is not When.WEEKLY or matter.when is When.WEEKLY):
            return replace(matter, part_of=cause.key)
    return matter

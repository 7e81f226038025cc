"""Many findings with one cause become one matter: a source or mast that fails, a storm over many gauges, a battery
that ends.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from watchman.judging.causes.batteries import batteries, with_ended_batteries
from watchman.judging.causes.explained import explained
from watchman.judging.causes.plain import evidence, plain
from watchman.judging.causes.silences import silences, sources_out, with_sources_behind_groups
from watchman.judging.causes.storms import back_with_missed_rain, missed_rain, storm
from watchman.judging.checks import battery_decline, heavy_rain, overdue
from watchman.judging.rule import Rule
from watchman.judging.view import Findings, View
from watchman.model import Alarm, AlarmKey, Matter, Verdict

__all__ = ["KEEPER", "OWN_TROUBLE", "gather", "missed_rain", "own_trouble", "words_of"]

KEEPER = "technician"
"""The role that is told of the watch's own trouble."""
OWN_TROUBLE = "check-failure"
"""The check of which the watch's own troubles are matters."""

Judged = Sequence[tuple[Rule, Findings]]


def gather(judged: Judged, view: View, standing: Mapping[AlarmKey, Alarm]) -> list[Matter]:
    """Return what is to be said this cycle: every matter that is present, and how it stands with those already open.

    standing: the alarms that have not ended, by key.
    """
    matters: list[Matter] = []
    for rule, findings in judged:
        what = f"evidence of rule {rule.name}"
        try:
            sure, trouble = _with_evidence(rule, findings, view)
            matters += _of_rule(rule, sure, judged, view, standing)
            matters += [own_trouble(what, trouble)] if trouble else []
        except Exception as error:  # noqa: BLE001 -- one rule's causes must not stop the others
            matters.append(own_trouble(what, error))
    try:
        matters = back_with_missed_rain(matters, judged, view, standing)
    except Exception as error:  # noqa: BLE001 -- nor must the rain that an outage hid
        matters.append(own_trouble("rain that an outage hid", error))
    matters = with_sources_behind_groups(matters, view)
    return explained(with_ended_batteries(matters, standing), standing)


def own_trouble(what: str, error: Exception | str) -> Matter:
    """Return a failure of the watch's own as a matter for whoever keeps it; without an error, that it is over."""
    trouble = words_of(error) if isinstance(error, Exception) else error
    return Matter(
        AlarmKey("tool", OWN_TROUBLE, f"tool:{what}"),
        OWN_TROUBLE,
        Verdict.PRESENT if trouble else Verdict.ABSENT,
        tell=(KEEPER,),
        numbers={"what": what, "trouble": trouble},
    )


def words_of(error: Exception) -> str:
    """Return an error of our own in words."""
    return f"{type(error).__name__}: {error}"


def _with_evidence(rule: Rule, findings: Findings, view: View) -> tuple[Findings, str]:
    """Return what a rule found, undetermined where nothing can be shown for it, and the trouble of the first such."""
    if rule.check == heavy_rain.NAME:
        return findings, ""  # its evidence is the storm's
    verdict, reason, trouble = findings.verdict.copy(), findings.reason.copy(), ""
    for position in findings.present().tolist():
        try:
            evidence(rule, findings, view, position)
        except Exception as error:  # noqa: BLE001 -- one station's evidence must not stop the others'
            place = findings.scopes[position] if findings.scopes else view.stations.ids[position]
            verdict[position], reason[position] = Verdict.UNDETERMINED, f"its evidence failed ({words_of(error)})"
            trouble = trouble or f"{place}: {words_of(error)}"
    return replace(findings, verdict=verdict, reason=reason) if trouble else findings, trouble


def _of_rule(
    rule: Rule, findings: Findings, judged: Judged, view: View, standing: Mapping[AlarmKey, Alarm]
) -> list[Matter]:
    if rule.check == heavy_rain.NAME:
        return storm(rule, findings, view, standing)
    if rule.check == overdue.NAME:
        return silences(rule, findings, view, standing, sources_out(judged))
    if rule.check == battery_decline.NAME:
        return batteries(rule, findings, view, standing)
    return plain(rule, findings, view, standing)

"""What is owed to whoever works at a station: a question before the visit ends, and what the station sent.

A visitor hears once that the test tips came and all is well, or what is not; again when there are more runs of tips; at
the end of the visit; and, if nothing had come by then, when the station is first heard. What has been told is a mark.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from watchman.answers import poured_mark
from watchman.judging import causes, on_site
from watchman.judging.checks import limit, overdue, source_outage
from watchman.judging.view import View
from watchman.model import SIGNAL, VARIABLES, VISIT, Alarm, Notice, Span, When
from watchman.network import Contact, Network
from watchman.telling import compose, roster

ASKED_BEFORE = timedelta(minutes=15)
"""How long before its end a visitor is asked whether somebody is still there (judgement, no source)."""
ASKED_FROM = timedelta(hours=1)
"""A shorter visit is not asked about (judgement, no source)."""
DAY_LONG = timedelta(hours=12)
"""A longer visit is a day marked in a calendar: nobody is asked at midnight, or woken by its end (judgement)."""
AWAITED = timedelta(hours=12)
"""How long after a visit the first word of a silent station is still told to the visitor (judgement, no source)."""
MOST_REPORTS = 4
"""So many times a visitor hears of runs of tips before the visit ends; it may be raining (judgement, no source)."""
CREW = "crew"
"""The role that is told of a visit which nobody known booked."""
UNHEARD = "unheard"
STAGES = {"on-site": "there", "asked": "asked", "window": "over"}
"""The occasions, and what each is."""


@dataclass(frozen=True, slots=True)
class Visits:
    """What is needed to say what is owed: visits that hold, the station's alarms, marks, and the last cycle."""

    network: Network
    view: View
    spans: Sequence[Span]
    alarms: Sequence[Alarm]
    marks: Mapping[str, str]
    before: datetime | None


def owed(visits: Visits, now: datetime) -> tuple[list[Notice], dict[str, str]]:
    """Return the notices to visitors that are due now, and the marks that say so."""
    notices: list[Notice] = []
    marks: dict[str, str] = {}
    for window in _recent(visits, now):
        for occasion, mark in _occasions(visits, window, now):
            notices += _to_visitors(visits, window, occasion, now)
            marks[_mark(window)] = mark
    return notices, marks


def facts(
    network: Network, view: View, alarms: Iterable[Alarm], marks: Mapping[str, str], window: Span, what: str
) -> compose.OnSite | None:
    """Return what a visitor is told of a visit; what: the occasion's first word. None for a station that is gone."""
    if window.station not in view.stations.positions:
        return None
    seen, weak_dbm = _seen(view, window), _weak_signal(network)
    poured = poured_ml(marks, window)
    expected = expected_tips(network, window.station, poured) if poured else None
    return compose.OnSite(
        window=window,
        stage=STAGES[what],
        seen=seen,
        poured_ml=poured,
        expected=expected,
        off_percent=tuple(round(100 * tips / expected - 100) for tips in seen.tips) if expected else (),
        weak=seen.signal_dbm is not None and weak_dbm is not None and seen.signal_dbm < weak_dbm,
        standing=tuple(_standing(alarms, window, heard=seen.heard)),
    )


def _recent(visits: Visits, now: datetime) -> Iterator[Span]:
    """Yield the visits that may still owe something, those left out beside which another one goes on."""
    known = visits.view.stations.positions
    own = [span for span in visits.spans if span.reason == VISIT and span.station in known]
    running = [span for span in own if span.begins_at <= now < span.ends_at]
    for span in own:
        others = (one for one in running if one.station == span.station and one.number != span.number)
        if not any((one.ends_at, one.number) > (span.ends_at, span.number) for one in others):
            over_at = max(span.ends_at, span.decided_at)
            if span.begins_at <= now < over_at + AWAITED:
                yield span


def _occasions(visits: Visits, window: Span, now: datetime) -> Iterator[tuple[str, str]]:
    """Yield each occasion that is due now, and the visit's mark from then on: runs told, how often, and "unheard"."""
    seen, mark = _seen(visits.view, window), visits.marks.get(_mark(window), "0 0")
    told, reports, *silent = mark.split()
    runs = len(seen.runs)
    # An end may be decided afterwards; the window is over when both have come.
    if _came(visits, max(window.ends_at, window.decided_at), now):
        yield f"window:{window.number}", f"{runs} {reports}" + ("" if seen.heard else f" {UNHEARD}")
    elif window.ends_at <= now:
        if silent and seen.heard:
            yield f"on-site:{window.number}:heard", f"{runs} {reports}"
    elif seen.quiet and runs > int(told) and int(reports) < MOST_REPORTS:
        mark = f"{runs} {int(reports) + 1}"
        yield f"on-site:{window.number}:{runs}", mark
    asked = ASKED_FROM <= window.ends_at - window.begins_at < DAY_LONG and now < window.ends_at
    if asked and _came(visits, window.ends_at - ASKED_BEFORE, now):
        yield f"asked:{window.number}", mark


def _came(visits: Visits, moment: datetime, now: datetime) -> bool:
    """Say whether a moment has come since the last cycle."""
    return visits.before is not None and visits.before <= moment <= now


def _to_visitors(visits: Visits, window: Span, occasion: str, now: datetime) -> list[Notice]:
    told = visitors(visits.network, visits.alarms, window, now)
    notices = roster.summon(visits.network, occasion, "visit", told, now)
    day_long = window.ends_at - window.begins_at >= DAY_LONG and window.ends_at <= now
    by_day = roster.next_by_day(visits.network, now)
    return [replace(notice, due_at=by_day) for notice in notices] if day_long else notices


def visitors(network: Network, alarms: Iterable[Alarm], window: Span, now: datetime) -> list[Contact]:
    """Return who is told of a visit: whoever booked it, else who has acknowledged what stands there, else the crew on
    duty, else whoever is told of what stands there.
    """
    standing = [alarm for alarm in alarms if alarm.open_now and window.station in alarm.stations]
    for names in ({window.who}, {alarm.acknowledged_by for alarm in standing}):
        if found := [contact for contact in network.contacts if contact.name in names]:
            return found
    roles = {role for alarm in standing for role in alarm.tell}
    return roster.told_now(network, (CREW,), now) or roster.told_now(network, roles or {causes.KEEPER}, now)


def _seen(view: View, window: Span) -> on_site.Seen:
    begin, end = int(window.begins_at.timestamp()), int(window.ends_at.timestamp())
    return on_site.look(view, view.stations.positions[window.station], begin, end)


def poured_ml(marks: Mapping[str, str], window: Span) -> float | None:
    """Return what the visitor of a window poured in each test [ml], or None."""
    poured = marks.get(poured_mark(window))
    return float(poured) if poured else None


def expected_tips(network: Network, station: str, ml: float) -> float | None:
    """Return how many tips a volume [ml] makes at a station; None where its funnel or its tip is not known."""
    position = network.columns().positions[station]
    cm2, tip_mm = network.stations[position].funnel_cm2, network.tip_mm(position)
    return on_site.expected_tips(ml, cm2, tip_mm) if cm2 and tip_mm else None


def _weak_signal(network: Network) -> float | None:
    """Return the lowest signal that no rule calls weak [dBm], or None where none asks."""
    limits = [
        one for rule in network.rules if isinstance(rule.settings, limit.Settings) for one in rule.settings.limits
    ]
    weak = [one.below for one in limits if one.variable == VARIABLES[SIGNAL] and one.below is not None]
    return max(weak, default=None)


def _standing(alarms: Iterable[Alarm], window: Span, *, heard: bool) -> Iterator[Alarm]:
    """Yield what is open at the visited station and a visitor can do something about.

    Of a station that is heard it isn't said that it is silent; of one that is not, a silence it shares is said too.
    """
    for alarm in alarms:
        silence = alarm.check in (overdue.NAME, source_outage.NAME)
        here = alarm.key.scope == f"station:{window.station}" or (silence and window.station in alarm.stations)
        if alarm.open_now and here and alarm.when is not When.WEEKLY and not (heard and silence):
            yield alarm


def _mark(window: Span) -> str:
    return f"on-site:{window.station}:{window.begins_at.isoformat()}"

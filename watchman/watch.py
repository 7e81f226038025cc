"""One cycle, top to bottom: read what arrived, judge it, decide who is told, write it down. All run this one."""

from __future__ import annotations

import json
import logging
import zlib
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from watchman import drills, polls, visiting
from watchman.errors import OutsideError
from watchman.judging import alarms, causes, checks, cleared, holding, learned
from watchman.judging.checks import doubtful_rain, heavy_rain, source_change
from watchman.judging.rule import Rule
from watchman.judging.science.neighbours import NOTHING_LEARNED, HonestZeros
from watchman.judging.science.season import days_to_season
from watchman.judging.view import Findings, Stations, View
from watchman.memory import Memory
from watchman.model import (
    RAIN,
    VISIT,
    WATCH,
    Alarm,
    AlarmKey,
    Call,
    Delivery,
    Event,
    Flag,
    KnownSource,
    Look,
    Matter,
    Notice,
    Readings,
    SourceHealth,
    Span,
    Verdict,
)
from watchman.network import AnySource, Network
from watchman.readings.cleaning import LOOK_BACK_S, REASONS, Clean, Held, Terms
from watchman.readings.record import DAY, HOUR, Record
from watchman.readings.sources.units import MM_PER_INCH
from watchman.telling import calling, digest, roster

log = logging.getLogger(__name__)

OFF_AFTER = timedelta(minutes=15)
"""A pause between two cycles longer than this is told: the watch was off."""
AWAY = ("stood down", "relocating", "stolen")
"""What stations.csv says of a station whose readings nobody should be told of."""
PROBATION_S = 2 * DAY
"""How long a new station, or one in a new place, is on probation [s] (judgement, no source)."""
LEARNING, HOLDING, VISITING = "learning from dry gauges", "holding back doubtful rain", "reports to visitors"
KNOWING = "how the sources write"
"""What the watch does beside the rules, as it is told when that fails."""
LOOK = "look:"
"""How the marks begin of how a source writes."""
CLEARED = "cleared:"
"""How the marks begin of what somebody said is not a fault."""
DAYS_AT_ONCE = 10
"""How many days of readings are held in memory at once when the long memory is made anew."""


MANY_STATIONS = 1000
"""From so many stations on what slow checks find takes seconds, and not two of them are asked in one cycle."""


@dataclass(frozen=True, slots=True)
class Kept:
    """What a rule's check found: in which period of its own, and who was in service then [bool, n]."""

    period: int
    in_service: np.ndarray
    findings: Findings

    def concerns(self, stations: Stations, left: np.ndarray, back: np.ndarray) -> bool:
        """Say whether it may be otherwise for some stations: `left` have left service or their rain counts otherwise,
        `back` are back in service [positions].
        """
        if self.findings.scopes is not None:
            return bool(len(left) or len(back))
        verdict = self.findings.verdict
        both = np.append(left, back)
        beside = stations.neighbours[both]
        present = (verdict[both] == Verdict.PRESENT).any() or (verdict[beside[beside >= 0]] == Verdict.PRESENT).any()
        return bool(present or (verdict[back] == Verdict.UNDETERMINED).any())


@dataclass
class Watch:
    """A network being watched: what is kept in memory between cycles; all of it can be made again from the store.

    answerable: whether people can answer; in a replay nobody can, and so nobody is reminded or called in their place.
    """

    network: Network
    store: Memory
    record: Record
    health: tuple[SourceHealth, ...]
    alarms: dict[AlarmKey, Alarm]
    last_number: int
    answered_to: int
    marks: dict[str, str]
    spans: tuple[Span, ...] = ()
    taken_back: tuple[Span, ...] = ()
    newest_delivery: int = 0
    cells_saved_at: datetime | None = None
    ran_at: datetime | None = None
    unkept: Readings = field(default_factory=Readings.empty)
    own_trouble: dict[str, str] = field(default_factory=dict)
    kept_findings: dict[str, Kept] = field(default_factory=dict)
    honest_zeros: HonestZeros = NOTHING_LEARNED
    learned_on: int = 0
    answerable: bool = True
    cleared: dict[AlarmKey, cleared.Cleared] = field(default_factory=dict)
    sources_known: dict[str, KnownSource] = field(default_factory=dict)
    known_hour: int = 0

    def history(self, begin: int, end: int, stations: np.ndarray) -> Readings:
        """Return all that some stations delivered in a stretch, with each one's rain before it."""
        kept = self.store.delivered(begin, end, stations=stations, with_previous=True)
        theirs = np.isin(self.unkept.station, stations)
        return Readings.join([kept, self.unkept.take(theirs & (self.unkept.observed_at <= end))])


@dataclass(frozen=True, slots=True)
class Told:
    """What a cycle decided. trouble: why it could not be written down; then nothing of it has happened yet."""

    events: tuple[Event, ...]
    notices: tuple[Notice, ...]
    trouble: str = ""


def cycle(watch: Watch, deliveries: Sequence[Delivery], now: datetime) -> Told:
    """Take what was delivered through the whole way: record, checks, causes, alarms, notices, one transaction."""
    new, trouble = _keep(watch, deliveries)
    polled = polls.counted(watch.network, watch.marks, watch.health, deliveries, now)
    watch.health = tuple(_health(watch.health, deliveries, new, watch.network))
    watch.record.advance(int(now.timestamp()))
    rows, unread = _take(watch, new, now)
    trouble = trouble or unread
    view = view_of(watch, now)
    held, unheld = ([], "") if trouble else _hold(watch, view, rows)
    trouble = trouble or unheld

    known = _known_sources(watch, view, deliveries)
    view = learn(watch, replace(view, held_back=_held_back(watch), sources_known=known))
    judged, broken = judge(watch.network.rules, view, watch.kept_findings)
    matters = [*causes.gather(judged, view, watch.alarms), *broken]
    matters += [*_own_troubles(watch, matters), *_of_nothing_any_more(watch)]

    answers = () if trouble else watch.store.answers_after(watch.answered_to)
    said = {**watch.cleared, **cleared.newly(watch.alarms.values(), answers)}
    matters, still_cleared = cleared.guarded(matters, judged, view, said)
    rules = {rule.name: rule for rule in watch.network.rules}
    calls = _calls(watch, now) if watch.answerable and not trouble else []
    changed, events = alarms.step(watch.alarms.values(), matters, answers, rules, watch.last_number, now, calls)

    due, marks = owed(watch, view, now)
    told = Told(tuple(events), (*roster.address(watch.network, events, now), *due), trouble)
    answered_to = max((answer.number for answer in answers), default=watch.answered_to)
    watch.ran_at = now
    marks |= _cleared_marks(watch.cleared, still_cleared) | polled | _looks(watch.sources_known, known)
    told = _commit(watch, told, changed, rows, held, marks, answered_to, now)
    if not told.trouble:
        clear(watch, still_cleared)
        watch.sources_known = known
    return told


def clear(watch: Watch, marks: Mapping[AlarmKey, cleared.Cleared]) -> None:
    """Let these answers "not a fault" hold from now on, in place of those before."""
    if marks != watch.cleared:
        watch.cleared = dict(marks)
        watch.kept_findings.clear()


def _cleared_marks(
    before: Mapping[AlarmKey, cleared.Cleared], now: Mapping[AlarmKey, cleared.Cleared]
) -> dict[str, str]:
    """Return what to write down of answers "not a fault"; an empty one holds no more."""
    changed = {key for key in (*before, *now) if before.get(key) != now.get(key)}
    return {
        f"{CLEARED}{key.rule}:{key.matter}:{key.scope}": cleared.to_text(now[key]) if key in now else ""
        for key in changed
    }


def _known_sources(watch: Watch, view: View, deliveries: Sequence[Delivery]) -> dict[str, KnownSource]:
    """Return how each source writes: by what was delivered, and, once an hour, by its stations' latest readings."""
    known, hour = dict(watch.sources_known), view.now // HOUR
    if hour != watch.known_hour:
        watch.own_trouble.pop(KNOWING, None)
    try:
        for one in deliveries:
            if one.look != Look():
                known[one.source] = source_change.after(known[one.source], one.look, (), view.now)
        for source in watch.network.sources if hour != watch.known_hour else ():
            changes = source_change.found(view, source.name, source.rain.unit, source.temperature_unit)
            known[source.name] = source_change.after(known[source.name], Look(), changes, view.now)
    except Exception as error:
        log.exception("%s failed", KNOWING)
        watch.own_trouble[KNOWING] = causes.words_of(error)
    watch.known_hour = hour
    return known


def _looks(before: Mapping[str, KnownSource], now: Mapping[str, KnownSource]) -> dict[str, str]:
    """Return what to write down of how sources write."""
    changed = {name: known for name, known in now.items() if known != before.get(name)}
    return {f"{LOOK}{name}": json.dumps(source_change.mark_of(known)) for name, known in changed.items()}


def known_sources(network: Network, marks: Mapping[str, str]) -> dict[str, KnownSource]:
    """Return how each source wrote until now, as the marks remember it."""
    known = {}
    for source in network.sources:
        mark = marks.get(f"{LOOK}{source.name}")
        belongs_to = f"{zlib.crc32(source.model_dump_json().encode()):08x}"
        known[source.name] = source_change.known_of(json.loads(mark) if mark else None, belongs_to)
    return known


def _calls(watch: Watch, now: datetime) -> list[Call]:
    """Return what is owed because nobody answered."""
    waiting = filter(calling.awaits_answer, watch.alarms.values())
    storms = (alarm for alarm in waiting if roster.kind(alarm) == "storm")
    try:
        unreached = {one.number: calling.unreached(watch.store.notices(alarm=one.number), now) for one in storms}
    except OutsideError as error:
        log.error("the outbox could not be read; nobody is called in another's place now: %s", error)
        return []
    return calling.calls(watch.network, watch.alarms.values(), now, unreached)


def judge(
    rules: Iterable[Rule], view: View, kept: dict[str, Kept] | None = None
) -> tuple[list[tuple[Rule, Findings]], list[Matter]]:
    """Return what each rule's check finds; a check that fails becomes a matter of its own and stops no other.

    kept: what checks that change slowly (EVERY_S) found before, and are not asked again for; it is brought up to date.
    """
    kept = {} if kept is None else kept
    judged, broken = [], []
    for place, rule in enumerate(rules):
        what = f"rule {rule.name}"
        try:
            judged.append((rule, _found(rule, place, view, kept)))
            broken.append(causes.own_trouble(what, ""))
        except Exception as error:
            log.exception("the check of %s failed", what)
            broken.append(causes.own_trouble(what, error))
    return judged, broken


def _found(rule: Rule, place: int, view: View, kept: dict[str, Kept]) -> Findings:
    """Return what a rule's check finds, or found earlier in this period if service hasn't changed for it since."""
    every = holds_s(rule)
    # Periods begin a minute after each other, so that slow checks of many stations don't all fall into one cycle.
    begins_s = 60 * (1 + place) if len(view.stations) >= MANY_STATIONS else 0
    period = (view.now - begins_s) // every if every else view.now
    before = kept.get(rule.name)
    if before is not None and before.period == period:
        left, back = (
            np.flatnonzero(before.in_service & ~view.in_service),
            np.flatnonzero(~before.in_service & view.in_service),
        )
        if not before.concerns(view.stations, left, back):
            return before.findings
    kept[rule.name] = Kept(period, view.in_service, checks.CHECKS[rule.check].judge(view, rule.settings))
    return kept[rule.name].findings


def holds_s(rule: Rule) -> int:
    """Return how long what a rule's check finds holds [s], 0 for this cycle only."""
    check = checks.CHECKS[rule.check]
    return int(check.every_s(rule.settings) if hasattr(check, "every_s") else getattr(check, "EVERY_S", 0))


def _of_nothing_any_more(watch: Watch) -> list[Matter]:
    """Return the open alarms whose rule, station, source or group is not written any more, as over."""
    stations = watch.network.columns()
    known: dict[str, Container[str]] = {
        "network": ("",),
        "station": stations.positions,
        "source": {source.name for source in watch.network.sources},
        "mast": set(stations.mast),
        "plan": set(stations.plan),
        "area": set(stations.area),
    }
    rules = {rule.name for rule in watch.network.rules}

    def gone(key: AlarmKey) -> bool:
        kind, _, name = key.scope.partition(":")
        return key.rule not in rules or name not in known.get(kind, ())

    return [
        Matter(key, alarm.check, Verdict.ABSENT, numbers={"withdrawn": True})
        for key, alarm in watch.alarms.items()
        if key.matter != causes.OWN_TROUBLE and gone(key)
    ]


def _own_troubles(watch: Watch, matters: Sequence[Matter]) -> list[Matter]:
    """Return the watch's other troubles as matters, and those of which nothing is said any more as over."""
    troubles = [causes.own_trouble(what, trouble) for what, trouble in watch.own_trouble.items()]
    said = {matter.key for matter in (*troubles, *matters)}
    over = [key for key in watch.alarms if key.matter == causes.OWN_TROUBLE and key not in said]
    return troubles + [causes.own_trouble(key.scope.removeprefix("tool:"), "") for key in over]


def view_of(watch: Watch, now: datetime) -> View:
    """Return what the checks look at."""
    stations = watch.network.columns()
    today = (int(now.timestamp()) + stations.utc_offset_s) // DAY
    in_service = np.array([status not in AWAY for status in stations.status], bool)
    for seasonal in np.flatnonzero(np.array(stations.season, object) != ""):
        in_service[seasonal] &= not days_to_season(stations.season[seasonal], today)
    last_visit = np.zeros(len(stations), np.int64)
    for span in watch.spans:
        position = stations.positions.get(span.station)
        if position is None or span.reason != VISIT:
            continue
        if span.begins_at <= now < span.ends_at:
            in_service[position] = False
        elif span.ends_at <= now:
            last_visit[position] = max(last_visit[position], int(span.ends_at.timestamp()))
    new = _on_probation(stations, watch.record, int(now.timestamp()))
    return View(
        int(now.timestamp()),
        stations,
        watch.record,
        watch.health,
        in_service,
        last_visit,
        new,
        held_back=_held_back(watch),
        frequency=watch.network.frequency,
        honest_zeros=watch.honest_zeros,
        cleared={(mark.check, key.scope): mark.at for key, mark in watch.cleared.items()},
        sources_known=watch.sources_known,
    )


def _held_back(watch: Watch) -> tuple[Span, ...]:
    """Return what the watch itself held back, and what of it a person confirmed: it grows while its tips go on."""
    return tuple(span for span in watch.spans if span.who == WATCH or span.reason == holding.TEST_TIPS)


def learn(watch: Watch, view: View) -> View:
    """Return the view with what the past teaches of honest zeros, learned once a day; where that fails, what was
    learned before holds until tomorrow.
    """
    today = watch.record.daily.end_of(watch.record.daily.head)
    if watch.learned_on == today:
        return view
    watch.learned_on = today
    try:
        watch.honest_zeros = learned.learn(view)
        watch.own_trouble.pop(LEARNING, None)
    except Exception as error:
        log.exception("%s failed", LEARNING)
        watch.own_trouble[LEARNING] = causes.words_of(error)
    return replace(view, honest_zeros=watch.honest_zeros)


def _on_probation(stations: Stations, record: Record, now: int) -> np.ndarray:
    """Say which stations are on probation: written so, or new here though others have been heard for longer [bool]."""
    heard = record.first_heard > 0
    begins_at = np.maximum(record.first_heard, np.where(stations.from_s <= now, stations.from_s, 0))
    others_since = record.first_heard.min(where=heard, initial=now)
    new = heard & (now - begins_at < PROBATION_S) & (begins_at - others_since > PROBATION_S)
    return np.asarray(new | (np.array(stations.status, object) == "probation"))


def owed(watch: Watch, view: View, now: datetime) -> tuple[list[Notice], dict[str, str]]:
    """Return notices that are due by the clock alone (digests, the end of a window, "I was off"), and their marks."""
    network = watch.network
    notices: list[Notice] = []
    marks: dict[str, str] = {}
    since = _moment(watch.marks.get("watched_since"))
    weeks = digest.due_weeks(network, watch.marks, now, watched_since=since)
    if weeks:
        contacts = roster.with_roles(network, network.digest.tell)
        notices += roster.summon(network, f"digest:{weeks[-1]}", "digest", contacts, now)
        marks = {f"digest:{week}": now.isoformat() for week in weeks}
        marks[f"also:{weeks[-1]}"] = " ".join(weeks[:-1])
    before = _moment(watch.marks.get("last_cycle"))
    to_visitors, visited = _owed_to_visitors(watch, view, before, now)
    notices, marks = [*notices, *to_visitors], {**marks, **visited}
    unanswered, settled = _drill_unanswered(watch, now)
    notices, marks = [*notices, *unanswered], {**marks, **settled}
    ran_before = watch.ran_at or before
    if before is not None and ran_before is not None and now - ran_before > OFF_AFTER:
        occasion = f"off:{before.isoformat()}/{now.isoformat()}"
        contacts = roster.told_now(network, (causes.KEEPER,), now) or list(network.contacts)
        notices += roster.summon(network, occasion, "tool", contacts, now)
    return notices, marks


def _drill_unanswered(watch: Watch, now: datetime) -> tuple[list[Notice], dict[str, str]]:
    try:
        return drills.owed(watch.network, watch.store, now)
    except OutsideError as error:
        log.error("the last drill could not be looked at, and will be with the next cycle: %s", error)
        return [], {}


def _owed_to_visitors(
    watch: Watch, view: View, before: datetime | None, now: datetime
) -> tuple[list[Notice], dict[str, str]]:
    watch.own_trouble.pop(VISITING, None)
    try:
        alarms_now = list(watch.alarms.values())
        visits = visiting.Visits(watch.network, view, watch.spans, alarms_now, watch.marks, before)
        return visiting.owed(visits, now)
    except Exception as error:
        log.exception("%s failed", VISITING)
        watch.own_trouble[VISITING] = causes.words_of(error)
        return [], {}


def _keep(watch: Watch, deliveries: Sequence[Delivery]) -> tuple[Readings, str]:
    """Return the readings that are new; what the store can't keep now is judged all the same, and kept when it can."""
    readings = Readings.join([watch.unkept, *(delivery.readings for delivery in deliveries)])
    rejected = [row for delivery in deliveries for row in delivery.rejected]
    try:
        new = watch.store.keep(readings, rejected)
    except OutsideError as error:
        log.error("readings could not be kept: %s", error)
        readings = readings.without_repeats()
        watch.unkept = replace(readings, delivery=np.arange(1, len(readings) + 1))
        return watch.unkept, str(error)
    watch.unkept = Readings.empty()
    if len(new):
        watch.newest_delivery = max(watch.newest_delivery, int(new.delivery.max()))
    return new, ""


def _health(
    before: Iterable[SourceHealth], deliveries: Iterable[Delivery], new: Readings, network: Network
) -> Iterable[SourceHealth]:
    fetched = {delivery.source: delivery for delivery in deliveries}
    brought = {network.sources[source].name for source in np.unique(new.source)}
    for health in before:
        delivery = fetched.get(health.source)
        if delivery is None:
            yield health
        elif delivery.trouble:
            since = health.failing_since or delivery.at
            yield replace(health, last_attempt_at=delivery.at, failing_since=since, trouble=delivery.trouble)
        else:
            yield replace(
                health,
                last_attempt_at=delivery.at,
                last_success_at=delivery.at,
                last_new_at=delivery.at if health.source in brought else health.last_new_at,
                back_at=delivery.at if _was_out(health, delivery.at) else health.back_at,
                failing_since=None,
                trouble="",
            )


def _was_out(health: SourceHealth, now: datetime) -> bool:
    """Say whether a source was out for so long that its stations must be given time; one failed fetch is nothing."""
    return health.failing_since is not None and now - health.failing_since > OFF_AFTER


def _take(watch: Watch, new: Readings, now: datetime) -> tuple[list[Clean], str]:
    """Write what is new into the record; return it cleaned, and what kept it from being read again from the store."""
    try:
        return [*watch.record.take(new, watch.history), _decide_spans(watch, now)], ""
    except OutsideError as error:
        log.error("the store could not be read: %s", error)
        return [Clean.join([])], str(error)


def _hold(watch: Watch, view: View, rows: list[Clean]) -> tuple[list[Span], str]:
    """Hold back what the watch itself decides doesn't count, before anything is judged; the rows it changes join.

    Return the spans, to be written down with the rest of the cycle, and what kept them from being decided.
    """
    watch.own_trouble.pop(HOLDING, None)
    if not any(rule.check == doubtful_rain.NAME for rule in watch.network.rules):
        return [], ""
    try:
        spans = holding.decided(view, watch.taken_back)
    except Exception as error:
        log.exception("%s failed", HOLDING)
        watch.own_trouble[HOLDING] = causes.words_of(error)
        return [], ""
    replaced = {span.number for span in spans if span.number}
    kept = [span for span in watch.spans if span.number not in replaced]
    try:
        rows.append(_let_hold(watch, (*kept, *spans)))
    except OutsideError as error:
        log.error("the store could not be read: %s", error)
        return [], str(error)
    return spans, ""


def _decide_spans(watch: Watch, now: datetime) -> Clean:
    """Take over the spans decided by now; return the readings that they change."""
    spans, watch.taken_back = _spans_known(watch.store, now)
    return _let_hold(watch, spans)


def _let_hold(watch: Watch, spans: tuple[Span, ...]) -> Clean:
    """Let these spans hold in place of those before; return the readings that they change."""
    changed = set(spans) ^ set(watch.spans)
    if not changed:
        return Clean.join([])
    rows = watch.record.decide(
        Held.of(_stretches(watch.network, spans)), _stretches(watch.network, changed), watch.history
    )
    watch.spans = spans
    stations = watch.network.columns()
    theirs = np.array([stations.positions[span.station] for span in changed if span.station in stations.positions], int)
    watch.kept_findings = {
        rule: kept for rule, kept in watch.kept_findings.items() if not kept.concerns(stations, theirs, theirs[:0])
    }
    return rows


def _spans_known(store: Memory, now: datetime) -> tuple[tuple[Span, ...], tuple[Span, ...]]:
    """Return the spans that were decided by `now` and hold then, and the watch's own that were withdrawn by then."""
    known = [span for span in store.spans() if span.decided_at <= now]
    over = [span for span in known if span.withdrawn_at and span.withdrawn_at <= now]
    holding_now = (replace(span, withdrawn_at=None) for span in known if span not in over)
    return tuple(holding_now), tuple(span for span in over if span.who == WATCH)


def _stretches(network: Network, spans: Iterable[Span]) -> list[tuple[int, int, int]]:
    positions = network.columns().positions
    return [
        (positions[span.station], int(span.begins_at.timestamp()), int(span.ends_at.timestamp()))
        for span in spans
        if span.station in positions
    ]


def _flags(fresh: Clean, *again: Clean) -> tuple[np.ndarray, np.ndarray, list[str]]:
    """Return delivery numbers, flags and reasons to write down: the remarkable of new rows, all rewritten ones."""
    remarkable = fresh.take((fresh.flag != Flag.GOOD) | (fresh.reason != 0))
    rows = Clean.join([part for part in (remarkable, *again) if len(part.flag)])
    return rows.delivery, rows.flag, [REASONS[reason] for reason in rows.reason]


def _commit(
    watch: Watch,
    told: Told,
    changed: Sequence[Alarm],
    rows: Sequence[Clean],
    held: Sequence[Span],
    marks: Mapping[str, str],
    answered_to: int,
    now: datetime,
) -> Told:
    """Write down everything the cycle decided, at once; only then has it happened."""
    ended = [alarm for alarm in changed if alarm.ended_at is not None]
    standing = {key: alarm for key, alarm in watch.alarms.items() if key not in {one.key for one in ended}}
    standing |= {alarm.key: alarm for alarm in changed if alarm.ended_at is None}
    marks = {**marks, "watched_since": watch.marks["watched_since"]}
    try:
        written = watch.store.commit(
            now,
            alarms=[*ended, *standing.values()],
            events=told.events,
            notices=told.notices,
            health=watch.health,
            marks=marks,
            # Rows that could not be kept have no numbers yet to write a flag beside.
            flags=None if told.trouble else _flags(*rows),
            answered_to=answered_to,
            spans=held,
        )
    except OutsideError as error:
        log.error("the cycle could not be written down: %s", error)
        return replace(told, trouble=told.trouble or str(error))
    watch.spans = (*(span for span in watch.spans if span not in held), *written)
    watch.alarms = standing
    watch.last_number = max([watch.last_number, *(alarm.number for alarm in changed)])
    watch.answered_to = answered_to
    watch.marks |= {**marks, "last_cycle": now.isoformat()}
    _save_cells(watch, now)
    return told


def _save_cells(watch: Watch, now: datetime) -> None:
    """Save the long memory once an hour, so that a start need not read everything ever delivered."""
    if watch.cells_saved_at is not None and now - watch.cells_saved_at < timedelta(hours=1):
        return
    try:
        cells = {name: watch.record.cells_of(name) for name in ("hourly", "daily")}
        cells["habits"] = watch.record.habits(_ways_of_reading(watch.network, watch.record))
        spans = " ".join(str(span.number) for span in watch.spans)
        anew = np.flatnonzero(watch.record.anew)
        watch.store.save_cells(cells, watch.newest_delivery, anew=anew, marks={"cells_know_spans": spans})
    except OutsideError as error:
        log.error("the long memory could not be saved, and will be with the next: %s", error)
        return
    watch.record.forget_touched()
    watch.cells_saved_at = now


def begin(network: Network, store: Memory, now: datetime) -> Watch:
    """Return a network's watch as the store remembers it, its record rebuilt."""
    store.bind([station.id for station in network.stations], [source.name for source in network.sources])
    marks = store.marks()
    marks.setdefault("watched_since", now.isoformat())
    watch = Watch(
        network=network,
        store=store,
        record=empty_record(network, now),
        health=_health_at_start(network, store, marks, now),
        alarms={alarm.key: alarm for alarm in store.open_alarms()},
        last_number=store.last_alarm_number(),
        answered_to=int(marks.get("answered_to", 0)),
        marks=marks,
    )
    watch.spans, watch.taken_back = _spans_known(store, now)
    said = [cleared.from_text(text) for name, text in marks.items() if name.startswith(CLEARED) and text]
    watch.cleared = {mark.key: mark for mark in said}
    watch.sources_known = known_sources(network, marks)
    record = watch.record
    record.held = Held.of(_stretches(network, watch.spans))
    stations, _, habits = store.load_cells("habits", -1)
    record.recall(stations, habits, _ways_of_reading(network, record))
    for name, grid in (("daily", record.daily), ("hourly", record.hourly)):
        record.load_cells(name, *store.load_cells(name, grid.start))
    end = int(now.timestamp()) + DAY
    record.restore(_recent(store, record, end))
    watch.newest_delivery = store.cells_known_to()
    for unknown in _unknown_to_cells(watch, end):
        record.catch_up(unknown, watch.history)
        watch.newest_delivery = max([watch.newest_delivery, *unknown.delivery.tolist()])
    record.find_first_heard()
    known = {int(number) for number in marks.get("cells_know_spans", "").split()}
    current = {span.number for span in watch.spans}
    changed = [span for span in store.spans() if (span.number in known) != (span.number in current)]
    record.decide(record.held, _stretches(network, changed), watch.history)
    return watch


def _recent(store: Memory, record: Record, end: int) -> Readings:
    """Return what the fine grid is filled with, and what says what its first readings mean."""
    begin = record.fine.start
    if record.terms.alone().all():
        return store.delivered(begin, end)
    before = None if record.terms.each_tip.any() else RAIN
    look_back = store.delivered(begin - LOOK_BACK_S, begin, variable=before, with_previous=True)
    return Readings.join([look_back, store.delivered(begin, end)])


def _unknown_to_cells(watch: Watch, end: int) -> Iterator[Readings]:
    """Yield the readings that the loaded cells don't know of, in parts: what came since, and all where none hold."""
    anew = np.flatnonzero(watch.record.anew)
    if len(anew) < watch.record.stations:
        after = watch.store.delivered_after(watch.newest_delivery)
        yield after.take(~watch.record.anew[after.station])
    if len(anew):
        for first in range(watch.record.daily.start, end, DAYS_AT_ONCE * DAY):
            yield watch.store.delivered(first, min(first + DAYS_AT_ONCE * DAY, end), stations=anew)


def _ways_of_reading(network: Network, record: Record) -> np.ndarray:
    """Return a number for each station that is another one when its saved cells don't hold any more."""
    terms, names = record.terms, [source.name for source in network.sources]
    how = (terms.in_tips, terms.running, terms.each_tip, terms.wraps_at, terms.zeroed_at_s)
    of_source = dict(zip(names, zip(*how, strict=True), strict=True))
    ways = [
        (record.daily.start % DAY, source, *map(float, of_source.get(source, ())), float(tip), int(covers))
        for source, tip, covers in zip(network.columns().source, terms.tip_um, terms.covers_s, strict=True)
    ]
    return np.array([zlib.crc32(repr(way).encode()) for way in ways], np.int64)


def _health_at_start(network: Network, store: Memory, marks: dict[str, str], now: datetime) -> tuple[SourceHealth, ...]:
    """Return how fetching has gone; after a pause of our own every source counts as just come back."""
    known = {health.source: health for health in store.health()}
    before = _moment(marks.get("last_cycle"))
    was_off = before is not None and now - before > OFF_AFTER
    healths = [known.get(source.name, SourceHealth(source.name)) for source in network.sources]
    return tuple(replace(health, back_at=now, failing_since=None) if was_off else health for health in healths)


def empty_record(network: Network, now: datetime) -> Record:
    """Return a record long enough for the network's longest limit and a day of late readings."""
    stations = network.columns()
    depths = (rule.settings for rule in network.rules if isinstance(rule.settings, heavy_rain.Settings))
    longest = max((limit.seconds for settings in depths for limit in settings.limits), default=DAY)
    day_starts = network.day_starts.hour * HOUR + network.day_starts.minute * 60
    return Record(
        int(now.timestamp()),
        terms_of(network),
        stations.sends_every_s,
        grid_s=network.grid_minutes * 60,
        fine_days=max(longest, DAY) / DAY + 1,
        day_starts_s=day_starts - stations.utc_offset_s,
        from_s=stations.from_s,
    )


def terms_of(network: Network) -> Terms:
    """Return how each source's and station's rain is to be read."""
    stations = network.columns()
    sources = {source.name: source for source in network.sources}
    covers = [
        written or round(60 * (getattr(sources.get(name), "covers_minutes", None) or 0))
        for written, name in zip(stations.covers_s.tolist(), stations.source, strict=True)
    ]
    return Terms(
        in_tips=np.array([source.rain.unit == "tips" for source in network.sources], bool),
        running=np.array([source.rain.counts == "running total" for source in network.sources], bool),
        each_tip=np.array([source.rain.counts == "each tip" for source in network.sources], bool),
        wraps_at=np.array(
            [_delivered_unit(source.rain.wraps_at or 0.0, source.rain.unit) for source in network.sources], np.float64
        ),
        zeroed_at_s=np.array([_zeroed_at_s(source) for source in network.sources], np.int64),
        tip_um=np.array([1000 * (network.tip_mm(position) or 0.0) for position in range(len(stations))]),
        covers_s=np.array(covers, np.int64),
    )


def _zeroed_at_s(source: AnySource) -> int:
    """Return when a source's totals go back to 0 each day [s after midnight UTC], -1 if they don't."""
    if source.rain.zeroed_at is None:
        return -1
    hours, minutes = map(int, source.rain.zeroed_at.split(":"))
    offset = source.time.tzinfo().utcoffset(datetime(1970, 1, 1)) or timedelta(0)  # noqa: DTZ001  (a local clock)
    return (hours * HOUR + minutes * 60 - int(offset.total_seconds())) % DAY


def _delivered_unit(rain: float, unit: str) -> float:
    """Return rain as it is delivered: inches come as millimetres."""
    return rain * MM_PER_INCH if unit == "inch" else rain


def _moment(text: str | None) -> datetime | None:
    return datetime.fromisoformat(text).astimezone(UTC) if text else None

"""From a due row of the outbox to its words, as things stand now; the shell around telling's pure composing."""

from __future__ import annotations

import logging
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from email.utils import make_msgid

from watchman import answers, drills, links, visiting, watch, weekly
from watchman.judging import alarms, causes
from watchman.judging.checks import heavy_rain
from watchman.model import Alarm, EventKind, Notice, NoticeState, Picture, Verdict, When
from watchman.network import Contact, Network
from watchman.store import Store
from watchman.telling import budget, charts, compose, digest, outbox, phrases, pictures, roster
from watchman.telling.compose import Words

log = logging.getLogger(__name__)


class Speaker:
    """Makes the words of notices that are due at `now`. put_off: numbers of those that must wait for a later turn."""

    def __init__(self, network: Network, store: Store, watching: watch.Watch, now: datetime) -> None:
        self.network, self.store, self.watch, self.now = network, store, watching, now
        due_now = store.notices_due(now)
        self._take_back([notice for notice in due_now if notice.text])
        waiting = [notice for notice in due_now if not notice.text]
        self.alarms = {
            number: alarm for number in {n.alarm for n in waiting if n.alarm} if (alarm := store.alarm(number))
        }
        due, undetermined, withdrawn = roster.still_due(waiting, self.alarms)
        self.withdrawn = {notice.number for notice in withdrawn}
        self.put_off = {notice.number for notice in (*undetermined, *filter(self._waits_for_day, due))}
        self.gathered: dict[int, tuple[Notice, ...]] = {}
        self._share([notice for notice in due if notice.number not in self.put_off])

    def _take_back(self, worded: Sequence[Notice]) -> None:
        """Take back the words that nobody answered a fault, to be tried once more, where somebody has by now."""
        for notice in worded:
            if notice.kind != "storm" and notice.event in (EventKind.REMINDED, EventKind.ESCALATED):
                alarm = self.store.alarm(notice.alarm)
                if alarm is not None and alarm.acknowledged_by:
                    self.store.withdraw(notice.number, f"{alarm.acknowledged_by} has answered")

    def _waits_for_day(self, notice: Notice) -> bool:
        """Say whether a notice made for the day, once put off, must now wait for the next one."""
        alarm = self.alarms.get(notice.alarm)
        by_day = alarm is not None and alarm.when is When.BY_DAY and notice.kind != "storm"
        return by_day and roster.is_day(self.network, notice.due_at) and not roster.is_day(self.network, self.now)

    def _share(self, due: Sequence[Notice]) -> None:
        """Keep to everybody's notices of the day: what goes beyond is gathered into one, or waits for the morning."""
        mine = [notice for notice in due if budget.is_budgeted(notice, self.alarms.get(notice.alarm))]
        told = {notice.number: self._told_in(notice) for notice in mine}
        for notice in mine:
            teller = told[notice.number]
            if teller is not None and teller.state is NoticeState.ACCEPTED:
                self.withdrawn.add(notice.number)
            elif teller is not None:
                self.put_off.add(notice.number)
                self.gathered[teller.number] = (*self.gathered.get(teller.number, (teller,)), notice)
        fresh = [notice for notice in mine if told[notice.number] is None]
        if not fresh:
            return
        sent = self.store.sent_since(roster.day_begins_at(self.network, self.now))
        shares = budget.shares(self.network, fresh, self.alarms, filter(self._counted, sent))
        self.gathered |= shares.gathered
        self.put_off |= {one.number for carried in shares.gathered.values() for one in carried[1:]}
        for notice in shares.waiting:
            contact = _contact(self.network, notice)
            if contact is not None:
                until = roster.next_morning(self.network, contact, self.now)
                self.store.hold_back([notice.number], f"beyond {contact.budget} notices a day", until)
                self.put_off.add(notice.number)

    def _told_in(self, notice: Notice) -> Notice | None:
        """Return the notice that tells, or is about to tell, of this one too; None if none does, or if it got lost."""
        number = notice.error.removeprefix(outbox.TOLD_IN)
        teller = self.store.notice(int(number)) if number != notice.error and number.isdigit() else None
        if teller is None or teller.state in (NoticeState.REFUSED, NoticeState.UNKNOWN, NoticeState.WITHDRAWN):
            return None
        return teller if teller.text else None

    def _counted(self, sent: Notice) -> bool:
        """Say whether a notice that went out counted against its person's budget, by the alarm as it was then."""
        if sent.kind not in budget.BUDGETED or not sent.alarm:
            return False
        steps = self.store.events_of(sent.alarm)
        alarm = next((event.alarm for event in steps if event.occasion == sent.occasion), None)
        return budget.is_budgeted(sent, alarm)

    def words(self, notice: Notice) -> Words | None:
        """Return what a notice says, or None when it no longer stands."""
        said = self._said(notice)
        if said is not None and said.trouble:
            log.error("%s; another one serves in its place", said.trouble)
        return said

    def _said(self, notice: Notice) -> Words | None:
        contact = _contact(self.network, notice)
        if contact is None or notice.number in self.withdrawn or contact.name in self.network.stopped:
            return None
        if notice.number in self.gathered:
            return self._together(notice, contact)
        if notice.alarm:
            return self._of_alarm(notice, contact)
        what, _, which = notice.occasion.partition(":")
        if what == "digest":
            return self._digest(which, contact)
        occasion = self._occasion(what, which)
        if occasion is None:
            return None
        return compose.occasion_words(
            occasion,
            notice,
            contact,
            self.network,
            self.now,
            link=self._link(notice),
            code=self._code(notice, contact),
            own_code=own_code(self.network, contact),
        )

    def _together(self, notice: Notice, contact: Contact) -> Words:
        """Return the words of a notice that tells of others too; from now on those wait for what becomes of it."""
        told = self.gathered[notice.number]
        alarms_told = tuple(self.alarms.get(one.alarm) or self.store.alarm(one.alarm) for one in told)
        occasion = compose.Gathered(tuple(alarm for alarm in alarms_told if alarm), contact.budget)
        said = compose.occasion_words(
            occasion, notice, contact, self.network, self.now, link=self._standing_link(contact)
        )
        self.store.hold_back([one.number for one in told[1:]], f"{outbox.TOLD_IN}{notice.number}")
        return said

    def _digest(self, week: str, contact: Contact) -> Words:
        """Return the digest, and keep what it tells: the next ones say which totals were revised, and what changed."""
        facts = weekly.facts(self.network, self.store, self.watch, week, self.now)
        told = digest.week(self.network, facts)
        self.store.set_mark(f"totals:{week}", weekly.totals_mark(self.network, facts))
        self.store.set_mark(f"figures:{week}", weekly.figures_mark(told.figures))
        return digest.digest_words(told, contact, self.network)

    def _of_alarm(self, notice: Notice, contact: Contact) -> Words | None:
        alarm = self.alarms.get(notice.alarm) or self.store.alarm(notice.alarm)
        if alarm is None:
            return None
        return compose.words(
            notice,
            alarm,
            EventKind(notice.event),
            contact,
            self.network,
            self.now,
            link=self._link(notice),
            code=self._code(notice, contact),
            open_alarms=self.watch.alarms.values(),
            note=self._note(notice),
            told_since=self._asked_since(notice),
            sketches=self._sketches(notice, alarm) if notice.channel == "mail" else (),
        )

    def _sketches(self, notice: Notice, alarm: Alarm) -> tuple[charts.Sketch, ...]:
        """Return the pictures of a mail about an alarm; without them rather than not at all."""
        try:
            view = watch.view_of(self.watch, self.now)
            seen = pictures.Seen(view, phrases.Phrases(self.network, self.now), compose.domain(self.network))
            return pictures.of_alarm(alarm, EventKind(notice.event), seen)
        except Exception:
            log.exception("no picture for alarm %d: what it would show could not be gathered", alarm.number)
            return ()

    def _note(self, notice: Notice) -> str:
        step = int(notice.occasion.rsplit(":", 1)[-1])
        return next((event.note for event in self.store.events_of(notice.alarm) if event.step == step), "")

    def _asked_since(self, notice: Notice) -> datetime | None:
        """Return since when people have been asked to answer an alarm without a break, up to a notice's step."""
        since = None
        for event in self.store.events_of(notice.alarm):
            if event.kind is EventKind.ACKNOWLEDGED:
                since = None
            elif since is None and event.kind in (EventKind.RAISED, EventKind.UPDATED):
                # What waits for the day has asked nobody before it begins.
                since = roster.due_at(self.network, event.alarm.when, event.at)
            if event.occasion == notice.occasion:
                break
        return since

    def _occasion(self, what: str, which: str) -> compose.Occasion | None:
        if what == "off":
            began, _, ended = which.partition("/")
            return self._off(datetime.fromisoformat(began), datetime.fromisoformat(ended))
        if what == "drill":
            return compose.Drill(int(which))
        if what == "unanswered":
            return drills.unanswered(self.store, int(which))
        if what in visiting.STAGES:
            return self._visit(what, which.partition(":")[0])
        if what == "undelivered":
            lost = self.store.notice(int(which))
            return compose.Undelivered(lost, self.store.alarm(lost.alarm) if lost.alarm else None) if lost else None
        return None

    def _visit(self, what: str, number: str) -> compose.OnSite | None:
        """Return what a visitor is told as things stand now; None when the visit was taken back."""
        window = next((span for span in self.store.spans() if span.number == int(number)), None)
        if window is None:
            return None
        view, marks = watch.view_of(self.watch, self.now), self.store.marks(answers.POURED)
        return visiting.facts(self.network, view, list(self.watch.alarms.values()), marks, window, what)

    def _off(self, began: datetime, ended: datetime) -> compose.Off:
        """Return what the time without a watch missed: alarms first seen on return, and heavy rain that is history
        now.
        """
        raised = [
            event.alarm
            for event in self.store.events(ended - timedelta(seconds=1), self.now)
            if event.kind is EventKind.RAISED and began <= event.alarm.since < ended
        ]
        view = watch.view_of(self.watch, self.now)
        for rule in self.network.rules:
            if rule.check == heavy_rain.NAME and not any(alarm.check == heavy_rain.NAME for alarm in raised):
                missed = causes.missed_rain(rule, view, int(began.timestamp()), int(ended.timestamp()))
                if missed is not None and missed.verdict is Verdict.PRESENT:
                    raised.insert(0, replace(alarms.pending(missed, ended), raised_at=ended))
        heard = int((view.record.last_received >= ended.timestamp() - watch.OFF_AFTER.total_seconds()).sum())
        return compose.Off(began, ended, heard, len(view.stations), tuple(raised))

    def _link(self, notice: Notice) -> str:
        board = self.network.board
        if board is None:
            return ""
        return links.link(board.key.get_secret_value(), board.address, notice.number, notice.person)

    def _standing_link(self, contact: Contact) -> str:
        board = self.network.board
        return links.standing_link(board.key.get_secret_value(), board.address, contact.name) if board else ""

    def _code(self, notice: Notice, contact: Contact) -> str:
        """Return the letters that a reply by text carries, "" where none can be read."""
        board = self.network.board
        if board is None or notice.channel != "text" or not (self.network.answers.text and contact.phone):
            return ""
        return links.code(board.key.get_secret_value(), notice.number, notice.person)


def own_code(network: Network, contact: Contact) -> str:
    """Return a person's own letters for texts, "" where no text of theirs can be read."""
    if network.board is None or not (network.answers.text and contact.phone):
        return ""
    return links.own_code(network.board.key.get_secret_value(), contact.name)


def illustrated(words: Words) -> Words:
    """Return a mail with its pictures drawn; where one can't be, its own words stand in its place.

    It takes about a second a picture, during which the record may change: call it without holding that up.
    """
    drawn = []
    for sketch in words.sketches:
        png, trouble = charts.draw(sketch.shown)
        if trouble:
            log.error("a picture could not be drawn, the mail goes without: %s", trouble)
            words = compose.without_picture(words, sketch)
        else:
            drawn.append(Picture(sketch.name, sketch.alternative, png))
    return replace(words, sketches=(), pictures=tuple(drawn))


def without_store(network: Network, told: watch.Told, now: datetime) -> Iterator[Notice]:
    """Yield the storm notices of a cycle that could not be written down, worded and marked: they may come again."""
    domain = network.mail.sender.rpartition("@")[2] if network.mail else "localhost"
    events = {event.alarm.number: event for event in told.events}
    for notice in told.notices:
        event, contact = events.get(notice.alarm), _contact(network, notice)
        if notice.kind == "storm" and event is not None and contact is not None:
            repeat = replace(notice, repeat=True)
            said = compose.words(repeat, event.alarm, event.kind, contact, network, now, note=event.note)
            said = outbox.repeated(said, notice.channel)
            yield replace(
                repeat, subject=said.subject, text=said.text, html=said.html, message_id=make_msgid(domain=domain)
            )


def _contact(network: Network, notice: Notice) -> Contact | None:
    return next((contact for contact in network.contacts if contact.name == notice.person), None)

"""From a due row of the outbox to its words, as things stand now; the shell around telling's pure composing."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from email.utils import make_msgid

from watchman import watch, weekly
from watchman.board.links import link
from watchman.judging import alarms, causes
from watchman.judging.checks import heavy_rain
from watchman.model import EventKind, Notice, Verdict, When
from watchman.network import Contact, Network
from watchman.store import Store
from watchman.telling import compose, digest, outbox, roster
from watchman.telling.compose import Words

log = logging.getLogger(__name__)


class Speaker:
    """Makes the words of notices that are due at `now`. put_off: numbers of those that must wait for a later turn."""

    def __init__(self, network: Network, store: Store, watching: watch.Watch, now: datetime) -> None:
        self.network, self.store, self.watch, self.now = network, store, watching, now
        waiting = [notice for notice in store.notices_due(now) if not notice.text]
        self.alarms = {
            number: alarm for number in {n.alarm for n in waiting if n.alarm} if (alarm := store.alarm(number))
        }
        due, undetermined, withdrawn = roster.still_due(waiting, self.alarms)
        self.withdrawn = {notice.number for notice in withdrawn}
        self.put_off = {notice.number for notice in (*undetermined, *filter(self._waits_for_day, due))}

    def _waits_for_day(self, notice: Notice) -> bool:
        """Say whether a notice made for the day, once put off, must now wait for the next one."""
        alarm = self.alarms.get(notice.alarm)
        by_day = alarm is not None and alarm.when is When.BY_DAY and notice.kind != "storm"
        return by_day and roster.is_day(self.network, notice.due_at) and not roster.is_day(self.network, self.now)

    def words(self, notice: Notice) -> Words | None:
        """Return what a notice says, or None when it no longer stands."""
        said = self._said(notice)
        if said is not None and said.trouble:
            log.error("%s; another one serves in its place", said.trouble)
        return said

    def _said(self, notice: Notice) -> Words | None:
        contact = _contact(self.network, notice)
        if contact is None or notice.number in self.withdrawn:
            return None
        if notice.alarm:
            return self._of_alarm(notice, contact)
        what, _, which = notice.occasion.partition(":")
        if what == "digest":
            return self._digest(which, contact)
        occasion = self._occasion(what, which)
        if occasion is None:
            return None
        return compose.occasion_words(occasion, notice, contact, self.network, self.now, link=self._link(notice))

    def _digest(self, week: str, contact: Contact) -> Words:
        """Return the digest, and keep the totals it tells: the next one says which of them were revised."""
        facts = weekly.facts(self.network, self.store, self.watch, week, self.now)
        self.store.set_mark(f"totals:{week}", weekly.totals_mark(self.network, facts))
        return digest.digest_words(digest.week(self.network, facts), contact, self.network)

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
            open_alarms=self.watch.alarms.values(),
            note=self._note(notice),
        )

    def _note(self, notice: Notice) -> str:
        step = int(notice.occasion.rsplit(":", 1)[-1])
        return next((event.note for event in self.store.events_of(notice.alarm) if event.step == step), "")

    def _occasion(self, what: str, which: str) -> compose.Occasion | None:
        if what == "off":
            began, _, ended = which.partition("/")
            return self._off(datetime.fromisoformat(began), datetime.fromisoformat(ended))
        if what == "drill":
            return compose.Drill(int(which))
        if what == "window":
            window = next((span for span in self.store.spans() if span.number == int(which)), None)
            standing = tuple(
                alarm
                for alarm in self.watch.alarms.values()
                if window and alarm.open_now and window.station in alarm.stations and alarm.when is not When.WEEKLY
            )
            return compose.WindowClosed(window, standing) if window else None
        if what == "undelivered":
            lost = self.store.notice(int(which))
            return compose.Undelivered(lost, self.store.alarm(lost.alarm) if lost.alarm else None) if lost else None
        return None

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
                    raised.append(replace(alarms.pending(missed, ended), raised_at=ended))
        heard = int((view.record.last_received >= ended.timestamp() - watch.OFF_AFTER.total_seconds()).sum())
        return compose.Off(began, ended, heard, len(view.stations), tuple(raised))

    def _link(self, notice: Notice) -> str:
        board = self.network.board
        if board is None:
            return ""
        return link(board.key.get_secret_value(), board.address, notice.number, notice.person)


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

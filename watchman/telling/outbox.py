"""The outbox: each notice that is due goes to its person by its channel, once, and what became of it is written down.

"Attempting" is committed before the sending begins. Whatever stops the program in between, the row says afterwards that
its fate is unknown, and no row is ever lost or sent twice without saying so.
"""

from __future__ import annotations

import bisect
import logging
import re
from collections import deque
from collections.abc import Callable, Collection, Iterable
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from watchman import links
from watchman.model import Fate, Notice, NoticeState, Outcome, When
from watchman.telling import roster
from watchman.telling.compose import LATE, Words
from watchman.telling.gsm import parts

if TYPE_CHECKING:
    from watchman.network import Network
    from watchman.settings import Contact
    from watchman.store import Store
    from watchman.telling.channels import Channels

Compose = Callable[[Notice], Words | None]
"""Makes a notice's words as things stand now; None when what it tells no longer stands."""

WAITS_MINUTES = (1, 2, 5, 10, 20, 40, 60)
"""How long to wait after the first, second ... failed attempt; the last holds for all further ones (decided here)."""

PATIENCE = timedelta(hours=24)
"""How long a notice is tried before it is given up (decided here)."""

ENOUGH_ATTEMPTS = 4
"""No notice is given up before this many: after a day off the host's own link may need some minutes (decided here)."""

AT_ONCE_AGAIN = 5
"""So often a notice that was under way when the watch was stopped is sent again at once (decided here)."""

AT_ONCE = 5
"""How many people are written to at once by one channel; apprise's own pool of threads has at least as many."""

UNDELIVERED = "undelivered:"
"""How the occasion begins on which technicians hear of a notice, by its number, that did not reach its person."""

TOLD_IN = "told in notice "
"""How the reason begins for which a notice waits that another one, by its number, tells of too."""

REPEAT = "(repeat)"

_log = logging.getLogger(__name__)

_Lane = deque[Notice]
"""What waits for one person by one channel, in order."""


def deliver_due(
    store: Store,
    channels: Channels,
    compose: Compose,
    network: Network,
    now: datetime,
    *,
    put_off: Collection[int] = (),
    limit: int = 500,
) -> list[tuple[Notice, Outcome]]:
    """Send what is due, at most `limit` notices, write down what became of each, and return the attempts made.

    put_off: numbers of notices that stay due, for a later turn. Storms go first. People and channels are served side by
    side, so that a slow one delays nobody else; what waits for one person by one channel keeps its order, and after a
    failure waits for the next turn. The store is used from the calling thread alone. Raises only what the store raises.
    """
    turn = _Turn(store, channels, compose, network, now)
    turn.take_up(store.unsettled())
    due = [notice for notice in store.notices_due(now) if notice.number not in put_off]
    turn.run(sorted(due, key=_urgency)[:limit])
    return turn.attempts


def next_attempt(attempts: int, now: datetime, retry_after_s: int | None = None) -> datetime:
    """Return when to try again after so many failed attempts (at least 1), never before the channel asked us to."""
    minutes = WAITS_MINUTES[min(attempts, len(WAITS_MINUTES)) - 1]
    return now + max(timedelta(minutes=minutes), timedelta(seconds=retry_after_s or 0))


def next_state(
    notice: Notice, outcome: Outcome, now: datetime, *, stopped: bool = False
) -> tuple[NoticeState, datetime | None, bool]:
    """Return a notice's state after an attempt, when it is tried again if it is, and whether it may then arrive twice.

    attempts: those of the notice include the one just made. What a channel leaves in the dark is sent once more; where
    the watch itself was stopped while sending, as often as it takes: at once at first, and then ever more seldom, for
    it may be this very notice that stops it.
    """
    if outcome.fate is Fate.ACCEPTED:
        return NoticeState.ACCEPTED, None, False
    if outcome.fate is Fate.REFUSED:
        return NoticeState.REFUSED, None, False
    again = next_attempt(notice.attempts, now, outcome.retry_after_s)
    if stopped and notice.attempts <= AT_ONCE_AGAIN:
        return NoticeState.DUE, now, True
    if outcome.fate is Fate.UNKNOWN and not stopped:
        return (NoticeState.UNKNOWN, None, False) if notice.repeat else (NoticeState.DUE, again, True)
    tried_enough = notice.attempts >= ENOUGH_ATTEMPTS and now - notice.due_at >= PATIENCE
    if tried_enough or again - now >= PATIENCE:
        return NoticeState.UNKNOWN if stopped else NoticeState.REFUSED, None, False
    return NoticeState.DUE, again, stopped


def is_late(notice: Notice, now: datetime) -> bool:
    """Say whether a storm waited so long that it is earlier rain now."""
    return notice.kind == "storm" and now - notice.due_at > LATE


def repeated(words: Words, channel: str) -> Words:
    """Return words marked as a repeat, where the mark does not make a second part of a text."""
    text = words.text if REPEAT in words.text else f"{REPEAT} {words.text}"
    if channel == "text" and parts(text) > parts(words.text):
        text = words.text
    return replace(words, subject=f"{REPEAT} {words.subject}", text=text)


def redirected(words: Words, channel: str, failed: str) -> Words:
    """Return words marked as coming by one channel because another failed; in a text only where there is room."""
    mark = f"By {channel} because the {failed} failed."
    text = f"{mark} {words.text}" if channel != "mail" else f"{mark}\n\n{words.text}"
    if channel == "text" and parts(text) > parts(words.text):
        text = words.text
    html = re.sub(r"<body[^>]*>", rf"\g<0><p>{mark}</p>", words.html, count=1)
    return replace(words, text=text, html=html)


@dataclass
class _Turn:
    """One turn of the outbox's worker."""

    store: Store
    channels: Channels
    compose: Compose
    network: Network
    now: datetime
    attempts: list[tuple[Notice, Outcome]] = field(default_factory=list)

    def take_up(self, left: Iterable[Notice]) -> None:
        """Settle what was under way when the program was stopped: at the start of a turn nothing else can be."""
        for notice in left:
            self._settle(notice, Outcome(Fate.UNKNOWN, "the watch was stopped while sending"), stopped=True)

    def run(self, due: Iterable[Notice]) -> None:
        """Send the notices, the most urgent first, each (person, channel) at its own pace."""
        waiting = _lanes(due)
        running: dict[Future[Outcome], tuple[Notice, _Lane]] = {}
        with ThreadPoolExecutor(AT_ONCE * len(waiting) or 1, thread_name_prefix="telling") as pool:
            while True:
                for channel, lanes in waiting.items():
                    busy = sum(notice.channel == channel for notice, _ in running.values())
                    for _ in range(AT_ONCE - busy):
                        self._start(pool, lanes, running)
                if not running:
                    return
                finished, _ = wait(running, return_when=FIRST_COMPLETED)
                for future in finished:
                    notice, lane = running.pop(future)
                    outcome = _outcome(future)
                    self.attempts.append((notice, outcome))
                    self._settle(notice, outcome)
                    if lane and outcome.fate in (Fate.ACCEPTED, Fate.REFUSED):
                        bisect.insort(waiting[notice.channel], lane, key=_head)

    def _start(
        self, pool: ThreadPoolExecutor, lanes: list[_Lane], running: dict[Future[Outcome], tuple[Notice, _Lane]]
    ) -> None:
        """Begin sending the first notice of the most urgent lane that has one to send."""
        while lanes:
            lane = lanes.pop(0)
            while lane:
                notice = lane.popleft()
                contact = self._contact(notice.person)
                ready = self._ready(notice, contact)
                if ready is not None and contact is not None:
                    sending = pool.submit(self.channels.send, ready, contact, ready.channel, self.now)
                    running[sending] = (ready, lane)
                    return

    def _ready(self, notice: Notice, contact: Contact | None) -> Notice | None:
        """Return the notice with its words, its attempt written down; None if it is not to be sent."""
        if contact is None:
            self.store.add_notices(self._successors(notice))
            self.store.withdraw(notice.number, f"{notice.person} is not a contact any more")
            return None
        try:
            worded = self._worded(notice)
        except Exception:  # noqa: BLE001 -- a notice that can't be put into words must not stop the others
            _log.exception("notice %d could not be put into words", notice.number)
            if self.store.begin_attempt(notice.number, self.now):
                failed = replace(notice, attempts=notice.attempts + 1)
                self._settle(failed, Outcome(Fate.LATER, "it could not be put into words"))
            return None
        if worded is None:
            why = notice.error if notice.error.startswith(TOLD_IN) else "it no longer stands"
            self.store.withdraw(notice.number, why)
            return None
        if not self.store.begin_attempt(notice.number, self.now):
            return None
        return replace(worded, state=NoticeState.ATTEMPTING, attempts=notice.attempts + 1)

    def _worded(self, notice: Notice) -> Notice | None:
        """Return the notice with words: those it has, unless it must now say that it is a repeat or comes late."""
        if notice.text and not notice.repeat and not is_late(notice, self.now):
            return replace(notice, pictures=self.store.pictures(notice.number)) if notice.html else notice
        words = self.compose(notice)
        if words is None:
            return None
        worded = self._frozen(notice, repeated(words, notice.channel) if notice.repeat else words)
        self.store.put_words(
            worded.number,
            worded.subject,
            worded.text,
            worded.html,
            worded.message_id,
            worded.references,
            worded.pictures,
        )
        return worded

    def _frozen(self, notice: Notice, words: Words) -> Notice:
        """Return the notice with these words, a Message-ID it keeps for good, and the thread of its alarm."""
        domain = self.network.mail.sender.rpartition("@")[2] if self.network.mail else "localhost"
        thread = f"{notice.alarm}.{re.sub(r'[^a-z0-9]+', '-', self.network.name.lower())}"
        return replace(
            notice,
            subject=words.subject,
            text=words.text,
            html=words.html,
            message_id=notice.message_id or links.message_id(domain),
            references=f"<wm.alarm.{thread}@{domain}>" if notice.alarm else "",
            pictures=words.pictures,
        )

    def _settle(self, notice: Notice, outcome: Outcome, *, stopped: bool = False) -> None:
        """Write down what became of an attempt; before it the notices owed for it, the same however often made."""
        state, again, repeat = next_state(notice, outcome, self.now, stopped=stopped)
        lost = state is NoticeState.REFUSED or (state is NoticeState.UNKNOWN and notice.repeat)
        # That the watch was stopped says nothing against the way to the person.
        if lost or (not stopped and again is not None and is_late(notice, again)):
            self.store.add_notices(self._instead(notice))
        self.store.settle(notice.number, self.now, state, next_attempt_at=again, error=_error(outcome), repeat=repeat)

    def _instead(self, notice: Notice) -> list[Notice]:
        """Return the notices owed because this one failed: to the same person another way, else to the technicians.

        Of a notice about a notice nobody is told, so that there is no chain without end.
        """
        if notice.occasion.startswith(UNDELIVERED):
            return []
        made = self.store.notices(alarm=notice.alarm, begin=notice.made_at - timedelta(seconds=1))
        others = [
            other
            for other in made
            if (other.occasion, other.person) == (notice.occasion, notice.person) and other.number != notice.number
        ]
        instead = self._another_way(notice, {notice.channel, *(other.channel for other in others)})
        on_its_way = (NoticeState.ACCEPTED, NoticeState.DUE, NoticeState.ATTEMPTING)
        reached = bool(instead) or any(other.state in on_its_way for other in others)
        storm = notice.kind == "storm"
        # At night a mail is no substitute for the text that says it rains.
        if reached and not (storm and notice.channel == "text"):
            return instead
        when = When.NOW if storm else When.BY_DAY
        occasion, repairers = f"{UNDELIVERED}{notice.number}", self._repairers(notice)
        return [*instead, *roster.summon(self.network, occasion, "tool", repairers, self.now, when, urgent=storm)]

    def _successors(self, notice: Notice) -> list[Notice]:
        """Return the notices owed because a person is no contact any more: those of the alarm's step to whoever has the
        roles now (who was told of it already is not told again), and of anything else a word to the technicians.
        """
        if not notice.alarm:
            return self._instead(notice)
        steps = [event for event in self.store.events_of(notice.alarm) if event.occasion == notice.occasion]
        return roster.address(self.network, steps, self.now)

    def _another_way(self, notice: Notice, tried: set[str]) -> list[Notice]:
        """Return the notice by a channel not tried yet, its words made and marked; a digest goes by mail alone."""
        contact = self._contact(notice.person)
        left = [channel for channel in roster.channels(contact) if channel not in tried] if contact else []
        if not left or notice.kind == "digest":
            return []
        fresh = Notice(
            number=0,
            occasion=notice.occasion,
            person=notice.person,
            channel=left[0],
            kind=notice.kind,
            due_at=self.now,
            made_at=self.now,
            alarm=notice.alarm,
            event=notice.event,
        )
        try:
            words = self.compose(fresh)
        except Exception:  # noqa: BLE001 -- the technicians are told instead
            _log.exception("notice %d could not be put into words for %s", notice.number, left[0])
            return []
        return [self._frozen(fresh, redirected(words, fresh.channel, notice.channel))] if words else []

    def _repairers(self, notice: Notice) -> list[Contact]:
        """Return who can see to a way that failed: the technicians on duty, else all, else the supervisors, but not the
        person itself.
        """
        for role in ("technician", "supervisor"):
            for among in (roster.told_now(self.network, (role,), self.now), roster.with_roles(self.network, (role,))):
                found = [one for one in among if one.name not in {notice.person, *self.network.stopped}]
                if found:
                    return found
        _log.error("notice %d did not reach %s, and there is nobody else to tell", notice.number, notice.person)
        return []

    def _contact(self, person: str) -> Contact | None:
        return next((contact for contact in self.network.contacts if contact.name == person), None)


def _lanes(due: Iterable[Notice]) -> dict[str, list[_Lane]]:
    """Return by channel what waits for each person, the most urgent person first; mails, whose pictures take a while
    to draw, behind texts and chat.
    """
    waiting: dict[str, dict[str, _Lane]] = {}
    for notice in due:
        waiting.setdefault(notice.channel, {}).setdefault(notice.person, deque()).append(notice)
    channels = sorted(waiting, key=lambda channel: channel == "mail")
    return {channel: sorted(waiting[channel].values(), key=_head) for channel in channels}


def _urgency(notice: Notice) -> tuple[bool, datetime, int]:
    return (notice.kind != "storm", notice.due_at, notice.number)


def _head(lane: _Lane) -> tuple[bool, datetime, int]:
    return _urgency(lane[0])


def _outcome(sending: Future[Outcome]) -> Outcome:
    """Return what came of a sending; a fault of our own leaves its fate unknown, and says so in the log."""
    if (fault := sending.exception()) is not None:
        _log.error("sending failed by a fault of our own", exc_info=fault)
        return Outcome(Fate.UNKNOWN, f"a fault of our own ({type(fault).__name__})")
    return sending.result()


def _error(outcome: Outcome) -> str:
    return "" if outcome.fate is Fate.ACCEPTED else outcome.detail

"""The outbox tells each person once, says so when it had to say it twice, and loses nothing."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Any, cast

import pytest

from tests.telling.veldran import contact, event, network, silent
from watchman.model import EventKind, Fate, Notice, NoticeState, Outcome, Picture
from watchman.network import Network
from watchman.settings import Contact, DutySettings, MailSettings, QuietHoursSettings
from watchman.store import Store
from watchman.telling.channels import Channels
from watchman.telling.compose import Words
from watchman.telling.gsm import parts, septets
from watchman.telling.outbox import deliver_due, next_attempt, next_state, redirected, repeated

NOON = datetime(2025, 10, 20, 18, 0, tzinfo=UTC)
"""Noon on the network's own clock: by day."""

ACCEPTED = Outcome(Fate.ACCEPTED)
REFUSED = Outcome(Fate.REFUSED, "550 No such user")
LATER = Outcome(Fate.LATER, "no connection")
UNKNOWN = Outcome(Fate.UNKNOWN, "no answer in time")

MAIL = MailSettings(host="localhost", port=25, security="none", sender="watch@example.org")

PEOPLE = (contact("tech-1", "technician"), contact("tech-2", "technician", text=False), contact("warden-1", "warden"))

VELDRAN = network(contacts=PEOPLE, mail=MAIL)


class Scripted:
    """Channels that answer by a script: what each person's channel says, the last answer again and again."""

    def __init__(self, **answers: Outcome | list[Outcome]) -> None:
        self.answers = {name: answer if isinstance(answer, list) else [answer] for name, answer in answers.items()}
        self.sent: list[Notice] = []

    def send(self, notice: Notice, contact: Contact, channel: str, now: datetime) -> Outcome:
        """Answer by the script: by "warden_1_text", else by "text", else accepted."""
        self.sent.append(notice)
        assert (contact.name, channel) == (notice.person, notice.channel)
        names = (f"{notice.person}_{channel}".replace("-", "_"), channel)
        script = next((self.answers[name] for name in names if name in self.answers), [ACCEPTED])
        return script.pop(0) if len(script) > 1 else script[0]


def words(notice: Notice) -> Words:
    """Return words that say what they are about."""
    about = f"{notice.kind} {notice.alarm}"
    return Words(f"About {about}", f"Fennick Br: {about}", f"<html><body><p>{about}</p></body></html>")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """A real store in memory."""
    opened = Store.open("sqlite://", tmp_path)
    yield opened
    opened.close()


def owed(store: Store, *notices: Notice) -> None:
    """Put notices into the outbox."""
    store.add_notices(notices)


def notice(person: str = "tech-1", channel: str = "text", kind: str = "fault", **changed: Any) -> Notice:
    """Return a notice of alarm 41 that is due at noon, without words."""
    step: dict[str, Any] = {"occasion": "alarm:41:1", "alarm": 41, "event": "raised", "due_at": NOON, "made_at": NOON}
    return Notice(number=0, person=person, channel=channel, kind=kind, **step | changed)


def deliver(
    store: Store,
    channels: Any = None,
    now: datetime = NOON,
    compose: Callable[[Notice], Words | None] = words,
    people: Network = VELDRAN,
) -> list[tuple[str, str, Fate]]:
    """Run one turn, and return who was written to by which channel with what fate."""
    attempts = deliver_due(store, cast(Channels, channels or Scripted()), compose, people, now)
    return [(sent.person, sent.channel, outcome.fate) for sent, outcome in attempts]


def states(store: Store) -> dict[tuple[str, str, str], NoticeState]:
    """Return the state of every notice by occasion, person and channel."""
    return {(row.occasion, row.person, row.channel): row.state for row in store.notices()}


def test_due_is_sent_once(store: Store) -> None:
    """What is due goes out once, with its words and a Message-ID for good; what is not due yet waits."""
    owed(store, notice("tech-1", "mail"), notice("warden-1", due_at=NOON + timedelta(hours=1)))

    first, second = deliver(store), deliver(store)

    assert first == [("tech-1", "mail", Fate.ACCEPTED)]
    assert second == []
    told, waits = store.notices()
    assert (told.state, told.accepted_at, told.attempts, told.error) == (NoticeState.ACCEPTED, NOON, 1, "")
    assert (told.subject, told.text) == ("About fault 41", "Fennick Br: fault 41")
    assert told.message_id.endswith("@example.org>")
    assert told.references == "<wm.alarm.41.veldran-hills@example.org>"
    assert (waits.state, waits.text) == (NoticeState.DUE, "")


def test_attempt_is_written_down_before_sending(tmp_path: Path) -> None:
    """While a notice is on its way its row says so to everybody, with the words it goes out with."""
    store = Store.open("sqlite:///watch.db", tmp_path)
    owed(store, notice())
    seen: list[Notice] = []

    class Looking(Scripted):
        def send(self, notice: Notice, contact: Contact, channel: str, now: datetime) -> Outcome:
            other = Store.open("sqlite:///watch.db", tmp_path)
            seen.extend(other.unsettled())
            other.close()
            return ACCEPTED

    deliver(store, Looking())

    store.close()
    assert [(row.state, row.attempts, row.text) for row in seen] == [
        (NoticeState.ATTEMPTING, 1, "Fennick Br: fault 41")
    ]


def test_what_no_longer_stands_is_withdrawn(store: Store) -> None:
    """A notice whose words are no longer true when it is due is not sent."""
    owed(store, notice())

    assert deliver(store, compose=lambda notice: None) == []
    assert store.notices()[0].state is NoticeState.WITHDRAWN


def test_what_is_put_off_stays_due(store: Store) -> None:
    """It is neither sent nor withdrawn, and takes no other notice's place in the turn."""
    owed(store, notice("tech-1"), notice("warden-1"))

    attempts = deliver_due(store, cast(Channels, Scripted()), words, VELDRAN, NOON, put_off={1}, limit=1)

    assert [sent.person for sent, _ in attempts] == ["warden-1"]
    assert store.notices()[0].state is NoticeState.DUE
    assert deliver(store) == [("tech-1", "text", Fate.ACCEPTED)]


def test_who_left_is_followed_by_whoever_has_the_role_now(store: Store) -> None:
    """A notice to somebody who is no contact any more goes to the role's people, but not again to who was told."""
    raised = event(EventKind.RAISED, silent(), step=1)
    store.commit(NOON, alarms=[raised.alarm], events=[raised])
    owed(store, notice("tech-1"), notice("tech-1", "mail"), notice("tech-9"), notice("tech-9", "mail"))

    for _ in range(2):
        deliver(store)

    assert states(store) == {
        ("alarm:41:1", "tech-1", "text"): NoticeState.ACCEPTED,
        ("alarm:41:1", "tech-1", "mail"): NoticeState.ACCEPTED,
        ("alarm:41:1", "tech-2", "mail"): NoticeState.ACCEPTED,
        ("alarm:41:1", "tech-9", "text"): NoticeState.WITHDRAWN,
        ("alarm:41:1", "tech-9", "mail"): NoticeState.WITHDRAWN,
    }
    assert {row.error for row in store.notices() if row.person == "tech-9"} == {"tech-9 is not a contact any more"}


def test_a_digest_to_who_left_is_told_to_the_technicians(store: Store) -> None:
    """What is no step of an alarm and reaches nobody is at least known."""
    owed(store, notice("boss-9", "mail", "digest", occasion="digest:2025-W43", alarm=0))

    for _ in range(2):
        deliver(store)

    assert states(store)["digest:2025-W43", "boss-9", "mail"] is NoticeState.WITHDRAWN
    assert states(store)["undelivered:1", "tech-2", "mail"] is NoticeState.ACCEPTED


@pytest.mark.parametrize(
    ("attempts", "minutes"), [(1, 1), (2, 2), (3, 5), (4, 10), (5, 20), (6, 40), (7, 60), (8, 60), (99, 60)]
)
def test_waits_grow(attempts: int, minutes: int) -> None:
    """Each failure is followed by a longer wait, up to an hour."""
    assert next_attempt(attempts, NOON) == NOON + timedelta(minutes=minutes)


def test_a_wait_asked_for_is_kept() -> None:
    """A channel is never tried before the time it asked for, nor sooner than we would anyway."""
    assert next_attempt(1, NOON, 300) == NOON + timedelta(seconds=300)
    assert next_attempt(3, NOON, 10) == NOON + timedelta(minutes=5)


def test_try_later_keeps_the_words(store: Store) -> None:
    """A notice tried again goes out with the very words and Message-ID of the first attempt, though things changed."""
    owed(store, notice(channel="mail"))
    channels = Scripted(mail=[LATER, ACCEPTED])

    deliver(store, channels)
    deliver(store, channels, NOON + timedelta(seconds=59))
    deliver(store, channels, NOON + timedelta(minutes=1), compose=lambda notice: Words("changed", "changed"))

    first, second = channels.sent
    assert (first.text, first.message_id) == (second.text, second.message_id)
    assert store.notices()[0].state is NoticeState.ACCEPTED


def test_every_failure_is_tried_for_a_day(store: Store) -> None:
    """A fault that can't be delivered is tried with growing waits for a day, then given up, and that is told once."""
    owed(store, notice("warden-1", "text"), notice("warden-1", "mail"))
    channels = Scripted(warden_1_text=LATER, warden_1_mail=LATER)
    moments = []
    now = NOON
    while now < NOON + timedelta(days=3):
        if any(attempt[:2] == ("warden-1", "text") for attempt in deliver(store, channels, now)):
            moments.append(now - NOON)
        waiting = [row.next_attempt_at or row.due_at for row in store.notices() if row.state is NoticeState.DUE]
        if not waiting:
            break
        now = min(waiting)

    minutes = [int(moment.total_seconds() // 60) for moment in moments]
    assert minutes[:8] == [0, 1, 3, 8, 18, 38, 78, 138]
    assert timedelta(hours=24) <= moments[-1] <= timedelta(hours=25)
    assert {occasion for occasion, *_ in states(store)} == {"alarm:41:1", "undelivered:2"}


def test_a_day_off_is_no_reason_to_give_up(store: Store) -> None:
    """After an outage of two days the first failure, before the host's own link is up, gives nothing up."""
    owed(store, notice("warden-1"))

    deliver(store, Scripted(text=LATER), NOON + timedelta(days=2))

    assert store.notices()[0].state is NoticeState.DUE


def test_refused_goes_another_way(store: Store) -> None:
    """A refused text goes to the same person by mail at once, saying why it comes so."""
    owed(store, notice("tech-1", "text"))
    channels = Scripted(text=REFUSED)

    deliver(store, channels)
    deliver(store, channels)

    by_text, by_mail = channels.sent
    assert (by_mail.person, by_mail.channel) == ("tech-1", "mail")
    assert by_mail.text == f"By mail because the text failed.\n\n{by_text.text}"
    assert "<body><p>By mail because the text failed.</p>" in by_mail.html
    assert by_mail.references == "<wm.alarm.41.veldran-hills@example.org>"
    assert [(row.channel, row.state, row.error) for row in store.notices()] == [
        ("text", NoticeState.REFUSED, "550 No such user"),
        ("mail", NoticeState.ACCEPTED, ""),
    ]


def test_told_both_ways_is_not_told_thrice(store: Store) -> None:
    """When the mail of the same occasion is out already, a refused text adds nothing."""
    owed(store, notice("tech-1", "text"), notice("tech-1", "mail"))

    deliver(store, Scripted(text=REFUSED))
    deliver(store)

    assert len(store.notices()) == 2


def test_nobody_reached_is_told_to_the_technicians(store: Store) -> None:
    """When every way to a person fails, the technicians hear of it by day, and a failure of that goes no further."""
    owed(store, notice("warden-1", "text"), notice("warden-1", "mail"))
    channels = Scripted(text=REFUSED, mail=REFUSED)

    for _ in range(5):
        deliver(store, channels)

    undelivered = [row for row in store.notices() if row.occasion.startswith("undelivered:")]
    assert {(row.person, row.channel) for row in undelivered} == {
        ("tech-1", "text"),
        ("tech-1", "mail"),
        ("tech-2", "mail"),
    }
    assert {row.kind for row in undelivered} == {"tool"}
    assert all(row.state is NoticeState.REFUSED for row in store.notices())
    assert len(store.notices()) == 5


def test_a_storm_refused_by_text_wakes_a_technician(store: Store) -> None:
    """At night a mail is no substitute: the technicians hear at once that the warden's text about rain failed."""
    night = NOON + timedelta(hours=14)
    owed(store, *(notice("warden-1", channel, "storm", due_at=night, made_at=night) for channel in ("text", "mail")))

    deliver(store, Scripted(text=REFUSED), night)

    told = [row for row in store.notices() if row.occasion == "undelivered:1"]
    assert {row.due_at for row in told} == {night}


def test_the_only_technician_fails(store: Store) -> None:
    """The supervisor hears of it when the only technician can't be reached; without one, nobody can."""
    people = (contact("tech-1", "technician", mail=False), contact("boss-1", "supervisor", text=False))
    owed(store, notice("tech-1", "text"))

    deliver(store, Scripted(text=REFUSED), people=network(contacts=people, mail=MAIL))

    assert ("undelivered:1", "boss-1", "mail") in states(store)


def test_a_lost_storm_wakes_the_technician_on_duty_alone_and_passes_quiet_hours(store: Store) -> None:
    """The other one sleeps; the one on duty hears at once that the warden was not reached."""
    night = NOON + timedelta(hours=14)
    asleep = QuietHoursSettings(begins=time(22), ends=time(6, 30))
    people = tuple(one.model_copy(update={"quiet_hours": asleep}) for one in PEOPLE)
    turns = DutySettings(role="technician", people=("tech-2", "tech-1"))
    owed(store, notice("warden-1", "text", "storm", due_at=night, made_at=night))

    deliver(store, Scripted(text=REFUSED), night, people=network(contacts=people, mail=MAIL, duty=(turns,)))

    told = {(row.person, row.due_at) for row in store.notices() if row.occasion == "undelivered:1"}
    assert told == {("tech-2", night)}


def test_who_is_on_duty_and_was_not_reached_is_no_witness_of_it(store: Store) -> None:
    """The other technician hears that the one on duty can't be reached."""
    turns = DutySettings(role="technician", people=("tech-1", "tech-2"))
    owed(store, notice("tech-1", "text"), notice("tech-1", "mail"))

    for _ in range(2):
        deliver(
            store,
            Scripted(tech_1_text=REFUSED, tech_1_mail=REFUSED),
            people=network(contacts=PEOPLE, mail=MAIL, duty=(turns,)),
        )

    assert {row.person for row in store.notices() if row.occasion.startswith("undelivered:")} == {"tech-2"}


def test_a_digest_goes_by_mail_alone(store: Store) -> None:
    """A refused digest is no text; the technicians hear that it failed."""
    owed(store, notice("warden-1", "mail", "digest", occasion="digest:2025-W43", alarm=0))

    deliver(store, Scripted(mail=REFUSED))

    assert {occasion for occasion, *_ in states(store)} == {"digest:2025-W43", "undelivered:1"}


def test_a_storm_stopped_half_way_is_repeated(store: Store) -> None:
    """A storm whose sending a crash cut off is sent again, marked; once, for a crash at every start must end."""
    owed(store, notice("warden-1", "text", "storm"), notice("warden-1", "mail", "storm"))
    crash(store)
    channels = Scripted()

    assert deliver(store, channels, NOON + timedelta(minutes=3)) == [
        ("warden-1", "text", Fate.ACCEPTED),
        ("warden-1", "mail", Fate.ACCEPTED),
    ]
    assert channels.sent[0].text == "(repeat) Fennick Br: storm 41"
    assert channels.sent[1].subject == "(repeat) About storm 41"
    assert all(row.repeat for row in store.notices())


def test_a_repeat_keeps_its_message_id(store: Store) -> None:
    """A mail sent again carries the Message-ID it went out with before."""
    owed(store, notice("warden-1", "mail", "storm"))
    channels = Scripted(mail=[UNKNOWN, ACCEPTED])

    deliver(store, channels)
    deliver(store, channels, NOON + timedelta(minutes=1))

    first, second = channels.sent
    assert first.message_id == second.message_id != ""


def test_a_fault_stopped_half_way_is_repeated(store: Store) -> None:
    """A fault whose sending a crash cut off is sent once more, marked: nothing else would tell it."""
    owed(store, notice("tech-1", "text"))
    crash(store)
    channels = Scripted(text=UNKNOWN)

    for minutes in range(3, 13):
        deliver(store, channels, NOON + timedelta(minutes=minutes))

    assert [sent.text for sent in channels.sent if sent.occasion == "alarm:41:1" and sent.channel == "text"] == [
        "(repeat) Fennick Br: fault 41"
    ]
    assert states(store)["alarm:41:1", "tech-1", "text"] is NoticeState.UNKNOWN
    assert states(store)["alarm:41:1", "tech-1", "mail"] is NoticeState.ACCEPTED


def test_a_digest_of_unknown_fate_is_repeated(store: Store) -> None:
    """It is sent once more, and not again."""
    owed(store, notice("warden-1", "mail", "digest", occasion="digest:2025-W43", alarm=0))
    channels = Scripted(mail=UNKNOWN)

    for minutes in range(10):
        deliver(store, channels, NOON + timedelta(minutes=minutes))

    assert [sent.kind for sent in channels.sent].count("digest") == 2


def test_a_storm_of_unknown_fate_twice_goes_further(store: Store) -> None:
    """A storm whose text may never have arrived is repeated once; then the technicians are told, and it ends."""
    owed(store, notice("warden-1", "text", "storm"), notice("warden-1", "mail", "storm"))
    channels = Scripted(warden_1_text=UNKNOWN)

    for minutes in range(10):
        deliver(store, channels, NOON + timedelta(minutes=minutes))

    assert [sent.channel for sent in channels.sent if sent.person == "warden-1"].count("text") == 2
    assert states(store)["alarm:41:1", "warden-1", "text"] is NoticeState.UNKNOWN
    assert ("undelivered:1", "tech-2", "mail") in states(store)


def test_a_storm_not_delivered_in_its_hour(store: Store) -> None:
    """A storm's text that fails for an hour is not lost: its words are made anew, and the technicians are told."""
    owed(store, notice("warden-1", "text", "storm"), notice("warden-1", "mail", "storm"))
    channels = Scripted(warden_1_text=[LATER] * 6 + [ACCEPTED])
    now = NOON
    composed = []

    def compose(notice: Notice) -> Words:
        late = now - notice.due_at > timedelta(hours=1)
        composed.append(late)
        return Words("Earlier rain" if late else "Rain", "Earlier rain" if late else "Rain")

    for minutes in (0, 1, 3, 8, 18):
        now = NOON + timedelta(minutes=minutes)
        deliver(store, channels, now, compose)
    assert "undelivered:1" not in {occasion for occasion, *_ in states(store)}
    for minutes in (38, 78):
        now = NOON + timedelta(minutes=minutes)
        deliver(store, channels, now, compose)

    texts = [sent.text for sent in channels.sent if (sent.person, sent.channel) == ("warden-1", "text")]
    assert texts == ["Rain"] * 6 + ["Earlier rain"]
    assert ("undelivered:1", "tech-1", "text") in states(store)
    assert store.notice(1) == replace(cast(Notice, store.notice(1)), state=NoticeState.ACCEPTED, text="Earlier rain")


def test_one_bad_recipient_among_five(store: Store) -> None:
    """One person's refused address leaves the other four's notices alone."""
    people = tuple(contact(f"p{i}", "crew", text=False) for i in range(5))
    owed(store, *(notice(person.name, "mail") for person in people))

    deliver(store, Scripted(p2_mail=REFUSED), people=network(contacts=people, mail=MAIL))

    assert [row.person for row in store.notices() if row.state is NoticeState.ACCEPTED] == ["p0", "p1", "p3", "p4"]


def test_a_fault_of_our_own_stops_nobody(store: Store, caplog: pytest.LogCaptureFixture) -> None:
    """A channel that breaks on one notice, or words that can't be made, leave the others alone and are logged."""

    class Broken(Scripted):
        def send(self, notice: Notice, contact: Contact, channel: str, now: datetime) -> Outcome:
            if notice.person == "tech-1":
                raise TypeError("broken")
            return super().send(notice, contact, channel, now)

    def compose(notice: Notice) -> Words:
        if notice.person == "tech-2":
            raise KeyError("no such word")
        return words(notice)

    owed(store, notice("tech-1", "mail"), notice("tech-2", "mail"), notice("warden-1", "mail"))

    fates = deliver(store, Broken(), compose=compose)

    assert sorted(fates) == [("tech-1", "mail", Fate.UNKNOWN), ("warden-1", "mail", Fate.ACCEPTED)]
    assert states(store)["alarm:41:1", "tech-2", "mail"] is NoticeState.DUE
    assert "TypeError: broken" in caplog.text
    assert "KeyError: 'no such word'" in caplog.text


def test_storms_first_and_in_order(store: Store) -> None:
    """Storms go before faults, and what goes to one person by one channel keeps its order."""
    owed(
        store,
        notice(occasion="alarm:1:1", alarm=1, due_at=NOON - timedelta(hours=1)),
        notice(occasion="alarm:2:1", alarm=2, kind="storm", due_at=NOON - timedelta(minutes=2)),
        notice(occasion="alarm:2:2", alarm=2, kind="storm", due_at=NOON - timedelta(minutes=1)),
        notice(occasion="alarm:3:1", alarm=3),
    )
    channels = Scripted()

    deliver(store, channels)

    assert [sent.occasion for sent in channels.sent] == ["alarm:2:1", "alarm:2:2", "alarm:1:1", "alarm:3:1"]


def test_after_a_failure_the_rest_waits(store: Store) -> None:
    """When a person's channel fails for now, nothing later overtakes by the same channel in this turn."""
    owed(store, *(notice(occasion=f"alarm:{i}:1", alarm=i) for i in (1, 2, 3)))

    assert deliver(store, Scripted(text=[LATER, ACCEPTED])) == [("tech-1", "text", Fate.LATER)]


def test_a_slow_channel_delays_nobody_else(store: Store) -> None:
    """While twelve people's texts hang, the mails of all go out: a storm is never behind another's slow gateway."""
    people = tuple(contact(f"p{i}", "warden") for i in range(12))
    owed(store, *(notice(person.name, channel, "storm") for person in people for channel in ("text", "mail")))
    all_mailed = threading.Event()

    class Slow(Scripted):
        def send(self, notice: Notice, contact: Contact, channel: str, now: datetime) -> Outcome:
            if channel == "text":
                return ACCEPTED if all_mailed.wait(5) else LATER
            self.sent.append(notice)
            if len(self.sent) == len(people):
                all_mailed.set()
            return ACCEPTED

    fates = deliver(store, Slow(), people=network(contacts=people, mail=MAIL))

    assert [fate for _, _, fate in fates] == [Fate.ACCEPTED] * 24


def test_no_more_than_the_limit(store: Store) -> None:
    """One turn sends at most so many, the storms among them."""
    owed(store, notice("tech-1"), notice("tech-2", "mail"), notice("warden-1", kind="storm"))

    attempts = deliver_due(store, cast(Channels, Scripted()), words, VELDRAN, NOON, limit=1)

    assert [sent.person for sent, _ in attempts] == ["warden-1"]


@pytest.mark.parametrize(
    ("kind", "outcome", "state"),
    [
        ("storm", ACCEPTED, NoticeState.ACCEPTED),
        ("storm", REFUSED, NoticeState.REFUSED),
        ("storm", LATER, NoticeState.DUE),
        ("storm", UNKNOWN, NoticeState.DUE),
        ("fault", UNKNOWN, NoticeState.DUE),
        ("fault", Outcome(Fate.LATER, "", 3600), NoticeState.DUE),
        ("fault", Outcome(Fate.LATER, "", 90000), NoticeState.REFUSED),
    ],
)
def test_next_state(kind: str, outcome: Outcome, state: NoticeState) -> None:
    """Each fate leads to its state; a channel that asks for more than a day is given up."""
    assert next_state(notice(kind=kind, attempts=1), outcome, NOON)[0] is state


def test_marks_leave_a_text_one_part() -> None:
    """A mark that would make a second part of a text is left out; what the words say themselves is not said twice."""
    full = Words("s", "x" * 155)

    assert repeated(full, "text").text == full.text
    assert redirected(full, "text", "mail").text == full.text
    assert parts(repeated(Words("s", "x" * 151), "text").text) == 1
    assert septets(repeated(Words("s", "x" * 151), "text").text) == 160
    assert repeated(Words("s", "Rain (repeat)"), "text").text == "Rain (repeat)"
    assert repeated(full, "mail").text == f"(repeat) {full.text}"
    assert redirected(Words("s", "Rain"), "text", "mail").text == "By text because the mail failed. Rain"


CHART = Picture("chart@example.org", "Bars: Hollin 0 mm", b"\x89PNG")


def with_picture(notice: Notice) -> Words:
    """Return words that have a picture where they are a mail's."""
    return replace(words(notice), pictures=(CHART,) if notice.channel == "mail" else ())


def test_a_mail_s_pictures_go_with_it_and_are_frozen_like_its_words(store: Store) -> None:
    """Also at the second attempt, for which nothing is made anew; a text has none."""
    channels = Scripted(mail=[LATER, ACCEPTED])
    owed(store, notice("tech-1", "mail"), notice("tech-1", "text"))

    deliver(store, channels, compose=with_picture)
    deliver(store, channels, NOON + timedelta(minutes=2), compose=words)

    sent = [(row.channel, row.attempts, row.pictures) for row in channels.sent]
    assert sorted(sent) == [("mail", 1, (CHART,)), ("mail", 2, (CHART,)), ("text", 1, ())]


def test_a_mail_in_a_text_s_place_has_its_pictures(store: Store) -> None:
    """The words that ask for them would else show an empty frame."""
    channels = Scripted(text=REFUSED)
    owed(store, notice("tech-1", "text"))

    deliver(store, channels, compose=with_picture)
    deliver(store, channels, NOON + timedelta(minutes=1), compose=with_picture)

    assert [(row.channel, row.pictures) for row in channels.sent] == [("text", ()), ("mail", (CHART,))]


def test_texts_do_not_wait_until_the_mails_of_the_same_turn_are_drawn(store: Store) -> None:
    """A picture takes a second, and the phone is what wakes somebody."""
    made: list[str] = []

    def noted(row: Notice) -> Words:
        made.append(row.channel)
        return words(row)

    owed(
        store,
        notice("warden-1", "mail", "storm"),
        notice("tech-1", "mail", "storm"),
        notice("warden-1", "text", "storm"),
    )
    deliver(store, compose=noted)

    assert made == ["text", "mail", "mail"]


def crash(store: Store) -> None:
    """Begin sending everything that is due, and stop there."""
    for row in store.notices_due(NOON):
        made = words(row)
        store.put_words(row.number, made.subject, made.text, made.html, f"<wm.{row.number}@example.org>", "")
        assert store.begin_attempt(row.number, NOON)

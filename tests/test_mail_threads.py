"""Which notice a mail answers, without a server: a thread of several of ours."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from tests.board.test_page import KEY, NOW, STANDING
from tests.helpers import SECRETS, write_network
from watchman import mailbox
from watchman.links import message_id
from watchman.model import Notice
from watchman.network import load
from watchman.store import Store


def test_done_in_answer_to_what_confirmed_the_visit_ends_it(tmp_path: Path) -> None:
    """The confirmation asks nothing itself, and stands between the notice and the person's second mail."""
    network = load(write_network(tmp_path), SECRETS.get)
    store = Store.open("sqlite://", Path())
    store.commit(NOW, alarms=[STANDING])
    tech = network.contacts[0]
    notice = Notice(
        0,
        "alarm:41:1",
        tech.name,
        "mail",
        "fault",
        NOW,
        NOW,
        alarm=41,
        event="raised",
        message_id=message_id("a@b.example"),
    )
    store.add_notices([notice])

    def reply(line: str, minutes: int, *thread: str) -> None:
        head = f"From: {tech.mail}\r\nIn-Reply-To: {thread[-1]}\r\nReferences: {' '.join(thread)}\r\n\r\n"
        mailbox.act(network, store, KEY, f"{head}{line}\r\n".encode(), NOW + timedelta(minutes=minutes))

    reply("VISIT 2H", 0, notice.message_id)
    confirmed = next(one for one in store.notices() if one.occasion.startswith("answer:"))
    reply("DONE", 30, notice.message_id, confirmed.message_id)
    assert [span.ends_at for span in store.spans() if span.withdrawn_at is None] == [NOW + timedelta(minutes=30)]
    store.close()


def test_of_two_who_share_an_address_the_one_who_was_told_answers(tmp_path: Path) -> None:
    """A station's box may serve the whole shift; the notice says whose it is."""
    network = load(write_network(tmp_path), SECRETS.get)
    tech = network.contacts[0]
    second = tech.model_copy(update={"name": "tech-2"})
    network = replace(network, contacts=(*network.contacts, second))
    store = Store.open("sqlite://", Path())
    store.commit(NOW, alarms=[STANDING])
    told = Notice(0, "alarm:41:1", "tech-2", "mail", "fault", NOW, NOW, alarm=41, message_id=message_id("a@b.example"))
    store.add_notices([told])
    mailbox.act(network, store, KEY, f"From: {tech.mail}\r\nIn-Reply-To: {told.message_id}\r\n\r\nOK\r\n".encode(), NOW)
    assert [(one.kind, one.who) for one in store.answers_after(0)] == [("acknowledge", "tech-2")]
    store.close()

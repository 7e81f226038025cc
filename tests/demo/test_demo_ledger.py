"""The fortnight's ledger: what each person must be told, and on what everybody must stay silent.

The way is the whole one: invented readings over HTTP, the watch's own cycle, mail and texts to local boxes, answers
through the text gateway's hook and the board. Only pictures are left out: each takes a process of its own.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

import pytest

from demo.mailbox import Arrived
from demo.plain_script import is_night
from demo.run import Ran, run
from demo.story import STRANGER, ZONE
from watchman import speech
from watchman.telling.compose import Words
from watchman.telling.gsm import septets

SEEDS = (7,)


@dataclass(frozen=True)
class Told:
    """One line of the ledger: on a day of the month somebody gets a text (or a mail) with these words, in order."""

    day: int
    who: str
    words: str
    channel: str = "text"


MUST = (
    Told(20, "tech-1", "Larkmoor battery: about .* days left"),
    Told(20, "tech-1", "Plan P7: data plan ends Fri 24 Oct, in 4 days. .*Phone the provider"),
    Told(20, "tech-1", "Drill 1 of 08:00: 8 of 9 answered. Not road-crew."),
    Told(20, "crew", "Hollin Dam: 100 test tips in 2 runs .*you can go"),
    Told(20, "crew", "Still at Hollin Dam"),
    Told(22, "crew", "Juniper Sdl drains slowly"),
    Told(22, "warden", "Heavy rain Ashlow Gap"),
    Told(22, "warden", "Very heavy rain Ashlow Gap"),
    Told(22, "warden", "Heavy rain over .*Ashlow Gap"),
    Told(22, "road-crew", "Heavy rain Ashlow Gap"),
    Told(22, "road-crew", "Very heavy rain Ashlow Gap"),
    Told(22, "road-crew", "Heavy rain over"),
    Told(23, "crew", "Hollin Dam clogged\\? .*Began after the visit of Mon 20 Oct"),
    Told(24, "tech-1", "no data since 14:05 .*don't drive"),
    Told(24, "tech-1", "data again .*Bracken Hd"),
    Told(24, "warden", "data again .*Bracken Hd .*not told then"),
    Told(25, "tech-1", "Plan P7: 2 stations silent .*phone the provider"),
    Told(25, "tech-1", "Plan P7: 2 stations report again"),
    Told(25, "warden", "Corrow Mill .*one gauge only"),
    Told(27, "tech-1", "Mossgate: test tips.* TEST .*or RAIN"),
    Told(27, "supervisor", "Veldran Hills week 43", "mail"),
    Told(28, "host-n", "Nettle Crk: 10 test tips .*you can go"),
    Told(28, "crew", "Hollin Dam.* 50 test tips .*50 of 50.* you can go"),
    Told(28, "tech-2", "Eskwater: visit closed 11:00"),
    Told(28, "tech-2", "Gorsehill: visit closed 11:00"),
    Told(29, "tech-2", "Eskwater and Gorsehill exchanged since"),
    Told(31, "tech-2", "Mast T3: . stations silent .*Don't drive"),
    Told(31, "warden", "Mast T3: . stations silent .*Blind in rain"),
    Told(31, "warden-2", "eavy rain .*Your turn: no answer by warden.* Reply OK"),
    Told(31, "warden-2", "Extreme rain Ivory Scree"),
    Told(31, "road-crew", "Extreme rain Ivory Scree"),
    Told(1, "warden-2", "Heavy rain over .*Not seen: Fennick Br and 3 more"),
    Told(1, "road-crew", "Heavy rain over"),
    Told(1, "tech-2", "watch was off 01:35 to 07:15.* Bracken Hd .*Phone road crew and warden now"),
    Told(1, "tech-2", "Ivory Scree silent since 03:"),
    Told(1, "tech-2", "Mast T3: 4 stations report again"),
    Told(2, "crew", "Ashlow Gap: .* test tips .*you can go"),
    Told(2, "tech-2", "Dunfell Pass repeats one packet since 08:00"),
    Told(3, "supervisor", "Veldran Hills week 44", "mail"),
)
SILENT = (
    # Words of a text that nobody may get, on which days of the month (none: on any).
    ("eavy rain Hollin|eavy rain Mossgate|eavy rain Nettle", ()),
    ("eavy rain Ashlow", (2,)),
    ("clogged", (20, 21, 22)),
    ("(?<!Hollin Dam )(?<!Mossgate )clogged", ()),
    ("(?<!Larkmoor )battery: about", ()),
    ("(Ashlow|Bracken|Corrow|Dunfell|Eskwater|Fennick|Gorsehill|Hollin|Juniper|Kettle|Mossgate|Nettle).* silent", ()),
    ("silent|clock|ahead", (26,)),
    ("Ashlow Gap silent", ()),
)


@pytest.fixture(scope="module", params=SEEDS)
def ran(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ran]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(speech, "illustrated", _without_pictures)
        yield run(request.param, tmp_path_factory.mktemp("ledger"))


def _without_pictures(said: Words) -> Words:
    return said


def _day(one: Arrived) -> int:
    return one.at.astimezone(ZONE).day


def _texts(ran: Ran) -> list[Arrived]:
    return [one for one in ran.arrived if one.channel == "text"]


def test_everybody_is_told_what_the_ledger_says(ran: Ran) -> None:
    """Each line of the ledger reached its person on its day."""
    missing = [
        line
        for line in MUST
        if not any(
            (one.who, one.channel, _day(one)) == (line.who, line.channel, line.day) and re.search(line.words, one.words)
            for one in ran.arrived
        )
    ]

    assert missing == []


def test_nobody_is_told_what_is_nothing(ran: Ran) -> None:
    """Test tips are no storm, honest zeros no clog, one cause is one text, the clock change is nothing."""
    wrong = [
        (one.who, one.words)
        for one in _texts(ran)
        for words, days in SILENT
        if re.search(words, one.words) and (not days or _day(one) in days)
    ]

    assert wrong == []


def test_nights_belong_to_heavy_rain(ran: Ran) -> None:
    """Between 22:00 and 06:30 a phone rings for heavy rain, for a blind station, or for the watch itself."""
    nightly = [one for one in _texts(ran) if is_night(one.at)]

    assert [
        one.words for one in nightly if not re.search("eavy rain|xtreme rain|Blind in rain|outside", one.words)
    ] == []


def test_nothing_comes_twice_and_every_text_is_one_text(ran: Ran) -> None:
    """No text is the same as an earlier one to that person; none has a second part."""
    seen = [(one.who, one.words) for one in _texts(ran)]

    assert len(seen) == len(set(seen))
    assert [one.words for one in _texts(ran) if septets(one.words) > 160] == []


def test_no_text_is_lost_though_four_of_ten_fail(ran: Ran) -> None:
    """In the storm the gateway refuses texts; all that were due came in the end."""
    assert ran.failed >= 5
    assert ran.lost == 0


def test_answers_act_and_strangers_change_nothing(ran: Ran) -> None:
    """Whoever was told could answer; a text from an unknown number, guessed letters and a changed link do nothing."""
    strange = [(sent, changed) for sent, changed in ran.answers if sent.reply.who == STRANGER]
    own = [sent for sent, _ in ran.answers if sent.reply.who != STRANGER]

    assert [(sent.status, changed) for sent, changed in strange] == [(204, 0), (204, 0), (404, 0)]
    assert all(sent.words for sent, _ in strange)
    assert [sent.reply for sent in own if sent.words and sent.status not in (200, 204)] == []
    # The third wet spell tells of Mossgate's cut lead by then in the weather of one seed only.
    assert [sent.reply for sent in own if not sent.words and sent.reply.to != "Mossgate"] == []


def test_the_plain_script_sends_a_hundred_times_as_much(ran: Ran) -> None:
    """The comparison that the account shows."""
    plain = sum(count.messages for count in ran.plain.values())

    assert plain > 50 * len(_texts(ran))

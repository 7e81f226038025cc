"""Mails as the tests look at them: one of each kind with its pictures drawn."""

from __future__ import annotations

from functools import cache

import numpy as np

from tests.telling.test_pictures import battery_view, dry_alarm, dry_view, sketch_of, storm_alarm, storm_view
from tests.telling.veldran import CONTACTS, STATIONS, at, battery, clogged, event, network, notice, silent, storm
from tests.telling.veldran import storm_over as over
from watchman import speech
from watchman.model import Alarm, EventKind
from watchman.telling import compose, digest
from watchman.telling.charts import Sketch

LINK = "https://watch.example.org/a/NDE6dGVjaC0xOjE3.Yk3hQ2vTqPz8LwNDE6dGVjaC0xOjE3Yk3hQ2vTqPz8Lw"


def sketched(of: Alarm, *sketches: Sketch) -> compose.Words:
    """Return a mail to tech-1 whose pictures are yet to be drawn."""
    here, now = network(), "2025-10-27T07:00"
    row = notice(of, EventKind.RAISED, "mail", now)
    others = [silent(), battery(), clogged()]
    words = compose.words(
        row, of, EventKind.RAISED, here.contacts[0], here, at(now), link=LINK, open_alarms=others, sketches=sketches
    )
    assert words.trouble == ""
    return words


def clogged_mail() -> compose.Words:
    """Return the mail about a dry gauge, its picture yet to be drawn."""
    return sketched(clogged(), sketch_of(dry_alarm(), dry_view()))


def week_mail() -> compose.Words:
    """Return the digest of a week with rain everywhere but at a clogged gauge, its pictures yet to be drawn."""
    rain = np.outer(np.arange(10, 10 + len(STATIONS)), [0, 18_600, 1200, 0, 12_400, 200, 0]) // 10
    rain[[one.id for one in STATIONS].index("hollin")] = 0
    facts = digest.WeekFacts(
        week="2025-W43",
        rain_um=rain,
        known=np.full(rain.shape, 0.99),
        events=tuple(event(EventKind.RAISED, one) for one in (clogged(), battery(), over())),
        open_alarms=(clogged(), battery()),
        days_left={"larkmoor": 6.4, "nettle": 24.0, "fennick": 99.0},
    )
    return digest.digest_words(digest.week(network(), facts), CONTACTS[2], network())


@cache
def illustrated() -> dict[str, compose.Words]:
    """Return mails with their pictures, by what they are about."""
    return {
        "clogged": speech.illustrated(clogged_mail()),
        "battery": speech.illustrated(sketched(battery(), sketch_of(battery(), battery_view()))),
        "storm": speech.illustrated(sketched(storm(), sketch_of(storm_alarm(), storm_view()))),
        "silent": sketched(silent()),
        "week": speech.illustrated(week_mail()),
    }

"""What a visitor is told while on site, before the visit ends, and at its end."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.telling.veldran import at, clogged, contact, network, notice, silent
from watchman.judging.on_site import Run, Seen
from watchman.model import EventKind, Span
from watchman.telling import compose
from watchman.telling.compose import OnSite, Words
from watchman.telling.gsm import SINGLE, septets

LINK = "https://watch.example.org/1aBcDeFgHiJkLmN"
MORNING = at("2025-10-20T10:05")
VISIT = Span(1, "hollin", MORNING, at("2025-10-20T13:05"), "visit", "crew-1", MORNING)
ENDED = replace(VISIT, ends_at=at("2025-10-20T11:40"), decided_at=at("2025-10-20T11:40"))


def run(begins: str, ends: str, tips: int) -> Run:
    return Run(at(f"2025-10-20T{begins}"), at(f"2025-10-20T{ends}"), 200 * tips)


WELL = Seen(
    runs=(run("10:15", "10:30", 50), run("10:45", "11:00", 49)),
    tip_um=200,
    heard=True,
    last_heard=at("2025-10-20T11:31"),
    rain_too=False,
    quiet=True,
    clock_off=timedelta(0),
    battery_v=4.112,
    battery_low=False,
    signal_dbm=-87.0,
)
UNHEARD = replace(WELL, runs=(), heard=False, last_heard=at("2025-10-20T09:35"), clock_off=None, battery_v=None)
SILENT = silent(at_station="hollin", since="2025-10-20T10:20")


def said(facts: OnSite, now: str = "2025-10-20T11:31", channel: str = "text", **codes: str) -> Words:
    row = notice(None, EventKind.TOLD, channel, now)
    words = compose.occasion_words(facts, row, contact("crew-1", "crew"), network(), at(now), **codes)
    assert words.trouble == ""
    assert channel != "text" or septets(words.text) <= SINGLE
    return words


def text(facts: OnSite, now: str = "2025-10-20T11:31", **codes: str) -> str:
    return said(facts, now, **codes).text


def test_all_well_you_can_go() -> None:
    """The most valued message: what came, that it is no rain, and that clock, battery and signal are right."""
    assert text(OnSite(VISIT, "there", WELL)) == (
        "Hollin Dam: 99 test tips in 2 runs (50, 49), left out of the rain; clock right; battery 4.11 V; "
        "signal -87 dBm; you can go."
    )
    assert "(50, 49 of 51), left out" in text(OnSite(VISIT, "there", WELL, 400, 51.2, (-2, -4)))


def test_where_the_rain_of_a_tip_is_not_known_the_water_is_told() -> None:
    """As a depth, never as a guessed number of tips."""
    assert "19.8 mm of water in 2 runs" in text(OnSite(VISIT, "there", replace(WELL, tip_um=0)))


@pytest.mark.parametrize(
    ("facts", "wrong"),
    [
        (OnSite(VISIT, "there", replace(WELL, clock_off=timedelta(hours=-1))), "clock 1 h behind"),
        (OnSite(VISIT, "there", replace(WELL, clock_off=timedelta(minutes=40))), "clock 40 min ahead"),
        (OnSite(VISIT, "there", replace(WELL, battery_v=3.41, battery_low=True)), "battery 3.41 V is low"),
        (OnSite(VISIT, "there", WELL, weak=True), "signal -87 dBm is weak"),
        (OnSite(VISIT, "there", replace(WELL, runs=()), 400, 51.2), "no test tip yet, 51 expected"),
        (OnSite(VISIT, "there", replace(WELL, runs=()), 400), "no test tip yet"),
        (OnSite(VISIT, "there", WELL, 400, 61.2, (-18, -20)), "20 % too few tips"),
        (OnSite(VISIT, "there", WELL, 400, 40.0, (25, 22)), "22 % too many tips"),
    ],
)
def test_what_is_not_right_comes_first_and_nobody_is_sent_home(facts: OnSite, wrong: str) -> None:
    """Also in the mail's subject."""
    assert text(facts).startswith(f"Hollin Dam, not right yet: {wrong}")
    assert "you can go" not in text(facts)
    letter = said(facts, channel="mail")
    assert letter.subject == f"Hollin Dam, not right yet: {wrong}"
    assert "you can go" not in letter.text


def test_a_gauge_that_is_clogged_and_sends_no_tip_is_not_right() -> None:
    """Nobody said what was poured, but the visit was for the rain; tips alone don't end what is open."""
    dry = OnSite(VISIT, "there", replace(WELL, runs=()))
    assert text(dry).startswith("Hollin Dam: no test tips; clock right")
    assert text(replace(dry, standing=(clogged(),))).startswith("Hollin Dam, not right yet: no test tip yet.")
    letter = said(OnSite(VISIT, "there", WELL, standing=(clogged(),)), channel="mail")
    assert "that ends with the next rain" in letter.text


def test_a_station_that_has_not_been_heard() -> None:
    """Wait, or look for the reason while somebody is there."""
    assert text(OnSite(VISIT, "there", UNHEARD)) == (
        "Hollin Dam: nothing heard since 09:35. Wait for its next report, or check antenna and power."
    )
    assert text(OnSite(VISIT, "over", UNHEARD), "2025-10-20T13:05", link=LINK) == (
        "Hollin Dam: visit closed 13:05, nothing heard since 09:35. Check antenna and power before you leave. "
        "Still there? Book again."
    )
    assert "nothing heard of it yet" in text(OnSite(VISIT, "asked", replace(UNHEARD, last_heard=None)))


@pytest.mark.parametrize(
    ("codes", "longer"),
    [
        ({"own_code": "xkcdz", "link": LINK}, "Longer: VISIT HOLLIN DAM 2H xkcdz."),
        ({"link": LINK}, f"Longer: {LINK}"),
        ({}, "So far 99 test tips in 2 runs (50, 49)."),
    ],
)
def test_before_the_end_the_visitor_is_asked_by_the_way_that_is_set_up(codes: dict[str, str], longer: str) -> None:
    """Nothing is offered that would not be read."""
    asked = text(OnSite(VISIT, "asked", WELL), "2025-10-20T12:50", **codes)
    assert asked.startswith("Still at Hollin Dam? The visit closes 13:05, then its tips are rain again.")
    assert longer in asked
    assert ("VISIT" in asked) is ("own_code" in codes)


def test_at_the_end_what_still_stands_is_told() -> None:
    """Battery and signal make room for it."""
    over = text(OnSite(VISIT, "over", WELL, standing=(SILENT,)), "2025-10-20T13:05", link=LINK)
    assert over == (
        "Hollin Dam: visit closed 13:05; 99 test tips in 2 runs (50, 49), left out of the rain; clock right. "
        "Still open: Hollin Dam silent since 10:20 (2 h 45 min)."
    )


def test_whoever_ended_the_visit_is_not_asked_whether_they_are_there() -> None:
    """They hear that they can go."""
    ended = text(OnSite(ENDED, "over", WELL), "2025-10-20T11:40", link=LINK)
    assert ended.endswith("you can go.")
    assert "Still there" not in ended + said(OnSite(ENDED, "over", WELL), "2025-10-20T11:40", "mail").text


def test_rain_near_by_makes_test_tips_doubtful() -> None:
    """A forgotten window over real rain: the visitor is told, not sent a congratulation."""
    wet = text(OnSite(VISIT, "over", replace(WELL, rain_too=True)), "2025-10-20T13:05")
    assert "Neighbours were wet: some may be rain." in wet


def test_the_mail_is_complete() -> None:
    """Each run against what was poured, the three states, what stands, and cautions."""
    letter = said(OnSite(VISIT, "there", WELL, 400, 51.2, (-2, -4), standing=(SILENT,)), channel="mail", link=LINK)
    assert letter.subject == "Hollin Dam: 99 test tips in 2 runs (50, 49 of 51), you can go"
    for words in (
        "1    10:15  10:30  50    51.2      -2 %",
        "Clock       right",
        "Battery     4.11 V",
        "Signal      -87 dBm",
        "No. 41  Hollin Dam silent since 10:20",
        "400 ml over the funnel make 51.2 tips each time.",
        "within 30 min of",
        "Never walk or drive into moving water",
        LINK,
    ):
        assert words in letter.text

"""An alarm in words: texts that fit one message and say what to do, mails that stand alone."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.telling.veldran import (
    STATIONS,
    alarm,
    at,
    battery,
    clogged,
    contact,
    gauge,
    mast_out,
    network,
    notice,
    silent,
    source_out,
    spread,
    station,
    storm,
    storm_over,
    written,
)
from watchman.model import Alarm, AlarmKey, AlarmState, EventKind, Severity, When
from watchman.network import Network
from watchman.settings import DutySettings
from watchman.stations import with_short_names
from watchman.telling import compose, phrases
from watchman.telling.gsm import septets

LINK = "https://watch.example.org/a/NDE6dGVjaC0xOjE3.Yk3hQ2vTqPz8Lw"
CAUTION = "Gauge reading, not an official warning."


def said(
    of: Alarm,
    now: str,
    kind: EventKind = EventKind.RAISED,
    channel: str = "text",
    here: Network | None = None,
    changed: dict[str, Any] | None = None,
    **more: Any,
) -> compose.Words:
    """Return the words of one notice to tech-1."""
    here = here or network()
    row = notice(of, kind, channel, now, **(changed or {}))
    words = compose.words(row, of, kind, here.contacts[0], here, at(now), **more)
    assert words.trouble == ""
    return words


def text(of: Alarm, now: str, kind: EventKind = EventKind.RAISED, **more: Any) -> str:
    """Return the text of one notice to tech-1."""
    return said(of, now, kind, **more).text


# --- the model messages of the job study, in our words ---


def test_s1_a_silent_station() -> None:
    """What, where, since when, the neighbours, the battery, the likely cause, what to load."""
    assert text(silent(), "2025-10-23T07:10") == (
        "Fennick Br silent since 02:10 (5 h), 4 neighbours fine. Last battery 3.92 V, fine. Signal was weak. "
        "Radio? Bring modem, SIM, antenna. No. 41."
    )


def test_s1_with_a_link_keeps_the_evidence_and_the_load() -> None:
    """The person's own link takes the place of what counts less."""
    assert text(silent(), "2025-10-23T07:10", link=LINK) == (
        f"Fennick Br silent since 02:10 (5 h), 4 neighbours fine. Radio? Bring modem, SIM, antenna. No. 41. {LINK}"
    )


def test_s2_a_source_that_brings_nothing() -> None:
    """One notice, not one a station, and nobody drives."""
    assert text(source_out(), "2025-10-24T14:35") == (
        "Source main: no data since 14:05. 11 stations unseen. Service or link, not the stations: don't drive, "
        "phone the service. Heavy rain can't be seen meanwhile."
    )


def test_s2_a_mast_that_fails_while_it_rains() -> None:
    """The blind spot is said, and who to phone."""
    assert text(mast_out(), "2025-10-31T18:55") == (
        "Mast T3: 4 stations silent since 18:10. Blind in rain there. Mast or its power, not the stations. "
        "Don't drive; phone its operator. No. 44."
    )


def test_s3_a_gauge_that_stays_dry() -> None:
    """Suspicion as a question, the neighbours' depths, the tools, lightning, and the visit it began after."""
    assert text(clogged(), "2025-10-23T18:00") == (
        "Hollin Dam clogged? 0 mm since Mon 11:00, 5 neighbours 9.4-19 mm. Bring brush, wire, test bottle. "
        "Lightning: wait. Began after the visit of Mon 20 Oct. No. 43."
    )


def test_s5_a_battery_that_ends() -> None:
    """Days left with their range, why it isn't the weather, what to load."""
    assert text(battery(), "2025-10-27T07:00") == (
        "Larkmoor battery: about 6 days left (4-9), not full for 7 days. 9 of 11 nearby filled. "
        "Panel shaded, dirty or cut? Bring cell, meter, wipes, saw. No. 45."
    )


def test_s6_heavy_rain() -> None:
    """Where, when, how much in how long, whether it rises, and that it is no official warning."""
    assert text(storm(), "2025-10-22T17:21") == (
        "Heavy rain Ashlow Gap 17:20: 14 mm/15 min, 31.2 mm/1 h. Bracken Hd 9 mm/15 min. Still rising. "
        "Act on your plan. Gauge reading, not an official warning. No. 46."
    )


def rarest(mm: float, minutes: int, years: float, beyond: str = "") -> dict[str, object]:
    """Return how rare a gauge's rain was, as judging says it."""
    return {"mm": mm, "minutes": minutes, "years": years, "beyond": beyond, "name": "Ashlow Gap"}


@pytest.mark.parametrize(
    ("rare", "said_of_it"),
    [
        (rarest(14.0, 15, 12.3), "14 mm/15 min (about 1 in 10 yr), 31.2 mm/1 h."),
        (rarest(31.2, 60, 27.9), "14 mm/15 min, 31.2 mm/1 h (about 1 in 25 yr)."),
        (rarest(31.2, 60, 100, "more"), "14 mm/15 min, 31.2 mm/1 h (over 1 in 100 yr, outside the table)."),
        (rarest(31.2, 60, 1, "less"), "14 mm/15 min, 31.2 mm/1 h. "),
    ],
)
def test_s6_how_rare_it_is(rare: dict[str, object], said_of_it: str) -> None:
    """The return period stands beside its own depth, rounded down, never beyond the table."""
    first, second = storm().numbers["gauges"]
    of = storm(first | {"rarest": rare}, second)

    assert said_of_it in text(of, "2025-10-22T17:21")
    mail = said(of, "2025-10-22T17:21", channel="mail", here=spread()).text
    assert ("by your table" in mail.lower()) == (rare["beyond"] != "less")
    assert ("somewhere among gauges like yours" in " ".join(mail.split())) == (not rare["beyond"])


def test_why_a_storm_notice_names_its_limit() -> None:
    """A depth, a return period, a line, or rain before."""
    gauges = storm().numbers["gauges"]

    def limit_of(**figures: object) -> str:
        of = storm(gauges[0] | {"limit": {"mm": 12.0, "minutes": 15, "severity": "severe"} | figures})
        return " ".join(said(of, "2025-10-22T17:21", channel="mail").text.split())

    assert "14 mm in 15 min is at or above the limit of 12 mm in 15 min." in limit_of()
    assert "the depth of 1 in 10 years, 12 mm in 15 min." in limit_of(years=10.0)
    assert "line of intensity, which asks for 12 mm in 15 min." in limit_of(line={"a": 1})
    before = limit_of(before_mm=54.0, factor=0.67, before_days=15.0, days=3.0)
    assert "0.67 times the 54 mm of the 15 days before it reach the limit of 12 mm." in before


def test_why_heavy_rain_was_or_was_not_told() -> None:
    """The depth that counted or came nearest, and its limit."""
    n = {"mm": 4.2, "minutes": 15, "limit": {"mm": 6.0, "minutes": 15, "severity": "moderate"}, "rarest": None}

    def why(verdict: str, **changed: object) -> str:
        facts = {"n": n | changed, "verdict": verdict, "reason": "readings are missing"}
        return compose.account("heavy-rain", facts, network(), at("2025-10-22T17:21"))

    assert why("absent") == "4.2 mm in 15 min came nearest: under the limit of 6 mm in 15 min."
    assert why("present", mm=6.2, rarest=rarest(6.2, 15, 2.2)) == (
        "6.2 mm in 15 min: the limit of 6 mm in 15 min is reached. "
        "By the network's table 6.2 mm in 15 min is about 1 in 2 yr."
    )
    assert why("undetermined") == "Readings are missing; what came makes at least 4.2 mm in 15 min."


def test_s7_heavy_rain_on_one_gauge_only() -> None:
    """The doubt is told, not used to say nothing."""
    alone = storm(gauge("Corrow Mill", 8.0, 15, "2025-10-22T16:45"), one_gauge_only=True, dry_neighbours=3)

    assert text(alone, "2025-10-22T16:46") == (
        "Heavy rain Corrow Mill 16:45: 8 mm/15 min, one gauge only. 3 neighbours dry. Phone to check. "
        "Gauge reading, not an official warning. No. 46."
    )


def test_s9_the_watch_was_off() -> None:
    """From when to when, what was missed, and who to phone now."""
    missed = storm(gauge("Bracken Head", 22.0, 60, "2025-11-15T03:10"))
    off = compose.Off(at("2025-11-15T01:40"), at("2025-11-15T07:15"), 13, 14, (missed,), "host power")
    row = notice(None, EventKind.TOLD, "text", "2025-11-15T07:16")

    words = compose.occasion_words(off, row, contact("tech-1", "technician"), network(), at("2025-11-15T07:16"))

    assert words.text == (
        "The Veldran Hills watch was off 01:40 to 07:15 (host power). "
        "Missed live: heavy rain at Bracken Hd 03:10, 22 mm in 1 h. Phone warden now: not told then."
    )


def test_a_time_off_that_missed_more_names_the_rain_and_whole_roles() -> None:
    """The network's name makes way for what was missed; who reads it need not be phoned."""
    missed = storm(gauge("Bracken Head", 22.0, 60, "2025-11-15T03:10"))
    missed = replace(missed, tell=("warden", "road crew"))
    off = compose.Off(at("2025-11-15T01:40"), at("2025-11-15T07:15"), 13, 14, (missed, silent()))
    row = notice(None, EventKind.TOLD, "text", "2025-11-15T07:16")

    words = compose.occasion_words(
        off, row, contact("tech-1", "technician"), network(), at("2025-11-15T07:16"), link=LINK
    )

    assert words.text == (
        "The watch was off 01:40 to 07:15. Missed live: heavy rain at Bracken Hd 03:10, 22 mm in 1 h and 1 more. "
        "Phone road crew and warden now: not told then."
    )


def test_s10_a_station_that_reports_again() -> None:
    """The number is closed, and nobody needs to go."""
    back = replace(silent(), absent_since=at("2025-10-23T11:20"), acknowledged_by="tech-1")

    assert text(back, "2025-10-23T11:30", EventKind.RETURNED) == (
        "Fennick Br reports again since 11:20, no. 41 closed. 9 h 10 min from stop to return. No need to go for it."
    )


def test_the_end_of_a_storm() -> None:
    """Totals and who was not seen; streams may still rise."""
    assert text(storm_over(), "2025-10-22T18:50", EventKind.ENDED) == (
        "Heavy rain over since 17:50: Ashlow Gap 31.2 mm from 16:40. Not seen: Fennick Br and 3 more. "
        "Streams may still rise. Gauge reading, not an official warning."
    )


# --- what a text says of the moment ---


def test_a_station_silent_beside_rain_is_a_blind_spot() -> None:
    """No drive in the storm, and the rain nearby is said."""
    words = text(silent(since="2025-10-23T18:10", neighbours_wet=True, wet_mm=6.29), "2025-10-23T19:10")

    assert "Blind in rain: 6.2 mm/h nearby." in words
    assert "Don't drive until it has passed." in words


def test_a_flat_cell_is_named_with_its_volts() -> None:
    """A low last battery is the likely cause."""
    words = text(silent(battery_v=3.31, battery_low=True), "2025-10-23T07:10")

    assert "Last battery 3.31 V, low. Flat cell? Bring charged cell, meter." in words


def test_a_battery_that_went_off_says_so_in_its_own_thread() -> None:
    """The silence that follows is no second fault."""
    off = battery(off_since=written("2025-10-29T05:30"))

    assert text(off, "2025-10-29T07:00", EventKind.UPDATED, note="worse").startswith(
        "Larkmoor battery: now off, since 05:30."
    )


def test_a_reminder_and_a_call_of_the_next_person_say_what_they_are() -> None:
    """The same words as the first notice, as it stands, who was asked before, and since when nobody has answered."""
    tried = {"note": "tech-1, tech-2", "told_since": at("2025-10-22T17:25")}
    reminder = text(silent(), "2025-10-23T09:10", EventKind.REMINDED, **tried)
    called = text(silent(), "2025-10-23T07:10", EventKind.ESCALATED, **tried)
    wet = text(storm(), "2025-10-22T17:36", EventKind.ESCALATED, note="warden", told_since=at("2025-10-22T17:25"))

    assert "Reminder: no answer since Wed 17:25 by tech-1, tech-2." in reminder
    assert "Your turn: no answer since Wed 17:25 by tech-1, tech-2." in called
    assert "Your turn: no answer since 17:25 by warden." in wet
    assert wet.startswith("Heavy rain Ashlow Gap 17:20: 14 mm/15 min")
    assert "Act on your plan." in wet


@pytest.mark.parametrize("severity", ["moderate", "severe", "extreme"])
@pytest.mark.parametrize("place", [one.name for one in STATIONS])
def test_a_call_always_says_since_when_nobody_has_answered(place: str, severity: str) -> None:
    """Wherever it rains and however hard, alone or not, with place, time, what to do and the caution."""
    for alone in (False, True):
        wet = gauge(place, 123.4, 45, "2025-10-22T17:20") | {"severity": severity}
        of = storm(*[wet] * (1 if alone else 5), one_gauge_only=alone, dry_neighbours=3, severity=Severity.EXTREME)
        told = {"note": "warden-1, a-very-long-name", "told_since": at("2025-10-22T17:25"), "link": LINK}
        words = text(of, "2025-10-22T17:36", EventKind.ESCALATED, **told)

        assert septets(words) <= 160
        assert "Your turn: no answer since 17:25" in words
        assert ("Phone to check." if alone else "Act on your plan.") in words
        assert "17:20: 123.4 mm/45 min" in words
        assert CAUTION in words


@pytest.mark.parametrize("severity", ["moderate", "severe", "extreme"])
@pytest.mark.parametrize("place", [one.name for one in STATIONS])
def test_a_call_leaves_room_for_the_answer_it_asks_for(place: str, severity: str) -> None:
    """Whoever is called at night can answer from that text alone; who was tried first comes before the others."""
    wet = gauge(place, 15.6, 15, "2025-10-22T17:20") | {"severity": severity}
    told = {"note": "warden, road-crew", "told_since": at("2025-10-22T17:25"), "code": "kxq"}
    words = text(storm(wet), "2025-10-22T17:36", EventKind.ESCALATED, **told)

    assert septets(words) <= 160
    assert words.endswith("Reply OK 46kxq.")
    assert "Your turn: no answer by warden" in words


def test_a_part_with_a_plus_goes_only_with_its_own_head() -> None:
    """Where the sentence has no room, its names stand nowhere."""
    assert compose.fitted("Rain.\n9| Your turn: no answer since 17:25\n9+| by warden\n9+| .\nEnd.", 60) == (
        "Rain. Your turn: no answer since 17:25 by warden. End."
    )
    assert compose.fitted("Rain.\n9| Your turn: no answer since 17:25\n8+| by warden\n9+| .\nEnd.", 45) == (
        "Rain. Your turn: no answer since 17:25. End."
    )
    assert compose.fitted("Rain.\n9| Your turn: no answer since 17:25\n9+| by warden\n9+| .\nEnd.", 30) == "Rain. End."


def test_a_call_that_somebody_has_answered_meanwhile_calls_nobody() -> None:
    """A storm's call still leaves, since it rains; it does not say that nobody answered."""
    taken = replace(storm(), state=AlarmState.ACKNOWLEDGED, acknowledged_by="warden")

    assert "no answer" not in text(taken, "2025-10-22T17:36", EventKind.ESCALATED, note="warden")


def test_the_mail_of_a_call_says_who_was_asked_and_why_me() -> None:
    """Whoever has no role that the rule tells reads why it comes to them all the same."""
    boss = contact("supervisor-1", "supervisor")
    row = notice(silent(), EventKind.ESCALATED, "mail", "2025-10-23T07:10", person="supervisor-1")
    called = replace(silent(), called=("supervisor-1",))
    asked = at("2025-10-22T17:25")

    told = compose.words(
        row, called, EventKind.ESCALATED, boss, network(), asked, note="tech-1, tech-2", told_since=asked
    ).text.replace("\n          ", " ")

    assert "tech-1 and tech-2 told Wed 22 Oct 17:25 UTC-6, not answered: you are next." in told
    assert "You are called because nobody answered before you." in told


def test_who_is_on_duty_reads_until_when() -> None:
    """Why me: the role, and the turn of duty."""
    turns = DutySettings(role="technician", people=("tech-1", "crew-1"), first_day=date(2025, 10, 20), days=7)
    row = notice(silent(), EventKind.RAISED, "mail", "2025-10-23T07:10")
    here = network(duty=(turns,))

    told = compose.words(row, silent(), EventKind.RAISED, here.contacts[0], here, at("2025-10-23T07:10")).text

    assert "on duty as technician until Mon 27 Oct 12:00 UTC-6." in " ".join(told.split())


def test_an_update_says_what_changed() -> None:
    """What judging noted is put in people's words; a severer storm has another name."""
    worse = storm(*(one | {"severity": "severe"} for one in storm().numbers["gauges"]), severity=Severity.SEVERE)
    words = text(worse, "2025-10-22T17:36", EventKind.UPDATED, note="worse")

    assert words.startswith("Very heavy rain Ashlow Gap")
    assert "Worse than before." in words


def test_a_repeated_storm_notice_is_marked() -> None:
    """An unknown fate sends it again, and it says so."""
    assert text(storm(), "2025-10-22T17:21", changed={"repeat": True}).endswith("(repeat)")


def test_heavy_rain_that_could_not_leave_in_time_is_earlier_rain() -> None:
    """After an hour it is no live warning any more."""
    words = text(storm(), "2025-10-22T18:31", changed={"made_at": at("2025-10-22T17:21")})

    assert words.startswith("Earlier, told late: heavy rain Ashlow Gap 17:20: 14 mm/15 min")
    assert "Still rising" not in words


def test_an_update_that_could_not_leave_in_time_is_earlier_rain() -> None:
    """It counts from when the notice was made, whatever the readings' age."""
    waited = {"made_at": at("2025-10-22T17:21")}

    assert text(storm(), "2025-10-22T18:31", EventKind.UPDATED, changed=waited).startswith("Earlier, told late:")
    assert text(storm(), "2025-10-22T18:19", EventKind.UPDATED, changed=waited).startswith("Heavy rain Ashlow Gap")


def test_heavy_rain_that_arrived_late_is_earlier_rain() -> None:
    """Readings that came after an outage are not told as live."""
    assert text(storm(), "2025-10-22T18:40").startswith("Earlier, told late: heavy rain")


def test_another_alarm_at_the_same_station_is_named() -> None:
    """Two faults at one station are one notice."""
    words = text(silent(battery_v=None), "2025-10-23T07:10", open_alarms=[battery(at_station="fennick")])

    assert "Also here: battery: about 6 days left (4-9)." in words


def test_what_is_back_to_normal_is_not_named_beside_another() -> None:
    """A fault that only waits to be acknowledged after its return sends nobody anywhere."""
    back = [replace(battery(at_station=name), state=AlarmState.RETURNED) for name in ("fennick", "larkmoor")]
    mail = said(silent(), "2025-10-23T07:10", channel="mail", open_alarms=back)

    assert "about 6 days left" not in mail.text


def test_only_answers_that_are_set_up_are_offered() -> None:
    """Without a board there is no link and no invitation to reply."""
    words = said(silent(), "2025-10-23T07:10", channel="mail")

    assert "Answer" not in words.text
    assert "http" not in words.text + words.html


def test_a_check_without_words_of_its_own_still_works() -> None:
    """The generic words name the check, the place, the time and the numbers with their units."""
    warm = alarm(51, "warm-box", "station:kettle", "2025-10-22T17:05", {"tips": 14, "drain_mm": 2.84})
    words = said(warm, "2025-10-22T17:15", channel="mail")

    assert text(warm, "2025-10-22T17:15").startswith("Kettle Weir: warm box since 17:05. Tips 14. Drain 2.84 mm.")
    assert words.subject == "Kettle Weir: warm box since 17:05 (no. 51)"
    assert "drain  2.84 mm" in words.text


def test_a_check_that_fails_is_told_as_the_tool_s_own_trouble() -> None:
    """What fails, and that nothing else does."""
    failure = alarm(
        50, "check-failure", "tool:rule x", "2025-10-22T17:05", {"what": "rule x", "trouble": "KeyError: 'a'"}
    )

    assert text(failure, "2025-10-22T17:15").startswith("The watch: rule x fails since 17:05. KeyError: 'a'.")


# --- times, depths, lengths ---


@pytest.mark.parametrize(
    ("now", "when", "words"),
    [
        ("2025-10-22T17:21", "2025-10-22T17:20", "17:20"),
        ("2025-10-23T07:00", "2025-10-22T23:59", "Wed 23:59"),
        ("2025-10-29T07:00", "2025-10-22T17:20", "22 Oct 17:20"),
        ("2026-01-05T07:00", "2025-10-22T17:20", "22 Oct 2025 17:20"),
        ("2025-11-02T07:00", "2025-11-02T00:30", "00:30 UTC-6"),
        ("2025-11-02T07:00", "2025-11-02T06:30", "06:30 UTC-7"),
        ("2025-11-01T12:00", "2025-11-01T11:00", "11:00 UTC-6"),
        ("2025-11-04T12:00", "2025-11-04T11:00", "11:00"),
    ],
)
def test_times_in_texts_are_as_short_as_they_can_be(now: str, when: str, words: str) -> None:
    """The weekday unless it is today, the offset only around a clock change."""
    assert phrases.Phrases(network(), at(now)).clock(at(when)) == words


def test_times_in_mails_carry_the_offset() -> None:
    """The same wall time twice in the night of the change can be told apart."""
    say = phrases.Phrases(network(), at("2025-11-02T07:00"))

    assert say.stamp(datetime(2025, 11, 2, 7, 30, tzinfo=UTC)) == "Sun 2 Nov 01:30 UTC-6"
    assert say.stamp(datetime(2025, 11, 2, 8, 30, tzinfo=UTC)) == "Sun 2 Nov 01:30 UTC-7"


@pytest.mark.parametrize(
    ("mm", "words"), [(14.0, "14 mm"), (9.05, "9 mm"), (31.29, "31.2 mm"), (2.3, "2.3 mm"), (0.0, "0 mm")]
)
def test_depths_are_rounded_down(mm: float, words: str) -> None:
    """Never more rain than was measured, and 2.3 stays 2.3 whatever binary makes of it."""
    assert phrases.depth(mm, "mm") == words


def test_volts_are_not_lost_to_binary() -> None:
    """4.35 times 100 is a hair under 435 in binary."""
    assert phrases.rounded_down(4.35, 2) == "4.35"


@pytest.mark.parametrize(
    ("minutes", "words"), [(59, "59 min"), (60, "1 h"), (550, "9 h 10 min"), (29 * 60 + 5, "29 h"), (2880, "2 days")]
)
def test_lengths_of_time_are_rounded_down(minutes: int, words: str) -> None:
    """Minutes matter for hours, hours for a day."""
    assert phrases.lasting(timedelta(minutes=minutes)) == words


@pytest.mark.parametrize(
    ("odds", "words"), [(5000.0, "1 in 5000"), (5678.0, "1 in 5600"), (71.4, "1 in 71"), (1e9, "under 1 in a million")]
)
def test_odds_are_told_in_two_figures(odds: float, words: str) -> None:
    """More would be false precision."""
    assert phrases.one_in(odds) == words


# --- fitting ---


def test_parts_are_left_out_whole_and_in_the_stated_order() -> None:
    """The highest figures stay, what has none always does, the order of the words does not change."""
    parts = f"Here.\n1| {'a' * 80}\n3| {'b' * 80}\n2| {'c' * 60}\nGo."

    assert compose.fitted(parts) == f"Here. {'b' * 80} {'c' * 60} Go."


def test_letters_that_cost_two_are_counted_as_two() -> None:
    """A part with 40 brackets takes 80 septets."""
    assert compose.fitted(f"{'x' * 90}\n1| {'[' * 40}") == "x" * 90


def test_a_chat_message_leaves_nothing_out() -> None:
    """A chat room has room."""
    words = said(silent(), "2025-10-23T07:10", channel="chat", link=LINK)

    assert "Last battery 3.92 V, fine." in words.text
    assert LINK in words.text


names = st.text(st.characters(blacklist_categories=["Cs"]), min_size=1, max_size=60)
depths = st.floats(0, 99_999)
moments = st.datetimes(
    datetime.fromisoformat("2025-01-01"), datetime.fromisoformat("2026-12-31"), timezones=st.just(UTC)
)
links = st.one_of(st.just(""), st.text("abcXYZ019._-/", min_size=30, max_size=150).map("https://".__add__))


def odd_network(name: str, zone_name: str = "Asia/Kathmandu") -> Network:
    """Return a network whose stations have one odd name and whose offset is no whole hour."""
    stations = with_short_names((station("x", id="fennick").model_copy(update={"name": name}), *STATIONS[:2]))
    return network(stations=stations, name=name, zone=ZoneInfo(zone_name))


@settings(max_examples=60, deadline=None)
@given(name=names, since=moments, later=st.timedeltas(timedelta(0), timedelta(400)), link=links, data=st.data())
def test_every_fault_fits_one_message_and_keeps_place_time_and_task(
    name: str, since: datetime, later: timedelta, link: str, data: st.DataObject
) -> None:
    """Whatever the names and numbers are: at most 160 septets, with what must never be left out."""
    here = odd_network(name)
    volts = data.draw(st.one_of(st.none(), st.floats(0, 99)))
    faults = [
        silent(
            battery_v=volts,
            battery_low=volts is not None and volts < 3.4,
            neighbours_reporting=data.draw(st.integers(0, 12)),
            neighbours_total=12,
            neighbours_wet=data.draw(st.booleans()),
            wet_mm=data.draw(depths),
            signal_dbm=-120,
        ),
        battery(
            days_left=data.draw(st.one_of(st.none(), st.floats(0, 9999))),
            dawn_v=volts,
            days_not_full=data.draw(st.integers(0, 999)),
            sign=data.draw(st.sampled_from(["declining", "floor", "ageing", "shaded", "cut", "dies at night"])),
            at_station="fennick",
        ),
        clogged(
            odds=data.draw(st.floats(1, 1e12)), wet_days=9999, most_mm=data.draw(depths), dry_since=since.isoformat()
        ),
        source_out(trouble=name * 9, stations_due=99_999),
        mast_out(name=name),
        mast_out(cause="plan", name=name),
        mast_out(cause="area", name=name),
        alarm(9, "new-check", "station:fennick", "2025-10-22T12:00", {name: 1e300, "trouble": name}),
        alarm(9, "check-failure", "tool:x", "2025-10-22T12:00", {"what": name, "trouble": name * 5}),
    ]
    fault = replace(data.draw(st.sampled_from(faults)), number=10**9, since=since, raised_at=since)
    if fault.check == "dry-among-wet":
        fault = replace(fault, key=AlarmKey("r", fault.check, "station:fennick"))
    now = since + later
    kind = data.draw(st.sampled_from([EventKind.RAISED, EventKind.UPDATED, EventKind.REMINDED, EventKind.ESCALATED]))
    row = replace(notice(fault, kind, "text", "2025-10-22T12:00"), repeat=data.draw(st.booleans()))

    words = compose.words(
        row,
        fault,
        kind,
        here.contacts[0],
        here,
        now,
        link=link,
        note=name,
        open_alarms=[battery(7, at_station="fennick")],
    )

    say = phrases.Phrases(here, now)
    assert words.trouble == ""
    assert septets(words.text) <= 160
    if fault.check != "battery-decline":
        assert say.clock(since) in words.text
    if fault.key.scope.startswith("station:"):
        assert words.text.startswith(" ".join(say.short("fennick").split()))
    assert any(task in words.text for task in ("Bring", "bring", "hone", "drive"))


@settings(max_examples=60, deadline=None)
@given(
    name=names,
    ended=moments,
    mm=depths,
    minutes=st.integers(1, 43_200),
    later=st.timedeltas(timedelta(0), timedelta(400)),
    link=links,
    alone=st.booleans(),
    kind=st.sampled_from([EventKind.RAISED, EventKind.UPDATED, EventKind.ESCALATED]),
)
def test_every_storm_fits_one_message_and_keeps_its_caution(
    name: str, ended: datetime, mm: float, minutes: int, later: timedelta, link: str, alone: bool, kind: EventKind
) -> None:
    """Place, time, depth, what to do, and that it is not an official warning."""
    here = odd_network(name)
    one = {
        "station": "fennick",
        "name": name,
        "mm": mm,
        "minutes": minutes,
        "ended_at": ended.isoformat(),
        "severity": "extreme",
        "also": [{"mm": mm / 2, "minutes": 60}],
        "rarest": rarest(mm, 60, 1000, "more"),
    }
    of = storm(
        one,
        *([] if alone else [one] * 7),
        one_gauge_only=alone,
        dry_neighbours=3,
        severity=Severity.EXTREME,
        number=10**6,
    )
    row = replace(notice(of, kind, "text", "2025-10-22T12:00"), repeat=True, made_at=ended)

    words = compose.words(row, of, kind, here.contacts[0], here, ended + later, link=link, note=name)

    say = phrases.Phrases(here, ended + later)
    assert words.trouble == ""
    assert septets(words.text) <= 160
    assert say.clock(ended) in words.text
    assert phrases.depth(mm, "mm") in words.text
    assert ("Phone to check." if alone else "Act on your plan.") in words.text
    assert CAUTION in words.text


@pytest.mark.parametrize("of", [storm(), storm_over()])
def test_every_rain_notice_says_that_it_is_no_official_warning(of: Alarm) -> None:
    """In the text and, at length, in the mail."""
    kind = EventKind.ENDED if "totals" in of.numbers else EventKind.RAISED

    assert CAUTION in text(of, "2025-10-22T17:55", kind)
    assert "not an official warning" in " ".join(said(of, "2025-10-22T17:55", kind, channel="mail").text.split())


# --- mails ---


def test_the_mail_of_a_dry_gauge_has_every_section() -> None:
    """The subject stands alone on a lock screen; the evidence is a table."""
    crew = network(contacts=(contact("crew-1", "crew"),))
    others = [battery(), silent(since="2025-10-23T02:10")]
    words = said(clogged(), "2025-10-23T18:00", channel="mail", here=crew, link=LINK, open_alarms=others)

    assert words.subject == "Hollin Dam clogged? 0 mm while 5 neighbours had 9.4-19 mm (no. 43)"
    labels = [line.split("  ")[0] for line in words.text.splitlines() if line[:1].strip() and not line.startswith("--")]
    assert labels == [
        "What",
        "Since",
        "Evidence",
        "Meaning",
        "Probably",
        "Bring",
        "Combine",
        "Safety",
        "Answer",
        "Why me",
        "Why now",
    ]
    assert "Mon 20 Oct 11:00 UTC-6, after the visit of Mon 20 Oct 10:05 UTC-6" in words.text
    assert "Tue 21 Oct  0 mm        Fennick Bridge  6.1 km  19 mm" in words.text
    assert "All of it together: 1 in 5000." in " ".join(words.text.split())
    assert "Larkmoor (same road, no. 45): battery: about 6 days left (4-9)." in words.text
    assert 'You have the role crew; the rule "dry-among-wet" tells it.' in words.text
    assert LINK in words.text


def test_a_mail_about_lithium_cells_warns_of_swollen_ones() -> None:
    """And one about lead-acid batteries of sparks instead."""
    lead = network(stations=with_short_names((station("Larkmoor", chemistry="lead-acid"),)))

    assert "Swollen, hot or hissing" in " ".join(said(battery(), "2025-10-27T07:00", channel="mail").text.split())
    assert "no sparks" in said(battery(), "2025-10-27T07:00", channel="mail", here=lead).text


@pytest.mark.parametrize("of", [silent(), battery(), clogged()])
def test_a_mail_that_may_send_somebody_out_warns_of_lightning_flood_and_the_road(of: Alarm) -> None:
    """Every notice that could cause a drive carries the cautions of the drive."""
    words = " ".join(said(of, "2025-10-27T07:00", channel="mail").text.split())

    assert "30 min of thunder" in words
    assert "moving water" in words
    assert "hi-vis" in words


class Seen(HTMLParser):
    """Collects tags that are open, and the text between them."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[str] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def test_the_html_part_says_what_the_plain_part_says() -> None:
    """Both are complete, every tag is closed, and nothing is fetched from elsewhere."""
    words = said(clogged(), "2025-10-23T18:00", channel="mail", link=LINK)
    seen = Seen()
    seen.feed(words.html)
    html = " ".join(" ".join(seen.words).split())

    assert seen.open == []
    assert not {"script", "img", "link", "iframe"} & set(seen.tags)
    assert "color-scheme" in words.html
    for line in ("Blocked funnel (cloth, leaves, web)", "Tue 21 Oct", "All of it together: 1 in 5000.", LINK):
        assert line in html


def test_names_cannot_bring_markup_or_header_lines_into_a_mail() -> None:
    """A name is only ever a name: escaped in HTML, one line in a subject, never a template."""
    nasty = station("x", id="fennick").model_copy(update={"name": "<script>{{ 7*7 }}\nBcc: a@example.org"})
    words = said(silent(), "2025-10-23T07:10", channel="mail", here=network(stations=with_short_names((nasty,))))

    assert "<script>" not in words.html
    assert "&lt;script&gt;" in words.html
    assert "\n" not in words.subject
    assert "{{ 7*7 }}" in words.subject


# --- people's own templates ---


def folder_with(tmp_path: Path, name: str, words: str) -> Network:
    """Return a network whose folder has one template of its own."""
    path = tmp_path / "templates" / name
    path.parent.mkdir(parents=True)
    path.write_text(words)
    return network(folder=tmp_path)


def test_a_template_in_the_network_s_folder_replaces_ours(tmp_path: Path) -> None:
    """It may build on ours and change one block."""
    opening = "{{ place_short }} is quiet since {{ clock(since) }}"
    own = '{% extends "ours/overdue/raised.txt" %}{% block opening %}' + opening + "{% endblock %}"
    here = folder_with(tmp_path, "overdue/raised.txt", own)

    assert text(silent(), "2025-10-23T07:10", here=here).startswith(
        "Fennick Br is quiet since 02:10 (5 h), 4 neighbours fine."
    )


@pytest.mark.parametrize(
    ("name", "broken"),
    [
        ("overdue/raised.txt", "{% block"),
        (
            "overdue/raised.txt",
            '{% extends "generic/raised.txt" %}{% block opening %}{{ nothing_like_it }}{% endblock %}',
        ),
        ("overdue/raised.txt", '{% extends "not/there.txt" %}'),
        ("generic/raised.txt", "{{ 1 / 0 }}"),
        ("generic/mail.html", "{{ nothing_like_it }}"),
    ],
)
def test_a_broken_template_of_theirs_never_stops_a_notice(tmp_path: Path, name: str, broken: str) -> None:
    """Ours serves in its place, and what was wrong is said to whoever keeps the watch."""
    here = folder_with(tmp_path, name, broken)
    row = notice(silent(), EventKind.RAISED, "mail", "2025-10-23T07:10")

    words = compose.words(row, silent(), EventKind.RAISED, here.contacts[0], here, at("2025-10-23T07:10"))

    assert words.subject == "Fennick Bridge silent since 02:10 (5 h) (no. 41)"
    assert words.trouble.startswith("template ")


def test_a_template_cannot_reach_the_machine_or_a_secret(tmp_path: Path) -> None:
    """The sandbox refuses what begins with underscores, and the network is not given to it."""
    for trick in ("{{ clock.__globals__ }}", "{{ network }}", "{{ ''.__class__.__mro__ }}"):
        own = '{% extends "ours/overdue/raised.txt" %}{% block opening %}' + trick + "{% endblock %}"
        here = folder_with(tmp_path / str(abs(hash(trick))), "overdue/raised.txt", own)
        row = notice(silent(), EventKind.RAISED, "text", "2025-10-23T07:10")

        words = compose.words(row, silent(), EventKind.RAISED, here.contacts[0], here, at("2025-10-23T07:10"))

        assert words.trouble != ""
        assert words.text.startswith("Fennick Br silent since 02:10")


# --- other occasions ---


def occasion(facts: compose.Occasion, now: str, channel: str = "text", link: str = "") -> str:
    """Return the words of a notice that is no step of an alarm."""
    row = notice(None, EventKind.TOLD, channel, now)
    words = compose.occasion_words(facts, row, contact("tech-1", "technician"), network(), at(now), link=link)
    assert words.trouble == ""
    assert channel != "text" or septets(words.text) <= 160
    return words.text


def test_a_drill_asks_for_its_answer() -> None:
    """It says first that nothing is wrong."""
    assert occasion(compose.Drill(3), "2025-10-02T10:00", link=LINK) == (
        f"Drill 3 of Veldran Hills, 10:00: nothing is wrong at any station. Open this to say that it came: {LINK}"
    )


def test_a_notice_that_was_given_up_is_told_to_somebody_else() -> None:
    """Who was not reached, about what, and what to do."""
    lost = notice(storm(), EventKind.RAISED, "text", "2025-10-22T17:21", error="550 no such number", person="warden-1")

    assert occasion(compose.Undelivered(lost, storm()), "2025-10-22T18:21") == (
        "warden-1 not reached by text since 17:21. About: heavy rain at Ashlow Gap 17:20, 14 mm in 15 min, no. 46. "
        "Phone them yourself; check the address."
    )


@pytest.mark.parametrize("channel", ["text", "mail"])
def test_nothing_missed_while_off_is_said_too(channel: str) -> None:
    """An outage without consequence is told as such."""
    off = compose.Off(at("2025-10-18T01:40"), at("2025-10-18T07:15"), 14, 14)

    assert "was missed" in occasion(off, "2025-10-18T07:16", channel)


def test_a_headline_names_the_trouble_without_the_place() -> None:
    """What the digest and the board show of an alarm; one that is over says how long it lasted."""
    over = replace(silent(), ended_at=at("2025-10-23T05:10"), when=When.NOW)

    assert compose.headline(silent(), network(), at("2025-10-23T07:10")) == "silent since 02:10 (5 h)"
    assert compose.headline(over, network(), at("2025-10-25T07:10")) == "silent since Thu 02:10 (3 h)"
    assert compose.headline(storm_over(), network(), at("2025-10-22T19:00")).startswith(
        "heavy rain at Ashlow Gap 17:20"
    )


def test_a_clog_that_ended_with_a_visit_is_not_said_to_tip_again() -> None:
    """Test tips are no rain: only the next rain shows whether the gauge counts."""
    over = replace(clogged(), state=AlarmState.NORMAL, absent_since=at("2025-10-23T12:00"))
    visited = replace(over, numbers={**over.numbers, "visited": "2025-10-23T11:50:00Z"})
    plain, after_visit = (text(one, "2025-10-23T12:30", EventKind.RETURNED) for one in (over, visited))
    assert "tips again" in plain
    assert "tips again" not in after_visit
    assert "next rain shows" in after_visit

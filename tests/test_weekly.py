"""What the digest is made of, from a real store: weeks worked out by hand, also odd ones and those slept through."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from tests.helpers import SECRETS, write_network
from tests.test_watch import NETWORK, RULES, STATIONS, STATIONS_CSV, rows_of
from watchman import overview, speech, watch, weekly
from watchman.model import (
    RAIN,
    TEMPERATURE,
    VISIT,
    Alarm,
    AlarmKey,
    AlarmState,
    Certainty,
    Delivery,
    Event,
    EventKind,
    Notice,
    NoticeState,
    Readings,
    Severity,
    When,
)
from watchman.network import load
from watchman.store import Store
from watchman.telling import digest

ZONE = ZoneInfo("Europe/Vienna")
QUARTER = timedelta(minutes=15)
HOUR = timedelta(hours=1)


def at(local: str) -> datetime:
    """Return a time of the network's clock in UTC."""
    return datetime.fromisoformat(local).replace(tzinfo=ZONE).astimezone(UTC)


class Kept:
    """A network whose store has been given readings, and a watch begun on it."""

    def __init__(self, folder: Path) -> None:
        self.folder = write_network(folder, NETWORK, STATIONS_CSV, RULES)
        self.network = load(folder, SECRETS.get)
        self.store = Store.open("sqlite:///watch.db", folder)
        self.store.bind([station.id for station in self.network.stations], ["main"])

    def deliver(
        self,
        begin: datetime,
        end: datetime,
        mm: Callable[[int, datetime], float | None],
        variable: int = RAIN,
        late: timedelta = timedelta(minutes=1),
    ) -> None:
        """Keep a reading a quarter of an hour of every station in (begin, end]; None is not sent."""
        moments = [begin + (step + 1) * QUARTER for step in range(round((end - begin) / QUARTER))]
        rows = [
            rows_of(
                [(s, variable, v) for s in range(STATIONS) if (v := mm(s, moment)) is not None], moment, moment + late
            )
            for moment in moments
        ]
        self.store.keep(Readings.join(rows))

    def facts(self, week: str, now: datetime) -> digest.WeekFacts:
        """Return the week's facts by a watch begun at a moment."""
        watching = watch.begin(self.network, self.store, now)
        watching.record.advance(int(now.timestamp()))
        return weekly.facts(self.network, self.store, watching, week, now)


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Kept]:
    kept = Kept(tmp_path)
    yield kept
    kept.store.close()


@pytest.mark.parametrize(
    ("week", "monday", "sunday_mm", "sum_mm", "without_sunday"),
    [
        ("2025-W42", "2025-10-13", 19.2, 134.4, 144 / 168),
        ("2025-W43", "2025-10-20", 20.0, 135.2, 144 / 169),
        ("2026-W13", "2026-03-23", 18.4, 133.6, 144 / 167),
    ],
)
def test_a_week_with_a_clock_change_is_summed_by_its_own_days(
    kept: Kept, week: str, monday: str, sunday_mm: float, sum_mm: float, without_sunday: float
) -> None:
    """0.2 mm a quarter of an hour make 19.2 mm a day, 20 on the Sunday of 25 hours and 18.4 on that of 23; a gauge
    silent on Sunday sent 144 hours of them, and one reading before and after the week belongs to other weeks.
    """
    begin = at(f"{monday}T00:00")
    sunday, end = begin + 6 * 24 * HOUR, at(f"{monday}T00:00") + digest_length(kept, week)
    kept.deliver(begin - HOUR, end + HOUR, lambda s, t: None if s == 1 and sunday < t <= end else 0.2)
    facts = kept.facts(week, end + 7 * HOUR)
    told = digest.week(kept.network, facts)

    assert facts.rain_um[0].tolist() == [19_200] * 6 + [round(1000 * sunday_mm)]
    assert facts.rain_um[1].tolist() == [19_200] * 6 + [0]
    assert told.stations[0].total_mm == pytest.approx(sum_mm)
    assert [one.received for one in told.stations[:2]] == pytest.approx([1.0, without_sunday])
    assert told.received == pytest.approx((7 + without_sunday) / 8)


def digest_length(kept: Kept, week: str) -> timedelta:
    begin, end = digest.week_span(kept.network, week)
    return end - begin


MONDAY, NEXT = at("2025-10-13T00:00"), at("2025-10-20T00:00")
"""A week of 168 hours."""
WEEK = "2025-W42"
MORNING = at("2025-10-20T07:30")


def test_a_visit_came_and_does_not_count(kept: Kept) -> None:
    """Two hours of a visit out of 168 are received, not usable, and their tips no rain."""
    kept.deliver(MONDAY - HOUR, NEXT, lambda _s, _t: 0.2)
    begins = at("2025-10-15T10:00")
    kept.store.add_span("s2", begins, begins + 2 * HOUR, VISIT, "crew", begins)
    told = digest.week(kept.network, kept.facts(WEEK, MORNING))

    assert told.stations[2].total_mm == pytest.approx(134.4 - 8 * 0.2)
    assert [told.stations[2].received, told.stations[2].held] == pytest.approx([1.0, 2 / 168])
    assert [told.received, told.usable] == pytest.approx([1.0, 1 - 2 / 168 / 8])
    assert told.held == pytest.approx(2 / 168 / 8)


def of_alarm(number: int, check: str, station: str, since: datetime, **changed: object) -> Alarm:
    key = AlarmKey(check, check, f"station:{station}")
    alarm = Alarm(
        number=number,
        key=key,
        check=check,
        state=AlarmState.UNACKNOWLEDGED,
        stations=(station,),
        severity=Severity.MODERATE,
        certainty=Certainty.LIKELY,
        when=When.BY_DAY,
        tell=("technician",),
        since=since,
        first_seen_at=since,
        raised_at=since,
    )
    return replace(alarm, **changed)  # type: ignore[arg-type]


def test_a_clogged_gauge_is_suspect_from_its_last_rain_on(kept: Kept) -> None:
    """Since Thursday's midnight: 96 of 168 hours, and two more until a cleaned one tipped again; one that somebody
    called no fault counts.
    """
    kept.deliver(MONDAY - HOUR, NEXT, lambda _s, _t: 0.2)
    thursday, over = at("2025-10-16T00:00"), at("2025-10-14T02:00")
    standing = of_alarm(1, "dry-among-wet", "s3", thursday)
    cleaned = of_alarm(2, "dry-among-wet", "s4", at("2025-10-14T00:00"), absent_since=over, ended_at=over)
    packet = of_alarm(3, "stuck-value", "s5", thursday, numbers={"frozen": False, "variable": "humidity"})
    kept.store.commit(MORNING, alarms=[standing, cleaned, packet])
    facts = kept.facts(WEEK, MORNING)

    assert facts.suspect == {"s3": pytest.approx(96 / 168), "s4": pytest.approx(2 / 168)}
    told = digest.week(kept.network, facts)
    assert told.usable == pytest.approx(1 - 98 / 168 / 8)
    assert told.stations[3].left_out == "clogged? no. 1"
    assert told.stations[4].left_out == ""


def test_what_is_too_cold_to_see_is_not_usable(kept: Kept) -> None:
    """Three days at 1 degC at the only thermometer: 72 of 168 hours of all eight gauges; they still rank."""
    cold = (at("2025-10-14T00:00") - 2 * HOUR, at("2025-10-17T00:00") + 2 * HOUR)
    kept.deliver(MONDAY - HOUR, NEXT, lambda _s, _t: 0.2)
    kept.deliver(
        MONDAY - HOUR,
        NEXT,
        lambda s, t: (1.0 if cold[0] < t <= cold[1] else 12.0) if s == 0 else None,
        TEMPERATURE,
    )
    told = digest.week(kept.network, kept.facts(WEEK, MORNING))

    # The record's days are those of standard time, an hour later than the clock's in October.
    assert told.too_cold == pytest.approx(72 / 168)
    assert told.usable == pytest.approx(96 / 168)
    assert len(told.ranked) == STATIONS


def test_heavy_rain_that_came_too_late_is_named_and_rain_that_was_told_is_not(kept: Kept) -> None:
    """28 mm in an hour pass 25 mm in 60 minutes; 14 mm in an hour prove nothing of a quarter of it, 24 mm do."""
    kept.deliver(
        MONDAY - HOUR,
        NEXT,
        lambda s, t: {
            (1, at("2025-10-16T14:00")): 7.0,
            (2, at("2025-10-16T14:00")): 3.5,
            (3, at("2025-10-16T14:00")): 6.0,
            (4, at("2025-10-18T14:00")): 7.0,
        }.get((s, (t - timedelta(seconds=1)).replace(minute=0, second=0)), 0.0),
    )
    kept.store.set_mark("watched_since", at("2025-10-01T00:00").isoformat())
    storm = of_alarm(1, "heavy-rain", "s4", at("2025-10-18T14:15"), ended_at=at("2025-10-18T16:00"))
    storm = replace(storm, key=AlarmKey("heavy-rain", "heavy-rain", "network"), when=When.NOW)
    kept.store.commit(at("2025-10-18T16:00"), alarms=[storm], events=[raised(storm, at("2025-10-18T14:16"))])
    facts = kept.facts(WEEK, MORNING)

    assert facts.untold == (
        digest.Untold("s1", 28.0, 1, at("2025-10-16T15:00")),
        digest.Untold("s3", 24.0, 1, at("2025-10-16T15:00")),
    )


def raised(alarm: Alarm, moment: datetime) -> Event:
    return Event(moment, EventKind.RAISED, alarm, 1)


def test_a_storm_is_told_so_and_so_long_after_its_reading_was_there(kept: Kept) -> None:
    """The reading came at 00:16:00, the cycle ran 40 s later, and 200 s after that the warden's mail was accepted."""
    kept.deliver(MONDAY - HOUR, MONDAY + 24 * HOUR, lambda _s, _t: 0.0)
    watching = watch.begin(kept.network, kept.store, MONDAY + 24 * HOUR)
    there, cycled = MONDAY + 24 * HOUR + timedelta(minutes=16), MONDAY + 24 * HOUR + timedelta(minutes=16, seconds=40)
    rows = rows_of([(0, RAIN, 8.0), (1, RAIN, 0.0)], there - timedelta(minutes=1), there)
    told = watch.cycle(watching, [Delivery("main", there, rows)], cycled)
    assert [event.kind.value for event in told.events] == ["raised"]
    for notice in kept.store.notices():
        assert (notice.person, notice.channel) == ("warden", "mail")
        moment = cycled + timedelta(seconds=200)
        assert kept.store.begin_attempt(notice.number, moment)
        kept.store.settle(notice.number, moment, NoticeState.ACCEPTED)
    kept.store.add_answer(cycled, "acknowledge", "warden", 1)
    watch.cycle(watching, [], cycled + timedelta(minutes=4))
    (storm,) = digest.week(kept.network, kept.facts(WEEK, MORNING)).storms

    assert storm.told_after == {"warden": timedelta(seconds=240)}
    assert (storm.answered_by, storm.answered_after) == ("warden", timedelta(minutes=4))


def test_polls_are_counted_by_week_with_the_longest_time_between_two_answers(kept: Kept) -> None:
    """Sunday 23:20 to Monday 00:10: 50 minutes, of which ten belong to the new week; a failure lengthens the next."""
    watching = watch.begin(kept.network, kept.store, MONDAY - HOUR)
    for minutes, trouble in ((-40, ""), (10, ""), (20, "it answered 503"), (40, ""), (41, "")):
        moment = MONDAY + timedelta(minutes=minutes)
        watch.cycle(watching, [Delivery("main", moment, Readings.empty(), trouble=trouble)], moment)
    health = kept.facts(WEEK, MORNING).health

    assert health.polls == {"main": digest.Polls(4, 1, 30 * 60)}
    assert health.polls_ok == 0.75
    assert kept.facts("2025-W41", MORNING).health.polls["main"].asked == 1


def test_after_three_mondays_off_the_last_week_s_facts_are_right(kept: Kept) -> None:
    """Off from 24 October to 17 November: one digest, of the last week, with the rain that came afterwards, the time
    off, what nobody was told in time, and the weeks that had none.
    """
    begin, off_at, back_at = at("2025-10-22T00:00"), at("2025-10-24T00:00"), at("2025-11-17T12:00")
    watching = watch.begin(kept.network, kept.store, begin)
    watch.cycle(watching, [], begin)
    kept.store.set_mark("digest:2025-W42", begin.isoformat())
    kept.deliver(begin, off_at, lambda _s, _t: 0.0)
    watching = watch.begin(kept.network, kept.store, off_at)
    watch.cycle(watching, [], off_at)

    kept.deliver(
        off_at,
        back_at,
        lambda s, t: 7.5 if s == 3 and at("2025-11-13T14:00") < t <= at("2025-11-13T15:00") else 0.2,
        late=timedelta(0),
    )
    watching = watch.begin(kept.network, kept.store, back_at)
    told = watch.cycle(watching, [], back_at)
    digests = [notice for notice in told.notices if notice.kind == "digest"]
    assert {notice.occasion for notice in digests} == {"digest:2025-W46"}
    facts = weekly.facts(kept.network, kept.store, watching, "2025-W46", back_at)

    assert facts.also_owed == ("2025-W43", "2025-W44", "2025-W45")
    assert facts.rain_um[0].sum() == 134_400
    assert facts.rain_um[3].sum() == 134_400 - 800 + 30_000
    assert facts.health.off == ((off_at, back_at),)
    assert facts.untold == (digest.Untold("s3", 30.0, 1, at("2025-11-13T15:00")),)
    assert facts.before is None
    words = digest.digest_words(digest.week(kept.network, facts), kept.network.contacts[0], kept.network)
    plain = " ".join(words.text.split())
    assert "100 % received." in plain
    assert "Nobody was told in time of 30 mm in 1 hour to Thu 13 Nov 15:00 UTC+1 at Station 3." in plain
    assert "no digest was sent for weeks 2025-W43, 2025-W44 and 2025-W45." in plain
    assert "Off from Fri 24 Oct 00:00 UTC+2 to Mon 17 Nov 12:00 UTC+1." in plain


def test_a_digest_is_held_against_the_one_before_and_that_of_a_year_ago(kept: Kept) -> None:
    """What they told then, as it was kept when they were sent."""
    kept.deliver(MONDAY - HOUR, NEXT, lambda _s, _t: 0.2)
    watching = watch.begin(kept.network, kept.store, MORNING)
    notice = Notice(0, f"digest:{WEEK}", "tech-1", "mail", "digest", MORNING, MORNING)
    kept.store.add_notices([notice])
    speaker = speech.Speaker(kept.network, kept.store, watching, MORNING)
    assert speaker.words(kept.store.notices()[0]) is not None
    figures = digest.Figures(1.0, 1.0, 134.4, 0, 0, 0)

    assert kept.facts("2025-W43", MORNING + timedelta(days=7)).before == figures
    assert kept.facts("2026-W42", MORNING + timedelta(days=7)).year_ago == figures
    assert kept.facts(WEEK, MORNING).before is None


def test_what_is_booked_and_who_is_away_are_told(kept: Kept) -> None:
    """A visit on Thursday; one that is over, and one in a fortnight, are not coming."""
    kept.deliver(MONDAY - HOUR, NEXT, lambda s, t: None if s == 6 or (s == 7 and t < NEXT - 12 * HOUR) else 0.2)
    for days in (-2, 3, 14):
        begins = MORNING + timedelta(days=days)
        kept.store.add_span("s2", begins, begins + HOUR, VISIT, "crew", MONDAY)
    facts = kept.facts(WEEK, MORNING)

    assert [one.begins_at for one in facts.booked] == [MORNING + timedelta(days=3)]
    assert facts.away == {"s6", "s7"}
    assert facts.left_out == {"s6": "never heard yet", "s7": "new here, on probation"}
    assert digest.week(kept.network, facts).received == 1.0


def test_a_digest_of_long_ago_is_still_of_its_week(kept: Kept) -> None:
    """Hours are held in memory for a month; seven weeks later the digest is printed as it was."""
    kept.deliver(MONDAY - HOUR, NEXT, lambda _s, _t: 0.2)
    watch.cycle(watch.begin(kept.network, kept.store, NEXT), [], NEXT)
    later = NEXT + timedelta(days=50)
    kept.store.commit(later, alarms=[of_alarm(9, "overdue", "s1", later)])
    kept.deliver(later - HOUR, later, lambda _s, _t: 0.4)
    said = overview.digest(kept.network, kept.store, WEEK, later)

    assert said.subject == "Veldran Hills week 42: all well, 100 % received"
    assert "Median 134.4 mm" in said.text

"""The demo's local services: the data source, the mail box and the text box."""

import smtplib
from collections.abc import Iterator
from datetime import timedelta
from email.message import EmailMessage
from pathlib import Path

import pytest
import requests

from demo.clock import Clock, written
from demo.mailbox import Arrived, MailBox, TextBox
from demo.source import DataService
from demo.story import Stretch, local
from demo.table import HEADER, lines
from demo.world import build

WORLD = build(7, days=15)


@pytest.fixture
def clock() -> Clock:
    return Clock(local("2025-10-21 10:00"))


@pytest.fixture
def service(clock: Clock) -> Iterator[DataService]:
    with DataService(WORLD, clock) as open_service:
        yield open_service


def _ask(service: DataService, known: str = "", **query: str) -> requests.Response:
    return requests.get(service.address, params=query, headers={"If-None-Match": known} if known else {}, timeout=5)


def test_the_source_serves_what_has_arrived_and_nothing_else(service: DataService, clock: Clock) -> None:
    """The table holds exactly the reports that had arrived by the clock's moment, in their order."""
    answer = _ask(service)

    header, *rows = answer.text.splitlines()
    arrived = int((WORLD.reports.arrived_at <= clock.now.timestamp()).sum())
    assert header == HEADER == "time,station,rain_tips,battery_v,temperature_c,signal_dbm,received"
    assert rows == list(lines(WORLD))[:arrived]
    assert 0 < arrived < len(WORLD.reports)


def test_times_are_the_loggers_standard_time(service: DataService) -> None:
    """A report of 10:00 standard time (UTC+1) says 10:00, although clocks in the hills then show 11:00."""
    position = [site.id for site in WORLD.stations].index("bracken")
    at = int(local("2025-10-20 11:00").timestamp())
    row = next(
        line
        for line, station, observed in zip(lines(WORLD), WORLD.reports.station, WORLD.reports.observed_at, strict=True)
        if station == position and observed == at
    )

    assert row.startswith("2025-10-20T10:00:00,bracken,0,4.")


@pytest.mark.parametrize("since", ["2025-10-21T07:00:00Z", "2025-10-21T08:00:00+01:00", "2025-10-21T08:00:00"])
def test_since_brings_what_arrived_after_it(service: DataService, clock: Clock, since: str) -> None:
    """`since` counts by arrival, so that a late report is not missed; one moment written in three ways."""
    rows = _ask(service, since=since).text.splitlines()[1:]

    moment = local("2025-10-21 09:00").timestamp()
    arrived = WORLD.reports.arrived_at
    assert len(rows) == int(((arrived > moment) & (arrived <= clock.now.timestamp())).sum()) > 0


def test_an_unescaped_plus_is_understood(service: DataService) -> None:
    """An address filled in without escaping its plus is read all the same."""
    plain = requests.get(f"{service.address}?since=2025-10-21T08:00:00+01:00", timeout=5)

    assert plain.text == _ask(service, since="2025-10-21T07:00:00Z").text


def test_a_since_that_is_no_time_is_refused(service: DataService) -> None:
    """Nonsense in `since` is told, not guessed at."""
    assert _ask(service, since="yesterday").status_code == 400


def test_an_unchanged_table_is_not_sent_again(service: DataService, clock: Clock) -> None:
    """With the ETag of before the answer is 304 without a body, until something new has arrived."""
    tag = _ask(service).headers["ETag"]

    again = _ask(service, known=tag)
    clock.now += timedelta(minutes=10)
    later = _ask(service, known=tag)

    assert (again.status_code, again.content) == (304, b"")
    assert (later.status_code, later.headers["ETag"] != tag) == (200, True)


def test_the_source_is_off_in_the_outage(service: DataService, clock: Clock) -> None:
    """From 14:05 to 16:40 on 24 October every answer is 503; then all that waited is there."""
    answers = []
    for moment in ("14:04", "14:05", "16:39", "16:40"):
        clock.now = local(f"2025-10-24 {moment}")
        answers.append(_ask(service))
    rows = _ask(service, since="2025-10-24T14:30:00Z").text.splitlines()[1:]

    assert [answer.status_code for answer in answers] == [200, 503, 503, 200]
    assert answers[1].headers["Retry-After"] == "900"
    assert len(rows) > 100


def test_mails_are_filed_by_moment_and_reader(clock: Clock, tmp_path: Path) -> None:
    """A mail handed in by SMTP is filed unchanged, once a reader, and noted with the demo's clock."""
    arrived: list[Arrived] = []
    mail = EmailMessage()
    mail["Subject"] = "Hollin Dam clogged? 0.0 mm while 5 neighbours had 9-19 mm"
    mail["From"], mail["To"] = "watch@veldran.example", "crew@veldran.example"
    mail.set_content("Bring a brush.")

    with MailBox(tmp_path, clock, arrived) as box, smtplib.SMTP("127.0.0.1", box.port, "localhost", 5) as server:
        server.send_message(mail)
        server.send_message(mail)

    files = sorted(path.name for path in tmp_path.glob("*.eml"))
    assert arrived == [Arrived(clock.now, "crew", "mail", mail["Subject"])] * 2
    assert len(files) == 2
    assert files[1].startswith("2025-10-21T1000-crew-hollin-dam-clogged-0-0-mm-while-5-neighbours")
    assert b"Bring a brush." in (tmp_path / files[0]).read_bytes()


def test_texts_are_written_down(clock: Clock, tmp_path: Path) -> None:
    """A text posted as JSON is noted with who got it and when, by the wall clock; nonsense is refused."""
    arrived: list[Arrived] = []

    with TextBox(tmp_path / "texts.txt", clock, arrived) as box:
        place = f"http://127.0.0.1:{box.port}/texts/warden"
        good = requests.post(place, json={"title": "", "message": "Heavy rain Ashlow Gap", "type": "info"}, timeout=5)
        bad = requests.post(place, data=b"not json", timeout=5)

    assert (good.status_code, bad.status_code) == (200, 400)
    assert arrived == [Arrived(clock.now, "warden", "text", "Heavy rain Ashlow Gap")]
    assert (tmp_path / "texts.txt").read_text() == "2025-10-21 10:00 UTC+2  warden\n    Heavy rain Ashlow Gap\n"


def test_in_trouble_four_texts_of_ten_fail(clock: Clock, tmp_path: Path) -> None:
    """The gateway is overloaded for a stretch of time; before and after it takes every text."""
    arrived: list[Arrived] = []
    trouble = Stretch(local("2025-10-21 11:00"), local("2025-10-21 12:00"))
    codes: dict[str, list[int]] = {}

    with TextBox(tmp_path / "texts.txt", clock, arrived, (trouble,)) as box:
        place = f"http://127.0.0.1:{box.port}/texts/warden"
        for moment in ("10:59", "11:30", "12:00"):
            clock.now = local(f"2025-10-21 {moment}")
            answers = (requests.post(place, json={"message": "Rain"}, timeout=5) for _ in range(40))
            codes[moment] = [answer.status_code for answer in answers]

    assert set(codes["10:59"] + codes["12:00"]) == {200}
    assert 8 <= codes["11:30"].count(503) <= 24
    assert box.failed == codes["11:30"].count(503)
    assert len(arrived) == 120 - box.failed


def test_the_wall_clock_says_its_offset() -> None:
    """Before the clock change the hills are two hours ahead of UTC, after it one."""
    assert written(local("2025-10-25 12:00")) == "2025-10-25 12:00 UTC+2"
    assert written(local("2025-10-26 12:00")) == "2025-10-26 12:00 UTC+1"

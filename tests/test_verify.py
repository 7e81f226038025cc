"""`verify` tries sources and channels for real, sends nothing, and says what is not covered."""

import os
import socket
import threading
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

from tests.helpers import NETWORK_TOML, SECRETS, STATIONS_CSV, write_network
from watchman.judging.checks import CHECKS
from watchman.model import Notice
from watchman.network import load
from watchman.store import Store
from watchman.verify import DONE, OUTSIDE, YOUR_INPUT, Report, uncovered, verify

# apprise loads a library that loads a module Python is about to lose.
pytestmark = pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")

NOW = datetime(2025, 10, 21, 2, 20, tzinfo=UTC)
READINGS = """\
time,station,rain_mm,battery_v
2025-10-21T02:00Z,hollin,0.2,3.95
2025-10-21T02:15Z,hollin,0.0,3.94
2025-10-21T02:15Z,fennick,0.4,
2025-10-21T02:15Z,kettle,1.0,3.90
"""


class Mailbox:
    """A mail server of our own that keeps whatever reaches it."""

    def __init__(self) -> None:
        self.greetings = 0
        self.mails: list[Envelope] = []

    async def handle_EHLO(
        self, server: SMTP, session: Session, envelope: Envelope, hostname: str, responses: list[str]
    ) -> list[str]:
        self.greetings += 1
        session.host_name = hostname
        return responses

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        self.mails.append(envelope)
        return "250 OK"


@pytest.fixture
def mailbox() -> Iterator[tuple[Mailbox, int]]:
    box = Mailbox()
    server = Controller(box, hostname="127.0.0.1", port=free_port())
    server.start()
    yield box, server.port
    server.stop()


@pytest.fixture
def texts() -> Iterator[tuple[list[str], int]]:
    """A text service of our own that writes down every request."""
    asked: list[str] = []

    class Service(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            asked.append(self.path)
            self.send_response(200)
            self.end_headers()

        def log_message(self, *words: object) -> None:
            """Print nothing."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Service)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    yield asked, server.server_port
    server.shutdown()
    server.server_close()
    thread.join()


def free_port() -> int:
    with closing(socket.socket()) as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def local(port: int) -> str:
    """Return the network.toml of a network whose mail server listens on this machine."""
    return NETWORK_TOML.replace('host = "mail.example.org"', f'host = "127.0.0.1"\nport = {port}\nsecurity = "none"')


def report_of(folder: Path, mail_port: int, text_port: int, readings: str = READINGS, **texts: str) -> Report:
    write_network(folder, **{"network": local(mail_port), **texts})  # type: ignore[arg-type]
    (folder / "data").mkdir(exist_ok=True)
    (folder / "data" / "a.csv").write_text(readings, encoding="utf-8")
    # Old enough not to be taken for a file that is still being written.
    os.utime(folder / "data" / "a.csv", (NOW.timestamp(), NOW.timestamp()))
    return verify(folder, {"tech_1_text": f"json://127.0.0.1:{text_port}/tech-1"}.get, NOW)


def test_a_network_that_works(tmp_path: Path, mailbox: tuple[Mailbox, int], texts: tuple[list[str], int]) -> None:
    """Sources, stations, channels and store are each told in words; servers are only knocked at; exit code 0."""
    report = report_of(tmp_path, mailbox[1], texts[1])

    assert report.exit_code == DONE
    lines = [line.strip() for line in report.lines]
    assert lines[0] == "Veldran Hills: 3 stations, 1 rule, 2 contacts. All files can be read."
    assert "main: 5 readings of 2 stations, the newest of Mon 20 Oct 20:15 UTC-6." in lines
    assert (
        "Hollin Dam: last reading Mon 20 Oct 20:15 UTC-6 (5 min ago), one every 15 min, 2 neighbours within 30 km, "
        "battery 3.94 V (kind not written, to be guessed from its volts)"
    ) in lines
    assert "Larkmoor: NOT HEARD, 2 neighbours within 30 km, no battery voltage" in lines
    assert f"mail through 127.0.0.1:{mailbox[1]}: the server answers" in lines
    assert "text to tech-1: the server answers" in lines
    assert "It can be opened and written." in lines
    assert mailbox[0].greetings == 1
    assert (mailbox[0].mails, texts[0]) == ([], [])


def test_a_station_nobody_listed_is_named(
    tmp_path: Path, mailbox: tuple[Mailbox, int], texts: tuple[list[str], int]
) -> None:
    """A station that a source brings and nobody listed stands in the report."""
    report = report_of(tmp_path, mailbox[1], texts[1])

    assert any("station 'kettle', which is not in stations.csv" in line for line in report.lines)


def test_what_is_not_covered_is_told(
    tmp_path: Path, mailbox: tuple[Mailbox, int], texts: tuple[list[str], int]
) -> None:
    """Missing watchers, pages, texts, neighbours and thermometers are told as what people would not learn."""
    told = report_of(tmp_path, mailbox[1], texts[1], stations=STATIONS_CSV.replace("39.68,-105.12", "38.9,-105.2"))
    risks = [line.strip() for line in told.lines[told.lines.index("Not covered") :]]

    assert "Larkmoor: not heard: until it is, nothing can be said of it." in risks
    assert any(line.startswith("No outside watcher: if this machine") for line in risks)
    assert any(line.startswith("No page for phones") for line in risks)
    assert "Larkmoor: no neighbour within 30 km: a clogged gauge there can't be told from a dry one." in risks
    assert any(line.startswith("The sources bring no temperature: in the frost months") for line in risks)
    assert not any(line.startswith("The sources bring no battery") for line in risks)
    unasked = ", ".join(sorted(CHECKS.keys() - {"overdue"}))
    assert any(line.startswith(f"{unasked}: no rule asks") for line in risks)


def test_whom_heavy_rain_cannot_wake_is_told(tmp_path: Path) -> None:
    """Somebody who is to be told of heavy rain and has mail only is named; so is a role that one person has alone."""
    rule = 'check = "heavy-rain"\nwhen = "now"\ntell = ["warden"]\n'
    network = load(write_network(tmp_path, rules={"heavy-rain": rule}), SECRETS.get)

    risks = uncovered(network, {0, 1, 2})

    assert "warden: heavy rain is told by mail only, which wakes nobody. Give them text." in risks
    assert "warden: one person each. On holiday nobody stands in for them." in risks


PEOPLE = """
[[contacts]]
name = "warden-2"
roles = ["warden"]
mail = "warden-2@example.org"

[[duty]]
role = "warden"
people = ["warden", "warden-2"]
first_day = 2025-10-17

[board]
address = "https://watch.example.org"
key = "secret:tech_1_text"
"""
WAKES = {"heavy-rain": 'check = "heavy-rain"\nwhen = "now"\ntell = ["warden"]\n'}


def test_who_would_be_told_now_and_who_answered_the_last_drill(
    tmp_path: Path, mailbox: tuple[Mailbox, int], texts: tuple[list[str], int]
) -> None:
    """Role by role; a role whose people have no text, or of whom nobody answered, is named."""
    with closing(Store.open("sqlite:///watch.db", tmp_path)) as store:
        drilled_at = NOW - timedelta(days=1)
        people = load(write_network(tmp_path, network=NETWORK_TOML + PEOPLE), SECRETS.get).contacts
        notices = [Notice(0, "drill:1", one.name, "mail", "drill", drilled_at, drilled_at) for one in people]
        store.add_notices(notices, {"last_drill": "1", "last_drill_at": drilled_at.isoformat()})
        store.add_answer(drilled_at, "came", "tech-1", 0, reason="drill:1")

    report = report_of(tmp_path, mailbox[1], texts[1], network=local(mailbox[1]) + PEOPLE, rules=WAKES)
    lines = [line.strip() for line in report.lines]

    assert "warden: warden (mail, on duty until Fri 24 Oct 12:00 UTC-6), then warden-2." in lines
    assert "Last drill Sun 19 Oct 20:20 UTC-6: 1 of 3 answered, not warden and warden-2." in lines
    assert "warden: nobody who is there now has text or chat, and heavy rain by mail wakes nobody." in lines


def test_without_a_drill_it_is_said(tmp_path: Path, mailbox: tuple[Mailbox, int], texts: tuple[list[str], int]) -> None:
    """Nobody knows whether every phone would ring; and where nobody can answer, what that means."""
    report = "\n".join(report_of(tmp_path, mailbox[1], texts[1]).lines)

    assert "No drill yet" in report
    assert "Nobody can answer from a phone: heavy rain goes down the whole order of duty" in report


def test_mistakes_end_it_before_anything_is_tried(tmp_path: Path) -> None:
    """Mistakes in the files are all told, nothing is fetched, and the exit code is 2."""
    write_network(tmp_path, stations=STATIONS_CSV + "kettle,,,Kettle Weir\n")

    report = verify(tmp_path, {}.get, NOW)

    assert report.exit_code == YOUR_INPUT
    assert report.lines[0] == "2 mistakes in what is written; nothing was tried:"
    assert "stations.csv, line 5: 1 station without a position: Kettle Weir" in report.lines[2]
    assert not (tmp_path / "watch.db").exists()


@pytest.mark.parametrize(
    ("readings", "expected"),
    [("", "main: FAILED: data/a.csv is empty"), ("<html>Log in</html>\n", "main: FAILED: data/a.csv can't be read")],
)
def test_a_source_that_fails_is_told(
    tmp_path: Path, mailbox: tuple[Mailbox, int], texts: tuple[list[str], int], readings: str, expected: str
) -> None:
    """A source that can't be read is one sentence, the rest is still tried, and the exit code is 3."""
    report = report_of(tmp_path, mailbox[1], texts[1], readings)

    assert report.exit_code == OUTSIDE
    assert any(line.strip().startswith(expected) for line in report.lines)
    assert any(line.strip() == "text to tech-1: the server answers" for line in report.lines)
    assert not any("The sources bring no" in line for line in report.lines)


def test_channels_that_nobody_answers_are_told(tmp_path: Path) -> None:
    """A mail server and a text service that are not there are each told, and the exit code is 3."""
    report = report_of(tmp_path, free_port(), free_port())

    assert report.exit_code == OUTSIDE
    lines = [line.strip() for line in report.lines]
    assert any(line.startswith("mail through 127.0.0.1") and "FAILED" in line for line in lines)
    assert any(line.startswith("text to tech-1: FAILED") for line in lines)


def test_an_address_no_service_understands_is_told(tmp_path: Path, mailbox: tuple[Mailbox, int]) -> None:
    """A text address with an unknown scheme is told without its value."""
    write_network(tmp_path, network=local(mailbox[1]))

    report = verify(tmp_path, {"tech_1_text": "pigeon://hunter2@loft"}.get, NOW)

    assert "  text to tech-1: FAILED: this is no address apprise can send to" in report.lines
    assert "hunter2" not in "\n".join(report.lines)


def test_a_store_that_is_no_store_is_told(tmp_path: Path) -> None:
    """A store's file that is something else is told as the store's trouble."""
    (tmp_path / "watch.db").write_bytes(b"not a database, just bytes" * 50)

    report = report_of(tmp_path, free_port(), free_port())

    assert any(line.strip().startswith("FAILED:") for line in report.lines[report.lines.index("Store") :])


def test_stations_without_zeros_are_told(tmp_path: Path) -> None:
    """Tips alone: it is said that silence isn't dry weather; beside a voltage every hour it is not; where nobody wrote
    that tips are sent, it is asked.
    """
    tips = "".join(f"2025-10-20T{hour:02}:{7 * hour % 60:02}Z,hollin,0.2,\n" for hour in range(24))
    hours = "".join(f"2025-10-20T{hour:02}:30Z,hollin,,3.9\n" for hour in range(24))
    for counts, table, words in (
        ('"each tip"', tips, "tips only, and no message that comes regularly"),
        ('"each tip"', tips + hours, ""),
        ('"each interval"', tips, 'write rain = { counts = "each tip" }'),
    ):
        network = NETWORK_TOML.replace("[[contacts]]", f"rain = {{ counts = {counts} }}\n\n[[contacts]]", 1)
        write_network(tmp_path, network)
        (tmp_path / "data").mkdir(exist_ok=True)
        (tmp_path / "data" / "a.csv").write_text(READINGS.splitlines()[0] + "\n" + table, encoding="utf-8")
        report = "\n".join(verify(tmp_path, SECRETS.get, NOW).lines)
        assert words in report
        assert words or "tips only" not in report

"""The page behind the links: looking changes nothing, and nobody acts for another."""

from __future__ import annotations

import logging
import re
import socket
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import flask
import flask.testing
import pytest
import requests

from tests.helpers import SECRETS, write_network
from tests.store_behaviour import an_alarm
from watchman.board import link, standing_link
from watchman.board.page import HEADERS, create_app, serve
from watchman.errors import OutsideError
from watchman.model import AlarmState, Notice, SourceHealth, Span
from watchman.network import Network, load
from watchman.store import Store

KEY = "sixteen letters and more"
NOW = datetime(2025, 10, 21, 20, 20, tzinfo=UTC)
"""14:20 where the network's people are."""

STANDING = an_alarm(
    41,
    state=AlarmState.UNACKNOWLEDGED,
    stations=("hollin",),
    raised_at=NOW - timedelta(hours=1),
    since=NOW - timedelta(hours=3),
    absent_since=None,
    numbers={"silent_since": "2025-10-21T17:20:00Z", "silent_minutes": 180, "limit_minutes": 60},
    state_before=None,
    acknowledged_by="",
    acknowledged_at=None,
    shelved_until=None,
    absorbed_by=0,
)


class Board:
    """A board over a store in memory, its clock set by hand."""

    def __init__(self, network: Network) -> None:
        self.network, self.now = network, NOW
        self.store = Store.open("sqlite://", Path())
        self.app = create_app(self.store, network, KEY, lambda: self.now)
        self.client: flask.testing.FlaskClient = self.app.test_client()

    def notice(self, occasion: str = "alarm:41:1", person: str = "tech-1", kind: str = "fault", alarm: int = 41) -> str:
        """Put a notice into the store and return the path of its link."""
        notice = Notice(0, occasion, person, "text", kind, NOW, NOW, alarm=alarm, event="raised" if alarm else "")
        self.store.add_notices([notice])
        return link(KEY, "", self.store.notices()[-1].number, person)

    def look(self, path: str, status: int = 200) -> str:
        """Open a link and return the page."""
        answer = self.client.get(path)
        assert answer.status_code == status
        return answer.text

    def press(self, path: str, do: str, at: str = "", status: int = 200) -> str:
        """Press a button and return the page."""
        answer = self.client.post(path, data={"do": do, "at": at})
        assert answer.status_code == status
        return answer.text

    def written(self) -> tuple[object, ...]:
        """Return everything a person can change."""
        return self.store.answers_after(0), self.store.spans(), self.store.open_alarms(), self.store.notices()


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Board]:
    """Return the board of a network with an alarm standing at Hollin Dam."""
    board = Board(load(write_network(tmp_path), SECRETS.get))
    board.store.commit(NOW, alarms=[STANDING])
    yield board
    board.store.close()


# To look


def test_looking_changes_nothing(board: Board) -> None:
    """A link shows what the alarm is and the buttons; opening it, as machines that follow links do, does nothing."""
    path = board.notice()
    before = board.written()

    page = board.look(path)
    board.client.head(path)
    board.client.get(path + "?do=acknowledge&at=hollin")

    assert board.written() == before
    assert "Hollin Dam" in page
    assert "Not acknowledged yet" in page
    assert "11:20" in page, "times are the network's own"
    assert "Acknowledge" in page
    assert "I am on site for 2 hours" in page
    assert "Done" not in page


def test_says_nothing_twice(board: Board) -> None:
    """What stands in a notice or a name is shown as text, whatever signs it is made of."""
    evil = replace(STANDING, number=42, key=replace(STANDING.key, scope="source:<script>x</script>"))
    board.store.commit(NOW, alarms=[STANDING, evil])

    page = board.look(board.notice("alarm:42:1", alarm=42))

    assert "<script>" not in page
    assert "&lt;script&gt;" in page


def test_kept_to_oneself(board: Board) -> None:
    """The address, which is the secret, doesn't travel on, and nothing but our own style is loaded."""
    for path in (board.notice(), "/", "/1nonsense"):
        answer = board.client.get(path)
        assert {name: answer.headers[name] for name in HEADERS} == HEADERS
        assert "Set-Cookie" not in answer.headers
        assert "<script" not in answer.text
    assert board.client.get("/static/board.css").status_code == 200


# To act


def test_acknowledge(board: Board) -> None:
    """The button acknowledges the alarm by the notice's person, whoever the form says it is."""
    path = board.notice()

    answer = board.client.post(path, data={"do": "acknowledge", "who": "warden", "alarm": "7"})

    (said,) = board.store.answers_after(0)
    assert "Acknowledged" in answer.text
    assert (said.kind, said.who, said.alarm, said.at) == ("acknowledge", "tech-1", 41, NOW)


def test_on_site_and_done(board: Board) -> None:
    """One press books two hours, another two from then, and done ends them; nothing is booked twice."""
    path = board.notice()

    page = board.press(path, "on site", "hollin")
    (window,) = board.store.spans()
    assert window == Span(1, "hollin", NOW, NOW + timedelta(hours=2), "visit", "tech-1", NOW)
    assert "until 16:20" in page
    assert "Done" in page

    board.now += timedelta(minutes=30)
    assert "until 16:50" in board.press(path, "on site", "hollin")
    board.now += timedelta(minutes=20)
    assert "counts again" in board.press(path, "done")
    board.press(path, "done", status=400)

    (held,) = [span for span in board.store.spans() if span.withdrawn_at is None]
    assert (held.begins_at, held.ends_at) == (NOW, NOW + timedelta(minutes=50))
    assert "I am on site" in board.look(path)


def test_which_station(board: Board) -> None:
    """A notice about several stations asks where one is, and takes none that it isn't about."""
    wide = replace(STANDING, stations=("hollin", "larkmoor"))
    board.store.commit(NOW, alarms=[wide])
    path = board.notice()

    assert re.findall('<option value="([a-z]+)"', board.look(path)) == ["hollin", "larkmoor"]
    board.press(path, "on site", "fennick", status=400)
    board.press(path, "on site", status=400)
    board.press(path, "on site", "larkmoor")

    assert [span.station for span in board.store.spans()] == ["larkmoor"]


def test_others_windows(board: Board) -> None:
    """One person's button doesn't end another's window."""
    board.press(board.notice(person="warden"), "on site", "hollin")

    path = board.notice()

    assert "Done" not in board.look(path)
    board.press(path, "done", status=400)
    assert board.store.spans()[0].withdrawn_at is None


def test_storm(board: Board) -> None:
    """A storm's notice can be acknowledged, but not used to take a gauge out of the rain."""
    path = board.notice(kind="storm")

    assert "on site" not in board.look(path)
    board.press(path, "on site", "hollin", status=400)
    board.press(path, "acknowledge")


def test_window_closed(board: Board) -> None:
    """The notice that a window closed books that station again."""
    window = board.store.add_span("fennick", NOW - timedelta(hours=3), NOW, "visit", "tech-1", NOW)
    path = board.notice(f"window:{window.number}", kind="visit", alarm=0)

    board.press(path, "on site", "fennick")

    assert board.store.spans()[-1].station == "fennick"
    assert board.store.spans()[-1].ends_at == NOW + timedelta(hours=2)


def test_drill(board: Board) -> None:
    """A drill is answered by a button; there is nothing else to press."""
    path = board.notice("drill:3", kind="drill", alarm=0)

    assert len(re.findall("<button", board.look(path))) == 1
    board.press(path, "came")

    (said,) = board.store.answers_after(0)
    assert (said.kind, said.who, said.alarm, said.reason) == ("came", "tech-1", 0, "drill:3")


def test_closed_alarm(board: Board) -> None:
    """An alarm that is over can't be acknowledged any more, and the page says that it is over."""
    path = board.notice()
    board.store.commit(NOW, alarms=[replace(STANDING, state=AlarmState.NORMAL, ended_at=NOW)])

    assert "Closed Tue 21 Oct 14:20 UTC-6" in board.look(path)
    board.press(path, "acknowledge", status=400)
    assert board.store.answers_after(0) == ()


# Not to act


def test_forged(board: Board, caplog: pytest.LogCaptureFixture) -> None:
    """A link made up, for another notice or by another key changes nothing, shows nothing, and is logged."""
    path = board.notice()
    other = board.notice("alarm:41:2", person="warden")
    before = board.written()
    forged = [
        path[:-1] + ("a" if path[-1] != "a" else "b"),
        other[:-14] + path[-14:],
        link("another key of sixteen letters", "", 1, "tech-1"),
        link(KEY, "", 1, "warden"),
        link(KEY, "", 999, "tech-1"),
        "/" + "é" * 15,
        "/my-" + path[-14:],
    ]
    for one in forged:
        caplog.clear()
        with caplog.at_level(logging.WARNING):
            assert "Hollin" not in board.look(one, status=404)
            assert "a link was refused" in caplog.text
        assert board.client.post(one, data={"do": "acknowledge"}).status_code in (404, 405)
    assert board.written() == before


def test_stale(board: Board, caplog: pytest.LogCaptureFixture) -> None:
    """A link of more than thirty days ago answers nothing, says so, and is logged."""
    path = board.notice()
    board.now += timedelta(days=30)
    board.look(path)
    board.now += timedelta(seconds=1)
    with caplog.at_level(logging.WARNING):
        assert "more than 30 days old" in board.press(path, "acknowledge", status=410)
    assert "stale" in caplog.text
    assert board.store.answers_after(0) == ()


def test_contact_gone(board: Board) -> None:
    """The links of somebody who is no contact any more open nothing."""
    board.look(board.notice(person="former"), status=404)
    board.look(standing_link(KEY, "", "former"), status=404)


def test_odd_forms(board: Board) -> None:
    """A form that isn't ours, or far too long, changes nothing and is no fault of the page."""
    path = board.notice()
    board.press(path, "delete everything", status=400)
    board.press(path, "", status=400)
    assert board.client.post(path, data={"do": "x" * 10_000}).status_code == 413
    assert board.client.put(path).status_code == 405
    assert board.store.answers_after(0) == ()


def test_store_trouble(board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    """When the store can't be written the person is told to phone, and nothing is claimed."""

    def broken(*_given: object, **_named: object) -> None:
        raise OutsideError("the disk is full")

    path = board.notice()
    monkeypatch.setattr(board.store, "add_answer", broken)
    assert "phone" in board.press(path, "acknowledge", status=503)


# The network now


def test_network_now(board: Board) -> None:
    """A standing link shows what stands, who is on site and how the sources do, and takes no answer."""
    board.press(board.notice(), "on site", "hollin")
    failing = SourceHealth("main", failing_since=NOW - timedelta(hours=1), trouble="it answers with a page, not data")
    board.store.commit(NOW, alarms=[STANDING], health=[failing])
    path = standing_link(KEY, "", "warden")
    before = board.written()

    page = board.look(path)

    assert "For warden" in page
    assert "Hollin Dam: " in page
    assert "tech-1 on site until 16:20" in page
    assert "it answers with a page, not data" in page
    assert "<form" not in page
    assert board.client.post(path, data={"do": "acknowledge"}).status_code == 404
    assert board.written() == before


def test_nothing_stands(board: Board) -> None:
    """A quiet network says so."""
    board.store.commit(NOW, alarms=[replace(STANDING, ended_at=NOW)])
    assert "Nothing stands" in board.look(standing_link(KEY, "", "warden"))


def test_front_door(board: Board) -> None:
    """Without a link of one's own there is nothing to see."""
    assert "Veldran" not in board.look("/", status=404)


# Served, and readable


def free_port() -> int:
    """Return a port nobody listens at."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


def test_served(board: Board) -> None:
    """A real server shows the page to a real client, and stops when told."""
    listen = f"127.0.0.1:{free_port()}"
    served = serve(board.app, listen)
    address = f"http://{listen}{board.notice()}"

    assert "Hollin Dam" in requests.get(address, timeout=5).text
    assert requests.post(address, data={"do": "acknowledge"}, timeout=5).status_code == 200
    assert len(board.store.answers_after(0)) == 1
    served.close()
    with pytest.raises(requests.ConnectionError):
        requests.get(address, timeout=5)


@pytest.mark.parametrize("listen", ["192.0.2.1:80", "nowhere:http"])
def test_no_place_to_listen(board: Board, listen: str) -> None:
    """An address that isn't this machine's (192.0.2.1 is nobody's, RFC 5737) or no port is told in words."""
    with pytest.raises(OutsideError, match="can't listen"):
        serve(board.app, listen)


def colours(css: str) -> list[dict[str, str]]:
    """Return the colours of the light and the dark scheme by their names."""
    found = [
        dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", block)) for block in re.findall(r":root \{(.*?)\}", css, re.S)
    ]
    return [found[0], {**found[0], **found[1]}]


def contrast(one: str, other: str) -> float:
    """Return the contrast of two colours (WCAG 2.2, "contrast ratio" and "relative luminance")."""

    def luminance(colour: str) -> float:
        parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
        red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_contrast(board: Board) -> None:
    """Text has the contrast WCAG 2.2 asks for (1.4.3: 4.5), edges of controls too (1.4.11: 3), light and dark."""
    for scheme in colours(board.client.get("/static/board.css").text):
        for text, ground in (("ink", "paper"), ("quiet", "paper"), ("on-button", "button"), ("ink", "done")):
            assert contrast(scheme[text], scheme[ground]) >= 4.5
        for edge in ("line", "button"):
            assert contrast(scheme[edge], scheme["paper"]) >= 3


def test_fits_a_phone(board: Board) -> None:
    """The page follows the screen's width and sets none of its own in pixels."""
    css = board.client.get("/static/board.css").text
    assert 'name="viewport" content="width=device-width' in board.look(board.notice())
    assert not re.findall(r"(?:min-)?width: *[0-9.]+(?:px|rem)", re.sub(r"max-width: [^;]+;", "", css))

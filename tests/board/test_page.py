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
from pydantic import SecretStr

from tests.helpers import SECRETS, write_network
from tests.store_behaviour import an_alarm
from watchman.answers import poured_mark, stopped
from watchman.board.page import HEADERS, create_app, serve
from watchman.errors import OutsideError
from watchman.judging.holding import TEST_TIPS
from watchman.links import link, own_code, standing_link, stop_link
from watchman.model import WATCH, AlarmState, Notice, SourceHealth, Span
from watchman.network import Network, load
from watchman.settings import AnswersSettings, TextAnswersSettings
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
        self.now = NOW
        self.store = Store.open("sqlite://", Path())
        self.over(network)

    def over(self, network: Network) -> None:
        """Serve the page over this network from now on."""
        self.network = network
        self.app = create_app(self.store, network, KEY, lambda: self.now)
        self.client: flask.testing.FlaskClient = self.app.test_client()

    def with_texts(self) -> None:
        """Have the network read replies by text, from the technician's phone."""
        tech, *others = self.network.contacts
        contacts = (tech.model_copy(update={"phone": "+15551230000"}), *others)
        settings = TextAnswersSettings(key=SecretStr("hook-key-of-24-letters-x"))
        self.over(replace(self.network, contacts=contacts, answers=AnswersSettings(text=settings)))

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

    def press(self, path: str, do: str, at: str = "", status: int = 200, **fields: str) -> str:
        """Press a button and return the page; a visit lasts two hours unless told otherwise."""
        answer = self.client.post(path, data={"do": do, "at": at, "hours": "2", **fields})
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
    board.client.get(path + "?do=OK&at=hollin")

    assert board.written() == before
    assert "Hollin Dam" in page
    assert "Not acknowledged yet" in page
    assert "11:20" in page, "times are the network's own"
    assert "Acknowledge" in page
    assert "I am on site" in page
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

    answer = board.client.post(path, data={"do": "OK", "who": "warden", "alarm": "7"})

    (said,) = board.store.answers_after(0)
    assert "acknowledged: you see to it" in answer.text
    assert (said.kind, said.who, said.alarm, said.at) == ("acknowledge", "tech-1", 41, NOW)


def test_on_site_and_done(board: Board) -> None:
    """One press books two hours, another two from then, and done ends them; nothing is booked twice."""
    path = board.notice()

    page = board.press(path, "VISIT", "hollin")
    (window,) = board.store.spans()
    assert window == Span(1, "hollin", NOW, NOW + timedelta(hours=2), "visit", "tech-1", NOW)
    assert "until 16:20" in page
    assert "Done" in page

    board.now += timedelta(minutes=30)
    assert "until 16:50" in board.press(path, "VISIT", "hollin")
    board.now += timedelta(minutes=20)
    assert "counts again" in board.press(path, "DONE", "hollin")
    board.press(path, "DONE", "hollin", status=400)

    (held,) = [span for span in board.store.spans() if span.withdrawn_at is None]
    assert (held.begins_at, held.ends_at) == (NOW, NOW + timedelta(minutes=50))
    assert "I am on site" in board.look(path)


def test_which_station(board: Board) -> None:
    """A notice about several stations asks where one is, and takes none that it isn't about."""
    wide = replace(STANDING, stations=("hollin", "larkmoor"))
    board.store.commit(NOW, alarms=[wide])
    path = board.notice()

    assert re.findall('<option value="([a-z]+)"', board.look(path)) == ["hollin", "larkmoor"]
    board.press(path, "VISIT", "fennick", status=400)
    board.press(path, "VISIT", status=400)
    board.press(path, "VISIT", "larkmoor")

    assert [span.station for span in board.store.spans()] == ["larkmoor"]


def test_others_windows(board: Board) -> None:
    """One person's button doesn't end another's window."""
    board.press(board.notice(person="warden"), "VISIT", "hollin")

    path = board.notice()

    assert "Done" not in board.look(path)
    board.press(path, "DONE", status=400)
    assert board.store.spans()[0].withdrawn_at is None


def test_storm(board: Board) -> None:
    """A storm's notice can be acknowledged, but not used to take a gauge out of the rain."""
    path = board.notice(kind="storm")

    assert "on site" not in board.look(path)
    board.press(path, "VISIT", "hollin", status=400)
    board.press(path, "OK")


@pytest.mark.parametrize("occasion", ["window:{}", "asked:{}", "on-site:{}:2"])
def test_window_closed(board: Board, occasion: str) -> None:
    """The notice that a window closed, or of what is seen of a visit, books that station again."""
    window = board.store.add_span("fennick", NOW - timedelta(hours=3), NOW, "visit", "tech-1", NOW)
    path = board.notice(occasion.format(window.number), kind="visit", alarm=0)

    board.press(path, "VISIT", "fennick")

    assert board.store.spans()[-1].station == "fennick"
    assert board.store.spans()[-1].ends_at == NOW + timedelta(hours=2)


def test_drill(board: Board) -> None:
    """A drill is answered by a button; there is nothing else to press."""
    path = board.notice("drill:3", kind="drill", alarm=0)

    assert len(re.findall("<button", board.look(path))) == 1
    board.press(path, "CAME")

    (said,) = board.store.answers_after(0)
    assert (said.kind, said.who, said.alarm, said.reason) == ("came", "tech-1", 0, "drill:3")


def test_closed_alarm(board: Board) -> None:
    """An alarm that is over can't be acknowledged any more, and the page says that it is over."""
    path = board.notice()
    board.store.commit(NOW, alarms=[replace(STANDING, state=AlarmState.NORMAL, ended_at=NOW)])

    assert "Closed Tue 21 Oct 14:20 UTC-6" in board.look(path)
    board.press(path, "OK", status=400)
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
        assert board.client.post(one, data={"do": "OK"}).status_code in (404, 405)
    assert board.written() == before


def test_stale(board: Board, caplog: pytest.LogCaptureFixture) -> None:
    """A link of more than thirty days ago answers nothing, says so, and is logged."""
    path = board.notice()
    board.now += timedelta(days=30)
    board.look(path)
    board.now += timedelta(seconds=1)
    with caplog.at_level(logging.WARNING):
        assert "more than 30 days old" in board.press(path, "OK", status=410)
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
    assert "phone" in board.press(path, "OK", status=503)


# The network now


def test_network_now(board: Board) -> None:
    """A standing link shows what stands, who is on site and how the sources do; to look changes nothing."""
    board.press(board.notice(), "VISIT", "hollin")
    failing = SourceHealth("main", failing_since=NOW - timedelta(hours=1), trouble="it answers with a page, not data")
    board.store.commit(NOW, alarms=[STANDING], health=[failing])
    path = standing_link(KEY, "", "warden")
    before = board.written()

    page = board.look(path)

    assert "For warden" in page
    assert "Hollin Dam: " in page
    assert "tech-1 on site until 16:20" in page
    assert "it answers with a page, not data" in page
    assert 'value="OK"' not in page
    board.press(path, "OK", status=400)
    board.press(path, "NOT A FAULT", why="no reason", status=400)
    board.press(path, "VISIT", "elsewhere", status=400)
    assert board.written() == before


def test_a_visit_nobody_asked_for(board: Board) -> None:
    """The own page books any station, also afterwards, and the person hears of it: the link may be in other hands."""
    path = standing_link(KEY, "", "tech-1")

    page = board.press(path, "VISIT", "fennick", begin="09:40", poured="400")

    (window,) = board.store.spans()
    assert (window.station, window.who) == ("fennick", "tech-1")
    assert window.begins_at == datetime(2025, 10, 21, 15, 40, tzinfo=UTC), "09:40 where the network's people are"
    assert window.ends_at == datetime(2025, 10, 21, 17, 40, tzinfo=UTC)
    assert board.store.marks()[poured_mark(window)] == "400"
    assert "You were on site at Fennick Bridge from 09:40 until 11:40" in page
    (told,) = board.store.notices()
    assert (told.person, told.channel, told.kind) == ("tech-1", "text", "visit")
    assert "You were on site at Fennick Bridge from 09:40 until 11:40" in told.text


def test_own_code_shown(board: Board) -> None:
    """Who may answer by text finds their letters on their own page, and nobody else's."""
    assert "These letters" not in board.look(standing_link(KEY, "", "tech-1"))
    board.with_texts()
    page = board.look(standing_link(KEY, "", "tech-1"))
    assert f"VISIT HOLLIN DAM 2H {own_code(KEY, 'tech-1')}" in page
    assert "These letters" not in board.look(standing_link(KEY, "", "warden"))


def test_nothing_stands(board: Board) -> None:
    """A quiet network says so."""
    board.store.commit(NOW, alarms=[replace(STANDING, ended_at=NOW)])
    assert "Nothing stands" in board.look(standing_link(KEY, "", "warden"))


# All that a notice offers


def test_everything_a_fault_can_be_answered_with(board: Board) -> None:
    """A fault's form sets aside, closes with a reason, and books a visit; each says what was done."""
    path = board.notice()
    page = board.look(path)
    assert re.findall('<button[^>]* value="([A-Z ]+)"', page) == ["OK", "VISIT", "LATER", "NOT A FAULT"]
    assert '<option value="2025-10-23">Thu 23 Oct, 07:00</option>' in page

    assert "set aside until Thu 23 Oct 07:00 UTC-6" in board.press(path, "LATER", until="2025-10-23")
    assert "closed: not a fault" in board.press(path, "NOT A FAULT", why="8 cows, 3 goats: pasture 2 sprinkler")
    board.press(path, "NOT A FAULT", why="  ", status=400)
    board.press(path, "LATER", until="2024-01-01", status=400)
    board.press(path, "LATER", until="never", status=400)

    later, closed = board.store.answers_after(0)
    assert (later.kind, later.until) == ("shelve", datetime(2025, 10, 23, 13, tzinfo=UTC))
    assert (closed.kind, closed.alarm, closed.reason) == ("not a fault", 41, "8 cows, 3 goats: pasture 2 sprinkler")


def test_test_or_rain(board: Board) -> None:
    """Tips that are held back are confirmed as a test, the person's own decision then, or count again as rain."""
    held = {"kind": "test tips", "held": True, "tips": 50, "mm": 10.0, "reading_minutes": 5, "by_reading": [10] * 5}
    began, ended = NOW - timedelta(hours=2), NOW - timedelta(hours=1)
    numbers = {**held, "began_at": began.isoformat(), "ended_at": ended.isoformat(), "dry_neighbours": 4}
    doubt = replace(STANDING, check="doubtful-rain", numbers=numbers)
    board.store.commit(NOW, alarms=[doubt])
    first = board.store.add_span("hollin", began, ended, TEST_TIPS, WATCH, began)
    path = board.notice()

    assert re.findall('value="(TEST|RAIN)"', board.look(path)) == ["TEST", "RAIN"]
    assert "they stay out of the rain" in board.press(path, "TEST")
    (kept,) = [span for span in board.store.spans() if span.withdrawn_at is None]
    assert (kept.who, kept.reason, kept.begins_at, kept.ends_at) == ("tech-1", TEST_TIPS, began, ended)
    board.press(path, "RAIN", status=400)

    board.store.withdraw_span(kept.number, NOW)
    second = board.store.add_span("hollin", began, ended, TEST_TIPS, WATCH, began)
    assert "count again" in board.press(path, "RAIN")
    assert [span.number for span in board.store.spans() if span.withdrawn_at is None] == []
    assert first.number < second.number
    assert [one.reason for one in board.store.answers_after(0)] == ["test tips", "it was rain"]


def test_a_storm_offers_nothing_but_to_acknowledge(board: Board) -> None:
    """Nobody sets a storm aside for all by a press in error."""
    path = board.notice(kind="storm")
    assert re.findall('<button[^>]* value="([A-Z ]+)"', board.look(path)) == ["OK"]
    board.press(path, "LATER", until="2025-10-23", status=400)
    board.press(path, "NOT A FAULT", why="only drizzle", status=400)
    assert board.store.answers_after(0) == ()


# A volunteer's own choice


def a_volunteer(board: Board) -> str:
    """Have the network's last contact be a volunteer; return the path of the link that stops their notices."""
    *others, last = board.network.contacts
    host = last.model_copy(update={"name": "host-1", "roles": ("volunteer host",)})
    board.over(replace(board.network, contacts=(*others, host)))
    return stop_link(KEY, "", "host-1")


def test_one_click_stops_a_volunteers_notices(board: Board) -> None:
    """A mail program's POST of RFC 8058 stops them at once, without a cookie or a question; a look does not."""
    path = a_volunteer(board)
    assert "Stop all notices to me" in board.look(path)
    assert stopped(board.store.marks()) == frozenset()

    answer = board.client.post(path, data={"List-Unsubscribe": "One-Click"})

    assert answer.status_code == 200
    assert stopped(board.store.marks()) == {"host-1"}
    assert "You get no notices" in board.look(path)
    board.press(path, "START")
    assert stopped(board.store.marks()) == frozenset()
    assert [one.kind for one in board.store.answers_after(0)] == ["stop", "start"]


def test_nobody_on_duty_is_stopped_by_a_link(board: Board) -> None:
    """Others' notices don't end by a link, however well it is signed; nor does one person's link stop another's."""
    a_volunteer(board)
    before = board.written()
    for link_of in (stop_link(KEY, "", "tech-1"), stop_link("another key of letters", "", "host-1"), "/stop-x"):
        assert board.client.post(link_of, data={"List-Unsubscribe": "One-Click"}).status_code == 404
    assert board.written() == before
    assert stopped(board.store.marks()) == frozenset()


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
    assert requests.post(address, data={"do": "OK"}, timeout=5).status_code == 200
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

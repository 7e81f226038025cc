"""The pages for who gets a notice: each is whole, careful, says nothing of the network, and opens without a link."""

from __future__ import annotations

import logging
import re
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

import flask.testing
import pytest
from pydantic import SecretStr

from tests.board.test_page import STANDING, Board
from tests.helpers import SECRETS, write_network
from tests.telling.contrast import contrast
from tests.telling.veldran import STATIONS, network
from watchman.board import page
from watchman.links import link, standing_link
from watchman.network import Network, load
from watchman.settings import BoardSettings
from watchman.store import Store
from watchman.telling import receiver

KEY = "sixteen letters and more"
PAGES = sorted(receiver.KINDS)
CSS = (Path(page.__file__).parent / "static" / "board.css").read_text()
SENDS_OUT = sorted(
    {"overdue", "battery-decline", "battery-decline-group", "not-charging", "limit", "gaps", "due-dates", "visit"}
    | {"dry-among-wet", "slow-drain", "undercatch", "doubtful-rain", "clock", "stuck-value", "gathered"}
)
OF_RAIN = ["heavy-rain", "heavy-rain-over", "overdue-group", "source-outage", "called", "volunteer", "stuck-value"]


class Shape(HTMLParser):
    """The headings of a page in their order, its links, and its language."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.headings: list[str] = []
        self.links: list[str] = []
        self.language = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if re.fullmatch(r"h\d", tag):
            self.headings.append(tag)
        if tag in ("a", "link") and (address := given.get("href") or "") != "data:,":
            self.links.append(address)
        if tag == "html":
            self.language = given.get("lang") or ""


def client(here: Network | None = None) -> flask.testing.FlaskClient:
    """Return a visitor without any link."""
    board = BoardSettings(address="https://watch.example.org", key=SecretStr(KEY))
    app = page.create_app(
        Store.open("sqlite://", Path()), here or network(board=board), KEY, lambda: datetime(2025, 10, 21, tzinfo=UTC)
    )
    return app.test_client()


def words_of(kind: str) -> str:
    answer = client().get(f"/help/{kind}")
    assert answer.status_code == 200
    text = re.sub(r"<[^>]*>", " ", answer.text.partition("<main>")[2])
    return " ".join(text.replace("&#39;", "'").replace("&#34;", '"').split())


@pytest.mark.parametrize("kind", PAGES)
def test_a_page_is_whole(kind: str) -> None:
    """What it is, the one thing to do, what it means, the steps, what it can't know, how to answer."""
    answer = client().get(f"/help/{kind}")
    shape = Shape(answer.text)
    assert shape.language == "en"
    assert shape.headings[0] == "h1"
    assert set(shape.headings[1:]) == {"h2"}
    for heading in ("What it says and means", "What to do", "What it can&#39;t know", "How to answer"):
        assert f"<h2>{heading}</h2>" in answer.text, heading
    assert answer.text.count("<li>") >= 1
    assert len(re.findall(r"<strong>[^<]{10,}</strong>", answer.text)) == 1
    assert "{" not in answer.text


@pytest.mark.parametrize("kind", SENDS_OUT)
def test_who_may_drive_is_warned(kind: str) -> None:
    """Thunder, moving water, the road: on every page after which somebody may set out."""
    words = words_of(kind)
    for caution in ("within 30 min of thunder", "moving water", "Tell someone when you leave"):
        assert caution in words


@pytest.mark.parametrize("kind", OF_RAIN)
def test_a_page_on_rain_defers_to_the_official_warning(kind: str) -> None:
    words = words_of(kind)
    assert "not an official warning" in words
    assert "local emergency management" in words
    assert "No reading does not mean no rain" in words


@pytest.mark.parametrize("kind", ["battery-decline", "not-charging", "limit", "visit", "volunteer", "overdue"])
def test_a_page_on_batteries_says_what_a_cell_can_do(kind: str) -> None:
    assert "Swollen, hot or hissing: stand back" in words_of(kind)


def test_nothing_of_the_network_stands_in_them() -> None:
    """No name of a station, person or place, no address, no key."""
    secret = [one.name for one in STATIONS] + ["Veldran", "tech-1", "example.org", KEY]
    for address in ("/help", *(f"/help/{kind}" for kind in PAGES)):
        text = client().get(address).text
        assert not [one for one in secret if one in text]


def test_the_list_leads_to_every_page_and_each_page_back() -> None:
    """Also behind a path of somebody's web server, for every link is relative."""
    browser = client()
    shape = Shape(browser.get("/help").text)
    assert sorted(way.removeprefix("help/") for way in shape.links if way.startswith("help/")) == PAGES
    for where, way in (("/", "static/board.css"), ("/help/", "../static/board.css"), ("/help/", "../help")):
        shape = Shape(browser.get("/help" if where == "/" else "/help/drill").text)
        assert way in shape.links
    assert browser.get("/static/board.css").status_code == 200


@pytest.mark.parametrize("kind", ["page", "none", "..%2fgeneric%2fmail", "../generic/notice", "Overdue", "a" * 3000])
def test_what_is_no_page_is_refused(kind: str) -> None:
    """Nothing but the pages of the list is read."""
    assert client().get(f"/help/{kind}").status_code == 404


def test_a_page_keeps_the_boards_headers() -> None:
    """Nothing runs in it, and nothing of other places is loaded."""
    answer = client().get("/help/drill")
    assert {name: answer.headers[name] for name in page.HEADERS} == page.HEADERS


def test_a_networks_own_page_replaces_ours(tmp_path: Path) -> None:
    """It may build on ours, and change one block."""
    folder = tmp_path / "templates" / "receiver"
    folder.mkdir(parents=True)
    (folder / "heavy-rain.txt").write_text(
        '{% extends "ours/receiver/heavy-rain.txt" %}\n'
        "{% block short %}Close the <ford> at once.{% endblock %}\n"
        "{% block steps %}\nClose the ford.\nPhone the quarry.\n{% endblock %}\n"
    )
    text = client(network(folder=tmp_path)).get("/help/heavy-rain").text
    assert "<strong>Close the &lt;ford&gt; at once.</strong>" in text
    assert re.findall("<li>([^<]*)</li>", text) == ["Close the ford.", "Phone the quarry."]
    assert "not an official warning" in text


def test_a_networks_page_that_fails_gives_way_to_ours(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """Whoever is sent there finds something, and the log says what was wrong."""
    folder = tmp_path / "templates" / "receiver"
    folder.mkdir(parents=True)
    (folder / "drill.txt").write_text('{% extends "receiver/page.txt" %}{% block short %}{{ nobody }}{% endblock %}')
    with caplog.at_level(logging.ERROR):
        text = client(network(folder=tmp_path)).get("/help/drill").text
    assert "Say that it came." in text
    assert "receiver/drill.txt: 'nobody' is undefined" in caplog.text


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_boards_colours_stand_out(scheme: str) -> None:
    """4.5 to 1 for every text on its ground, 3 to 1 for the edge of a field (WCAG 2.2, 1.4.3 and 1.4.11)."""
    given = re.findall(r":root \{(.*?)\}", CSS, re.DOTALL)[scheme == "dark"]
    colour = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", given))
    for ink in ("ink", "quiet", "button"):
        assert contrast(colour[ink], colour["paper"]) >= 4.5
    assert contrast(colour["on-button"], colour["button"]) >= 4.5
    assert contrast(colour["ink"], colour["done"]) >= 4.5
    assert contrast(colour["line"], colour["paper"]) >= 3


def test_the_form_behind_a_link_leads_to_its_page(tmp_path: Path) -> None:
    """Where a text can't say it: what to do with it, and for who was called also why."""
    board = Board(load(write_network(tmp_path), SECRETS.get))
    board.store.commit(board.now, alarms=[STANDING])
    text = board.look(board.notice())
    assert '<a class="alone" href="help/overdue">What to do with it</a>' in text
    assert "help/called" not in text

    (row,) = board.store.notices()
    board.store.add_notices([replace(row, number=0, occasion="alarm:41:2", event="escalated")])
    path = link(KEY, "", board.store.notices()[-1].number, row.person)
    assert 'href="help/called">Why you were called</a>' in board.look(path)
    board.store.close()


def test_the_board_names_stations_set_aside(tmp_path: Path) -> None:
    """What stations.csv says of them, so that nobody looks for their alarms."""
    here = load(write_network(tmp_path), SECRETS.get)
    first, *others = here.stations
    board = Board(replace(here, stations=(first.model_copy(update={"status": "stolen"}), *others)))
    text = board.look(standing_link(KEY, "", "tech-1"))
    assert f"<li>{first.name}: stolen.</li>" in text
    assert text.count("stolen") == 1
    assert 'href="help">' in text
    board.store.close()

"""Answers that come page by page: by link, by a word, by number or offset, and by time."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest

from tests.readings.sources.archive import Archive, stamp
from tests.readings.sources.server import Answer, Handler
from watchman.model import Delivery
from watchman.readings.sources import AnySource, FetchMemory, fetch

NOW = datetime(2025, 10, 21, 15, 0, tzinfo=UTC)
STATIONS = {"hollin": 0, "larkmoor": 1}

Make = Callable[..., AnySource]
Serve = Callable[[Answer], tuple[str, list[Handler]]]


def ask(source: AnySource, memory: FetchMemory | None = None, now: datetime = NOW) -> tuple[Delivery, FetchMemory]:
    delivery, memory = fetch(source, Path("unused"), STATIONS, 0, memory or FetchMemory(), now)
    return delivery, FetchMemory.model_validate_json(memory.model_dump_json())


def values(delivery: Delivery) -> list[float]:
    return sorted(delivery.readings.value.tolist())


def archive(rows: int = 10, **how: Any) -> Archive:
    """Return one with a row an hour up to now, worth 0.00, 0.01 and so on."""
    kept = Archive(**how)
    kept.keep("hollin", NOW - timedelta(hours=rows), NOW)
    return kept


def worth(rows: int) -> list[float]:
    return [row / 100 for row in range(rows)]


def linked(link: Callable[[str, int], tuple[dict[str, Any], dict[str, str]]]) -> Answer:
    """Return a server of three pages; link makes what a page says of the next one: in its document, in its headers."""

    def answer(request: Handler) -> None:
        begin = int(parse_qs(urlsplit(request.path).query).get("after", ["0"])[0])
        record = {"time": stamp(NOW - timedelta(hours=begin)), "station": "hollin", "rain": begin / 10}
        more, headers = link(f"/rows?after={begin + 1}", begin + 1) if begin < 2 else ({}, {})
        request.send(json.dumps({"rows": [record], **more}).encode(), **headers)

    return answer


@pytest.mark.parametrize(
    ("settings", "link"),
    [
        ({"next_page": "next"}, lambda path, _: ({"next": path}, {})),
        ({"next_page": "meta.next.href"}, lambda path, _: ({"meta": {"next": {"href": path}}}, {})),
        ({"next_page": "links"}, lambda path, _: ({"links": [{"rel": "next", "href": path.lstrip("/")}]}, {})),
        ({"next_page": "Link header"}, lambda path, _: ({}, {"Link": f'</rows>; rel="first", <{path}>; rel="next"'})),
        ({"next_page": "cursor", "query": "?after={next}"}, lambda _, begin: ({"cursor": begin}, {})),
    ],
)
def test_pages_by_link(source: Make, serve: Serve, settings: dict[str, Any], link: Any) -> None:
    """A field of the document, a link or one of several in it, the Link header (RFC 8288), or a word for {next}."""
    address, asked = serve(linked(lambda path, begin: link(path, begin)))
    # A page's first {next} is empty, which this server takes for none.
    query = settings.pop("query", "")

    delivery, memory = ask(source(kind="json", address=f"{address}/rows{query}", records="rows", **settings))

    assert (values(delivery), delivery.trouble, len(asked)) == ([0.0, 0.1, 0.2], "", 3)
    assert memory.gaps == ()


def test_a_page_that_nobody_asked_to_go_on_is_told_once(source: Make, serve: Serve) -> None:
    """What lies behind it would be missed without a word."""
    page = b"time,station,rain\n2025-10-21T14:20Z,hollin,0.2\n"
    address, _ = serve(lambda request: request.send(page, Link='</2>; rel="next"'))
    made = source(address=address)

    delivery, memory = ask(made)
    assert [one.reason for one in delivery.rejected] == [
        f'{address} says that it goes on on another page, which nobody asks for; write next_page = "Link header"'
    ]
    assert ask(made, memory)[0].rejected == ()


def test_csv_pages_each_have_their_own_header(source: Make, serve: Serve) -> None:
    """Which may even differ."""
    pages = [b"time,station,rain\n2025-10-21T14:20Z,hollin,0.2\n", b"rain,time,station\n0.4,2025-10-21T14:15Z,hollin\n"]

    def answer(request: Handler) -> None:
        last = request.path == "/2"
        request.send(pages[last], **({} if last else {"Link": '</2>; rel="next"'}))

    address, _ = serve(answer)

    assert values(ask(source(address=address, next_page="Link header"))[0]) == [0.2, 0.4]


def test_a_page_that_names_itself_is_the_last(source: Make, serve: Serve) -> None:
    """A circle of links ends."""
    address, asked = serve(linked(lambda _, begin: ({"next": "/rows?after=1"}, {})))

    delivery, _ = ask(source(kind="json", address=address, records="rows", next_page="next"))
    assert (values(delivery), len(asked)) == ([0.0, 0.1], 2)


def test_a_next_page_elsewhere_gets_no_credentials(source: Make, serve: Serve) -> None:
    """It is asked for all the same: such links may be signed. Not even another port of the same machine gets them."""
    other, asked_there = serve(linked(lambda path, _: ({}, {})))
    address, asked = serve(linked(lambda path, _: ({"next": f"{other}{path}"}, {})))
    made = source(kind="json", address=address, records="rows", next_page="next", token="s3cret")

    delivery, _ = ask(made)

    assert values(delivery) == [0.0, 0.1]
    assert asked[0].headers["Authorization"] == "Bearer s3cret"
    assert [request.headers["Authorization"] for request in asked_there] == [None]


def test_a_page_that_refuses_without_credentials_is_told(source: Make, serve: Serve) -> None:
    """The page before it counts, and the rest isn't forgotten."""
    other, _ = serve(lambda request: request.send(b"", 401))
    address, _ = serve(linked(lambda path, _: ({"next": f"{other}{path}"}, {})))

    delivery, memory = ask(source(kind="json", address=address, records="rows", next_page="next", token="s3cret"))

    assert values(delivery) == [0.0]
    assert delivery.rejected[0].reason.startswith(f"{other}/rows refused us (HTTP 401)")
    assert "s3cret" not in memory.model_dump_json()


def test_a_token_in_a_path_is_not_told(source: Make, serve: Serve) -> None:
    """Addresses are told without what is secret in them, wherever that stands."""
    address, _ = serve(lambda request: request.send(b"", 404))

    delivery, _ = ask(source(address=f"{address}/s3cret/{{token}}/x", token="s3cr et"))
    assert delivery.trouble.startswith(f"{address}/s3cret/{{token}}/x has nothing there")


@pytest.mark.parametrize("link", ["http://[", "javascript:go()", "http://a b/"])
def test_a_next_page_that_is_no_address_is_told(source: Make, serve: Serve, link: str) -> None:
    """And costs nothing else."""
    address, _ = serve(linked(lambda path, _: ({"next": link}, {})))

    delivery, _ = ask(source(kind="json", address=address, records="rows", next_page="next"))
    assert values(delivery) == [0.0]
    assert len(delivery.rejected) + bool(delivery.trouble) == 1


def test_a_token_in_a_link_is_not_kept(source: Make, serve: Serve) -> None:
    """A server repeats it in its links; where a walk goes on is remembered without it, and goes on with it."""
    down = [False]

    def answer(request: Handler) -> None:
        if "after=2" in request.path and down[0]:
            request.send(b"", 503)
        else:
            linked(lambda path, _: ({"next": f"{path}&key=s3cret"}, {}))(request)

    address, asked = serve(answer)
    made = source(
        kind="json",
        address=f"{address}/rows?key={{token}}",
        token="s3cret",
        records="rows",
        next_page="next",
        budget_s=0.9,
    )
    down[0] = True
    delivery, memory = ask(made)
    assert "s3cret" not in memory.model_dump_json()
    assert values(delivery) == [0.0, 0.1]

    down[0] = False
    delivery, memory = ask(made, memory)
    assert values(delivery) == [0.2]
    assert all("key=s3cret" in request.path for request in asked)


@pytest.mark.parametrize("size", [None, 4])
@pytest.mark.parametrize(("query", "rows"), [("offset={offset}", 10), ("page={page}", 10), ("page={page}", 8)])
@pytest.mark.parametrize("name", ["rows.json", "rows.csv"])
def test_pages_by_number(source: Make, serve: Serve, query: str, rows: int, size: int | None, name: str) -> None:
    """To the first short or empty one."""
    kept = archive(rows, longest=4)
    address, _ = serve(kept)

    made = source(kind=name[-4:].lstrip("."), address=f"{address}/{name}?{query}", page_size=size)
    delivery, _ = ask(made)

    assert (values(delivery), delivery.trouble) == (worth(rows), "")
    assert len(kept.asked) == (4 if size is None and rows == 10 else 3)


def test_the_first_page_may_be_page_0(source: Make, serve: Serve) -> None:
    """As it is written."""
    address, asked = serve(lambda request: request.send(b"[]"))

    ask(source(kind="json", address=f"{address}/{{page}}", first_page=0))
    assert [request.path for request in asked] == ["/0"]


@pytest.mark.parametrize("beyond", [404, 200, "empty"])
def test_what_lies_beyond_the_last_page(source: Make, serve: Serve, beyond: int | str) -> None:
    """Servers that know no such page, ones that send the last page for ever, and ones that have nothing to say."""
    page = b"time,station,rain\n2025-10-21T14:20Z,hollin,0.2\n"

    def answer(request: Handler) -> None:
        if len(asked) == 1 or beyond == 200:
            request.send(page)
        else:
            request.send(b"", 200 if beyond == "empty" else 404)

    address, asked = serve(answer)

    delivery, _ = ask(source(address=f"{address}/{{page}}"))

    assert (set(values(delivery)), delivery.trouble, delivery.rejected, len(asked)) == ({0.2}, "", (), 2)


def test_a_walk_that_is_cut_goes_on_where_it_was(source: Make, serve: Serve) -> None:
    """Also after a restart; what was had stays had."""
    kept = archive(10, longest=4)
    address, _ = serve(
        lambda request: request.send(b"", 503) if down[0] and "offset=4" in request.path else kept(request)
    )
    made = source(kind="json", address=f"{address}/?offset={{offset}}", budget_s=0.5)

    down = [True]
    delivery, memory = ask(made)
    assert values(delivery) == worth(4)
    assert "is overloaded or down (HTTP 503)" in delivery.trouble

    down[0] = False
    assert values(ask(made, memory)[0]) == worth(10)[4:]
    assert kept.asked[1:] == [{"offset": "4"}, {"offset": "8"}, {"offset": "10"}]


def test_pages_by_time_go_on_from_the_newest_row(source: Make, serve: Serve) -> None:
    """Rows of one moment that a page's end parts are not lost."""
    kept = Archive(longest=5)
    for station in STATIONS:
        kept.keep(station, NOW - timedelta(hours=10), NOW)
    address, _ = serve(kept)

    delivery, _ = ask(source(kind="json", address=f"{address}/?from={{since}}", page_size=5, look_back_days=0.5))

    assert sorted(set(values(delivery))) == worth(20)
    assert (delivery.trouble, delivery.rejected) == ("", ())


def test_pages_by_time_need_their_order(source: Make, serve: Serve) -> None:
    """A full page with the newest first, or sorted by station, leaves open what follows: that is told."""
    kept = archive(10, longest=5, order=lambda row: -row[0].timestamp())
    address, _ = serve(kept)

    delivery, _ = ask(source(kind="json", address=f"{address}/?from={{since}}", page_size=5))

    assert "sent a full page (page_size = 5, 5 rows) that isn't in the order of time" in delivery.rejected[0].reason


def test_a_page_full_of_one_moment_is_told(source: Make, serve: Serve) -> None:
    """It can't be got past."""
    kept = Archive(longest=3)
    kept.rows = [(NOW, "hollin", row / 100) for row in range(9)]
    address, _ = serve(kept)

    delivery, _ = ask(source(kind="json", address=f"{address}/?from={{since}}", page_size=3))
    assert "raise page_size" in delivery.rejected[0].reason


@pytest.mark.parametrize("order", [lambda row: row[0], lambda row: -row[0].timestamp(), lambda row: row[1:]])
def test_a_full_page_of_a_stretch_is_asked_for_by_halves(source: Make, serve: Serve, order: Any) -> None:
    """Whatever the order of its rows; the halves overlap, for a server may leave out both ends."""
    kept = Archive(longest=5, order=order)
    for station in STATIONS:
        kept.keep(station, NOW - timedelta(hours=20), NOW)
    address, _ = serve(kept)

    delivery, memory = ask(source(kind="json", address=f"{address}/?from={{since}}&to={{until}}", page_size=5))

    assert sorted(set(values(delivery))) == worth(40)
    assert (delivery.trouble, delivery.rejected, memory.gaps) == ("", (), ())
    ends = {query["to"] for query in kept.asked} - {stamp(NOW.replace(day=23, hour=0))}
    begins = {query["from"] for query in kept.asked}
    for end in map(datetime.fromisoformat, ends):
        assert begins & {stamp(end - timedelta(seconds=seconds)) for seconds in (1, 2)}


@pytest.mark.parametrize(
    ("settings", "told"),
    [
        ({"address": "http://a.example/?p={page}&o={offset}"}, "pages go on in one way"),
        ({"address": "http://a.example/?p={page}", "next_page": "Link header"}, "pages go on in one way"),
        ({"address": "http://a.example/?p={next}"}, 'next_page = "meta.cursor"'),
        ({"address": "http://a.example/", "next_page": "next"}, 'next_page = "Link header"'),
        ({"address": "http://a.example/", "page_size": 5}, "`page_size` needs {offset}, {page} or {since}"),
        ({"address": "http://a.example/", "first_page": 0}, "`first_page` needs {page}"),
        ({"address": "http://a.example/{until}"}, "{until} needs {since}"),
        ({"path": "x.csv", "next_page": "Link header"}, "`next_page` belongs to an address"),
        ({"path": "x.csv", "user": "u", "password": "p"}, "belong to an address"),
        ({"address": "http://a.example/", "user": "us"}, 'password = "secret:feed_password"'),
        ({"address": "http://a.example/", "user": "a:b", "password": "p"}, "no colon"),
        ({"address": "http://a.example/", "user": "a", "password": "p", "token": "t"}, "give one of"),
        ({"address": "http://a.example/", "headers": {"authorization": "x"}, "token": "t"}, "give one of"),
    ],
)
def test_a_mistake_in_the_settings_is_told(source: Make, settings: dict[str, Any], told: str) -> None:
    """With what to write instead."""
    with pytest.raises(ValueError) as raised:
        source(**settings)
    assert told in str(raised.value)

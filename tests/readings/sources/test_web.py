"""Sources behind HTTP, against real local servers that answer well, badly, slowly, or without end."""

from __future__ import annotations

import gzip
import socket
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import responses

from tests.readings.sources.server import Answer, Handler
from watchman.model import Delivery
from watchman.readings.sources import AnySource, FetchMemory, fetch
from watchman.readings.sources.web import Door, Line, RefusedError, shown

NOW = datetime(2025, 10, 21, 15, 0, tzinfo=UTC)
DATA = b"time,station,rain\n2025-10-21T14:20Z,hollin,0.2\n"
LONE = b"time,rain\n2025-10-21T14:20Z,0.2\n"
LONE_COLUMNS = {"time": "time", "rain": "rain"}
STATIONS = {"hollin": 0, "larkmoor": 1, "fennick bridge": 2}

Make = Callable[..., AnySource]
Serve = Callable[[Answer], tuple[str, list[Handler]]]


def ask(source: AnySource, memory: FetchMemory | None = None, now: datetime = NOW) -> tuple[Delivery, FetchMemory]:
    return fetch(source, Path("unused"), STATIONS, 0, memory or FetchMemory(), now)


def trouble(source: AnySource) -> str:
    delivery, _ = ask(source)
    assert len(delivery.readings) == 0
    return delivery.trouble


def test_a_page_is_read(source: Make, serve: Serve) -> None:
    """A plain answer brings its readings, received at first after the stated delay."""
    address, asked = serve(lambda request: request.send(DATA))

    delivery, _ = ask(source(address=f"{address}/latest.csv"))

    assert delivery.readings.value.tolist() == [0.2]
    assert delivery.readings.received_at.tolist() == [int(NOW.timestamp()) - 35 * 60]
    assert (delivery.trouble, delivery.source, delivery.at, len(asked)) == ("", "main", NOW, 1)


def test_later_pages_are_received_now(source: Make, serve: Serve) -> None:
    """Once the source was read, what is new arrives when it is seen."""
    contents = [DATA, DATA.replace(b"14:20", b"14:25")]
    address, asked = serve(lambda request: request.send(contents[len(asked) - 1]))
    made = source(address=address)
    _, memory = ask(made)

    assert ask(made, memory)[0].readings.received_at.tolist() == [int(NOW.timestamp())]


def test_an_unchanged_page_is_not_sent_again(source: Make, serve: Serve) -> None:
    """ETag and Last-Modified go back, and 304 brings nothing and is no trouble."""

    def answer(request: Handler) -> None:
        if request.headers["If-None-Match"] == '"7"' and request.headers["If-Modified-Since"]:
            request.send(b"", 304)
        else:
            request.send(DATA, ETag='"7"', Last_Modified="Tue, 21 Oct 2025 14:21:00 GMT")

    address, asked = serve(answer)
    made = source(address=address)
    _, memory = ask(made)
    delivery, memory = ask(made, FetchMemory.model_validate_json(memory.model_dump_json()))
    third, _ = ask(made, memory)

    assert [len(delivery.readings), delivery.trouble, len(third.readings)] == [0, "", 0]
    assert len(asked) == 3


@pytest.mark.parametrize(("changed", "asked"), [("14:20:57", True), ("14:20:59", False), ("14:21:00", False)])
def test_what_changed_a_moment_ago_is_asked_for_whole(changed: str, asked: bool) -> None:
    """Last-Modified counts whole seconds: a table written twice within one would be missed until its next change."""
    from watchman.readings.sources.web import _settled

    headers = {"Date": "Tue, 21 Oct 2025 14:21:00 GMT", "Last-Modified": f"Tue, 21 Oct 2025 {changed} GMT"}
    assert bool(_settled(headers)) is asked
    assert _settled({"Last-Modified": headers["Last-Modified"]}) == headers["Last-Modified"]


def test_a_page_that_is_the_same_without_saying_so_costs_nothing(source: Make, serve: Serve) -> None:
    """A server that knows no ETag sends the same bytes; they aren't read again."""
    address, _ = serve(lambda request: request.send(DATA))
    made = source(address=address)

    assert len(ask(made, ask(made)[1])[0].readings) == 0


def test_a_page_that_could_not_be_read_is_asked_for_again(source: Make, serve: Serve) -> None:
    """Its ETag isn't kept, so that the trouble lasts as long as the page."""
    address, asked = serve(lambda request: request.send(b"when,where\n", ETag='"7"'))
    made = source(address=address)
    _, memory = ask(made)

    assert "it has no column 'time'" in ask(made, memory)[0].trouble
    assert asked[1].headers["If-None-Match"] is None


def drip_body(request: Handler) -> None:
    request.send(b"", Content_Length="100000")
    while not request.over.wait(0.01):
        request.wfile.write(b"x")


def drip_headers(request: Handler) -> None:
    request.wfile.write(b"HTTP/1.1 200 OK\r\nX-Long: ")
    while not request.over.wait(0.01):
        request.wfile.write(b"x")


def drip_to_the_end_of_the_connection(request: Handler) -> None:
    request.wfile.write(b"HTTP/1.0 200 OK\r\n\r\n" + DATA)
    while not request.over.wait(0.01):
        request.wfile.write(b"x")


def drip_gzip(request: Handler) -> None:
    """Send compressed bytes that unpack to nothing, for ever."""
    request.send(gzip.compress(b"")[:10], Content_Length="100000", Content_Encoding="gzip")
    while not request.over.wait(0.01):
        request.wfile.write(b"\x00\x00\x00\xff\xff")


def say_nothing(request: Handler) -> None:
    request.over.wait()


def redirect_without_end(request: Handler) -> None:
    """Send a redirection whose own body never ends."""
    request.send(b"", 302, Location="/next", Content_Length="1000000000")
    while not request.over.wait(0.01):
        request.wfile.write(b"x")


@pytest.mark.parametrize(
    "answer", [drip_body, drip_headers, drip_to_the_end_of_the_connection, drip_gzip, say_nothing, redirect_without_end]
)
def test_the_budget_holds_against_any_slow_answer(source: Make, serve: Serve, answer: Answer) -> None:
    """However bytes drip, in headers or body, compressed or not, the fetch ends when its time is over."""
    address, _ = serve(answer)
    begun = time.monotonic()

    told = trouble(source(address=f"{address}/slow?key=s3cret", budget_s=0.2))

    assert time.monotonic() - begun < 1.0
    assert "budget_s = 0.2 was over" in told or "from one address to the next" in told
    assert told.startswith(f"{address}/slow ")


def test_the_budget_holds_during_a_secure_greeting(source: Make) -> None:
    """A server that accepts the connection and drips nonsense instead of TLS is left in time."""
    listener = socket.create_server(("127.0.0.1", 0))
    over = threading.Event()

    def drip() -> None:
        accepted, _ = listener.accept()
        with accepted:
            accepted.recv(10_000)
            accepted.sendall(b"\x16\x03\x03\x40\x00")  # a handshake record of 16 kB, whose bytes come one by one
            try:
                while not over.wait(0.01):
                    accepted.sendall(b"\x00")
            except OSError:
                return

    thread = threading.Thread(target=drip, daemon=True)
    thread.start()
    begun = time.monotonic()

    told = trouble(source(address=f"https://127.0.0.1:{listener.getsockname()[1]}/", budget_s=0.2))

    assert time.monotonic() - begun < 1.0
    assert "budget_s = 0.2 was over" in told
    over.set()
    thread.join()
    listener.close()


def test_a_connection_is_cut_although_tls_has_taken_it_over() -> None:
    """TLS moves a connection to another socket object; its reader must be woken all the same, early or late."""
    line = Line()
    for late in (False, True):
        ours, theirs = socket.socketpair()
        if late:
            line.cut()
        line.add(ours)
        with socket.socket(fileno=ours.detach()) as taken_over, theirs:
            taken_over.settimeout(1)
            if not late:
                line.cut()
            assert taken_over.recv(1) == b""
    line.close()


def endless(request: Handler) -> None:
    request.wfile.write(b"HTTP/1.1 200 OK\r\n\r\n")
    while not request.over.is_set():
        request.wfile.write(DATA * 1000)


def bomb(request: Handler) -> None:
    request.send(gzip.compress(b"x" * 20_000_000, 1), Content_Encoding="gzip")


@pytest.mark.parametrize("answer", [endless, bomb])
def test_the_size_limit_holds(source: Make, serve: Serve, answer: Answer) -> None:
    """An endless answer, and a small one that unpacks to 20 MB, are left at max_mb."""
    address, _ = serve(answer)

    assert trouble(source(address=address, max_mb=1, budget_s=10)).endswith(
        "sent more than max_mb = 1; ask for less, or raise it"
    )


@pytest.mark.parametrize(
    ("answer", "told"),
    [
        (lambda request: request.send(DATA, Content_Length="500"), "broke off before its answer was complete"),
        (lambda request: request.send(DATA, Content_Encoding="gzip"), "whose compression is broken"),
        (lambda request: request.send(b""), "sent an empty answer"),
        (
            lambda request: request.send(b"\n<!DOCTYPE html><html><head><title>Please\n log in</title>"),
            "sent a web page ('Please log in') instead of data",
        ),
        (lambda request: request.send(b"<p>busy</p>", Content_Type="text/html"), "sent a web page instead of data"),
        (lambda request: request.send(b"", 418), "answered HTTP 418 instead of data; check the address"),
        (lambda request: request.send(b"", 302, Location="/x"), "from one address to the next without end"),
        (lambda request: request.send(b"", 302, Location="file:///etc/passwd"), "can't be asked (InvalidSchema)"),
        (lambda request: request.wfile.write(b"nonsense\r\n\r\n"), "broke off before its answer was complete"),
        (lambda request: None, "broke off before its answer was complete"),
    ],
)
def test_a_bad_answer_is_told_in_words(
    source: Make, serve: Serve, answer: Answer, told: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each with the address, without what may be secret in it."""
    monkeypatch.setattr("watchman.readings.sources.web.FIRST_WAIT_S", 0.0)
    address, _ = serve(answer)

    said = trouble(source(address=f"{address}/latest?key=s3cret"))

    assert said.startswith(f"{address}/latest ")
    assert told in said


def test_half_a_document_is_told(source: Make, serve: Serve) -> None:
    """A JSON answer that is complete for HTTP but breaks off."""
    address, _ = serve(lambda request: request.send(b'[{"time": "2025-10-21T14:20Z", "sta'))

    assert "half a JSON document" in trouble(source(kind="json", address=address))


def test_nothing_listening_and_no_such_name_are_told(source: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    """A refused connection and an unknown name, each in words."""
    monkeypatch.setattr("watchman.readings.sources.web.FIRST_WAIT_S", 0.0)
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]

    assert "can't be reached: connection refused" in trouble(source(address=f"http://127.0.0.1:{port}/"))

    def unknown(*_: object, **__: object) -> None:
        raise socket.gaierror(-2, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", unknown)
    assert "can't be found: no such name" in trouble(source(address="http://nowhere.invalid/"))


class Waits:
    """Stands in for the clock and for sleeping: sleeping moves the clock."""

    def __init__(self) -> None:
        self.now = 0.0
        self.slept: list[float] = []

    def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)
        self.now += seconds


def door(budget_s: float, waits: Waits) -> Door:
    return Door(budget_s, 1_000_000, {}, clock=lambda: waits.now, sleep=waits.sleep)


@pytest.mark.parametrize(
    ("headers", "slept"),
    [
        ({}, [1.0, 2.0]),
        ({"Retry_After": "3"}, [3.0, 3.0]),
        ({"Retry_After": "Tue, 21 Oct 2025 14:20:07 GMT", "Date": "Tue, 21 Oct 2025 14:20:03 GMT"}, [4.0, 4.0]),
        ({"Retry_After": "Tue, 21 Oct 2025 14:20:00 GMT", "Date": "Tue, 21 Oct 2025 14:20:03 GMT"}, [0.0, 0.0]),
        ({"Retry_After": "soon"}, [1.0, 2.0]),
    ],
)
@pytest.mark.parametrize("status", [429, 502, 503, 504])
def test_a_busy_server_is_asked_again(serve: Serve, headers: dict[str, str], slept: list[float], status: int) -> None:
    """After waits that double, or that it asks for, in seconds or as a date by its own clock."""

    def answer(request: Handler) -> None:
        if len(asked) < 3:
            request.send_response_only(status)
            for name, value in {**headers, "Content_Length": "0"}.items():
                request.send_header(name.replace("_", "-"), value)
            request.end_headers()
        else:
            request.send(DATA)

    address, asked = serve(answer)
    waits = Waits()
    with door(60, waits) as opened:
        content, _ = opened.get(address, None)

    assert (content, waits.slept) == (DATA, slept)


def test_a_long_wait_is_left_to_a_later_fetch(source: Make, serve: Serve) -> None:
    """A Retry-After beyond the budget isn't slept; until then, at most 15 minutes, the server is left alone."""
    address, asked = serve(lambda request: request.send(DATA, 503, Retry_After="3600"))
    made = source(address=address)

    delivery, memory = ask(made)
    assert "is overloaded or down (HTTP 503), and asked us to wait 3600 s; it is asked again" in delivery.trouble
    delivery, memory = ask(made, memory, NOW + timedelta(minutes=14))
    assert delivery.trouble.endswith("asked us to wait until 15:15:00 UTC")
    assert len(asked) == 1
    ask(made, memory, NOW + timedelta(minutes=15))
    assert len(asked) == 2


def test_attempts_end() -> None:
    """Three attempts, and never past the budget."""
    with responses.RequestsMock() as mocked:
        asked = mocked.get("http://data.example.org/", status=503)
        waits = Waits()
        with door(60, waits) as opened, pytest.raises(RefusedError, match="overloaded"):
            opened.get("http://data.example.org/", None)
        assert (asked.call_count, waits.slept) == (3, [1.0, 2.0])

        waits = Waits()
        with door(2.5, waits) as opened, pytest.raises(RefusedError, match="overloaded"):
            opened.get("http://data.example.org/", None)
        assert waits.slept == [1.0]


def test_a_page_a_station(source: Make, serve: Serve) -> None:
    """Each is asked by its name, its own failure is a rejection, and its station is known without a column."""

    def answer(request: Handler) -> None:
        request.send(LONE) if "larkmoor" not in request.path else request.send(b"", 404)

    address, asked = serve(answer)

    delivery, _ = ask(source(address=f"{address}/at?id={{station}}", columns=LONE_COLUMNS))

    assert [request.path for request in asked] == ["/at?id=hollin", "/at?id=larkmoor", "/at?id=fennick%20bridge"]
    assert delivery.readings.station.tolist() == [0, 2]
    assert [rejected.reason for rejected in delivery.rejected] == [
        f"{address}/at (station larkmoor) has nothing there (HTTP 404): check the address, and the station's id or "
        "alias if it stands in it"
    ]
    assert delivery.trouble == ""


def test_the_stations_share_one_budget_and_take_turns(source: Make, serve: Serve) -> None:
    """Where the time ends the fetch ends, and the next one begins behind that station."""

    def answer(request: Handler) -> None:
        drip_body(request) if "hollin" in request.path else request.send(LONE)

    address, asked = serve(answer)
    made = source(address=f"{address}/{{station}}", columns=LONE_COLUMNS, budget_s=0.2)

    delivery, memory = ask(made)
    assert (len(delivery.readings), len(asked)) == (0, 1)
    assert "budget_s = 0.2 was over" in delivery.trouble

    delivery, _ = ask(made, memory)
    assert [request.path for request in asked[1:]] == ["/larkmoor", "/fennick%20bridge", "/hollin"]
    assert delivery.readings.station.tolist() == [1, 2]


def test_a_server_that_is_down_is_not_asked_for_every_station(
    source: Make, serve: Serve, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What concerns the server ends the fetch."""
    monkeypatch.setattr("watchman.readings.sources.web.FIRST_WAIT_S", 0.0)
    address, asked = serve(lambda request: request.send(b"", 503))

    ask(source(address=f"{address}/{{station}}", columns=LONE_COLUMNS))

    assert len(asked) == 3


@pytest.mark.parametrize(
    ("how", "expected"),
    [
        ("{since}", ["2025-10-20T15:00:00Z", "2025-09-20T14:59:59Z", "2025-10-21T13:20:00Z"]),
        ("{since:epoch}", ["1760972400", "1758380399", "1761052800"]),
        ("{since:%d.%m. %H:%M}", ["20.10.%2008:00", "20.09.%2007:59", "21.10.%2006:20"]),
    ],
)
def test_since(source: Make, serve: Serve, how: str, expected: list[str]) -> None:
    """At first a day back and then 31, later from an hour before the newest reading on, written as the server wants."""
    address, asked = serve(lambda request: request.send(DATA))
    made = source(address=f"{address}/?from={how}", time={"utc_offset": "-07:00"})

    _, memory = ask(made)
    ask(made, memory)

    assert [request.path.removeprefix("/?from=") for request in asked] == expected


def test_since_looks_back_once_a_day_and_no_dead_station_drags_it(source: Make, serve: Serve) -> None:
    """Between times it is an hour before the newest reading of any; a clock that is ahead doesn't count."""
    content = DATA + b"2025-10-01T00:00Z,larkmoor,0\n2099-01-01T00:00Z,fennick bridge,0\n"
    address, asked = serve(lambda request: request.send(content))
    made = source(address=f"{address}/{{since}}")

    _, memory = ask(made)
    assert memory.newest == {"hollin": 1761056400, "larkmoor": 1759276800}
    _, memory = ask(made, memory)
    _, memory = ask(made, memory, NOW + timedelta(days=1))
    ask(made, memory, NOW + timedelta(days=1, minutes=1))

    assert [request.path for request in asked] == [
        *("/2025-10-20T15:00:00Z", "/2025-09-20T14:59:59Z"),
        "/2025-10-21T13:20:00Z",
        *("/2025-10-21T15:00:00Z", "/2025-10-21T13:59:59Z"),
        *("/2025-10-21T15:01:00Z", "/2025-09-21T15:00:59Z"),
    ]


def test_since_is_each_stations_own_where_each_has_its_page(source: Make, serve: Serve) -> None:
    """A station that has sent nothing yet is asked a day back."""
    address, asked = serve(lambda request: request.send(LONE if "hollin" in request.path else b"time,rain\n"))
    made = source(address=f"{address}/{{station}}/{{since}}", columns=LONE_COLUMNS)

    _, memory = ask(made)
    ask(made, memory)

    assert [request.path.split("/")[2] for request in asked[6:8]] == ["2025-10-21T13:20:00Z", "2025-10-20T15:00:00Z"]


def test_a_zone_asks_for_a_little_more(source: Make, serve: Serve) -> None:
    """So that the rows before a clock is set back show which pass of the hour a row belongs to."""
    address, asked = serve(lambda request: request.send(DATA))
    made = source(address=f"{address}/{{since}}", time={"zone": "America/Denver"})

    _, memory = ask(made)
    ask(made, memory)

    assert [request.path for request in asked[1:]] == ["/2025-09-20T12:00:00Z", "/2025-10-21T11:20:00Z"]


@pytest.mark.parametrize(
    ("settings", "path", "header"),
    [
        ({"token": "s3cret"}, "/", "Bearer s3cret"),
        ({"token": "s3 cret", "query": "?k={token}"}, "/?k=s3%20cret", None),
        ({"headers": {"Authorization": "Basic s3cret"}}, "/", "Basic s3cret"),
        # RFC 7617, section 2: the user-id "Aladdin" and the password "open sesame"
        ({"user": "Aladdin", "password": "open sesame"}, "/", "Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ=="),
    ],
)
def test_a_token_is_sent(source: Make, serve: Serve, settings: dict[str, Any], path: str, header: str | None) -> None:
    """As a bearer token, or in its place in the address, or in a header of one's own, or as a name and password."""
    address, asked = serve(lambda request: request.send(DATA))
    query = settings.pop("query", "")

    ask(source(address=f"{address}/{query}", **settings))

    assert (asked[0].path, asked[0].headers["Authorization"]) == (path, header)


def test_no_other_login_takes_the_place_of_ours(
    source: Make, serve: Serve, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither a .netrc file's in the home of whoever runs the watch."""
    (tmp_path / "netrc").write_text("machine 127.0.0.1 login them password theirs\n")
    (tmp_path / "netrc").chmod(0o600)
    monkeypatch.setenv("NETRC", str(tmp_path / "netrc"))
    address, asked = serve(lambda request: request.send(DATA))

    ask(source(address=address, token="s3cret"))
    ask(source(address=address))
    assert [request.headers["Authorization"] for request in asked] == ["Bearer s3cret", None]


def test_a_token_goes_to_no_other_host(source: Make, serve: Serve) -> None:
    """A redirection elsewhere is followed without secrets only."""
    other, asked_there = serve(lambda request: request.send(DATA))
    elsewhere = other.replace("127.0.0.1", "localhost")
    address, _ = serve(lambda request: request.send(b"", 302, Location=f"{elsewhere}/moved"))

    told = trouble(source(address=address, token="s3cret"))
    assert told == f"{address} has moved to {elsewhere}; write that address if its token may go there"
    assert asked_there == []
    assert len(ask(source(address=address))[0].readings) == 1


def test_an_address_is_shown_without_secrets() -> None:
    """Neither name and password nor query nor fragment."""
    assert shown("https://me:pw@data.example.org:8443/a/b.csv?key=s3cret#x") == "https://data.example.org:8443/a/b.csv"

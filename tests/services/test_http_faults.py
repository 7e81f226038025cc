"""A real HTTP server with every fault we know, asked by real sockets; and a real watch beside sources that hang."""

from __future__ import annotations

import gzip
import ssl
import threading
import time
import tracemalloc
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import trustme
from pydantic import TypeAdapter

from tests.readings.sources.server import Answer, Handler, Servers
from tests.town import SECRETS, Town, storms, until
from watchman import daemon
from watchman.model import Delivery
from watchman.network import load
from watchman.readings.sources import AnySource, FetchMemory, fetch
from watchman.store import Store

NOW = datetime(2025, 10, 21, 15, 0, tzinfo=UTC)
SECRET = "token-of-the-feed-7351"
GOOD = b"time,station,rain\n2025-10-21T14:20Z,hollin,0.2\n"
LATER = GOOD + b"2025-10-21T14:50Z,hollin,0.4\n2025-10-21T14:58Z,hollin,0.6\n"
BUDGET_S = 1.5
LARGEST_MB = 0.5

ASK = "ask whoever runs it"
AGAIN = f"; it is asked again, and if that goes on, {ASK}"
OVER = f"when budget_s = {BUDGET_S:g} was over"


def drip(request: Handler) -> None:
    request.send(GOOD, Content_Length="100000")
    while not request.over.wait(0.01):
        request.wfile.write(b"#")


def cut(request: Handler) -> None:
    request.send(GOOD, Content_Length=str(2 * len(GOOD)))


def cut_chunked(request: Handler) -> None:
    request.wfile.write(b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n40\r\n" + GOOD[:20])


def never_ending(request: Handler) -> None:
    request.wfile.write(b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n")
    while not request.over.is_set():
        request.wfile.write(b"1000\r\n" + b"x" * 0x1000 + b"\r\n")


def many_headers(request: Handler) -> None:
    request.wfile.write(b"HTTP/1.1 200 OK\r\n")
    while not request.over.is_set():
        request.wfile.write(b"X-More: and more\r\n" * 1000)


def long_header(request: Handler) -> None:
    request.wfile.write(b"HTTP/1.1 200 OK\r\nX-Long: ")
    while not request.over.is_set():
        request.wfile.write(b"x" * 10_000)


BOMB = gzip.compress(bytes(50_000_000), 9)
"""It is 50 kB long and a thousand times as much when it is unpacked."""


def bomb(request: Handler) -> None:
    request.send(BOMB, Content_Encoding="gzip")


def bomb_in_a_file(request: Handler) -> None:
    request.send(BOMB, Content_Type="application/gzip")


def bomb_in_a_bomb(request: Handler) -> None:
    request.send(gzip.compress(BOMB, 9), Content_Encoding="gzip")


def status(number: int, **headers: str) -> Answer:
    return lambda request: request.send(b"<html>as it likes</html>", number, **headers)


def login_page(request: Handler) -> None:
    request.send(b"<!doctype html><title>Please log in</title>", Content_Type="text/html")


def hang(request: Handler) -> None:
    request.over.wait()


FAULTS: dict[str, tuple[Answer, str]] = {
    "drip": (drip, f"had sent {{sent}} MB {OVER}; ask for less at a time, or raise budget_s"),
    "hang": (hang, f"had not answered {OVER}{AGAIN}"),
    "cut": (cut, f"broke off before its answer was complete{AGAIN}"),
    "cut chunk": (cut_chunked, f"broke off before its answer was complete{AGAIN}"),
    # A length that is no number is none (RFC 9112, 6.3), and what could be read of the headers is enough.
    "no length": (lambda request: request.send(GOOD, Content_Length="x"), ""),
    "broken header": (lambda request: request.wfile.write(b"HTTP/1.1 200 OK\r\nwithout colon\r\n\r\n" + GOOD), ""),
    "redirect loop": (
        status(302, Location="/round"),
        f"sends us from one address to the next without end; check the address, or {ASK}",
    ),
    "bomb": (bomb, f"sent more than max_mb = {LARGEST_MB:g}; ask for less, or raise it"),
    "bomb in a file": (bomb_in_a_file, f"sent more than max_mb = {LARGEST_MB:g}; ask for less, or raise it"),
    "bomb in a bomb": (bomb_in_a_bomb, f"sent more than max_mb = {LARGEST_MB:g}; ask for less, or raise it"),
    "never-ending": (never_ending, f"sent more than max_mb = {LARGEST_MB:g}; ask for less, or raise it"),
    "many headers": (many_headers, f"sent more headers than any answer needs; check the address, or {ASK}"),
    "long header": (long_header, f"sent more headers than any answer needs; check the address, or {ASK}"),
    "login page": (
        login_page,
        "sent a web page ('Please log in') instead of data; perhaps it wants a login, or the address is wrong",
    ),
    "401": (
        status(401),
        "refused us (HTTP 401): the token or password is missing, wrong, or no longer valid; renew the secret",
    ),
    "403": (status(403), f"refused us (HTTP 403): the token or password is missing, or may not read this; {ASK}"),
    "404": (
        status(404),
        "has nothing there (HTTP 404): check the address, and the station's id or alias if it stands in it",
    ),
    "410": (status(410), f"has been taken away for good (HTTP 410): {ASK} for the new address"),
    "429": (
        status(429, Retry_After="40"),
        "is asked too often (HTTP 429), and asked us to wait 40 s; raise every_s, or set askings_per_minute",
    ),
    "500": (status(500), f"has a fault of its own (HTTP 500){AGAIN}"),
    **{str(code): (status(code), f"is overloaded or down (HTTP {code}){AGAIN}") for code in (502, 503, 504)},
    "empty": (lambda request: request.send(b""), f"sent an empty answer, without so much as a header line{AGAIN}"),
    "204": (status(204), ""),
    "304": (status(304), ""),
}

ADAPTER: TypeAdapter[AnySource] = TypeAdapter(AnySource)


def source(address: str, **settings: Any) -> AnySource:
    columns = {"time": "time", "station": "station", "rain": "rain"}
    limits = {"budget_s": BUDGET_S, "max_mb": LARGEST_MB}
    written = {"name": "main", "kind": "csv", "address": address, "columns": columns, **limits, **settings}
    return ADAPTER.validate_python(written)


def ask(
    made: AnySource, memory: FetchMemory, minutes: int = 0, folder: Path = Path("unused")
) -> tuple[Delivery, FetchMemory]:
    return fetch(made, folder, {"hollin": 0}, 0, memory, NOW + timedelta(minutes=minutes))


@pytest.fixture(autouse=True)
def _no_wait_before_the_second_attempt(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("watchman.readings.sources.web.FIRST_WAIT_S", 0.0)


@pytest.fixture
def servers() -> Iterator[Servers]:
    started = Servers()
    yield started
    started.end()


@contextmanager
def bounded() -> Iterator[None]:
    """Fail when what goes on takes longer than the budget, or more memory than a few times the limit."""
    begun = time.monotonic()
    tracemalloc.start()
    try:
        yield
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert time.monotonic() - begun < BUDGET_S + 1
    assert peak < 12 * LARGEST_MB * 1_000_000


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_told_bounded_and_loses_nothing(
    servers: Servers, name: str, caplog: pytest.LogCaptureFixture
) -> None:
    """In one sentence: what was found and what to do, without the secret; the next good answer brings all."""
    fault, told = FAULTS[name]
    answers: list[Answer] = [lambda request: request.send(GOOD), fault, lambda request: request.send(LATER)]
    now = [0]
    address, _ = servers.start(lambda request: answers[now[0]](request))
    made = source(f"{address}/latest.csv?key={{token}}", token=SECRET, headers={"X-Key": SECRET})
    _, memory = ask(made, FetchMemory())

    now[0] = 1
    with caplog.at_level("DEBUG"), bounded():
        failed, memory = ask(made, memory, 1)
    now[0] = 2
    good, _ = ask(made, memory, 3)

    sent = failed.trouble.partition("had sent ")[2].partition(" MB")[0]
    assert failed.trouble == (told and f"{address}/latest.csv {told}".replace("{sent}", sent))
    assert SECRET not in repr(failed) + memory.model_dump_json() + repr(made) + caplog.text
    assert (len(failed.readings), failed.rejected) == (0, ())
    assert (good.trouble, good.readings.value.tolist()) == ("", [0.2, 0.4, 0.6])


def test_a_length_that_is_too_short_cuts_a_row_that_the_next_answer_mends(servers: Servers) -> None:
    """No client can see this one; the row that is cut is no reading, and comes with the next answer."""
    lengths = [len(LATER) - 5, len(LATER)]
    address, asked = servers.start(lambda request: request.send(LATER, Content_Length=str(lengths[len(asked) - 1])))
    made = source(address)

    cut_short, memory = ask(made, FetchMemory())
    assert cut_short.readings.value.tolist() == [0.2, 0.4]
    assert ask(made, memory, 1)[0].readings.value.tolist() == [0.2, 0.4, 0.6]


def context_of(certificate: trustme.LeafCert) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    certificate.configure_cert(context)
    return context


def of_itself(authority: trustme.CA, folder: Path) -> ssl.SSLContext:
    """Return a server's context whose certificate is its own issuer's."""
    both = folder / "own.pem"
    both.write_bytes(authority.private_key_pem.bytes() + authority.cert_pem.bytes())
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(both)
    return context


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("good", ""),
        (
            "expired",
            f"has a certificate that has expired: look at this machine's clock; if it is right, {ASK} to renew it",
        ),
        (
            "to come",
            f"has a certificate that is not valid yet: look at this machine's clock; if it is right, {ASK} to renew it",
        ),
        ("other name", f"has a certificate that is for another name: check the address, or {ASK}"),
        ("other issuer", f"has a certificate that can't be trusted, for its issuer isn't known here: {ASK}"),
        (
            "of itself",
            f"has a certificate that nobody but itself vouches for: {ASK} for it, and name its file as certificate",
        ),
    ],
)
def test_certificates(servers: Servers, tmp_path: Path, name: str, told: str) -> None:
    """Each fault has its own sentence, and no token has gone out before it is found."""
    ours, other = trustme.CA(), trustme.CA()
    ours.cert_pem.write_to_path(tmp_path / "ours.pem")
    today = datetime.now(UTC)
    contexts = {
        "good": lambda: context_of(ours.issue_cert("127.0.0.1")),
        "expired": lambda: context_of(
            ours.issue_cert("127.0.0.1", not_before=today - timedelta(days=9), not_after=today - timedelta(days=1))
        ),
        "to come": lambda: context_of(ours.issue_cert("127.0.0.1", not_before=today + timedelta(days=1))),
        "other name": lambda: context_of(ours.issue_cert("data.example.org")),
        "other issuer": lambda: context_of(other.issue_cert("127.0.0.1")),
        "of itself": lambda: of_itself(other, tmp_path),
    }
    address, asked = servers.start(lambda request: request.send(GOOD), contexts[name]())
    made = source(f"{address}/latest.csv", token=SECRET, certificate="ours.pem")

    delivery, _ = ask(made, FetchMemory(), folder=tmp_path)

    assert delivery.trouble == (told and f"{address}/latest.csv {told}")
    assert len(delivery.readings) == len(asked) == (0 if told else 1)


def test_the_machines_own_list_is_asked_unless_a_certificate_is_named(servers: Servers) -> None:
    """A server nobody knows is not believed."""
    address, asked = servers.start(lambda request: request.send(GOOD), context_of(trustme.CA().issue_cert("127.0.0.1")))

    delivery, _ = ask(source(address), FetchMemory())
    assert "its issuer isn't known here" in delivery.trouble
    assert asked == []


def test_a_certificate_that_is_not_there_is_told(servers: Servers, tmp_path: Path) -> None:
    """By its name."""
    address, _ = servers.start(lambda request: request.send(GOOD), context_of(trustme.CA().issue_cert("127.0.0.1")))

    delivery, _ = ask(source(address, certificate="gone.pem"), FetchMemory(), folder=tmp_path)
    assert delivery.trouble == f"{address} can't be asked: there is no certificate {tmp_path / 'gone.pem'}"


@pytest.mark.parametrize("token", [SECRET, None])
def test_nobody_is_led_from_https_to_http(servers: Servers, tmp_path: Path, token: str | None) -> None:
    """Neither with a token nor without: what is said there anybody may have changed."""
    authority = trustme.CA()
    authority.cert_pem.write_to_path(tmp_path / "ours.pem")
    plain, asked = servers.start(lambda request: request.send(GOOD))
    tls = context_of(authority.issue_cert("127.0.0.1"))
    address, _ = servers.start(lambda request: request.send(b"", 302, Location=f"{plain}/latest.csv"), tls)

    delivery, _ = ask(source(address, token=token, certificate="ours.pem"), FetchMemory(), folder=tmp_path)

    assert (
        delivery.trouble == f"{address} has moved to {plain}, where anybody on the way can change what it says; {ASK}"
    )
    assert asked == []


def test_a_packed_file_is_unpacked(servers: Servers) -> None:
    """As a .gz file, of several parts too, and packed again for the way."""
    packed = gzip.compress(LATER[:60]) + gzip.compress(LATER[60:])
    bodies = [(packed, {}), (gzip.compress(packed), {"Content_Encoding": "gzip"}), (packed[:-10], {})]
    address, asked = servers.start(
        lambda request: request.send(bodies[(len(asked) - 1) % 3][0], **bodies[(len(asked) - 1) % 3][1])
    )
    made = source(f"{address}/latest.csv.gz", budget_s=0.2)

    for _ in range(2):
        assert ask(made, FetchMemory())[0].readings.value.tolist() == [0.2, 0.4, 0.6]


HUNG = """
[[sources]]
name = "hung-{number}"
kind = "csv"
address = "http://127.0.0.1:{{web}}/main.csv"
columns = {{{{ time = "time", station = "station", rain = "rain_mm" }}}}
"""


class Hanging:
    """An answer that doesn't come until `end`."""

    def __init__(self) -> None:
        self._over = threading.Event()
        self.end = self._over.set

    def __call__(self, _request: Any) -> None:
        self._over.wait()


def test_a_source_that_hangs_costs_the_others_nothing(tmp_path: Path) -> None:
    """In the real watch, with its own scheduler: heavy rain of another source is told while one hangs."""
    never = Hanging()
    with Town(tmp_path) as town, closing(Store.open("sqlite:///watch.db", town.folder)) as store:
        watching = daemon.Daemon(load(town.folder, SECRETS.get), store)
        jobs = daemon.Beside()
        scheduler = daemon._scheduler(watching, jobs)
        scheduler.start()
        try:
            until(lambda: watching.cycled_at, "the first cycle", 60)
            town.answers["/main.csv"] = never
            until(lambda: town.asked.count("/main.csv") > 1, "the source that hangs being asked", 60)
            hung, other = town.asked.count("/main.csv"), town.asked.count("/other.csv")
            town.wet()
            until(lambda: storms(town.told("warden")), "heavy rain", 60)
            assert town.asked.count("/main.csv") - hung <= 1, "it still hangs"
            assert town.asked.count("/other.csv") > other
        finally:
            scheduler.shutdown(wait=False)
            never.end()
            jobs.unfinished(("cycle", "send", "fetch main"), 10)


def test_many_that_hang_hold_up_nobody_who_answers(tmp_path: Path) -> None:
    """Those that failed the last time have places of their own, however many they are."""
    never = Hanging()
    many = daemon.AT_ONCE + daemon.AT_ONCE_IN_TROUBLE
    more = "".join(HUNG.format(number=number) for number in range(many))
    with Town(tmp_path, more=more) as town, closing(Store.open("sqlite:///watch.db", town.folder)) as store:
        watching = daemon.Daemon(load(town.folder, SECRETS.get), store)
        town.answers["/main.csv"] = b""
        for position in range(2, many + 2):
            watching.fetch(position)
        town.answers["/main.csv"] = never
        begun = len(town.asked)
        threads = [threading.Thread(target=watching.fetch, args=[position]) for position in range(2, many + 2)]
        for thread in threads:
            thread.start()
        until(lambda: len(town.asked) == begun + daemon.AT_ONCE_IN_TROUBLE, "all the places taken that such have")

        before = time.monotonic()
        assert watching.fetch(1).trouble == ""
        assert time.monotonic() - before < 5
        assert len(town.asked) == begun + daemon.AT_ONCE_IN_TROUBLE + 1
        never.end()
        for thread in threads:
            thread.join()


def test_a_server_that_asks_us_to_wait_is_left_alone_at_once(tmp_path: Path) -> None:
    """Also before what it brought is kept, and while nothing can be kept."""
    with Town(tmp_path) as town, closing(Store.open("sqlite:///watch.db", town.folder)) as store:
        watching = daemon.Daemon(load(town.folder, SECRETS.get), store)

        def busy(request: Any) -> None:
            request.send_response(429)
            request.send_header("Retry-After", "120")
            request.send_header("Content-Length", "0")
            request.end_headers()

        town.answers["/main.csv"] = busy
        assert "asked us to wait 120 s" in watching.fetch(0).trouble
        assert "asked us to wait until" in watching.fetch(0).trouble
        assert town.asked == ["/main.csv"]

"""The one door to HTTP for sources: an asking has a time budget and a size limit that hold against any answer.

A read timeout bounds the wait for the next byte only, so a server that drips bytes, in its headers or its body, could
hold a fetch for hours. Here a timer cuts the connection itself when the budget is spent.
"""

from __future__ import annotations

import contextlib
import re
import socket
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any, Self
from urllib.parse import quote, urljoin, urlsplit

import requests
import urllib3
from requests.adapters import HTTPAdapter
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool

from watchman.readings.sources.memory import FetchMemory, PageMark, digest
from watchman.readings.sources.pieces import Fault, Piece
from watchman.readings.sources.settings import PLACEHOLDER, DocumentSource

MEGABYTE = 1_000_000
CONNECT_S = 5.0
"""How long a connection may take to come about [s]."""
ATTEMPTS = 3
"""How often one page is asked for before it counts as failed."""
FIRST_WAIT_S = 1.0
"""The wait before the second attempt; it doubles [s]."""
LONGEST_WAIT_S = 900
"""A server that asks us to stay away longer is asked again after this: rain doesn't wait [s]."""
MOVES = 5
"""How many redirections are followed."""
LINES_OPEN = MOVES + 3
"""Connections that may be in use at once: one a host, and a redirection leads to another; older ones are done with."""
TRY_LATER = (429, 502, 503, 504)
NOTHING_NEW = (204, 304)


class RefusedError(Exception):
    """A page can't be had. again: another attempt may help; stops: it concerns the whole server."""

    def __init__(self, sentence: str, *, again: bool = False, stops: bool = False, wait_s: float | None = None) -> None:
        super().__init__(sentence)
        self.again, self.stops, self.wait_s = again, stops, wait_s


class Door:
    """Asks for pages within one time budget [s] and size limit [bytes]; use as a context.

    clock and sleep: the machine's own, unless a test stands in for them.
    """

    def __init__(
        self,
        budget_s: float,
        limit: float,
        headers: Mapping[str, str],
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._budget_s, self._limit, self._headers = budget_s, limit, headers
        self._clock, self._sleep = clock, sleep
        self._ends = clock() + budget_s
        self._line = Line()
        self._timer = threading.Timer(budget_s, self._line.cut)
        self._timer.daemon = True
        self._session = requests.Session()
        for scheme in ("http://", "https://"):
            self._session.mount(scheme, _Adapter(self._line))

    def __enter__(self) -> Self:
        self._timer.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._timer.cancel()
        self._session.close()
        self._line.close()

    def left_s(self) -> float:
        """Return what is left of the budget [s]."""
        return 0.0 if self._line.is_cut else max(0.0, self._ends - self._clock())

    def get(self, address: str, mark: PageMark | None) -> tuple[bytes | None, PageMark]:
        """Return a page (None when the mark remembers it as it is) and its mark. Raise RefusedError in words."""
        wait = FIRST_WAIT_S
        for attempt in range(1, ATTEMPTS + 1):
            try:
                return self._once(address, mark)
            except RefusedError as refusal:
                pause = wait if refusal.wait_s is None else refusal.wait_s
                if attempt == ATTEMPTS or not refusal.again or pause >= self.left_s():
                    raise
                self._sleep(pause)
                wait *= 2
        raise AssertionError("the last attempt returns or raises")

    def _once(self, address: str, mark: PageMark | None) -> tuple[bytes | None, PageMark]:
        fingerprint = digest(address.encode())
        conditions = {}
        if mark and mark.digest == fingerprint:
            conditions = {"If-None-Match": mark.etag, "If-Modified-Since": mark.last_modified}
        content = bytearray()
        try:
            if self.left_s() > 0:
                with self._follow(address, {key: value for key, value in conditions.items() if value}) as response:
                    _judge(response)
                    self._fill(content, response)
        except (requests.RequestException, urllib3.exceptions.HTTPError, OSError) as error:
            if self.left_s() > 0:
                raise _in_words(error) from None
        # Asked last as well: a connection that was cut may look like an answer's proper end.
        if self.left_s() <= 0:
            got = f"had sent {len(content) / MEGABYTE:.3g} MB" if content else "had not answered"
            raise RefusedError(f"{got} when budget_s = {self._budget_s:g} was over", stops=True)
        if response.status_code in NOTHING_NEW:
            return None, mark or PageMark(digest=fingerprint)
        _refuse_web_page(bytes(content[:2000]), response.headers.get("Content-Type", ""))
        if not content:
            raise RefusedError("sent an empty answer")
        new = PageMark(
            digest=fingerprint,
            content=digest(content),
            etag=response.headers.get("ETag", ""),
            last_modified=_settled(response.headers),
        )
        return None if mark and mark.content == new.content else bytes(content), new

    def _fill(self, content: bytearray, response: requests.Response) -> None:
        """Read an answer's body as it comes. Anything but read1 would wait until a whole chunk is there."""
        while (chunk := response.raw.read1(65_536, decode_content=True)) and self.left_s() > 0:
            content += chunk
            if len(content) > self._limit:
                limit = f"max_mb = {self._limit / MEGABYTE:g}"
                raise RefusedError(f"sent more than {limit}; ask for less, or raise it")

    def _follow(self, address: str, conditions: Mapping[str, str]) -> requests.Response:
        """Return the answer after any redirections; what is secret goes to the host it was meant for only."""
        here = urlsplit(address)
        for _ in range(MOVES + 1):
            response = self._session.get(
                address,
                headers={"User-Agent": "watchman", **self._headers, **conditions},
                timeout=(min(CONNECT_S, self.left_s() or 0.001), self.left_s() or 0.001),
                allow_redirects=False,
                stream=True,
            )
            if not response.is_redirect:
                return response
            response.close()
            address = urljoin(address, response.headers["location"])
            there = urlsplit(address)
            less_safe = there.hostname != here.hostname or (here.scheme, there.scheme) == ("https", "http")
            if less_safe and self._headers:
                place = f"{there.scheme}://{there.hostname}"
                raise RefusedError(f"has moved to {place}; write that address if its token may go there", stops=True)
        raise RefusedError("sends us from one address to the next without end", stops=True)


class Line:
    """The sockets in use, so that another thread can cut them.

    A duplicate of each is kept: shutting it down ends the connection whatever layer reads from it just then, be it a
    TLS handshake, a header or a body.
    """

    def __init__(self) -> None:
        self.is_cut = False
        self._lock = threading.Lock()
        self._twins: list[socket.socket] = []

    def add(self, line: socket.socket) -> None:
        """Note a socket that has just connected; after the cut it is cut at once."""
        with self._lock:
            self._twins.append(line.dup())
            if len(self._twins) > LINES_OPEN:
                self._twins.pop(0).close()
        if self.is_cut:
            self.cut()

    def cut(self) -> None:
        """End every connection, now and from now on."""
        with self._lock:
            self.is_cut = True
            for twin in self._twins:
                with contextlib.suppress(OSError):  # it may have ended by itself
                    twin.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Let the sockets go."""
        with self._lock:
            for twin in self._twins:
                twin.close()
            self._twins.clear()


class _Adapter(HTTPAdapter):
    """The usual adapter, whose connections enter the line."""

    def __init__(self, line: Line) -> None:
        class Plain(HTTPConnection):
            def _new_conn(self) -> socket.socket:
                made = super()._new_conn()
                line.add(made)
                return made

        class Secure(HTTPSConnection):
            def _new_conn(self) -> socket.socket:
                made = super()._new_conn()
                line.add(made)
                return made

        plain_pool = type("PlainPool", (HTTPConnectionPool,), {"ConnectionCls": Plain})
        secure_pool = type("SecurePool", (HTTPSConnectionPool,), {"ConnectionCls": Secure})
        self._pools = {"http": plain_pool, "https": secure_pool}
        super().__init__()

    def init_poolmanager(self, *arguments: Any, **options: Any) -> None:
        super().init_poolmanager(*arguments, **options)
        self.poolmanager.pool_classes_by_scheme = self._pools

    def proxy_manager_for(self, *arguments: Any, **options: Any) -> Any:
        manager = super().proxy_manager_for(*arguments, **options)
        manager.pool_classes_by_scheme = self._pools
        return manager


def pieces(
    source: DocumentSource, aliases: Mapping[str, int], memory: FetchMemory, now: datetime
) -> Iterator[Piece | Fault]:
    """Yield each page's new content: one, or one a station, all within the source's budget."""
    moment = int(now.timestamp())
    if moment < memory.not_before <= moment + LONGEST_WAIT_S:
        until = datetime.fromtimestamp(memory.not_before, UTC)
        yield Fault(source.name, f"{shown(source.place)} asked us to wait until {until:%H:%M:%S} UTC", stops=True)
        return
    with Door(source.budget_s, source.max_mb * MEGABYTE, _headers(source)) as door:
        for station in _turns(aliases, memory.ask_next) if source.per_station else ("",):
            address = _address(source, station, memory, moment)
            label = f"{shown(address)} (station {station})" if station else shown(address)
            try:
                content, mark = door.get(address, memory.pages.get(station))
            except RefusedError as refusal:
                wait_s = min(round(refusal.wait_s or 0), LONGEST_WAIT_S)
                yield Fault(label, f"{label} {refusal}", stops=refusal.stops, wait_s=wait_s, ask_next=station)
                if refusal.stops:
                    return
            else:
                yield Piece(station, label, station, content, station not in memory.pages, mark)


def shown(address: str) -> str:
    """Return an address without what may be secret in it: scheme, host and path only."""
    parts = urlsplit(address)
    port = f":{parts.port}" if parts.port else ""
    return f"{parts.scheme}://{parts.hostname}{port}{parts.path}"


def _headers(source: DocumentSource) -> dict[str, str]:
    headers = {name: value.get_secret_value() for name, value in source.headers.items()}
    if source.token and "{token}" not in source.place:
        headers.setdefault("Authorization", f"Bearer {source.token.get_secret_value()}")
    return headers


def _turns(aliases: Mapping[str, int], ask_next: str) -> list[str]:
    """Return one name a station, beginning after the one at which the time ran out."""
    one_each = {place: name for name, place in reversed(list(aliases.items()))}
    names = [name for name, place in aliases.items() if one_each[place] == name]
    begin = names.index(ask_next) + 1 if ask_next in names else 0
    return names[begin:] + names[:begin]


def _address(source: DocumentSource, station: str, memory: FetchMemory, now: int) -> str:
    def filled(match: re.Match[str]) -> str:
        if match[1] == "station":
            return quote(station, safe="")
        if match[1] == "token":
            return quote(source.token.get_secret_value() if source.token else "", safe="")
        since = datetime.fromtimestamp(memory.since(source, station, now), UTC)
        return quote(source.since(since, match[2]), safe=":")

    return PLACEHOLDER.sub(filled, source.place)


def _judge(response: requests.Response) -> None:
    """Raise RefusedError, in words, unless the answer's status is good."""
    status = response.status_code
    if status == 200 or status in NOTHING_NEW:
        return
    if status in TRY_LATER:
        wait_s = _retry_after(response.headers)
        asked = "" if wait_s is None else f", and asked us to wait {wait_s:.0f} s"
        raise RefusedError(f"is overloaded or down (HTTP {status}){asked}", again=True, stops=True, wait_s=wait_s)
    if status in (401, 403, 407):
        raise RefusedError(f"refused us (HTTP {status}): the token is wrong or missing")
    if status in (404, 410):
        raise RefusedError(f"has nothing there (HTTP {status}): check the address")
    raise RefusedError(f"answered HTTP {status} instead of data")


def _retry_after(headers: Mapping[str, str]) -> float | None:
    """Return how long the server asks us to wait [s] (RFC 9110, 10.2.3): seconds, or a date by the server's clock."""
    text = headers.get("Retry-After", "").strip()
    if text.isdigit():
        return float(text[:9])
    try:
        until = parsedate_to_datetime(text)
        server_now = parsedate_to_datetime(headers.get("Date", ""))
        return max(0.0, (until - server_now).total_seconds())
    except (TypeError, ValueError):
        return None


def _in_words(error: Exception) -> RefusedError:
    """Return what went wrong on the way in words, without the address (it may hold a secret)."""
    chain: list[BaseException] = [error]
    while following := _cause(chain[-1]):
        chain.append(following)
    kinds = {type(link).__name__ for link in chain}
    if isinstance(error, requests.exceptions.SSLError):
        return RefusedError("has a certificate that can't be trusted", stops=True)
    if kinds & {"NameResolutionError", "gaierror"}:
        return RefusedError("can't be found: no such name, or no link to the name server", again=True, stops=True)
    if isinstance(error, requests.ConnectTimeout):
        return RefusedError("didn't accept a connection in time", again=True, stops=True)
    if kinds & {"ReadTimeoutError", "ReadTimeout"}:
        return RefusedError("stopped answering", again=True, stops=True)
    if kinds & {"IncompleteRead", "ProtocolError"} and not kinds & {"ConnectionRefusedError"}:
        return RefusedError("broke off before its answer was complete", again=True)
    if kinds & {"DecodeError", "ContentDecodingError"}:
        return RefusedError("sent an answer whose compression is broken", again=True)
    system = next((link.strerror for link in reversed(chain) if isinstance(link, OSError) and link.strerror), "")
    if system:
        return RefusedError(f"can't be reached: {system.lower()}", again=True, stops=True)
    return RefusedError(f"can't be asked ({type(error).__name__})", stops=True)


def _cause(error: BaseException) -> BaseException | None:
    """Return the error behind an error: its cause, its reason, or the error it carries."""
    carried = [getattr(error, "reason", None), *error.args]
    behind = [error.__cause__, error.__context__, *carried]
    return next((found for found in behind if isinstance(found, BaseException)), None)


def _refuse_web_page(beginning: bytes, content_type: str) -> None:
    text = beginning.decode("utf-8", "replace").lstrip("\ufeff \t\r\n")
    if text[:9].lower() == "<!doctype" or text[:5].lower() == "<html" or (text[:1] == "<" and "html" in content_type):
        title = re.search(r"<title[^>]*>(.*?)</title>", text, re.IGNORECASE | re.DOTALL)
        named = f" ({' '.join(title[1].split())[:60]!r})" if title else ""
        raise RefusedError(f"sent a web page{named} instead of data; perhaps it wants a login, or the address is wrong")


def _settled(headers: Mapping[str, str]) -> str:
    """Return when an answer last changed, if it may be asked by: "" when that was within two seconds of the answer.

    Such times are whole seconds, so what changes again within the same one would never be seen (RFC 9110, 8.8.2.2).
    """
    changed = headers.get("Last-Modified", "")
    try:
        age = parsedate_to_datetime(headers.get("Date", "")) - parsedate_to_datetime(changed)
    except (TypeError, ValueError):
        return changed
    return changed if age.total_seconds() >= 2 else ""

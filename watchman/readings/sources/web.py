"""The one door to HTTP for sources: an asking has a time budget, a size limit and a rate that hold against any answer.

A read timeout bounds the wait for the next byte only, so a server that drips bytes, in its headers or its body, could
hold a fetch for hours. Here a timer cuts the connection itself when the budget is spent.
"""

from __future__ import annotations

import contextlib
import logging
import math
import re
import socket
import ssl
import threading
import time
import zlib
from base64 import b64encode
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from http.client import HTTPException
from pathlib import Path
from typing import Any, Self
from urllib.parse import urljoin, urlsplit

import requests
import urllib3
from requests.adapters import HTTPAdapter
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool

from watchman.readings.sources.memory import FetchMemory, PageMark, digest
from watchman.readings.sources.pieces import Fault
from watchman.readings.sources.settings import DocumentSource

# It logs whole addresses, with the secrets in them: as warnings what it calls trouble, in detail every asking.
logging.getLogger("urllib3").setLevel(logging.ERROR)

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
MINUTE_S = 60.0
ASK = "ask whoever runs it"
AGAIN = f"; it is asked again, and if that goes on, {ASK}"


class RefusedError(Exception):
    """A page can't be had; what was found, and what to do about it.

    again: another attempt may help; stops: it concerns the whole server; too_much: less at once could be had;
    nothing_there: the server knows no such page.
    """

    def __init__(
        self,
        sentence: str,
        *,
        again: bool = False,
        stops: bool = False,
        wait_s: float | None = None,
        too_much: bool = False,
        nothing_there: bool = False,
    ) -> None:
        super().__init__(sentence)
        self.again, self.stops, self.wait_s = again, stops, wait_s
        self.too_much, self.nothing_there = too_much, nothing_there


class NotNowError(Exception):
    """A page may not be asked for within the budget, because of the rate. Nothing is wrong."""


class Rate:
    """At most so many askings in any minute. spent: when it was asked before, in seconds that `now` counts on from."""

    def __init__(self, a_minute: int | None, spent: Sequence[float], now: float) -> None:
        self._a_minute = a_minute
        self._spent = [at for at in spent if now - MINUTE_S < at <= now]

    def wait_s(self, now: float) -> float:
        """Return how long to wait before the next asking [s]."""
        if self._a_minute is None or len(self._spent) < self._a_minute:
            return 0.0
        return max(0.0, self._spent[-self._a_minute] + MINUTE_S - now)

    def note(self, now: float) -> None:
        """Note an asking."""
        if self._a_minute is not None:
            self._spent = [*self._spent[-self._a_minute + 1 :], now] if self._a_minute > 1 else [now]

    def spent(self) -> tuple[float, ...]:
        """Return when it was asked, rounded up to a millisecond."""
        return tuple(math.ceil(1000 * at) / 1000 for at in self._spent)


class Door:
    """Asks for pages within one time budget [s], size limit [bytes] and rate; use as a context.

    headers: they are taken for secret. certificate: a file with the only ones to trust. rate: it counts on from
    now [s]. clock and sleep: the machine's own, unless a test stands in for them. following: where the last answer's
    Link header says that it goes on, or "".
    """

    def __init__(
        self,
        budget_s: float,
        limit: float,
        headers: Mapping[str, str],
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
        *,
        certificate: Path | None = None,
        rate: Rate | None = None,
        now: float = 0.0,
    ) -> None:
        self._budget_s, self._limit, self._headers = budget_s, limit, headers
        self._clock, self._sleep = clock, sleep
        self._certificate, self._rate, self._now = certificate, rate or Rate(None, (), now), now
        self.following = ""
        self._begun = clock()
        self._ends = self._begun + budget_s
        self._line = Line()
        self._timer = threading.Timer(budget_s, self._line.cut)
        self._timer.daemon = True
        self._session = requests.Session()
        # Else a .netrc file of whoever runs us would take the place of our own headers.
        self._session.auth = lambda request: request
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

    def spent(self) -> tuple[float, ...]:
        """Return when it was asked lately, where a rate is to be kept."""
        return self._rate.spent()

    def get(self, address: str, mark: PageMark | None, home: str = "") -> tuple[bytes | None, PageMark]:
        """Return a page (None when the mark remembers it as it is) and its mark.

        home: the address whose server the headers are meant for, when it isn't this one. Raises RefusedError in words,
        NotNowError when the rate leaves no time for it.
        """
        wait = FIRST_WAIT_S
        for attempt in range(1, ATTEMPTS + 1):
            try:
                return self._once(address, mark, home or address)
            except RefusedError as refusal:
                pause = wait if refusal.wait_s is None else refusal.wait_s
                if attempt == ATTEMPTS or not refusal.again or pause >= self.left_s():
                    raise
                self._sleep(pause)
                wait *= 2
        raise AssertionError("the last attempt returns or raises")

    def _wait_for_the_rate(self) -> None:
        pause = self._rate.wait_s(self._now + self._clock() - self._begun)
        if pause >= self.left_s():
            raise NotNowError
        if pause:
            self._sleep(pause)

    def _once(self, address: str, mark: PageMark | None, home: str) -> tuple[bytes | None, PageMark]:
        fingerprint = digest(address.encode())
        conditions = {}
        if mark and mark.digest == fingerprint:
            conditions = {"If-None-Match": mark.etag, "If-Modified-Since": mark.last_modified}
        content = bytearray()
        try:
            if self.left_s() > 0:
                self._wait_for_the_rate()
                if self._certificate is not None and not self._certificate.is_file():
                    raise RefusedError(f"can't be asked: there is no certificate {self._certificate}", stops=True)
                wanted = {key: value for key, value in conditions.items() if value}
                with self._follow(address, wanted, home) as response:
                    _judge(response)
                    self._fill(content, response)
                    self.following = response.links.get("next", {}).get("url", "")
        except (requests.RequestException, urllib3.exceptions.HTTPError, OSError, ValueError) as error:
            if self.left_s() > 0:
                raise _in_words(error) from None
        # Asked last as well: a connection that was cut may look like an answer's proper end.
        if self.left_s() <= 0:
            over = f"when budget_s = {self._budget_s:g} was over"
            if not content:
                raise RefusedError(f"had not answered {over}{AGAIN}", stops=True, too_much=True)
            got = f"had sent {len(content) / MEGABYTE:.3g} MB {over}"
            raise RefusedError(f"{got}; ask for less at a time, or raise budget_s", stops=True, too_much=True)
        if response.status_code in NOTHING_NEW:
            return None, mark or PageMark(digest=fingerprint)
        content = _unpacked(content, self._limit)
        _refuse_web_page(bytes(content[:2000]), response.headers.get("Content-Type", ""))
        if not content:
            raise RefusedError(f"sent an empty answer, without so much as a header line{AGAIN}", nothing_there=True)
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
                raise _too_big(self._limit)

    def _follow(self, address: str, conditions: Mapping[str, str], home: str) -> requests.Response:
        """Return the answer after any redirections; what is secret goes to the server it was meant for only."""
        secret = self._headers if _at_home(home, address) else {}
        for _ in range(MOVES + 1):
            self._rate.note(self._now + self._clock() - self._begun)
            response = self._session.get(
                address,
                headers={"User-Agent": "watchman", **secret, **conditions},
                timeout=(min(CONNECT_S, self.left_s() or 0.001), self.left_s() or 0.001),
                allow_redirects=False,
                stream=True,
                verify=str(self._certificate) if self._certificate else True,
            )
            if not response.is_redirect:
                return response
            response.close()
            before, address = address, urljoin(address, response.headers["location"])
            there = urlsplit(address)
            place = f"{there.scheme}://{there.netloc.rpartition('@')[2]}"
            if (urlsplit(before).scheme, there.scheme) == ("https", "http"):
                said = f"has moved to {place}, where anybody on the way can change what it says; {ASK}"
                raise RefusedError(said, stops=True)
            if secret and not _at_home(before, address):
                raise RefusedError(f"has moved to {place}; write that address if its token may go there", stops=True)
        said = "sends us from one address to the next without end"
        raise RefusedError(f"{said}; check the address, or {ASK}", stops=True)


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


def asked_to_wait(source: DocumentSource, memory: FetchMemory, now: int) -> Fault | None:
    """Return the fault that the server asked us to stay away until later than now [s since 1970 UTC], or None."""
    if not now < memory.not_before <= now + LONGEST_WAIT_S:
        return None
    until = datetime.fromtimestamp(memory.not_before, UTC)
    return Fault(source.name, f"{shown(source.place)} asked us to wait until {until:%H:%M:%S} UTC", stops=True)


def door_of(source: DocumentSource, folder: Path = Path(), memory: FetchMemory | None = None, now: float = 0.0) -> Door:
    """Return a door with the source's budget, size limit, rate and credentials. now [s since 1970 UTC]."""
    return Door(
        source.budget_s,
        source.max_mb * MEGABYTE,
        _headers(source),
        certificate=folder / source.certificate if source.certificate else None,
        rate=Rate(source.askings_per_minute, memory.spent if memory else (), now),
        now=now,
    )


def fault_of(label: str, refusal: RefusedError, ask_next: str = "") -> Fault:
    """Return a refusal as the fault of what the label names."""
    wait_s = min(round(refusal.wait_s or 0), LONGEST_WAIT_S)
    return Fault(label, f"{label} {refusal}", stops=refusal.stops, wait_s=wait_s, ask_next=ask_next)


def shown(address: str) -> str:
    """Return an address without what may be secret in it: scheme, host and path only."""
    parts = urlsplit(address)
    port = f":{parts.port}" if parts.port else ""
    return f"{parts.scheme}://{parts.hostname}{port}{parts.path}"


def _headers(source: DocumentSource) -> dict[str, str]:
    headers = {name: value.get_secret_value() for name, value in source.headers.items()}
    if source.user and source.password:
        login = f"{source.user.get_secret_value()}:{source.password.get_secret_value()}"
        headers["Authorization"] = f"Basic {b64encode(login.encode()).decode()}"
    if source.token and "{token}" not in source.place:
        headers.setdefault("Authorization", f"Bearer {source.token.get_secret_value()}")
    return headers


def _at_home(home: str, address: str) -> bool:
    """Say whether what is secret at one address may go to another: the same server, or the same made safe by TLS."""
    here, there = urlsplit(home), urlsplit(address)
    if here.hostname != there.hostname:
        return False
    usual = {"http": 80, "https": 443}
    here_port, there_port = (parts.port or usual.get(parts.scheme) for parts in (here, there))
    if here.scheme == there.scheme:
        return here_port == there_port
    return (here.scheme, here_port, there.scheme, there_port) == ("http", 80, "https", 443)


def _too_big(limit: float) -> RefusedError:
    sentence = f"sent more than max_mb = {limit / MEGABYTE:g}; ask for less, or raise it"
    return RefusedError(sentence, too_much=True)


def _unpacked(content: bytearray, limit: float) -> bytearray:
    """Return what a .gz file holds (RFC 1952), at most the limit [bytes]; anything else as it is."""
    if content[:3] != b"\x1f\x8b\x08":
        return content
    packed, whole = bytes(content), bytearray()
    while packed.strip(b"\0"):
        part = zlib.decompressobj(wbits=31)
        try:
            whole += part.decompress(packed, int(limit) + 1 - len(whole))
        except zlib.error:
            raise RefusedError(f"sent an answer whose compression is broken{AGAIN}", again=True) from None
        if len(whole) > limit:
            raise _too_big(limit)
        if not part.eof:
            raise RefusedError(f"broke off before its answer was complete{AGAIN}", again=True)
        packed = part.unused_data
    return whole


SAID = {
    400: "did not understand us (HTTP 400): check the address and what stands in its braces",
    401: "refused us (HTTP 401): the token or password is missing, wrong, or no longer valid; renew the secret",
    403: f"refused us (HTTP 403): the token or password is missing, or may not read this; {ASK}",
    404: "has nothing there (HTTP 404): check the address, and the station's id or alias if it stands in it",
    407: "can't be reached: a proxy on the way wants a password (HTTP 407); ask who runs your network",
    410: f"has been taken away for good (HTTP 410): {ASK} for the new address",
    429: "is asked too often (HTTP 429){asked}; raise every_s, or set askings_per_minute",
    500: f"has a fault of its own (HTTP 500){AGAIN}",
}


def _judge(response: requests.Response) -> None:
    """Raise RefusedError, in words, unless the answer's status is good."""
    status = response.status_code
    if status == 200 or status in NOTHING_NEW:
        return
    if status in TRY_LATER:
        wait_s = _retry_after(response.headers)
        asked = "" if wait_s is None else f", and asked us to wait {wait_s:.0f} s"
        sentence = SAID.get(status, f"is overloaded or down (HTTP {status}){{asked}}{AGAIN}").format(asked=asked)
        raise RefusedError(sentence, again=True, stops=True, wait_s=wait_s)
    sentence = SAID.get(status, f"answered HTTP {status} instead of data; check the address, or {ASK}")
    raise RefusedError(sentence, nothing_there=status in (404, 410, 416))


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


CHECK = "; check the address, and this machine's link"


def _in_words(error: Exception) -> RefusedError:
    """Return what went wrong on the way in words, without the address (it may hold a secret)."""
    chain: list[BaseException] = [error]
    while following := _cause(chain[-1]):
        chain.append(following)
    kinds = {type(link).__name__ for link in chain}
    if isinstance(error, requests.exceptions.SSLError):
        return _about_the_certificate(chain)
    if kinds & {"NameResolutionError", "gaierror"}:
        said = f"can't be found: no such name, or no link to the name server{CHECK}"
        return RefusedError(said, again=True, stops=True)
    if isinstance(error, requests.ConnectTimeout):
        return RefusedError(f"didn't accept a connection in time{CHECK}", again=True, stops=True)
    if kinds & {"ReadTimeoutError", "ReadTimeout"}:
        return RefusedError(f"stopped answering{AGAIN}", again=True, stops=True)
    if "LineTooLong" in kinds or any(type(link) is HTTPException for link in chain):
        return RefusedError(f"sent more headers than any answer needs; check the address, or {ASK}", stops=True)
    if kinds & {"IncompleteRead", "ProtocolError"} and not kinds & {"ConnectionRefusedError"}:
        return RefusedError(f"broke off before its answer was complete{AGAIN}", again=True)
    if kinds & {"DecodeError", "ContentDecodingError"}:
        return RefusedError(f"sent an answer whose compression is broken{AGAIN}", again=True)
    system = next((link.strerror for link in reversed(chain) if isinstance(link, OSError) and link.strerror), "")
    if system:
        return RefusedError(f"can't be reached: {system.lower()}{CHECK}", again=True, stops=True)
    return RefusedError(f"can't be asked ({type(error).__name__}); check the address, or {ASK}", stops=True)


EXPIRED, NOT_YET, SELF_SIGNED, WRONG_NAMES = 10, 9, (18, 19), (62, 64)
"""What OpenSSL calls what is wrong with a certificate (its header x509_vfy.h, from memory)."""


def _about_the_certificate(chain: Sequence[BaseException]) -> RefusedError:
    found = next((link for link in chain if isinstance(link, ssl.SSLCertVerificationError)), None)
    code = found.verify_code if found else 0
    if code in (EXPIRED, NOT_YET):
        when = "has expired" if code == EXPIRED else "is not valid yet"
        said = f"has a certificate that {when}: look at this machine's clock; if it is right, {ASK} to renew it"
    elif code in WRONG_NAMES:
        said = f"has a certificate that is for another name: check the address, or {ASK}"
    elif code in SELF_SIGNED:
        said = f"has a certificate that nobody but itself vouches for: {ASK} for it, and name its file as certificate"
    elif found:
        said = f"has a certificate that can't be trusted, for its issuer isn't known here: {ASK}"
    else:
        said = f"and we found no safe way to speak (TLS): check the address and its port, or {ASK}"
    return RefusedError(said, stops=True)


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

"""Notices go out to real servers of our own: mail by SMTP, texts by HTTP, each fate told from the others."""

from __future__ import annotations

import asyncio
import email
import logging
import socket
import ssl
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from email.message import EmailMessage
from email.policy import default
from email.utils import format_datetime, parsedate_to_datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from io import StringIO
from json import loads
from pathlib import Path
from time import monotonic
from typing import Any, cast

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session
from pydantic import SecretStr

from tests.telling.veldran import network
from watchman.links import stop_link
from watchman.model import EventKind, Fate, Notice, Outcome
from watchman.settings import BoardSettings, Contact, MailSettings
from watchman.telling.channels import Channels, Patience, letter, understands

# apprise loads a library that loads a module Python is about to lose.
pytestmark = pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")

NOW = datetime(2025, 10, 21, 2, 14, 30, tzinfo=UTC)

NOTICE = Notice(
    number=7,
    occasion="alarm:41:1",
    person="tech-1",
    channel="mail",
    kind="fault",
    due_at=NOW,
    made_at=NOW,
    alarm=41,
    subject="Fennick Br silent since 02:10",
    text="Fennick Br silent since 02:10.\n\nAcknowledge: https://watch.example.org/a/41\n",
    html='<p>Fennick Br silent since <b>02:10</b>. <a href="https://watch.example.org/a/41">Acknowledge</a></p>',
    message_id="<wm.5f2a@example.org>",
    references="<wm.alarm-41@example.org>",
)

TECHNICIAN = Contact(name="tech-1", roles=("technician",), mail="tech-1@example.org")

FORGED = "<a@b>\r\nBcc: other@example.org"

SHORT = Patience(connect_s=0.3, answer_s=0.3, whole_s=0.6)


class Post:
    """A mail server's own view: what it accepted, and how it answers before it does."""

    def __init__(self, rcpt: str = "250 OK", data: str = "250 Queued as 1") -> None:
        self.rcpt = rcpt
        self.data = data
        self.received: list[bytes] = []
        self.logins: list[tuple[str, str]] = []

    async def handle_RCPT(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        envelope.rcpt_tos.append(address)
        return self.rcpt

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        if self.data.startswith("250"):
            assert isinstance(envelope.content, bytes)
            self.received.append(envelope.content)
        if self.data == "hang up":
            cast(asyncio.Transport, server.transport).abort()
        return self.data

    def check(self, server: SMTP, session: Session, envelope: Envelope, mechanism: str, told: Any) -> AuthResult:
        """Accept one user with one password."""
        assert isinstance(told, LoginPassword)
        self.logins.append((told.login.decode(), told.password.decode()))
        return AuthResult(success=self.logins[-1] == ("watch", "p@ss/w#?rd %41"), handled=False)


class MailServer(Controller):
    """A mail server on a port of its own choice."""

    def _trigger_server(self) -> None:
        self.port = cast(asyncio.Server, self.server).sockets[0].getsockname()[1]
        super()._trigger_server()  # type: ignore[no-untyped-call]


@pytest.fixture
def serve() -> Iterator[Callable[..., int]]:
    """Start mail servers; each call returns the port of one more."""
    servers: list[MailServer] = []

    def start(post: Post, **settings: Any) -> int:
        server = MailServer(post, hostname="localhost", port=0, **settings)
        server.start()
        servers.append(server)
        return int(server.port)

    yield start
    for server in servers:
        server.stop()


@pytest.fixture(scope="session")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A certificate for "localhost" that we signed ourselves, its key in the same file."""
    pem = tmp_path_factory.mktemp("tls") / "localhost.pem"
    make = "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2 -subj /CN=localhost"
    command = [*make.split(), "-addext", "subjectAltName=DNS:localhost", "-keyout", str(pem), "-out", "-"]
    made = subprocess.run(command, check=True, capture_output=True)
    pem.write_bytes(pem.read_bytes() + made.stdout)
    return pem


@pytest.fixture
def tls(certificate: Path) -> ssl.SSLContext:
    """The server's side of TLS."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate)
    return context


@pytest.fixture
def trusted(certificate: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Our own certificate is trusted for the length of a test."""
    monkeypatch.setenv("SSL_CERT_FILE", str(certificate))


def channels(port: int = 0, patience: Patience | None = None, **mail: Any) -> Channels:
    """Return the ways out of a network whose mail server, if any, is on this port."""
    written = {"host": "localhost", "port": port, "security": "none", "sender": "watch@example.org"} | mail
    return Channels(network(mail=MailSettings.model_validate(written) if port else None), patience)


def post(port: int, notice: Notice = NOTICE, contact: Contact = TECHNICIAN, **mail: Any) -> Outcome:
    """Send one mail."""
    return channels(port, SHORT, **mail).send(notice, contact, "mail", NOW)


def read(raw: bytes) -> EmailMessage:
    message = email.message_from_bytes(raw, policy=default)
    assert isinstance(message, EmailMessage)
    return message


def body(message: EmailMessage, kind: str) -> str:
    """Return one part's words, whose lines end with CR LF on the way (RFC 5322)."""
    part = message.get_body((kind,))
    assert part is not None
    return str(part.get_content()).replace("\r\n", "\n")


def test_mail_is_delivered(serve: Callable[..., int]) -> None:
    """A mail arrives with one Message-ID for good, its thread, both parts as written, and a warning to machines."""
    mailbox = Post()

    outcome = post(serve(mailbox))

    assert outcome == Outcome(Fate.ACCEPTED, "250 Queued as 1")
    message = read(mailbox.received[0])
    assert message.get_all("Message-ID") == ["<wm.5f2a@example.org>"]
    assert message["In-Reply-To"] == "<wm.alarm-41@example.org>"
    assert message["References"] == "<wm.alarm-41@example.org>"
    assert message["Auto-Submitted"] == "auto-generated"
    assert parsedate_to_datetime(message["Date"]) == NOW
    assert message["From"] == "Veldran Hills <watch@example.org>"
    assert message["To"] == "tech-1@example.org"
    assert message["Subject"] == "Fennick Br silent since 02:10"
    assert message.get_content_type() == "multipart/alternative"
    assert [part.get_content_type() for part in message.iter_parts()] == ["text/plain", "text/html"]
    assert body(message, "plain") == NOTICE.text
    assert body(message, "html") == NOTICE.html + "\n"


def test_mail_beyond_ascii_is_read_back(serve: Callable[..., int]) -> None:
    """Words in any script, long lines and lines that begin with a dot arrive as they were written."""
    mailbox = Post()
    text = "Große Höhe: 12 °C ≥ limit 雨\n.\n..two dots\n" + "long " * 400 + "\n"

    outcome = post(serve(mailbox), replace(NOTICE, subject="Große Höhe – ≥ 25 mm " * 8, text=text, html=""))

    assert outcome.fate is Fate.ACCEPTED
    message = read(mailbox.received[0])
    assert body(message, "plain") == text
    assert message["Subject"] == " ".join(("Große Höhe – ≥ 25 mm " * 8).split())
    assert max(len(line) for line in mailbox.received[0].splitlines()) <= 998


def test_no_header_from_a_subject(serve: Callable[..., int]) -> None:
    """A line end in a subject can't begin a header of its own."""
    mailbox = Post()

    post(serve(mailbox), replace(NOTICE, subject="Dry\r\nBcc: other@example.org\n\nbody"))

    message = read(mailbox.received[0])
    assert message["Subject"] == "Dry Bcc: other@example.org body"
    assert message["Bcc"] is None


def test_where_replies_go() -> None:
    """Into the box that is read, where that is not the sender's own; an answer to an answer says that it is one."""
    given = (NOTICE, "Veldran Hills", "watch@example.org", "t@example.org", NOW)
    assert letter(*given, reply_to="replies@example.org")["Reply-To"] == "replies@example.org"
    assert letter(*given, reply_to="Watch@example.org")["Reply-To"] is None
    answered = replace(NOTICE, event=EventKind.ANSWERED.value)
    assert letter(answered, *given[1:])["Auto-Submitted"] == "auto-replied"


def test_one_click_ends_a_volunteers_notices() -> None:
    """The two headers of RFC 8058 stand whole, one a line, for a volunteer alone, and only where the page has TLS."""
    board = {"address": "https://watch.a-rather-long-name-of-a-network.example.org/board", "key": SecretStr("k" * 24)}
    host = Contact(name="host-1", roles=("volunteer host",), mail="host-1@example.org")
    tech = Contact(name="tech-1", roles=("volunteer host", "technician"), mail="tech-1@example.org")
    channels = Channels(network(board=BoardSettings.model_validate(board)))
    address = channels._stop_address(host)
    assert address == stop_link("k" * 24, str(board["address"]), "host-1")
    assert channels._stop_address(tech) == ""
    in_the_open = network(board=BoardSettings.model_validate({**board, "address": "http://watch.example.org"}))
    assert Channels(in_the_open)._stop_address(host) == ""

    raw = letter(NOTICE, "Veldran Hills", "w@example.org", "h@example.org", NOW, stop_address=address).as_bytes()
    assert f"\r\nList-Unsubscribe: <{address}>\r\n".encode() in raw
    assert b"\r\nList-Unsubscribe-Post: List-Unsubscribe=One-Click\r\n" in raw
    assert b"List-Unsubscribe" not in letter(NOTICE, "V", "w@example.org", "h@example.org", NOW).as_bytes()


@pytest.mark.parametrize("changed", [{"message_id": FORGED}, {"references": FORGED}])
def test_no_header_from_a_thread(changed: dict[str, Any]) -> None:
    """A line end in what names a thread is refused, not sent."""
    with pytest.raises(ValueError, match="line"):
        letter(replace(NOTICE, **changed), "Veldran Hills", "w@example.org", "t@example.org", NOW)


@pytest.mark.parametrize(
    ("answers", "fate", "detail"),
    [
        ({"rcpt": "550 No such user"}, Fate.REFUSED, "550 No such user"),
        ({"rcpt": "450 Greylisted, come back"}, Fate.LATER, "450 Greylisted, come back"),
        ({"rcpt": "451 Local error"}, Fate.LATER, "451 Local error"),
        ({"data": "554 No spam here"}, Fate.REFUSED, "554 No spam here"),
        ({"data": "452 Disk full"}, Fate.LATER, "452 Disk full"),
        ({"data": "421 Going down"}, Fate.LATER, "421 Going down"),
    ],
)
def test_replies(serve: Callable[..., int], answers: dict[str, str], fate: Fate, detail: str) -> None:
    """A refusal for good and a "not now" are told apart by the server's code, its words kept."""
    assert post(serve(Post(**answers))) == Outcome(fate, detail)


def test_lost_after_data(serve: Callable[..., int]) -> None:
    """When the server hangs up after it had the message, nobody knows whether it keeps it."""
    assert post(serve(Post(data="hang up"))).fate is Fate.UNKNOWN


def test_nobody_listens() -> None:
    """A closed port is no refusal: the server may be back soon."""
    with closing(socket.create_server(("127.0.0.1", 0))) as door:
        port = door.getsockname()[1]

    outcome = post(port, host="127.0.0.1")

    assert outcome.fate is Fate.LATER
    assert "refused" in outcome.detail.lower()


def test_silent_server_is_left() -> None:
    """A server that takes the connection and says nothing holds us no longer than our patience."""
    with closing(socket.create_server(("127.0.0.1", 0))) as door:
        began = monotonic()

        outcome = post(door.getsockname()[1], host="127.0.0.1")

    assert outcome.fate is Fate.LATER
    assert monotonic() - began < 2


@pytest.mark.parametrize("drip", [b"2", b"220-wait\r\n"])
def test_dripping_server_is_left(drip: bytes) -> None:
    """A server that says a little again and again is left when the whole attempt has lasted too long."""
    done = threading.Event()

    def server() -> None:
        connection, _ = door.accept()
        with connection:
            while not done.wait(0.02):
                try:
                    connection.sendall(drip)
                except OSError:
                    return

    with closing(socket.create_server(("127.0.0.1", 0))) as door:
        thread = threading.Thread(target=server)
        thread.start()
        began = monotonic()

        outcome = post(door.getsockname()[1], host="127.0.0.1")

        done.set()
        thread.join()
    assert outcome.fate is Fate.LATER
    assert monotonic() - began < 2


def test_one_bad_recipient_among_five(serve: Callable[..., int]) -> None:
    """One person's refused address leaves the other four's mail alone, each with its own fate."""
    port = serve(_Choosy())
    people = [Contact(name=f"p{i}", roles=("crew",), mail=f"p{i}@example.org") for i in range(5)]

    fates = [post(port, contact=person).fate for person in people]

    assert fates == [Fate.ACCEPTED, Fate.ACCEPTED, Fate.REFUSED, Fate.ACCEPTED, Fate.ACCEPTED]


class _Choosy(Post):
    async def handle_RCPT(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        envelope.rcpt_tos.append(address)
        return "550 No such user" if address.startswith("p2@") else "250 OK"


@pytest.mark.usefixtures("trusted")
def test_starttls_and_login(serve: Callable[..., int], tls: ssl.SSLContext) -> None:
    """STARTTLS with a trusted certificate, and a login whose password is written as it is, deliver a mail."""
    mailbox = Post()
    port = serve(mailbox, tls_context=tls, require_starttls=True, auth_required=True, authenticator=mailbox.check)

    outcome = post(port, security="starttls", user="watch", password=SecretStr("p@ss/w#?rd %41"))

    assert outcome.fate is Fate.ACCEPTED, outcome.detail
    assert mailbox.logins == [("watch", "p@ss/w#?rd %41")]


@pytest.mark.usefixtures("trusted")
def test_tls_from_the_start(serve: Callable[..., int], tls: ssl.SSLContext) -> None:
    """A server that speaks TLS from the first byte takes a mail too."""
    mailbox = Post()

    outcome = post(serve(mailbox, ssl_context=tls), security="tls")

    assert outcome.fate is Fate.ACCEPTED, outcome.detail
    assert len(mailbox.received) == 1


@pytest.mark.usefixtures("trusted")
def test_wrong_password_is_refused_and_kept_secret(serve: Callable[..., int], tls: ssl.SSLContext) -> None:
    """A wrong password is a refusal for good, and stands in no detail."""
    mailbox = Post()
    port = serve(mailbox, tls_context=tls, auth_required=True, authenticator=mailbox.check)

    outcome = post(port, security="starttls", user="watch", password=SecretStr("hunter2"))

    assert outcome == Outcome(Fate.REFUSED, "535 user or password not accepted")


@pytest.mark.usefixtures("trusted")
def test_password_beyond_ascii(serve: Callable[..., int], tls: ssl.SSLContext) -> None:
    """A password SMTP can't carry is a refusal that shows no letter of it."""
    mailbox = Post()
    port = serve(mailbox, tls_context=tls, auth_required=True, authenticator=mailbox.check)

    outcome = post(port, security="starttls", user="watch", password=SecretStr("pässword"))

    assert outcome == Outcome(Fate.REFUSED, "user and password must be plain ASCII")


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_untrusted_certificate_is_refused(serve: Callable[..., int], tls: ssl.SSLContext, security: str) -> None:
    """A certificate nobody vouches for gets no mail."""
    mailbox = Post()
    port = serve(mailbox, **({"tls_context": tls} if security == "starttls" else {"ssl_context": tls}))

    outcome = post(port, security=security)

    assert outcome.fate is Fate.REFUSED
    assert "certificate" in outcome.detail.lower()
    assert mailbox.received == []


def test_no_starttls_no_mail(serve: Callable[..., int]) -> None:
    """A server without STARTTLS gets nothing in the open when STARTTLS was asked for."""
    mailbox = Post()

    outcome = post(serve(mailbox), security="starttls")

    assert outcome == Outcome(Fate.REFUSED, "STARTTLS extension not supported by server.")
    assert mailbox.received == []


def test_unusable_addresses() -> None:
    """A person without an address, a network without mail and an address SMTP can't carry are refusals, not errors."""
    nobody = Contact(name="host-N", roles=("host",), chat=SecretStr("json://localhost/"))

    assert channels(25).send(NOTICE, nobody, "mail", NOW).fate is Fate.REFUSED
    assert channels().send(NOTICE, TECHNICIAN, "mail", NOW).detail == "network.toml has no [mail]"


def test_address_beyond_ascii(serve: Callable[..., int]) -> None:
    """An address plain SMTP can't carry is refused, so that the person is told another way."""
    person = Contact(name="j", roles=("crew",), mail="jürg@example.org")

    assert post(serve(Post()), contact=person).fate is Fate.REFUSED


class Gateway(BaseHTTPRequestHandler):
    """A text gateway that answers as its server is told to."""

    def do_POST(self) -> None:
        server = cast(GatewayServer, self.server)
        server.received.append(loads(self.rfile.read(int(self.headers["Content-Length"]))))
        if server.status == 0:
            self.connection.close()
            return
        if server.status == -1:
            server.release.wait(5)
            return
        if server.status == -2:
            while not server.release.wait(0.02):
                self.wfile.write(b"H")
            return
        self.send_response(server.status)
        for name, value in server.headers.items():
            self.send_header(name, value)
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, *args: Any) -> None:
        """Say nothing."""


class GatewayServer(ThreadingHTTPServer):
    """status: the HTTP status to answer; 0 hangs up, -1 never answers, -2 drips without end."""

    status = 200
    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), Gateway)
        self.received: list[dict[str, Any]] = []
        self.headers: dict[str, str] = {}
        self.release = threading.Event()


@pytest.fixture
def gateway() -> Iterator[GatewayServer]:
    with GatewayServer() as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        yield server
        server.release.set()
        server.shutdown()
        thread.join()


def text(
    port: int, words: str = "Fennick Br silent since 02:10", options: str = "", patience: Patience = SHORT
) -> Outcome:
    """Send one text through the gateway."""
    address = SecretStr(f"json://127.0.0.1:{port}/s3cret-token{options}")
    person = Contact(name="tech-1", roles=("technician",), text=address)
    return channels(patience=patience).send(replace(NOTICE, channel="text", text=words), person, "text", NOW)


def test_text_is_delivered(gateway: GatewayServer) -> None:
    """A text goes out whole, without a title, exactly as composed, whatever the address asks for."""
    words = "Rain 25 mm <in> 60 min & rising at Fennick Br :smile: \\n " + "x" * 40_000

    outcome = text(gateway.server_port, words, "?overflow=split&emojis=yes")

    assert outcome == Outcome(Fate.ACCEPTED)
    assert [(sent["message"], sent["title"]) for sent in gateway.received] == [(words, "")]


def test_text_is_no_html(gateway: GatewayServer) -> None:
    """A service that shows HTML gets the text as text: its angle brackets are no tags, its lines stay lines."""
    text(gateway.server_port, "Rain <2 mm\nat Hollin", "?format=html")

    assert [sent["message"] for sent in gateway.received] == ["Rain&nbsp;&lt;2&nbsp;mm<br/>at&nbsp;Hollin"]


@pytest.mark.parametrize(
    ("status", "headers", "expected"),
    [
        (429, {"Retry-After": "120"}, Outcome(Fate.LATER, "answered 429 Too Many Requests", 120)),
        (429, {}, Outcome(Fate.LATER, "answered 429 Too Many Requests")),
        (429, {"Retry-After": "soon"}, Outcome(Fate.LATER, "answered 429 Too Many Requests")),
        (503, {"Retry-After": "30"}, Outcome(Fate.LATER, "answered 503 Service Unavailable", 30)),
        (500, {}, Outcome(Fate.LATER, "answered 500 Internal Server Error")),
        (400, {}, Outcome(Fate.REFUSED, "answered 400 Bad Request")),
        (401, {}, Outcome(Fate.REFUSED, "answered 401 Unauthorized")),
        (499, {}, Outcome(Fate.REFUSED, "answered 499")),
    ],
)
def test_answers(gateway: GatewayServer, status: int, headers: dict[str, str], expected: Outcome) -> None:
    """A gateway's "not now" is told from its "never", and how long it asks us to wait is kept."""
    gateway.status, gateway.headers = status, headers

    assert text(gateway.server_port, options="?retry=3&wait=0") == expected
    assert len(gateway.received) == 1


def test_retry_after_a_date(gateway: GatewayServer) -> None:
    """A wait may be given as a date too."""
    gateway.status, gateway.headers = 503, {"Retry-After": format_datetime(datetime.now(UTC) + timedelta(seconds=90))}

    waits = text(gateway.server_port).retry_after_s

    assert waits is not None
    assert 80 <= waits <= 90


@pytest.mark.parametrize("status", [0, -1, -2])
def test_text_of_unknown_fate(gateway: GatewayServer, status: int) -> None:
    """A gateway that took the text and hung up, never answered or never ended may have sent it; nobody waits for it."""
    gateway.status = status
    began = monotonic()

    assert text(gateway.server_port).fate is Fate.UNKNOWN
    assert len(gateway.received) == 1
    assert monotonic() - began < 2


def test_each_answer_has_its_limit(gateway: GatewayServer) -> None:
    """A gateway that says nothing is left when its answer is overdue, long before the whole attempt would be."""
    gateway.status = -1
    began = monotonic()

    outcome = text(gateway.server_port, patience=replace(SHORT, answer_s=0.2, whole_s=30.0))

    assert outcome == Outcome(Fate.UNKNOWN, "no answer in time")
    assert monotonic() - began < 2


def test_no_gateway() -> None:
    """Without a connection nothing was sent: try later."""
    with closing(socket.create_server(("127.0.0.1", 0))) as door:
        port = door.getsockname()[1]

    assert text(port) == Outcome(Fate.LATER, "no connection")


def test_gateway_without_tls(gateway: GatewayServer) -> None:
    """A gateway that can't show a certificate is refused."""
    person = Contact(name="t", roles=("crew",), text=SecretStr(f"jsons://127.0.0.1:{gateway.server_port}/"))

    outcome = channels(patience=SHORT).send(replace(NOTICE, channel="text"), person, "text", NOW)

    assert outcome.fate is Fate.REFUSED
    assert gateway.received == []


@pytest.fixture
def log() -> Iterator[StringIO]:
    """What reaches the program's log, at its most talkative."""
    lines = StringIO()
    handler = logging.StreamHandler(lines)
    root, apprise = logging.getLogger(), logging.getLogger("apprise")
    root.addHandler(handler)
    apprise.setLevel(logging.DEBUG)
    yield lines
    apprise.setLevel(logging.NOTSET)
    root.removeHandler(handler)


def test_no_secret_in_a_detail(gateway: GatewayServer, log: StringIO) -> None:
    """What the address holds shows neither in the outcome nor in the log."""
    gateway.status = 403

    outcome = text(gateway.server_port, options="?+X-Key=abcd1234")

    assert outcome.detail == "answered 403 Forbidden"
    assert log.getvalue() == ""


def test_address_that_is_none() -> None:
    """An address apprise can't read is a refusal, and `understands` says so beforehand."""
    person = Contact(name="t", roles=("crew",), chat=SecretStr("nosuchservice://token"))

    assert channels().send(replace(NOTICE, channel="chat"), person, "chat", NOW).fate is Fate.REFUSED
    assert not understands("nosuchservice://token")
    assert understands("json://localhost/")

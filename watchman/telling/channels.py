"""Handing one notice to one person: apprise at arm's length for texts and chat, our own apprise plugin for mail.

apprise says only that something failed. What the outbox must know, whether trying again makes sense and whether the
notice may have arrived all the same, is read where it can still be seen: from the SMTP replies in our own plugin, and
for everything that goes by HTTP at the one door all of apprise's services go through, `requests.Session.send`.
"""

from __future__ import annotations

import contextlib
import logging
import smtplib
import socket
import ssl
from collections.abc import Callable
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import datetime
from email.headerregistry import Address, HeaderRegistry, UnstructuredHeader
from email.message import EmailMessage
from email.policy import SMTP, Policy
from email.utils import format_datetime
from functools import cached_property, wraps
from http import HTTPStatus
from threading import Timer
from typing import TYPE_CHECKING, Any

import requests
from apprise import Apprise, AppriseAsset, NotifyBase, NotifyFormat, NotifyType, OverflowMode
from apprise.result import AppriseResultStatus
from urllib3.exceptions import InvalidHeader, MaxRetryError
from urllib3.util import Retry

from watchman.links import stop_link
from watchman.model import EventKind, Fate, Notice, Outcome

if TYPE_CHECKING:
    from watchman.network import Network
    from watchman.settings import Contact, MailSettings

_LONGEST_DETAIL = 200
"""What is kept of a server's own words [characters]."""

_TRY_AGAIN = (HTTPStatus.REQUEST_TIMEOUT, HTTPStatus.TOO_EARLY, HTTPStatus.TOO_MANY_REQUESTS)
"""The client errors that pass by themselves (RFC 9110, RFC 8470, RFC 6585); every other one is our own to repair."""

# apprise's own log lines may hold a service's tokens and a person's number; what matters comes back as an Outcome.
logging.getLogger("apprise").propagate = False


@dataclass(frozen=True, slots=True)
class Patience:
    """How long one attempt may take: to connect, for each answer, and as a whole [s] (common practice, no source)."""

    connect_s: float = 5.0
    answer_s: float = 15.0
    whole_s: float = 30.0


class Channels:
    """The ways out to the people of one network."""

    def __init__(self, network: Network, patience: Patience | None = None) -> None:
        self._name = network.name
        self._mail = network.mail
        self._board = network.board
        box = network.answers.mail
        self._reply_to = box.user if box is not None and "@" in box.user else ""
        self._patience = patience or Patience()
        self._asset = _Asset(service_timeout=self._patience.whole_s)
        # Our own plugin ends in time by itself, and so needs none of apprise's few threads.
        self._mail_asset = _Asset(service_timeout=0)

    def send(self, notice: Notice, contact: Contact, channel: str, now: datetime) -> Outcome:
        """Hand the notice's frozen words to one person by "mail", "text" or "chat", and return what became of it.

        Trouble outside is an outcome, never an error, and the call ends within the patience.
        """
        address = contact.mail if channel == "mail" else getattr(contact, channel).get_secret_value()
        if not address:
            return Outcome(Fate.REFUSED, f"{contact.name} has no address for {channel}")
        if channel == "mail":
            return self._send_mail(notice, contact, address, now)
        return self._send_words(notice.text, address)

    def _stop_address(self, contact: Contact) -> str:
        """Return where a volunteer's mail program can stop all notices by one click; RFC 8058 asks for https."""
        board = self._board
        if board is None or not board.address.startswith("https://") or not contact.is_volunteer:
            return ""
        return stop_link(board.key.get_secret_value(), board.address, contact.name)

    def _send_mail(self, notice: Notice, contact: Contact, address: str, now: datetime) -> Outcome:
        if self._mail is None:
            return Outcome(Fate.REFUSED, "network.toml has no [mail]")
        try:
            message = letter(
                notice,
                self._name,
                self._mail.sender,
                address,
                now,
                reply_to=self._reply_to,
                stop_address=self._stop_address(contact),
            )
        except ValueError as mistake:
            return Outcome(Fate.REFUSED, _one_line(str(mistake)))
        plugin = MailPlugin(message, self._mail, self._patience, asset=self._mail_asset)
        self._notify(plugin, notice.text)
        return plugin.outcome

    def _send_words(self, text: str, address: str) -> Outcome:
        plugin = Apprise.instantiate(address, asset=self._asset)
        if plugin is None:
            return Outcome(Fate.REFUSED, "the address is not one that can be sent to")
        # Whatever the address says: the words go out whole and once; trying again is the outbox's business.
        plugin.overflow_mode = OverflowMode.UPSTREAM
        plugin.retry = 0
        plugin.optional = False
        plugin.socket_connect_timeout = self._patience.connect_s
        plugin.socket_read_timeout = self._patience.answer_s
        heard: list[Outcome] = []
        listening = _heard.set(heard)
        try:
            status = self._notify(plugin, text)
        finally:
            _heard.reset(listening)
        if status is AppriseResultStatus.SUCCESS:
            return Outcome(Fate.ACCEPTED)
        if status is AppriseResultStatus.TIMEOUT:
            return Outcome(Fate.UNKNOWN, "no answer in time")
        if not heard:
            return Outcome(Fate.LATER, f"{plugin.service_name} could not send, and gave no reason")
        if heard[-1].fate is Fate.ACCEPTED:
            return Outcome(Fate.REFUSED, f"{plugin.service_name} answered, but did not take it")
        return heard[-1]

    def _notify(self, plugin: NotifyBase, text: str) -> AppriseResultStatus:
        """Send by one service to one target; a fresh apprise object each time, for a kept one waits between sends."""
        target = Apprise(plugin, asset=plugin.asset)
        # Without a body format apprise takes text for HTML; with a title it may cut or split what people read.
        return target.notify(text, "", NotifyType.INFO, NotifyFormat.TEXT).status


class _Asset(AppriseAsset):
    """What goes out about the sender: no other program's name, pictures or addresses."""

    app_id = "watchman"
    app_desc = "rain-gauge watch"
    app_url = ""
    image_url_mask = ""
    image_url_logo = ""
    interpret_emojis = False  # type: ignore[assignment]


def understands(address: str) -> bool:
    """Say whether an address for texts or chat is one that can be sent to at all."""
    return Apprise.instantiate(address) is not None


class _Whole(UnstructuredHeader):
    """A header that is an address alone: folded into pieces it would be none (RFC 2369)."""

    def fold(self, *, policy: Policy) -> str:
        """Return the header as one line, however long."""
        return str(super().fold(policy=policy.clone(max_line_length=998)))  # type: ignore[misc]


_HEADERS = HeaderRegistry()
_HEADERS.map_to_type("list-unsubscribe", _Whole)  # type: ignore[arg-type]
LETTERS = SMTP.clone(cte_type="7bit", header_factory=_HEADERS)
"""How our mails are written down."""


def letter(
    notice: Notice,
    network_name: str,
    sender: str,
    recipient: str,
    now: datetime,
    *,
    reply_to: str = "",
    stop_address: str = "",
) -> EmailMessage:
    """Return a notice as a mail message (RFC 5322) that no machine should answer (RFC 3834).

    Its Message-ID is the notice's own, however often it is sent. reply_to: the box into which people reply, if it is
    another than the sender's. stop_address: where one click ends all notices to the recipient (RFC 2369, RFC 8058).
    Raises ValueError for an unusable address.
    """
    message = EmailMessage(policy=LETTERS)
    message["From"] = Address(network_name, addr_spec=sender)
    message["To"] = Address(addr_spec=recipient)
    message["Subject"] = " ".join(notice.subject.split())
    message["Date"] = format_datetime(now)
    message["Message-ID"] = notice.message_id
    if notice.references:
        message["In-Reply-To"] = notice.references.split()[-1]
        message["References"] = notice.references
    if reply_to and reply_to.lower() != sender.lower():
        message["Reply-To"] = Address(addr_spec=reply_to)
    message["Auto-Submitted"] = "auto-replied" if notice.event == EventKind.ANSWERED else "auto-generated"
    if stop_address:
        message["List-Unsubscribe"] = f"<{stop_address}>"
        message["List-Unsubscribe-Post"] = "List-Unsubscribe=One-Click"
    message.set_content(notice.text)
    if notice.html:
        message.add_alternative(notice.html, subtype="html")
    if (page := message.get_body(("html",))) is not None:
        for number, picture in enumerate(notice.pictures, 1):
            # Beside the page that shows it (RFC 2387), found there by its content id (RFC 2392).
            page.add_related(
                picture.png,
                "image",
                "png",
                cid=f"<{picture.name}>",
                disposition="inline",
                filename=f"picture-{number}.png",
            )
    return message


class MailPlugin(NotifyBase):  # type: ignore[no-untyped-call]
    """One mail message to one person by SMTP (RFC 5321); `outcome` says what became of it."""

    service_name = "Mail"  # type: ignore[assignment]
    request_rate_per_sec = 0

    def __init__(self, message: EmailMessage, mail: MailSettings, patience: Patience, **kwargs: Any) -> None:
        super().__init__(host=mail.host, **kwargs)  # type: ignore[no-untyped-call]
        # What holds if the connection breaks: nothing has been handed over yet.
        self.outcome = Outcome(Fate.LATER)
        self._message = message
        self._mail = mail
        self._patience = patience

    def url(self, *args: Any, **kwargs: Any) -> str:
        """Return what apprise may show of this target: its host alone."""
        return f"smtp://{self.host}"

    def send(self, *args: Any, **kwargs: Any) -> bool:
        """Hand over the message made beforehand, whatever apprise passes on, and say whether it was accepted."""
        client = _Client(self._mail, self._patience)
        # Each answer has its own limit, but a server that drips one byte at a time never meets it.
        end = Timer(self._patience.whole_s, client.hang_up)
        end.daemon = True
        end.start()
        try:
            self._hand_over(client)
        except smtplib.SMTPAuthenticationError as refusal:
            # Some servers repeat what was sent to them: their words stay out.
            self.outcome = _replied(refusal.smtp_code, b"user or password not accepted")
        except smtplib.SMTPResponseException as refusal:
            self.outcome = _replied(refusal.smtp_code, refusal.smtp_error)
        except UnicodeError:
            # Its own words would show a letter of the password.
            self.outcome = Outcome(Fate.REFUSED, "user and password must be plain ASCII")
        except (smtplib.SMTPNotSupportedError, ssl.SSLCertVerificationError) as trouble:
            self.outcome = Outcome(Fate.REFUSED, _one_line(str(trouble)))
        except (smtplib.SMTPException, OSError) as trouble:
            self.outcome = Outcome(self.outcome.fate, _one_line(f"{type(trouble).__name__}: {trouble}"))
        finally:
            end.cancel()
            client.close()
        return self.outcome.fate is Fate.ACCEPTED

    def _hand_over(self, client: _Client) -> None:
        mail = self._mail
        _expect(*client.connect(mail.host, mail.port))
        if mail.security == "starttls":
            client.starttls(context=client.context)
        if mail.user:
            client.login(mail.user, mail.password.get_secret_value())
        client.ehlo_or_helo_if_needed()
        _expect(*client.mail(mail.sender))
        _expect(*client.rcpt(self._message["To"].addresses[0].addr_spec))
        self.outcome = Outcome(Fate.UNKNOWN, "the mail server's answer made no sense")
        code, words = client.data(self._message.as_bytes())
        if code > 0:
            self.outcome = _replied(code, words)
        with contextlib.suppress(smtplib.SMTPException, OSError):
            client.quit()


class _Client(smtplib.SMTP):
    """smtplib's client, with its own patience for connecting, TLS from the start if asked for, and an end for good."""

    def __init__(self, mail: MailSettings, patience: Patience) -> None:
        # Left to itself smtplib asks a name server who we are.
        super().__init__(local_hostname=mail.sender.rpartition("@")[2], timeout=patience.answer_s)
        self._host = mail.host  # the name STARTTLS checks the certificate against
        self._connect_s = patience.connect_s
        self._wrapped = mail.security == "tls"
        self._over = False

    @cached_property
    def context(self) -> ssl.SSLContext:
        """Whom we trust: the host's own list of authorities, read only when TLS is spoken."""
        return ssl.create_default_context()

    def _get_socket(self, host: str, port: int, timeout: float) -> socket.socket:
        """Return a connected socket (smtplib's own seam for this)."""
        connected = socket.create_connection((host, port), self._connect_s)
        connected.settimeout(timeout)
        if self._wrapped:
            connected = self.context.wrap_socket(connected, server_hostname=host)
        if self._over:
            connected.close()
            raise TimeoutError("the mail server did not answer in time")
        return connected

    def hang_up(self) -> None:
        """End the connection from another thread: whoever waits for the server wakes up with an error."""
        self._over = True
        if self.sock is not None:
            with contextlib.suppress(OSError):
                # The plain socket's own: a TLS socket would first take its TLS away under the other thread.
                socket.socket.shutdown(self.sock, socket.SHUT_RDWR)


def _expect(code: int, words: bytes) -> None:
    """Raise what smtplib raises, unless the server agreed."""
    if not 200 <= code < 300:
        raise smtplib.SMTPResponseException(code, words)


def _replied(code: int, words: bytes | str) -> Outcome:
    """Return what an SMTP reply means: 2 done, 4 not now, 5 never (RFC 5321, 4.2.1); -1 is smtplib's "no reply"."""
    said = words.decode("utf-8", "replace") if isinstance(words, bytes) else words
    fate = {2: Fate.ACCEPTED, 5: Fate.REFUSED}.get(code // 100, Fate.LATER)
    return Outcome(fate, _one_line(f"{code} {said}"))


_heard: ContextVar[list[Outcome] | None] = ContextVar("heard", default=None)
"""What the services said to the notice being sent; apprise hands the context on to the threads it sends from."""


def _listening(send: Callable[..., requests.Response]) -> Callable[..., requests.Response]:
    """Return `requests.Session.send`, writing down what was answered while a notice is being sent."""

    @wraps(send)
    def listening(session: requests.Session, request: requests.PreparedRequest, **kwargs: Any) -> requests.Response:
        heard = _heard.get()
        if heard is None:
            return send(session, request, **kwargs)
        try:
            response = send(session, request, **kwargs)
        except requests.RequestException as trouble:
            heard.append(_failed(trouble))
            raise
        heard.append(_answered(response))
        return response

    return listening


def _answered(response: requests.Response) -> Outcome:
    """Return what an HTTP answer means; its body and address stay out, for they may hold secrets."""
    code = response.status_code
    detail = f"answered {code} {HTTPStatus(code).phrase if code in set(HTTPStatus) else ''}".rstrip()
    if response.ok:
        return Outcome(Fate.ACCEPTED, detail)
    if code >= 500 or code in _TRY_AGAIN:
        return Outcome(Fate.LATER, detail, _retry_after_s(response.headers.get("Retry-After")))
    return Outcome(Fate.REFUSED, detail)


def _retry_after_s(header: str | None) -> int | None:
    """Return how long a service asked us to wait [s] (RFC 9110, 10.2.3: seconds or a date), None if it did not."""
    if header is None:
        return None
    try:
        return int(Retry().parse_retry_after(header))
    except (InvalidHeader, ValueError, OverflowError):
        return None


def _failed(trouble: requests.RequestException) -> Outcome:
    """Return what a failed request means: without a connection nothing was sent, after it everything is possible."""
    never_connected = bool(trouble.args) and isinstance(trouble.args[0], MaxRetryError)
    if isinstance(trouble, requests.exceptions.SSLError):
        return Outcome(Fate.REFUSED, "no trusted connection (TLS)")
    if isinstance(trouble, requests.ConnectTimeout) or never_connected:
        return Outcome(Fate.LATER, "no connection")
    if isinstance(trouble, requests.Timeout):
        return Outcome(Fate.UNKNOWN, "no answer in time")
    if isinstance(trouble, (requests.ConnectionError, requests.exceptions.ChunkedEncodingError)):
        return Outcome(Fate.UNKNOWN, "the connection broke off")
    return Outcome(Fate.REFUSED, f"could not be sent ({type(trouble).__name__})")


def _one_line(words: str) -> str:
    return " ".join(words.split())[:_LONGEST_DETAIL]


requests.Session.send = _listening(requests.Session.send)  # type: ignore[method-assign]

"""The line to a broker: messages are held until whoever listens has kept them, and only then acknowledged.

What is not acknowledged the broker sends again, after a broken line as after a crash of ours. So nothing is lost, and
what comes twice the store keeps once. When too much is held nothing more is read, and the broker has to wait.

One thread has the library to itself. The library's own thread would end without a word at any exception in it.
"""

from __future__ import annotations

import logging
import secrets
import socket
import ssl
import threading
import time
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from watchman.readings.sources.memory import FetchMemory, digest
from watchman.readings.sources.mqtt import SHOWN, Message, Source
from watchman.readings.sources.pieces import Fault, Piece

log = logging.getLogger(__name__)

MEGABYTE = 1_000_000
KEEP_ALIVE_S = 60
"""How long a line may be quiet before each side asks whether the other is there [s]."""
BREAKS, BREAKS_WITHIN_S = 3, 120
"""So many broken lines in so short a time [s] are told though a new line has come about (judgement, no source)."""
STEADY_S = 10.0
"""A line that has held so long is not taken for one that breaks at once [s]."""
SETTLE_S = 10.0
"""How long a first fetch waits until it is known whether the broker lets us in [s]."""
QUIET_S, GATHER_S = 0.2, 1.0
"""Messages that follow each other are taken together: until a pause of this length, but not for longer [s]."""
OVERHEAR_S = 5.0
"""How long a look at a broker listens [s]."""
WAIT_S, LONGEST_WAIT_S = 0.5, 30.0
"""How long after a broken line we try again at first; it doubles [s]."""
LOOK_S = 0.1
"""How often the line's thread looks whether something is to be acknowledged [s]."""
HELD_MESSAGES, HELD_BYTES = 20_000, 64 * MEGABYTE
"""How much is held at most before nothing more is read."""
UNDER_WAY = 2_000
"""How many messages MQTT 5's broker may send before the first is acknowledged."""
TOPIC_BYTES = 70_000
"""What a message may weigh beside its content: a topic has at most 65,535 bytes (MQTT 5.0, 1.5.4)."""

REFUSALS = {
    0x84: 'doesn\'t speak this MQTT: write version = "3.1.1" (or "5")',
    0x85: "doesn't accept our name: write another client_id, at most 23 letters and digits",
    0x86: "refused us: user or password is wrong",
    0x87: "refused us: user or password is wrong or missing, or the user may not do this",
    0x8A: "refused us: it has banned this machine",
    0x8E: "has given our place to another program with the same client_id: write another one here or there",
}
"""What a broker says by number (MQTT 5.0, 2.4), as a technician may use it."""


@dataclass(slots=True)
class _Held:
    """A message that has not been kept yet. mid: what to acknowledge it by on line number `line`, 0 for nothing."""

    number: int
    message: Message
    line: int
    mid: int


class Listener:
    """One source's line to its broker, held by a thread of its own from the start until `close`."""

    def __init__(self, source: Source, *, keeps: bool = True) -> None:
        """Begin to listen. keeps: whether the broker is to keep for us what we have not acknowledged."""
        self._source, self._keeps = source, keeps
        self._name = secrets.token_hex(8)
        self._client_id = _client_id(source) if keeps else f"look{secrets.token_hex(8)}"
        self._lock = threading.Lock()
        self._held: deque[_Held] = deque()
        self._to_acknowledge: deque[tuple[int, int]] = deque()
        self._bytes = self._number = self._handed = self._line = 0
        self._trouble = "has not answered yet"
        self._heard_s = 0.0
        self._broke_s: deque[float] = deque(maxlen=BREAKS)
        self._settled, self._stop = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._listen, name=f"listen {source.name}", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Let go of the line; the broker keeps what was not acknowledged."""
        self._stop.set()
        self._thread.join(2 * LOOK_S + 1)

    @property
    def news(self) -> bool:
        """Say whether messages are held that no fetch has had."""
        with self._lock:
            return self._number > self._handed

    def pieces(self) -> Iterator[Piece | Fault]:
        """Yield all messages that have not been kept, and what is wrong with the line."""
        self._settled.wait(min(self._source.budget_s, SETTLE_S))
        self._gather()
        with self._lock:
            held, trouble, self._handed = list(self._held), self._trouble, self._number
        if len(self._broke_s) == BREAKS and time.monotonic() - self._broke_s[0] < BREAKS_WITHIN_S:
            trouble = "breaks off the line again and again; perhaps another program has the same client_id"
        place = self._source.place
        for retained in (True, False):
            messages = [one.message for one in held if one.message.retained == retained]
            if messages:
                # What was retained came to the broker at a time that nobody knows.
                yield Piece("", place, "", messages, retained, None)
        if held:
            yield Piece("", place, "", None, False, {"listener": self._name, "number": held[-1].number})
        if trouble:
            yield Fault(place, f"{place} {trouble}", stops=True)

    def wait(self, seconds: float) -> None:
        """Wait so long for messages [s], but not while the broker doesn't let us in."""
        self._settled.wait(min(self._source.budget_s, SETTLE_S))
        if not self._trouble:
            self._stop.wait(min(seconds, self._source.budget_s))

    def kept(self, memory: FetchMemory) -> None:
        """Acknowledge the messages that came with a memory, since they have been kept."""
        mark = memory.own.get("", {})
        if mark.get("listener") != self._name:
            return
        with self._lock:
            while self._held and self._held[0].number <= mark["number"]:
                one = self._held.popleft()
                self._bytes -= len(one.message.payload)
                if one.mid:
                    self._to_acknowledge.append((one.line, one.mid))

    def _gather(self) -> None:
        """Wait while messages follow each other closely."""
        ends = time.monotonic() + GATHER_S
        while not self._stop.is_set() and (left := min(self._heard_s + QUIET_S, ends) - time.monotonic()) > 0:
            time.sleep(left)

    # What follows runs in the line's own thread.

    def _listen(self) -> None:
        wait_s = WAIT_S
        while not self._stop.is_set():
            began = time.monotonic()
            try:
                self._serve()
            except OSError as error:
                self._fail(_in_words(error))
            except Exception as error:
                log.exception("the line to %s broke", self._source.place)
                self._fail(f"can't be listened to ({type(error).__name__})")
            if time.monotonic() - began > STEADY_S:
                wait_s = WAIT_S
            self._stop.wait(wait_s)
            wait_s = min(2 * wait_s, LONGEST_WAIT_S)

    def _serve(self) -> None:
        """Hold one line until it breaks or nobody wants it any more."""
        client = self._client()
        self._connect(client)
        while not self._stop.is_set():
            self._acknowledge(client)
            if self._is_full():
                self._stop.wait(LOOK_S)
            elif client.loop(LOOK_S) != MQTTErrorCode.MQTT_ERR_SUCCESS:
                if not self._trouble:
                    self._fail("broke off the line")
                return
        self._acknowledge(client)
        client.disconnect()

    def _client(self) -> Client:
        five = self._source.version == "5"
        client = Client(
            CallbackAPIVersion.VERSION2,
            self._client_id,
            clean_session=None if five else not self._keeps,
            protocol=MQTTProtocolVersion.MQTTv5 if five else MQTTProtocolVersion.MQTTv311,
            manual_ack=True,
        )
        if self._source.user:
            client.username_pw_set(self._source.user, self._source.password.get_secret_value() or None)
        if self._source.address.startswith("mqtts:"):
            client.tls_set_context(ssl.create_default_context())
        client.on_connect, client.on_subscribe = self._on_connect, self._on_subscribe
        client.on_message, client.on_disconnect = self._on_message, self._on_disconnect
        return client

    def _connect(self, client: Client) -> None:
        with self._lock:
            # Numbers to acknowledge by belong to one line.
            self._line += 1
            self._to_acknowledge.clear()
        host, port = self._source.host_and_port
        if self._source.version != "5":
            client.connect(host, port, KEEP_ALIVE_S)
            return
        asked: Any = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        asked.ReceiveMaximum = UNDER_WAY
        asked.MaximumPacketSize = round(self._source.max_mb * MEGABYTE) + TOPIC_BYTES
        asked.SessionExpiryInterval = round(self._source.look_back_days * 86_400) if self._keeps else 0
        client.connect(host, port, KEEP_ALIVE_S, clean_start=not self._keeps, properties=asked)

    def _acknowledge(self, client: Client) -> None:
        while True:
            with self._lock:
                if not self._to_acknowledge:
                    return
                line, mid = self._to_acknowledge.popleft()
                current = line == self._line
            if current:
                client.ack(mid, 1)

    def _is_full(self) -> bool:
        with self._lock:
            return len(self._held) >= HELD_MESSAGES or self._bytes >= HELD_BYTES

    def _fail(self, trouble: str) -> None:
        self._trouble = trouble
        self._settled.set()

    def _on_connect(self, client: Client, _data: Any, _flags: Any, reason: ReasonCode, _properties: Any) -> None:
        if reason.is_failure:
            self._fail(REFUSALS.get(reason.value, f"refused us: {str(reason).lower()}"))
        else:
            client.subscribe([(topic, 1 if self._keeps else 0) for topic in self._source.filters])

    def _on_subscribe(
        self, _client: Client, _data: Any, _mid: int, reasons: Sequence[ReasonCode], _properties: Any
    ) -> None:
        refused = [
            (topic, reason) for topic, reason in zip(self._source.filters, reasons, strict=False) if reason.is_failure
        ]
        if refused:
            topic, reason = refused[0]
            self._fail(f"doesn't let us listen to {topic}: {str(reason).lower()}")
            return
        self._trouble, self._heard_s = "", time.monotonic()
        self._settled.set()

    def _on_disconnect(self, _client: Client, _data: Any, _flags: Any, reason: ReasonCode, _properties: Any) -> None:
        if reason.is_failure and not self._trouble:
            self._broke_s.append(time.monotonic())
            self._fail(REFUSALS.get(reason.value, "broke off the line"))

    def _on_message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        """Hold a message; nothing in it may end the line."""
        try:
            topic = message.topic
            limit = self._source.max_mb
            size = len(message.payload) / MEGABYTE
            trouble = f"it has {size:,.3g} MB; the limit is max_mb = {limit:g}" if size > limit else ""
            payload = message.payload[:SHOWN] if trouble else message.payload
            held = Message(topic, self._source.station_of(topic), bytes(payload), message.retain, trouble)
        except Exception as error:  # noqa: BLE001  (whatever it is, it stands among the rejected rows)
            held = Message("", "", b"", trouble=f"a message can't be read ({type(error).__name__})")
        with self._lock:
            self._number += 1
            self._bytes += len(held.payload)
            self._held.append(_Held(self._number, held, self._line, message.mid if message.qos else 0))
        self._heard_s = time.monotonic()


def overhear(source: Source) -> Iterator[Piece | Fault]:
    """Yield what a broker sends in a short while to somebody of no name: nothing is taken from who watches."""
    with closing(Listener(source, keeps=False)) as listener:
        listener.wait(OVERHEAR_S)
        yield from listener.pieces()


def _client_id(source: Source) -> str:
    """Return a name that lasts as long as what is listened to; any broker takes 23 letters (MQTT 3.1.1, 3.1.3.1)."""
    told = "\n".join([source.name, source.address, source.user, *source.topics])
    return source.client_id or f"watchman{digest(told.encode())[:12]}"


def _in_words(error: OSError) -> str:
    """Return why there is no line."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"has a certificate that can't be trusted: {error.verify_message}"
    if isinstance(error, ssl.SSLError | ConnectionResetError):
        return "can't agree with us on how to speak: check the port, and whether it is mqtts or mqtt"
    if isinstance(error, socket.gaierror):
        return "can't be found: no such name, or no link to the name server"
    if isinstance(error, TimeoutError):
        return "didn't accept a connection in time"
    return f"can't be reached: {(error.strerror or type(error).__name__).lower()}"

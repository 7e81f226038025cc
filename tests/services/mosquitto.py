"""A real MQTT broker for tests: started, broken and started again, and stopped."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Self

import pytest

INSTALL = "needs an MQTT broker's program and paho-mqtt: apt install mosquitto; pip install watchman[mqtt]"
USER, PASSWORD = "field", "broker-password-3378"

SETUP = """\
listener {plain} 127.0.0.1
listener {tls} 127.0.0.1
certfile {folder}/cert.pem
keyfile {folder}/key.pem
allow_anonymous false
password_file {folder}/users
acl_file {folder}/rights
persistence true
persistence_location {folder}/
max_queued_messages 0
max_inflight_messages {under_way}
user {user}
"""
RIGHTS = f"user {USER}\ntopic readwrite gauges/#\nuser blind\ntopic write gauges/#\n"


def _program(name: str) -> str:
    found = shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/bin")
    if found is None:
        pytest.skip(INSTALL)
    return found


class Broker:
    """A broker with two users: `USER`, and "blind", who may not listen. Use as a context."""

    def __init__(self, under_way: int = 20) -> None:
        pytest.importorskip("paho", reason=INSTALL)
        self._program, passwords = _program("mosquitto"), _program("mosquitto_passwd")
        self.folder = Path(tempfile.mkdtemp(prefix="watchman-mosquitto-"))
        self.plain, self.tls = _free_port(), _free_port()
        self.certificate = self.folder / "cert.pem"
        make = (
            "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2 -subj /CN=localhost "
            "-addext subjectAltName=DNS:localhost -keyout key.pem -out cert.pem"
        )
        subprocess.run(make.split(), check=True, cwd=self.folder, capture_output=True)
        (self.folder / "users").touch()
        for user in (USER, "blind"):
            given = [passwords, "-b", str(self.folder / "users"), user, PASSWORD]
            subprocess.run(given, check=True, capture_output=True)
        (self.folder / "rights").write_text(RIGHTS)
        who = "nobody" if os.geteuid() == 0 else os.environ.get("USER", "nobody")
        setup = SETUP.format(folder=self.folder, plain=self.plain, tls=self.tls, under_way=under_way, user=who)
        (self.folder / "setup").write_text(setup)
        if os.geteuid() == 0:
            for path in (self.folder, *self.folder.iterdir()):
                os.chown(path, 65534, 65534)
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()
        shutil.rmtree(self.folder)

    @property
    def address(self) -> str:
        """Return the address without TLS."""
        return f"mqtt://localhost:{self.plain}"

    def start(self) -> None:
        """Start it, with what it had saved."""
        with (self.folder / "log").open("ab") as log:
            given = [self._program, "-v", "-c", str(self.folder / "setup")]
            self._process = subprocess.Popen(given, stdout=log, stderr=log)
        ends = time.monotonic() + 20
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.plain)).close()
                return
            except OSError:
                assert time.monotonic() < ends, self.log()
                time.sleep(0.02)

    def stop(self, *, kill: bool = False) -> None:
        """Stop it in good order, so that it saves its sessions, or kill it."""
        if self._process is not None:
            if kill:
                self._process.kill()
            else:
                self._process.terminate()
            self._process.wait()
            self._process = None

    def log(self) -> str:
        """Return what it has said."""
        return (self.folder / "log").read_text()

    def send(self, messages: Iterable[tuple[str, bytes]], *, retain: bool = False, qos: int = 1) -> None:
        """Have a station send messages, until the broker has them all."""
        from paho.mqtt.client import Client
        from paho.mqtt.enums import CallbackAPIVersion

        client: Any = Client(CallbackAPIVersion.VERSION2)
        client.username_pw_set(USER, PASSWORD)
        client.max_inflight_messages_set(1000)
        client.connect("localhost", self.plain)
        client.loop_start()
        sent = [client.publish(topic, body, qos=qos, retain=retain) for topic, body in messages]
        for one in sent:
            one.wait_for_publish(20)
        client.disconnect()
        client.loop_stop()


def _free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])

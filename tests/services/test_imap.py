"""Replies by mail out of a real IMAP server, started for these tests and stopped after them."""

from __future__ import annotations

import grp
import imaplib
import logging
import os
import pwd
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import timedelta
from email.message import EmailMessage
from pathlib import Path

import pytest
from pydantic import SecretStr

from tests.board.test_page import KEY, NOW, STANDING
from tests.helpers import SECRETS, write_network
from watchman import mailbox, verify
from watchman.errors import OutsideError
from watchman.links import message_id, own_code
from watchman.model import Notice
from watchman.network import load
from watchman.settings import AnswersSettings, MailAnswersSettings
from watchman.store import Store

INSTALL = "needs an IMAP server's programs: apt install dovecot-imapd"
USER, PASSWORD = "watch@veldran.example", "box-password-5512"

SETUP = """
protocols = imap
listen = 127.0.0.1
base_dir = {folder}/run
state_dir = {folder}/state
log_path = {folder}/log
default_internal_user = {user}
default_internal_group = {group}
default_login_user = {user}
ssl = yes
ssl_cert = <{folder}/cert.pem
ssl_key = <{folder}/key.pem
disable_plaintext_auth = no
auth_failure_delay = 0
mail_location = maildir:{folder}/mail
first_valid_uid = 1
passdb {{
  driver = passwd-file
  args = {folder}/users
}}
userdb {{
  driver = static
  args = uid={user} gid={group} home={folder}/home
}}
service imap-login {{
  chroot =
  inet_listener imap {{
    port = {plain}
  }}
  inet_listener imaps {{
    port = {tls}
    ssl = yes
  }}
}}
service anvil {{
  chroot =
}}
"""


@dataclass(frozen=True)
class Server:
    """A server's ports, its certificate, and its folder of mails."""

    plain: int
    tls: int
    certificate: Path

    def client(self) -> imaplib.IMAP4:
        """Return somebody logged in, as a mail program is."""
        client = imaplib.IMAP4("127.0.0.1", self.plain, timeout=10)
        client.login(USER, PASSWORD)
        return client

    def put(self, *mails: bytes) -> None:
        """Have mails arrive in the box."""
        client = self.client()
        for mail in mails:
            assert client.append("INBOX", "", "", mail)[0] == "OK"
        client.logout()

    def empty(self) -> None:
        """Throw away what lies in the box."""
        client = self.client()
        _, (count,) = client.select("INBOX")
        if count != b"0":
            client.store("1:*", "+FLAGS.SILENT", r"(\Deleted)")
            client.expunge()
        client.logout()


def free_port() -> int:
    """Return a port nobody listens at."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


@pytest.fixture(scope="module")
def running() -> Iterator[Server]:
    """Return a fresh server; as root it runs as nobody."""
    program = shutil.which("dovecot") or shutil.which("/usr/sbin/dovecot")
    if program is None:
        pytest.skip(INSTALL)
    as_root = os.geteuid() == 0
    owner = pwd.getpwuid(65534 if as_root else os.geteuid())
    folder = Path(tempfile.mkdtemp(prefix="watchman-imap-"))
    make = (
        "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2 -subj /CN=localhost "
        "-addext subjectAltName=DNS:localhost,IP:127.0.0.1 -keyout key.pem -out cert.pem"
    )
    subprocess.run(make.split(), check=True, cwd=folder, capture_output=True)
    server = Server(free_port(), free_port(), folder / "cert.pem")
    group = grp.getgrgid(owner.pw_gid).gr_name
    setup = SETUP.format(folder=folder, user=owner.pw_name, group=group, plain=server.plain, tls=server.tls)
    (folder / "dovecot.conf").write_text(setup)
    (folder / "users").write_text(f"{USER}:{{PLAIN}}{PASSWORD}\n")
    who = {}
    if as_root:
        who = {"user": owner.pw_uid, "group": owner.pw_gid, "extra_groups": []}
        for path in (folder, *folder.rglob("*")):
            os.chown(path, owner.pw_uid, owner.pw_gid)
    process = subprocess.Popen([program, "-F", "-c", folder / "dovecot.conf"], cwd=folder, **who)  # type: ignore[call-overload]
    try:
        ends = time.monotonic() + 20
        while True:
            try:
                server.client().logout()
                break
            except OSError:
                assert time.monotonic() < ends, (folder / "log").read_text()
                time.sleep(0.05)
        yield server
    finally:
        process.terminate()
        process.wait()
        shutil.rmtree(folder)


class Box:
    """A network whose people reply into the server's box, with an alarm standing at Hollin Dam."""

    def __init__(self, server: Server, folder: Path, /, **settings: object) -> None:
        given = {"host": "localhost", "port": server.tls, "user": USER, "password": SecretStr(PASSWORD), **settings}
        read = MailAnswersSettings.model_validate(given)
        network = load(write_network(folder), SECRETS.get)
        self.network = replace(network, answers=AnswersSettings(mail=read))
        self.server, self.now = server, NOW
        self.store = Store.open("sqlite://", Path())
        self.store.commit(NOW, alarms=[STANDING])

    def notice(self, occasion: str = "alarm:41:1", person: str = "tech-1", kind: str = "fault", alarm: int = 41) -> str:
        """Put a mail notice into the store as sent, and return its Message-ID."""
        own = message_id("watch@example.org")
        row = Notice(0, occasion, person, "mail", kind, self.now, self.now, alarm=alarm, event="raised", message_id=own)
        self.store.add_notices([row])
        return own

    def look(self) -> int:
        """Look into the box once."""
        return mailbox.look(self.network, self.store, KEY, lambda: self.now)

    def acted(self) -> list[tuple[str, str, int]]:
        """Return what was said: kind, who, alarm."""
        return [(one.kind, one.who, one.alarm) for one in self.store.answers_after(0)]

    def told(self) -> list[tuple[str, str]]:
        """Return who was told what of an answer."""
        rows = [one for one in self.store.notices() if one.occasion.startswith("answer:")]
        return [(one.person, " ".join(one.text.split())) for one in rows]


@pytest.fixture
def box(running: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Box]:
    """Return the box, read once so that what lay there before is behind it; the server's certificate is trusted."""
    monkeypatch.setenv("SSL_CERT_FILE", str(running.certificate))
    running.empty()
    box = Box(running, tmp_path)
    box.look()
    yield box
    box.store.close()


def reply(to: str, words: str, sender: str = "Tech One <tech-1@example.org>", **headers: str) -> bytes:
    """Return a mail as people's programs write them."""
    mail = EmailMessage()
    mail["From"], mail["To"], mail["Subject"] = sender, USER, "Re: Hollin Dam silent (no. 41)"
    mail["Message-ID"] = message_id("example.org").replace("wm.", "their.")
    if to:
        mail["In-Reply-To"] = to
        mail["References"] = f"<wm.alarm.41.veldran-hills@example.org> {to}"
    for name, value in headers.items():
        mail[name.replace("_", "-")] = value
    mail.set_content(words)
    return mail.as_bytes()


QUOTED = """OK, going on Thursday

On Tue, 21 Oct 2025 at 14:20, Veldran Hills <watch@example.org> wrote:
> Hollin Dam is silent.
> NOT A FAULT why  close it
"""


def test_a_reply_is_acted_on_once(box: Box) -> None:
    """The line above the quotation is the answer; looked into again, the same mail does nothing more."""
    box.server.put(reply(box.notice(), QUOTED))
    assert box.look() == 1
    assert box.look() == 0
    assert box.acted() == [("acknowledge", "tech-1", 41)]
    assert box.store.answers_after(0)[0].reason == "going on Thursday"
    assert box.told() == [], "what was done as asked needs no mail"


def test_every_answer(box: Box) -> None:
    """LATER, NOT A FAULT and VISIT do what they say; a visit is confirmed."""
    own = box.notice()
    box.server.put(reply(own, "Hi,\n\nlater fri"), reply(own, "NOT A FAULT pasture sprinkler"), reply(own, "visit 2h"))
    assert box.look() == 3
    assert box.acted() == [("shelve", "tech-1", 41), ("not a fault", "tech-1", 41)]
    (window,) = box.store.spans()
    assert (window.station, window.who, window.ends_at) == ("hollin", "tech-1", NOW + timedelta(hours=2))
    ((person, words),) = box.told()
    assert person == "tech-1"
    assert "You are on site at Hollin Dam until 16:20" in words


def refusals(box: Box) -> dict[str, bytes]:
    """Return mails that must change nothing, by what is wrong with them."""
    own = box.notice()
    theirs = box.notice("alarm:41:2", person="warden")
    guessed = own[:10] + ("0" if own[10] != "0" else "1") + own[11:]
    return {
        "a stranger with the right token": reply(own, "OK", "Mallory <mallory@example.net>"),
        "a contact's address without a token": reply("", "OK"),
        "a token that was guessed": reply(guessed, "OK"),
        "another person's token": reply(theirs, "OK"),
        "a number in the subject alone": reply("", "OK 41", Reply_To=own),
        "out of office": reply(own, "OK I am away", Auto_Submitted="auto-replied"),
        "bulk": reply(own, "OK", Precedence="bulk"),
        "no way back": reply(own, "OK", Return_Path="<>"),
    }


def test_what_changes_nothing(box: Box, caplog: pytest.LogCaptureFixture) -> None:
    """Strangers, forged addresses, guessed tokens and machines change nothing, each is logged, and no words are."""
    mails = refusals(box)
    before = box.store.open_alarms(), box.store.spans()
    with caplog.at_level(logging.WARNING):
        for mail in mails.values():
            box.server.put(mail)
            assert box.look() == 1
    assert box.acted() == []
    assert (box.store.open_alarms(), box.store.spans()) == before
    assert [record.message for record in caplog.records] == [
        "mail: an answer was refused (from an address that is no contact's)",
        *["mail: an answer was refused (from tech-1's address, but no reply to a notice of theirs)"] * 4,
        "mail: an answer was refused (a machine's: Auto-Submitted)",
        "mail: an answer was refused (a machine's: Precedence)",
        "mail: an answer was refused (a machine's: no way back)",
    ]
    assert [person for person, _ in box.told()] == ["tech-1"], "once a day, however often their address is used"


def test_a_stale_reply(box: Box, caplog: pytest.LogCaptureFixture) -> None:
    """More than thirty days on nothing is changed, and the person is told why."""
    own = box.notice()
    box.now += timedelta(days=30, seconds=1)
    box.server.put(reply(own, "OK"))
    box.look()
    assert box.acted() == []
    assert "notice 1 is stale" in caplog.text
    assert "more than 30 days old" in box.told()[0][1]


def test_not_understood(box: Box) -> None:
    """The person is told what can be answered, in the thread of the notice."""
    own = box.notice()
    box.server.put(reply(own, "Which gauge is that, please?"))
    box.look()
    assert "Answer OK, LATER THU" in box.told()[0][1]
    assert box.store.notices()[-1].references == own


def test_a_visit_nobody_asked_for(box: Box) -> None:
    """A new mail with the person's own letters books a visit, and is confirmed to the address that is known."""
    box.server.put(reply("", f"VISIT LARKMOOR 3H {own_code(KEY, 'tech-1')}"), reply("", "VISIT LARKMOOR 3H bcdfg"))
    box.look()
    assert [window.station for window in box.store.spans()] == ["larkmoor"]
    assert "on site at Larkmoor" in box.told()[0][1]


def test_a_bad_mail_stops_no_other(box: Box) -> None:
    """Bombs, nonsense and ten megabytes of attachment are passed by in a moment; the reply behind them counts."""
    own = box.notice()
    nested = b"".join(b"Content-Type: multipart/mixed; boundary=%d\r\n\r\n--%d\r\n" % (i, i) for i in range(3000))
    big = EmailMessage()
    big["From"], big["In-Reply-To"] = "tech-1@example.org", own
    big.set_content("LATER FRI")
    big.add_attachment(os.urandom(7_500_000), "application", "octet-stream", filename="photo.bin")
    box.server.put(
        b"From: tech-1@example.org\r\n" + nested,
        b"\xff\xfe\x00 no mail at all",
        b"From: " + b"(" * 5000 + b"\r\n\r\nOK",
        b"From: tech-1@example.org\r\nContent-Type: text/html; charset=x-none\r\nIn-Reply-To: %s\r\n\r\n" % own.encode()
        + b"<a " * 60_000,
        big.as_bytes(),
        reply(own, "OK"),
    )
    begun = time.monotonic()
    assert box.look() == 6
    assert time.monotonic() - begun < 15
    assert box.acted() == [("shelve", "tech-1", 41), ("acknowledge", "tech-1", 41)]


def test_more_than_one_look_takes(box: Box, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full box is read a part at a time, the oldest first."""
    monkeypatch.setattr(mailbox, "AT_ONCE", 2)
    own = box.notice()
    box.server.put(*(reply(own, f"OK {word}") for word in ("one", "two", "three")))
    assert [box.look() for _ in range(3)] == [2, 1, 0]
    assert [one.reason for one in box.store.answers_after(0)] == ["one", "two", "three"]


def test_the_first_look_acts_on_nothing(running: Server, box: Box, tmp_path: Path) -> None:
    """What lay in the box before the watch first looked answers nothing of ours."""
    fresh = Box(running, tmp_path / "other")
    running.put(reply(fresh.notice(), "OK"))
    assert fresh.look() == 0
    assert fresh.acted() == []
    running.put(reply(fresh.notice("alarm:41:2"), "OK"))
    assert fresh.look() == 1
    assert fresh.acted() == [("acknowledge", "tech-1", 41)]
    fresh.store.close()


def test_a_box_made_anew(box: Box) -> None:
    """Where the server numbers its mails anew only what nobody has seen is read, and nothing twice."""
    own = box.notice()
    box.server.put(reply(own, "OK before"))
    box.look()
    (mark,) = box.store.marks(mailbox.SEEN)
    box.store.set_mark(mark, "1 7")
    box.server.put(reply(own, "OK after"))
    assert box.look() == 1
    assert box.look() == 0
    assert [one.reason for one in box.store.answers_after(0)] == ["before", "after"]


def test_a_store_that_fails_loses_no_reply(box: Box, monkeypatch: pytest.MonkeyPatch) -> None:
    """What could not be written down is read again with the next look."""
    box.server.put(reply(box.notice(), "OK"))

    def broken(*_given: object, **_named: object) -> None:
        raise OutsideError("the disk is full")

    with monkeypatch.context() as meanwhile:
        meanwhile.setattr(box.store, "add_answer", broken)
        with pytest.raises(OutsideError, match="disk"):
            box.look()
    assert box.look() == 1
    assert box.acted() == [("acknowledge", "tech-1", 41)]


@pytest.mark.parametrize("security", ["tls", "starttls", "none"])
def test_ways_in(running: Server, box: Box, tmp_path: Path, security: str) -> None:
    """TLS from the start, STARTTLS, and in the open on this machine alone."""
    port = running.tls if security == "tls" else running.plain
    other = Box(running, tmp_path / "other", security=security, port=port)
    other.look()
    running.put(reply(other.notice(), "OK"))
    assert other.look() == 1
    other.store.close()


TROUBLES: dict[str, tuple[dict[str, object], str]] = {
    "a wrong password": ({"password": SecretStr("wrong-password-77")}, "user or password not accepted"),
    "no such folder": ({"folder": 'Repl"ies \\ x'}, "folder Repl"),
    "a password beyond ASCII": ({"password": SecretStr("pässword-77")}, "user or password not accepted"),
}


@pytest.mark.parametrize("trouble", TROUBLES)
def test_trouble_in_words(running: Server, box: Box, tmp_path: Path, trouble: str) -> None:
    """What is wrong is said without the password."""
    settings, words = TROUBLES[trouble]
    other = Box(running, tmp_path / "other", **settings)
    with pytest.raises(OutsideError, match=words) as raised:
        other.look()
    assert "77" not in str(raised.value)
    other.store.close()


def test_a_certificate_nobody_vouches_for(
    running: Server, box: Box, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No password goes to a server that can't prove who it is, from the start or by STARTTLS."""
    monkeypatch.setenv("SSL_CERT_FILE", "/dev/null")
    for security, port in (("tls", running.tls), ("starttls", running.plain)):
        with pytest.raises(OutsideError, match="can't be trusted"):
            Box(running, tmp_path / security, security=security, port=port).look()


def test_verify_knocks_at_the_box(running: Server, box: Box, tmp_path: Path) -> None:
    """Opened and closed without reading: what came meanwhile is still to be acted on."""
    running.put(reply(box.notice(), "OK"))
    settings = box.network.answers.mail
    assert settings is not None
    mailbox.knock(settings)
    assert verify._tried("replies", lambda: mailbox.knock(settings)) == (True, "replies: the server answers")
    wrong = settings.model_copy(update={"password": SecretStr("wrong-password-77")})
    opened, said = verify._tried("replies", lambda: mailbox.knock(wrong))
    assert not opened
    assert "FAILED" in said
    assert "user or password not accepted" in said
    assert box.look() == 1


def test_nobody_listens(running: Server, box: Box, tmp_path: Path) -> None:
    """A server that is not there is told in words."""
    with pytest.raises(OutsideError, match="can't be reached"):
        Box(running, tmp_path / "other", port=free_port()).look()


def served_by(script: Callable[[socket.socket], None]) -> int:
    """Serve one connection by a script, and return the port."""
    import threading

    listening = socket.create_server(("127.0.0.1", 0))

    def work() -> None:
        connection, _ = listening.accept()
        with connection:
            script(connection)
        listening.close()

    threading.Thread(target=work, daemon=True).start()
    return int(listening.getsockname()[1])


def test_a_server_that_drips(running: Server, box: Box, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A server that sends a letter now and then is left after the whole time allowed, however long each pause."""
    monkeypatch.setattr(mailbox, "WHOLE_S", 0.5)

    def drip(connection: socket.socket) -> None:
        connection.sendall(b"* OK hello\r\n")
        try:
            while True:
                connection.sendall(b"*")
                time.sleep(0.05)
        except OSError:
            return

    other = Box(running, tmp_path / "other", security="none", port=served_by(drip), host="127.0.0.1")
    begun = time.monotonic()
    with pytest.raises(OutsideError):
        other.look()
    assert time.monotonic() - begun < 5


def test_a_server_that_sends_without_end(running: Server, box: Box, tmp_path: Path) -> None:
    """A piece announced as larger than anything asked for is not read."""

    def boast(connection: socket.socket) -> None:
        connection.sendall(b"* OK [CAPABILITY IMAP4rev1] hello\r\n")
        for answer in (b"", b"", b"* OK [UIDVALIDITY 5] x\r\n", b"* SEARCH {99999999999}\r\n"):
            line = connection.recv(1000)
            connection.sendall(answer + line.split()[0] + b" OK done\r\n")
        connection.recv(1000)

    other = Box(running, tmp_path / "other", security="none", port=served_by(boast), host="127.0.0.1")
    with pytest.raises(OutsideError, match="more than was asked for"):
        other.look()


def test_nothing_is_read_without_settings(box: Box) -> None:
    """Without [answers.mail] there is nothing to look into."""
    box.network = replace(box.network, answers=AnswersSettings())
    assert box.look() == 0

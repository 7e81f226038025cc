"""The units in deploy/ are ones systemd takes without a word, and as closed as they can be."""

import json
import os
import re
import shutil
import stat
import subprocess
from pathlib import Path

import pytest

from watchman.cli import secret

DEPLOY = Path(__file__).parent.parent.parent / "deploy"
UNITS = ("watchman.service", "watchman-backup.service", "watchman-backup.timer")
OPEN = {
    "watchman.service": {
        "RestrictAddressFamilies=~AF_UNIX",
        "RestrictAddressFamilies=~AF_(INET|INET6)",
        "PrivateNetwork=",
    },
    "watchman-backup.service": set(),
}
"""What a service needs and systemd counts against it: the watch speaks to sources, phones and the service manager."""
OPEN_TO_BOTH = {"RootDirectory=/RootImage=", "DeviceAllow=", "IPAddressDeny="}
"""The host's own files (to read), the clock device that ProtectClock itself adds, and addresses nobody can list."""

needs_systemd = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="systemd-analyze is missing: sudo apt install systemd"
)


def said(*command: str) -> str:
    """Return what a command prints, both ways, and fail if it does."""
    done = subprocess.run(command, check=False, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout + done.stderr


@pytest.fixture
def units(tmp_path: Path) -> Path:
    """Copy the units, with a program that is on this machine in the place of the installed one."""
    for name in UNITS:
        text = (DEPLOY / name).read_text(encoding="utf-8")
        (tmp_path / name).write_text(re.sub(r"(?m)^(ExecStart=)\S+", r"\1/bin/true", text), encoding="utf-8")
    return tmp_path


@needs_systemd
def test_the_units_are_understood(units: Path) -> None:
    """systemd finds nothing to complain of in any unit: no unknown key, no bad value."""
    assert said("systemd-analyze", "verify", *(str(units / name) for name in UNITS)) == ""


@needs_systemd
@pytest.mark.parametrize("name", OPEN)
def test_the_services_are_closed(units: Path, name: str) -> None:
    """systemd counts nothing against a service but what it needs, and its mark, of 10, stays under 2."""
    look = ("systemd-analyze", "security", "--offline=yes", "--no-pager")

    counted = json.loads(said(*look, "--json=short", str(units / name)))
    mark = re.search(r"exposure level for \S+: ([\d.]+)", said(*look, str(units / name)))

    assert {row["name"] for row in counted if row["exposure"]} == OPEN[name] | OPEN_TO_BOTH
    assert mark is not None
    assert float(mark[1]) < 2.0


def test_a_credential_is_found_by_its_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file of the secrets' folder is found under the name systemd gives it, and by hand under its own."""
    unit = (DEPLOY / "watchman.service").read_text(encoding="utf-8")
    loaded = re.search(r"(?m)^LoadCredential=(\w+):/etc/watchman/secrets$", unit)
    assert loaded is not None
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))

    (tmp_path / f"{loaded[1]}_link_key").write_text("from systemd\n", encoding="utf-8")
    (tmp_path / "my_text").write_text("by hand\n", encoding="utf-8")

    assert (secret("link_key"), secret("my_text"), secret("unknown")) == ("from systemd", "by hand", None)


def test_the_scripts_can_be_run() -> None:
    """The scripts beside the units are executable, and sh can read them."""
    for name in ("backup", "watchman"):
        assert (DEPLOY / name).stat().st_mode & stat.S_IXUSR
        said("sh", "-n", str(DEPLOY / name))


def test_a_backup_holds_what_people_wrote_and_no_secret(tmp_path: Path) -> None:
    """The backup's script copies the store by the program, packs the folder, and leaves secrets and live store out."""
    network, copies, program = tmp_path / "network", tmp_path / "copies", tmp_path / "watchman"
    (network / "rules").mkdir(parents=True)
    copies.mkdir()
    for name in ("network.toml", "stations.csv", "rules/overdue.toml", "secrets.env", "watch.db", "watch.db-wal"):
        (network / name).write_text(name, encoding="utf-8")
    program.write_text('#!/bin/sh\necho "$1 of $2" > "$3"\n', encoding="utf-8")
    program.chmod(0o755)
    script = (DEPLOY / "backup").read_text(encoding="utf-8")
    (tmp_path / "backup").write_text(re.sub(r"\S+/bin/watchman", str(program), script), encoding="utf-8")

    said("env", f"PATH={os.environ['PATH']}", "sh", str(tmp_path / "backup"), str(network), str(copies))

    store, written = sorted(copies.iterdir())
    assert store.read_text(encoding="utf-8") == f"backup of {network}\n"
    packed = said("tar", "--list", "--gzip", "--file", str(written)).split()
    assert sorted(packed) == ["./", "./network.toml", "./rules/", "./rules/overdue.toml", "./stations.csv"]

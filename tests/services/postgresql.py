"""A real PostgreSQL server for tests, started and stopped again."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

INSTALL = "needs a PostgreSQL server's programs and psycopg: apt install postgresql; pip install watchman[postgresql]"


def _program(name: str) -> str | None:
    """Return a server's program, which Debian keeps off the path."""
    found = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"))
    return shutil.which(name) or (str(found[-1]) if found else None)


@contextmanager
def started() -> Iterator[str]:
    """Return the address of a fresh server; as root it runs as nobody, since a server refuses to run as root."""
    pytest.importorskip("psycopg", reason=INSTALL)
    initdb, pg_ctl = _program("initdb"), _program("pg_ctl")
    if initdb is None or pg_ctl is None:
        pytest.skip(INSTALL)
    user = {"user": 65534, "group": 65534} if os.geteuid() == 0 else {}
    folder = Path(tempfile.mkdtemp(prefix="watchman-postgresql-"))
    if user:
        os.chown(folder, 65534, 65534)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    data, log = folder / "data", folder / "log"
    options = f"-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories={folder} -c fsync=off"

    def run(*command: str | Path) -> None:
        subprocess.run(command, check=True, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.STDOUT, **user)

    run(initdb, "-D", data, "-U", "watch", "-A", "trust", "-E", "UTF8", "--no-sync", "--no-instructions")
    run(pg_ctl, "-D", data, "-l", log, "-o", options, "-w", "start")
    try:
        yield f"postgresql://watch@127.0.0.1:{port}/postgres"
    finally:
        run(pg_ctl, "-D", data, "-m", "immediate", "-w", "stop")
        shutil.rmtree(folder)

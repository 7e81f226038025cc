"""One daemon a store: a lock that ends with its process, however that ends."""

from __future__ import annotations

import fcntl
import os
import socket
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from pathlib import Path

from watchman.errors import OutsideError
from watchman.store import Store


def hold(store: Store) -> AbstractContextManager[None]:
    """Keep every other daemon from the store until the block ends. Raises OutsideError saying who holds it."""
    if store.on_server:
        return store.hold_server_lock()
    return nullcontext() if store.path is None else _file(store.path)


@contextmanager
def _file(store: Path) -> Iterator[None]:
    # A file of its own: to open and close the database's file would end the locks SQLite holds on it.
    path = store.with_name(store.name + ".lock")
    try:
        lock = path.open("a+", encoding="utf-8")
    except OSError as error:
        raise OutsideError(f"The lock {path} can't be written: {error.strerror}.") from error
    with lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            lock.seek(0)
            who = lock.read().strip() or "it has just begun"
            raise OutsideError(f"Another watch already runs on {store} ({who}).") from error
        with suppress(OSError):  # the lock holds on a full disk too, only without a name in it
            lock.truncate(0)
            lock.write(f"process {os.getpid()} on {socket.gethostname()}\n")
            lock.flush()
        yield

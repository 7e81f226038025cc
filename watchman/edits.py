"""A network's files edited while it is watched: noticed once nobody writes them any more, tried, and told in words."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import date
from pathlib import Path
from typing import Any

from watchman.errors import InputError
from watchman.mistakes import SecretLookup
from watchman.network import NETWORK_FILE, RULES_FOLDER, Network, load
from watchman.stations import STATIONS_FILE
from watchman.telling.phrases import listed

Stamp = frozenset[tuple[str, int, int]]
"""Each file with when it was changed [ns] and how long it is [bytes]."""

MOST_NAMED = 9
OTHERS = (
    *("name", "zone", "day_starts", "grid_minutes", "store", "by_day", "digest", "mail", "sign_of_life", "board"),
    *("units", "temperature", "escalation", "answers", "duty", "holidays", "frequency"),
)
"""What of a network is one thing and has no names in it."""


class Edits:
    """Looks whether the files of a network say something else than they did when it was last read.

    trouble: why what is written now can't be used, "" when it can.
    """

    def __init__(self, network: Network, secret: SecretLookup, trouble: str = "") -> None:
        self._network, self._secret, self.trouble = network, secret, trouble
        self._before = network
        self._read = self._seen = stamp_of(network)
        self._on = ""

    def forget(self) -> None:
        """Have what was read last be read again at the next look: it could not be used yet."""
        self._network, self._read = self._before, frozenset()

    def look(self, today: date, *, asked: bool = False) -> Network | None:
        """Return the network as it is written now where that is new and can be used, else None.

        A file must have stood still from one look to the next; `asked`: somebody says that it is finished. Lines of
        stations.csv begin and end with days, so that a new day is reason to read too.
        """
        seen = stamp_of(self._network)
        settled, self._seen = seen == self._seen, seen
        on = f"{today}"
        if not (asked or (settled and (seen != self._read or (self._on and on != self._on)))):
            self._on = self._on or on
            return None
        self._read, self._on = seen, on
        try:
            network = load(self._network.folder, self._secret, today)
        except InputError as error:
            self.trouble = str(error)
            return None
        self.trouble = ""
        if network.store != self._network.store:
            self.trouble = "network.toml (store): another store can be used only after a restart of the watch"
            return None
        if network.to_text() == self._network.to_text() and network.stations == self._network.stations:
            return None
        self._before, self._network = self._network, network
        return network


def stamp_of(network: Network) -> Stamp:
    """Return what changes when somebody saves one of a network's files, adds one or takes one away."""
    folder = network.folder
    names = {NETWORK_FILE, STATIONS_FILE, *network.texts}
    names |= {f"{RULES_FOLDER}/{path.name}" for path in (folder / RULES_FOLDER).glob("*.toml")}
    return frozenset(_stamp(folder, name) for name in names)


def _stamp(folder: Path, name: str) -> tuple[str, int, int]:
    try:
        status = (folder / name).stat()
    except OSError:
        return name, 0, -1
    return name, status.st_mtime_ns, status.st_size


def differences(before: Network, after: Network) -> tuple[str, ...]:
    """Return what is written otherwise in one network than in another, one sentence a kind of thing."""
    return tuple(_differences(before, after))


def _differences(before: Network, after: Network) -> Iterator[str]:
    named: tuple[tuple[str, str, Callable[[Any], str]], ...] = (
        ("rules", "rule", lambda one: str(one.name)),
        ("stations", "station", lambda one: str(one.id)),
        ("sources", "source", lambda one: str(one.name)),
        ("contacts", "contact", lambda one: str(one.name)),
        ("calendars", "calendar", lambda one: str(one.name)),
    )
    for field, what, name in named:
        old, new = ({name(one): one for one in getattr(network, field)} for network in (before, after))
        yield from _of_kind(what, old, new)
    changed = [field for field in OTHERS if getattr(before, field) != getattr(after, field)]
    if changed:
        yield f"{listed(changed, MOST_NAMED)}: changed."


def _of_kind(what: str, old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[str]:
    added = [name for name in new if name not in old]
    gone = [name for name in old if name not in new]
    changed = [name for name in new if name in old and new[name] != old[name]]
    over = " Its open alarms close." if what in ("rule", "station", "source") else ""
    for names, words in ((added, "new."), (gone, f"withdrawn.{over}"), (changed, "changed.")):
        if names:
            yield f"{what} {listed(names, MOST_NAMED)}: {words}"

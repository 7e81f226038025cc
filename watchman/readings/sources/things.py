"""Asking a SensorThings server: which datastreams it has, what is new in each, and the past in bites.

A datastream is asked from its newest observation on, less an overlap, newest first, page by page until the server
names no next page. What doesn't fit into one asking, and once a day the past for what came late, is read in bites: the
link to the next older page is remembered. So it doesn't matter how a server orders or cuts its pages, nor whether it
heeds what it is asked.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar
from urllib.parse import quote, urlencode, urljoin, urlsplit

from pydantic import BaseModel, ConfigDict, ValidationError

from watchman.readings.sources import datastreams, json, times
from watchman.readings.sources.memory import DAY, FetchMemory
from watchman.readings.sources.pieces import Asked, Fault, Piece
from watchman.readings.sources.sensorthings import Observations, Source, Stream, end_of, iso
from watchman.readings.sources.settings import UnreadableError
from watchman.readings.sources.web import Door, NotNowError, RefusedError, fault_of, shown

PAGE = 1000
"""How many observations are asked for at once; a server may send fewer."""
PAGES = 5
"""Pages of one datastream that are read in one asking (judgement, no source)."""
OLDER_PAGES = 50
"""Pages of the past that are read in one asking, all datastreams together (judgement, no source)."""
TOGETHER = 40
"""Datastreams asked for in one request, so that its address stays short (judgement, no source)."""
LISTED_S = 3600
"""How old the list of datastreams may become [s] (judgement, no source)."""
LIST_PAGES = 2000
"""Pages after which a list is taken to have no end."""
SPARE = 0.2
"""At least this part of the budget must be left for another request (judgement, no source)."""

TROUBLE = (RefusedError, UnreadableError, NotNowError)
M = TypeVar("M", bound=BaseModel)


class Listed(BaseModel):
    """The datastreams that are read. at: when they were listed [s]; together: many can be asked for in one request;
    that is tried again with each list."""

    model_config = ConfigDict(frozen=True)
    at: int = 0
    together: bool = True
    streams: tuple[Stream, ...] = ()


class Progress(BaseModel):
    """How far a datastream has been read: up to `newest` [s since 1970 UTC], but for the pages from `older` on.

    reaches_back: those pages go back in full. looked_back_at: when that last came to its end, 0 while it never did.
    """

    model_config = ConfigDict(frozen=True)
    newest: int = 0
    older: str = ""
    reaches_back: bool = False
    looked_back_at: int = 0


@dataclass(frozen=True, slots=True)
class Walk:
    """What some pages held. rest: where to go on, "" when there is no more; trouble: why it ended before its time."""

    rows: list[Any]
    rest: str = ""
    trouble: RefusedError | UnreadableError | NotNowError | None = None

    @property
    def stops(self) -> bool:
        """Say whether its trouble is the server's as a whole."""
        return isinstance(self.trouble, RefusedError) and self.trouble.stops


class _StoppedError(Exception):
    """The server as a whole can't be asked any further."""

    def __init__(self, fault: Fault) -> None:
        super().__init__(fault.sentence)
        self.fault = fault


class Asking:
    """One asking of a server: what is new first, the past with what is left of the budget. now [s since 1970 UTC]."""

    def __init__(self, source: Source, door: Door, aliases: Mapping[str, int], memory: FetchMemory, now: int) -> None:
        self._source, self._door, self._aliases, self._memory, self._now = source, door, aliases, memory, now
        self._root = source.place.rstrip("/")
        self._horizon = now - round(source.look_back_days * DAY)
        self._listed = _kept(Listed, memory.own.get("list"))
        self._progress: dict[str, Progress] = {}
        self._turn = memory.own.get("turn", {}).get("key", "")
        self._over, self._slowest_s = False, 0.0

    def pieces(self) -> Iterator[Piece | Fault | Asked]:
        """Yield all of it. Nothing outside makes it raise."""
        try:
            if not 0 <= self._now - self._listed.at < LISTED_S:
                yield from self._list()
            for stream in self._listed.streams:
                self._progress[stream.key] = _kept(Progress, self._memory.own.get(f"at {stream.key}"))
            yield from self._new()
            yield from self._old()
        except _StoppedError as stopped:
            yield stopped.fault
        if self._turn != self._memory.own.get("turn", {}).get("key", ""):
            yield self._noted("turn", {"key": self._turn})
        yield Asked(self._memory.model_copy(update={"spent": self._door.spent()}), {})

    # --- which datastreams there are ---

    def _list(self) -> Iterator[Piece | Fault]:
        """List the datastreams to read, and yield that; what the time does not suffice for is looked at next time."""
        part = self._memory.own.get("part", {})
        found: dict[str, dict[str, Any]] = dict(part.get("found", {}))
        rest = part.get("rest", self._address("Datastreams", {"$expand": "Thing,ObservedProperty"}))
        try:
            for page, following in self._pages_from(rest):
                for entity in map(datastreams.outline, page):
                    found[datastreams.key_of(entity)] = datastreams.needed(entity, self._source, self._aliases)
                rest = following
            for entity in found.values():
                while name := datastreams.lacking(entity, self._source, self._aliases):
                    entity[name] = self._beside(entity, name)
            streams, remarks = datastreams.choose(list(found.values()), self._source, self._aliases)
        except TROUBLE as error:
            later = isinstance(error, NotNowError) or (isinstance(error, RefusedError) and error.stops)
            if part or (found and later):
                yield self._noted("part", {"rest": rest, "found": found} if later else {})
            yield from self._told("Datastreams", error)
            return
        if part:
            yield self._noted("part", {})
        self._listed = Listed(at=self._now, streams=streams)
        yield self._noted("list", self._listed.model_dump(), remarks)

    def _pages_from(self, address: str) -> Iterator[tuple[list[dict[str, Any]], str]]:
        """Yield pages of datastreams, each with where the next one is, "" for nowhere."""
        try:
            for page, _, rest in self._all(address):
                yield page, rest
        except RefusedError as error:
            if error.stops or "?" not in address:
                raise
            yield from self._pages_from(f"{self._root}/Datastreams")

    def _beside(self, entity: Mapping[str, Any], name: str) -> dict[str, Any]:
        """Return the entity that belongs to a datastream but doesn't stand in it; an empty one if it can't be had."""
        if not self._has_time():
            raise NotNowError
        address = f"{self._root}/Datastreams({quote(datastreams.key_of(entity))})/{name}"
        try:
            found = self._document(address)
        except (RefusedError, UnreadableError) as error:
            if isinstance(error, RefusedError) and error.stops:
                raise
            found = {}
        return datastreams.outline({name: found})[name] if isinstance(found, dict) else {}

    # --- a look ---

    def entities(self) -> list[dict[str, Any]]:
        """Return an outline of every datastream. Raises RefusedError, UnreadableError and NotNowError."""
        pages = self._pages_from(self._address("Datastreams", {"$expand": "Thing,ObservedProperty"}))
        found = [datastreams.outline(entity) for page, _ in pages for entity in page]
        for entity in found:
            entity.update({name: self._beside(entity, name) for name in datastreams.BESIDE if name not in entity})
        return found

    def newest(self, stream: Stream) -> Observations:
        """Return the newest page of a datastream; an empty one where it can't be had."""
        return Observations(
            stream, self._walk(self._query(stream, self._horizon), self._horizon, 1).rows, True, self._now
        )

    # --- what is new ---

    def _new(self) -> Iterator[Piece | Fault]:
        """Yield what is new of every datastream, in turn: the next asking begins where the time ran out."""
        groups = self._groups()
        for place, group in enumerate(groups, start=1):
            self._turn = group[0].key
            if not self._has_time():
                return
            # Should it be the one that takes all the time, the others come first next time.
            self._turn = groups[place][0].key if place < len(groups) else ""
            yield from self._new_of(group[0]) if len(group) == 1 else self._new_together(group)
            if self._over:
                self._turn = group[0].key
                return

    def _groups(self) -> list[list[Stream]]:
        """Return the datastreams as they are asked for: many together that were read within a day, or one by one."""
        streams = self._listed.streams
        begin = next((place for place, stream in enumerate(streams) if stream.key == self._turn), 0)
        groups: list[list[Stream]] = []
        some: list[Stream] = []
        for stream in (*streams[begin:], *streams[:begin]):
            alike = self._listed.together and self._is_alike(stream)
            if not alike or not 0 < len(some) < TOGETHER:
                groups.append([])
                some = groups[-1] if alike else some
            (some if alike else groups[-1]).append(stream)
        return groups

    def _new_of(self, stream: Stream) -> Iterator[Piece | Fault]:
        since = self._since(stream)
        walk = self._walk(self._query(stream, since), since, PAGES)
        if isinstance(walk.trouble, RefusedError) and not walk.stops and not walk.rows:
            # It may be the options that it doesn't know: a server refuses those with 501 (18-088, 9.3.1).
            plain = self._walk(f"{self._root}/Datastreams({quote(stream.key)})/Observations", since, PAGES)
            walk = walk if plain.trouble else plain
        yield from self._settle_new(stream, walk)

    def _new_together(self, streams: Sequence[Stream]) -> Iterator[Piece | Fault]:
        """Yield what is new of many by one request; one by one, now and later, where the server doesn't heed it."""
        try:
            found = self._together(streams, min(map(self._since, streams))) if self._listed.together else None
        except NotNowError:
            self._over = True
            return
        except (RefusedError, UnreadableError) as error:
            if isinstance(error, RefusedError) and error.stops:
                raise _StoppedError(self._fault("Datastreams", error)) from None
            found = None
        if found is None:
            self._listed = self._listed.model_copy(update={"together": False})
        if not (self._listed.together and self._listed.at):
            yield self._noted("list", self._listed.model_dump())
        for stream in streams:
            if found is None or stream.key not in found:
                yield from self._new_of(stream)
                continue
            since, page = self._since(stream), found[stream.key]
            done = not page.rest or self._all_before(page.rows, since)
            rest = Walk([]) if done else self._walk(page.rest, since, PAGES - 1)
            yield from self._settle_new(stream, Walk([*page.rows, *rest.rows], rest.rest, page.trouble or rest.trouble))

    def _is_alike(self, stream: Stream) -> bool:
        """Say whether a datastream was read to its end before, and brought something within a day."""
        return bool(self._progress[stream.key].looked_back_at) and self._since(stream) >= self._now - DAY

    def _together(self, streams: Sequence[Stream], since: int) -> dict[str, Walk] | None:
        """Return each datastream's first page, by its key; None where the server doesn't heed what it is asked."""
        inner = (
            f"$filter=phenomenonTime ge {iso(since)}",
            "$orderby=phenomenonTime desc,id desc",
            "$select=phenomenonTime,result,resultTime",
        )
        options = {
            "$filter": " or ".join(f"id eq {stream.key}" for stream in streams),
            "$expand": f"Observations({';'.join(inner)})",
        }
        found = {}
        wanted = {stream.key: stream for stream in streams}
        for page, here, _ in self._all(self._address("Datastreams", options)):
            for entity in page:
                key, rows = datastreams.key_of(entity), entity.get("Observations")
                if key not in wanted:
                    continue
                if not isinstance(rows, list) or any(end < since for end in self._ends(rows)):
                    return None
                link = entity.get("Observations@iot.nextLink")
                found[key] = Walk(rows, self._there(here, link if isinstance(link, str) else ""))
                if datastreams.has_changed(entity, wanted[key], self._source):
                    found[key] = Walk([], "", UnreadableError("its unit has changed; it is looked at anew"))
                    self._listed = self._listed.model_copy(update={"at": 0})
        return found

    def _settle_new(self, stream: Stream, walk: Walk) -> Iterator[Piece | Fault]:
        """Yield what a walk from the newest observation on brought, and how far the datastream is read by it."""
        before = after = self._progress[stream.key]
        never = not before.looked_back_at
        # While older pages are still left, a second gap has to wait: what is new is then asked for once more.
        if not (walk.trouble and not walk.rows) and not (walk.rest and before.older):
            newest = max([before.newest, *(end for end in self._ends(walk.rows) if end <= self._now)])
            after = before.model_copy(update={"newest": newest})
            if walk.rest:
                after = after.model_copy(update={"older": walk.rest, "reaches_back": never})
            elif never and not before.older:
                after = after.model_copy(update={"looked_back_at": self._now})
        yield from self._read(stream, walk, never and not before.newest, after)

    # --- what is older ---

    def _old(self) -> Iterator[Piece | Fault]:
        """Yield some of what is older: pages that were left, and datastreams not looked back on for a day."""
        left = OLDER_PAGES
        for stream in sorted(self._listed.streams, key=lambda one: self._progress[one.key].looked_back_at):
            # Should pages be left each time, the look back comes behind them all the same.
            while self._progress[stream.key].older or self._is_due(stream):
                if left <= 0 or not self._has_time():
                    return
                left -= PAGES
                yield from self._older_of(stream)
                if self._progress[stream.key].older:
                    break

    def _is_due(self, stream: Stream) -> bool:
        looked_back_at = self._progress[stream.key].looked_back_at
        return bool(looked_back_at) and not 0 <= self._now - looked_back_at < DAY

    def _older_of(self, stream: Stream) -> Iterator[Piece | Fault]:
        """Yield some pages that were left of a datastream, or else the first of a look back."""
        before = self._progress[stream.key]
        walk = self._walk(before.older or self._query(stream, self._horizon), self._horizon, PAGES)
        back = before.reaches_back or not before.older
        change: dict[str, Any] = {"older": walk.rest, "reaches_back": back}
        if walk.trouble and not walk.rest:
            # The link may have become void (18-088: 410 or 404); the past is looked at again in an hour.
            change = {"older": "", "reaches_back": False, "looked_back_at": self._now - DAY + LISTED_S}
        elif not walk.rest and back:
            change["looked_back_at"] = self._now
        yield from self._read(stream, walk, not before.looked_back_at, before.model_copy(update=change))

    # --- pages ---

    def _read(self, stream: Stream, walk: Walk, first: bool, after: Progress) -> Iterator[Piece | Fault]:
        """Yield a walk's rows with the progress that they are, and its trouble."""
        path = f"Datastreams({stream.key})/Observations"
        content = Observations(stream, walk.rows, first, self._now) if walk.rows else None
        if after != self._progress[stream.key] or content or not walk.trouble:
            self._progress[stream.key] = after
            yield Piece(f"at {stream.key}", self._label(path), "", content, first, after.model_dump())
        if walk.trouble:
            yield from self._told(path, walk.trouble)

    def _walk(self, address: str, since: int, pages: int) -> Walk:
        """Return what up to so many pages hold, until all of one is before since [s since 1970 UTC]."""
        rows: list[Any] = []
        seen: set[str] = set()
        last: list[Any] = []
        rest = address
        for _ in range(pages):
            seen.add(rest)
            try:
                page, link = self._page(rest)
            except TROUBLE as error:
                later = isinstance(error, NotNowError) or (isinstance(error, RefusedError) and error.stops)
                return Walk(rows, rest if later else "", error)
            rows += page
            try:
                rest = self._there(rest, link)
            except UnreadableError as error:
                return Walk(rows, "", error)
            if rest in seen or (page and page == last):
                return Walk(rows, "", UnreadableError("its pages lead back to where they began"))
            last = page
            if not page or not rest or self._all_before(page, since):
                return Walk(rows)
            if not self._has_time():
                break
        return Walk(rows, rest)

    def _page(self, address: str) -> tuple[list[Any], str]:
        """Return a page's rows and its link to the next one, "" for none. Raises RefusedError and UnreadableError."""
        document = self._document(address)
        rows = document.get("value") if isinstance(document, dict) else None
        if not isinstance(document, dict) or not isinstance(rows, list):
            raise UnreadableError(
                'there is no list "value" in it; is the address the root of a SensorThings server, the one that ends '
                'with its version, for instance "https://data.example.org/v1.1"?'
            )
        link = document.get("@iot.nextLink")
        if isinstance(link, str) and link:
            return rows, link
        # A server may take $top for all that is wanted, and name no next page.
        asked, _, skipped = address.partition("&%24skip=")
        if len(rows) == PAGE and f"%24top={PAGE}" in asked:
            return rows, f"{asked}&%24skip={int(skipped or 0) + PAGE}"
        return rows, ""

    def _all(self, address: str) -> Iterator[tuple[list[dict[str, Any]], str, str]]:
        """Yield each page of a list: its entities, its address, and where the next one is, "" for nowhere.

        Raises RefusedError, UnreadableError, and NotNowError when the time runs out.
        """
        seen: set[str] = set()
        while address:
            if address in seen or len(seen) == LIST_PAGES:
                raise UnreadableError("its pages lead back to where they began, or have no end")
            if seen and not self._has_time():
                raise NotNowError
            seen.add(address)
            rows, link = self._page(address)
            following = self._there(address, link)
            yield [row for row in rows if isinstance(row, dict)], address, following
            address = following

    def _document(self, address: str) -> Any:
        left_s = self._door.left_s()
        try:
            content, _ = self._door.get(address, None, self._root)
        finally:
            self._slowest_s = max(self._slowest_s, left_s - self._door.left_s())
        return json.parse(content or b"")

    def _there(self, here: str, link: str) -> str:
        """Return where a link leads, "" for none. Raises UnreadableError when that is another host: it isn't asked."""
        if not link:
            return ""
        root = urlsplit(self._root)
        try:
            there = urlsplit(urljoin(here, link))
            known = there.port != 0
        except ValueError:
            known = False
        if not known:
            raise UnreadableError(f"it sends us on to {link[:60]!r}, which is no address")
        if there.hostname != root.hostname or there.scheme not in ("http", "https"):
            raise UnreadableError(
                f"it sends us on to {there.scheme}://{there.hostname}, which is not asked; the server's own address "
                "may be set wrong"
            )
        if (root.scheme, there.scheme) == ("https", "http"):
            there = there._replace(scheme=root.scheme, netloc=root.netloc)
        return there.geturl()

    def _query(self, stream: Stream, since: int) -> str:
        """Return the address of a datastream's observations from since [s since 1970 UTC] on, newest first."""
        options = {
            "$filter": f"phenomenonTime ge {iso(since)}",
            "$orderby": "phenomenonTime desc,id desc",
            "$select": "phenomenonTime,result,resultTime",
            "$top": str(PAGE),
        }
        return self._address(f"Datastreams({quote(stream.key)})/Observations", options)

    def _address(self, path: str, options: Mapping[str, str]) -> str:
        return f"{self._root}/{path}?{urlencode(options, quote_via=quote, safe=',:()')}"

    def _since(self, stream: Stream) -> int:
        """Return from when on a datastream is to be asked [s since 1970 UTC]."""
        progress = self._progress[stream.key]
        if progress.newest:
            return max(progress.newest - round(self._source.overlap_minutes * 60), self._horizon)
        return self._now - DAY if progress.looked_back_at else self._horizon

    def _ends(self, rows: Sequence[Any]) -> list[int]:
        """Return when each observation's time is over [s since 1970 UTC]; of those whose time can be read."""
        ends = times.read([end_of(row) for row in rows if isinstance(row, dict)], self._source.time)
        return [end for end in ends.tolist() if end != times.UNREADABLE]

    def _all_before(self, rows: Sequence[Any], since: int) -> bool:
        """Say whether a page shows that what follows is older than since: newest first, and its last is."""
        ends = self._ends(rows)
        return bool(ends) and ends[-1] < since and ends == sorted(ends, reverse=True)

    def _has_time(self) -> bool:
        """Say whether there is time for as long an asking as the longest so far, so that its end is no trouble."""
        return not self._over and self._door.left_s() > max(SPARE * self._source.budget_s, self._slowest_s)

    def _noted(self, key: str, value: Mapping[str, Any], remarks: tuple[str, ...] | None = None) -> Piece:
        return Piece(key, self._label("Datastreams"), "", remarks, False, value)

    def _label(self, path: str) -> str:
        return shown(f"{self._root}/{path}")

    def _told(self, path: str, error: RefusedError | UnreadableError | NotNowError) -> Iterator[Fault]:
        """Yield an error as a fault; raise it if it is the server's as a whole."""
        if isinstance(error, NotNowError):
            self._over = True
            return
        fault = self._fault(path, error)
        if fault.stops:
            raise _StoppedError(fault)
        yield fault

    def _fault(self, path: str, error: RefusedError | UnreadableError) -> Fault:
        label = self._label(path)
        if isinstance(error, RefusedError):
            return fault_of(label, error)
        return Fault(label, f"{label} can't be read: {error}")


def _kept(model: type[M], noted: Mapping[str, Any] | None) -> M:
    """Return what was noted, or what there is at first where it was noted otherwise."""
    try:
        return model.model_validate(noted or {})
    except ValidationError:
        return model()

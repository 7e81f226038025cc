"""What an address is asked for: what is new first, then in bites what is missing; each of it page by page."""

from __future__ import annotations

import re
from collections.abc import Generator, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import quote, urljoin, urlsplit

from watchman.readings.sources import web
from watchman.readings.sources.memory import DAY, OVERLAP_WITH_ZONE, FetchMemory, Gap, overlap_s, with_gap
from watchman.readings.sources.pieces import Asked, Fault, Piece, Seen
from watchman.readings.sources.settings import LINK_HEADER, PLACEHOLDER, DocumentSource

NEW_BEFORE_A_BITE = 4
"""So many stations are asked for what is new before one bite of a gap, so that neither waits for the other."""
AHEAD_S = DAY
"""{until} lies at least so far ahead: a station's clock may be ahead, and an address may name days only [s]."""
AGAIN_S = 900
"""When a gap is asked for again after it could not be had [s]."""
SLOWEST_S = 900
"""How often the slowest station decides how far back all of them are asked for [s] (judgement, no source)."""
SHORTEST_S = 60
"""A stretch shorter than this is not halved any more [s]."""


def pieces(
    source: DocumentSource, folder: Path, aliases: Mapping[str, int], memory: FetchMemory, now: datetime
) -> Iterator[Piece | Fault | Asked]:
    """Yield each page's new content, and last what to remember, all within the source's budget and rate."""
    moment = int(now.timestamp())
    if waits := web.asked_to_wait(source, memory, moment):
        yield waits
        return
    with web.door_of(source, folder, memory, moment) as door:
        asking = _Asking(source, aliases, memory, moment, door)
        yield from asking.everything()
        yield asking.asked()


@dataclass(frozen=True, slots=True)
class _Outcome:
    """How asking for a stretch went. left: what of it is still to be had; two halves: it was too much at once.

    got: at least one page could be read; refused: a page could not be had.
    """

    left: tuple[Gap, ...] = ()
    got: bool = False
    refused: bool = False


_Pieces = Generator[Piece | Fault, None, _Outcome]


class _Asking:
    """One round of asking. over: no further page is asked for in it."""

    def __init__(
        self, source: DocumentSource, aliases: Mapping[str, int], memory: FetchMemory, now: int, door: web.Door
    ) -> None:
        self._source, self._aliases, self._memory, self._now, self._door = source, aliases, memory, now, door
        self._paging = source.paging()
        self._numbered = source.has("offset") or source.has("page")
        self._paged = self._numbered or bool(self._paging.field or self._paging.size)
        self._horizon = memory.horizon(source, now)
        self._until = -(-(now + AHEAD_S) // DAY) * DAY
        self._gaps = tuple(gap for gap in memory.gaps if gap.until > self._horizon or not source.asks_since)
        self._asked, self._since = dict(memory.asked), dict[str, int]()
        self._ask_next, self._looked_back_at = memory.ask_next, memory.looked_back_at
        self._waited_for_at = memory.waited_for_at
        self._reach_s = max(round(source.bite_hours * 3600), 2 * overlap_s(source))
        self._bytes, self._over, self._bitten, self._answered = 0, False, False, False

    def everything(self) -> Iterator[Piece | Fault]:
        """Yield what is new of every station, and in between and after that bites of the gaps."""
        stations = _turns(self._aliases, self._memory.ask_next) if self._source.per_station else [""]
        if self._memory.starved:
            yield from self._bite()
        for count, station in enumerate(stations, 1):
            if self._enough():
                break
            was_asked = yield from self._new(station)
            self._ask_next = station if was_asked else self._ask_next
            if count % NEW_BEFORE_A_BITE == 0:
                yield from self._bite()
        if not self._over:
            self._ask_next = ""
            self._wait_for_the_slowest()
            self._look_back()
        while (yield from self._bite()):
            pass

    def asked(self) -> Asked:
        """Return what is to be remembered of all this."""
        change = {
            "asked": self._asked,
            "gaps": self._gaps,
            "starved": bool(self._ready()) and not self._bitten,
            "ask_next": self._ask_next,
            "looked_back_at": self._looked_back_at,
            "waited_for_at": self._waited_for_at,
            "spent": self._door.spent(),
        }
        return Asked(self._memory.model_copy(update=change), self._since)

    def _enough(self) -> bool:
        self._over = self._over or self._door.left_s() <= 0 or self._bytes > self._source.max_mb * web.MEGABYTE
        return self._over

    def _new(self, station: str) -> Generator[Piece | Fault, None, bool]:
        """Yield what is new of a station, or of all (""). Return whether anything was asked."""
        source, since, going_on = self._source, 0, None
        if source.asks_since:
            since = self._memory.fresh_since(source, station, self._now, self._reach_s)
        else:
            going_on = next((gap for gap in self._gaps if gap.station == station), None)
            self._gaps = tuple(gap for gap in self._gaps if gap is not going_on)
        first = station not in self._memory.asked
        todo = [going_on or Gap(station=station, since=since, until=self._until, first=first)]
        left: list[Gap] = []
        got = refused = False
        while todo and not self._enough():
            outcome = yield from self._walk(todo.pop(), late=False)
            got, refused = got or outcome.got, refused or outcome.refused
            # Of two halves the newer one is the next to be asked for.
            (todo if len(outcome.left) == 2 else left).extend(outcome.left)
        if got:
            self._reach(station, since)
        if got or going_on:
            for gap in (*left, *todo):
                self._gaps = with_gap(self._gaps, gap, whole=not source.asks_until)
        return got or refused

    def _reach(self, station: str, since: int) -> None:
        """Note that a station has been asked up to now, and from where on a gap lies before that."""
        before = self._memory.asked.get(station)
        self._asked[station] = self._now
        if self._source.asks_since:
            self._since[station] = since
            begin = self._horizon if before is None else max(self._horizon, before - overlap_s(self._source))
            gap = Gap(station=station, since=begin, until=since, first=before is None)
            self._gaps = with_gap(self._gaps, gap, whole=not self._source.asks_until)

    def _wait_for_the_slowest(self) -> None:
        """Now and then ask for all stations as far back as the slowest one may have something new."""
        if "" in self._since and not 0 <= self._now - self._waited_for_at < SLOWEST_S:
            self._waited_for_at = self._now
            begin = self._memory.slowest_since(self._source, self._now, self._reach_s)
            gap = Gap(since=begin, until=self._since[""])
            self._gaps = with_gap(self._gaps, gap, whole=not self._source.asks_until)

    def _look_back(self) -> None:
        """Once a day, and when nothing else is missing, ask for all of the past again: for what came late."""
        if not self._looked_back_at:
            self._looked_back_at = self._now
        elif self._memory.looks_back(self._now) and all(gap.not_before for gap in self._gaps):
            self._looked_back_at = self._now
            for station, since in self._since.items():
                gap = Gap(station=station, since=self._horizon, until=since)
                self._gaps = with_gap(self._gaps, gap, whole=not self._source.asks_until)

    def _bite(self) -> Generator[Piece | Fault, None, bool]:
        """Yield the oldest part of the gaps while time enough is left. Return whether there was one."""
        source, ready = self._source, self._ready()
        if not ready or self._enough() or self._door.left_s() < source.budget_s / 2:
            return False
        self._bitten = True
        bite = min(ready, key=lambda gap: gap.since)
        rest = tuple(gap for gap in self._gaps if gap is not bite)
        edge = bite.since + round(source.bite_hours * 3600)
        if source.asks_until and not bite.place and edge < bite.until:
            rest = (*rest, bite.model_copy(update={"since": edge}))
            bite = bite.model_copy(update={"until": edge})
        outcome = yield from self._walk(bite, late=True)
        self._gaps = (*outcome.left, *rest)
        return True

    def _ready(self) -> list[Gap]:
        return [gap for gap in self._gaps if gap.not_before <= self._now] if self._source.asks_since else []

    def _walk(self, gap: Gap, *, late: bool) -> _Pieces:
        """Yield a stretch page by page."""
        got, known = False, {gap.place}
        home = self._address(gap.model_copy(update={"place": ""}), late=late)
        mark = None if late or self._paged else self._memory.pages.get(gap.station)
        while not self._enough():
            address = self._address(gap, late=late)
            label = self._label(address, gap, late=late)
            short_of_time = self._door.left_s() < self._source.budget_s / 2
            try:
                content, new = self._door.get(address, mark, home)
            except web.NotNowError:
                self._over = True
                break
            except web.RefusedError as refusal:
                if gap.place and self._numbered and refusal.nothing_there:
                    return _Outcome(got=got)
                self._over = self._over or refusal.stops
                if self._door.left_s() <= 0 and short_of_time and self._answered:
                    break  # it had no fair share of the time; it is the first to be asked the next time
                split = refusal.too_much and (late or not refusal.stops)
                halves = self._halves(gap, late=late) if split else ()
                if not halves:
                    yield self._fault(label, refusal, gap, late=late)
                return _Outcome(halves or self._again(gap, keep=refusal.stops, late=late), got, refused=True)
            self._answered = True
            seen = Seen(closely=self._paged)
            yield Piece(gap.station, label, gap.station, content, gap.first, None if late or self._paged else new, seen)
            if not seen.readable:
                return _Outcome(self._again(gap, keep=False, late=late), got, refused=True)
            if content is None:
                return _Outcome(got=True)
            got = True
            self._bytes += len(content)
            following = self._following(gap, address, content, seen, late=late)
            if gap.first and self._door.following and not self._paged:
                yield Fault(label, f"{label} {GOES_ON}")
            if isinstance(following, str):
                yield Fault(label, f"{label} {following}")
                return _Outcome(self._again(gap, keep=False, late=True) if late else (), got)
            if len(following) != 1 or following[0].place in known - {""} or seen.fingerprint() in known:
                return _Outcome(following if len(following) == 2 else (), got)
            gap = following[0]
            known |= {gap.place, seen.fingerprint()} if seen.rows else {gap.place}
        return _Outcome((gap,), got)

    def _following(self, gap: Gap, address: str, content: bytes, seen: Seen, *, late: bool) -> tuple[Gap, ...] | str:
        """Return what is to be asked for after a page: nothing, the next page, both halves, or why nobody can say."""
        field, size = self._paging.field, self._paging.size
        if field:
            said = self._door.following if field == LINK_HEADER else self._source.next_of(content, field)
            place = self._place(said, address) if said else ""
            if place is None:
                return f"names its next page ({field}) in no way that is an address; see whether next_page is right"
            return (gap.model_copy(update={"place": place}),) if place else ()
        if self._numbered:
            if not seen.rows or seen.rows < size:
                return ()
            step = seen.rows if self._source.has("offset") else 1
            begin = int(gap.place or (0 if self._source.has("offset") else self._paging.first))
            return (gap.model_copy(update={"place": str(begin + step)}),)
        if not size or seen.rows < size:
            return ()
        if self._source.asks_until:
            return self._halves(gap, late=late) or _stuck(size, seen, in_order=True)
        newest = seen.latest - (round((self._source.covers_minutes or 0) * 60) if self._source.stamps == "begin" else 0)
        # One second less: whether rows of just this moment are sent again, or not, differs from server to server.
        if not seen.in_order or newest - 1 <= gap.since:
            return _stuck(size, seen, in_order=seen.in_order)
        return (gap.model_copy(update={"since": newest - 1}),)

    def _halves(self, gap: Gap, *, late: bool) -> tuple[Gap, ...]:
        """Return a stretch as its two halves, or nothing where it can't be asked for by halves."""
        middle = (gap.since + gap.until) // 2
        whole = gap.model_copy(update={"place": ""})
        # One second less joins them: both ends of a stretch may be left out.
        halves = whole.model_copy(update={"until": middle}), whole.model_copy(update={"since": middle - 1})
        short = middle - gap.since < SHORTEST_S or not self._source.asks_until
        same = self._address(whole, late=late) in {self._address(half, late=late) for half in halves}
        return () if short or same else halves

    def _again(self, gap: Gap, *, keep: bool, late: bool) -> tuple[Gap, ...]:
        """Return a stretch that could not be had. keep: where its pages go on still holds."""
        place = gap.place if keep else ""
        return (gap.model_copy(update={"place": place, "not_before": self._now + AGAIN_S if late else 0}),)

    def _place(self, said: str, address: str) -> str | None:
        """Return what a page said of the next one as it may be kept: what {next} is to be, or an address, whose token
        is hidden; None when it is no address.
        """
        if self._source.has("next"):
            return said
        try:
            following = urljoin(address, said)
            web.shown(following)
        except ValueError:
            return None
        # A server behind another often names itself by the scheme that it is asked by inside.
        safe, same = address.startswith("https://"), urlsplit(following).netloc == urlsplit(address).netloc
        if safe and same and following.startswith("http://"):
            following = following.replace("http://", "https://", 1)
        token = self._token()
        return following.replace(token, "{token}") if token else following

    def _address(self, gap: Gap, *, late: bool) -> str:
        """Return the address of a stretch's page. A gap is asked for with a second around: its ends may be left out."""
        if gap.place and self._paging.field and not self._source.has("next"):
            return gap.place.replace("{token}", self._token())
        begins = gap.since - ((OVERLAP_WITH_ZONE if self._source.time.zone else 1) if late else 0)
        counted = {"offset": gap.place or "0", "page": gap.place or str(self._paging.first), "next": gap.place}

        def filled(match: re.Match[str]) -> str:
            if match[1] == "token":
                return self._token()
            if match[1] in ("since", "until"):
                moment = datetime.fromtimestamp(begins if match[1] == "since" else gap.until + late, UTC)
                return quote(self._source.since(moment, match[2]), safe=":")
            return quote({"station": gap.station, **counted}[match[1]], safe="")

        return PLACEHOLDER.sub(filled, self._source.place)

    def _token(self) -> str:
        return quote(self._source.token.get_secret_value() if self._source.token else "", safe="")

    def _label(self, address: str, gap: Gap, *, late: bool) -> str:
        """Return what people recognise a page by."""
        place = web.shown(address).replace(self._token() or "{token}", "{token}")
        label = f"{place} (station {gap.station})" if gap.station else place
        if not late:
            return label
        begin, end = (f"{datetime.fromtimestamp(moment, UTC):%Y-%m-%d %H:%M}" for moment in (gap.since, gap.until))
        return f"{label}, for what is missing from {begin} to {end} UTC,"

    def _fault(self, label: str, refusal: web.RefusedError, gap: Gap, *, late: bool) -> Fault:
        """Return a refusal as a fault; while what is new can be had, one in the past is not the whole source's."""
        fault = web.fault_of(label, refusal, gap.station)
        return Fault(fault.label, fault.sentence, wait_s=fault.wait_s) if late else fault


GOES_ON = f'says that it goes on on another page, which nobody asks for; write next_page = "{LINK_HEADER}"'


def _stuck(size: int, seen: Seen, *, in_order: bool) -> str:
    full = f"sent a full page (page_size = {size}, {seen.rows} rows)"
    if not in_order:
        return f"{full} that isn't in the order of time, so that nobody can say what follows; add {{until}} or {{page}}"
    return f"{full} of so short a time that what follows can't be asked for; raise page_size, or add {{page}}"


def _turns(aliases: Mapping[str, int], ask_next: str) -> list[str]:
    """Return one name a station, beginning after the one at which the time ran out."""
    one_each = {place: name for name, place in reversed(list(aliases.items()))}
    names = [name for name, place in aliases.items() if one_each[place] == name]
    begin = names.index(ask_next) + 1 if ask_next in names else 0
    return names[begin:] + names[:begin]

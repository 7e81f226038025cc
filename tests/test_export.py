"""The data manager's copy: what was delivered stands in it as delivered, and it sums up to what the watch says."""

from __future__ import annotations

import csv
import itertools
import random
import re
import sqlite3
import stat
import tracemalloc
from collections import defaultdict
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from tests.helpers import SECRETS, moment, write_network
from watchman import answers, export, watch, weekly
from watchman.errors import InputError, OutsideError
from watchman.model import BATTERY, RAIN, TEMPERATURE, VARIABLES, VISIT, Delivery, Readings
from watchman.network import Network, load
from watchman.store import Store
from watchman.telling import digest

NETWORK = """\
[network]
name = "Veldran Hills"
zone = "Europe/Vienna"

[mail]
host = "mail.example.org"
sender = "watch@example.org"

[[sources]]
name = "tips"
kind = "csv"
path = "tips.csv"
tip_mm = 0.2
rain = { unit = "tips", counts = "running total", wraps_at = 1000 }
columns = { time = "time", station = "station", rain = "tips", battery = "battery_v" }

[[sources]]
name = "depth"
kind = "csv"
path = "depth.csv"
columns = { time = "time", station = "station", rain = "rain_mm" }

[[contacts]]
name = "tech-1"
roles = ["technician", "crew", "supervisor", "data manager"]
mail = "tech-1@example.org"
text = "secret:tech_1_text"

[[contacts]]
name = "warden"
roles = ["warden", "road crew"]
mail = "warden@example.org"
"""
STATIONS = ("hollin", "fennick", "larkmoor", "corrow")
STATIONS_CSV = """\
id,latitude,longitude,name,source,covers_minutes
hollin,47.20,13.1,Hollin Dam,tips,
fennick,47.23,13.1,Fennick Bridge,tips,15
larkmoor,47.26,13.1,Larkmoor,depth,
corrow,47.29,13.1,Corrow Mill,depth,15
"""
RULES = {
    name: (Path(__file__).parent.parent / "rules" / f"{name}.toml").read_text(encoding="utf-8")
    for name in ("overdue", "heavy-rain")
}
BEGIN = datetime(2025, 10, 20, tzinfo=UTC)
QUARTER, EVERY = timedelta(minutes=15), timedelta(hours=6)
Row = tuple[str, int, datetime, float]
"""Station, variable, observed_at and value."""


class Kept:
    """A network's folder with a store, and what tests do with both."""

    def __init__(self, folder: Path, store: Store | None = None) -> None:
        self.folder = write_network(folder / "network", NETWORK, STATIONS_CSV, RULES)
        self.out = folder / "copy"
        self.store = store or Store.open("sqlite:///watch.db", self.folder)
        self.network = self.on(date(2025, 10, 20))
        self.store.bind([one.id for one in self.network.stations], [one.name for one in self.network.sources])

    def on(self, day: date) -> Network:
        return load(self.folder, SECRETS.get, day)

    def readings(self, rows: list[Row], received: datetime, *, revision: int = 0, source: str = "") -> Readings:
        """Return rows as readings that arrived at a moment, from the source that stations.csv names."""
        ids, names = [one.id for one in self.network.stations], [one.name for one in self.network.sources]
        sources = {one.id: names.index(source or one.source) for one in self.network.stations}
        station, variable, at, value = zip(*rows, strict=True) if rows else ((), (), (), ())
        size = len(rows)
        return Readings(
            station=np.array([ids.index(one) for one in station], np.int32),
            variable=np.array(variable, np.int8),
            observed_at=np.array([int(one.timestamp()) for one in at], np.int64),
            received_at=np.full(size, int(received.timestamp()), np.int64),
            value=np.array(value, np.float64),
            source=np.array([sources[one] for one in station], np.int16),
            delivery=np.zeros(size, np.int64),
            revision=np.full(size, revision, np.int64),
        )

    def deliver(self, rows: list[Row], received: datetime, *, revision: int = 0, source: str = "") -> Readings:
        return self.store.keep(self.readings(rows, received, revision=revision, source=source))

    def copy(
        self, begin: datetime, end: datetime, *stations: str, out: Path | None = None, now: datetime | None = None
    ) -> list[str]:
        return export.export(self.on, self.store, export.Asked(begin, end, stations), out or self.out, now or end)

    def table(self, name: str = export.READINGS, out: Path | None = None) -> list[dict[str, str]]:
        with ((out or self.out) / name).open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Kept]:
    kept = Kept(tmp_path)
    yield kept
    kept.store.close()


# --- what the copy and the watch say of one messy fortnight ---


class Messy(Kept):
    """Eight days of readings as the field makes them, watched as they come; the clocks are put back on the seventh."""

    def __init__(self, folder: Path, seed: int) -> None:
        super().__init__(folder)
        self.random = random.Random(seed)
        self.end = BEGIN + timedelta(days=8)
        sent = sorted(self._sent(), key=lambda one: one[1])
        self.watch = watch.begin(self.network, self.store, BEGIN)
        self.now = BEGIN
        while self.now < self.end + timedelta(days=1):
            self.now += EVERY
            arrived = [row for row, at in sent if self.now - EVERY < at <= self.now]
            self.random.shuffle(arrived)
            parts = self.readings(arrived, self.now)
            deliveries = [
                Delivery(one.name, self.now, parts.take(parts.source == place))
                for place, one in enumerate(self.network.sources)
            ]
            assert not watch.cycle(self.watch, deliveries, self.now).trouble
            if self.now == BEGIN + timedelta(days=3):
                for station in ("hollin", "corrow"):
                    self.store.add_span(station, self.now - 6 * QUARTER, self.now - QUARTER, VISIT, "tech-1", self.now)
                taken_back = self.store.add_span(
                    "fennick", self.now - timedelta(hours=30), self.now - timedelta(hours=9), VISIT, "tech-1", self.now
                )
            if self.now == BEGIN + timedelta(days=5):
                self.store.withdraw_span(taken_back.number, self.now)

    def _sent(self) -> Iterator[tuple[Row, datetime]]:
        """Yield what was sent and when it arrived."""
        draw = self.random
        for station in STATIONS:
            total, wet = draw.randrange(1000), 0
            for step in range(8 * 96):
                at = BEGIN + step * QUARTER
                wet = wet - 1 if wet else draw.randrange(1, 12) * (draw.random() < 0.02)
                tips = draw.randrange(0, 20) if wet else 0
                running = station in ("hollin", "fennick")
                total = draw.randrange(0, 3) if draw.random() < 0.004 else (total + tips) % 1000
                value = float(total) if running else tips * 0.2
                if draw.random() < 0.01:
                    value = draw.choice([-1.0, 2.0**40, 5e5, 950.0, float("nan"), 0.0])
                arrives = at + timedelta(minutes=draw.choice([1, 2, 5, 20]))
                if draw.random() < 0.02:
                    arrives += timedelta(hours=draw.randrange(1, 30))
                if station == "fennick" and timedelta(days=2) < at - BEGIN < timedelta(days=5):
                    continue  # silent for longer than the days around a stretch
                if draw.random() < 0.97:
                    yield (station, RAIN, at, value), arrives
                if draw.random() < 0.02:
                    yield (station, RAIN, at, value), arrives + timedelta(hours=3)
                if draw.random() < 0.01:
                    yield (station, RAIN, at, value + draw.choice([-1, 1, 5])), arrives + timedelta(hours=2)
                if draw.random() < 0.002:
                    yield (station, RAIN, BEGIN - timedelta(days=405), value), arrives
                if draw.random() < 0.002:
                    yield (station, RAIN, at + timedelta(days=1, minutes=7), value), arrives
                if running and step % 4 == 0:
                    yield (station, BATTERY, at, draw.choice([3.95, 3.9, 3.9, 3.85, 77.0])), arrives


@pytest.fixture(scope="module", params=[1, 2])
def messy(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Messy]:
    messy = Messy(tmp_path_factory.mktemp("messy"), request.param)
    messy.copy(datetime(1969, 12, 31, tzinfo=UTC), messy.now + timedelta(days=2), now=messy.now)
    yield messy
    messy.store.close()


def test_every_delivered_value_stands_in_it_as_delivered(messy: Messy) -> None:
    """Not one is missing, doubled, rounded or moved."""
    with closing(sqlite3.connect(messy.folder / "watch.db")) as database:
        query = """SELECT delivery, stations.id, variable, observed_at, received_at, sources.id, value
                   FROM delivered JOIN stations ON station = stations.number JOIN sources ON source = sources.number"""
        stored = {row[0]: row[1:] for row in database.execute(query)}
    copied = {
        int(row["delivery"]): (
            row["station"],
            VARIABLES.index(row["variable"]),
            moment(row["observed_at"]),
            moment(row["received_at"]),
            row["source"],
            float(row["delivered_value"]) if row["delivered_value"] else None,
        )
        for row in messy.table()
    }
    assert len(messy.table()) == len(stored) > 3000
    assert copied == stored
    assert all(moment(row["observed_local"]) == moment(row["observed_at"]) for row in messy.table())


def test_flags_and_reasons_are_those_the_watch_wrote_down(messy: Messy) -> None:
    """Row by row, after everything that came late and every decision taken back."""
    with closing(sqlite3.connect(messy.folder / "watch.db")) as database:
        stored = {row[0]: row[1:] for row in database.execute("SELECT delivery, flag, reason FROM delivered")}
    rows = messy.table()
    assert {int(row["delivery"]): (int(row["flag"]), row["reason"]) for row in rows} == stored
    reasons = {row["reason"] for row in rows}
    assert len(reasons) >= 8, reasons
    assert {"another value was delivered for the same time", "does not count: out of service or held"} <= reasons


def test_its_sums_are_those_of_the_record_hour_by_hour(messy: Messy) -> None:
    """Of the record that watched, and of one made again from the store."""
    sums: dict[tuple[str, int], int] = defaultdict(int)
    for row in messy.table():
        if (row["variable"], row["counts"]) == ("rain", "yes") and moment(row["observed_at"]) > 0:
            sums[row["station"], -(-moment(row["observed_at"]) // 3600)] += round(1000 * float(row["comparable_value"]))
    again = watch.begin(messy.network, messy.store, messy.now)
    for record in (messy.watch.record, again.record):
        grid = record.hourly
        hours = range(int(BEGIN.timestamp()) // 3600, int(messy.now.timestamp()) // 3600)
        found = {
            (station, hour): int(grid.rain[grid.cell(3600 * hour), place])
            for place, station in enumerate(STATIONS)
            for hour in hours
        }
        assert {key: um for key, um in found.items() if um} == {key: um for key, um in sums.items() if um}
    assert len([um for um in sums.values() if um]) > 100


def test_its_sums_are_those_of_the_digest_day_by_day(messy: Messy) -> None:
    """By the days of the network's clock, the Sunday of 25 hours among them."""
    watching = watch.begin(messy.network, messy.store, messy.now)
    watching.record.advance(int(messy.now.timestamp()))
    told = weekly.facts(messy.network, messy.store, watching, "2025-W43", messy.now).rain_um
    begin, end = digest.week_span(messy.network, "2025-W43")
    copied = np.zeros_like(told)
    for row in messy.table():
        local = datetime.fromisoformat(row["observed_local"])
        if begin < local <= end and (row["variable"], row["counts"]) == ("rain", "yes"):
            day = (local.replace(tzinfo=None) - timedelta(seconds=1)).date() - date(2025, 10, 20)
            copied[STATIONS.index(row["station"]), day.days] += round(1000 * float(row["comparable_value"]))
    assert (copied == told).all()
    assert (told.sum(axis=1) > 0).all()


def test_parts_of_the_time_make_the_whole(messy: Messy, tmp_path: Path) -> None:
    """Wherever it is cut, and for each station by itself."""
    cuts = [BEGIN - QUARTER, *(BEGIN + timedelta(hours=31) * part for part in range(1, 7)), messy.now]
    parts = []
    for number, (begin, end) in enumerate(itertools.pairwise(cuts)):
        for station in STATIONS:
            messy.copy(begin, end, station, out=tmp_path / f"{number}-{station}", now=messy.now)
            parts += messy.table(out=tmp_path / f"{number}-{station}")
    whole = [row for row in messy.table() if cuts[0] < datetime.fromisoformat(row["observed_at"]) <= cuts[-1]]
    by_delivery = {row["delivery"]: row for row in whole}
    assert len(parts) == len(whole)
    assert {row["delivery"]: row for row in parts} == by_delivery


def test_rows_stand_in_the_order_that_is_promised(messy: Messy) -> None:
    """By day (UTC), station as in stations.csv, variable, time and delivery."""
    order = [
        (
            (moment(row["observed_at"]) - 1) // 86400,
            STATIONS.index(row["station"]),
            VARIABLES.index(row["variable"]),
            row["observed_at"],
            int(row["delivery"]),
        )
        for row in messy.table()
    ]
    assert order == sorted(order)


# --- cells ---

NASTY = st.text(
    st.one_of(
        st.sampled_from(list("=+-@'\t\r\n;, \"a1＝＋－＠|")),
        st.characters(exclude_categories=["Cs"], exclude_characters="\0"),
    ),
    max_size=20,
)


def undone(text: str) -> str:
    """Return a cell's text as it was, by the very line that the readers' file shows."""
    return str(eval(export.UNDONE, {"re": re, "text": text}))


@given(NASTY)
@example("=cmd|'/C calc'!A0")
@example("'=1")
@example("\t=1")
@example("fine; =HYPERLINK(1)")
@example("\r\n'=1;;=1;'")
def test_no_text_becomes_a_formula_and_every_text_comes_back(text: str) -> None:
    """Whatever a spreadsheet takes for the separator, and whether it sees the quotes or not."""
    cell = export._guarded(text)
    assert undone(cell) == text
    assert not cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n"))
    for part in re.split(r"[;\t\r\n]", cell):
        assert not part.lstrip(" ").startswith(("=", "+", "-", "@", "＝", "＋", "－", "＠"))


@given(st.lists(NASTY, min_size=1, max_size=5))
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_file_of_any_text_is_read_back_by_any_reader(kept: Kept, tmp_path_factory: Any, texts: list[str]) -> None:
    """RFC 4180, read by a reader of its own here and by Python's."""
    spans = [
        kept.store.add_span("hollin", BEGIN, BEGIN + QUARTER, text, text[::-1], BEGIN + timedelta(hours=1))
        for text in texts
    ]
    out = tmp_path_factory.mktemp("any") / "copy"
    kept.copy(BEGIN, BEGIN + timedelta(days=1), out=out)
    rows = {int(row["number"]): row for row in kept.table(export.MAINTENANCE, out)}
    for span in spans:
        assert undone(rows[span.number]["reason"]) == span.reason
        assert undone(rows[span.number]["who"]) == span.who
        kept.store.withdraw_span(span.number, BEGIN + timedelta(hours=2))
    raw = (out / export.MAINTENANCE).read_bytes().decode()
    assert rfc_4180(raw)[1:] == [list(row.values()) for row in kept.table(export.MAINTENANCE, out)]


def rfc_4180(text: str) -> list[list[str]]:
    """Return the records of a file by the grammar of RFC 4180, section 2; anything else is an error."""
    escaped, plain = r'"((?:[^"]|"")*)"', r'([^",\r\n]*)'
    field = re.compile(rf"(?:{escaped}|{plain})(,|\r\n)", re.DOTALL)
    records: list[list[str]] = [[]]
    at = 0
    while at < len(text):
        found = field.match(text, at)
        assert found, f"no field at {text[at : at + 40]!r}"
        records[-1].append(found[2] if found[1] is None else found[1].replace('""', '"'))
        if found[3] != ",":
            records.append([])
        at = found.end()
    assert records.pop() == [], "the last record ends with a line break too"
    assert len({len(record) for record in records}) == 1
    return records


def test_numbers_stay_numbers(kept: Kept) -> None:
    """A frost is written -12.3, without guard or quotes, and a value to its last digit."""
    kept.deliver([("corrow", TEMPERATURE, BEGIN, -12.3), ("corrow", RAIN, BEGIN, 0.1 + 0.2)], BEGIN)
    kept.copy(BEGIN - QUARTER, BEGIN)
    raw = (kept.out / export.READINGS).read_bytes().decode()
    assert ",-12.3,degC,-12.3,degC," in raw
    assert ",0.30000000000000004,mm,0.3,mm," in raw
    assert [len(record) for record in rfc_4180(raw)] == [len(export.COLUMNS[export.READINGS])] * 3


# --- what it says of time, decisions, places ---


def test_the_doubled_hour_is_told_apart(kept: Kept) -> None:
    """On the day the clocks go back, a day is 25 hours and no two local times are the same."""
    begin, end = datetime(2025, 10, 25, 22, tzinfo=UTC), datetime(2025, 10, 26, 23, tzinfo=UTC)
    moments = [begin + step * QUARTER for step in range(-1, 103)]
    kept.deliver([("corrow", RAIN, at, 0.2) for at in moments], end)
    kept.copy(begin, end)
    local = [row["observed_local"] for row in kept.table()]
    assert len(local) == len(set(local)) == 100
    assert local[0] == "2025-10-26T00:15:00+02:00"
    assert local[-1] == "2025-10-27T00:00:00+01:00"
    assert {"2025-10-26T02:30:00+02:00", "2025-10-26T02:30:00+01:00"} <= set(local)


def test_a_decision_taken_back_lets_the_rain_count_again(kept: Kept, tmp_path: Path) -> None:
    """Its span stays to be seen, with who decided it and when it was taken back."""
    moments = [BEGIN + step * QUARTER for step in range(1, 5)]
    kept.deliver([("corrow", RAIN, at, 0.4) for at in moments], moments[-1])
    span = kept.store.add_span("corrow", moments[0], moments[1], VISIT, "tech-1", moments[3])
    kept.store.set_mark(answers.poured_mark(span), "400")
    kept.copy(BEGIN, moments[-1], out=tmp_path / "held")
    assert [row["counts"] for row in kept.table(out=tmp_path / "held")] == ["yes", "no", "yes", "yes"]
    assert kept.table(out=tmp_path / "held")[1]["comparable_value"] == "0.4"
    kept.store.withdraw_span(span.number, moments[3] + QUARTER)
    kept.copy(BEGIN, moments[-1], out=tmp_path / "free")
    rows = kept.table(out=tmp_path / "free")
    assert [(row["counts"], row["reason"]) for row in rows] == [("yes", "")] * 4
    (held,), (free,) = (kept.table(export.MAINTENANCE, tmp_path / name) for name in ("held", "free"))
    assert free == held | {"withdrawn_at": "2025-10-20T01:15:00Z", "holds": "no"}
    assert held == {
        "number": "1",
        "station": "corrow",
        "begins_at": "2025-10-20T00:15:00Z",
        "begins_local": "2025-10-20T02:15:00+02:00",
        "ends_at": "2025-10-20T00:30:00Z",
        "ends_local": "2025-10-20T02:30:00+02:00",
        "reason": "visit",
        "who": "tech-1",
        "poured_ml": "400.0",
        "decided_at": "2025-10-20T01:00:00Z",
        "withdrawn_at": "",
        "holds": "yes",
    }


def test_each_day_is_read_by_the_line_that_held_then(kept: Kept) -> None:
    """A tip was 0.2 mm, then 0.5 mm in another place; before that nobody had written the station down."""
    head = "id,latitude,longitude,name,source,covers_minutes,from,until,tip_mm\n"
    moved = "hollin,47.2,13.1,,tips,15,2025-10-21,2025-10-22,0.2\nhollin,47.3,13.2,,tips,15,2025-10-23,,0.5\n"
    (kept.folder / "stations.csv").write_text(head + moved, encoding="utf-8")
    noons = [datetime(2025, 10, day, 12, tzinfo=UTC) for day in (20, 21, 22, 23, 24)]
    kept.deliver([("hollin", RAIN, at, 10.0 * count) for count, at in enumerate(noons)], noons[-1])
    kept.copy(BEGIN, noons[-1])
    rows = kept.table()
    assert [row["comparable_value"] for row in rows] == ["", "2.0", "2.0", "5.0", "5.0"]
    assert [row["delivered_value"] for row in rows] == ["0.0", "10.0", "20.0", "30.0", "40.0"]
    assert [row["delivered_unit"] for row in rows] == ["tips running total"] * 5
    assert (rows[0]["flag"], rows[0]["reason"]) == ("2", export.NO_STATION)


def test_what_is_written_no_more_is_still_in_it(kept: Kept) -> None:
    """A station taken out of stations.csv and a source that got another name: kept, but not judged."""
    kept.deliver([("larkmoor", RAIN, BEGIN, 0.4), ("hollin", BATTERY, BEGIN, 3.9)], BEGIN)
    kept.deliver([("corrow", RAIN, BEGIN, 0.6)], BEGIN)
    text = "\n".join(line for line in STATIONS_CSV.splitlines() if not line.startswith("larkmoor")) + "\n"
    (kept.folder / "stations.csv").write_text(text.replace(",tips,", ",count,"), encoding="utf-8")
    (kept.folder / "network.toml").write_text(NETWORK.replace('name = "tips"', 'name = "count"'), encoding="utf-8")
    kept.copy(BEGIN - QUARTER, BEGIN)
    rows = {row["station"]: row for row in kept.table()}
    assert rows["larkmoor"]["reason"] == export.NO_STATION
    assert rows["hollin"]["reason"] == export.NO_SOURCE
    assert [rows[name]["flag"] + rows[name]["counts"] for name in ("larkmoor", "hollin", "corrow")] == [
        *("2no", "2no", "1yes")
    ]
    assert (rows["larkmoor"]["delivered_value"], rows["larkmoor"]["comparable_value"]) == ("0.4", "")
    assert (rows["hollin"]["source"], rows["hollin"]["delivered_value"]) == ("tips", "3.9")


def test_stations_are_found_by_id_or_name_also_old_ones(kept: Kept) -> None:
    """And a slip of the pen is met with the nearest one."""
    text = "\n".join(line for line in STATIONS_CSV.splitlines() if not line.startswith("larkmoor")) + "\n"
    (kept.folder / "stations.csv").write_text(text, encoding="utf-8")
    network = kept.on(date(2025, 10, 20))
    assert export.stations_named(network, kept.store, ["Hollin Dam", "LARKMOOR"]) == ("hollin", "larkmoor")
    with pytest.raises(InputError, match=r'--station: "holin" is no station. Did you mean "hollin"'):
        export.stations_named(network, kept.store, ["holin"])


# --- the folder ---


def three_days(kept: Kept, days: int = 3) -> tuple[datetime, datetime]:
    """Have three stations send for three days, or more."""
    moments = [BEGIN + step * QUARTER for step in range(1, days * 96 + 1)]
    for station in STATIONS[1:]:
        kept.deliver([(station, RAIN, at, 0.2 * (step % 5)) for step, at in enumerate(moments)], moments[-1])
    return BEGIN, moments[-1]


def test_the_folder_appears_when_it_is_whole(kept: Kept) -> None:
    """Until then there is only one that no name shows; only its owner may look into it."""
    begin, end = three_days(kept)
    seen = []

    def look(_seconds: int) -> None:
        seen.append(kept.out.exists())

    export.export(kept.on, kept.store, export.Asked(begin, end), kept.out, end, look)
    assert seen
    assert not any(seen)
    assert {path.name for path in kept.out.iterdir()} == {export.ABOUT, *export.COLUMNS}
    assert stat.S_IMODE(kept.out.stat().st_mode) == 0o700
    assert {stat.S_IMODE(path.stat().st_mode) for path in kept.out.iterdir()} == {0o600}
    assert [path.name for path in kept.out.parent.iterdir() if path.name.startswith(".")] == []


@pytest.mark.parametrize("trouble", [KeyboardInterrupt, OutsideError])
def test_nothing_is_left_of_a_copy_that_was_broken_off(kept: Kept, trouble: type[BaseException]) -> None:
    """By hand, or by a store that went away."""
    begin, end = three_days(kept)
    before = sorted(kept.out.parent.iterdir())

    def fail(_seconds: int) -> None:
        raise trouble

    with pytest.raises(trouble):
        export.export(kept.on, kept.store, export.Asked(begin, end), kept.out, end, fail)
    assert sorted(kept.out.parent.iterdir()) == before


def test_nothing_is_overwritten(kept: Kept) -> None:
    """Not a folder with something in it, nor a file, nor what comes to stand there meanwhile."""
    begin, end = three_days(kept)
    kept.out.mkdir()
    assert kept.copy(begin, end), "an empty folder is as good as none"
    note = kept.out / "note"
    with pytest.raises(InputError, match="exists already"):
        kept.copy(begin, end)
    note.write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match="exists already"):
        kept.copy(begin, end, out=note)

    other = kept.out.with_name("other")

    def come_between(_seconds: int) -> None:
        other.mkdir(exist_ok=True)
        (other / "note").write_text("mine", encoding="utf-8")

    with pytest.raises(OutsideError, match="can't be written"):
        export.export(kept.on, kept.store, export.Asked(begin, end), other, end, come_between)
    assert [path.name for path in other.iterdir()] == ["note"]
    with pytest.raises(InputError, match="there is no folder"):
        kept.copy(begin, end, out=kept.out / "no" / "such")


def test_nothing_in_that_time_is_told_with_what_there_is(kept: Kept) -> None:
    """And no folder is made."""
    with pytest.raises(InputError, match="The store has no readings yet"):
        kept.copy(BEGIN, BEGIN + QUARTER)
    three_days(kept)
    found = "there is nothing of hollin in that time. The store's readings lie between 2025-10-20T02:15:00[+]02:00 and "
    with pytest.raises(InputError, match=found):
        kept.copy(BEGIN, BEGIN + timedelta(days=3), "hollin")
    assert not kept.out.exists()


def copied_while_written(kept: Kept, writer: Store) -> None:
    """Another keeps late and new readings all the while: none of them is in the copy, and it is the same as before."""
    begin, end = three_days(kept, 3 * export.DAYS_AT_ONCE)
    kept.copy(begin, end, out=kept.out.with_name("before"))
    late = [("hollin", RAIN, begin + step * timedelta(hours=1), 3.0) for step in range(1, 280)]
    late += [("corrow", RAIN, begin + step * timedelta(hours=1), 7.0) for step in range(1, 280)]
    writer.bind([one.id for one in kept.network.stations], [one.name for one in kept.network.sources])
    times = []

    def write(_seconds: int) -> None:
        times.append(len(writer.keep(kept.readings(late, end + len(times) * QUARTER, revision=len(times)))))

    export.export(kept.on, kept.store, export.Asked(begin, end), kept.out, end, write)
    assert times[:2] == [len(late)] * 2
    assert kept.table() == kept.table(out=kept.out.with_name("before"))
    about = (kept.out / export.ABOUT).read_text(encoding="utf-8")
    assert f"knowing deliveries up to number {max(int(row['delivery']) for row in kept.table())}\n" in about
    kept.copy(begin, end, out=kept.out.with_name("after"))
    assert len(kept.table(out=kept.out.with_name("after"))) == len(kept.table()) + sum(times)


def test_a_copy_is_of_one_moment_while_the_watch_writes(kept: Kept) -> None:
    """In a file."""
    writer = Store.open("sqlite:///watch.db", kept.folder)
    copied_while_written(kept, writer)
    writer.close()


def test_memory_does_not_grow_with_the_time_asked_for(kept: Kept, tmp_path: Path) -> None:
    """Sixteen days take no more than eight, from which on there are days before and after."""
    for day in range(16):
        moments = [BEGIN + timedelta(days=day, minutes=2 * minute) for minute in range(1, 721)]
        kept.deliver([("corrow", RAIN, at, 0.2) for at in moments], moments[-1])
    peaks = {}
    for days in (8, 16):
        tracemalloc.start()
        kept.copy(BEGIN, BEGIN + timedelta(days=days), out=tmp_path / f"{days} days")
        peaks[days] = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert len(kept.table(out=tmp_path / "16 days")) == 16 * 720
    assert peaks[16] < 1.1 * peaks[8], peaks


def test_the_readers_file_explains_every_column(kept: Kept) -> None:
    """And says from when to when it is, of which stations, and how a text is had back."""
    begin, end = three_days(kept)
    kept.copy(begin, end, "corrow", "fennick")
    about = (kept.out / export.ABOUT).read_text(encoding="utf-8")
    assert "From       2025-10-20T02:00:00+02:00\nTo         2025-10-23T02:00:00+02:00\n" in about
    assert "Stations   corrow, fennick\n" in about
    assert f"  {export.UNDONE}\n" in about
    for name in export.COLUMNS:
        with (kept.out / name).open(encoding="utf-8", newline="") as file:
            head = next(csv.reader(file))
        explained = about.split(f"\n\n{name}\n")[1].split("\n\n")[0]
        assert re.findall(r"^  (\w+)  +[A-Zy]", explained, re.MULTILINE) == head
    assert max(map(len, about.splitlines())) <= 120

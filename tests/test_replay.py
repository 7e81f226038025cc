"""What would have been told over the past: honest about arrival, the same every time, in the promised line format."""

from __future__ import annotations

import json
import random
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as some

from tests.helpers import write_network
from tests.town import RULES, SECRETS, Town, table
from watchman import daemon, replay
from watchman.errors import InputError
from watchman.model import RAIN, Readings, Span
from watchman.network import Network, load
from watchman.store import Store

BEGIN = datetime(2025, 10, 20, tzinfo=UTC)
END = BEGIN + timedelta(hours=30)
EVERY = timedelta(minutes=30)
STATIONS = ("hollin", "fennick", "larkmoor", "kettle")
STATIONS_CSV = "id,latitude,longitude,name\n" + "".join(
    f"{name},{47.2 + 0.03 * place},13.1,{name.title()}\n" for place, name in enumerate(STATIONS)
)
NETWORK = """\
[network]
name = "Veldran Hills"
zone = "Europe/Vienna"

[digest]
tell = ["technician"]

[mail]
host = "mail.example.org"
sender = "watch@example.org"

[[sources]]
name = "main"
kind = "csv"
path = "readings.csv"
covers_minutes = 15
columns = { time = "time", station = "station", rain = "rain_mm"RECEIVED }

[[contacts]]
name = "tech-1"
roles = ["technician"]
mail = "tech-1@example.org"

[[contacts]]
name = "warden"
roles = ["warden", "road crew"]
mail = "warden@example.org"
"""


@dataclass(frozen=True)
class Row:
    """One reading as it lies in a file."""

    station: str
    observed: datetime
    received: datetime
    mm: float


def sound_rows() -> list[Row]:
    """Return a quiet record of three and a half days with two storms and a station that falls silent in between."""
    rows = []
    at = BEGIN - timedelta(days=2, hours=6)
    while at <= END + timedelta(hours=6):
        hours = (at - BEGIN) / timedelta(hours=1)
        for place, name in enumerate(STATIONS):
            if name == "kettle" and 8 <= hours < 16:
                continue
            wet = (place < 2 and 4 <= hours < 4.5) or (place == 2 and 20 <= hours < 20.5)
            rows.append(Row(name, at, at + timedelta(seconds=60 + 20 * place), 7.0 if wet else 0.0))
        at += timedelta(minutes=15)
    return rows


SOUND = sound_rows()


def stamp(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")


def network_of(folder: Path, rows: Sequence[Row], *, received: bool = True) -> Network:
    """Write a network whose file holds these rows, and return it."""
    write_network(
        folder, NETWORK.replace("RECEIVED", ', received = "received"' if received else ""), STATIONS_CSV, RULES
    )
    with (folder / "readings.csv").open("w", encoding="utf-8") as file:
        file.write("station,time,received,rain_mm\n")
        file.writelines(f"{r.station},{stamp(r.observed)},{stamp(r.received)},{r.mm}\n" for r in rows)
    return load(folder, SECRETS.get)


def lines_of(network: Network, end: datetime = END, spans: tuple[Span, ...] = ()) -> list[dict[str, Any]]:
    """Replay a network's file."""
    readings, _rejected, _remarks = replay.past_readings(network, None, end)
    return list(replay.replay(network, readings, BEGIN, end, every=EVERY, spans=spans))


def readings_of(rows: Sequence[Row]) -> Readings:
    """Return rows as readings, without the way through a file."""
    size = len(rows)
    return Readings(
        station=np.array([STATIONS.index(row.station) for row in rows], np.int32),
        variable=np.full(size, RAIN, np.int8),
        observed_at=np.array([int(row.observed.timestamp()) for row in rows], np.int64),
        received_at=np.array([int(row.received.timestamp()) for row in rows], np.int64),
        value=np.array([row.mm for row in rows], np.float64),
        source=np.zeros(size, np.int16),
        delivery=np.zeros(size, np.int64),
        revision=np.zeros(size, np.int64),
    )


@pytest.fixture(scope="module")
def network(tmp_path_factory: pytest.TempPathFactory) -> Network:
    """A network with the sound record in its file."""
    return network_of(tmp_path_factory.mktemp("sound"), SOUND)


@pytest.fixture(scope="module")
def lines(network: Network) -> list[dict[str, Any]]:
    """What would have been told over the sound record."""
    return lines_of(network)


def what(lines: Sequence[dict[str, Any]]) -> list[tuple[Any, ...]]:
    return [(line["at"], line["event"], line["rule"], line["station"]) for line in lines]


KEYS = ["at", "event", "alarm", "rule", "check", "station", "stations", "severity", "certainty", "when", "to", "text"]


def test_the_line_format_is_as_promised(lines: list[dict[str, Any]]) -> None:
    """Other programs read it: these keys, in this order, with these kinds of values."""
    assert lines
    for line in lines:
        text = replay.as_line(line)
        assert "\n" not in text
        assert json.loads(text) == line
        assert list(line) == KEYS
        assert datetime.fromisoformat(line["at"]).utcoffset() == timedelta(0)
        assert line["at"].endswith("Z")
        assert line["station"] is None or line["station"] in STATIONS
        assert set(line["stations"]) <= set(STATIONS)
        assert line["severity"] in ("minor", "moderate", "severe", "extreme")
        assert line["certainty"] in ("observed", "likely", "possible")
        assert line["when"] in ("now", "by day", "weekly")
        assert line["to"]
        assert line["text"]


def test_one_storm_line_word_for_word(lines: list[dict[str, Any]]) -> None:
    """The first line whole."""
    assert lines[0] | {"text": ""} == {
        "at": "2025-10-20T04:30:00Z",
        "event": "raised",
        "alarm": 1,
        "rule": "heavy-rain",
        "check": "heavy-rain",
        "station": None,
        "stations": ["hollin", "fennick"],
        "severity": "moderate",
        "certainty": "observed",
        "when": "now",
        "to": ["warden"],
        "text": "",
    }
    assert "Hollin" in lines[0]["text"]
    assert len(lines[0]["text"]) <= 160


def test_the_story_is_told_once_each(lines: list[dict[str, Any]]) -> None:
    """Two storms and one silence; numbers are the replay's own, and lines are in order."""
    raised = [(line["rule"], line["station"]) for line in lines if line["event"] == "raised"]
    assert raised == [("heavy-rain", None), ("overdue", "kettle"), ("heavy-rain", None)]
    assert [line["alarm"] for line in lines if line["event"] == "raised"] == [1, 2, 3]
    assert [line["at"] for line in lines] == sorted(line["at"] for line in lines)


def test_the_same_input_gives_the_same_lines(network: Network, lines: list[dict[str, Any]]) -> None:
    """Twice from the file, byte for byte."""
    assert [replay.as_line(line) for line in lines_of(network)] == [replay.as_line(line) for line in lines]


def test_the_order_of_rows_in_the_file_does_not_matter(tmp_path: Path, lines: list[dict[str, Any]]) -> None:
    """Arrival counts, wherever a row lies."""
    shuffled = random.Random(3).sample(SOUND, len(SOUND))
    assert lines_of(network_of(tmp_path, shuffled)) == lines


def test_a_later_end_changes_no_earlier_line(network: Network, lines: list[dict[str, Any]]) -> None:
    """Nothing is learned from what lies behind the end."""
    middle = BEGIN + timedelta(hours=10)
    assert lines_of(network, middle) == [line for line in lines if line["at"] <= stamp(middle)]


def test_a_row_is_seen_when_it_arrives(tmp_path: Path) -> None:
    """A storm whose readings came 40 minutes late is told 40 minutes later; one that came six hours late never."""
    storm = [row for row in SOUND if row.mm]
    late = [replace(row, received=row.received + timedelta(minutes=40)) if row in storm[:4] else row for row in SOUND]
    raised = [line["at"] for line in lines_of(network_of(tmp_path / "late", late)) if line["check"] == "heavy-rain"]
    assert raised[0] == "2025-10-20T05:00:00Z"
    very = [replace(row, received=row.received + timedelta(hours=6)) if row in storm[:4] else row for row in SOUND]
    lines = lines_of(network_of(tmp_path / "very", very))
    raised = [line["at"] for line in lines if (line["check"], line["event"]) == ("heavy-rain", "raised")]
    assert raised == ["2025-10-20T20:30:00Z"]


def test_without_a_received_column_a_stated_delay_is_assumed_and_said(tmp_path: Path) -> None:
    """Five minutes after their time unless the source says otherwise; what lies behind the end is not seen."""
    network = network_of(tmp_path, SOUND, received=False)
    readings, _rejected, remarks = replay.past_readings(network, None, BEGIN)
    assert remarks == ["main doesn't say when readings arrived: 5 minutes after their time is assumed."]
    assert set((readings.received_at - readings.observed_at).tolist()) == {300}
    middle = BEGIN + timedelta(hours=4)
    assert lines_of(network, middle) == []
    assert lines_of(network)[0]["at"] == "2025-10-20T04:30:00Z"


def test_what_stood_before_is_not_told_as_new(tmp_path: Path) -> None:
    """A station silent since the day before the beginning."""
    rows = [r for r in SOUND if r.station != "larkmoor" or r.observed < BEGIN - timedelta(hours=20)]
    rows = [replace(row, mm=0.0) for row in rows]
    assert [line for line in lines_of(network_of(tmp_path, rows)) if line["station"] == "larkmoor"] == []


def test_a_file_that_is_not_there_is_said(tmp_path: Path) -> None:
    """A replay needs its file."""
    network = network_of(tmp_path, SOUND)
    (tmp_path / "readings.csv").unlink()
    with pytest.raises(InputError, match=r"readings\.csv"):
        replay.past_readings(network, None, END)


def visit(decided: datetime, withdrawn: datetime | None = None) -> Span:
    begins = BEGIN + timedelta(hours=19, minutes=30)
    return Span(1, "larkmoor", begins, begins + timedelta(hours=2), "visit", "crew", decided, withdrawn)


def test_a_visit_counts_from_when_it_was_booked(network: Network, lines: list[dict[str, Any]]) -> None:
    """Booked before, it holds the tips back; booked the day after, the storm is told as it was then."""
    storms = [line for line in lines if line["check"] == "heavy-rain"]
    second = [line for line in storms if line["at"] >= "2025-10-20T20"]
    booked = lines_of(network, spans=(visit(BEGIN + timedelta(hours=19)),))
    assert [line for line in booked if line["check"] == "heavy-rain"] == [s for s in storms if s not in second]
    afterwards = lines_of(network, spans=(visit(END - timedelta(hours=1)),))
    told = [line for line in afterwards if line["check"] == "heavy-rain" and line["event"] == "raised"]
    assert what(told) == what([line for line in storms if line["event"] == "raised"])
    withdrawn = lines_of(network, spans=(visit(BEGIN, BEGIN + timedelta(hours=1)),))
    assert withdrawn == lines


LATEST = some.integers(0, 60).map(lambda half_hours: BEGIN + half_hours * EVERY)
CHANGES = some.lists(
    some.tuples(
        some.sampled_from(["remove", "alter", "add", "move"]),
        some.integers(0, 10_000),
        some.sampled_from([0.0, 0.2, 7.0, 30.0, -3.0, 9000.0]),
        some.integers(-60 * 24 * 2, 60 * 24),
    ),
    min_size=1,
    max_size=12,
)


def changed(rows: list[Row], moment: datetime, changes: list[tuple[str, int, float, int]]) -> list[Row]:
    """Return rows of which some that were received after a moment are others."""
    rows = list(rows)
    for how, which, mm, minutes in changes:
        later = [place for place, row in enumerate(rows) if row.received > moment]
        place = later[which % len(later)]
        row = rows[place]
        if how == "remove":
            del rows[place]
        elif how == "alter":
            rows[place] = replace(row, mm=mm)
        elif how == "move":
            rows[place] = replace(row, observed=row.observed + timedelta(minutes=minutes))
        else:
            rows.insert(which % len(rows), replace(row, mm=mm, observed=row.observed + timedelta(minutes=minutes)))
    return rows


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(moment=LATEST, changes=CHANGES)
def test_nothing_received_later_changes_an_earlier_line(
    network: Network, lines: list[dict[str, Any]], moment: datetime, changes: list[tuple[str, int, float, int]]
) -> None:
    """Whatever is added, removed or altered among rows received after T, all lines with `at` <= T stay the same."""
    readings = readings_of(changed(SOUND, moment, changes))
    other = replay.replay(network, readings, BEGIN, moment, every=EVERY)
    assert list(other) == [line for line in lines if line["at"] <= stamp(moment)]


def messy_readings() -> Readings:
    """Return the sound record as the field makes it: a station of tips that wraps and restarts, one whose interval
    changes, one whose clock jumps, one that sends a day late, and contradictions, fillings and absurd stamps.
    """
    chance = random.Random(17)
    rows, count = [], 65_500
    for row in SOUND:
        hours = (row.observed - BEGIN) / timedelta(hours=1)
        if row.station == "hollin":
            count = 3 if hours == 6 else (count + round(row.mm / 0.2)) % 65_536
            row = replace(row, mm=float(count))
        elif row.station == "fennick" and hours > 10 and row.observed.minute:
            continue
        elif row.station == "larkmoor" and 12 <= hours < 13:
            row = replace(row, observed=row.observed - timedelta(hours=1))
        elif row.station == "kettle" and hours < -24:
            row = replace(row, received=row.received + timedelta(hours=26))
        rows.append(row)
    for row in chance.sample(rows, 60):
        how = chance.choice(["lost", "other", "filled", "future", "long ago"])
        if how == "lost":
            rows.remove(row)
        else:
            mm = {"other": row.mm + 4.0, "filled": 65_535.0}.get(how, row.mm)
            moved = {"future": timedelta(days=3), "long ago": timedelta(days=-20_000)}.get(how, timedelta())
            rows.append(replace(row, mm=mm, observed=row.observed + moved))
    readings = readings_of(rows)
    readings.source[:] = readings.station == STATIONS.index("hollin")
    return readings


@pytest.fixture(scope="module")
def messy_network(tmp_path_factory: pytest.TempPathFactory) -> Network:
    """The network with a second source, of running counts, and nobody's word on how long readings are."""
    plain = NETWORK.replace("RECEIVED", "").replace("covers_minutes = 15\n", "")
    begin, end = plain.index("[[sources]]"), plain.index("[[contacts]]")
    other = plain[begin:end].replace('"main"', '"counts"').replace("readings.csv", "counts.csv")
    other += 'rain = { unit = "tips", counts = "running total" }\ntip_mm = 0.2\n\n'
    stations = "id,latitude,longitude,name,source\n" + "".join(
        f"{line},{'counts' if line.startswith('hollin') else 'main'}\n" for line in STATIONS_CSV.splitlines()[1:]
    )
    return load(
        write_network(tmp_path_factory.mktemp("messy"), plain[:end] + other + plain[end:], stations, RULES), SECRETS.get
    )


@pytest.fixture(scope="module")
def messy_lines(messy_network: Network) -> list[dict[str, Any]]:
    """What would have been told over the messy record."""
    return list(replay.replay(messy_network, messy_readings(), BEGIN, END, every=EVERY))


@settings(max_examples=3, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(moment=LATEST, seed=some.integers(0, 1000))
def test_nothing_received_later_changes_an_earlier_line_of_messy_readings(
    messy_network: Network, messy_lines: list[dict[str, Any]], moment: datetime, seed: int
) -> None:
    """Of what was received after T a third is lost, a third has another value and a third another time: all lines with
    `at` <= T stay the same.
    """
    readings = messy_readings()
    later = np.flatnonzero(readings.received_at > int(moment.timestamp()))
    random_one = np.random.default_rng(seed)
    fate = random_one.integers(0, 3, len(later))
    readings.value[later[fate == 0]] = random_one.choice([0.0, 30.0, -3.0, 65_535.0], (fate == 0).sum())
    readings.observed_at[later[fate == 1]] += random_one.integers(-2 * 86_400, 86_400, (fate == 1).sum())
    left = readings.take(np.setdiff1d(np.arange(len(readings)), later[fate == 2]))
    other = replay.replay(messy_network, left, BEGIN, moment, every=EVERY)
    assert list(other) == [line for line in messy_lines if line["at"] <= stamp(moment)]


@settings(max_examples=3, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=some.integers(0, 1000))
def test_the_same_is_told_of_messy_readings_whatever_their_order_inside_a_cycle(
    messy_network: Network, messy_lines: list[dict[str, Any]], seed: int
) -> None:
    """What arrives between two cycles arrives at once, in any order: the same lines."""
    assert {line["check"] for line in messy_lines} >= {"heavy-rain", "overdue"}
    readings = messy_readings()
    order = np.random.default_rng(seed).permutation(len(readings))
    step = int(EVERY.total_seconds())
    begin = int((BEGIN - replay.SETTLING).timestamp())
    # All that one cycle sees has arrived with it, so that no order is left but the one it lies in.
    at_once = replace(readings, received_at=begin - -(readings.received_at - begin) // step * -step)
    lines = list(replay.replay(messy_network, at_once, BEGIN, END, every=EVERY))
    assert list(replay.replay(messy_network, at_once.take(order), BEGIN, END, every=EVERY)) == lines


def test_what_came_over_http_is_replayed_as_the_store_kept_it(tmp_path: Path) -> None:
    """Watched live, then replayed from the store: the same storm at the same minute, for the same people."""
    with Town(tmp_path) as town, closing(Store.open("sqlite:///watch.db", town.folder)) as store:
        network = load(town.folder, SECRETS.get)
        now = datetime.now(UTC).replace(second=0, microsecond=0)
        watching = daemon.Daemon(network, store, clock=lambda: now)
        live = []
        for minute in range(0, 90, 15):
            now += timedelta(minutes=15)
            town.answers["/main.csv"] = table({"hollin": 9.0 if minute == 30 else 0.0, "fennick": 0.0}, now)
            town.answers["/other.csv"] = table({"larkmoor": 0.0}, now)
            for position in range(2):
                watching.fetch(position)
            told = watching.cycle()
            assert told is not None
            live += [replay.line_of(network, event) for event in told.events]
        readings, _rejected, remarks = replay.past_readings(network, store, now)
        past = list(
            replay.replay(network, readings, now - timedelta(hours=2), now, every=timedelta(minutes=15), spans=())
        )
    assert [line for line in live if line["to"]] == past
    assert [(line["event"], line["rule"]) for line in past] == [("raised", "heavy-rain")]
    assert [remark.partition(" ")[0] for remark in remarks] == ["main", "other"]


def test_the_past_answers_as_the_store_would(tmp_path: Path) -> None:
    """Every question a cycle asks: the same rows, whatever of them has arrived."""
    chance = random.Random(11)
    rows = [
        replace(
            row, mm=chance.choice([0.0, 0.2, 5.0]), received=row.received + timedelta(minutes=chance.randrange(300))
        )
        for row in chance.sample(SOUND, 400)
    ]
    rows += chance.sample(rows, 40)
    readings = readings_of(rows)
    readings.variable[:] = [chance.choice([0, 0, 1]) for _ in rows]
    past = replay.Past(readings, ())
    with closing(Store.open("sqlite://", tmp_path)) as store:
        store.bind(STATIONS, ["main"])
        for hours in range(0, 40, 4):
            now = BEGIN - timedelta(days=1) + timedelta(hours=hours)
            came = past.until(now)
            assert rows_in(store.keep(came)) == rows_in(came)
            for begin, end in ((-50, -20), (-30, 0), (-3, 3), (-200, 200)):
                span = (int((now + timedelta(hours=begin)).timestamp()), int((now + timedelta(hours=end)).timestamp()))
                for chosen in (None, np.array([1, 3])):
                    for variable in (None, RAIN):
                        for previous in (False, True):
                            how: dict[str, Any] = {
                                "stations": chosen,
                                "variable": variable,
                                "with_previous": previous,
                            }
                            assert rows_in(past.delivered(*span, **how)) == rows_in(store.delivered(*span, **how)), how
            assert rows_in(past.delivered_after(30)) == rows_in(store.delivered_after(30))


def rows_in(readings: Readings) -> list[tuple[Any, ...]]:
    columns = (readings.station, readings.variable, readings.observed_at, readings.received_at, readings.value)
    return sorted(zip(*(column.tolist() for column in columns), strict=True))

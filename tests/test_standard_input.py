"""`once --input`: the rows of one source from a pipe, cleaned and remembered as from its own place."""

from __future__ import annotations

import gzip
import io
import sys
from pathlib import Path

import pytest

from tests.test_cli import Shell
from tests.town import Town, storms, table

WET = table({"hollin": 8.4, "fennick": 0.0})


@pytest.fixture
def town(tmp_path: Path) -> Town:
    return Town(tmp_path / "my-network")


class Pipe(Shell):
    """A terminal in which something is piped into each command."""

    def given(self, content: bytes, line: str) -> tuple[int, str, str]:
        self.monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(content)))
        return self.types(line)


def test_a_storm_in_a_pipe_is_told_once(
    town: Town, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The source's own address isn't asked, the other one is; the same rows again are no news."""
    with town:
        pipe = Pipe(town, capsys, monkeypatch)
        assert "1 event" in pipe.given(WET, "watchman once my-network --input main")[1]
        assert "0 events, 0 notices" in pipe.given(WET, "watchman once my-network --input main")[1]
        assert len(storms(town.told("warden"))) == 1
        assert (town.asked.count("/main.csv"), town.asked.count("/other.csv")) == (0, 2)


def test_packed_rows_and_rows_that_cannot_be_read(
    town: Town, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What gzip packed is unpacked, a bad row is named, the rest counts."""
    with town:
        pipe = Pipe(town, capsys, monkeypatch)
        code, printed, complained = pipe.given(
            gzip.compress(WET + b"hollin,x,1,4\n"), "watchman once my-network --input main"
        )
        assert (code, "1 event" in printed) == (0, True)
        assert "its time 'x' can't be read" in complained


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "source main: standard input is empty; perhaps what fills it has failed"),
        (b"time,place\n1,2\n", "source main: standard input can't be read: it has no column"),
        (b"x" * 100_001, "standard input has more than max_mb = 0.1"),
        (gzip.compress(WET)[:-9], "standard input can't be read to its end"),
    ],
)
def test_what_is_no_such_table_is_told(
    town: Town, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, content: bytes, told: str
) -> None:
    """By the exit code as well, after the cycle: the other source was read."""
    with town:
        code, printed, complained = Pipe(town, capsys, monkeypatch).given(
            content, "watchman once my-network --input main"
        )
        assert told in complained
        assert "0 notices made." in printed or code == 0
        assert code == (0 if "its end" in told else 3)


@pytest.mark.parametrize(
    ("place", "words", "told"),
    [
        ("", "--input man", "there is no source 'man'. network.toml has: main, other."),
        ("", "--station hollin", "it belongs to --input"),
        ("", "--input main --station hollin", "its rows say themselves whose they are"),
        ('path = "{station}.csv"', "--input main", "{station}.csv is one a station. Say whose: --station hollin."),
        ('path = "{station}.csv"', "--input main --station x", "'x' is not in stations.csv. It has: hollin, fennick"),
    ],
)
def test_mistakes(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    place: str,
    words: str,
    told: str,
) -> None:
    """Each says what there is, and nothing is fetched."""
    with Town(tmp_path / "my-network", main=place) as town:
        if place:
            of_main = (
                (tmp_path / "my-network" / "network.toml").read_text().replace('station = "station", rain', "rain", 1)
            )
            (tmp_path / "my-network" / "network.toml").write_text(of_main)
        code, _, complained = Pipe(town, capsys, monkeypatch).given(WET, f"watchman once my-network {words}")
        assert (code, town.asked) == (2, [])
        assert told in complained


def test_a_station_s_own_rows(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where {station} stands in the place, --station says whose they are."""
    with Town(tmp_path / "my-network", main='path = "{station}.csv"') as town:
        of_main = (tmp_path / "my-network" / "network.toml").read_text().replace('station = "station", rain', "rain", 1)
        (tmp_path / "my-network" / "network.toml").write_text(of_main)
        pipe = Pipe(town, capsys, monkeypatch)
        _, printed, complained = pipe.given(
            table({"hollin": 8.4}), "watchman once my-network --input main --station hollin"
        )
        assert "1 event" in printed, complained


def test_a_terminal_is_no_pipe(town: Town, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody waits for rows to be typed."""
    with town:
        monkeypatch.setattr(sys, "stdin", type("Terminal", (), {"isatty": lambda self: True})())
        assert "nothing is piped in" in Shell(town, capsys, monkeypatch).refuses(
            "watchman once my-network --input main"
        )

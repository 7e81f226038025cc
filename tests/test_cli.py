"""The commands as they are typed: every example of their own help runs, answers are acted on, exit codes tell why."""

from __future__ import annotations

import json
import os
import re
import resource
import shlex
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import click
import pytest

from tests.town import RULES, SECRETS, STATIONS, Town, Watched, storms, table
from watchman import cli, lock
from watchman.errors import OutsideError
from watchman.model import AlarmState
from watchman.store import Store

ROOT = Path(__file__).parent.parent


class Shell:
    """A terminal in the folder above the network, which is called my-network as in the examples."""

    def __init__(self, town: Town, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
        self.town, self.capsys, self.monkeypatch = town, capsys, monkeypatch
        monkeypatch.chdir(town.folder.parent)
        monkeypatch.setenv("WATCHMAN_FEED", SECRETS["feed"])

    def types(self, line: str) -> tuple[int, str, str]:
        """Type a command; return its exit code and what it printed and complained."""
        words = shlex.split(line)
        assert words.pop(0) == "watchman"
        self.monkeypatch.setattr(sys, "argv", ["watchman", *words])
        self.capsys.readouterr()
        code = 0
        try:
            cli.main()
        except SystemExit as end:
            code = int(end.code or 0)
        said = self.capsys.readouterr()
        return code, said.out, said.err

    def does(self, line: str) -> str:
        """Type a command that must be done; return what it printed."""
        code, printed, complained = self.types(line)
        assert code == 0, f"{line}: {complained}"
        return printed

    def refuses(self, line: str, code: int = 2) -> str:
        """Type a command that must not be done; return what it complained of."""
        found, printed, complained = self.types(line)
        assert (found, printed) == (code, ""), f"{line}: {printed}{complained}"
        assert "Traceback" not in complained
        return complained


@pytest.fixture
def shell(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Iterator[Shell]:
    """A shell beside a town in which it has just rained heavily; nothing has been watched yet."""
    with Town(tmp_path / "my-network") as town:
        town.wet()
        yield Shell(town, capsys, monkeypatch)


@pytest.fixture
def stormy(shell: Shell) -> Shell:
    """The same after `once`: alarm 1 stands."""
    shell.does("watchman once my-network")
    return shell


def every_command(group: click.Group, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    for name, command in group.commands.items():
        if isinstance(command, click.Group):
            yield from every_command(command, (*path, name))
        else:
            yield (*path, name), command


COMMANDS = dict(every_command(cli.commands))
EXAMPLES = [
    line.strip()
    for command in COMMANDS.values()
    for line in (command.epilog or "").splitlines()
    if line.strip().startswith("watchman ")
]
ELSEWHERE = ("watchman run ", "watchman init ")
"""Examples that run in a test of their own: one does not end, the other asks."""


def test_every_command_has_help_with_an_example() -> None:
    """The example names the command itself."""
    assert len(COMMANDS) >= 14
    for path, command in COMMANDS.items():
        assert command.help
        assert f"watchman {' '.join(path)} " in (command.epilog or ""), path


def moved_to_now(example: str) -> str:
    """Return an example with what depends on the day and the machine as it is here."""
    today = datetime.now(UTC)
    example = example.replace("2025-10-20T09:40", f"{today - timedelta(hours=3):%Y-%m-%dT%H:%M}")
    example = example.replace("2025-10-20T11:00", f"{today - timedelta(hours=1):%Y-%m-%dT%H:%M}")
    example = example.replace("--to 2025-11-03", "--to 2025-10-20")
    if example.startswith("watchman export "):
        days = iter([f"{today:%Y-%m-%d}", f"{today + timedelta(days=1):%Y-%m-%d}"])
        example = re.sub(r"20\d\d-\d\d-\d\d(T\d\d:\d\d)?", lambda _found: next(days), example)
    example = example.replace("/media/stick/watch-2025-10-20.db", "copy.db")
    return re.sub(r"\b41\b", "1", example).replace("--as crew", "--as tech-1")


def test_every_example_of_the_help_runs(stormy: Shell) -> None:
    """As it stands there, with today's dates and this machine's alarm."""
    stormy.does("watchman shelve my-network 1 --hours 2")
    stormy.does("watchman once my-network")
    for _ in range(7):
        stormy.does("watchman maintenance add my-network fennick --hours 3")
    other = stormy.town.folder.parent / "other" / "heavy-rain.toml"
    other.parent.mkdir()
    other.write_text(RULES["heavy-rain"], encoding="utf-8")
    examples = [moved_to_now(example) for example in EXAMPLES if not example.startswith(ELSEWHERE)]
    assert len(examples) >= 16
    for example in examples:
        stormy.does(example)


def test_once_says_what_it_did(shell: Shell) -> None:
    """The storm and its notices; a second time nothing."""
    said = shell.does("watchman once my-network")
    assert "1 event, 2 notices made." in said
    assert "raised: heavy-rain network no. 1" in said
    assert len(storms(shell.town.told("warden"))) == 1
    assert "0 events, 0 notices made." in shell.does("watchman once my-network")


def test_once_names_the_rows_that_cannot_be_read(shell: Shell) -> None:
    """On the error output, with the row."""
    shell.town.answers["/main.csv"] = table({"hollin": "wet", "ghost": 0.0})
    code, _printed, complained = shell.types("watchman once my-network")
    assert code == 0
    assert "main: not read: its rain is not a number: hollin," in complained
    assert "'ghost', which is not in stations.csv" in complained


def test_status_for_people_and_programs(stormy: Shell) -> None:
    """The same facts twice."""
    words = stormy.does("watchman status my-network")
    assert re.search(r"Larkmoor +\d+ min ago +8\.4 mm +3\.95 V", words)
    assert "no. 1    network: heavy rain at Larkmoor" in words
    facts = json.loads(stormy.does("watchman status my-network --json"))
    assert [station["id"] for station in facts["stations"]] == ["hollin", "fennick", "larkmoor"]
    assert facts["stations"][2]["rain_24h_mm"] == 8.4
    assert [(alarm["number"], alarm["rule"], alarm["state"]) for alarm in facts["alarms"]] == [
        (1, "heavy-rain", "unacknowledged")
    ]


def test_status_where_nothing_stands(shell: Shell) -> None:
    """Said, rather than an empty table."""
    shell.town.dry()
    shell.does("watchman once my-network")
    assert "Nothing stands." in shell.does("watchman status my-network")


@pytest.mark.parametrize(
    "command",
    ["status", "digest", "replay --from 2025-10-20 --to 2025-10-21", "acknowledge 1", "backup copy.db"],
)
def test_without_a_store_what_needs_one_says_so(shell: Shell, command: str) -> None:
    """Nothing is made by looking: the first run or once makes the store."""
    name, _, rest = command.partition(" ")
    complained = shell.refuses(f"watchman {name} my-network {rest}", code=3)
    assert "There is no store at" in complained
    assert "watchman run" in complained
    assert not (shell.town.folder / "watch.db").exists()


def alarm(shell: Shell) -> Any:
    with closing(Store.open("sqlite:///watch.db", shell.town.folder)) as store:
        return store.alarm(1)


def test_acknowledging_promises_only_what_is_so(shell: Shell) -> None:
    """There are no reminders that could stop."""
    told = shell.does("watchman acknowledge --help")
    assert "told when it is over" in told
    assert "reminder" not in told


def test_an_acknowledgement_counts_from_the_next_cycle(stormy: Shell) -> None:
    """With the name of whoever gave it."""
    assert "It counts from the next cycle on." in stormy.does("watchman acknowledge my-network 1 --as warden")
    assert alarm(stormy).state is AlarmState.UNACKNOWLEDGED
    assert "acknowledged: heavy-rain" in stormy.does("watchman once my-network")
    assert (alarm(stormy).state, alarm(stormy).acknowledged_by) == (AlarmState.ACKNOWLEDGED, "warden")


def test_a_shelving_has_an_end_and_is_taken_back(stormy: Shell) -> None:
    """Until a stated time, or until somebody takes it back."""
    stormy.does('watchman shelve my-network 1 --hours 48 --reason "known" --as tech-1')
    stormy.does("watchman once my-network")
    assert alarm(stormy).state is AlarmState.SHELVED
    assert alarm(stormy).shelved_until > datetime.now(UTC) + timedelta(hours=47)
    stormy.does("watchman unshelve my-network 1 --as tech-1")
    stormy.does("watchman once my-network")
    assert alarm(stormy).state is AlarmState.UNACKNOWLEDGED


def test_an_alarm_is_answered_in_the_words_of_a_reply(stormy: Shell) -> None:
    """The same words as by mail and text do the same, and say what was done."""
    assert "acknowledged: you see to it" in stormy.does("watchman answer my-network 1 ok, on my way --as warden")
    stormy.does("watchman once my-network")
    assert alarm(stormy).acknowledged_by == "warden"
    assert "acknowledged already, by warden" in stormy.refuses("watchman answer my-network 1 OK --as tech-1")


MISTAKES = [
    ("answer my-network 7 OK", "alarm 7 does not exist. Standing now: 1."),
    ("answer my-network 1 perhaps", '"perhaps" is no answer. That was not understood. Answer OK, LATER THU'),
    ('answer my-network 1 "not a fault: drizzle"', "NOT A FAULT is no answer to this: it takes OK."),
    ("answer my-network 1 OK --as tech-l", '--as: "tech-l" is no contact. Contacts are tech-1, warden.'),
    ("acknowledge my-network 7", "alarm 7 does not exist. Standing now: 1."),
    ("acknowledge my-network 1 --as tech-l", '--as: "tech-l" is no contact. Contacts are tech-1, warden.'),
    ("acknowledge my-network one", "is not a valid int"),
    ("shelve my-network 1", "no end is given. A shelving always has an end"),
    ("shelve my-network 1 --hours 2 --until 2099-01-01", "two ends are given"),
    ("shelve my-network 1 --until 2020-01-01", "--until: it is already past"),
    ("shelve my-network 1 --until someday", '--until: "someday" is no time'),
    ("maintenance add my-network holin", 'STATION: "holin" is no station'),
    ("maintenance add my-network hollin --to 2020-01-01", "the window ends before it begins"),
    ("maintenance add my-network hollin --to 2099-01-01 --hours 2", "both --to and --hours are given"),
    ("maintenance end my-network 7", "there is no window 7"),
    ("drill my-network --to nobody", '--to: "nobody" is no contact'),
    ("digest my-network --week 43", '--week: "43" is no week'),
    ("replay my-network --from 2025-10-21 --to 2025-10-20", "--to: it is before --from"),
    ("replay my-network --from 2025-10-21", "Missing option '--to'"),
    ("status no-network", "there is no such folder"),
    ("statsu my-network", "No such command 'statsu'"),
]


def test_every_mistake_is_told_in_words(stormy: Shell) -> None:
    """Exit code 2, a sentence, no traceback, nothing printed for a program to misread."""
    for line, complaint in MISTAKES:
        assert complaint in stormy.refuses(f"watchman {line}")


def test_a_window_is_booked_listed_and_ended(shell: Shell) -> None:
    """Also before the first cycle; ended early it ends then, taken back before it has begun it never was."""
    assert "Window 1: hollin from" in shell.does(
        'watchman maintenance add my-network "Hollin Dam" --hours 3 --as tech-1'
    )
    shell.does("watchman maintenance add my-network fennick --from 2099-01-01 --hours 2")
    listed = shell.does("watchman maintenance list my-network").splitlines()
    assert [line.split()[:2] for line in listed] == [["1", "hollin"], ["2", "fennick"]]
    assert listed[0].endswith("tech-1 (running)")
    assert "ended" in shell.does("watchman maintenance end my-network 1")
    assert "is taken back" in shell.does("watchman maintenance end my-network 2")
    windows = json.loads(shell.does("watchman maintenance list my-network --json"))
    assert [(window["station"], window["who"], window["reason"]) for window in windows] == [
        ("hollin", "tech-1", "visit")
    ]
    assert datetime.fromisoformat(windows[0]["ends_at"]) <= datetime.now(UTC)
    assert "has ended already" in shell.refuses(f"watchman maintenance end my-network {windows[0]['number']}")


def test_no_window_is_said(shell: Shell) -> None:
    """Rather than nothing at all."""
    shell.does("watchman once my-network")
    assert shell.does("watchman maintenance list my-network") == "No window is booked.\n"


def test_tips_of_a_booked_window_are_no_storm(shell: Shell) -> None:
    """The next cycle acts on it."""
    shell.town.dry()
    shell.town.wet("/other.csv", "larkmoor")
    begins = f"{datetime.now(UTC) - timedelta(hours=1):%Y-%m-%dT%H:%M:%SZ}"
    shell.does(f"watchman maintenance add my-network larkmoor --from {begins} --hours 3 --as tech-1")
    assert "0 events" in shell.does("watchman once my-network")
    assert "out of service" in shell.does("watchman status my-network")


def test_a_drill_reaches_everybody_at_once_and_is_counted(stormy: Shell) -> None:
    """Without a running watch it is sent here; each way is named with what became of it."""
    said = stormy.does("watchman drill my-network")
    assert said.splitlines()[0] == "Drill 1"
    ways = [line.split() for line in said.splitlines()[1:]]
    assert sorted(ways) == sorted(
        [who, channel, "accepted"] for who in ("tech-1", "warden") for channel in ("text", "mail")
    )
    assert any("drill" in text.lower() for text in stormy.town.told("tech-1"))
    assert stormy.does("watchman drill my-network --to warden").startswith("Drill 2")
    answers = stormy.does("watchman drill my-network --answers").splitlines()
    assert answers[0].endswith("0 of 1 person answered.")
    assert answers[1].split(maxsplit=1) == ["warden", "NOT answered (text accepted, mail accepted)"]


def test_a_drill_beside_a_running_watch_is_left_to_it(stormy: Shell) -> None:
    """One process sends."""
    with closing(Store.open("sqlite:///watch.db", stormy.town.folder)) as store, lock.hold(store):
        said = stormy.does("watchman drill my-network")
        assert "4 notices in the outbox; the running watch sends within seconds." in said
        assert not any("drill" in text.lower() for text in stormy.town.told("tech-1"))
        assert "Another watch already runs" in stormy.refuses("watchman once my-network", code=3)


def test_a_replay_prints_the_promised_lines(stormy: Shell) -> None:
    """One JSON object a line; remarks go to the error output."""
    day = datetime.now(UTC) - timedelta(hours=2)
    times = f"--from {day:%Y-%m-%dT%H:%M:%SZ} --to {day + timedelta(hours=3):%Y-%m-%dT%H:%M:%SZ} --every 15"
    code, printed, remarks = stormy.types(f"watchman replay my-network {times} --format ndjson")
    assert code == 0
    lines = [json.loads(line) for line in printed.splitlines()]
    assert [(line["event"], line["rule"]) for line in lines][:1] == [("raised", "heavy-rain")]
    assert "as this host's store has kept it" in remarks
    words = stormy.does(f"watchman replay my-network {times}")
    assert lines[0]["text"] in words


def test_a_replay_of_files_needs_no_store(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """And makes none."""
    with Town(tmp_path / "my-network", main='path = "upload.csv"') as town:
        file = town.folder / "network.toml"
        file.write_text(
            re.sub(r'address = "http[^"]*other.csv"\n', 'path = "upload.csv"\n', file.read_text()).replace(
                'token = "secret:feed"\n', ""
            )
        )
        (town.folder / "upload.csv").write_bytes(
            table({"hollin": 8.4, "larkmoor": 0.0}, datetime(2025, 10, 20, 12, tzinfo=UTC))
        )
        shell = Shell(town, capsys, monkeypatch)
        printed = shell.does("watchman replay my-network --from 2025-10-20 --to 2025-10-21 --format ndjson")
        lines = [json.loads(line) for line in printed.splitlines()]
        assert [line["event"] for line in lines if line["rule"] == "heavy-rain"] == ["raised"]
        assert not (town.folder / "watch.db").exists()


def test_verify_for_programs(shell: Shell) -> None:
    """Its lines, and its exit code twice."""
    code, printed, _complained = shell.types("watchman verify my-network --json")
    assert json.loads(printed)["exit_code"] == code == 0
    shell.town.answers["/main.csv"] = b"<html></html>"
    code, printed, _complained = shell.types("watchman verify my-network")
    assert code == 3
    assert "main: FAILED" in printed


def test_a_line_of_stations_that_begins_later_does_not_count_yet(shell: Shell) -> None:
    """Where a station will be moved next year it is not yet."""
    lines = STATIONS.replace("id,latitude", "from,until,id,latitude").replace("\nhollin", "\n,2098-12-31,hollin")
    lines = lines.replace("\nfennick", "\n,,fennick").replace("\nlarkmoor", "\n,,larkmoor")
    moved = "2099-01-01,,hollin,47.9,13.9,Hollin New Dam,main,15\n"
    (shell.town.folder / "stations.csv").write_text(lines + moved)
    shell.does("watchman once my-network")
    assert "Hollin Dam " in shell.does("watchman status my-network")


def test_our_own_bug_shows_a_traceback_and_exits_1(tmp_path: Path) -> None:
    """It is not dressed up as anything else."""
    broken = "import watchman.cli as cli; cli.now = lambda: 1 / 0; cli.main()"
    with Town(tmp_path / "my-network") as town:
        done = subprocess.run(
            [sys.executable, "-c", broken, "status", str(town.folder)],
            cwd=ROOT,
            env=os.environ | {"WATCHMAN_FEED": "x"},
            capture_output=True,
            text=True,
            check=False,
        )
    assert done.returncode == 1
    assert "ZeroDivisionError" in done.stderr


def test_python_m_watchman_answers_at_once() -> None:
    """The help in less than 0.2 s of processor time, at the best of three: the imports are lazy."""
    used = []
    for _ in range(3):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        command = [sys.executable, "-m", "watchman", "--help"]
        done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        assert "acknowledge" in done.stdout
        used.append(after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime)
    assert min(used) < 0.2


def heavy_modules(words: Sequence[str]) -> list[str]:
    """Return which large libraries a command loads."""
    code = (
        "import sys; from watchman import cli\ntry:\n cli.main()\nexcept SystemExit: pass\n"
        "print(*sorted({name.partition('.')[0] for name in sys.modules}), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *words],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
        env=os.environ | {"WATCHMAN_FEED": "x"},
    )
    heavy = {"numpy", "pandas", "pydantic", "sqlalchemy", "apprise", "requests", "flask", "jinja2", "apscheduler"}
    return sorted(heavy & set(done.stderr.split()))


def test_the_help_loads_no_large_library_and_status_no_channels() -> None:
    """What takes half a second to load is loaded by those who send."""
    assert heavy_modules(["--help"]) == []
    assert heavy_modules(["status", "--help"]) == []


def test_status_does_not_load_what_sends(tmp_path: Path) -> None:
    """A look at the network is quick on a small board."""
    with Town(tmp_path) as town:
        watched = Watched(town)
        watched.turn()
        watched.store.close()
        assert not {"apprise", "flask"} & set(heavy_modules(["status", str(town.folder)]))


def test_secrets_come_from_the_credentials_folder_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As the service manager hands them over; else from the environment; else there is none."""
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    monkeypatch.setenv("WATCHMAN_LINK_KEY", "from the environment")
    assert cli.secret("link_key") == "from the environment"
    (tmp_path / "link_key").write_text("from the folder\n")
    assert cli.secret("link_key") == "from the folder"
    assert cli.secret("other") is None


def test_a_credential_that_cannot_be_read_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without its content, of course."""
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    (tmp_path / "link_key").write_text("x")

    def denied(*_: object, **__: object) -> str:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_text", denied)
    with pytest.raises(OutsideError, match="link_key can't be read: Permission denied"):
        cli.secret("link_key")


def test_init_asks_and_writes_a_folder_that_works(tmp_path: Path) -> None:
    """Its example, with the answers piped in; without answers it stops and says so."""
    done = subprocess.run(
        [sys.executable, "-m", "watchman", "init", str(tmp_path / "my-network")],
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert "Stopped." in done.stderr
    assert "Traceback" not in done.stderr

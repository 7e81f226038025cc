"""What other rules would have added and lost: lines matched by hand-made cases, whole runs through the command."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from click.testing import CliRunner, Result

from tests.test_replay import KEYS, SOUND, network_of
from tests.town import RULES
from watchman import tuning
from watchman.cli import commands
from watchman.errors import InputError

ZONE = ZoneInfo("Europe/Vienna")
HIGH = RULES["heavy-rain"].partition("[settings]")[0] + (
    '[settings]\nlimits = [{ depth_mm = 100, minutes = 15, severity = "severe" }]\n'
)


def line(at: str, *to: str, event: str = "raised", rule: str = "overdue", when: str = "by day") -> dict[str, Any]:
    return {"at": f"{at}:00Z", "event": event, "rule": rule, "when": when, "to": list(to)}


def compared(
    before: list[tuple[str, dict[str, Any]]], after: list[tuple[str, dict[str, Any]]]
) -> list[tuple[str, str, list[str]]]:
    return [(one["change"], one["at"][:10], one["to"]) for one in tuning.compared(before, after)]


def test_the_same_thing_told_within_a_day_is_the_same() -> None:
    """A day later it still is; a minute more and one is lost and another added."""
    mine = [("station:a", line("2025-10-20T07:00", "tech"))]

    assert compared(mine, [("station:a", line("2025-10-21T07:00", "tech"))]) == [("same", "2025-10-21", ["tech"])]
    assert compared(mine, [("station:a", line("2025-10-21T07:01", "tech"))]) == [
        ("lost", "2025-10-20", ["tech"]),
        ("added", "2025-10-21", ["tech"]),
    ]


@pytest.mark.parametrize(
    "other",
    [
        ("station:b", line("2025-10-20T07:00", "tech")),
        ("station:a", line("2025-10-20T07:00", "tech", event="updated")),
        ("station:a", line("2025-10-20T07:00", "tech", rule="gaps")),
    ],
)
def test_another_place_event_or_rule_is_another_thing(other: tuple[str, dict[str, Any]]) -> None:
    """At the very same minute."""
    mine = [("station:a", line("2025-10-20T07:00", "tech"))]

    assert sorted(change for change, _, _ in compared(mine, [other])) == ["added", "lost"]


def test_of_several_the_earliest_go_together() -> None:
    """Three before, two after: the one that nothing after is near is lost, whatever comes first."""
    before = [("network", line(f"2025-10-{day}T12:00", "w")) for day in ("20", "22", "26")]
    after = [("network", line("2025-10-22T20:00", "w")), ("network", line("2025-10-26T02:00", "w"))]

    assert compared(before, after) == [
        ("lost", "2025-10-20", ["w"]),
        ("same", "2025-10-22", ["w"]),
        ("same", "2025-10-26", ["w"]),
    ]


def test_told_to_other_people_is_lost_for_some_and_added_for_others() -> None:
    """What is added less what is lost is the difference of the counts."""
    before = [("station:a", line("2025-10-20T07:00", "tech", "crew"))]
    after = [("station:a", line("2025-10-20T08:00", "crew", "warden"))]

    assert compared(before, after) == [
        ("lost", "2025-10-20", ["tech"]),
        ("same", "2025-10-20", ["crew"]),
        ("added", "2025-10-20", ["warden"]),
    ]


def test_weeks_are_those_of_the_network_s_own_clock() -> None:
    """Sunday 23:30 in UTC is Monday in Vienna; what the digest alone names is no notice."""
    lines = [
        line("2025-10-26T23:30", "tech", "warden"),
        line("2025-10-26T22:30", "tech"),
        line("2025-10-26T12:00", "tech", when="weekly"),
    ]

    assert tuning.counts(lines, ZONE) == {
        ("tech", "2025-W43"): 1,
        ("tech", "2025-W44"): 1,
        ("warden", "2025-W44"): 1,
    }
    assert tuning.as_table([("notices", lines)], ZONE)[1:] == [
        "person  week      notices",
        "tech    2025-W43        1",
        "tech    2025-W44        1",
        "tech    together        2",
        "warden  2025-W44        1",
    ]


def test_a_past_in_which_nothing_was_told_has_no_table() -> None:
    """Said in words."""
    assert tuning.as_table([("notices", [])], ZONE) == ["Nobody would have been told anything."]


# --- through the command ---


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A network with two storms for the warden, a silence for the technician, and a digest."""
    folder = tmp_path_factory.mktemp("sound")
    network_of(folder, SOUND)
    others = folder / "others"
    others.mkdir()
    (others / "heavy-rain.toml").write_text(HIGH, encoding="utf-8")
    (others / "silence.toml").write_text('check = "overdue"\ntell = ["warden"]\n', encoding="utf-8")
    (others / "broken.toml").write_text('check = "overdu"\ntell = ["warden"]\nwhen = "soon"\n', encoding="utf-8")
    return folder


def replayed(folder: Path, *options: str) -> Result:
    times = ["--from", "2025-10-20T00:00:00Z", "--to", "2025-10-21T06:00:00Z", "--every", "30"]
    return CliRunner().invoke(commands, ["replay", str(folder), *times, *options])


def test_a_replay_ends_with_how_often_each_person_is_told(folder: Path) -> None:
    """Two storms begin and end for the warden; the technician has a silence and a digest."""
    said = replayed(folder).stdout

    assert said.splitlines()[-4:] == [
        "Notices by person and week; what only the digest names is not counted:",
        "person  week      notices",
        "tech-1  2025-W43        2",
        "warden  2025-W43        4",
    ]


def test_the_promised_lines_stay_as_they_are(folder: Path) -> None:
    """No table behind them, no key more."""
    lines = replayed(folder, "--format", "ndjson").stdout.splitlines()

    assert len(lines) == 6
    assert all(list(json.loads(one)) == KEYS for one in lines)


def test_a_rule_of_the_same_name_takes_its_place(folder: Path) -> None:
    """A limit of 100 mm loses the warden both storms, each with its beginning and its end, and adds nothing."""
    said = replayed(folder, "--with", str(folder / "others" / "heavy-rain.toml")).stdout

    assert said.splitlines()[:4] == [
        "Notices by person and week; what only the digest names is not counted:",
        "person  week      as it is  with the others",
        "tech-1  2025-W43         2                2",
        "warden  2025-W43         4                0",
    ]
    added, lost = said.partition("\nAdded: nothing\n")[2].partition("Lost: 4\n")[::2]
    assert added.strip() == ""
    assert lost.splitlines()[0] == "2025-10-20 06:30  warden"
    assert lost.splitlines()[1].startswith("    Heavy rain Hollin 06:00: 7 mm/15 min")


def test_a_rule_of_a_new_name_joins_the_others(folder: Path) -> None:
    """The warden hears of the silence too; all else is the same, for programs line by line."""
    options = ("--with", str(folder / "others" / "silence.toml"), "--format", "ndjson")
    lines = [json.loads(one) for one in replayed(folder, *options).stdout.splitlines()]

    assert all(list(one) == ["change", *KEYS] for one in lines)
    assert [one["change"] for one in lines].count("same") == 6
    (added,) = (one for one in lines if one["change"] != "same")
    assert (added["change"], added["rule"], added["station"], added["to"]) == (
        "added",
        "silence",
        "kettle",
        ["warden"],
    )


def test_several_rules_are_tried_together(folder: Path) -> None:
    """One in the place of another, one beside them."""
    others = (folder / "others" / name for name in ("silence.toml", "heavy-rain.toml"))
    said = replayed(folder, *(option for other in others for option in ("--with", str(other)))).stdout

    assert "warden  2025-W43         4                1" in said
    assert "Added: 1\n" in said
    assert "Lost: 4\n" in said


@pytest.mark.parametrize(
    ("other", "complaint"),
    [
        ("broken.toml", 'others/broken.toml, line 1 (check): there is no check "overdu". Did you mean "overdue"?'),
        ("broken.toml", "others/broken.toml, line 3 (when)"),
        ("nowhere.toml", "others/nowhere.toml: it can't be opened: No such file or directory"),
        ("rule.txt", "others/rule.txt: its name does not end with .toml"),
    ],
)
def test_a_rule_that_can_t_be_used_is_told_where_it_lies(folder: Path, other: str, complaint: str) -> None:
    """As in `verify`, all at once, and before anything is run."""
    done = replayed(folder, "--with", str(folder / "others" / other))

    assert isinstance(done.exception, InputError)
    assert complaint in str(done.exception)
    assert done.stdout == ""

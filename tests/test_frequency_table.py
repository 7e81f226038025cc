"""The depth-duration-frequency table that people bring: read as it comes, or every mistake of it told."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.helpers import NETWORK_TOML, RULES, SECRETS, write_network
from watchman.errors import InputError, Mistake
from watchman.frequency_table import read_frequency_table
from watchman.network import Network, load, load_text

OURS = "minutes,2,10,100\n15,10,20,30\n60,20,40.5,60\n1440,50,80,120\n"
NAMED = NETWORK_TOML + '[rain]\nfrequency_table = "frequency.csv"\n'
RARE = 'check = "heavy-rain"\nwhen = "now"\ntell = ["warden"]\n[settings]\n'
RARE += "limits = [\n  { return_period_years = YEARS },\n]\n"


def written(folder: Path, table: str = OURS, years: str = "10", network: str = NAMED) -> Network:
    """Read a network with a table and a rule that asks for a return period."""
    write_network(folder, network, rules=RULES | {"heavy-rain": RARE.replace("YEARS", years)})
    (folder / "frequency.csv").write_text(table, encoding="utf-8")
    return load(folder, SECRETS.get)


def mistakes_of(text: str) -> list[Mistake]:
    mistakes: list[Mistake] = []
    assert read_frequency_table("frequency.csv", text, mistakes) is None
    return mistakes


def test_the_table_belongs_to_what_was_written(tmp_path: Path) -> None:
    """It comes back from the text that the store keeps, and a changed depth changes the fingerprint."""
    network = written(tmp_path)
    assert network.frequency is not None
    assert network.frequency.depth_mm[1] == (20.0, 40.5, 60.0)
    assert load_text(network.to_text(), tmp_path, SECRETS.get).frequency == network.frequency
    assert written(tmp_path, OURS.replace("40.5", "41")).fingerprint() != network.fingerprint()


@pytest.mark.parametrize(
    ("text", "line", "found"),
    [
        (OURS.replace("40.5", "19"), 3, "don't rise with the return period"),
        (OURS.replace("60,20", "15,20"), 3, "15 minutes come after 15"),
        (OURS.replace("20,40.5,60", "20,40.5"), 3, "2 depths stand under 3 return periods"),
        (OURS.replace("40.5", "40mm"), 3, "no number above 0"),
        (OURS.replace("2,10,100", "10,2,100"), 1, "the return periods don't rise"),
        (OURS.replace("minutes,2,10,100", "minutes"), 1, "no return periods"),
        (OURS.replace("1440,", "a day,"), 4, '"a day" is no duration'),
        ("", 1, "no return periods"),
        (OURS.replace("60,20,40.5,60", "60,9,40.5,60"), 3, "less than in 15 minutes"),
        ("estimates (inches/hour)\nby duration for ARI (years):, 1,2\n5-min:, 3,4\n", 1, "intensities, not depths"),
    ],
)
def test_each_mistake_is_told_with_its_line(text: str, line: int, found: str) -> None:
    """What is wrong, where, and what would be right."""
    [mistake] = mistakes_of(text)
    assert mistake.place == f"frequency.csv, line {line}"
    assert found in mistake.found
    assert mistake.allowed


def test_all_mistakes_are_told_at_once() -> None:
    """Two bad lines are two mistakes."""
    assert len(mistakes_of(OURS.replace("40.5", "19").replace("50,80", "80,50"))) == 2


def test_of_several_published_tables_the_first_is_taken() -> None:
    """Its bounds follow the estimates in the same file."""
    text = (
        "Point precipitation frequency estimates (millimeters)\nby duration for ARI (years):,1,2\n5-min:,3,4\n"
        "1-hr:,5,6\n"
        "Upper bound\nby duration for ARI (years):,1,2\n5-min:,9,10\n"
    )
    found = read_frequency_table("frequency.csv", text, [])
    assert found is not None
    assert (found.minutes, found.depth_mm) == ((5, 60), ((3, 4), (5, 6)))


@pytest.mark.parametrize(
    ("years", "network", "expected"),
    [
        ("10", NETWORK_TOML, "there is no table to take 10 years from"),
        ("200", NAMED, "200 years lie outside the table in frequency.csv. It has 2 to 100 years"),
        ("10", NAMED.replace("frequency.csv", "other.csv"), "other.csv: there is no such file"),
        ("10", NAMED.replace("frequency.csv", "../frequency.csv"), "rain.frequency_table"),
    ],
)
def test_a_return_period_needs_a_table_that_has_it(tmp_path: Path, years: str, network: str, expected: str) -> None:
    """Said with the line of the limit, before anything runs."""
    with pytest.raises(InputError) as raised:
        written(tmp_path, years=years, network=network)
    assert expected in str(raised.value)

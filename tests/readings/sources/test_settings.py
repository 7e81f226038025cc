"""What people write of a source: the simplest case is simple, and mistakes are told with an example."""

from __future__ import annotations

import tomllib

import pytest
from pydantic import TypeAdapter, ValidationError

from watchman.readings.sources import AnySource
from watchman.written import Written

SOURCES: TypeAdapter[AnySource] = TypeAdapter(AnySource)


class File(Written):
    """A file that holds one source, as network.toml holds several."""

    source: AnySource


SIMPLE = """
name = "main"
kind = "csv"
address = "https://data.example.org/latest.csv"
columns = { time = "time", station = "station", rain = "rain_mm" }
"""


def mistake(text: str) -> str:
    with pytest.raises(ValidationError) as caught:
        File.model_validate({"source": tomllib.loads(text)})
    return str(caught.value)


def test_four_keys_are_enough() -> None:
    """A name, a kind, an address and columns make a source."""
    made = SOURCES.validate_python(tomllib.loads(SIMPLE))

    assert (made.name, made.every_s, made.rain.unit, made.per_station) == ("main", 60.0, "mm", False)


def test_everything_that_toml_can_hold_is_taken() -> None:
    """Lists, tables and numbers come as TOML delivers them."""
    made = SOURCES.validate_python(
        tomllib.loads(
            """
            name = "valley"
            kind = "csv"
            path = "data/{station}/*.csv"
            delimiter = "tab"
            decimal = ","
            skip_lines = [1, 3]
            missing = ["x"]
            stamps = "begin"
            covers_minutes = 5
            budget_s = 10
            time = { format = "%d.%m.%Y %H:%M", utc_offset = "-07:00" }
            rain = { unit = "tips", counts = "running total", wraps_at = 65536 }
            columns = { time = ["Day", "Hour"], rain = "Tips" }
            """
        )
    )

    assert made.per_station
    assert made.columns.time == ("Day", "Hour")
    assert made.kind == "csv"
    assert (made.delimiter, made.skip_lines) == ("\t", (1, 3))


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (('"csv"', '"cvs"'), "'csv', 'json'"),
        (("https://data.example.org/latest.csv", "ftp://data.example.org/x"), "allowed is an http or https address"),
        (("https://data.example.org/latest.csv", "https://"), "allowed is an http or https address"),
        (("latest.csv", "{sation}.csv"), "in braces only {station}, {since}, {until}, {token}, {offset}, {page}"),
        (("latest.csv", "{station}.csv"), "say once how to know the station"),
        (('station = "station", ', ""), "say once how to know the station"),
        (("address =", "# address ="), "give either an address or a path"),
        ((', rain = "rain_mm"', ""), "name at least one measured column"),
        (('rain = "rain_mm"', 'variable = "v"'), "name both `variable` and `value`"),
        (('rain = "rain_mm"', 'rain = "r", variable = "v", value = "x"'), "not both"),
        (('name = "main"', 'name = "main"\nstamps = "begin"'), "covers_minutes = 5"),
        (('name = "main"', 'name = "main"\ntime = { zone = "Denver" }'), "America/Denver"),
        (('name = "main"', 'name = "main"\ntime = { zone = "../x" }'), "America/Denver"),
        (('name = "main"', 'name = "main"\ntime = { format = "dd.mm.yyyy" }'), "%d.%m.%Y %H:%M"),
        (('name = "main"', 'name = "main"\ntime = { zone = "UTC", utc_offset = "+00:00" }'), "not both"),
        (('name = "main"', 'name = "main"\nrain = { wraps_at = 100 }'), "running total"),
        (('name = "main"', 'name = "main"\nrain = { zeroed_at = "09:00" }'), "running total"),
        (('name = "main"', 'name = "main"\ndelimiter = ";;"'), 'delimiter = ";"'),
        (("latest.csv", "latest.csv?k={token}"), "secret:feed_token"),
        (('name = "main"', 'name = "main"\nbudget_s = "10"'), "valid number"),
        (('name = "main"', 'name = "main"\nevery = 10'), "Extra inputs"),
    ],
)
def test_a_mistake_says_what_is_allowed(change: tuple[str, str], told: str) -> None:
    """Each mistake names what may stand there."""
    assert change[0] in SIMPLE

    assert told in mistake(SIMPLE.replace(*change, 1))


def test_a_secret_never_shows() -> None:
    """Neither repr, JSON nor a mistake shows a token, and one with a line break is refused."""
    made = SOURCES.validate_python(tomllib.loads(SIMPLE + 'token = "s3cret"\nheaders = { X-Key = "s3cret" }'))

    assert "s3cret" not in repr(made) + made.model_dump_json()
    assert "s3cret" not in mistake(SIMPLE + 'token = "s3cret\\n"')
    assert "s3cret" not in mistake(SIMPLE + 'headers = { X-Key = "s3cret\\r\\nA: b" }')


def test_every_key_has_help() -> None:
    """Each field is described in the JSON Schema that editors show."""
    schema = SOURCES.json_schema()

    bare = [
        f"{name}.{key}"
        for name, model in schema["$defs"].items()
        for key, value in model["properties"].items()
        if not value.get("description")
    ]
    assert bare == []

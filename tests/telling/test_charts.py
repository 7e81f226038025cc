"""Pictures are drawn by a short-lived child: readable, small, without our secrets, and never at the watch's expense."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from io import BytesIO

import pytest
from PIL import Image

from tests.telling.contrast import contrast
from watchman.telling import charts

RANKING = charts.Ranking("Rain of the week [mm]", (("Larkmoor", 28.0, "28", False), ("Hollin Dam", None, "?", True)))
DRY = charts.DailyRain(
    "Rain by day [mm]", ("Tue\n21", "Thu\n23"), (("Hollin Dam", (8.2, 0.0)), ("Larkmoor, 6 km", (9.0, None))), 1
)
BATTERY = charts.BatteryWeeks(
    title="Charge at dawn",
    unit="%",
    own=(None, 92.0, 70.0, 40.5),
    own_name="Larkmoor",
    peers=(90.0, 91.0, None, 90.0),
    peers_name="median of 8 neighbours",
    bottom=0.0,
    top=100.0,
    cutoff=0.0,
    cutoff_name="cut-off 3.3 V",
    left=(4.0, 6.4, 99.0),
    left_name="about 6 days left (4-99)",
    horizon=21,
    ticks=((-3, "20 Oct"), (0, "23 Oct")),
)
STORM = charts.Storm(
    "Rain in 15 min [mm]",
    ((0, "16:30"), (4, "17:30")),
    (
        charts.StormGauge("Ashlow Gap", (0.0, 5.0, 14.0, None), (0.0, 5.0, 19.0, 19.0), "19 in 1 h", 25.0, "limit 25"),
        charts.StormGauge("Bracken Head", (0.0, 0.0, 9.0, 1.0), (), "", None, ""),
    ),
)


@pytest.fixture(autouse=True)
def _forgotten() -> Iterator[None]:
    """Have each test draw anew."""
    charts.draw.cache_clear()
    yield
    charts.draw.cache_clear()


@pytest.mark.parametrize("shown", [RANKING, DRY, BATTERY, STORM], ids=lambda shown: type(shown).__name__)
def test_each_picture_is_a_small_png_two_dots_a_pixel(shown: charts.Shown) -> None:
    """Sharp on a phone, and light over one bar of signal."""
    png, trouble = charts.draw(shown)

    assert trouble == ""
    image = Image.open(BytesIO(png))
    assert image.format == "PNG"
    assert image.width == 720
    assert len(png) < 60_000
    assert len(image.convert("RGB").getcolors(100_000) or ()) > 8


def test_the_largest_pictures_stay_small_too() -> None:
    """Five gauges over ten days, forty stations, a storm of thirty-six steps at three gauges."""
    row = tuple(float(mm) * 1.7 for mm in range(10))
    many = charts.DailyRain("Rain", ("Tue\n21",) * 10, tuple((f"Gauge {name} " * 3, row) for name in range(5)), 7)
    bars = tuple(float(mm % 7) for mm in range(36))
    gauge = charts.StormGauge("Ashlow Gap, 31.2 mm in 1 h", bars, bars, "6 in 1 h", 4.0, "limit 4 mm in 1 h")
    ranks = tuple((f"Station {place}", 60.0 - place, f"{60 - place}", place > 20) for place in range(29))
    for shown in (
        many,
        charts.Storm("Rain", ((0, "16:30"),), (gauge,) * 3),
        charts.Ranking("Rain", ranks, (41.0, "x")),
    ):
        png, trouble = charts.draw(shown)
        assert trouble == ""
        assert 10_000 < len(png) < 60_000


def test_a_name_is_only_ever_a_name() -> None:
    """No formula, no markup, no letter that the letters don't have stops a picture."""
    odd = charts.Ranking("$\\frac{1}{0}$ <b>", (("$_{{", 1.0, "\\", False), ("雨量計\0", 2.0, "%s", True)))

    png, trouble = charts.draw(odd)

    assert (png[:8], trouble) == (charts.PNG, "")


def test_letters_are_large_and_stand_out_from_the_ground() -> None:
    """At 360 px no letter is under 11 px, and all have the contrast of text (4.5) or of a picture's parts (3)."""
    assert min(charts.SMALL, charts.NORMAL, charts.LARGE) >= 11
    assert all(contrast(colour, charts.GROUND) >= 4.5 for colour in (charts.INK, charts.SOFT, charts.DOUBT))
    assert contrast(charts.RAIN, charts.GROUND) >= 4.5
    assert contrast(charts.DOUBT, charts.BAND) >= 3


def test_what_is_in_doubt_is_seen_without_colour() -> None:
    """Hatched bars differ from full ones in grey as well."""
    doubted, full = (
        Image.open(BytesIO(charts.draw(charts.Ranking("", (("", 1.0, "", doubt),)))[0])).convert("L")
        for doubt in (True, False)
    )
    # The middle row of the bar, from left to right.
    across = [
        [int(image.getpixel((x, 2 * 42))) for x in range(300, 500)]  # type: ignore[arg-type]
        for image in (doubted, full)
    ]
    assert max(across[0]) - min(across[0]) > 80
    assert max(across[1]) - min(across[1]) < 10


def test_the_watch_itself_stays_small() -> None:
    """Neither loading all of the watch nor drawing with it brings the drawing library into its process."""
    said = subprocess.run(
        [
            sys.executable,
            "-c",
            "import psutil, sys\n"
            "from watchman import daemon, cli\n"
            "from watchman.telling import charts\n"
            "before = psutil.Process().memory_info().rss\n"
            "png, trouble = charts.draw(charts.Ranking('Rain', (('Larkmoor', 28.0, '28', False),)))\n"
            "grown = psutil.Process().memory_info().rss - before\n"
            "print(len(png) > 1000, trouble, grown // 2**20, [name for name in sys.modules "
            "if name.partition('.')[0] in ('matplotlib', 'PIL')])\n",
        ],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split()

    assert said[0] == "True"
    assert int(said[1]) < 8  # [MB]; the library takes some 40
    assert said[2:] == ["[]"]


def test_one_picture_for_five_people_is_drawn_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """And one that fails is waited for once."""
    begun = []
    real = subprocess.run

    def run(*arguments: object, **more: object) -> object:
        begun.append(1)
        return real(*arguments, **more)  # type: ignore[call-overload]

    monkeypatch.setattr(charts.subprocess, "run", run)
    for _ in range(5):
        charts.draw(RANKING)
    assert len(begun) == 1


def test_a_child_that_hangs_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    """The mail goes without its picture."""
    monkeypatch.setattr(charts, "PATIENCE_S", 0.01)

    assert charts.draw(RANKING) == (b"", "it took longer than 0.01 s")


def test_a_child_that_wants_too_much_memory_fails_alone() -> None:
    """What it may have is bounded before it loads anything."""
    greedy = "from watchman.telling import charts; charts.bound(); bytearray(charts.MEMORY_MB * 2**20)"
    ended = subprocess.run([sys.executable, "-c", greedy], capture_output=True, text=True, check=False)

    assert ended.stderr.splitlines()[-1] == "MemoryError"


def test_what_a_child_that_fails_said_is_told() -> None:
    """A sketch that can't be drawn ends its own child, and the log says why."""
    png, trouble = charts.draw(charts.Storm("", (), (charts.StormGauge("no steps", (), (), "", None, ""),)))

    assert png == b""
    assert trouble.startswith("ValueError: max()")


def test_a_picture_that_is_too_large_is_not_sent(monkeypatch: pytest.MonkeyPatch) -> None:
    """Mails are read over one bar of signal."""
    monkeypatch.setattr(charts, "LARGEST_BYTES", 100)

    assert "bytes large, more than 100" in charts.draw(RANKING)[1]


def test_the_child_gets_no_secret(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of our environment it sees what it needs to run."""
    monkeypatch.setenv("tech_1_text", "token-7351")

    assert "token-7351" not in charts._environment().values()
    assert set(charts._environment()) - set(os.environ) <= {"MPLCONFIGDIR", "OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"}

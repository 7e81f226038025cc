"""Pictures for mails, drawn in a short-lived process of their own, so that the watch itself stays small.

What a picture shows is a plain frozen value made elsewhere (pictures.py). `draw` hands it as JSON to a child, which is
this very module run as a program, and gets a PNG back. Only the child loads matplotlib. It gets no secrets (an empty
environment), so much time and memory, and whatever happens to it, the watch goes on.

Colours are calm and never carry a meaning alone: what is in doubt is hatched, the neighbours' line is dashed with
square marks, limits are dotted, and all are named where they stand. The ground is the same in light and dark mails.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from functools import lru_cache
from io import BytesIO
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PATIENCE_S = 20
"""How long one picture may take [s]; it takes one on a desktop computer, three or four on a small board."""
MEMORY_MB = 512
"""How much address space the child may have [MB]; it uses about half of that, and some 70 MB of real memory."""
LARGEST_BYTES = 60_000
"""A larger picture is not sent: mails are read over one bar of signal (judgement, no source)."""

WIDTH = 360
"""How wide pictures are [px of a page]: what a phone 380 px wide shows within a mail's edges. Each is two dots."""
DOTS = 2
COLOURS = 64
SMALL, NORMAL, LARGE = 11.0, 12.0, 13.5
"""Sizes of letters [px]."""

GROUND, INK, SOFT, RAIN, DOUBT, BAND, RULE = (
    "#faf8f3",
    "#22303a",
    "#55636d",
    "#37708d",
    "#a8492a",
    "#ecd2ac",
    "#c9cdcb",
)

MM_PER_INCH = 25.4

PNG = b"\x89PNG\r\n\x1a\n"


@dataclass(frozen=True, slots=True)
class DailyRain:
    """Gauges one below the other, the one in doubt first, with their rain of the same days.

    days: how each is called, "Tue\\n21". gauges: each with its name and rain by day [mm, None where nothing came].
    dry_from: the place of the first day that speaks against the first gauge. unit: in which depths are written, "mm"
    or "inch".
    """

    title: str
    days: tuple[str, ...]
    gauges: tuple[tuple[str, tuple[float | None, ...]], ...]
    dry_from: int
    unit: str = "mm"


@dataclass(frozen=True, slots=True)
class BatteryWeeks:
    """A battery's mornings, the last one today's, and how long it lasts.

    own, peers: value by day [unit], None where not known; peers may be empty. top: the highest value shown. cutoff:
    where the station switches off [unit]. left: days left at the worst, about, and at best; None where nobody can say.
    horizon: how many days ahead are shown. ticks: days from today with what they are called.
    """

    title: str
    unit: str
    own: tuple[float | None, ...]
    own_name: str
    peers: tuple[float | None, ...]
    peers_name: str
    bottom: float
    top: float
    cutoff: float
    cutoff_name: str
    left: tuple[float, float, float] | None
    left_name: str
    horizon: int
    ticks: tuple[tuple[int, str], ...]


@dataclass(frozen=True, slots=True)
class StormGauge:
    """One gauge in a storm. bars: rain of each step [mm], None where nothing came. sums: the most in the limit's
    duration that ended in each step [mm], empty where the bars are that long themselves. limit: [mm], None without one.
    """

    name: str
    bars: tuple[float | None, ...]
    sums: tuple[float, ...]
    sums_name: str
    limit: float | None
    limit_name: str


@dataclass(frozen=True, slots=True)
class Storm:
    """Gauges of a storm one below the other, with their rain step by step. ticks: places between bars, with times.

    unit: in which depths are written, "mm" or "inch".
    """

    title: str
    ticks: tuple[tuple[int, str], ...]
    gauges: tuple[StormGauge, ...]
    unit: str = "mm"


@dataclass(frozen=True, slots=True)
class Ranking:
    """Named lengths, the first on top. rows: name, length (None: only what is said of it), what stands beside it,
    whether it is in doubt. line: a length to hold them against, with its name; None without one.
    """

    title: str
    rows: tuple[tuple[str, float | None, str, bool], ...]
    line: tuple[float, str] | None = None


Shown = DailyRain | BatteryWeeks | Storm | Ranking


@dataclass(frozen=True, slots=True)
class Sketch:
    """A picture yet to be drawn. name: its content id; section: the mail's section it stands in; alternative: what it
    shows, in a sentence, for whoever doesn't see it.
    """

    name: str
    section: str
    alternative: str
    shown: Shown


@lru_cache(maxsize=8)
def draw(shown: Shown) -> tuple[bytes, str]:
    """Return a picture as PNG and "", or nothing and what was wrong.

    Both are remembered for a while: five people who are told the same cost one drawing, or one wait for it.
    """
    order = json.dumps({"kind": type(shown).__name__, "shown": asdict(shown)}).encode()
    try:
        done = subprocess.run(  # noqa: S603 -- our own program
            [sys.executable, "-P", "-m", __name__],
            input=order,
            capture_output=True,
            timeout=PATIENCE_S,
            env=_environment(),
            cwd="/",
            check=False,
        )
    except subprocess.TimeoutExpired:
        return b"", f"it took longer than {PATIENCE_S} s"
    except OSError as error:
        return b"", f"no process to draw it: {error.strerror}"
    if done.returncode or not done.stdout.startswith(PNG):
        said = done.stderr.decode("utf-8", "replace").strip().splitlines()
        return b"", said[-1] if said else f"the drawing process ended with {done.returncode}"
    if len(done.stdout) > LARGEST_BYTES:
        return b"", f"it is {len(done.stdout)} bytes large, more than {LARGEST_BYTES}"
    return done.stdout, ""


@lru_cache(maxsize=1)
def _cache() -> TemporaryDirectory[str]:
    """Return where matplotlib keeps its list of fonts while this process lives."""
    return TemporaryDirectory(prefix="watchman-fonts-")


def _environment() -> dict[str, str]:
    """Return what the child sees of our environment: no secrets. One thread is enough, and saves memory."""
    kept = {name: os.environ[name] for name in ("HOME", "LANG", "PATH", "PYTHONPATH") if name in os.environ}
    return {**kept, "MPLCONFIGDIR": _cache().name, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}


# What follows runs in the child.


def main() -> None:
    """Read an order as JSON from standard input and write its picture as PNG to standard output."""
    bound()
    order = json.load(sys.stdin)
    sys.stdout.buffer.write(picture(_read(order["kind"], order["shown"])))


def bound() -> None:
    """Limit the memory and the time of this process."""
    # Where the service manager forbids even that, its own limits hold.
    with suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_MB * 2**20, MEMORY_MB * 2**20))
        resource.setrlimit(resource.RLIMIT_CPU, (PATIENCE_S, PATIENCE_S))


def _read(kind: str, shown: dict[str, Any]) -> Shown:
    if kind == Storm.__name__:
        return Storm(**shown | {"gauges": tuple(StormGauge(**gauge) for gauge in shown["gauges"])})
    kinds: dict[str, type[Shown]] = {one.__name__: one for one in (DailyRain, BatteryWeeks, Ranking)}
    return kinds[kind](**shown)


def picture(shown: Shown) -> bytes:
    """Return a picture as PNG. Loads matplotlib: call it in the child only."""
    import matplotlib
    import numpy as np
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL import Image

    matplotlib.rcParams.update(
        {
            "font.size": NORMAL,
            "text.parse_math": False,  # a dollar in a name is a dollar
            "text.color": INK,
            "xtick.color": INK,
            "hatch.linewidth": 0.8,
            "font.family": "DejaVu Sans",
        }
    )
    match shown:
        case DailyRain():
            figure = _daily_rain(shown)
        case BatteryWeeks():
            figure = _battery_weeks(shown)
        case Storm():
            figure = _storm(shown)
        case Ranking():
            figure = _ranking(shown)
    figure.set_dpi(72 * DOTS)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()  # type: ignore[no-untyped-call]
    png = BytesIO()
    # Few colours make a third of the bytes, and nobody sees the difference.
    dots = np.asarray(canvas.buffer_rgba())  # type: ignore[no-untyped-call]
    Image.fromarray(dots).convert("RGB").quantize(COLOURS).save(png, "PNG", optimize=True)
    return png.getvalue()


def _figure(height: float, title: str) -> Figure:
    """Return an empty picture of so many px under its title."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH / 72, height / 72), facecolor=GROUND)
    figure.text(10 / WIDTH, 1 - 9 / height, title, size=LARGE, weight="bold", va="top")
    return figure


def _axes(figure: Figure, top: float, height: float, left: float = 10.0, right: float = 10.0) -> Axes:
    """Return a bare field so many px below the top."""
    whole = figure.get_figheight() * 72
    axes = figure.add_axes((left / WIDTH, 1 - (top + height) / whole, 1 - (left + right) / WIDTH, height / whole))
    axes.set_facecolor("none")
    axes.spines[:].set_visible(False)
    axes.tick_params(length=0, labelsize=SMALL)
    axes.set_yticks([])
    return axes


def _floor(axes: Axes, **line: Any) -> None:
    axes.axhline(0, color=INK, linewidth=0.8, **line)


def _kind(doubted: bool) -> dict[str, Any]:
    """Return how bars look: full, or hatched where they are in doubt."""
    return {"color": GROUND, "edgecolor": DOUBT, "hatch": "////"} if doubted else {"color": RAIN}


def _daily_rain(shown: DailyRain) -> Figure:
    begin, label, bars, gap = 34.0, 17.0, 46.0, 9.0
    step = label + bars + gap
    figure = _figure(begin + step * len(shown.gauges) + 32, shown.title)
    most = max((mm or 0.0 for _, row in shown.gauges for mm in row), default=1.0)
    days = range(len(shown.days))
    for place, (name, row) in enumerate(shown.gauges):
        doubted = place == 0
        axes = _axes(figure, begin + place * step, label + bars)
        axes.set(xlim=(-0.5, max(len(days), 4) - 0.5), ylim=(0, 1.45 * (label + bars) / bars * max(most, 1.0)))
        axes.axvspan(shown.dry_from - 0.5, len(days) - 0.5, color=BAND, alpha=0.45, linewidth=0)
        if shown.dry_from > 0:
            axes.axvline(shown.dry_from - 0.5, color=DOUBT, linewidth=1, linestyle=":")
        axes.text(0, 1, name, transform=axes.transAxes, size=NORMAL, va="top", weight="bold" if doubted else "normal")
        axes.bar(days, [mm or 0.0 for mm in row], width=0.66, **_kind(doubted))
        for day, mm in enumerate(row):
            axes.annotate(
                "-" if mm is None else _short(mm, shown.unit),
                (day, mm or 0.0),
                (0, 2),
                textcoords="offset points",
                ha="center",
                size=SMALL,
                color=DOUBT if doubted else INK,
                weight="bold" if doubted else "normal",
            )
        _floor(axes)
        axes.set_xticks(days, shown.days if place == len(shown.gauges) - 1 else [""] * len(days))
    return figure


def _short(mm: float, unit: str, decimals_from_10: int = 0) -> str:
    """Return a depth [mm] rounded down to 0.1 mm, from 10 mm on to whole ones unless there is room for more; or to
    0.01 inch.
    """
    if unit == "inch":
        return f"{int(mm / MM_PER_INCH * 100 + 1e-6) / 100:g}"
    scale = 10 ** (1 if mm < 10 else decimals_from_10)
    return f"{int(mm * scale + 1e-6) / scale:g}"


def _battery_weeks(shown: BatteryWeeks) -> Figure:
    figure = _figure(272, shown.title)
    axes = _axes(figure, 58, 180, left=42, right=14)
    days = range(1 - len(shown.own), 1)
    high = shown.top + (shown.top - shown.bottom) * 0.04
    axes.set(xlim=(days[0] - 0.7, shown.horizon + 0.3), ylim=(shown.bottom, high))
    axes.set_yticks([shown.bottom, (shown.bottom + shown.top) / 2, shown.top])
    axes.set_yticklabels([_value(value, shown.unit) for value in axes.get_yticks()])
    axes.tick_params(axis="y", pad=2)
    for value in axes.get_yticks():
        axes.axhline(value, color=RULE, linewidth=0.8, zorder=0)
    axes.axvline(0, color=SOFT, linewidth=0.8, linestyle=":")
    if any(value is not None for value in shown.peers):
        x, y = _known(days, shown.peers)
        axes.plot(x, y, color=SOFT, linewidth=1.4, linestyle="--", marker="s", markevery=4, markersize=4)
    x, y = _known(days, shown.own)
    axes.plot(x, y, color=RAIN, linewidth=2.2, marker="o", markersize=4)
    axes.axhline(shown.cutoff, color=DOUBT, linewidth=1.6, linestyle=(0, (1, 1)))
    axes.annotate(
        shown.cutoff_name, (days[0] - 0.4, shown.cutoff), (0, 4), textcoords="offset points", size=SMALL, color=DOUBT
    )
    if shown.left is not None and y:
        low, about, best = shown.left
        end = [
            (low, shown.cutoff),
            (min(best, shown.horizon), y[-1] + (shown.cutoff - y[-1]) * min(shown.horizon / best, 1)),
        ]
        way = [(x[-1], y[-1]), *end]
        if best > shown.horizon:
            way.insert(2, (shown.horizon, shown.cutoff))
        axes.fill(*zip(*way, strict=True), facecolor=BAND, edgecolor=DOUBT, hatch="////", linewidth=0.8, alpha=0.9)
        axes.plot([x[-1], about], [y[-1], shown.cutoff], color=DOUBT, linewidth=1.8)
    # Named in a line of their own, so that no word ever lies on a line of the picture.
    figure.text(10 / WIDTH, 1 - 30 / 272, f"\u25cf {shown.own_name}", size=NORMAL, color=RAIN, va="top")
    if shown.peers_name:
        figure.text(
            348 / WIDTH, 1 - 30 / 272, f"\u25a0 {shown.peers_name}", size=NORMAL, color=SOFT, va="top", ha="right"
        )
    if shown.left_name:
        axes.annotate(
            shown.left_name,
            (1, 1),
            (0, -4),
            xycoords="axes fraction",
            textcoords="offset points",
            ha="right",
            va="top",
            size=NORMAL,
            color=DOUBT,
            weight="bold",
            bbox={"facecolor": GROUND, "edgecolor": "none", "alpha": 0.85, "pad": 1.5},
        )
    ticks = [(day, name) for day, name in shown.ticks if day <= shown.horizon - 2]  # the last would be cut off
    axes.set_xticks([day for day, _ in ticks], [name for _, name in ticks])
    return figure


def _known(days: range, values: Sequence[float | None]) -> tuple[list[int], list[float]]:
    found = [(day, value) for day, value in zip(days, values, strict=True) if value is not None]
    return [day for day, _ in found], [value for _, value in found]


def _value(value: float, unit: str) -> str:
    return f"{value:.0f} {unit}" if unit == "%" else f"{value:.1f} {unit}"


def _storm(shown: Storm) -> Figure:
    begin, label, bars, gap = 34.0, 18.0, 78.0, 12.0
    step = label + bars + gap
    figure = _figure(begin + step * len(shown.gauges) + 22, shown.title)
    for place, gauge in enumerate(shown.gauges):
        axes = _axes(figure, begin + place * step, label + bars)
        most = max([mm or 0.0 for mm in gauge.bars] + [*gauge.sums, gauge.limit or 0.0, 1.0])
        axes.set(xlim=(0, len(gauge.bars)), ylim=(0, 1.22 * (label + bars) / bars * most))
        axes.text(0, 1, gauge.name, transform=axes.transAxes, size=NORMAL, va="top", weight="bold")
        middles = [step + 0.5 for step in range(len(gauge.bars))]
        axes.bar(middles, [mm or 0.0 for mm in gauge.bars], width=0.84, color=RAIN)
        missing = [x for x, mm in zip(middles, gauge.bars, strict=True) if mm is None]
        axes.bar(
            missing, [0.12 * most] * len(missing), width=1.0, color="none", edgecolor=SOFT, hatch="xxxx", linewidth=0
        )
        if gauge.sums:
            axes.plot(
                middles,
                gauge.sums,
                color=INK,
                linewidth=1.4,
                linestyle="--",
                marker="s",
                markersize=3,
                markevery=max(len(middles) // 12, 1),
            )
        heights = gauge.sums or [mm or 0.0 for mm in gauge.bars]
        peak = heights.index(max(heights))
        if heights[peak]:
            _beside(
                axes,
                gauge.sums_name if gauge.sums else _short(heights[peak], shown.unit, 1),
                middles[peak],
                heights[peak],
                INK,
            )
        if gauge.limit is not None:
            axes.axhline(gauge.limit, color=DOUBT, linewidth=1.4, linestyle=(0, (1, 1)))
            # On the side where the rain is not.
            side = len(gauge.bars) if middles[peak] < len(gauge.bars) / 2 else 0
            _beside(axes, gauge.limit_name, side, gauge.limit, DOUBT, up=2)
        _floor(axes)
        if place == len(shown.gauges) - 1:
            for at, name in shown.ticks:
                _beside(axes, name, at, 0, INK, up=-14)
            axes.set_xticks([at for at, _ in shown.ticks], [""] * len(shown.ticks))
            axes.tick_params(axis="x", length=3, color=INK)
        else:
            axes.set_xticks([])
    return figure


def _beside(axes: Axes, words: str, x: float, y: float, colour: str, up: float = 4) -> None:
    """Write words so many px above a point, away from the nearer edge of the field."""
    width = axes.get_xlim()[1]
    side = "right" if x > width * 0.85 else "left" if x < width * 0.15 else "center"
    axes.annotate(
        words, (x, y), (0, up), textcoords="offset points", ha=side, size=SMALL, color=colour, annotation_clip=False
    )


def _ranking(shown: Ranking) -> Figure:
    begin, step = (50.0 if shown.line else 32.0), 21.0
    height = begin + step * len(shown.rows) + 10
    figure = _figure(height, shown.title)
    axes = _axes(figure, begin, step * len(shown.rows), left=128, right=12)
    longest = max([length or 0.0 for _, length, _, _ in shown.rows] + [shown.line[0] if shown.line else 0.0, 1.0])
    axes.set(xlim=(0, 1.3 * longest), ylim=(len(shown.rows) - 0.5, -0.5), xticks=[])
    for place, (name, length, said, doubted) in enumerate(shown.rows):
        axes.barh(place, length or 0.0, height=0.68, **_kind(doubted))
        axes.annotate(
            said,
            (length or 0.0, place),
            (5, 0),
            textcoords="offset points",
            va="center",
            size=SMALL,
            zorder=4,
            bbox={"facecolor": GROUND, "edgecolor": "none", "pad": 0.8},
        )
        axes.annotate(
            name,
            (0, place),
            (-5, 0),
            textcoords="offset points",
            ha="right",
            va="center",
            size=SMALL,
            weight="bold" if doubted else "normal",
        )
    axes.axvline(0, color=INK, linewidth=0.8)
    if shown.line:
        axes.axvline(shown.line[0], color=INK, linewidth=1.2, linestyle=(0, (1, 1)))
        axes.annotate(shown.line[1], (shown.line[0], -0.5), (0, 3), textcoords="offset points", ha="center", size=SMALL)
    return figure


if __name__ == "__main__":
    main()

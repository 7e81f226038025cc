"""The depth-duration-frequency table that people bring: their own table, or one as it is published "by duration"."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterator

from watchman.errors import Mistake
from watchman.judging.science.frequency import FrequencyTable

INCH_MM = 25.4
MINUTES = {"min": 1, "hr": 60, "hour": 60, "h": 60, "day": 1440, "d": 1440}
EXAMPLE = "minutes,2,10,100"
PUBLISHED = "by duration for ari (years)"
"""How the header of the published form begins, in small letters."""


def read_frequency_table(file: str, text: str, mistakes: list[Mistake]) -> FrequencyTable | None:
    """Return the table of a file, or None with every mistake in it.

    Our own form: the return periods [a] in the first line after "minutes", then a line a duration [min] with depths
    [mm]. The published form: lines of words, a header "by duration for ARI (years):", then lines such as "60-min:"; it
    is in inches where the lines up to the header say so.
    """
    before = len(mistakes)
    lines = list(csv.reader(text.splitlines()))
    head = next((place for place, cells in enumerate(lines) if cells and PUBLISHED in cells[0].lower()), None)
    published = head is not None
    head = head or 0
    preface = " ".join(" ".join(cells) for cells in lines[: head + 1]).lower()
    if "intensity" in preface or re.search(r"(inches|mm|millimeters)\s*/\s*h", preface):
        allowed = "A table of depths is needed: fetch the one for precipitation depth."
        mistakes.append(Mistake(f"{file}, line 1", "these are intensities, not depths", allowed))
        return None
    years = _years(file, head, lines[head] if lines else [], mistakes)
    if not years:
        return None
    unit_mm = INCH_MM if "inch" in preface else 1.0
    rows: dict[float, tuple[float, ...]] = {}
    before_mm: list[tuple[float, tuple[float, ...]]] = []
    for place, cells in enumerate(lines[head + 1 :], start=head + 1):
        minutes = _minutes(cells[0]) if cells else None
        if minutes is None:
            if published and rows:
                break  # what follows is another table, or how this one was made
            if any(cell.strip() for cell in cells):
                allowed = "A line begins with a duration in minutes."
                mistakes.append(
                    Mistake(f"{file}, line {place + 1}", f'"{cells[0]}" is no duration', allowed, "60,25,40")
                )
            continue
        row = tuple(_number(cell) for cell in cells[1:] if cell.strip())
        mistakes.extend(_wrong_in_row(f"{file}, line {place + 1}", row, len(years), minutes, before_mm))
        before_mm.append((minutes, row))
        rows[minutes] = tuple(round(unit_mm * depth, 3) for depth in row)
    if not rows:
        mistakes.append(Mistake(file, "no duration stands in it", "A line a duration is needed.", "60,25,40"))
    if len(mistakes) > before:
        return None
    return FrequencyTable(tuple(rows), years, tuple(rows.values()))


def _years(file: str, head: int, cells: list[str], mistakes: list[Mistake]) -> tuple[float, ...]:
    years = tuple(_number(cell) for cell in cells[1:] if cell.strip())
    place = f"{file}, line {head + 1}"
    if len(years) < 2 or not all(math.isfinite(one) and one >= 1 for one in years):
        allowed = "The first line has the return periods in years, two or more, each 1 or longer."
        mistakes.append(Mistake(place, f"no return periods: {','.join(cells)[:60]}", allowed, EXAMPLE))
        return ()
    if list(years) != sorted(set(years)):
        mistakes.append(Mistake(place, "the return periods don't rise", "The shortest comes first.", EXAMPLE))
        return ()
    return years


def _minutes(label: str) -> float | None:
    """Return a duration [min] from "60", "60-min:", "2-hr:" or "2-day:"."""
    found = re.fullmatch(r"\s*([\d.]+)\s*-?\s*([a-z]*?)s?\s*:?\s*", label.lower())
    if not found or not math.isfinite(_number(found[1])) or (found[2] and found[2] not in MINUTES):
        return None
    return _number(found[1]) * MINUTES.get(found[2], 1)


def _number(cell: str) -> float:
    """Return a number, or NaN for what is none."""
    return float(cell) if re.fullmatch(r"\s*\d+(\.\d*)?\s*", cell) else math.nan


def _wrong_in_row(
    place: str, row: tuple[float, ...], columns: int, minutes: float, before: list[tuple[float, tuple[float, ...]]]
) -> Iterator[Mistake]:
    if len(row) != columns:
        allowed = "Each line has one depth for each return period; numbers have a point, not a comma."
        yield Mistake(place, f"{len(row)} depths stand under {columns} return periods", allowed, "60,25,40,60")
    elif not all(math.isfinite(depth) and depth > 0 for depth in row):
        yield Mistake(place, "a depth is no number above 0", "Depths are in mm, with a point.", "60,25.4,40,60")
    elif list(row) != sorted(set(row)):
        yield Mistake(place, "the depths don't rise with the return period", "A rarer depth is a greater one. A digit?")
    elif before and minutes <= before[-1][0]:
        yield Mistake(place, f"{minutes:g} minutes come after {before[-1][0]:g}", "The shortest duration comes first.")
    elif (
        before
        and len(before[-1][1]) == columns
        and any(depth < shorter for depth, shorter in zip(row, before[-1][1], strict=True))
    ):
        allowed = "In a longer time there is no less rain. A digit?"
        yield Mistake(place, f"a depth is less than in {before[-1][0]:g} minutes", allowed)
    elif minutes <= 0:
        yield Mistake(place, "the duration is 0", "It is in minutes.", "5")

"""The part of the year in which a station measures."""

from __future__ import annotations

from calendar import isleap
from datetime import date, timedelta

EPOCH = date(1970, 1, 1)


def days_to_season(season: str, day: int) -> int:
    """Return in how many days a season such as "05-01/10-31" begins next, 0 while it lasts.

    day: days since 1970. A season may last over New Year; 29 February is 1 March in other years.
    """
    today = EPOCH + timedelta(days=day)
    begins, ends = season.split("/")
    here = f"{today:%m-%d}"
    if (begins <= here <= ends) if begins <= ends else (here >= begins or here <= ends):
        return 0
    beginnings = (_on(begins, year) for year in (today.year, today.year + 1))
    return next((beginning - today).days for beginning in beginnings if beginning > today)


def _on(written: str, year: int) -> date:
    month, day = (int(part) for part in written.split("-"))
    return date(year, 3, 1) if (month, day) == (2, 29) and not isleap(year) else date(year, month, day)

"""How fetching went, counted by week for the digest: one mark a week, written with the cycle that the fetches fed."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from datetime import datetime, timedelta

from watchman.model import Delivery, SourceHealth
from watchman.network import Network
from watchman.telling.digest import Polls, week_name, week_span

MARK = "polls:"


def counted(
    network: Network,
    marks: Mapping[str, str],
    before: Iterable[SourceHealth],
    deliveries: Iterable[Delivery],
    now: datetime,
) -> dict[str, str]:
    """Return the mark of this week with these deliveries in it; nothing to write where nothing was fetched.

    before: how fetching had gone until then. A time between two answers counts in the week in which it ends, from that
    week's beginning on.
    """
    week = week_name(now.astimezone(network.zone).date())
    polls = _read(marks.get(f"{MARK}{week}"))
    answered_at = {health.source: health.last_success_at for health in before}
    begin, fetched = week_span(network, week)[0], False
    for delivery in deliveries:
        fetched = True
        one = polls.get(delivery.source, Polls())
        gap_s = one.longest_gap_s
        if not delivery.trouble:
            last = answered_at.get(delivery.source)
            gap_s = max(gap_s, _seconds(delivery.at - max(last, begin)) if last else 0)
            answered_at[delivery.source] = delivery.at
        polls[delivery.source] = Polls(one.asked + 1, one.failed + bool(delivery.trouble), gap_s)
    said = {source: asdict(one) for source, one in polls.items()}
    return {f"{MARK}{week}": json.dumps(said, ensure_ascii=False)} if fetched else {}


def of_week(
    network: Network, marks: Mapping[str, str], health: Iterable[SourceHealth], week: str, now: datetime
) -> dict[str, Polls]:
    """Return a week's polls by source; a source that does not answer now has done so since its last answer."""
    begin, end = week_span(network, week)
    polls = _read(marks.get(f"{MARK}{week}"))
    for one in health:
        if one.source in polls and one.failing_since is not None and one.last_success_at is not None:
            silent_s = _seconds(min(now, end) - max(one.last_success_at, begin))
            before = polls[one.source]
            polls[one.source] = Polls(before.asked, before.failed, max(before.longest_gap_s, silent_s))
    return polls


def _read(text: str | None) -> dict[str, Polls]:
    return {source: Polls(**one) for source, one in json.loads(text).items()} if text else {}


def _seconds(length: timedelta) -> int:
    return max(int(length.total_seconds()), 0)

"""The pages for who gets a notice, "you got this: do this": which there are, and which belongs to a notice.

Each is a template `receiver/<kind>.txt`; the board shows them at /help/<kind>. A check's page has the check's name.
"""

from __future__ import annotations

from collections.abc import Mapping

from watchman.model import Alarm, EventKind, Notice

PAGES: Mapping[str, tuple[str, ...]] = {
    "Heavy rain": ("heavy-rain", "heavy-rain-over"),
    "Nothing is heard": ("overdue", "overdue-group", "source-outage", "source-change", "gaps", "stuck-value", "clock"),
    "Power and box": ("battery-decline", "battery-decline-group", "not-charging", "limit"),
    "Rain that may be wrong": ("dry-among-wet", "slow-drain", "undercatch", "doubtful-rain", "exchanged-ids"),
    "Visits and days": ("visit", "due-dates", "over"),
    "The watch itself": ("watch-was-off", "check-failure", "not-delivered", "drill", "drill-unanswered", "digest"),
    "You": ("called", "gathered", "answered", "volunteer"),
}
"""Every page by its kind, under the headings of the list of all."""

KINDS = frozenset(kind for kinds in PAGES.values() for kind in kinds)

OF_OCCASION: Mapping[str, str] = {
    "off": "watch-was-off",
    "drill": "drill",
    "unanswered": "drill-unanswered",
    "undelivered": "not-delivered",
    "answer": "answered",
    "digest": "digest",
}
"""The page of a notice that is no step of an alarm, by how its occasion begins."""


def page_of(notice: Notice, alarm: Alarm | None) -> str:
    """Return the kind of the page that says what to do with a notice, "" when there is none."""
    if notice.kind == "visit":
        return "visit"
    kind = _of_alarm(alarm, notice.event) if alarm else OF_OCCASION.get(notice.occasion.partition(":")[0], "")
    return kind if kind in KINDS else ""


def _of_alarm(alarm: Alarm, event: str) -> str:
    if event == EventKind.ENDED:
        return f"{alarm.check}-over"
    if event == EventKind.RETURNED:
        return "over"
    group = f"{alarm.check}-group"
    return group if "cause" in alarm.numbers and group in KINDS else alarm.check


def lines(kind: str, event: str, board_address: str, *, volunteer: bool = False) -> list[str]:
    """Return the lines of a mail that lead to its pages, "What to do with it: https://..."; none without a board."""
    asked = {
        "What to do with it": kind,
        "Why you were called": "called" if event == EventKind.ESCALATED else "",
        "What you get, and how to stop it": "volunteer" if volunteer else "",
    }
    address = board_address.rstrip("/")
    return [f"{words}: {address}/help/{page}" for words, page in asked.items() if page and address]

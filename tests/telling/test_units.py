"""The network's own units: nobody who reads inches meets a millimetre, and every depth is right and rounded down."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from typing import Any

import numpy as np
import pytest

from tests.telling import test_compose_small_checks as small
from tests.telling import test_digest, test_pictures
from tests.telling.test_doubtful_words import MORE, doubtful
from tests.telling.veldran import (
    STATIONS,
    alarm,
    at,
    battery,
    clogged,
    gauge,
    mast_out,
    network,
    notice,
    silent,
    source_out,
    storm,
    storm_over,
    written,
)
from watchman.judging.view import aware
from watchman.model import Alarm, EventKind
from watchman.network import Network
from watchman.telling import charts, compose, digest, phrases, pictures
from watchman.telling.gsm import septets

INCH = network(units="inch", temperature="F")
NOW = "2025-10-23T07:10"
MILLIMETRES = re.compile(r"(?<![a-z])mm(?![a-z])", re.IGNORECASE)
HOT = small.DAMP | {"variable": "temperature", "value": 55.0, "limit": 50.0}
DRAIN = {
    "spells": 3,
    "clear_spells": 0,
    "spells_needed": 3,
    "minutes_a_tip": 6.0,
    "hours_after": 3.0,
    "neighbours": 3,
    "relied_on": True,
    "relied_on_by": "warden",
    "each": [
        {"rain_ended": written("2025-10-21T18:00"), "tipped_until": written("2025-10-21T21:00"), "rate_mm_h": 2.0}
        | {"tips": 30, "most_mm": 2.0, "neighbour_mm": 9.0}
    ],
    "off_tips": 0.4,
    "tips": 30,
    "limit_off_tips": 0.6,
    "rate_mm_h": 2.0,
}
LESS = {
    "percent_of_usual": 72.0,
    "percent_low": 66.0,
    "percent_high": 78.0,
    "broke_at": written("2025-09-01T00:00"),
    "agree": 4,
    "neighbours": 5,
    "too_little": True,
    "before_mm": 320.0,
    "after_mm": 190.0,
    "limit_percent": 15.0,
    "limit_odds": 100.0,
    "odds": 4000.0,
}
SWAPPED = {
    "other": "gorsehill",
    "shared_with": ["gorsehill"],
    "rain_odds": 2e-4,
    "changed": [{"variable": "temperature", "before": 20.0, "now": 10.0, "other_before": 10.0, "other_now": 20.0}],
}
LIMIT = {"mm": 12.7, "minutes": 15, "severity": "severe", "factor": 0.5, "before_mm": 50.8, "before_days": 3}


def every_alarm() -> Iterator[Alarm]:
    """Yield one alarm of every kind whose words say a depth or a temperature, and those that might."""
    yield from (
        silent(),
        silent(neighbours_wet=True, wet_mm=12.7),
        battery(),
        clogged(),
        source_out(missed=[]),
        mast_out(),
    )
    yield source_out(missed=[gauge("Bracken Head", 22.0, 60, "2025-10-22T15:10")])
    rarest = {"name": "Ashlow Gap", "mm": 31.2, "minutes": 60, "years": 10, "beyond": ""}
    ended = storm_over()
    yield replace(ended, numbers={**ended.numbers, "dry_minutes": 360, "rarest": rarest})
    yield storm(gauge("Ashlow Gap", 14.2, 15, "2025-10-22T17:20", ((31.2, 60),)) | {"limit": LIMIT})
    yield storm(one_gauge_only=True, dry_neighbours=3)
    for kind, numbers in MORE:
        yield doubtful(kind, numbers)
    yield small.told("limit", HOT)
    yield small.told("stuck-value", small.ONE | {"variable": "temperature"} | {"values": [_still("temperature", 21.5)]})
    yield alarm(41, "slow-drain", "station:fennick", "2025-10-21T18:00", DRAIN)
    yield alarm(41, "slow-drain", "station:fennick", "2025-10-21T18:00", DRAIN | {"spells": 0})
    yield alarm(41, "undercatch", "station:fennick", "2025-09-01T00:00", LESS)
    yield alarm(41, "exchanged-ids", "station:eskwater", "2025-10-21T18:00", SWAPPED)
    yield alarm(41, "warm-box", "station:kettle", "2025-10-22T17:05", {"drain_mm": 25.4, "box_c": 40.0})


def _still(what: str, value: float) -> dict[str, Any]:
    return {"what": what, "value": value, **small.STILL}


def _numbers(kind: str, numbers: dict[str, Any]) -> dict[str, Any]:
    return dict(doubtful(kind, numbers).numbers)


def said(of: Alarm, here: Network, channel: str, kind: EventKind = EventKind.RAISED) -> compose.Words:
    words = compose.words(notice(of, kind, channel, NOW), of, kind, here.contacts[0], here, at(NOW))
    assert words.trouble == ""
    return words


@pytest.mark.parametrize("of", list(every_alarm()), ids=lambda of: of.check)
def test_no_word_of_an_inch_network_is_in_millimetres(of: Alarm) -> None:
    """Text, subject, mail and chat of a step and of its end; the text still fits one message."""
    over = replace(of, absent_since=at("2025-10-23T07:00"))
    end = EventKind.ENDED if "ended_at" in of.numbers and of.check == "heavy-rain" else EventKind.RETURNED
    for one, kind in ((of, EventKind.RAISED), (of, EventKind.ESCALATED), (over, end)):
        text = said(one, INCH, "text", kind).text
        assert septets(text) <= 160
        assert text.endswith("."), "cut off in the middle"
        mail = said(one, INCH, "mail", kind)
        for words in (text, mail.subject, mail.text, said(one, INCH, "chat", kind).text):
            assert not MILLIMETRES.search(words), words


def test_heavy_rain_in_inches() -> None:
    """14.2 mm are 0.559 inch, told as 0.55: never more than was measured."""
    of = storm(gauge("Ashlow Gap", 14.2, 15, "2025-10-22T17:20", ((25.4, 60),)))
    words = compose.words(
        notice(of, EventKind.RAISED, "text", "2025-10-22T17:21"),
        of,
        EventKind.RAISED,
        INCH.contacts[0],
        INCH,
        at("2025-10-22T17:21"),
    )
    assert words.text.startswith("Heavy rain Ashlow Gap 17:20: 0.55 inch/15 min, 1 inch/1 h.")


@pytest.mark.parametrize(
    ("depth_mm", "mm", "inch"),
    [
        (25.4, "25.4 mm", "1 inch"),
        (14.2, "14.2 mm", "0.55 inch"),
        (0.0, "0 mm", "0 inch"),
        (-0.1, "0 mm", "0 inch"),
        (0.2, "0.2 mm", "0 inch"),
        (0.254, "0.2 mm", "0.01 inch"),
        (0.55 * 25.4, "13.9 mm", "0.55 inch"),
        (12.7, "12.7 mm", "0.5 inch"),
    ],
)
def test_a_depth_in_each_unit(depth_mm: float, mm: str, inch: str) -> None:
    """Rounded down to 0.1 mm, or 0.01 inch (25.4 mm); a depth written in inches comes back as it was written."""
    assert phrases.Phrases(network(), at(NOW)).mm(depth_mm) == mm
    assert phrases.Phrases(INCH, at(NOW)).mm(depth_mm) == inch


def test_the_size_of_a_tip_keeps_its_figures() -> None:
    """A tip of a hundredth of an inch is one, and not "0.2 mm"."""
    assert [phrases.Phrases(one, at(NOW)).fine(0.254) for one in (network(), INCH)] == ["0.254 mm", "0.01 inch"]
    assert phrases.Phrases(INCH, at(NOW)).fine(0.2) == "0.0078 inch"


@pytest.mark.parametrize(
    ("celsius", "c", "f"), [(0.0, "0 C", "32 F"), (55.0, "55 C", "131 F"), (-40.0, "-40 C", "-40 F")]
)
def test_a_temperature_in_each_unit(celsius: float, c: str, f: str) -> None:
    """By the scales' fixed points: ice at 32 F, and both alike at -40."""
    assert [phrases.Phrases(one, at(NOW)).degrees(celsius) for one in (network(), INCH)] == [c, f]


def test_a_hot_box_in_fahrenheit() -> None:
    """The value and its limit both follow the network."""
    assert "131 F, limit 122 F" in said(small.told("limit", HOT), INCH, "text").text


def test_a_digest_of_an_inch_network() -> None:
    """Sums, the table by day and the storms: a day of 25.4 mm is 1, and the week 7."""
    rain = np.full((len(STATIONS), 7), 25400, np.int64)
    week = digest.week(INCH, test_digest.facts(rain_um=rain, open_alarms=(clogged(), storm_over())))
    mail = digest.digest_words(week, INCH.contacts[2], INCH)
    assert mail.trouble == ""
    assert not MILLIMETRES.search(mail.text), mail.text
    assert not MILLIMETRES.search(re.sub(r"<style>.*?</style>", "", mail.html, flags=re.DOTALL))
    plain = " ".join(mail.text.split())
    assert "Median 7 inch, most" in plain
    assert "Ashlow Gap 1 1 1 1 1 1 1 7 100" in plain
    assert "In inch, days from midnight" in plain


@pytest.mark.parametrize(
    ("check", "numbers"), [*(("doubtful-rain", _numbers(*one)) for one in MORE), ("dry-among-wet", clogged().numbers)]
)
def test_why_speaks_in_inches(check: str, numbers: dict[str, Any]) -> None:
    """The same numbers, in the account of `why`."""
    more = {"spells": 2, "spells_needed": 2, "own_mm": 0.0, "rained_before": True}
    days = [day | {"wet": 12, "gauges": 12} for day in numbers.get("days", [])] if check == "dry-among-wet" else None
    given = {**numbers, **more, **({"days": days} if days else {})}
    account = compose.account(check, {"n": given, "verdict": "present", "reason": ""}, INCH, at(NOW))
    assert not MILLIMETRES.search(account), account


def _pieces(shown: Any) -> Iterator[str]:
    """Yield every word of a picture."""
    for value in shown if isinstance(shown, tuple) else (getattr(shown, one.name) for one in fields(shown)):
        if isinstance(value, str):
            yield value
        elif isinstance(value, tuple) or is_dataclass(value):
            yield from _pieces(value)


@pytest.mark.parametrize("kind", [EventKind.RAISED, EventKind.ENDED])
def test_a_picture_in_inches(kind: EventKind) -> None:
    """Title, names, limits and the sentence for whoever doesn't see it."""
    view, of = test_pictures.storm_view(), test_pictures.storm_alarm()
    shown = pictures.of_alarm(of, kind, pictures.Seen(view, phrases.Phrases(INCH, aware(view.now)), "example.org"))
    dry = test_pictures.dry_alarm(), test_pictures.dry_view()
    shown += pictures.of_alarm(
        dry[0], EventKind.RAISED, pictures.Seen(dry[1], phrases.Phrases(INCH, aware(dry[1].now)), "example.org")
    )
    assert len(shown) == 2
    for one in shown:
        assert one.shown.title.endswith("[inch]")
        for words in (one.alternative, *_pieces(one.shown)):
            assert not MILLIMETRES.search(words), words


def test_the_numbers_on_bars_follow_the_unit() -> None:
    """The bars themselves keep their lengths."""
    assert [charts._short(14.2, unit) for unit in ("mm", "inch")] == ["14", "0.55"]

"""What the pictures in mails show: the numbers of the record, named, and the sentence for whoever doesn't see them."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np

from tests.helpers import moment, stations_at, view_of
from tests.telling.veldran import alarm, battery, network
from watchman.judging.view import View, aware, rfc3339
from watchman.model import BATTERY, RAIN, Alarm, EventKind
from watchman.readings.record import DAY, HOUR
from watchman.telling import phrases, pictures
from watchman.telling.charts import BatteryWeeks, DailyRain, Ranking, Sketch, Storm

NOW = moment("2025-10-23T18:00Z")
PLACES = [(0.0, 0.0), (6.0, 0.0), (0.0, 7.0), (9.0, 0.0), (-8.0, 0.0), (0.0, -9.0)]
NAMES = ("Hollin Dam", "Fennick Bridge", "Larkmoor", "Eskwater Ford", "Kettle Weir", "Gorsehill School")
STATIONS = stations_at(PLACES, names=NAMES, ids=tuple(name.split()[0].lower() for name in NAMES))


def drawn_for(of: Alarm, view: View, kind: EventKind = EventKind.RAISED) -> Sketch | None:
    """Return the picture of a mail about an alarm, or None."""
    say = phrases.Phrases(network(), aware(view.now))
    found = pictures.of_alarm(of, kind, pictures.Seen(view, say, "example.org"))
    assert len(found) <= 1
    return found[0] if found else None


def sketch_of(of: Alarm, view: View, kind: EventKind = EventKind.RAISED) -> Sketch:
    """Return the picture of a mail about an alarm, which has one."""
    sketch = drawn_for(of, view, kind)
    assert sketch is not None
    return sketch


# --- a dry gauge ---


def dry_view(**deliveries: Any) -> View:
    """Return twenty days by the hour: rain everywhere at 06:00 on every fourth day, from the 17th on not at Hollin."""
    times = np.arange(NOW - 20 * DAY + HOUR, NOW + 1, HOUR)
    rain = np.zeros((len(times), len(NAMES)))
    wet = (times % DAY == 6 * HOUR) & ((times // DAY) % 4 == 2)
    rain[wet] = [8.0, 9.0, 7.0, 10.0, 12.4, 6.0]
    rain[times > moment("2025-10-17T00:00Z"), 0] = 0.0
    for name, (begin, end) in deliveries.items():
        gone = (times > moment(begin)) & (times <= moment(end))
        rain[gone, NAMES.index(next(one for one in NAMES if one.lower().startswith(name)))] = np.nan
    return view_of(STATIONS, NOW, times, {RAIN: rain})


def dry_alarm() -> Alarm:
    """Return the alarm about it, as the check has it."""
    numbers = {
        "dry_since": "2025-10-13T06:00:00Z",
        "witnesses": [{"name": name, "km": 6.0, "mm": 9.0} for name in NAMES[1:5]],
        "days": [{"day": "2025-10-17", "own_mm": 0.0, "witness": NAMES[1], "km": 6.0, "mm": 9.0, "chance": 0.01}],
    }
    return alarm(43, "dry-among-wet", "station:hollin", "2025-10-17T11:00", numbers)


def test_a_dry_gauge_beside_its_neighbours() -> None:
    """The wet days alone, the gauge in doubt first, its good days before the dry ones, the neighbours nearest first."""
    sketch = sketch_of(dry_alarm(), dry_view())

    assert isinstance(sketch.shown, DailyRain)
    wet_days = sketch.shown.days
    assert wet_days == ("Sun\n5", "Thu\n9", "Mon\n13", "Fri\n17", "Tue\n21")
    assert sketch.shown.dry_from == 3
    assert sketch.shown.gauges == (
        ("Hollin Dam (this gauge)", (8.0, 8.0, 8.0, 0.0, 0.0)),
        ("Fennick Bridge, 6 km", (9.0,) * 5),
        ("Larkmoor, 7 km", (7.0,) * 5),
        ("Kettle Weir, 8 km", (12.4,) * 5),
        ("Eskwater Ford, 9 km", (10.0,) * 5),
    )
    assert sketch.section == "Evidence"
    assert sketch.alternative == (
        "Bars of the rain by day. Hollin Dam: 0 mm on the 2 wet days from Fri 17 Oct to Tue 21 Oct, "
        "24 mm on the 3 wet days before. In the same 2 wet days: Fennick Bridge 18 mm, Larkmoor 14 mm, "
        "Kettle Weir 24.8 mm, Eskwater Ford 20 mm."
    )


def test_a_day_of_which_nothing_came_is_no_dry_day() -> None:
    """Missing is never zero, in a picture neither."""
    sketch = sketch_of(dry_alarm(), dry_view(larkmoor=("2025-10-17T00:00Z", "2025-10-18T00:00Z")))

    assert isinstance(sketch.shown, DailyRain)
    assert dict(sketch.shown.gauges)["Larkmoor, 7 km"] == (7.0, 7.0, 7.0, None, 7.0)


def test_what_is_over_needs_no_picture() -> None:
    """Nor does a check of which a picture would tell no more than its words."""
    view = dry_view()

    assert drawn_for(dry_alarm(), view, EventKind.RETURNED) is None
    assert drawn_for(replace(dry_alarm(), check="gaps"), view) is None
    assert drawn_for(replace(dry_alarm(), stations=(), numbers={}, check="heavy-rain"), view) is None


# --- a battery ---


def battery_view(fall: float = 0.02, chemistry: str = "lithium") -> View:
    """Return 30 days of volts at six stations: steady, but for Larkmoor's, which lose [V/d] over the last ten days."""
    times = np.arange(NOW - 30 * DAY + HOUR, NOW + 1, HOUR)
    steady = {"lithium": 4.0, "lithium-iron": 3.31}[chemistry]
    volts = np.full((len(times), len(NAMES)), steady)
    volts[:, 2] -= fall * np.clip((times - (NOW - 10 * DAY)) / DAY, 0, None)
    return view_of(replace(STATIONS, chemistry=(chemistry,) * len(NAMES)), NOW, times, {BATTERY: volts})


def test_a_battery_s_mornings_beside_its_neighbours() -> None:
    """Its charge falls, theirs does not, and the way to the cut-off is that of the notice."""
    sketch = sketch_of(battery(), battery_view())

    assert isinstance(sketch.shown, BatteryWeeks)
    shown = sketch.shown
    assert (shown.unit, shown.cutoff, shown.left) == ("%", 0.0, (4.0, 6.4, 9.0))
    assert (shown.left_name, shown.cutoff_name) == ("about 6 days left (4-9)", "cut-off 3.3 V")
    assert shown.peers_name == "median of 5 neighbours"
    known = [value for value in shown.own if value is not None]
    assert known[0] > known[-1] + 15
    assert known[-5:] == sorted(known[-5:], reverse=True)
    assert len({value for value in shown.peers if value is not None}) == 1
    assert (0, "23 Oct") in shown.ticks
    assert shown.horizon == 10
    assert "It switches off at 3.3 V, which is 0 %: about 6 days left (4-9)." in sketch.alternative
    assert sketch.alternative.startswith("A line of the charge at dawn of Larkmoor over 28 days, from 78 % to 52 %")
    assert "; the median of 5 neighbours from 78 % to 78 %." in sketch.alternative


def test_days_that_nobody_can_count_are_not_drawn() -> None:
    """Iron phosphate: volts with the cut-off, and no way ahead."""
    of = battery(days_left=None, days_left_low=None, days_left_high=None, sign="floor", cutoff_v=3.0)
    sketch = sketch_of(of, battery_view(0.01, "lithium-iron"))

    assert isinstance(sketch.shown, BatteryWeeks)
    assert (sketch.shown.unit, sketch.shown.left, sketch.shown.left_name) == ("V", None, "")
    assert sketch.shown.bottom < sketch.shown.cutoff == 3.0
    assert sketch.alternative.endswith("It switches off at 3 V.")


def test_the_weather_s_batteries_by_days_left() -> None:
    """The weakest first."""
    numbers = {
        "cause": "weather",
        "cold": True,
        "batteries": [{"station": "larkmoor", "days_left": 9.6}, {"station": "fennick", "days_left": 6.2}],
    }
    sketch = sketch_of(alarm(50, "battery-decline", "network", "2025-10-20T05:00", numbers), battery_view())

    assert isinstance(sketch.shown, Ranking)
    assert [row[:3] for row in sketch.shown.rows] == [("Fennick Br", 6.2, "6 days"), ("Larkmoor", 9.6, "9 days")]
    assert sketch.alternative == "Bars of the days left of 2 batteries: Fennick Bridge 6 days, Larkmoor 9 days."


# --- a storm ---


def storm_view() -> View:
    """Return rain by five minutes on the evening of the 23rd: 2 mm each for an hour at Hollin, half as long at Larkmoor
    before nothing more comes from there.
    """
    times = np.arange(NOW - DAY + 300, NOW + 1, 300)
    rain = np.zeros((len(times), len(NAMES)))
    rain[(times > NOW - 3600), 0] = 2.0
    rain[(times > NOW - 3600) & (times <= NOW - 1800), 2] = 1.0
    rain[times > NOW - 1800, 2] = np.nan
    return view_of(STATIONS, NOW, times, {RAIN: rain})


def storm_alarm(minutes: int = 60, **more: Any) -> Alarm:
    """Return the alarm about it."""
    gauges = [
        {
            "station": name.split()[0].lower(),
            "name": name,
            "mm": mm,
            "minutes": minutes,
            "ended_at": rfc3339(NOW),
            "severity": "moderate",
            "also": [],
            "limit": {"mm": limit, "minutes": minutes, "severity": "moderate"},
        }
        for name, mm, limit in (("Hollin Dam", 24.0, 20.0), ("Larkmoor", 6.0, 5.0))
    ]
    numbers = {"gauges": gauges, "peaks": gauges, "gauges_total": 2, "one_gauge_only": False} | more
    began = aware(NOW) - timedelta(hours=1)
    of = alarm(46, "heavy-rain", "network", "2025-10-23T11:00", numbers, stations=("hollin", "larkmoor"))
    return replace(of, since=began)


def test_a_storm_s_bars_with_its_limits() -> None:
    """What fell in each step, the sums that the limit is about, and the gaps of a gauge that fell silent."""
    sketch = sketch_of(storm_alarm(), storm_view())

    assert isinstance(sketch.shown, Storm)
    hollin, larkmoor = sketch.shown.gauges
    assert sketch.shown.title == "Rain in 15 min [mm]"
    assert hollin.bars == (0.0,) * 4 + (6.0,) * 4
    assert (max(hollin.sums), hollin.limit, hollin.limit_name) == (24.0, 20.0, "limit 20 mm in 1 h")
    assert larkmoor.bars == (0.0,) * 4 + (3.0,) * 2 + (None,) * 2
    assert sketch.shown.ticks == ((0, "10:00"), (4, "11:00"), (8, "12:00"))
    assert sketch.alternative == (
        "Bars of the rain in 15 min from 10:00 to 12:00 at the 2 worst gauges. "
        "Hollin Dam: 24 mm in all, most 24 mm in 1 h by 12:00 (limit 20 mm in 1 h). "
        "Larkmoor: 6 mm in all, most 6 mm in 1 h by 12:00 (limit 5 mm in 1 h)."
    )


def test_a_storm_that_is_over_from_its_first_tip_to_its_last() -> None:
    """Whatever the alarm said when it was raised."""
    of = storm_alarm(began_at=rfc3339(NOW - 4500), ended_at=rfc3339(NOW - 900))
    sketch = sketch_of(of, storm_view(), EventKind.ENDED)

    assert isinstance(sketch.shown, Storm)
    assert sketch.shown.gauges[0].bars == (0.0,) + (6.0,) * 3
    assert "from 10:45 to 11:45" in sketch.alternative


def test_bars_as_long_as_the_limit_need_no_sums() -> None:
    """A limit in a quarter of an hour is held against the bars themselves."""
    sketch = sketch_of(storm_alarm(minutes=15), storm_view())

    assert isinstance(sketch.shown, Storm)
    assert sketch.shown.gauges[0].sums == ()


def test_a_long_storm_has_longer_bars() -> None:
    """No picture has more bars than a phone can show."""
    sketch = sketch_of(storm_alarm(minutes=24 * 60), storm_view())

    assert isinstance(sketch.shown, Storm)
    assert sketch.shown.title == "Rain in 1 h [mm]"
    assert len(sketch.shown.gauges[0].bars) <= pictures.STORM_BARS
    assert sum(mm or 0 for mm in sketch.shown.gauges[0].bars) == 24.0


# --- the week ---


def test_the_week_s_rain_by_station() -> None:
    """The most first, those that don't count below with the reason, the middle ones of many left out and counted."""
    ranked = [(f"Station {place}", 90.0 - place) for place in range(30)]
    say = phrases.Phrases(network(), aware(NOW))
    sketch = pictures.week_rain("Rain by day", ranked, [("hollin", "clogged? no. 43")], 75.5, say, "example.org")

    assert sketch is not None
    assert isinstance(sketch.shown, Ranking)
    names = [row[0] for row in sketch.shown.rows]
    assert names == [f"Station {place}" for place in range(12)] + [""] + [f"Station {p}" for p in range(22, 30)] + [
        "Hollin Dam"
    ]
    assert sketch.shown.rows[12][2] == "10 more between"
    assert sketch.shown.rows[-1] == ("Hollin Dam", None, "clogged? no. 43", True)
    assert sketch.alternative == (
        "Bars of the week's rain at 30 stations: most Station 0 90 mm, least Station 29 61 mm, median 75.5 mm. "
        "Not ranked: Hollin Dam."
    )


def test_the_same_picture_has_the_same_name_and_another_another() -> None:
    """A content id belongs to one content (RFC 2392), so that mail programs never mix pictures up."""
    one, same = (sketch_of(dry_alarm(), dry_view()) for _ in range(2))
    other = sketch_of(battery(), battery_view())

    assert one == same
    assert one.name != other.name
    assert one.name.endswith("@example.org")

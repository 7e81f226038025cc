"""Silent stations and their widest cause: who waits for whom, who speaks against an outage, who is left over."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from tests.helpers import moment, stations_at, view_of
from watchman.judging.alarms import pending
from watchman.judging.causes.silences import WAITING, silences
from watchman.judging.checks import overdue
from watchman.judging.rule import Rule
from watchman.judging.view import View, aware
from watchman.model import RAIN, Alarm, AlarmKey, AlarmState, Matter, Verdict

MINUTE, DAY = 60, 86400
STEP = 300
NOW = moment("2025-10-21T12:00Z")
RULE = Rule(name="overdue", check="overdue", tell=("technician",))


def seen(every: tuple[int, ...], last: tuple[int, ...]) -> View:
    """Return what is seen of stations of one mast that send every so many minutes and were last heard so many minutes
    ago.
    """
    times = np.arange(NOW - 10 * DAY + STEP, NOW + 1, STEP)
    ago = (NOW - times) // MINUTE
    table = np.full((len(times), len(every)), np.nan)
    for station, (minutes, silent) in enumerate(zip(every, last, strict=True)):
        table[((ago - silent) % minutes == 0) & (ago >= silent), station] = 0.0
    places = [(3.0 * station, 0.0) for station in range(len(every))]
    stations = stations_at(places, mast=("T1",) * len(every), sends_every_s=np.array(every) * MINUTE)
    return view_of(stations, NOW, times, {RAIN: table})


def told(view: View, standing: Mapping[AlarmKey, Alarm] | None = None) -> dict[str, Matter]:
    """Return the matters by scope."""
    findings = overdue.judge(view, overdue.Settings())
    return {matter.key.scope: matter for matter in silences(RULE, findings, view, standing or {}, {})}


@pytest.mark.parametrize(
    ("peer", "waits"),
    [(10, False), (25, False), (30, True), (45, True)],
    ids=["spoke lately", "as the second report was missed", "before that", "not due since"],
)
def test_a_station_waits_only_while_its_peers_may_be_silent_too(peer: int, waits: bool) -> None:
    """Of three on a mast the one that sends every 5 minutes is silent for 35; one hourly peer is not due. The other
    one's last word decides whether the mast may be down.
    """
    matter = told(seen((5, 60, 60), (35, peer, 50)))["station:S0"]
    assert (matter.verdict, matter.reason) == ((Verdict.UNDETERMINED, WAITING) if waits else (Verdict.PRESENT, ""))


def test_two_that_fell_silent_one_after_the_other_while_a_third_speaks_are_two_matters() -> None:
    """The hourly one missed a report an hour before the other's last; had both gone at once, it were the mast."""
    matters = told(seen((5, 60, 5), (100, 220, 5)))
    assert "mast:T1" not in matters
    assert matters["station:S0"].verdict == matters["station:S1"].verdict == Verdict.PRESENT
    matters = told(seen((5, 60, 5), (200, 230, 5)))
    assert matters["mast:T1"].verdict == Verdict.PRESENT
    assert matters["station:S0"].part_of == matters["mast:T1"].key


def test_the_last_one_still_silent_has_a_trouble_of_its_own() -> None:
    """The mast's matter is over when one of two reports again; the other is told as itself."""
    key = AlarmKey("overdue", "overdue", "mast:T1")
    view = seen((15, 15), (1200, 1200))
    outage = told(view)["mast:T1"]
    assert outage.verdict == Verdict.PRESENT
    alarm = pending(replace(outage, since=aware(NOW - 1200 * MINUTE)), aware(NOW - 1100 * MINUTE))
    alarm = replace(alarm, number=4, state=AlarmState.UNACKNOWLEDGED, raised_at=aware(NOW - 1100 * MINUTE))
    matters = told(seen((15, 15), (1200, 10)), {key: alarm})
    assert matters["mast:T1"].verdict == Verdict.ABSENT
    assert (matters["station:S0"].verdict, matters["station:S0"].part_of) == (Verdict.PRESENT, None)

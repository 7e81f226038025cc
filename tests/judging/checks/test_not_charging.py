"""Not charging: only days on which charging was to be expected count, whatever the kind of battery."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from tests.judging.checks.dawns import DAYS, ONE, PLACES, account, seen_by, sunny, volts
from watchman.judging.checks import not_charging
from watchman.judging.science.battery import LEAD_ACID, LITHIUM, LITHIUM_IRON
from watchman.judging.view import Findings, View
from watchman.model import Verdict

SETTINGS = not_charging.Settings()
WARM = np.full((DAYS * 24, len(PLACES)), 9.0)


def judged(hours: np.ndarray, **more: Any) -> tuple[View, Findings]:
    more.setdefault("warmth_c", WARM[:, : hours.shape[1]])
    view = seen_by(hours, **more)
    return view, not_charging.judge(view, SETTINGS)


def cut_for(days: int, kind: str = LITHIUM) -> np.ndarray:
    """Return hourly volts of a network in which the first panel brings nothing on the last whole days."""
    gains = sunny()
    gains[-1 - days :, ONE] = 0.0
    return volts(account(gains), kind, 1.2 if kind == LEAD_ACID else 0.08)


@pytest.mark.parametrize("kind", [LITHIUM, LITHIUM_IRON, LEAD_ACID])
def test_a_cut_panel_is_told_after_two_plainly_sunny_days(kind: str) -> None:
    """Also where the volts say nothing of the charge; after one day it is not."""
    _, findings = judged(cut_for(2, kind), chemistry=(kind,) * 6)
    assert findings.present().tolist() == [ONE]
    assert findings.numbers["days_without"][ONE] == 2
    _, findings = judged(cut_for(1, kind), chemistry=(kind,) * 6)
    assert len(findings.present()) == 0


def test_all_that_charge_are_absent() -> None:
    """Nobody is accused."""
    assert (judged(volts(account(sunny())))[1].verdict == Verdict.ABSENT).all()


def test_dark_days_count_for_nobody() -> None:
    """When the peers don't charge either, charging was not to be expected."""
    gains = sunny()
    gains[-5:] = 0.0
    _, findings = judged(volts(account(gains)))
    assert len(findings.present()) == 0


def test_frost_is_no_fault_but_only_for_lithium() -> None:
    """A cold cell takes no charge; lead-acid does."""
    warmth_c = WARM.copy()
    warmth_c[-7 * 24 :, ONE] = -5.0
    _, findings = judged(cut_for(6), warmth_c=warmth_c)
    assert findings.verdict[ONE] == Verdict.UNDETERMINED
    assert "frost" in findings.reason[ONE]
    _, findings = judged(cut_for(4, LEAD_ACID), chemistry=(LEAD_ACID,) * 6, warmth_c=warmth_c)
    assert findings.present().tolist() == [ONE]


def test_cold_months_without_a_thermometer_ask_for_more_days() -> None:
    """In November at 40 degrees north four days could be frost; five are told."""
    assert len(judged(cut_for(4), warmth_c=None)[1].present()) == 0
    assert judged(cut_for(5), warmth_c=None)[1].present().tolist() == [ONE]


def test_one_day_of_charge_ends_it() -> None:
    """Days without charge before the last one with it don't add up."""
    gains = sunny()
    gains[-6:, ONE] = 0.0
    gains[-3, ONE] = 0.25
    assert len(judged(volts(account(gains)))[1].present()) == 0


def test_without_peers_it_can_not_be_told() -> None:
    """It may have been dark."""
    _, findings = judged(cut_for(4)[:, :2])
    assert (findings.verdict == Verdict.UNDETERMINED).all()
    assert "peers" in findings.reason[ONE]


def test_evidence_is_fit_for_json_for_every_station() -> None:
    """What is not known is null."""
    hours = cut_for(3)
    hours[:, 4] = np.nan
    view, findings = judged(hours)
    for position in range(6):
        json.dumps(not_charging.evidence(view, SETTINGS, findings, position), allow_nan=False)
    assert not_charging.evidence(view, SETTINGS, findings, ONE)["percent_of_usual"] < 20
    assert "no battery volts" in findings.reason[4]

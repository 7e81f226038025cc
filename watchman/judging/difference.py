"""What would have made the difference: the nearest setting of a rule that turns a verdict, found by trying it.

Nothing is derived from formulas: the check itself is asked again with the setting changed, so that what is said holds.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from types import ModuleType
from typing import Annotated, Any, get_args, get_origin

import numpy as np
from annotated_types import Ge, Gt, Le, Lt
from pydantic.fields import FieldInfo

from watchman.judging.checks import overdue
from watchman.judging.view import View, aware
from watchman.model import Verdict
from watchman.readings.record import DAY
from watchman.written import Written

SENSIBLE = 100.0
"""A setting more than so many times larger or smaller would be another question, and is not named."""
MOST_NAMED = 3
"""As many settings are named, those that change least first."""
BISECTIONS = 40
DURATIONS = frozenset({"minutes", "hours", "days"})
"""In one of several limits these say which limit it is, not how strict."""
AHEAD_S = 7 * DAY
"""How far ahead it is asked whether silence alone would turn the verdict [s]."""


@dataclass(frozen=True, slots=True)
class Difference:
    """One change that turns a verdict: a setting of the rule, or, with `until`, silence up to a moment.

    setting: its name, "limits[1].depth_mm" for one of several; was, would: as it is, and as it would have to be.
    """

    setting: str
    was: float
    would: float
    until: datetime | None = None


def differences(check: ModuleType, settings: Written, view: View, position: int | None) -> list[Difference]:
    """Return the smallest changes that turn what a check says of a station; without one, of any station at all.

    Undetermined verdicts have none: what is missing there is readings.
    """
    before = _verdict(check, settings, view, position)
    if before is Verdict.UNDETERMINED:
        return []
    turned = _turned(before)
    found = []
    for name, was, bounds, changed in numbers_of(settings):
        whole = isinstance(was, int)

        def turns(value: float, changed: Callable[[float], Written] = changed) -> bool:
            return turned(_verdict(check, changed(value), view, position))

        would = _nearest(was, bounds, turns, whole=whole)
        if would is not None:
            found.append(Difference(name, was, would))
    found = [one for one in found if 1 / SENSIBLE <= one.would / one.was <= SENSIBLE]
    found.sort(key=lambda one: abs(math.log(one.would / one.was)))
    return [*_by_silence(check, settings, view, position, before), *found[:MOST_NAMED]]


def applied(difference: Difference, settings: Written) -> Written:
    """Return a rule's settings with one of them changed as the difference says."""
    change = next(changed for name, _was, _bounds, changed in numbers_of(settings) if name == difference.setting)
    return change(difference.would)


def numbers_of(settings: Written) -> Iterator[tuple[str, float, tuple[float, float], Callable[[float], Written]]]:
    """Yield each number in a rule's settings: its name, value, allowed span, and how to change it."""
    for name, info in type(settings).model_fields.items():
        value = getattr(settings, name)
        if isinstance(value, tuple) and value and all(isinstance(part, Written) for part in value):
            for place, part in enumerate(value):
                for inner, was, bounds, changed in numbers_of(part):
                    if inner in DURATIONS:
                        continue

                    def within(
                        number: float,
                        parts: tuple[Written, ...] = value,
                        place: int = place,
                        changed: Callable[[float], Written] = changed,
                        name: str = name,
                    ) -> Written:
                        return settings.model_copy(
                            update={name: (*parts[:place], changed(number), *parts[place + 1 :])}
                        )

                    yield f"{name}[{place + 1}].{inner}", was, bounds, within
        elif isinstance(value, int | float) and not isinstance(value, bool) and value > 0:
            whole = isinstance(value, int)

            def alone(number: float, name: str = name, whole: bool = whole) -> Written:
                return settings.model_copy(update={name: round(number) if whole else number})

            yield name, value, _bounds(info, value), alone


def _bounds(info: FieldInfo, value: float) -> tuple[float, float]:
    """Return the least and the most a setting may be; where nothing is said, a hundredth and a hundredfold."""
    least, most = value / 100.0, value * 100.0
    for rule in _metadata(info):
        if isinstance(rule, Ge | Gt):
            least = float(rule.ge if isinstance(rule, Ge) else rule.gt)  # type: ignore[arg-type]
        elif isinstance(rule, Le | Lt):
            most = float(rule.le if isinstance(rule, Le) else rule.lt)  # type: ignore[arg-type]
    return max(least, value * 1e-3), most


def _metadata(info: FieldInfo) -> Iterator[Any]:
    yield from info.metadata
    # A number that may be left out has its bounds inside the union with None.
    for part in get_args(info.annotation):
        if get_origin(part) is Annotated:
            for inner in get_args(part)[1:]:
                yield from inner.metadata if isinstance(inner, FieldInfo) else (inner,)


def _nearest(was: float, bounds: tuple[float, float], turns: Callable[[float], bool], *, whole: bool) -> float | None:
    """Return the value nearest to `was` at which something turns, to three figures, or None if it never does."""
    for bound in bounds:
        if bound == was or not turns(bound):
            continue
        near, far = was, bound
        for _ in range(BISECTIONS):
            middle = math.sqrt(near * far)
            if abs(math.log(far / near)) < 1e-4:
                break
            near, far = (near, middle) if turns(middle) else (middle, far)
        for value in _rounded(far, up=far > was, whole=whole):
            if bounds[0] <= value <= bounds[1] and turns(value):
                return value
        return far
    return None


def _rounded(value: float, *, up: bool, whole: bool) -> tuple[float, float]:
    """Return a value to three figures, or whole: to the nearest, and away from where it came from."""
    digits = 0 if whole else 2 - math.floor(math.log10(value))
    scaled = value * 10.0**digits
    nearest, away = round(scaled), math.ceil(scaled) if up else math.floor(scaled)
    shown = max(digits, 0)
    return round(nearest / 10.0**digits, shown), round(away / 10.0**digits, shown)


def _turned(before: Verdict) -> Callable[[Verdict], bool]:
    if before is Verdict.PRESENT:
        return lambda verdict: verdict is not Verdict.PRESENT
    return lambda verdict: verdict is Verdict.PRESENT


def _verdict(check: ModuleType, settings: Written, view: View, position: int | None) -> Verdict:
    verdict = check.judge(view, settings).verdict
    if position is not None:
        return Verdict(int(verdict[position]))
    return Verdict(int(np.max(verdict))) if len(verdict) else Verdict.UNDETERMINED


def _by_silence(
    check: ModuleType, settings: Written, view: View, position: int | None, before: Verdict
) -> list[Difference]:
    """Return until when a station that reports would have to be silent to be called overdue."""
    if check.NAME != overdue.NAME or position is None or before is not Verdict.ABSENT:
        return []

    def late(now: int) -> bool:
        return _verdict(check, settings, replace(view, now=now), position) is Verdict.PRESENT

    near, far = view.now, view.now + AHEAD_S
    if not late(far):
        return []
    while far - near > 60:
        middle = (near + far) // 2
        near, far = (near, middle) if late(middle) else (middle, far)
    return [Difference("silence", 0.0, float(far - view.now) / 60.0, aware(far))]

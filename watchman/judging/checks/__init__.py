"""The register of checks: one file a check, one line here. A check is a module with

NAME        its name in rule files, in words
Settings    a `Written` with a default for everything; its fields' docstrings are the help
judge(view, settings) -> Findings              what it says of all stations at once; pure and vectorised
evidence(view, settings, findings, position) -> dict    what people are shown of one finding; values fit for JSON

EVERY_S     optional: how long what it found holds [s], for checks that change slowly. `numbers` then outlive the cycle:
            times and amounts, never positions of cells. So does the evidence, made once for what was found, in the
            same cycle. Where that hangs on the settings, `every_s(settings)` says it

`evidence` serves `why` too, so it must answer for any station, whatever the verdict.

The module's docstring is the check's page: what it asks, the formula, units, where each number comes from, what it
cannot see.
"""

from collections.abc import Mapping
from types import ModuleType

from watchman.judging.checks import (
    battery_decline,
    clock,
    doubtful_rain,
    dry_among_wet,
    due_dates,
    exchanged_ids,
    gaps,
    heavy_rain,
    limit,
    not_charging,
    overdue,
    slow_drain,
    source_change,
    source_outage,
    stuck_value,
    undercatch,
)

CHECKS: Mapping[str, ModuleType] = {
    module.NAME: module
    for module in (
        overdue,
        source_outage,
        source_change,
        battery_decline,
        not_charging,
        dry_among_wet,
        slow_drain,
        undercatch,
        heavy_rain,
        doubtful_rain,
        stuck_value,
        limit,
        gaps,
        due_dates,
        clock,
        exchanged_ids,
    )
}

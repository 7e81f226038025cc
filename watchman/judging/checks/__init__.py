"""The register of checks: one file a check, one line here. A check is a module with

NAME        its name in rule files, in words
Settings    a `Written` with a default for everything; its fields' docstrings are the help
judge(view, settings) -> Findings              what it says of all stations at once; pure and vectorised
evidence(view, settings, findings, position) -> dict    what people are shown of one finding; values fit for JSON

EVERY_S     optional: how long what it found holds [s], for checks that change slowly. `numbers` then outlive the cycle:
            times and amounts, never positions of cells

`evidence` serves `why` too, so it must answer for any station, whatever the verdict.

The module's docstring is the check's page: what it asks, the formula, units, where each number comes from, what it
cannot see.
"""

from collections.abc import Mapping
from types import ModuleType

from watchman.judging.checks import battery_decline, dry_among_wet, heavy_rain, overdue, source_outage

CHECKS: Mapping[str, ModuleType] = {
    module.NAME: module for module in (overdue, source_outage, battery_decline, dry_among_wet, heavy_rain)
}

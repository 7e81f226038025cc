"""A fault that another one at its station explains is part of it, but never so that nobody's phone rings."""

from __future__ import annotations

import pytest

from watchman.judging.causes.explained import explained
from watchman.model import AlarmKey, Matter, Verdict, When

CLOG = Matter(AlarmKey("clog", "dry-among-wet", "station:s1"), "dry-among-wet", Verdict.PRESENT, ("s1",))
SLOW = Matter(AlarmKey("slow", "undercatch", "station:s1"), "undercatch", Verdict.PRESENT, ("s1",), when=When.WEEKLY)


def doubt(when: When, rule: str = "doubt") -> Matter:
    return Matter(AlarmKey(rule, "doubtful-rain", "station:s1"), "doubtful-rain", Verdict.PRESENT, ("s1",), when=when)


def test_what_rings_is_no_part_of_what_is_only_read_in_the_digest() -> None:
    """A clog told by day stays a matter of its own beside doubts told weekly; a drift told weekly is part of them."""
    cause = doubt(When.WEEKLY)
    assert [one.part_of for one in explained([cause, CLOG, SLOW], {})] == [None, None, cause.key]
    assert [one.part_of for one in explained([cause, SLOW], {})] == [None, cause.key]


@pytest.mark.parametrize("turned", [False, True])
def test_of_two_rules_of_one_check_the_one_that_rings_explains(turned: bool) -> None:
    """Whichever of them comes first, a clog is part of the one told by day."""
    causes = [doubt(When.BY_DAY, "soon"), doubt(When.WEEKLY, "later")]
    matters = explained([*(causes[::-1] if turned else causes), CLOG], {})
    assert matters[-1].part_of == causes[0].key

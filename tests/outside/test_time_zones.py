"""Clock times that occur twice or never, against the instants that RFC 5545 works out.

Source: RFC 5545 (Internet Calendaring and Scheduling), section 3.3.5 "Date-Time", FORM #3: TZID=America/New_York
20071104T013000 "indicates November 4, 2007 at 1:30 A.M. EDT (UTC-04:00)", and 20070311T023000 "indicates March 11,
2007 at 3:30 A.M. EDT (UTC-04:00), one hour after 1:30 A.M. EST (UTC-05:00)".
"""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from watchman.readings.sources.settings import Clock
from watchman.readings.sources.times import read


@pytest.mark.parametrize(
    ("local", "instant"),
    [
        ("2007-11-04T01:30:00", datetime(2007, 11, 4, 5, 30, tzinfo=UTC)),
        ("2007-03-11T02:30:00", datetime(2007, 3, 11, 7, 30, tzinfo=UTC)),
        ("2007-03-11T01:30:00", datetime(2007, 3, 11, 6, 30, tzinfo=UTC)),
    ],
)
def test_times_that_occur_twice_or_never_are_those_of_rfc_5545(local: str, instant: datetime) -> None:
    """Twice: the first; never: by the offset before the gap."""
    [seconds] = read([local], Clock(zone="America/New_York"))

    assert datetime.fromtimestamp(int(seconds), UTC) == instant

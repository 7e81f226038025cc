"""The arithmetic behind the checks: functions of arrays, each with the source of its numbers."""

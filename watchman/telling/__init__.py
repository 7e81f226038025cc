"""From alarms to phones."""

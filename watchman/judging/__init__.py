"""From the record to alarms; pure: no clock, file, network, database or log."""

"""From a source to a clean record."""

"""Kills the real watch again and again, and compares what people received with what they should have: `make chaos`."""

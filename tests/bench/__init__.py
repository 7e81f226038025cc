"""Speed and memory, side by side in one run: `make bench`. Nothing here is a test, and no test is timed."""

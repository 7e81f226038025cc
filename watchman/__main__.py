"""`python -m watchman` is the command `watchman`."""

from watchman.cli import main

main()

"""The tree of errors, by what the reader can do about them.

WatchmanError
├── InputError      what a person wrote is wrong: all mistakes at once; exit code 2
└── OutsideError    a source, store, channel or disk failed: try again or repair it; exit code 3
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


class WatchmanError(Exception):
    """An error a person can act on."""


@dataclass(frozen=True, slots=True)
class Mistake:
    """One mistake in what a person wrote.

    place: file with line or key, for instance "network.toml, line 14 (sources[1].address)".
    found: what stands there. allowed: what may stand there. example: a line that would do.
    """

    place: str
    found: str
    allowed: str
    example: str = ""

    def __str__(self) -> str:
        sentence = f"{self.place}: {self.found}. {self.allowed}"
        return f"{sentence} For example: {self.example}" if self.example else sentence


class InputError(WatchmanError):
    """Everything that is wrong in what a person wrote, all at once."""

    def __init__(self, mistakes: Iterable[Mistake]) -> None:
        self.mistakes = tuple(mistakes)
        super().__init__("\n".join(str(mistake) for mistake in self.mistakes))


class OutsideError(WatchmanError):
    """Something outside the program failed; the sentence says what, and what to try."""

"""One figure of the bench with its limit."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Line:
    """A measured figure, and what it may be at most or must be at least."""

    what: str
    value: float
    unit: str
    limit: float
    at_least: bool = False

    @property
    def good(self) -> bool:
        """Whether the limit is kept."""
        return self.value >= self.limit if self.at_least else self.value <= self.limit

    def __str__(self) -> str:
        word = "at least" if self.at_least else "at most"
        verdict = "" if self.good else "   MISSED"
        return f"{self.what:<58}{self.value:9.2f} {self.unit:<3} {word} {self.limit:g}{verdict}"

"""The client's document before it becomes a page or paper: blocks of text and what is drawn."""

from __future__ import annotations

from dataclasses import dataclass

from tracker.progress.progress import Progress
from tracker.report.document_pictures import Picture, StageViews
from tracker.report.document_text import Block
from tracker.report.document_values import StateRow
from tracker.report.words import Words


@dataclass(frozen=True, slots=True)
class Document:
    """Everything that page and paper show.

    Attributes
    ----------
    title, author : str
        Plain text.
    accent : str
        #rrggbb.
    blocks : tuple of Block
    photographs : tuple of Picture
    views : StageViews or None
    progress : Progress
        For the chart.
    states, sides, spots : rows of the tables
    swatches : dict of label to Picture
    notes : tuple of str
        What is missing.
    logo : Picture or None
    """

    title: str
    author: str
    accent: str
    paper: str
    blocks: tuple[Block, ...]
    photographs: tuple[Picture, ...]
    views: StageViews | None
    progress: Progress
    states: tuple[StateRow, ...]
    sides: tuple[tuple[str, str, str], ...]
    spots: tuple[tuple[str, str, str, str], ...]
    swatches: dict[str, Picture]
    notes: tuple[str, ...]
    logo: Picture | None
    words: Words

    @property
    def side_heads(self) -> tuple[str, str, str]:
        """Heads of the table of sides."""
        words = self.words
        return words.text("side"), words.text("removed"), words.text("not compared")

    @property
    def spot_heads(self) -> tuple[str, str, str, str]:
        """Heads of the table of over-cut spots."""
        words = self.words
        return "", words.text("depth"), words.text("near point"), words.text("since then")

    @property
    def state_heads(self) -> tuple[str, str, str]:
        """Heads of the table of states."""
        words = self.words
        return words.text("state"), words.text("points"), words.text("share")

"""Careful fit of the stone to the model: the frame decides, finished stone may only refine."""

from tracker.alignment.align import align
from tracker.alignment.result import Alignment

__all__ = ["Alignment", "align"]

"""Every failure a person can meet.

::

    TrackerError                 one sentence what is wrong, one what to do
    |-- InputError               a file or value handed in cannot be used
    |   |-- PhotographError      a photograph, or a folder of them
    |   |-- TableError           a CSV file
    |   `-- MeshError            a model
    |-- JobError                 the job folder: missing, not writable, name taken
    |-- TargetError              targets missing, moved, or contradicting the record
    |-- NetworkError             the photographs cannot be tied together
    |   `-- ScaleError           nothing says how long a millimetre is, or two things disagree
    `-- AlignmentError           the frame contradicts the stone
"""

from __future__ import annotations


class TrackerError(Exception):
    """Root of all failures that are shown to the user.

    Parameters
    ----------
    message : str
        What was found (with its number) and what was needed, in the carver's words.
    hint : str
        What to do next.
    """

    exit_code = 1

    def __init__(self, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint

    def __str__(self) -> str:
        return f"{self.message} {self.hint}".strip()


class InputError(TrackerError):
    """A file or value handed in cannot be used."""


class PhotographError(InputError):
    """A photograph, or a folder of photographs, cannot be used."""


class TableError(InputError):
    """A CSV file cannot be read without guessing."""


class MeshError(InputError):
    """A model is not a surface that stone can be compared with."""


class JobError(TrackerError):
    """The job folder is missing, not writable, or a name is taken."""


class TargetError(TrackerError):
    """Targets are missing, have moved, or contradict the record."""


class NetworkError(TrackerError):
    """The photographs cannot be tied together."""


class ScaleError(NetworkError):
    """Nothing gives the scale, or two things that give it disagree."""


class AlignmentError(TrackerError):
    """The frame's record and the stone contradict each other."""

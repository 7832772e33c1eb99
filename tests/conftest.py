"""What all tests need before they begin."""

from __future__ import annotations

import pupil_apriltags


def _leave(_detector: object) -> None:
    """Frees nothing."""


# pupil-apriltags frees a detector's tag families before the detector, which then reads them again
# and now and then spoils the process's memory (pupil-labs/apriltags, pull request 65). Those of
# the tests stay until the process ends.
pupil_apriltags.Detector.__del__ = _leave

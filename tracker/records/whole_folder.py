"""A folder that comes into being whole or not at all."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tracker.records.tables import write_failure

UNFINISHED = ".unfinished-"
"""Beginning of the names of folders that are still being written."""


@contextmanager
def whole_folder(final: Path) -> Iterator[Path]:
    """Gives a temporary folder beside `final`, flushed to the disk and renamed at the end.

    Whatever interrupts the work, a full disk or Ctrl-C, takes the temporary folder with it and
    leaves everything else as it was.

    Raises
    ------
    JobError
        The folder cannot be written to, the disk is full, or `final` has appeared meanwhile.
    """
    work: Path | None = None
    try:
        final.parent.mkdir(exist_ok=True)
        work = Path(tempfile.mkdtemp(prefix=UNFINISHED, dir=final.parent))
        work.chmod(0o755)
        yield work
        _flush(work)
        work.rename(final)
        _flush_folder(final.parent)
    except OSError as error:
        if _belongs_elsewhere(error, final.parent):
            raise
        raise write_failure(error, final.parent) from error
    finally:
        if work is not None and work.exists():
            shutil.rmtree(work, ignore_errors=True)


def remove_unfinished(parent: Path) -> None:
    """Removes what an earlier run left behind that could not clean up (power cut, kill)."""
    if parent.is_dir():
        for left in sorted(parent.glob(f"{UNFINISHED}*")):
            shutil.rmtree(left, ignore_errors=True)


def _belongs_elsewhere(error: OSError, parent: Path) -> bool:
    """Whether the error names a file outside of the job's stages."""
    if not isinstance(error.filename, str | os.PathLike):
        return False
    return not Path(error.filename).absolute().is_relative_to(parent.absolute())


def _flush(folder: Path) -> None:
    for path in sorted(folder.rglob("*")):
        if path.is_dir():
            _flush_folder(path)
        else:
            with path.open("rb") as handle:
                os.fsync(handle.fileno())
    _flush_folder(folder)


def _flush_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)

"""What every command shares: the job it works on, and failures told in a sentence."""

from __future__ import annotations

import errno
import os
import sys
import traceback
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import typer
from typer.core import TyperGroup

from tracker.cli.output import complain
from tracker.errors import JobError, TrackerError

if TYPE_CHECKING:
    from tracker.job import Job

STOPPED = "Stopped; the job is as it was."


@dataclass(frozen=True, slots=True)
class Shared:
    """Options in front of the command."""

    job_folder: Path | None
    debug: bool


class Commands(TyperGroup):
    """All commands; turns every failure into a sentence on stderr and exit code 1."""

    def invoke(self, ctx: Any) -> Any:
        """Runs the command."""
        try:
            return super().invoke(ctx)
        except (typer.Exit, typer.Abort):
            raise
        except TrackerError as error:
            fail(ctx, error, error.message, error.hint, error.exit_code)
        except KeyboardInterrupt as error:
            fail(ctx, error, STOPPED)
        except BrokenPipeError:
            _silence_stdout()
            raise typer.Exit(1) from None
        except OSError as error:
            fail(ctx, error, *_os_failure(error))
        except MemoryError as error:
            fail(
                ctx,
                error,
                "The memory of this machine is used up; the job is as it was.",
                "Close other programs, or take smaller photographs.",
            )
        except Exception as error:
            if _is_usage(error):
                raise
            fail(
                ctx,
                error,
                f"This should not have happened ({type(error).__name__}: {error}).",
                "The job is as it was. Put --debug before the command, run it again and send "
                "what it prints to the authors.",
            )


def fail(ctx: Any, error: BaseException, message: str, hint: str = "", code: int = 1) -> NoReturn:
    """Says what is wrong and what to do, and exits.

    Raises
    ------
    typer.Exit
    """
    shared = ctx.find_object(Shared)
    if shared is not None and shared.debug:
        complain("".join(traceback.format_exception(error)).rstrip())
    complain(message, hint)
    raise typer.Exit(code) from None


def opened_job(ctx: typer.Context) -> Job:
    """The job named by --job, or the nearest one upward."""
    from tracker.job import open_job

    shared = ctx.find_object(Shared)
    return open_job(shared.job_folder if shared is not None else None)


def job_if_any(ctx: typer.Context) -> Job | None:
    """The job named by --job, or the nearest one upward, or None where there is none."""
    from tracker.job import find_job_folder, open_job

    shared = ctx.find_object(Shared)
    if shared is not None and shared.job_folder is not None:
        return open_job(shared.job_folder)
    try:
        folder = find_job_folder(Path.cwd())
    except JobError:
        return None
    return open_job(folder)


def _is_usage(error: BaseException) -> bool:
    return hasattr(error, "exit_code") and hasattr(error, "format_message")


def _os_failure(error: OSError) -> tuple[str, str]:
    place = f" ({error.filename})" if error.filename else ""
    if error.errno in {errno.ENOSPC, errno.EDQUOT}:
        return f"The disk is full{place}; nothing was changed.", "Free some space and try again."
    if error.errno in {errno.EACCES, errno.EPERM, errno.EROFS}:
        return (
            f"There is no right to read or write there{place}; nothing was changed.",
            "Give yourself the right, or use another place.",
        )
    return (
        f"Reading or writing failed{place}: {error.strerror or error}; nothing was changed.",
        "Check the disk and the file, and try again.",
    )


def _silence_stdout() -> None:
    """Keeps the interpreter from complaining about a reader that has gone."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())

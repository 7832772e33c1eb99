"""The command as a process of its own: interrupted, killed, cut off, quick to answer."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from functools import partial
from pathlib import Path

import pytest

from tests.job_files import add_stage, contents, empty_job
from tracker.job import Job
from tracker.stage import list_stages

ROOT = Path(__file__).parents[2]
RUN = "from tracker.cli.app import main; main()"
AT_WORK = """
import sys, time, types
from tracker.stage import stage_draft
def add_stage(job, folder, name, *, progress, now, frame_stands):
    with stage_draft(job, "2025-05-03") as draft:
        (draft.folder / "heatmap.png").write_bytes(b"half")
        print("at work", flush=True)
        time.sleep(60)
sys.modules["tracker.pipeline"] = types.SimpleNamespace(add_stage=add_stage)
from tracker.cli.app import main
main()
"""
"""The command with measuring replaced by a long wait."""


@pytest.fixture
def job(tmp_path: Path) -> Job:
    return empty_job(tmp_path)


def environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"}


def at_work(job: Job) -> subprocess.Popen[str]:
    """A stage being added, in the midst of it."""
    process = subprocess.Popen(
        [sys.executable, "-c", AT_WORK, "stage", "add", "photographs"],
        cwd=job.folder,
        env=environment(),
        text=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        # a shell that put the tests in its background has the interrupt ignored
        preexec_fn=partial(signal.signal, signal.SIGINT, signal.SIG_DFL),
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "at work\n"
    return process


def test_interrupted_from_the_keyboard(job: Job) -> None:
    add_stage(job)
    before = contents(job.folder)
    with at_work(job) as process:
        time.sleep(0.1)
        process.send_signal(signal.SIGINT)
        _, complaint = process.communicate(timeout=60)
    assert process.returncode == 1
    assert complaint.splitlines()[-1] == "Stopped; the job is as it was."
    assert contents(job.folder) == before


def test_killed_and_run_again(job: Job) -> None:
    with at_work(job) as process:
        process.kill()
        process.communicate(timeout=60)
    assert [path.name[:12] for path in job.stages_path.iterdir()] == [".unfinished-"]
    assert list_stages(job) == ()
    add_stage(job)
    assert [path.name for path in job.stages_path.iterdir()] == ["first day"]


def test_two_at_once(job: Job) -> None:
    with at_work(job) as process:
        second = subprocess.run(
            [sys.executable, "-c", AT_WORK, "stage", "add", "photographs"],
            cwd=job.folder,
            env=environment(),
            text=True,
            capture_output=True,
            timeout=60,
            check=False,
        )
        process.kill()
        process.communicate(timeout=60)
    assert second.returncode == 1
    assert "Another command is at work on the job" in second.stderr


def test_a_reader_that_leaves(job: Job) -> None:
    add_stage(job)
    line = f"{sys.executable} -c '{RUN}' stage show 'first day' --json | head -c 10"
    done = subprocess.run(
        ["bash", "-c", line],
        cwd=job.folder,
        env=environment(),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.stdout.startswith("{")
    assert done.stderr == ""


@pytest.mark.parametrize(
    ("imported", "words"),
    [
        ("tracker.cli.app", "numpy scipy cv2 open3d pydantic rich"),
        ("tracker.stage", "open3d scipy"),
    ],
)
def test_answers_without_loading_what_it_does_not_need(
    tmp_path: Path, imported: str, words: str
) -> None:
    code = f"import sys, {imported}; print(sorted(set('{words}'.split()) & set(sys.modules)))"
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        env=environment(),
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert done.stdout == "[]\n"

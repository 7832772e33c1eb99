"""The commands as they are typed: what they print, where, and with which exit code."""

from __future__ import annotations

import json
import sys
import types
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

import tracker.demo
from tests.job_files import (
    add_stage,
    ball,
    ball_surface,
    cloud,
    contents,
    empty_job,
    frame_lines,
    points_lines,
    stage_record,
    stone_left_map,
    write,
)
from tracker.cli.app import app
from tracker.errors import PhotographError
from tracker.job import Job, ProgressCallback, open_job
from tracker.records.ply import write_surface
from tracker.stage import StageRecord, stage_draft


@dataclass(frozen=True, slots=True)
class Done:
    """What a command left behind."""

    returncode: int
    stdout: str
    stderr: str


@pytest.fixture
def job(tmp_path: Path) -> Job:
    return empty_job(tmp_path)


@pytest.fixture
def stoneleft(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Done]:
    """Runs the command in this process, in a folder."""

    def run(*words: str | Path, cwd: Path = tmp_path) -> Done:
        monkeypatch.chdir(cwd)
        result = CliRunner().invoke(app, [str(word) for word in words], prog_name="stoneleft")
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        return Done(result.exit_code, result.stdout, result.stderr)

    return run


def measure_by(monkeypatch: pytest.MonkeyPatch, work: Callable[[], None]) -> None:
    """Replaces measuring by something quick, within the draft of a stage."""

    def measure(
        job: Job,
        folder: Path,
        name: str | None,
        *,
        progress: ProgressCallback,
        now: datetime,
        frame_stands: bool = False,
    ) -> StageRecord:
        assert not frame_stands
        with stage_draft(job, name or "2025-05-03") as draft:
            progress("targets", 0.1)
            work()
            record = stage_record(draft.name)
            draft.write(record, cloud(), stone_left_map())
        progress("pictures", 1.0)
        return record

    pipeline = types.ModuleType("tracker.pipeline")
    pipeline.add_stage = measure  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "tracker.pipeline", pipeline)


def test_a_job_from_the_start(tmp_path: Path, stoneleft: Callable[..., Done]) -> None:
    ball().export(tmp_path / "owl.stl")
    write(tmp_path / "frame.csv", frame_lines())
    write(tmp_path / "bars.csv", ["target_a,target_b,length_mm", "50,51,230.25"])
    write(tmp_path / "points.csv", points_lines())
    steps = [
        (["new", "owl", "--name", "Owl finial", "--stone", "Carrara marble"], "job started"),
        (["--job", "owl", "frame", "import", "frame.csv"], "4 frame targets on record"),
        (["--job", "owl", "bars", "import", "bars.csv"], "1 scale bars on record"),
        (["--job", "owl", "model", "import", "owl.stl"], "200.0 x 200.0 x 200.0 mm"),
        (["--job", "owl", "points", "import", "points.csv"], "2 points on record"),
        (["--job", "owl", "points", "list"], "beak"),
        (["--job", "owl", "stage", "list"], "no stage on record"),
    ]
    for words, said in steps:
        done = stoneleft(*words)
        assert (done.returncode, done.stderr) == (0, ""), words
        assert said in done.stdout
    assert len(open_job(tmp_path / "owl").points()) == 2


def test_points_proposed_beside_those_picked(
    job: Job, tmp_path: Path, stoneleft: Callable[..., Done]
) -> None:
    words = ["--job", str(job.folder), "points"]
    refused = stoneleft(*words, "propose", "4")
    assert (refused.returncode, refused.stdout) == (1, "")
    assert "model of this job is not on record" in refused.stderr
    write_surface(job.model_path, ball_surface())
    assert stoneleft(*words, "import", write(tmp_path / "a.csv", points_lines())).returncode == 0
    picked = job.points()
    done = stoneleft(*words, "propose", "4")
    assert (done.returncode, done.stderr) == (0, "")
    assert "4 points proposed, 1 to 4" in done.stdout
    assert "6 points on record" in done.stdout
    more = json.loads(stoneleft(*words, "propose", "3", "--json").stdout)
    assert [point["name"] for point in more["proposed"]] == ["5", "6", "7"]
    assert [point["rank"] for point in more["proposed"]] == [5, 6, 7]
    listed = json.loads(stoneleft(*words, "list", "--json").stdout)["points"]
    proposed = [point["name"] for point in listed if point["rank"] is not None]
    assert proposed == [str(k) for k in range(1, 8)]
    assert all(point["needle_reaches"] for point in listed)
    points = job.points()
    assert points.names[:2] == picked.names == ("beak", "crown")
    np.testing.assert_array_equal(points.xyz[:2], picked.xyz)
    before = contents(job.folder)
    for table, said in (
        (points_lines(), "beak is on record already"),
        (["name"], "no header line"),
    ):
        failed = stoneleft(*words, "import", write(tmp_path / "b.csv", table), "--add")
        assert failed.returncode == 1
        assert said in failed.stderr
    crowded = stoneleft(*words, "propose", "90000")
    assert crowded.returncode == 1
    assert "no room for 90000 points beside the 9 on record" in crowded.stderr
    assert contents(job.folder) == before
    own = write(tmp_path / "c.csv", [points_lines()[0], "back,50,120,-60,-1,0,0"])
    assert "10 points on record" in stoneleft(*words, "import", own, "--add").stdout
    assert job.points().ranks == (None, None, 1, 2, 3, 4, 5, 6, 7, None)
    assert stoneleft(*words, "propose", "0").returncode == 2
    assert stoneleft(*words, "import", own, "--add", "--replace").returncode == 2


def test_stages_shown(job: Job, stoneleft: Callable[..., Done]) -> None:
    add_stage(job, date="2024-05-16T09:12:05")
    shown = stoneleft("stage", "show", "first day", cwd=job.folder)
    assert shown.returncode == 0
    for said in ("beak", "0.12", "not seen", "at least 1.52", "growing", "IMG_2.jpg left out",
                 "Target 31 left out", "2.19 +- 0.04 kg", "Bar 52-53"):  # fmt: skip
        assert said in shown.stdout
    assert shown.stdout.lower().count("target 31 left out") == 1
    assert "Stage first day, 16 May 2024, 09:12: 1 of 2 photographs used." in shown.stdout
    table = stoneleft("stage", "list", cwd=job.folder)
    assert "16 May 2024, 09:12" in table.stdout
    assert "2024-05-16" not in shown.stdout + table.stdout
    listed = stoneleft("stage", "list", "--json", cwd=job.folder)
    assert json.loads(listed.stdout)["stages"][0]["name"] == "first day"
    document = json.loads(stoneleft("stage", "show", "first day", "--json", cwd=job.folder).stdout)
    assert document["points"][0]["stone_left_mm"] == 0.12
    assert document["points"][1]["stone_left_mm"] is None
    assert document["points"][0]["sure"] is True
    assert document["overcuts"][0]["bound"] == "at least"
    assert document["photos"][0]["dist"] == [0.1, -0.2, 0.0, 0.001, 0.03]


def test_points_as_json(job: Job, tmp_path: Path, stoneleft: Callable[..., Done]) -> None:
    stoneleft("points", "import", write(tmp_path / "p.csv", points_lines()), cwd=job.folder)
    add_stage(job)
    document = json.loads(stoneleft("points", "list", "--json", cwd=job.folder).stdout)
    assert [point["name"] for point in document["points"]] == ["beak", "crown"]
    assert document["points"][0]["state"] == "finished"
    done = stoneleft("points", "export", "out.csv", cwd=job.folder)
    assert "2 points written" in done.stdout


@pytest.mark.parametrize(
    ("words", "sentence", "remedy"),
    [
        (["new", "owl"], "There is a job in", "another folder"),
        (["new", "x", "--stone", "basalt"], "basalt", "density"),
        (["new", "x", "--density", "2.7"], "2.7 kg/m3 is not possible", "kilograms"),
        (["new", "x", "--over-cut", "3"], "bands do not rise", "over-cut"),
        (["stage", "list"], "There is no job in", "stoneleft new"),
        (["--job", "none", "stage", "list"], "There is no job in none", "stoneleft new"),
        (["--job", "owl", "stage", "show", "x"], "There is no stage x", "stage add"),
        (["--job", "owl", "bars", "import", "no.csv"], "cannot be opened", "name and place"),
        (["--job", "owl", "model", "import", "no.stl"], "cannot be opened", "name and place"),
        (["--job", "owl", "model", "import", "x", "--scale", "big"], "'big' is no scale", "3:2"),
        (["--job", "owl", "points", "export", "o.csv"], "no points", "points import"),
        (["targets", "t.pdf", "--paper", "B5"], "B5", "A4 or Letter"),
        (["targets", "t.pdf", "--measured", "42"], "42 mm was given", "Measure it again"),
    ],
)
def test_one_sentence_and_what_to_do(
    job: Job,
    tmp_path: Path,
    words: list[str],
    sentence: str,
    remedy: str,
    stoneleft: Callable[..., Done],
) -> None:
    before = contents(job.folder)
    done = stoneleft(*words)
    assert done.returncode == 1
    assert sentence in done.stderr
    assert remedy in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
    assert contents(job.folder) == before
    assert not (tmp_path / "x").exists()


def test_debug_shows_the_trace(tmp_path: Path, stoneleft: Callable[..., Done]) -> None:
    done = stoneleft("--debug", "stage", "list")
    assert done.returncode == 1
    assert "Traceback" in done.stderr
    assert done.stderr.rstrip().splitlines()[-2].startswith("There is no job")


@pytest.mark.parametrize("words", [["carve"], ["new"], ["stage", "list", "--colour"], ["targets",
                                   "--bars", "many"], ["stage"], []])  # fmt: skip
def test_usage(tmp_path: Path, words: list[str], stoneleft: Callable[..., Done]) -> None:
    done = stoneleft(*words)
    assert done.returncode == 2
    assert "Usage:" in done.stdout + done.stderr


@pytest.mark.parametrize(
    "command",
    ["", "new", "targets", "demo", "frame import", "bars import", "model import",
     "points import", "points list", "points export", "stage add", "stage list", "stage show"],
)  # fmt: skip
def test_every_command_explains_itself(
    tmp_path: Path, command: str, stoneleft: Callable[..., Done]
) -> None:
    done = stoneleft(*command.split(), "--help")
    assert done.returncode == 0
    assert f"Usage: stoneleft {command}".rstrip() in done.stdout
    assert done.stderr == ""


def test_target_sheets_and_their_bars(
    job: Job, tmp_path: Path, stoneleft: Callable[..., Done]
) -> None:
    words = ["targets", "t.pdf", "--measured", "98.6", "--bar-table", "bars.csv"]
    done = stoneleft(*words)
    assert done.returncode == 0
    assert (tmp_path / "t.pdf").read_bytes()[:5] == b"%PDF-"
    assert "rule" in done.stdout
    again = stoneleft("--job", "owl", "bars", "import", "bars.csv")
    assert "3 scale bars on record" in again.stdout
    # a print at 98.6 % makes every drawn length 98.6 % of itself
    drawn = json.loads(json.dumps([bar.length_mm for bar in job.bars()]))
    assert all(abs(length / 0.986 - round(length / 0.986)) < 0.01 for length in drawn)
    assert "is there already" in stoneleft(*words).stderr


def test_stage_added(
    job: Job, stoneleft: Callable[..., Done], monkeypatch: pytest.MonkeyPatch
) -> None:
    measure_by(monkeypatch, lambda: None)
    done = stoneleft("stage", "add", "photographs", cwd=job.folder)
    assert done.returncode == 0
    assert "heatmap.png" in done.stdout
    assert "finished" in done.stdout
    assert "10 %  targets" in done.stderr
    assert (job.stage_path("2025-05-03") / "stage.json").is_file()
    again = stoneleft("stage", "add", "photographs", cwd=job.folder)
    assert again.returncode == 1
    assert "There is a stage 2025-05-03 already" in again.stderr
    done = stoneleft("stage", "add", "photographs", "--name", "evening", "--json", cwd=job.folder)
    assert json.loads(done.stdout)["counts"] == {"finished": 1, "not seen": 1}


@pytest.mark.parametrize(
    ("failure", "sentence"),
    [
        (PhotographError("There are no photographs in x.", "Copy them."), "x.\nCopy them."),
        (OSError(28, "No space left on device"), "is full; nothing was changed"),
        (OSError(13, "Permission denied"), "cannot be written to; nothing was changed"),
        (OSError(13, "Permission denied", "/x/IMG_1.jpg"), "no right to read or write there (/x"),
        (MemoryError(), "memory of this machine is used up"),
        (KeyboardInterrupt(), "Stopped; the job is as it was."),
        (ZeroDivisionError("x"), "should not have happened (ZeroDivisionError: x)"),
    ],
    ids=["photograph", "disk", "rights", "elsewhere", "memory", "stopped", "bug"],
)
def test_failures_within_the_work(
    job: Job,
    stoneleft: Callable[..., Done],
    monkeypatch: pytest.MonkeyPatch,
    failure: BaseException,
    sentence: str,
) -> None:
    def fail() -> None:
        raise failure

    add_stage(job)
    before = contents(job.folder)
    measure_by(monkeypatch, fail)
    done = stoneleft("stage", "add", "photographs", cwd=job.folder)
    assert done.returncode == 1
    assert sentence in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
    assert contents(job.folder) == before
    assert [path.name for path in job.stages_path.iterdir()] == ["first day"]


def test_demo_twice(
    stoneleft: Callable[..., Done], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fixtures = tmp_path / "fixtures"
    fixtures.mkdir()
    write_surface(fixtures / "model.ply", ball_surface())
    write(fixtures / "frame.csv", frame_lines())
    write(fixtures / "bars.csv", ["target_a,target_b,length_mm", "50,51,230.25"])
    write(fixtures / "points.csv", points_lines())
    write(fixtures / "seats.csv", ["seat,x_mm,y_mm,z_mm", "1,0,0,0", "2,300,0,0", "3,0,240,0"])
    monkeypatch.setattr(tracker.demo, "FIXTURES", fixtures)
    measure_by(monkeypatch, lambda: None)
    for _ in range(2):
        done = stoneleft("demo", "owl")
        assert done.returncode == 0
        assert "third day/heatmap.png" in done.stdout
        assert sorted(path.name for path in (tmp_path / "owl" / "stages").iterdir()) == [
            "first day",
            "third day",
        ]


def test_demo_says_what_is_missing_or_in_the_way(
    stoneleft: Callable[..., Done], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "notes.txt").write_text("keep")
    monkeypatch.setattr(tracker.demo, "FIXTURES", tmp_path / "nowhere")
    done = stoneleft("demo", "mine")
    assert done.returncode == 1
    assert "The demo's photographs are not in" in done.stderr
    monkeypatch.setattr(tracker.demo, "FIXTURES", tmp_path)
    ball().export(tmp_path / "model.ply")
    done = stoneleft("demo", "mine")
    assert done.returncode == 1
    assert "something other than the demo" in done.stderr
    assert contents(tmp_path / "mine") == {"notes.txt": b"keep"}

"""Stages come into being whole or not at all, and are read back as they were."""

from __future__ import annotations

import errno
import json
import os
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from plyfile import PlyData

from tests.job_files import (
    SQUARE,
    add_stage,
    ball_surface,
    cloud,
    contents,
    empty_job,
    points_lines,
    stage_record,
    stone_left_map,
    write,
)
from tracker.errors import InputError, JobError, TableError
from tracker.job import Job, put_model, put_points
from tracker.records.ply import read_cloud, read_map, read_surface
from tracker.stage import (
    STATES,
    advice,
    check_stage_name,
    export_points,
    list_stages,
    load_stage,
    pointing_list,
    stage_document,
    stage_draft,
)


@pytest.fixture
def job(tmp_path: Path) -> Job:
    return empty_job(tmp_path)


def test_files_are_those_of_the_record(job: Job) -> None:
    add_stage(job)
    folder = job.stage_path("first day")
    assert sorted(path.name for path in folder.iterdir()) == [
        "cloud.ply", "overcuts.csv", "points.csv", "stage.json", "stone_left.ply",
    ]  # fmt: skip
    assert (folder / "points.csv").read_text(encoding="utf-8") == (
        "name,x_mm,y_mm,z_mm,nx,ny,nz,stone_left_mm,bound,u95_mm,state,sure,photos\n"
        "beak,150.000,120.000,-60.000,1.000000,0.000000,0.000000,0.120,,0.100,finished,yes,5\n"
        "crown,150.000,120.000,-60.000,0.000000,0.000000,1.000000,,,,not seen,no,1\n"
    )
    assert (folder / "overcuts.csv").read_text(encoding="utf-8") == (
        "id,x_mm,y_mm,z_mm,depth_mm,bound,u95_mm,area_mm2,nearest_point,trend\n"
        "1,150.000,120.000,-60.000,1.520,at least,0.200,96.4,beak,growing\n"
    )


def test_stage_json(job: Job) -> None:
    add_stage(job)
    document = json.loads((job.stage_path("first day") / "stage.json").read_text("utf-8"))
    assert next(iter(document)) == "schema"
    wanted = {
        "schema", "date", "software", "settings", "photos", "targets", "scale_bars", "alignment",
        "coverage", "counts", "volume_left_cm3", "volume_left_u95_cm3", "mass_left_kg",
        "mass_left_u95_kg", "timings_s", "peak_memory_mb",
        "peak_memory_by_step_mb", "warnings",
    }  # fmt: skip
    assert wanted <= set(document)
    photo, left_out = document["photos"]
    assert {"file", "used", "reason", "K", "dist", "R", "t", "reprojection_rms_px"} <= set(photo)
    assert photo["K"][0][0] == 3000.123
    assert left_out["K"] is None
    assert left_out["reason"].startswith("blurred")
    target = document["targets"][0]
    assert {"id", "corners_mm", "sigma_mm", "used", "reason"} <= set(target)
    np.testing.assert_allclose(target["corners_mm"], SQUARE)
    alignment = document["alignment"]
    keys = {"method", "R", "t", "shift_mm", "turn_deg", "covariance", "reason"}
    assert keys <= set(alignment)
    np.testing.assert_allclose(np.diag(alignment["covariance"]), [1e-9] * 3 + [1e-4] * 3)
    assert set(document["coverage"]) == {"surface_mm2", "seen_share"}


def test_stage_is_read_back(job: Job) -> None:
    written = add_stage(job)
    found = load_stage(job, "FIRST day")
    assert stage_document(found) == stage_document(written)
    assert found.points[1].stone_left_mm is None
    np.testing.assert_array_equal(found.facts.photos[0].R, np.eye(3))
    spot = found.overcuts[0]
    assert (spot.identity, spot.at_least, spot.trend) == (1, True, "growing")
    assert json.loads(json.dumps(stage_document(found), allow_nan=False))


def test_cloud_and_map_are_read_back(job: Job) -> None:
    add_stage(job)
    folder = job.stage_path("first day")
    found, wanted = read_cloud(folder / "cloud.ply"), cloud()
    np.testing.assert_allclose(found.points, wanted.points, rtol=1e-6)
    np.testing.assert_allclose(found.sigma_mm, wanted.sigma_mm, rtol=1e-6)
    np.testing.assert_array_equal(found.photos, wanted.photos)
    np.testing.assert_array_equal(found.colours, wanted.colours)
    read, made = read_map(folder / "stone_left.ply"), stone_left_map()
    np.testing.assert_array_equal(read.surface.faces, made.surface.faces)
    np.testing.assert_array_equal(read.surface.vertices, made.surface.vertices)
    np.testing.assert_array_equal(read.seen, made.seen)
    np.testing.assert_allclose(read.stone_left_mm, made.stone_left_mm, rtol=1e-6)
    data = PlyData.read(str(folder / "cloud.ply"))
    assert not data.text
    assert data.byte_order == "<"
    names = [p.name for p in data["vertex"].properties]
    assert names[6:] == ["red", "green", "blue", "sigma_mm", "photos"]


def test_same_stage_same_bytes(job: Job, tmp_path: Path) -> None:
    add_stage(job)
    (tmp_path / "again").mkdir()
    other = empty_job(tmp_path / "again")
    add_stage(other)
    assert contents(job.stages_path) == contents(other.stages_path)


@pytest.mark.parametrize("name", ["first day", "First Day", " first day "])
def test_name_there_already_is_refused_before_the_work(job: Job, name: str) -> None:
    add_stage(job)
    before = contents(job.folder)
    began = False
    with (
        pytest.raises(JobError, match="There is a stage first day already") as caught,
        stage_draft(job, name),
    ):
        began = True
    assert not began
    assert "--name" in caught.value.hint
    assert contents(job.folder) == before


def test_accents_are_one_name_however_they_are_typed(job: Job) -> None:
    add_stage(job, "fr\u00fcher Tag")
    with pytest.raises(JobError, match="already"), stage_draft(job, "fru\u0308her Tag"):
        pass


@pytest.mark.parametrize(
    "name",
    ["", "  ", ".", "..", "a/b", "a\\b", ".hidden", "end.", "a:b", "what?", "a\nb", "con", "NUL.x",
     "x" * 81, "\u00fc\u00fc\u00fc" * 28],
)  # fmt: skip
def test_names_that_no_folder_can_have(job: Job, name: str) -> None:
    with pytest.raises(InputError) as caught, stage_draft(job, name):
        pass
    assert caught.value.hint
    assert not job.stages_path.exists()


@pytest.mark.parametrize("name", ["2025-05-03", "M\u00e4rz, morgens", "day 2 (evening)", "console"])
def test_names_that_are_fine(name: str) -> None:
    assert check_stage_name(f" {name} ") == name


@pytest.mark.parametrize("written", [False, True])
@pytest.mark.parametrize("failure", [KeyboardInterrupt, JobError, MemoryError, ZeroDivisionError])
def test_any_interruption_leaves_the_job(
    job: Job, failure: type[BaseException], written: bool
) -> None:
    add_stage(job)
    before = contents(job.folder)

    def work() -> None:
        with stage_draft(job, "second day") as draft:
            (draft.folder / "heatmap.png").write_bytes(b"half")
            if written:
                draft.write(stage_record("second day"), cloud(), stone_left_map())
            raise failure("stopped")

    with pytest.raises(failure):
        work()
    assert contents(job.folder) == before
    assert [path.name for path in job.stages_path.iterdir()] == ["first day"]
    add_stage(job, "second day")  # the lock is free again


def test_what_a_power_cut_left_is_removed(job: Job) -> None:
    left = job.stages_path / ".unfinished-abc"
    left.mkdir(parents=True)
    (left / "cloud.ply").write_bytes(b"half")
    assert list_stages(job) == ()
    add_stage(job)
    assert [path.name for path in job.stages_path.iterdir()] == ["first day"]


@pytest.mark.parametrize(
    ("number", "message"),
    [(errno.ENOSPC, "is full"), (errno.EDQUOT, "is full"), (errno.EACCES, "cannot be written")],
)
def test_disk_full_while_pictures_are_drawn(job: Job, number: int, message: str) -> None:
    add_stage(job)
    before = contents(job.folder)

    def work() -> None:
        with stage_draft(job, "second day") as draft:
            path = str(draft.folder / "heatmap.png")
            raise OSError(number, os.strerror(number), path)

    with pytest.raises(JobError, match=message):
        work()
    assert contents(job.folder) == before


def test_disk_full_at_the_last_moment(job: Job, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(descriptor: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(JobError, match=r"is full; nothing was changed"):
        add_stage(job)
    assert contents(job.stages_path) == {}


def test_a_file_in_the_way_of_the_stages(job: Job) -> None:
    job.stages_path.write_text("x")
    with pytest.raises(JobError, match="failed"):
        add_stage(job)
    assert job.stages_path.read_text() == "x"


def test_trouble_with_a_photograph_is_not_called_the_jobs(job: Job, tmp_path: Path) -> None:
    with pytest.raises(PermissionError), stage_draft(job, "first day"):
        raise PermissionError(errno.EACCES, "no", str(tmp_path / "IMG_1.jpg"))


def test_a_stage_without_its_record_is_not_kept(job: Job) -> None:
    with pytest.raises(RuntimeError), stage_draft(job, "first day"):
        pass
    assert list_stages(job) == ()


@pytest.mark.parametrize("bad", [float("nan"), float("inf")])
def test_figures_that_are_none_are_never_written(job: Job, bad: float) -> None:
    facts = replace(stage_record().facts, mass_left_kg=bad)
    with pytest.raises(ValueError, match="not finite"), stage_draft(job, "first day") as draft:
        draft.write(replace(stage_record(), facts=facts), cloud(), stone_left_map())
    assert list_stages(job) == ()


def test_stages_are_listed_oldest_first(job: Job) -> None:
    add_stage(job, "a", "2025-05-05")
    add_stage(job, "b", "2025-05-03T16:00:00")
    add_stage(job, "c", "2025-05-03T09:30:00")
    assert [facts.name for facts in list_stages(job)] == ["c", "b", "a"]


def test_no_such_stage(job: Job) -> None:
    with pytest.raises(JobError, match="There is no stage tuesday") as caught:
        load_stage(job, "tuesday")
    assert "stage add" in caught.value.hint
    add_stage(job)
    with pytest.raises(JobError) as caught:
        load_stage(job, "tuesday")
    assert "first day" in caught.value.hint


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda text: text[:200], "damaged"),
        (lambda text: text.replace('"schema": 1', '"schema": 2'), "schema 2"),
        (lambda text: text.replace('"seen_share": 0.62', '"seen_share": "much"'), "seen_share"),
        (lambda text: "[]", "damaged or"),
    ],
)
def test_damaged_record(job: Job, change, message: str) -> None:  # type: ignore[no-untyped-def]
    add_stage(job)
    path = job.stage_path("first day") / "stage.json"
    path.write_text(change(path.read_text("utf-8")), encoding="utf-8")
    with pytest.raises(JobError, match=message):
        list_stages(job)


def test_damaged_tables_and_files(job: Job) -> None:
    add_stage(job)
    folder = job.stage_path("first day")
    table = folder / "points.csv"
    table.write_text(table.read_text("utf-8").replace("finished", "done"), encoding="utf-8")
    with pytest.raises(TableError, match="state is 'done'"):
        load_stage(job, "first day")
    from tracker.errors import MeshError

    (folder / "cloud.ply").write_bytes((folder / "cloud.ply").read_bytes()[:-5])
    with pytest.raises(MeshError, match=r"cloud\.ply"):
        read_cloud(folder / "cloud.ply")
    with pytest.raises(MeshError, match=r"lacks stone_left_mm|damaged"):
        read_map(folder / "cloud.ply")
    shutil.rmtree(folder)
    with pytest.raises(MeshError):
        read_surface(folder / "stone_left.ply")


def test_high_points_come_first(job: Job, tmp_path: Path) -> None:
    # a plate of 300 x 300 x 40 mm with a post of 100 mm in its middle: the post's top and the
    # plate's rim touch the hull, the plate beside the post lies below the slope between them
    import trimesh

    from tracker.surface import Surface

    plate = trimesh.creation.box([300.0, 300.0, 40.0])
    post = trimesh.creation.box([20.0, 20.0, 100.0])
    post.apply_translation([0.0, 0.0, 60.0])
    faces = np.concatenate([plate.faces, post.faces + len(plate.vertices)]).astype(np.int64)
    put_model(job, Surface(np.concatenate([plate.vertices, post.vertices]), faces))
    lines = ["name,x_mm,y_mm,z_mm,nx,ny,nz", "hollow,40,0,20,0,0,1", "half,100,0,20,0,0,1",
             "top,0,0,110,0,0,1"]  # fmt: skip
    put_points(job, write(tmp_path / "p.csv", lines))
    listed = pointing_list(job)
    assert [point.name for point in listed] == ["top", "half", "hollow"]
    # hull over the slope from (10, 110) to (150, 20): 110 - 90 (x - 10) / 140
    for point, x in zip(listed[1:], (100.0, 40.0), strict=True):
        assert point.hollow_mm == pytest.approx(110.0 - 90.0 * (x - 10.0) / 140.0 - 20.0, abs=1e-6)
    assert listed[0].hollow_mm == pytest.approx(0.0, abs=1e-6)


def test_points_exported(job: Job, tmp_path: Path) -> None:
    with pytest.raises(JobError, match="no points on record"):
        export_points(job, tmp_path / "out.csv")
    put_model(job, ball_surface())
    put_points(job, write(tmp_path / "p.csv", points_lines()))
    add_stage(job)
    assert export_points(job, tmp_path / "out.csv") == 2
    lines = (tmp_path / "out.csv").read_text("utf-8").splitlines()
    assert lines[1].startswith("beak,")
    assert lines[1].endswith("0.120,,0.100,finished,yes,5")
    with pytest.raises(JobError, match="is there already"):
        export_points(job, tmp_path / "out.csv")


def test_advice(job: Job) -> None:
    bands = job.settings.state_bands()
    seen = stage_record().points[0]
    assert advice(seen, bands) == ""
    assert "photograph" in advice(stage_record().points[1], bands)
    unsure = replace(seen, stone_left_mm=0.45, sure=False)
    assert advice(unsure, bands) == "check with the needle, light tools only"
    near = replace(seen, stone_left_mm=1.2, state="close")
    assert advice(near, bands) == "light tools only"
    assert advice(replace(near, stone_left_mm=4.0), bands) == ""
    deep = replace(seen, stone_left_mm=25.0, u95_mm=0.2, at_least=True, state="untouched")
    assert advice(deep, bands) == ""
    assert set(STATES) == {"not seen", "over-cut", "finished", "close", "untouched"}

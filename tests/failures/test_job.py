"""Starting a job, its settings, and putting tables on record."""

from __future__ import annotations

import errno
import os
import threading
from pathlib import Path

import pytest

from tests.job_files import (
    ball,
    ball_surface,
    contents,
    empty_job,
    frame_lines,
    points_lines,
    write,
)
from tracker.errors import InputError, JobError, MeshError, TableError, TrackerError
from tracker.job import (
    Job,
    create_job,
    find_job_folder,
    import_model_into,
    open_job,
    put_bars,
    put_frame,
    put_model,
    put_points,
)
from tracker.records.settings import BandSettings, stone_kind

BARS = ["target_a,target_b,length_mm,u95_mm", "50,51,230.25,0.1"]


@pytest.fixture
def job(tmp_path: Path) -> Job:
    return empty_job(tmp_path)


def edited(job: Job, old: str, new: str) -> Path:
    text = job.settings_path.read_text(encoding="utf-8")
    assert old in text
    job.settings_path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return job.folder


def test_new_job_opens_with_the_settings_given(tmp_path: Path) -> None:
    bands = BandSettings(over_cut_below_mm=-0.3, close_up_to_mm=5.0)
    create_job(tmp_path / "owl", "Owl", "dense limestone", 2400.0, bands, 70.0)
    settings = open_job(tmp_path / "owl").settings
    assert settings.name == "Owl"
    assert settings.density.kg_per_m3 == 2400.0
    assert settings.density.u_kg_per_m3 == 12.0  # U95 1 % where it is given by hand
    assert settings.state_bands().overcut_below_mm == -0.3
    assert settings.state_bands().close_below_mm == 5.0
    assert settings.measuring.allowance_mm == 70.0
    assert settings.measuring.model_tolerance_mm == 0.05
    assert settings.measuring.reach_mm == 25.0
    assert settings.targets.lasting == ()


def test_usual_density_lies_in_the_published_range(job: Job) -> None:
    # ASTM C503 minimum 2595 kg/m3; mineral calcite 2710 plus 1 %
    assert job.settings.stone == "Carrara marble"
    assert 2595.0 <= job.settings.density.kg_per_m3 <= 1.01 * 2710.0
    assert stone_kind("Carrara marble") == "marble"


def test_folder_names_the_job(tmp_path: Path) -> None:
    assert create_job(tmp_path / "gate pier").name == "gate pier"


def test_job_is_found_from_below(job: Job, monkeypatch: pytest.MonkeyPatch) -> None:
    below = job.folder / "photographs" / "monday"
    below.mkdir(parents=True)
    assert find_job_folder(below) == job.folder
    monkeypatch.chdir(below)
    assert open_job().name == "Owl finial"


def test_no_job(tmp_path: Path) -> None:
    with pytest.raises(JobError, match="There is no job in") as caught:
        find_job_folder(tmp_path)
    assert "stoneleft new" in caught.value.hint
    with pytest.raises(JobError, match="There is no job in"):
        open_job(tmp_path / "none")


def test_job_there_already(job: Job) -> None:
    before = contents(job.folder)
    with pytest.raises(JobError, match=r"There is a job in .* already"):
        create_job(job.folder, "Another")
    assert contents(job.folder) == before


def test_a_file_where_the_folder_should_be(tmp_path: Path) -> None:
    (tmp_path / "owl").write_text("x")
    with pytest.raises(JobError):
        create_job(tmp_path / "owl")
    assert (tmp_path / "owl").read_text() == "x"


def test_stone_without_density(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="basalt"):
        create_job(tmp_path / "owl", stone="basalt")
    assert not (tmp_path / "owl").exists()
    assert create_job(tmp_path / "owl", stone="basalt", density_kg_per_m3=2900.0)


@pytest.mark.parametrize("density", [2.7, 0.0, -2700.0, 270.0, 27000.0, float("nan")])
def test_impossible_density(tmp_path: Path, density: float) -> None:
    with pytest.raises(TrackerError, match=r"density|kg_per_m3"):
        create_job(tmp_path / "owl", density_kg_per_m3=density)
    assert not (tmp_path / "owl").exists()


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("schema = 1", "schema = 2", "newer version"),
        ("schema = 1", "schema = one", "cannot be read"),
        ('name = "Owl finial"', "name = 3", "name"),
        ("over_cut_below_mm = -0.5", "over_cut_below_mm = 1.0", "bands do not rise"),
        ("close_up_to_mm = 6.0", "close_up_to_mm = 0.2", "bands do not rise"),
        ("close_up_to_mm = 6.0", "close_up_to_mm = nan", "close_up_to_mm"),
        ("kg_per_m3 = 2700.0", "kg_per_m3 = 270.0", "not possible"),
        ("allowance_mm = 50.0", "allowance_mm = -1.0", "measuring.allowance_mm"),
        ("allowance_mm = 50.0", 'allowance_mm = "much"', "measuring.allowance_mm"),
        ("reach_mm = 25.0", "reech_mm = 25.0", "measuring.reech_mm"),
        ("lasting = []", "lasting = [600]", "targets.lasting.0"),
        ("[density]", "[densities]", "density"),
        ("kg_per_m3 = 2700.0", "kg_per_m3 = 2.700,0", "cannot be read"),
    ],
)
def test_settings_that_cannot_be_used(job: Job, old: str, new: str, message: str) -> None:
    folder = edited(job, old, new)
    with pytest.raises(JobError, match=message) as caught:
        open_job(folder)
    assert "job.toml" in caught.value.message
    assert caught.value.hint


def test_settings_in_another_encoding(job: Job) -> None:
    job.settings_path.write_bytes('name = "M\u00e4dchen"'.encode("latin-1"))
    with pytest.raises(JobError, match="not written in UTF-8"):
        open_job(job.folder)


def test_notes_in_the_settings_explain_and_stay(job: Job) -> None:
    text = job.settings_path.read_text(encoding="utf-8")
    assert "light tools" in text
    edited(job, "# For weights", "# Mine: from the quarry's sheet\n# For weights")
    put_bars(job, write(job.folder / "mine.csv", BARS))
    assert "# Mine: from the quarry's sheet" in job.settings_path.read_text(encoding="utf-8")


def test_what_is_missing_is_asked_for(job: Job) -> None:
    for ask, command in ((job.frame, "frame import"), (job.model, "model import")):
        with pytest.raises(JobError) as caught:
            ask()
        assert command in caught.value.hint
    assert job.bars() == ()
    assert len(job.points()) == 0


def test_tables_on_record_are_read_back(job: Job, tmp_path: Path) -> None:
    put_frame(job, write(tmp_path / "f.csv", frame_lines()))
    put_bars(job, write(tmp_path / "b.csv", BARS))
    put_model(job, ball_surface())
    put_points(job, write(tmp_path / "p.csv", points_lines()))
    again = open_job(job.folder)
    assert sorted(again.frame()) == [10, 11, 12, 13]
    assert again.bars()[0].length_mm == 230.25
    assert again.points().names == ("beak", "crown")
    assert (again.model().vertices == ball_surface().vertices).all()
    assert (again.model().faces == ball_surface().faces).all()


def test_nothing_on_record_is_replaced_unasked(job: Job, tmp_path: Path) -> None:
    put_bars(job, write(tmp_path / "b.csv", BARS))
    put_bars(job, write(tmp_path / "b.csv", BARS))  # the same once more
    before = contents(job.folder)
    other = write(tmp_path / "c.csv", [BARS[0], "50,51,231.0,0.1"])
    with pytest.raises(JobError, match="scale bars on record already") as caught:
        put_bars(job, other)
    assert "--replace" in caught.value.hint
    assert contents(job.folder) == before
    put_bars(job, other, replace=True)
    assert job.bars()[0].length_mm == 231.0


def test_a_table_with_faults_leaves_the_record(job: Job, tmp_path: Path) -> None:
    put_bars(job, write(tmp_path / "b.csv", BARS))
    before = contents(job.folder)
    with pytest.raises(TableError):
        put_bars(job, write(tmp_path / "b.csv", [BARS[0], "50,51,long,0.1"]), replace=True)
    assert contents(job.folder) == before


def test_points_off_the_model(job: Job, tmp_path: Path) -> None:
    put_model(job, ball_surface())
    lines = [*points_lines(), "ear,400,120,-60,1,0,0"]
    with pytest.raises(InputError, match=r"1 of 3 points do not lie on the model: ear by 150\.\d"):
        put_points(job, write(tmp_path / "p.csv", lines))
    assert not job.points_path.exists()


def test_needles_from_inside(job: Job, tmp_path: Path) -> None:
    put_model(job, ball_surface())
    lines = [points_lines()[0], points_lines()[1].replace(",1,0,0", ",-1,0,0")]
    with pytest.raises(InputError, match="needle of 1 of 1 points comes from inside") as caught:
        put_points(job, write(tmp_path / "p.csv", lines))
    assert "outward" in caught.value.hint


def test_frame_that_cannot_belong_to_the_model(job: Job, tmp_path: Path) -> None:
    small = ball()
    small.apply_scale(0.1)  # a model in centimetres, before there was a frame to tell
    path = tmp_path / "owl.stl"
    small.export(path)
    import_model_into(job, path)
    with pytest.raises(MeshError, match="impossible beside a frame"):
        put_frame(job, write(tmp_path / "f.csv", frame_lines()))
    assert not job.frame_path.exists()


def test_one_command_at_a_time(job: Job) -> None:
    caught: list[BaseException] = []

    def other() -> None:
        try:
            with Job(job.folder, job.settings).locked():
                pass
        except JobError as error:
            caught.append(error)

    with job.locked():
        thread = threading.Thread(target=other)
        thread.start()
        thread.join()
    assert "Another command is at work" in str(caught[0])
    with job.locked():
        pass


@pytest.mark.parametrize(
    ("number", "message"),
    [
        (errno.ENOSPC, "is full; nothing was changed"),
        (errno.EDQUOT, "is full; nothing was changed"),
        (errno.EACCES, "cannot be written to"),
        (errno.EROFS, "cannot be written to"),
        (errno.EIO, "failed"),
    ],
)
def test_disk_full_and_not_writable(
    job: Job, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, message: str
) -> None:
    put_bars(job, write(tmp_path / "b.csv", BARS))
    before = contents(job.folder)
    other = write(tmp_path / "c.csv", [BARS[0], "50,51,231.0,0.1"])

    def refuse(descriptor: int) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(JobError, match=message) as caught:
        put_bars(job, other, replace=True)
    assert caught.value.hint
    assert contents(job.folder) == before

"""The stage page as it is written: what it holds, what it says, and what it survives."""

from __future__ import annotations

import base64
import json
import re
import shutil
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from typer.testing import CliRunner

from tests.job_files import contents
from tests.page.carved import DEMO, HOSTILE, carved_job, hostile_job
from tracker.cli.app import app
from tracker.comparison.on_vertices import VertexReadings
from tracker.comparison.removed_places import removed_between
from tracker.errors import JobError, MeshError
from tracker.job import Job, open_job
from tracker.pipeline import redraw_page
from tracker.pipeline.page import gather, seen_by
from tracker.records.ply import read_map, read_surface, write_map
from tracker.report.colours import OVERCUT_RGB, stone_left_rgb
from tracker.report.page import PAGE_FILE
from tracker.report.page_form import thinned
from tracker.report.page_views import css, views_of
from tracker.report.page_words import day_in_words
from tracker.stage import RECORD_FILE, load_stage
from tracker.surface import Surface


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    return carved_job(tmp_path_factory.mktemp("carved") / "job")


def page(job: Job, name: str) -> str:
    return (job.stage_path(name) / PAGE_FILE).read_text(encoding="utf-8")


def data_of(text: str) -> dict[str, Any]:
    block = re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.S)
    assert block is not None
    found: dict[str, Any] = json.loads(block[1])
    return found


def whole_numbers(text: str, kind: str) -> np.ndarray:
    return np.frombuffer(base64.b64decode(text), dtype=kind)


class Scripts(HTMLParser):
    """Counts the scripts, and what could fetch or run anything."""

    def __init__(self) -> None:
        super().__init__()
        self.scripts, self.fetched, self.handlers = 0, [], []  # type: ignore[var-annotated]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.scripts += tag == "script"
        for name, value in attrs:
            if name.startswith("on"):
                self.handlers.append((tag, name))
            if name in {"src", "href", "action", "srcset"} and value:
                self.fetched.append(value)


def test_one_file_that_fetches_nothing(job: Job) -> None:
    text = page(job, "third day")
    found = Scripts()
    found.feed(text)
    assert found.scripts == 3
    assert found.handlers == []
    outside = [v for v in found.fetched if not v.startswith(("data:image/jpeg", "#", "overlays/"))]
    assert outside == []
    assert len(text.encode()) < 15_000_000


def test_figures_travel_to_the_hundredth(job: Job) -> None:
    data = data_of(page(job, "third day"))
    sheet = gather(job, job.stage_path("third day"))
    form, readings = data["form"], sheet.now.readings
    places = whole_numbers(form["places"], "<u2").reshape(3, -1).T / 65535.0 - 0.5
    places = places * form["cube"][3] + np.array(form["cube"][:3])
    assert np.abs(places - sheet.form.surface.vertices).max() < 0.005
    faces = whole_numbers(form["faces"], "<u4").reshape(3, -1).T
    assert np.array_equal(faces, sheet.form.surface.faces)
    mm = whole_numbers(data["layers"]["now"]["mm"], "<i2")
    assert np.array_equal(mm == -32768, ~readings.seen)
    assert np.abs(mm[readings.seen] / 100.0 - readings.stone_left_mm[readings.seen]).max() <= 0.0051
    state = whole_numbers(data["layers"]["now"]["code"], "u1") & 7
    assert np.array_equal(state, sheet.now.states.state)
    removed = whole_numbers(data["layers"]["removed"]["mm"], "<i2")
    before = whole_numbers(data["layers"]["before"]["mm"], "<i2")
    bound = whole_numbers(data["layers"]["now"]["code"], "u1") & 16 > 0
    told = (mm != -32768) & (before != -32768) & ~bound
    assert np.array_equal(removed != -32768, told)
    assert np.abs(removed[told].astype(int) - (before[told].astype(int) - mm[told])).max() <= 1


def test_which_photographs_see_a_place_agrees_with_the_truth(job: Job) -> None:
    """Truth: photographs that see each named point, counted on the true stone by ray casting."""
    record = load_stage(job, "third day")
    points = [p for p in record.points if p.stone_left_mm is not None and not p.at_least]
    photos = [photo for photo in record.facts.photos if photo.used]
    model = read_surface(DEMO / "model.ply")
    places, normals = (np.stack([getattr(p, key) for p in points]) for key in ("xyz", "normal"))
    depth = np.array([p.stone_left_mm for p in points])
    off = seen_by(model, places, normals, depth, photos).sum(axis=1)
    off = off - np.array([p.photos for p in points])
    assert len(points) > 40
    # stone that still stands round about hides more than the model alone
    assert np.median(np.abs(off)) <= 1.0
    assert np.mean(np.abs(off) <= 3) > 0.8


def test_summary_and_next_steps_in_words(job: Job) -> None:
    text = page(job, "third day")
    assert "412 ± 9 cm³ of stone are left on the part that was seen, about 1.12 ± 0.03 kg." in text
    assert "estimate, never one to lift or rig by" in text
    assert "% of the model&#39;s surface was not seen" in text
    assert "4 places are cut too deep: take no more there." in text
    assert "Flags 1, 4 have grown since the stage before." in text
    assert "Light tools only, less than 2 mm is left:" in text
    assert "IMG_9001.jpg" in text
    assert "blurred: edges are 6 px wide" in text


def test_the_first_stage_has_nothing_to_switch_to(job: Job) -> None:
    text = page(job, "first day")
    assert "This is the first stage: nothing to compare it with yet." in text
    assert set(data_of(text)["views"]) == {"left", "u95", "unseen"}
    assert set(data_of(page(job, "third day"))["views"]) == {
        "left", "before", "removed", "u95", "unseen",
    }  # fmt: skip


def test_colours_are_those_of_the_pictures(job: Job) -> None:
    sheet = gather(job, job.stage_path("third day"))
    view = views_of(sheet)[0]
    root = np.linspace(view.low, view.high, len(view.stops))
    colours = [colour for _, colour in view.stops]
    assert colours[0] == css(OVERCUT_RGB)
    for k in (60, 120, 200, 255):
        rgb = stone_left_rgb(np.array([np.sign(root[k]) * root[k] ** 2]), sheet.bands)[0]
        assert colours[k] == css(tuple(np.round(255 * rgb).astype(int).tolist()))
    limits = np.flatnonzero([tick.limit for tick in view.ticks])
    assert [view.ticks[k].text for k in limits] == ["0.5", "6"]
    assert view.ticks[limits[1]].percent == pytest.approx(100 * (6 / 25) ** 0.5, abs=0.01)


def test_redrawn_the_same_and_the_record_untouched(job: Job) -> None:
    before = contents(job.folder)
    assert redraw_page(job, "THIRD day") == job.stage_path("third day") / PAGE_FILE
    assert contents(job.folder) == before


def test_the_command_writes_an_old_page_anew(copy: Job) -> None:
    path = copy.stage_path("first day") / PAGE_FILE
    before = path.read_text(encoding="utf-8")
    path.unlink()
    call = ["--job", str(copy.folder), "report", "--page", "--stage", "First day", "--json"]
    done = CliRunner().invoke(app, call)
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout) == {"page": str(path)}
    assert path.read_text(encoding="utf-8") == before
    assert not (copy.folder / "report.pdf").exists()


@pytest.fixture
def copy(job: Job, tmp_path: Path) -> Job:
    shutil.copytree(job.folder, tmp_path / "job")
    return open_job(tmp_path / "job")


def test_pictures_moved_away_are_told(copy: Job) -> None:
    folder = copy.stage_path("third day")
    (folder / "overlays" / "IMG_4121.jpg").unlink()
    (folder / "overlays" / "IMG_4122.jpg").write_bytes(b"no picture")
    (folder / "heatmap.png").unlink()
    redraw_page(copy, "third day")
    text = page(copy, "third day")
    gone = "Used, but its picture with stone left is not in the stage&#39;s folder any more."
    assert text.replace("'", "&#39;").count(gone) == 2
    assert 'href="overlays/IMG_4123.jpg"' in text
    assert 'href="overlays/IMG_4121.jpg"' not in text
    assert "The map picture heatmap.png is not in the stage" in text
    shutil.rmtree(folder / "overlays")
    redraw_page(copy, "third day")
    assert 'href="overlays' not in page(copy, "third day")


def test_a_damaged_stage_before_is_named(copy: Job) -> None:
    (copy.stage_path("first day") / "stone_left.ply").write_bytes(b"ply\n")
    redraw_page(copy, "third day")
    text = page(copy, "third day")
    assert "The map of the stage before, first day, cannot be read." in text
    (copy.stage_path("first day") / RECORD_FILE).write_text("{", encoding="utf-8")
    redraw_page(copy, "third day")
    assert "The record of first day cannot be read." in page(copy, "third day")


def test_a_replaced_model_is_not_laid_over(copy: Job) -> None:
    path = copy.stage_path("first day") / "stone_left.ply"
    stone_left = read_map(path)
    moved = Surface(stone_left.surface.vertices + 1.0, stone_left.surface.faces)
    write_map(path, replace(stone_left, surface=moved))
    redraw_page(copy, "third day")
    text = page(copy, "third day")
    assert "The model was replaced after the stage before, first day" in text
    assert "removed" not in data_of(text)["layers"]


def test_a_stage_of_an_older_version(copy: Job) -> None:
    """Records of before sizes and bounds were kept, with settings that say nothing."""
    folder = copy.stage_path("third day")
    document = json.loads((folder / RECORD_FILE).read_text("utf-8"))
    document["settings"] = {}
    for photo in document["photos"]:
        del photo["size_px"]
    (folder / RECORD_FILE).write_text(json.dumps(document), encoding="utf-8")
    path = folder / "stone_left.ply"
    write_old_map(path)
    assert read_map(path).at_least is None
    with_sizes = data_of(page(copy, "third day"))
    redraw_page(copy, "third day")
    without = data_of(page(copy, "third day"))
    bits = [whole_numbers(d["seenBy"]["bits"], "u1") for d in (with_sizes, without)]
    assert np.mean(np.unpackbits(bits[0] ^ bits[1])) < 0.01
    document["schema"] = 99
    (folder / RECORD_FILE).write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(JobError, match="schema 99; this version knows 1"):
        redraw_page(copy, "third day")


def write_old_map(path: Path) -> None:
    from plyfile import PlyData, PlyElement

    old = PlyData.read(str(path))
    names = [p.name for p in old["vertex"].properties if p.name != "bound"]
    vertex = np.array(old["vertex"].data[names], copy=True)
    from numpy.lib import recfunctions

    vertex = recfunctions.repack_fields(vertex)
    PlyData([PlyElement.describe(vertex, "vertex"), old["face"]], byte_order="<").write(str(path))


def test_a_damaged_map_is_told_and_the_old_page_stays(copy: Job) -> None:
    before = page(copy, "third day")
    (copy.stage_path("third day") / "stone_left.ply").write_bytes(b"ply\nformat")
    with pytest.raises(MeshError, match=r"stone_left\.ply of this job is damaged"):
        redraw_page(copy, "third day")
    assert page(copy, "third day") == before


def test_nothing_typed_becomes_part_of_the_page(tmp_path: Path) -> None:
    job, name = hostile_job(tmp_path)
    text = page(job, name)
    found = Scripts()
    found.feed(text)
    assert found.scripts == 3
    assert found.handlers == []
    data = data_of(text)
    assert data["points"][0]["name"] == HOSTILE
    assert data["viewers"][0] == HOSTILE
    assert "window.broken=1</script>" not in text
    assert "Käthe&#39;s 1. Tag" in text


class TestThinned:
    @pytest.mark.parametrize("finest", [3.0, 6.0])
    def test_close_to_the_model_and_its_corners(self, finest: float) -> None:
        mesh = trimesh.creation.icosphere(5, 60.0)
        model = Surface(np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64))
        form = thinned(model, finest)
        assert np.array_equal(form.surface.vertices, model.vertices[form.rows])
        assert len(form.surface.faces) < 0.6 * len(model.faces)
        # a chord of the lattice's diagonal is no farther than this from the ball
        sagitta = 60.0 - np.sqrt(60.0**2 - (finest * 3**0.5) ** 2)
        centres = form.surface.vertices[form.surface.faces].mean(axis=1)
        assert np.linalg.norm(centres, axis=1).min() > 60.0 - sagitta
        outward = np.einsum("nd,nd->n", form.surface.face_normals, centres)
        assert np.mean(outward > 0.0) > 0.99

    def test_both_sides_of_a_thin_wall_keep_their_own_corners(self) -> None:
        mesh = trimesh.creation.box((60.0, 60.0, 0.8)).subdivide_to_size(1.5)
        model = Surface(np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64))
        form = thinned(model, 4.0)
        inner = np.abs(form.surface.vertices[:, :2]).max(axis=1) < 25.0
        heights = form.surface.vertices[inner, 2]
        assert (heights > 0.0).sum() > 60
        assert (heights < 0.0).sum() > 60

    def test_never_more_triangles_than_a_phone_takes(self) -> None:
        model = read_surface(DEMO / "model.ply")
        assert len(thinned(model, 2.0, most_faces=20_000).surface.faces) <= 20_000

    def test_a_coarse_model_stays_as_it_is(self) -> None:
        mesh = trimesh.creation.icosphere(2, 60.0)
        model = Surface(np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64))
        assert thinned(model).surface is model


def test_removed_stone_adds_both_days_doubt() -> None:
    before = VertexReadings(
        np.array([5.0, 25.0, np.nan, 3.0, 1.0]), np.array([0.3, 0.4, np.nan, 0.3, 0.3]),
        np.array([True, True, False, True, True]), np.array([False, True, False, False, False]),
    )  # fmt: skip
    now = VertexReadings(
        np.array([1.0, 2.0, 1.0, np.nan, 25.0]), np.array([0.4, 0.3, 0.3, np.nan, 0.3]),
        np.array([True, True, True, False, True]), np.array([False, False, False, False, True]),
    )  # fmt: skip
    found = removed_between(before, now)
    assert found.told.tolist() == [True, True, False, False, False]
    assert found.removed_mm[:2].tolist() == [4.0, 23.0]
    assert found.u95_mm[:2] == pytest.approx([0.5, 0.5])
    assert found.at_least.tolist() == [False, True, False, False, False]
    assert np.isnan(found.removed_mm[2:]).all()


@pytest.mark.parametrize(
    ("date", "words"),
    [("2026-05-06T17:05:00", "6 May 2026"), ("2026-05-06", "6 May 2026"), ("spring", "spring")],
)
def test_days_in_words(date: str, words: str) -> None:
    assert day_in_words(date) == words

"""Tomorrow's sheet: the order, what is written, where the place is, and how it prints."""

from __future__ import annotations

import re
import subprocess
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageDraw
from pypdf import PdfReader
from typer.testing import CliRunner

from tests.job_files import CENTRE, ball_surface, empty_job, stage_record, write
from tests.several_stages import Given, add_given, several
from tracker.cli.app import app
from tracker.comparison.overcuts import OvercutSpot
from tracker.comparison.states import Bands, State
from tracker.job import Job, put_model, put_points
from tracker.maths.camera import Lens, Pose, project
from tracker.progress.series import one_day
from tracker.progress.tomorrow import Kind, tomorrow
from tracker.records.stage_facts import PhotoFacts
from tracker.report.overlays import target_cards
from tracker.report.signs import draw_state
from tracker.report.tomorrow_sheet import SheetTitle, draw_tomorrow
from tracker.report.where import best_view, cut_out
from tracker.report.words import words_for
from tracker.stage import OVERLAYS_FOLDER, SHEET_FILE

BALL = ball_surface()
N = len(BALL.vertices)
DIRECTIONS = {
    "east": (1, 0, 0), "west": (-1, 0, 0), "north": (0, 1, 0), "south": (0, -1, 0),
    "top": (0, 0, 1), "nadir": (0, 0, -1),
}  # fmt: skip


def points(names: dict[str, tuple[int, int, int]]) -> list[str]:
    lines = ["name,x_mm,y_mm,z_mm,nx,ny,nz"]
    for name, direction in names.items():
        place = CENTRE + 100.0 * np.array(direction)
        lines.append(",".join([name, *(str(v) for v in (*place, *direction))]))
    return lines


def left_at(**by_name: float) -> np.ndarray:
    left = np.full(N, 9.0)
    for name, mm in by_name.items():
        near = (BALL.vertices - CENTRE) @ np.array(DIRECTIONS[name], float) > 97.0
        left[near] = mm
    return left


def job_with(folder: Path, names: dict[str, tuple[int, int, int]], given: Given) -> Job:
    job = empty_job(folder)
    put_model(job, BALL)
    put_points(job, write(folder / "points.csv", points(names)))
    add_given(job, BALL, given)
    return job


DANGER = Given(
    "monday", "2026-03-02",
    left_at(east=-1.2, west=-0.4, north=7.5, south=1.4, top=np.nan, nadir=0.0),
    spots=(
        OvercutSpot(7, CENTRE + [70.0, 0, 71.0], 2.0, True, 0.3, 20.0, "east", "growing"),
        OvercutSpot(8, CENTRE + [0.0, 0, 100.0], 2.0, False, 0.3, 20.0, "top", "gone"),
    ),
)  # fmt: skip


def text_of(job: Job, stage: str = "monday") -> tuple[list[str], PdfReader]:
    result = CliRunner().invoke(
        app, ["--job", str(job.folder), "report", "--sheet", "--stage", stage]
    )
    assert result.exit_code == 0, result.output
    pdf = PdfReader(job.stage_path(stage) / SHEET_FILE)
    return [page.extract_text() for page in pdf.pages], pdf


def test_danger_first_then_the_list_and_what_is_done_is_left_out(tmp_path: Path) -> None:
    job = job_with(tmp_path, DIRECTIONS, DANGER)
    plan = tomorrow(job, one_day(job, "monday"))
    assert [(task.kind, task.spot or task.name) for task in plan.tasks] == [
        (Kind.OVERCUT, 7),
        (Kind.OVERCUT, "east"),
        (Kind.NEARLY_OVERCUT, "west"),
        (Kind.TAKE, "north"),
        (Kind.TAKE, "south"),
    ]
    assert plan.not_seen == ("top",)
    assert plan.finished == 1
    assert tomorrow(job, one_day(job, "monday"), most=1).left_over == 1


def test_what_is_written(tmp_path: Path) -> None:
    pages, pdf = text_of(job_with(tmp_path, DIRECTIONS, DANGER))
    assert len(pages) == 1
    text = pages[0]
    for said in (
        "Tomorrow", "Owl finial", "monday", "2 March 2026", "Over-cut spot 7 near east",
        "≤ −2.0 mm", "7.5 ± 0.2 mm", "heavy tools allowed", "light tools only",
        "no tool: leave it", "it has grown since the stage before", "May be too deep already",
        "no photograph shows it", "fitted respirator", "Goggles", "1 point finished",
        "Not seen: take these with the needle before you strike", "top",
        "Light tools only below 2.0 mm; heavy chisels away below 6.0 mm",
    ):  # fmt: skip
        assert said in text.replace("\n", " "), said
    assert "−2.0 ± " not in text, "a spot's bound has its uncertainty taken off already"
    assert [float(v) for v in pdf.pages[0].mediabox[2:]] == pytest.approx([595.28, 841.89], abs=0.1)


def test_fonts_are_embedded(tmp_path: Path) -> None:
    _, pdf = text_of(job_with(tmp_path, DIRECTIONS, DANGER))
    fonts = [font.get_object() for font in pdf.pages[0]["/Resources"]["/Font"].values()]
    used = [font for font in fonts if "DejaVuSans" in str(font["/BaseFont"])]
    assert len(used) >= 2
    assert all("/FontFile2" in font["/FontDescriptor"].get_object() for font in used)


def test_letter_and_german(tmp_path: Path) -> None:
    job = job_with(tmp_path, DIRECTIONS, DANGER)
    text = job.settings_path.read_text().replace('paper = "A4"', 'paper = "Letter"')
    job.settings_path.write_text(text.replace('language = "en"', 'language = "de"'))
    pages, pdf = text_of(job)
    assert [float(v) for v in pdf.pages[0].mediabox[2:]] == [612.0, 792.0]
    text = pages[0].replace("\n", " ")
    for said in ("Morgen", "2. März 2026", "7,5 ± 0,2 mm", "nur leichte Werkzeuge"):
        assert said in text, said
    assert "Tomorrow" not in text


@pytest.mark.parametrize("language", ["xx", "fr"])
def test_a_language_without_texts(tmp_path: Path, language: str) -> None:
    job = job_with(tmp_path, DIRECTIONS, DANGER)
    text = job.settings_path.read_text().replace('language = "en"', f'language = "{language}"')
    job.settings_path.write_text(text)
    result = CliRunner().invoke(app, ["--job", str(job.folder), "report", "--sheet"])
    assert result.exit_code == 1
    assert "Use one of: de, en" in result.stderr


def test_a_language_of_ones_own_needs_no_code(tmp_path: Path) -> None:
    job = job_with(tmp_path, DIRECTIONS, DANGER)
    (job.folder / "languages").mkdir()
    (job.folder / "languages" / "fr.po").write_text(
        'msgid ""\nmsgstr "Content-Type: text/plain; charset=UTF-8\\n"\n\n'
        'msgid "Tomorrow"\nmsgstr "Demain"\n'
    )
    text = job.settings_path.read_text().replace('language = "en"', 'language = "fr"')
    job.settings_path.write_text(text)
    pages, _ = text_of(job)
    assert "Demain" in pages[0]
    assert "2 mars 2026" in pages[0]


NASTY = 'Ül "<b>x</b>" & <script>alert(1)</script> %(job)s {{ 7 * 7 }} ' + "ß" * 60


def test_names_are_only_text(tmp_path: Path) -> None:
    names = {NASTY: (0, 1, 0), "{0}%s%d": (0, -1, 0)}
    job = job_with(tmp_path, names, replace(DANGER, spots=()))
    text = job.settings_path.read_text().replace('"Owl finial"', f"'{NASTY}'")
    job.settings_path.write_text(text)
    pages, _ = text_of(job)
    assert 'Ül "<b>x</b>" & <s' in pages[0]
    assert "{0}%s%d" in pages[0]


def test_many_points_take_several_pages_and_none_is_lost(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    ways = rng.normal(size=(60, 3))
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    names = {f"point {k:02d}": tuple(way) for k, way in enumerate(ways)}
    left = np.where(BALL.vertices[:, 2] > CENTRE[2], 9.0, np.nan)
    job = job_with(tmp_path, names, Given("monday", "2026-03-02", left))  # type: ignore[arg-type]
    plan = tomorrow(job, one_day(job, "monday"))
    pages, _ = text_of(job)
    assert len(pages) >= 4
    text = "\n".join(pages).replace("\n", " ")
    for task in plan.tasks:
        assert task.name in text
    for name in plan.not_seen:
        assert name in text
    assert f"{len(plan.tasks)} places" in text
    assert f"{len(pages)} / {len(pages)}" in pages[-1]


def test_a_job_without_points_and_one_that_is_done(tmp_path: Path) -> None:
    job = empty_job(tmp_path)
    put_model(job, BALL)
    add_given(job, BALL, Given("monday", "2026-03-02", np.full(N, 9.0)))
    assert "There are no points on the list." in text_of(job)[0][0]
    done = several(tmp_path / "b", BALL, [Given("monday", "2026-03-02", np.zeros(N))])
    assert "No point that was seen has stone to take." in text_of(done)[0][0]


def test_no_stage_and_no_such_stage(tmp_path: Path) -> None:
    for words, said in (([], "There is no stage on record"), (["--stage", "x"], "no stage x")):
        result = CliRunner().invoke(
            app, ["--job", str(empty_job(tmp_path / "".join(words)).folder), "report", "--sheet",
                  *words]
        )  # fmt: skip
        assert result.exit_code == 1
        assert said in result.stderr


LENS = Lens(1500.0, 700.0, 500.0, 0.05, -0.02, 0.001, -0.001, 0.0)
SIZE = (1400, 1000)
TURNS = {
    1: None, 3: Image.Transpose.ROTATE_180, 6: Image.Transpose.ROTATE_270,
    8: Image.Transpose.ROTATE_90,
}  # fmt: skip


def camera(direction: np.ndarray, up: np.ndarray) -> Pose:
    forward = -direction / np.linalg.norm(direction)
    right = np.cross(forward, up)
    right /= np.linalg.norm(right)
    R = np.stack([right, np.cross(forward, right), forward])
    return Pose(R, -R @ (CENTRE + 700.0 * direction / np.linalg.norm(direction)))


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_the_ring_stands_on_the_place(tmp_path: Path, orientation: int) -> None:
    place, outward = CENTRE + [0.0, -100.0, 0.0], np.array([0.0, -1.0, 0.0])
    photos = []
    for name, way in (("far", [0.9, -0.6, 0.2]), ("near", [0.15, -1.0, 0.1]), ("no", [0, 1, 0])):
        pose = camera(np.array(way, float), np.array([0.0, 0, 1.0]))
        pixel = project(LENS, pose, place[None])[0][0]
        stored = Image.new("RGB", SIZE, (120, 120, 120))
        x, y = pixel
        ImageDraw.Draw(stored).ellipse((x - 9, y - 9, x + 9, y + 9), fill=(255, 0, 0))
        turn = TURNS[orientation]
        upright = stored if turn is None else stored.transpose(turn)
        upright.resize((upright.width * 4 // 5, upright.height * 4 // 5)).save(
            tmp_path / f"{name}.jpg", quality=95
        )
        photos.append(
            PhotoFacts(f"{name}.JPG", True, K=LENS.K, dist=LENS.dist, R=pose.R, t=pose.t,
                       size_px=SIZE, orientation=orientation)
        )  # fmt: skip
    seen = best_view(place, outward, photos, tmp_path, BALL)
    assert seen is not None
    assert seen.overlay.name == "near.jpg"
    cut = cut_out(seen)
    assert cut is not None
    picture = np.asarray(cut.picture).astype(int)
    red = np.argwhere(picture[..., 0] - picture[..., 1] > 80)
    middle = red.mean(axis=0)[::-1] / picture.shape[0]
    assert middle == pytest.approx(cut.xy, abs=0.01)
    assert best_view(CENTRE + [0.0, 0, -100.0], np.array([0.0, 0, -1.0]), photos, tmp_path,
                     BALL) is None  # fmt: skip


def test_a_card_before_the_place_is_looked_round(tmp_path: Path) -> None:
    place, outward = CENTRE + [0.0, -100.0, 0.0], np.array([0.0, -1.0, 0.0])
    photos = []
    for name, way in (("far", [0.9, -0.6, 0.2]), ("near", [0.15, -1.0, 0.1])):
        pose = camera(np.array(way), np.array([0.0, 0, 1.0]))
        Image.new("RGB", SIZE).save(tmp_path / f"{name}.jpg")
        photos.append(
            PhotoFacts(f"{name}.JPG", True, K=LENS.K, dist=LENS.dist, R=pose.R, t=pose.t,
                       size_px=SIZE, orientation=1)
        )  # fmt: skip
    near = photos[1]
    eye = -np.asarray(near.R).T @ np.asarray(near.t)
    square = 30.0 * np.array([[-1.0, 0, -1], [1, 0, -1], [1, 0, 1], [-1, 0, 1]])
    before = target_cards((place + 0.3 * (eye - place) + square)[None])
    behind = target_cards((place + 1.2 * (eye - place) + square)[None])
    for cards, chosen in ((None, "near"), (before, "far"), (behind, "near")):
        seen = best_view(place, outward, photos, tmp_path, BALL, cards)
        assert seen is not None
        assert seen.overlay.name == f"{chosen}.jpg"
    alone = best_view(place, outward, [near], tmp_path, BALL, before)
    assert alone is not None
    assert alone.overlay.name == "near.jpg"


def test_an_old_record_still_shows_the_place(tmp_path: Path) -> None:
    place, outward = CENTRE + [0.0, -100.0, 0.0], np.array([0.0, -1.0, 0.0])
    pose = camera(np.array([0.15, -1.0, 0.1]), np.array([0.0, 0, 1.0]))
    Image.new("RGB", (700, 500)).save(tmp_path / "a.jpg")
    old = PhotoFacts("a.jpg", True, K=LENS.K, dist=LENS.dist, R=pose.R, t=pose.t)
    seen = best_view(place, outward, [old], tmp_path, BALL)
    assert seen is not None
    assert seen.xy == pytest.approx(project(LENS, pose, place[None])[0][0] / 2.0, abs=1.0)
    Image.new("RGB", (500, 700)).save(tmp_path / "a.jpg")
    assert best_view(place, outward, [old], tmp_path, BALL) is None
    (tmp_path / "a.jpg").write_bytes(b"no picture")
    assert best_view(place, outward, [old], tmp_path, BALL) is None
    (tmp_path / "a.jpg").unlink()
    assert best_view(place, outward, [old], tmp_path, BALL) is None


def test_the_sheet_is_the_same_every_time(tmp_path: Path) -> None:
    job = job_with(tmp_path, DIRECTIONS, DANGER)
    text_of(job)
    first = (job.stage_path("monday") / SHEET_FILE).read_bytes()
    text_of(job)
    assert (job.stage_path("monday") / SHEET_FILE).read_bytes() == first
    assert not (job.stage_path("monday") / OVERLAYS_FOLDER).exists()


def test_a_grey_print_tells_every_sign_from_every_other(tmp_path: Path) -> None:
    from reportlab.pdfgen.canvas import Canvas

    cases = [
        (State.OVERCUT, True), (State.OVERCUT, False), (State.UNTOUCHED, True),
        (State.CLOSE, True), (State.FINISHED, True), (State.NOT_SEEN, True),
    ]  # fmt: skip
    canvas = Canvas(str(tmp_path / "signs.pdf"), pagesize=(40 * len(cases), 40))
    for k, (state, sure) in enumerate(cases):
        draw_state(canvas, 40 * k + 14, 14, 12, state, sure)
    canvas.save()
    subprocess.run(
        ["pdftoppm", "-gray", "-r", "72", "-singlefile", "-png", tmp_path / "signs.pdf",
         tmp_path / "signs"], check=True,
    )  # fmt: skip
    with Image.open(tmp_path / "signs.png") as opened:
        picture = np.asarray(opened.convert("L")).astype(float)
    signs = [picture[:, 40 * k : 40 * (k + 1)] for k in range(len(cases))]
    for k, one in enumerate(signs):
        for other in signs[:k]:
            # of 144 px of sign, a good part differs by a clear step of grey
            assert (np.abs(one - other) > 60).sum() >= 14


def test_an_empty_plan_still_makes_a_page() -> None:
    from tracker.progress.tomorrow import Tomorrow

    drawn = draw_tomorrow(
        SheetTitle("a", "b", "c"), Tomorrow((), 0, (), 0), [], Bands(), words_for("en"), "A4"
    )
    assert len(PdfReader(BytesIO(drawn)).pages) == 1


def test_stage_record_of_an_older_version_reads(tmp_path: Path) -> None:
    job = job_with(tmp_path, DIRECTIONS, DANGER)
    path = job.stage_path("monday") / "stage.json"
    text = path.read_text()
    assert '"orientation": 1' in text
    lines = [line for line in text.splitlines() if '"orientation"' not in line]
    cleaned = "\n".join(lines).replace('"size_px": null,', '"size_px": null')
    path.write_text(cleaned)
    assert stage_record().facts.photos[0].orientation == 1
    assert one_day(job, "monday").record.facts.photos[0].orientation == 1


@pytest.mark.parametrize(
    ("stone", "said"),
    [("Elbe sandstone", True), ("granite", True), ("Carrara marble", False), ("limestone", False)],
)
def test_silica_is_named_where_it_is_and_denied_nowhere(
    tmp_path: Path, stone: str, said: bool
) -> None:
    """29 CFR 1926.1153: sandstone and granite; that marble is not called free of it: own rule."""
    job = job_with(tmp_path, DIRECTIONS, DANGER)
    text = job.settings_path.read_text().replace('"Carrara marble"', f'"{stone}"')
    job.settings_path.write_text(re.sub(r"\nkg_per_m3 = .*", "\nkg_per_m3 = 2600.0", text))
    sheet = text_of(job)[0][0].replace("\n", " ")
    assert ("crystalline silica, which destroys lungs" in sheet) == said
    assert "fitted respirator" in sheet
    assert "free of silica" not in sheet

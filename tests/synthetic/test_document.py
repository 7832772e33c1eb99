"""The client's document: what it says, that nothing typed can break it, and what is missing."""

from __future__ import annotations

import re
import subprocess
from html.parser import HTMLParser
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader
from typer.testing import CliRunner

from tests.job_files import CENTRE, ball_surface, empty_job
from tests.several_stages import Given, several
from tracker.cli.app import app
from tracker.comparison.overcuts import OvercutSpot
from tracker.comparison.states import Bands, State
from tracker.job import Job, open_job
from tracker.progress.progress import job_progress
from tracker.report import chart, document_pictures
from tracker.report.chart import chart_png, chart_svg
from tracker.report.document_pictures import swatch
from tracker.report.document_text import (
    Bullets,
    Drawn,
    Heading,
    Paragraph,
    blocks_of,
    shipped_text,
)
from tracker.report.words import words_for
from tracker.stage import MAP_FILE, OVERLAYS_FOLDER

BALL = ball_surface()
N = len(BALL.vertices)
SPOT = OvercutSpot(1, CENTRE + [0, 0, 100.0], 1.5, False, 0.2, 20.0, "crown", "growing")


def stages(*lefts: float) -> list[Given]:
    return [
        Given(f"week {k + 1}", f"2026-03-{2 + 7 * k:02d}", np.full(N, left), spots=(SPOT,))
        for k, left in enumerate(lefts)
    ]


@pytest.fixture(autouse=True)
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Views and chart are drawn small: what views show is tested with the views themselves."""
    monkeypatch.setattr(document_pictures, "VIEW_PX", 40)
    monkeypatch.setattr(chart, "DPI", 100)


@pytest.fixture
def job(tmp_path: Path) -> Job:
    return several(tmp_path, BALL, stages(12.0, 9.1, 5.8, 3.0))


def set_(job: Job, old: str, new: str) -> None:
    text = job.settings_path.read_text()
    assert old in text
    job.settings_path.write_text(text.replace(old, new))


def run(job: Job, *words: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(app, ["--job", str(job.folder), "report", *words])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.stdout, result.stderr


def written(job: Job) -> tuple[str, str, PdfReader]:
    """HTML, text of the PDF, and the PDF."""
    code, out, err = run(job)
    assert (code, err) == (0, "")
    assert out.splitlines() == [str(job.folder / "report.pdf"), str(job.folder / "report.html")]
    pdf = PdfReader(job.folder / "report.pdf")
    text = " ".join(" ".join(page.extract_text() for page in pdf.pages).split())
    return (job.folder / "report.html").read_text(encoding="utf-8"), text, pdf


class Reader(HTMLParser):
    """Tags, their attributes, and the text outside style."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        if self.tags and self.tags[-1][0] != "style":
            self.text += data


def both(job: Job) -> list[str]:
    html, text, _ = written(job)
    return [" ".join(Reader(html).text.split()), text]


def test_page_and_paper_say_the_same(job: Job) -> None:
    for text in both(job):
        for said in (
            "Owl finial", "23 March 2026", "How far the figure is", "of stone to take off",
            "an estimate, never for lifting", "Stone left over the days", "week 1, 2 March 2026",
            "When it may be done", "will be gone about", "Between the last two stages", "front",
            "Places cut deeper than the model", "has grown", "1.5 ± 0.2 mm", "fitted respirator",
            "never for lifting or rigging", "Bring nearer with claw chisels: 2 points.", "100 %",
            "The photographs of stage week 4 are not there.",
        ):  # fmt: skip
            assert said in text, said


def test_german(job: Job) -> None:
    set_(job, 'language = "en"', 'language = "de"')
    html, text, _ = written(job)
    assert '<html lang="de">' in html
    for said in (
        "Stand der Arbeit am 23. März 2026", "Wann es fertig sein kann", "1,5 ± 0,2 mm",
        "Mit dem Zahneisen näher heran: 2 Punkte.", "vorn", "Schutzbrille",
    ):  # fmt: skip
        assert said in text, said
        assert said in Reader(html).text, said
    for english in ("What comes next", "State of the", "carving", "stage"):
        assert english not in text


@pytest.mark.parametrize(("count", "said"), [(1, "It is too early"), (2, "It is too early")])
def test_no_forecast_before_three_stages(tmp_path: Path, count: int, said: str) -> None:
    job = several(tmp_path, BALL, stages(*(12.0, 9.0)[:count]))
    for text in both(job):
        assert said in text
        assert "will be gone about" not in text
        assert ("Stone left over the days" in text) == (count == 2)


def test_stone_that_does_not_get_less_has_no_end(tmp_path: Path) -> None:
    for text in both(several(tmp_path, BALL, stages(5.0, 5.1, 5.2))):
        assert "The stages do not tell when the stone will be gone." in text


def test_no_stage(tmp_path: Path) -> None:
    code, out, err = run(empty_job(tmp_path))
    assert (code, out) == (1, "")
    assert "There is no stage on record." in err


def test_nothing_seen(tmp_path: Path) -> None:
    given = Given("monday", "2026-03-02", np.full(N, np.nan))
    for text in both(several(tmp_path, BALL, [given])):
        assert "showed too little of the figure" in text


def test_damaged_and_missing_records_are_named_and_the_rest_is_shown(job: Job) -> None:
    (job.stage_path("week 2") / MAP_FILE).unlink()
    (job.stage_path("week 1") / "stage.json").write_text("{")
    for text in both(job):
        assert "Stage week 1 is left out." in text
        assert "The map of stage week 2 is missing" in text
        assert "week 4, 23 March 2026" in text


def test_fonts_are_embedded_and_the_paper_is_the_jobs(job: Job) -> None:
    set_(job, 'paper = "A4"', 'paper = "Letter"')
    _, _, pdf = written(job)
    assert [float(v) for v in pdf.pages[0].mediabox[2:]] == [612.0, 792.0]
    for page in pdf.pages:
        for font in page["/Resources"]["/Font"].values():
            name = str(font.get_object()["/BaseFont"])
            if "DejaVuSans" in name:
                assert "/FontFile2" in font.get_object()["/FontDescriptor"].get_object()
            else:  # reportlab names its default in every page and uses it nowhere
                assert name == "/Helvetica"
    assert 2 <= len(pdf.pages) <= 5


NASTY = 'Ül „x" </title><script>alert(1)</script> <img src=x onerror=y> & {{ 7*7 }} %(job)s <b>'


def test_names_can_neither_break_nor_script(tmp_path: Path) -> None:
    job = several(tmp_path, BALL, [Given("a & b's", "2026-03-02", np.full(N, 4.0))])
    for key in ('name = "Owl finial"', 'client = ""', 'workshop = ""'):
        set_(job, key, f"{key.split('=')[0]}= '''{NASTY}'''")
    html, text, _ = written(job)
    reader = Reader(html)
    assert not {"script", "b", "i", "iframe", "object", "link"} & {tag for tag, _ in reader.tags}
    assert not [name for _, attrs in reader.tags for name in attrs if name.startswith("on")]
    assert [attrs for tag, attrs in reader.tags if tag == "img"]
    assert all(str(attrs["src"]).startswith("data:") for tag, attrs in reader.tags if tag == "img")
    for found in (" ".join(reader.text.split()), text):
        assert "<script>alert(1)</script>" in found
        assert "{{ 7*7 }} %(job)s <b>" in found
        assert "a & b's, 2 March 2026" in found
        assert "49 %(job)s" not in found


def test_the_page_needs_nothing_else(job: Job) -> None:
    html, _, _ = written(job)
    assert "default-src 'none'" in html
    outside = re.findall(r"(?:src|href)=\"(?!data:|#)[^\"]+", html)
    assert not outside
    assert "<svg" in html
    assert len(html) < 3_000_000


def test_the_same_job_gives_the_same_files(job: Job) -> None:
    written(job)
    first = [(job.folder / name).read_bytes() for name in ("report.pdf", "report.html")]
    written(job)
    assert [(job.folder / name).read_bytes() for name in ("report.pdf", "report.html")] == first


class TestOwnText:
    def test_it_is_put_into_the_job_once(self, job: Job) -> None:
        code, out, _ = run(job, "--own-text")
        assert code == 0
        own = Path(out.strip())
        assert own.read_text(encoding="utf-8") == shipped_text()
        own.write_text("mine", encoding="utf-8")
        code, _, err = run(job, "--own-text")
        assert code == 1
        assert "document.jinja" in err
        assert own.read_text(encoding="utf-8") == "mine"

    def test_it_is_what_both_say(self, job: Job) -> None:
        text = (
            "# Grüße an {{ client or 'Sie' }}\n\nNoch {{ left }}.\n\n[[chart]]\n\n- a\n- b\n  c\n"
        )
        (job.folder / "document.jinja").write_text(text, encoding="utf-8")
        for found in both(job):
            assert "Grüße an Sie" in found
            assert "Noch " in found
            assert "b c" in found
            assert "What comes next" not in found

    @pytest.mark.parametrize(
        ("text", "said"),
        [
            ("a\nb {% if %}", "document.jinja, line 2"),
            ("{{ nothing }}", "'nothing' is undefined"),
            ("[[rainbow]]", "[[rainbow]] is nothing that can be drawn"),
            ("{{ job.__class__.__mro__ }}", "asks for something that is not there"),
            ("{{ 1 / 0 }}", "asks for something that is not there"),
        ],
    )
    def test_faults_are_told_in_a_sentence_and_nothing_is_written(
        self, job: Job, text: str, said: str
    ) -> None:
        (job.folder / "document.jinja").write_text(text)
        code, out, err = run(job)
        assert (code, out) == (1, "")
        assert said in err
        assert not (job.folder / "report.pdf").exists()

    def test_a_text_that_is_not_utf8(self, job: Job) -> None:
        (job.folder / "document.jinja").write_bytes(b"\xff\xfe\xff")
        code, _, err = run(job)
        assert code == 1
        assert "cannot be read as UTF-8" in err


def test_the_text_is_cut_into_blocks() -> None:
    text = "# A {{ x }}\nb\nc\n\n- d\n- e\n  f\ng\n\n## h\n[[chart]]\n#i\n[[not alone]] j\n"
    found = blocks_of(text, "t", {"x": "# y\n## z [[chart]]"}, words_for("en"))
    assert found == [
        Heading(1, "A # y ## z [[chart]]"),
        Paragraph("b c"),
        Bullets(("d", "e f g")),
        Heading(2, "h"),
        Drawn("chart"),
        Paragraph("#i [[not alone]] j"),
    ]


def picture(path: Path, size: tuple[int, int] = (160, 120)) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.effect_noise(size, 40).convert("RGB").save(path)
    return path


class TestPictures:
    def test_chosen_photographs_and_the_logo(self, job: Job) -> None:
        picture(job.folder / "bench.jpg")
        picture(job.stage_path("week 3") / OVERLAYS_FOLDER / "IMG_9.jpg")
        picture(job.folder / "sign.png", (300, 90))
        set_(job, "photographs = []", 'photographs = ["bench.jpg", "IMG_9.JPG", "gone.jpg"]')
        set_(job, 'logo = ""', 'logo = "sign.png"')
        html, text, _ = written(job)
        assert "IMG_9, 16 March 2026" in text
        assert "The photograph gone.jpg is not there or is no picture." in text
        assert 'class="logo"' in html

    def test_photographs_outside_the_job_are_not_taken(self, job: Job) -> None:
        picture(job.folder.parent / "secret.jpg")
        set_(job, "photographs = []", 'photographs = ["../secret.jpg"]')
        assert "secret.jpg is not there" in written(job)[1]

    @pytest.mark.parametrize("content", [b"", b"no picture", None])
    def test_a_logo_that_is_none(self, job: Job, content: bytes | None) -> None:
        if content is not None:
            (job.folder / "sign.png").write_bytes(content)
        set_(job, 'logo = ""', 'logo = "sign.png"')
        assert "The logo sign.png is not there or is no picture." in written(job)[1]

    def test_three_photographs_from_round_about_are_taken_by_themselves(self, job: Job) -> None:
        folder = job.stage_path("week 4") / OVERLAYS_FOLDER
        picture(folder / "IMG_1.jpg")
        html, text, _ = written(job)
        assert "IMG_1, 23 March 2026" in text
        assert "are not there" not in text
        assert html.count("image/jpeg") == 1

    def test_swatches_stay_apart_in_grey(self) -> None:
        greys = {}
        for state in State:
            with Image.open(BytesIO(swatch(state, Bands()).data)) as opened:
                greys[state] = np.asarray(opened.convert("L")).astype(float)
        plain = [State.FINISHED, State.CLOSE, State.UNTOUCHED]
        for k, one in enumerate(plain):
            for other in plain[:k]:
                assert abs(greys[one].mean() - greys[other].mean()) > 35
        for patterned in (State.OVERCUT, State.NOT_SEEN):
            assert greys[patterned].std() > 12
            assert all(greys[state].std() < 1 for state in plain)


class TestChart:
    def grey(self, data: bytes) -> np.ndarray:
        with Image.open(BytesIO(data)) as opened:
            return np.asarray(opened.convert("L")).astype(float)

    def test_it_goes_on_into_the_forecast_with_a_band(self, job: Job) -> None:
        words = words_for("en")
        four = job_progress(job)
        assert four.forecast is not None
        whole = self.grey(chart_png(four, words, "#2f4b66"))
        assert (whole < 100).sum() > 500
        # the band: a wide area of light tint beside the white ground
        band = (whole > 200) & (whole < 240)
        assert band.mean() > 0.02

    def test_the_svg_takes_its_ink_from_the_page(self, job: Job) -> None:
        svg = chart_svg(job_progress(job), words_for("en"), "#2f4b66")
        assert svg.startswith("<svg")
        assert "currentColor" in svg
        assert "var(--accent)" in svg
        assert "#22252b" not in svg
        assert "<script" not in svg


def test_paper_printed_grey_is_filled_and_inside_its_margins(job: Job, tmp_path: Path) -> None:
    written(job)
    subprocess.run(
        ["pdftoppm", "-gray", "-r", "40", "-png", job.folder / "report.pdf", tmp_path / "p"],
        check=True,
    )
    pages = sorted(tmp_path.glob("p-*.png"))
    assert len(pages) == len(PdfReader(job.folder / "report.pdf").pages)
    for page in pages:
        with Image.open(page) as opened:
            grey = np.asarray(opened.convert("L"))
        edge = round(10 / 25.4 * 40)
        assert (grey[:, :edge] > 250).all()
        assert (grey[:, -edge:] > 250).all()
        assert (grey < 128).sum() > 40


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('colour = "#2f4b66"', 'colour = "red; } body { display: none"'),
        ('paper = "A4"', 'paper = "A3"'),
        ('language = "en"', 'language = "../../x"'),
    ],
)
def test_settings_that_cannot_be_are_refused(job: Job, old: str, new: str) -> None:
    set_(job, old, new)
    code, _, err = run(job)
    assert code == 1
    assert f"report.{old.split()[0]}" in err


def test_the_job_still_opens_without_the_new_settings(job: Job) -> None:
    text = job.settings_path.read_text()
    job.settings_path.write_text(text[: text.index("[progress]")])
    assert open_job(job.folder).settings.report.paper == "A4"
    assert run(job)[0] == 0

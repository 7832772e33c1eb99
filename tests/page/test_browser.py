"""The stage page in Debian's chromium: load, turn, tap, sort, filter, switch, print, break in.

The figure is drawn by software, so pictures are the same on every machine but for a few pixels.
Accessibility by axe-core, rules of WCAG 2.1 A and AA; nothing serious or critical may be found.
"""

from __future__ import annotations

import io
import re
import shutil
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import Browser, Page, Playwright, sync_playwright
from pypdf import PdfReader

from tests.page.carved import carved_job, hostile_job
from tracker.job import Job, open_job
from tracker.pipeline import redraw_page
from tracker.pipeline.page import gather
from tracker.report.colours import OVERCUT_RGB
from tracker.report.page import PAGE_FILE

AXE = Path(sys.prefix) / "share" / "axe-core" / "axe.min.js"
REFERENCES = Path(__file__).parent / "references"
CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
SOFTWARE = ["--use-angle=swiftshader", "--enable-unsafe-swiftshader", "--ignore-gpu-blocklist"]
PATIENCE_MS = 120_000
SIDE_PX = 400
STAGE = "third day"


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    return carved_job(tmp_path_factory.mktemp("carved") / "job")


@pytest.fixture(scope="module")
def driver() -> Iterator[Playwright]:
    with sync_playwright() as started:
        yield started


@pytest.fixture(scope="module")
def browser(driver: Playwright) -> Iterator[Browser]:
    started = driver.chromium.launch(executable_path=CHROMIUM, args=SOFTWARE)
    yield started
    started.close()


@dataclass
class Watched:
    """A page, with what it complained of and what it asked the world for."""

    page: Page
    complaints: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)


def opened(browser: Browser, job: Job, stage: str = STAGE, **context: object) -> Watched:
    context = {"viewport": {"width": 1100, "height": 800}, **context}
    page = browser.new_context(**context).new_page()  # type: ignore[arg-type]
    page.set_default_timeout(PATIENCE_MS)
    watched = Watched(page)
    page.on("console", lambda m: watched.complaints.append(m.text) if m.type == "error" else None)
    page.on("pageerror", lambda error: watched.complaints.append(str(error)))
    page.on("request", lambda request: watched.requests.append(request.url))
    page.goto((job.stage_path(stage) / PAGE_FILE).as_uri(), timeout=PATIENCE_MS)
    page.wait_for_selector("body[data-shown]", state="attached")
    return watched


@pytest.fixture(scope="module")
def desk(browser: Browser, job: Job) -> Watched:
    return opened(browser, job)


def camera(page: Page) -> np.ndarray:
    """Unit direction from the figure to the eye."""
    found = np.array(page.evaluate("figure.now().from"))
    return found / np.linalg.norm(found)


def picture(page: Page) -> np.ndarray:
    """The figure alone, reduced."""
    page.evaluate("document.body.classList.add('bare')")
    page.add_style_tag(
        content=".bare .here, .bare .stand > :not(#figure) { visibility: hidden !important; }"
    )
    page.evaluate("new Promise((r) => requestAnimationFrame(() => requestAnimationFrame(r)))")
    taken = page.locator("#figure").screenshot()
    page.evaluate("document.body.classList.remove('bare')")
    with Image.open(io.BytesIO(taken)) as image:
        return np.asarray(image.convert("RGB").resize((SIDE_PX, SIDE_PX), Image.Resampling.BOX))


def until(page: Page, condition: Callable[[], bool]) -> None:
    """Waits for what comes about; the page's own policy lets no text be run in it for that."""
    for _ in range(PATIENCE_MS // 50):
        if condition():
            return
        page.wait_for_timeout(50)
    raise AssertionError("it never came about")


def at_rest(page: Page) -> None:
    """Waits until the figure as drawn stands still: the drawing lags behind a turn asked for."""
    drawn: list[list[float]] = []

    def three_alike() -> bool:
        drawn.append(page.evaluate("Array.from(figure.matrixNow())"))
        return len(drawn) > 3 and drawn[-1] == drawn[-2] == drawn[-3]

    page.evaluate("new Promise((r) => requestAnimationFrame(() => requestAnimationFrame(r)))")
    until(page, three_alike)


def switch(page: Page, view: str) -> None:
    page.check(f"input[name=view][value={view}]", force=True)
    page.wait_for_selector(f"body[data-shown={view}]", state="attached")


def test_opens_without_complaint_and_asks_nobody(desk: Watched) -> None:
    assert desk.page.locator("body").get_attribute("data-drawn") == "yes"
    assert desk.complaints == []
    outside = [url for url in desk.requests if not url.startswith(("data:", "blob:"))]
    assert len(outside) == 1
    assert outside[0].startswith("file:")
    assert desk.page.locator("#wait").is_hidden()
    assert desk.page.locator("h1").inner_text() == "Owl finial"


@pytest.mark.parametrize("view", ["left", "before", "removed", "u95", "unseen"])
def test_each_view_looks_as_kept(desk: Watched, view: str) -> None:
    """References were looked at by a person; a changed colour or form has to be looked at anew."""
    page = desk.page
    switch(page, view)
    page.click("[data-side=front]")
    found = picture(page).astype(int)
    shown = page.locator(".scale:visible")
    assert shown.count() == 1
    assert shown.get_attribute("data-view") == view
    label = page.locator(f"input[value={view}] + span").inner_text()
    assert label in (page.locator("#figure").get_attribute("aria-label") or "")
    with Image.open(REFERENCES / f"{view}.png") as image:
        kept = np.asarray(image.convert("RGB")).astype(int)
    off = np.abs(found - kept).max(axis=-1)
    assert np.mean(off > 24) < 0.01
    assert off.mean() < 1.5
    orange = np.abs(found - OVERCUT_RGB).max(axis=-1) < 60
    assert (orange.sum() > 100) == (view in {"left", "before"})


def test_turns_by_hand_by_key_and_to_its_sides(desk: Watched) -> None:
    page = desk.page
    page.click("[data-side=front]")
    assert camera(page) == pytest.approx([0.0, -1.0, 0.0], abs=1e-6)
    page.click("[data-side=right]")
    assert camera(page) == pytest.approx([1.0, 0.0, 0.0], abs=1e-6)
    page.click("[data-side='from above']")
    assert camera(page)[2] > 0.99
    page.click("[data-side=front]")
    page.focus("#figure")
    page.keyboard.press("ArrowRight")
    assert camera(page)[0] == pytest.approx(np.sin(0.2), abs=1e-3)
    page.keyboard.press("ArrowUp")
    assert camera(page)[2] == pytest.approx(np.sin(0.2), abs=1e-3)
    away = page.evaluate("figure.now().away")
    page.keyboard.press("+")
    assert page.evaluate("figure.now().away") == pytest.approx(0.8 * away, rel=1e-6)
    before = camera(page)
    box = page.locator("#figure").bounding_box()
    assert box is not None
    x, y = box["x"] + 0.5 * box["width"], box["y"] + 0.5 * box["height"]
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 120, y, steps=6)
    page.mouse.up()
    page.wait_for_timeout(400)
    assert float(camera(page) @ before) < 0.97


def test_a_tap_tells_what_the_record_says(desk: Watched, job: Job) -> None:
    page = desk.page
    sheet = gather(job, job.stage_path(STAGE))
    readings = sheet.now.readings
    page.click("[data-side=front]")
    at_rest(page)
    box = page.locator("#figure").bounding_box()
    assert box is not None
    told = set()
    for across, down in ((0.5, 0.35), (0.5, 0.5), (0.45, 0.6), (0.53, 0.66), (0.5, 0.25)):
        x, y = across * box["width"], down * box["height"]
        page.mouse.click(box["x"] + x, box["y"] + y)
        words = page.locator("#here").inner_text()
        row = page.evaluate(f"figure.nearestUnder([[{x}, {y}]])[0].row")
        at = page.evaluate(f"figure.projector()(form.x[{row}], form.y[{row}], form.z[{row}])")
        assert np.hypot(at[0] - x, at[1] - y) < 15.0
        assert sheet.form.surface.vertex_normals[row] @ camera(page) > 0.0
        if readings.seen[row]:
            figures = [float(t) for t in re.findall(r"(-?\d+\.\d) mm", words)]
            wanted = [readings.stone_left_mm[row], readings.u95_mm[row]]
            # told to the tenth, of what travels to the hundredth
            assert figures[:2] == pytest.approx(wanted, abs=0.056)
            told.add("seen")
        else:
            assert words.startswith("Not seen")
            told.add("not seen")
        names = [name for name, sees in zip(sheet.viewers, sheet.seen_by[row], strict=True) if sees]
        if names:
            assert f"{len(names)}: {', '.join(names)}" in words
        assert page.locator(".photos .sees").count() == len(names)
    assert "seen" in told
    page.focus("#figure")
    page.keyboard.press("Enter")
    assert page.locator("#here dl").count() == 1


def test_a_tap_beside_the_figure_tells_nothing(desk: Watched) -> None:
    page = desk.page
    before = page.locator("#here").inner_text()
    box = page.locator("#figure").bounding_box()
    assert box is not None
    page.mouse.click(box["x"] + 8, box["y"] + 8)
    assert page.locator("#here").inner_text() == before


def column(page: Page, cell: int) -> list[str]:
    return page.locator(f"#rows tr:visible > :nth-child({cell})").all_inner_texts()


def test_points_sort_by_any_column(desk: Watched) -> None:
    page = desk.page
    listed = column(page, 1)
    head = page.locator("th:has([data-sort=mm])")
    page.click("[data-sort=mm]")
    assert head.get_attribute("aria-sort") == "ascending"
    figures = [float(t.split()[-1]) for t in column(page, 2) if t != "–"]
    assert figures == sorted(figures)
    assert set(column(page, 2)[len(figures) :]) == {"–"}
    page.click("[data-sort=mm]")
    assert head.get_attribute("aria-sort") == "descending"
    falling = [float(t.split()[-1]) for t in column(page, 2) if t != "–"]
    assert falling == figures[::-1]
    assert set(column(page, 2)[len(falling) :]) == {"–"}
    page.click("[data-sort=mm]")
    assert head.get_attribute("aria-sort") is None
    assert column(page, 1) == listed
    for key, cell in (("name", 1), ("u95", 3), ("photos", 6)):
        page.click(f"[data-sort={key}]")
        shown = [t for t in column(page, cell) if t]
        if key == "name":
            assert shown == sorted(shown)
        else:
            assert [float(t) for t in shown] == sorted(float(t) for t in shown)
    page.click("[data-sort=state]")
    states = column(page, 4)
    order = ["not seen", "over-cut", "finished", "close", "untouched"]
    assert [order.index(s) for s in states] == sorted(order.index(s) for s in states)
    page.click("[data-sort=state]")
    page.click("[data-sort=state]")


def test_points_filter_by_state_and_text(desk: Watched) -> None:
    page = desk.page
    everything = len(column(page, 1))
    page.uncheck("input[name=state][value=finished]", force=True)
    left = column(page, 4)
    assert "finished" not in left
    assert 0 < len(left) < everything
    assert page.locator("#shown").inner_text() == f"{len(left)} of {everything} points"
    page.check("input[name=state][value=finished]", force=True)
    page.fill("#find", "p1")
    assert column(page, 1) == [f"P{k}" for k in range(10, 20)]
    page.fill("#find", "light tools")
    assert all("light tools only" in text for text in column(page, 7))
    page.fill("#find", "no such point")
    assert page.locator("#shown").inner_text() == f"0 of {everything} points"
    page.fill("#find", "")
    assert len(column(page, 1)) == everything


def test_a_tap_on_a_row_turns_the_figure_to_the_point(desk: Watched, job: Job) -> None:
    page = desk.page
    points = gather(job, job.stage_path(STAGE)).record.points
    level = next(k for k, p in enumerate(points) if abs(p.normal[2]) < 0.4 and p.normal[1] > 0.3)
    page.locator(f"tr[data-row='{level}'] td").nth(3).click()
    until(page, lambda: float(camera(page) @ points[level].normal) > 0.999)
    assert page.locator(f"tr[data-row='{level}']").get_attribute("aria-current") == "true"
    words = page.locator("#here").inner_text()
    assert points[level].name in words
    page.locator(f"[data-point='{level + 1}']").focus()
    page.keyboard.press("Enter")
    assert page.locator(f"tr[data-row='{level + 1}']").get_attribute("aria-current") == "true"


def test_flags_stand_where_the_spots_are(desk: Watched, job: Job) -> None:
    page = desk.page
    spots = gather(job, job.stage_path(STAGE)).record.overcuts
    alive = [str(spot.identity) for spot in spots if spot.trend != "gone"]
    assert page.locator("#marks button").all_text_contents() == alive
    page.click(f"[data-flag='{spots[0].identity}']")
    page.wait_for_selector(f"#marks button:visible:text-is('{spots[0].identity}')")
    words = page.locator("#here").inner_text()
    assert words.startswith(f"Flag {spots[0].identity}")
    assert spots[0].trend in words
    # seen from the other side, the flag is gone
    page.evaluate("figure.look(figure.now().from.map((v) => -v), 1.3)")
    page.wait_for_selector(f"#marks button:text-is('{spots[0].identity}')", state="hidden")
    page.uncheck("#show-flags")
    assert page.locator("#marks button:visible").count() == 0
    page.check("#show-flags")


def test_photographs_open_large_and_by_key(desk: Watched) -> None:
    page = desk.page
    page.locator(".photos a").first.focus()
    page.keyboard.press("Enter")
    large = page.locator("#large img")
    large.wait_for(state="visible")
    width = "document.querySelector('#large img').naturalWidth"
    until(page, lambda: page.evaluate(width) == 480)
    assert page.locator("#large-note").is_hidden()
    page.keyboard.press("Escape")
    assert page.locator("#large").is_hidden()
    assert page.locator(".photos .gone").inner_text().startswith("Left out.")


def test_prints_the_map_and_the_lists(desk: Watched, tmp_path: Path) -> None:
    page = desk.page
    desk.page.fill("#find", "P12")
    page.pdf(path=tmp_path / "page.pdf", format="A4", print_background=False)
    desk.page.fill("#find", "")
    reader = PdfReader(tmp_path / "page.pdf")
    text = "\n".join(sheet.extract_text() for sheet in reader.pages)
    assert len(reader.pages) <= 6
    assert float(reader.pages[0].mediabox.width) == pytest.approx(595.0, abs=2.0)
    # a printed list is whole, whatever was typed into the filter
    for name in ("P01", "P12", "P60", "IMG_4121.jpg", "light tools only"):
        assert name in text
    for control in ("Drag to turn", "At this place", "from above", "Find"):
        assert control not in text
    assert len(reader.pages[0].images) >= 1


def test_nothing_typed_runs_or_breaks_the_page(browser: Browser, tmp_path: Path) -> None:
    job, name = hostile_job(tmp_path)
    shown = opened(browser, job, name)
    assert shown.page.evaluate("window.broken") is None
    assert shown.complaints == []
    assert shown.page.locator("body").get_attribute("data-drawn") == "yes"
    assert shown.page.locator("img[src=x]").count() == 0
    hostile = shown.page.locator("h1").inner_text()
    assert "</script>" in hostile
    shown.page.click("[data-point='0']")
    assert hostile in shown.page.locator("#here").inner_text()
    shown.page.click("[data-flag='1']")
    assert hostile in shown.page.locator("#here").inner_text()
    shown.page.fill("#find", hostile[:20])
    assert len(column(shown.page, 1)) == 1
    assert shown.page.evaluate("window.broken") is None
    shown.page.context.close()


PHONE = {
    "viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True,
    "color_scheme": "dark",
    "reduced_motion": "reduce",  # no colours half way between two
}  # fmt: skip


def test_on_a_phone_in_the_dark(browser: Browser, job: Job) -> None:
    shown = opened(browser, job, "first day", bypass_csp=True, **PHONE)
    page = shown.page
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert max(int(v) for v in re.findall(r"\d+", ground)) < 60
    assert page.evaluate("stand._fullLayout.scene.bgcolor") == "#4a5059"
    assert page.locator("input[name=view]").count() == 3
    assert page.locator("#earlier-note").inner_text().startswith("This is the first stage")
    box = page.locator("#figure").bounding_box()
    assert box is not None
    page.touchscreen.tap(box["x"] + box["width"] / 2, box["y"] + box["height"] * 0.5)
    page.wait_for_selector("#here dl")
    axe_finds_nothing(page)
    page.emulate_media(color_scheme="light")
    axe_finds_nothing(page)
    assert page.evaluate("stand._fullLayout.scene.bgcolor") == "#f3f1eb"
    assert shown.complaints == []
    page.context.close()


def axe_finds_nothing(page: Page) -> None:
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate("axe.run(document, {resultTypes: ['violations', 'passes']})")
    assert len(found["passes"]) > 20
    bad = [
        (v["id"], v["nodes"][0]["html"][:120])
        for v in found["violations"]
        if v["impact"] in {"serious", "critical"}
    ]
    assert bad == []


def test_pictures_moved_away_after_the_page_was_written(
    browser: Browser, job: Job, tmp_path: Path
) -> None:
    """Small copies travel within the page; the large ones are asked for and missed in words."""
    shutil.copytree(job.folder, tmp_path / "job")
    moved = open_job(tmp_path / "job")
    (moved.stage_path(STAGE) / "overlays" / "IMG_4122.jpg").unlink()
    redraw_page(moved, STAGE)
    shutil.rmtree(moved.stage_path(STAGE) / "overlays")
    shown = opened(browser, moved)
    page = shown.page
    assert "picture with stone left is not in the stage's folder" in (
        page.locator(".photos li[data-file='IMG_4122.jpg']").inner_text()
    )
    page.locator(".photos a").first.click()
    page.wait_for_selector("#large-note")
    assert "overlays/IMG_4121.jpg is not beside this page any more" in (
        page.locator("#large-note").inner_text()
    )
    assert page.evaluate("document.querySelector('#large img').naturalWidth") > 100
    page.context.close()


def test_without_a_figure_the_map_takes_its_place(driver: Playwright, job: Job) -> None:
    blind = driver.chromium.launch(executable_path=CHROMIUM, args=["--disable-3d-apis"])
    page = opened(blind, job).page
    assert page.locator("body").get_attribute("data-drawn") == "no"
    assert "cannot turn figures" in page.locator("#no-figure").inner_text()
    assert page.locator("#map").is_visible()
    assert page.evaluate("document.getElementById('map').naturalWidth") > 500
    page.click("[data-point='3']")
    assert "P04" in page.locator("#here").inner_text()
    assert len(column(page, 1)) == 60
    blind.close()

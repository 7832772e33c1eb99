"""The client's page in Debian's chromium: read by axe-core as by people who see little or nothing.

Rules of WCAG 2.1 A and AA and axe-core's best practices; nothing serious or critical may be found,
in either colour scheme, on a desk or a phone, with pictures, states, sides, chart and spots in it.
"""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright
from typer.testing import CliRunner

from tests.job_files import CENTRE, ball_surface
from tests.several_stages import Given, several
from tracker.cli.app import app
from tracker.comparison.overcuts import OvercutSpot
from tracker.job import Job
from tracker.report import chart, document_pictures
from tracker.stage import OVERLAYS_FOLDER

AXE = Path(sys.prefix) / "share" / "axe-core" / "axe.min.js"
CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
BALL = ball_surface()
SPOT = OvercutSpot(1, CENTRE + [0, 0, 100.0], 1.5, False, 0.2, 20.0, "crown", "growing")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=CHROMIUM)
        yield started
        started.close()


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Job]:
    """Three stages, the last with a photograph; everything drawn small."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(document_pictures, "VIEW_PX", 40)
        patch.setattr(chart, "DPI", 100)
        left = [np.full(len(BALL.vertices), mm) for mm in (12.0, 9.1, 5.8)]
        given = [
            Given(f"week {k + 1}", f"2026-03-{2 + 7 * k:02d}", mm, spots=(SPOT,))
            for k, mm in enumerate(left)
        ]
        job = several(tmp_path_factory.mktemp("client"), BALL, given)
        overlays = job.stage_path("week 3") / OVERLAYS_FOLDER
        overlays.mkdir(exist_ok=True)
        Image.new("RGB", (300, 200), (150, 140, 130)).save(overlays / "IMG_1.jpg")
        Image.new("RGB", (240, 80), (40, 40, 90)).save(job.folder / "workshop.png")
        yield job


def read(browser: Browser, job: Job, width: int, scheme: str) -> Page:
    result = CliRunner().invoke(app, ["--job", str(job.folder), "report"])
    assert result.exit_code == 0, result.output
    context = browser.new_context(
        viewport={"width": width, "height": 800},
        color_scheme=scheme,  # type: ignore[arg-type]
    )
    page = context.new_page()
    page.goto((job.folder / "report.html").as_uri())
    return page


def set_(job: Job, old: str, new: str) -> None:
    text = job.settings_path.read_text(encoding="utf-8")
    assert old in text
    job.settings_path.write_text(text.replace(old, new), encoding="utf-8")


@pytest.mark.parametrize(
    ("width", "scheme", "colour"),
    [
        (1100, "light", "#2f4b66"),
        (390, "dark", "#2f4b66"),
        (1100, "light", "#ffd23f"),  # a workshop's yellow, too pale for titles
        (390, "dark", "#101010"),
    ],
)
def test_axe_finds_nothing(
    browser: Browser, job: Job, width: int, scheme: str, colour: str
) -> None:
    set_(job, 'logo = ""', 'logo = "workshop.png"')
    set_(job, 'colour = "#2f4b66"', f'colour = "{colour}"')
    try:
        page = read(browser, job, width, scheme)
    finally:
        set_(job, 'logo = "workshop.png"', 'logo = ""')
        set_(job, f'colour = "{colour}"', 'colour = "#2f4b66"')
    assert page.locator("table").count() >= 4
    assert page.locator("figure.chart").count() == 1
    assert page.locator("img.logo").count() == 1
    assert page.locator(".photographs img").count() == 1
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate("axe.run(document, {resultTypes: ['violations', 'passes']})")
    assert len(found["passes"]) > 15
    assert "color-contrast" in {rule["id"] for rule in found["passes"]}
    bad = [(v["id"], v["impact"], v["nodes"][0]["html"][:120]) for v in found["violations"]]
    assert bad == []
    page.context.close()

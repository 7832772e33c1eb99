"""The printed sheets against paper standards and against detectors that are not ours.

Sources: ISO 216 (A4 210 mm x 297 mm); ANSI/ASME Y14.1 (Letter 8.5 in x 11 in, from memory);
ISO 32000-1, table 150 (PrintScaling, number from memory); the tag36h11 tables built into the
AprilTag library (Olson 2011; Wang, Olson 2016), read through pupil-apriltags and pyapriltags.
"""

from __future__ import annotations

import subprocess
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pupil_apriltags
import pyapriltags
import pypdf
import pytest
from numpy.typing import NDArray

from tracker.targets.family import FAMILY_SIZE
from tracker.targets.sheet import Sheets, plan_sheets, write_sheets
from tracker.targets.sheet_plan import FIRST_TAG, PAPERS, ROOM, Card, Page, Role

PRINT_DPI = 600
MM_PER_PX = 25.4 / PRINT_DPI
SIZES_PT = {"A4": (595.276, 841.890), "Letter": (612.0, 792.0)}


@pytest.fixture(scope="module", params=["A4", "Letter"])
def sheets(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Sheets:
    """Sheets of one paper."""
    folder = tmp_path_factory.mktemp("sheets")
    paper = PAPERS[request.param]
    return write_sheets(folder / "sheets.pdf", paper, plan_sheets(paper))


def rasterised(path: Path, page: int, dpi: int) -> NDArray[np.uint8]:
    """One page (from 1) as grey values."""
    done = subprocess.run(
        ["pdftoppm", "-gray", "-r", str(dpi), "-f", str(page), "-l", str(page), str(path)],
        check=True,
        capture_output=True,
    )
    picture = cv2.imdecode(np.frombuffer(done.stdout, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert picture is not None
    return np.asarray(picture, np.uint8)


def detected(picture: NDArray[np.uint8], decimate: float = 1.0) -> dict[int, NDArray[np.float64]]:
    """Corners by number from the AprilTag library: bottom left, then counter-clockwise."""
    found = apriltag_library(decimate).detect(picture)
    return {d.tag_id: np.asarray(d.corners) for d in found}


@cache
def apriltag_library(decimate: float) -> pupil_apriltags.Detector:
    """The library with its table of codes, which takes a while to build."""
    return pupil_apriltags.Detector("tag36h11", nthreads=1, quad_decimate=decimate)


def page_of(sheets: Sheets, role: Role) -> tuple[int, Page]:
    """Number in the file, and plan, of the first page of a role."""
    place = next(i for i, page in enumerate(sheets.pages) if page.role is role)
    return place + 2, sheets.pages[place]


def test_media_box_is_the_paper(sheets: Sheets) -> None:
    pages = pypdf.PdfReader(sheets.path).pages
    assert len(pages) == len(sheets.pages) + 1
    for page in pages:
        size = (float(page.mediabox.width), float(page.mediabox.height))
        assert size == pytest.approx(SIZES_PT[sheets.paper.name], abs=0.01)


def test_viewer_is_asked_not_to_rescale(sheets: Sheets) -> None:
    root = pypdf.PdfReader(sheets.path).root_object
    assert root["/ViewerPreferences"]["/PrintScaling"] == "/None"  # type: ignore[index]


@pytest.mark.parametrize("role", [Role.FRAME, Role.BAR, Role.SEAT, Role.END])
def test_printed_lengths(sheets: Sheets, role: Role) -> None:
    number, page = page_of(sheets, role)
    corners = detected(rasterised(sheets.path, number, PRINT_DPI), decimate=2.0)
    assert sorted(corners) == sorted(card.tag for card in page.cards)
    for card in page.cards:
        square = corners[card.tag] * MM_PER_PX
        sides = np.linalg.norm(square - np.roll(square, 1, axis=0), axis=1)
        assert sides == pytest.approx(card.side_mm, abs=0.05)
        assert square.mean(axis=0) == pytest.approx((card.x_mm, card.y_mm), abs=0.05)
    for bar in page.bars:
        ends = [corners[card.tag].mean(axis=0) * MM_PER_PX for card in (bar.first, bar.second)]
        assert np.linalg.norm(ends[1] - ends[0]) == pytest.approx(bar.length_mm, abs=0.05)


def test_board_is_found_and_true(sheets: Sheets) -> None:
    number, page = page_of(sheets, Role.BOARD)
    assert page.board is not None
    board, dpi = page.board, PRINT_DPI
    across, down = board.corners
    assert (across + down) % 2 == 1  # one way up only
    picture = rasterised(sheets.path, number, dpi)
    found, pixels = cv2.findChessboardCorners(picture, (across, down))
    assert found
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 50, 1e-3)
    pixels = cv2.cornerSubPix(picture, pixels, (15, 15), (-1, -1), stop)
    corners = np.asarray(pixels, np.float64).reshape(down, across, 2) * 25.4 / dpi
    if corners[0, 0, 0] > corners[0, -1, 0]:
        corners = corners[::-1, ::-1]
    pitch = np.diff(corners, axis=1)[..., 0].mean(), np.diff(corners, axis=0)[..., 1].mean()
    assert pitch == pytest.approx((board.square_mm, board.square_mm), abs=0.01)
    first = (board.x_mm + board.square_mm, board.y_mm + board.square_mm)
    assert corners[0, 0] == pytest.approx(first, abs=0.06)
    far = np.linalg.norm(corners[-1, -1] - corners[0, 0])
    assert far == pytest.approx(board.square_mm * np.hypot(across - 1, down - 1), abs=0.05)


def test_centre_dot_is_where_the_diagonals_cross(sheets: Sheets) -> None:
    number, page = page_of(sheets, Role.SEAT)
    picture = rasterised(sheets.path, number, PRINT_DPI)
    for card in page.cards:
        x, y, reach = card.x_mm / MM_PER_PX, card.y_mm / MM_PER_PX, round(0.5 / MM_PER_PX)
        patch = picture[round(y) - reach : round(y) + reach, round(x) - reach : round(x) + reach]
        dark = np.argwhere(patch < 128).mean(axis=0) - reach + [round(y) - y, round(x) - x]
        assert (dark + 0.5) * MM_PER_PX == pytest.approx([0.0, 0.0], abs=0.05)


def test_check_line_is_as_long_as_it_says(sheets: Sheets) -> None:
    picture = rasterised(sheets.path, 2, PRINT_DPI)
    foot = picture[-round(25.0 / MM_PER_PX) :, : round(117.0 / MM_PER_PX)]
    level = np.flatnonzero((foot < 128).sum(axis=1) > 90.0 / MM_PER_PX)
    assert level.size > 0
    dark = np.flatnonzero(foot[level[0]] < 128)
    line_mm = (dark[-1] - dark[0]) * MM_PER_PX - 0.15
    true_mm = {"A4": 100.0, "Letter": 4 * 25.4}[sheets.paper.name]
    assert line_mm == pytest.approx(true_mm, abs=0.1)


def test_upright_as_published(sheets: Sheets) -> None:
    number, page = page_of(sheets, Role.FRAME)
    corners = detected(rasterised(sheets.path, number, 150))
    assert len(corners) == len(page.cards)
    for square in corners.values():
        (x0, y0), (x1, y1), (x2, y2), (x3, y3) = square
        assert max(x0, x3) < min(x1, x2)
        assert max(y2, y3) < min(y0, y1)


def test_every_number_is_read_by_two_detectors(tmp_path: Path) -> None:
    pages = plan_sheets(
        PAPERS["A4"],
        frame=ROOM[Role.FRAME],
        bench=ROOM[Role.BENCH],
        bars=ROOM[Role.BAR] // 2,
        block=ROOM[Role.LASTING],
        long_bars=ROOM[Role.END] // 2,
    )
    sheets = write_sheets(tmp_path / "all.pdf", PAPERS["A4"], pages)
    second = pyapriltags.Detector(families="tag36h11", nthreads=1, quad_decimate=1.0)
    for number, page in enumerate(sheets.pages, start=2):
        wanted = sorted(card.tag for card in page.cards)
        picture = rasterised(sheets.path, number, 72)
        assert sorted(detected(picture)) == wanted
        assert sorted(d.tag_id for d in second.detect(picture)) == wanted
    printed = [card.tag for card in sheets.cards]
    assert len(set(printed)) == len(printed)
    seats = set(range(FIRST_TAG[Role.SEAT], FIRST_TAG[Role.SEAT] + ROOM[Role.SEAT]))
    assert set(printed) == seats | set(range(FIRST_TAG[Role.FRAME], FAMILY_SIZE))


def test_white_rim_is_a_whole_module(sheets: Sheets) -> None:
    for role in (Role.FRAME, Role.BAR):
        number, page = page_of(sheets, role)
        picture = rasterised(sheets.path, number, 300)
        for card in page.cards:
            assert rim_is_white(picture, card, 25.4 / 300)


def rim_is_white(picture: NDArray[np.uint8], card: Card, mm_per_px: float) -> bool:
    """Whether a band from just outside the square to 0.9 modules out is blank."""
    far = round((0.5 * card.side_mm + 0.9 * card.rim_mm) / mm_per_px)
    x, y = round(card.x_mm / mm_per_px), round(card.y_mm / mm_per_px)
    band = picture[y - far : y + far, x - far : x + far].copy()
    ink = round((0.9 * card.rim_mm - 0.2) / mm_per_px)
    band[ink:-ink, ink:-ink] = 255
    return bool((band > 250).all())

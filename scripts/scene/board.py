"""Photographs of the calibration board: its chequer seen through the phone's lens, nothing else."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from scripts.scene.camera import Station, TrueLens, look, phone
from scripts.scene.film import Film, save_jpeg, tone_curve

Array = NDArray[np.float64]
COLUMNS, ROWS, SQUARE_MM = 10, 7, 20.0
"""Squares of the printed board."""
PAPER_MM = 18.0
"""White round the chequer."""
INK, PAPER, TABLE = 0.05, 0.80, 0.22
FINER = 2
"""Rays a pixel, either way."""
ROW_PIECE = 100


@dataclass(frozen=True, slots=True)
class BoardOrder:
    """What is asked for."""

    out: Path
    photos: int
    width: int
    height: int
    seed: int
    film: Film


def make_board(order: BoardOrder) -> None:
    """Writes the photographs to `order.out`/photos."""
    rng = np.random.default_rng(order.seed)
    lens = phone(order.width, order.height, np.random.default_rng(order.seed + 7))
    folder = order.out / "photos"
    folder.mkdir(parents=True, exist_ok=True)
    taken = datetime(2024, 5, 13, 8, 30, 0)
    for k, station in enumerate(round_the_board(order.photos, lens, rng)):
        light = board_light(lens, station)
        light = cv2.GaussianBlur(light, (0, 0), order.film.psf_px)
        noise = order.film.shot * np.sqrt(np.maximum(light, 0.0)) + order.film.read
        light += rng.normal(0.0, 1.0, light.shape) * noise
        curve = tone_curve(order.film)
        value = curve[np.clip(4095.0 * light, 0, 4095).astype(int)]
        picture = np.repeat(np.round(value).astype(np.uint8)[:, :, None], 3, axis=2)
        when = taken + timedelta(seconds=11 * k)
        save_jpeg(folder / f"IMG_{3901 + k}.jpg", picture, station, lens, order.film, when)


def round_the_board(count: int, lens: TrueLens, rng: np.random.Generator) -> list[Station]:
    """Stations tilted to every side, every other one with the phone upright, mm."""
    middle = 0.5 * SQUARE_MM * np.array([COLUMNS, ROWS, 0.0])
    far = 1.75 * COLUMNS * SQUARE_MM * lens.focal_px / max(lens.width, lens.height)
    out = []
    for k in range(count):
        around, tilt = 2.0 * np.pi * k / count, np.radians(16.0 + 16.0 * (k % 3))
        away = np.array(
            [np.cos(around) * np.sin(tilt), np.sin(around) * np.sin(tilt), np.cos(tilt)]
        )
        aim = middle + np.append(rng.uniform(-24.0, 24.0, 2), 0.0)
        R, t = look(middle + far * away, aim, np.pi / 2 * (k % 2) + rng.uniform(-0.1, 0.1))
        out.append(Station(R, t, 1))
    return out


def board_light(lens: TrueLens, station: Station) -> Array:
    """Linear light of every pixel, (height, width)."""
    place = (np.arange(FINER) + 0.5) / FINER - 0.5
    x = (np.arange(lens.width)[:, None] + place).ravel()
    out = np.empty((lens.height, lens.width))
    for top in range(0, lens.height, ROW_PIECE):
        rows = np.arange(top, min(top + ROW_PIECE, lens.height))
        y = (rows[:, None] + place).ravel()
        pixels = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 1, 2)
        plane = cv2.undistortPoints(pixels, lens.K, np.array(lens.dist)).reshape(-1, 2)
        ways = np.column_stack([plane, np.ones(len(plane))]) @ station.R
        on = station.centre + ways * (-station.centre[2] / ways[:, 2])[:, None]
        shine = _shine(on[:, 0] / SQUARE_MM, on[:, 1] / SQUARE_MM)
        out[rows] = shine.reshape(len(rows), FINER, lens.width, FINER).mean(axis=(1, 3))
    return out


def _shine(u: Array, v: Array) -> Array:
    """Reflectance of the board's plane at places counted in squares."""
    rim = PAPER_MM / SQUARE_MM
    paper = (u > -rim) & (u < COLUMNS + rim) & (v > -rim) & (v < ROWS + rim)
    chequer = (u > 0) & (u < COLUMNS) & (v > 0) & (v < ROWS)
    black = chequer & ((np.floor(u) + np.floor(v)) % 2 == 0)
    return np.where(black, INK, np.where(paper, PAPER, TABLE))

"""The forms that can be carved, by name."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import trimesh

from scripts.scene.hare import hare
from scripts.scene.leaf import leaf
from scripts.scene.owl import owl
from scripts.scene.ram import ram
from scripts.scene.solid import Grid, sampler, surface


@dataclass(frozen=True, slots=True)
class Form:
    """A figure to be carved: its field about its own axis (z up, foot at z = 0), and size."""

    name: str
    field: Callable[[float, float, float], float]
    radius_mm: float
    height_mm: float


FORMS = {
    "hare": Form("hare", hare, 96.0, 252.0),
    "leaf": Form("leaf", leaf, 103.0, 194.0),
    "owl": Form("owl", owl, 66.0, 262.0),
    "ram": Form("ram", ram, 92.0, 200.0),
}


def model_mesh(form: Form, origin: np.ndarray, spacing_mm: float) -> trimesh.Trimesh:
    """The model: the form's surface with its foot at `origin`, closed and outward, mm."""
    r, h = form.radius_mm + 6.0, form.height_mm + 8.0
    grid = Grid.over(np.array([-r, -r, -4.0]), np.array([r, r, h]), spacing_mm)
    values = np.empty(grid.counts, np.float32)
    sampler(form.field, 14.0)(values, grid.low, grid.spacing_mm)
    return surface(values, grid, np.asarray(origin, float))

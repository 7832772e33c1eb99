"""A mesh file becomes the job's model: a clean surface in frame coordinates, in millimetres.

Reading and mending are trimesh's; what may be mended and what must be refused is decided here.
"""

from __future__ import annotations

import io
import re
import struct
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import trimesh

from tracker.errors import InputError, MeshError
from tracker.maths.camera import Array
from tracker.maths.triad import triad
from tracker.records.entries import FrameTarget
from tracker.records.large_mesh import Thinned, thin
from tracker.records.large_scan import LARGE, LargeScan, open_large
from tracker.records.mesh_holes import hole_words
from tracker.records.model_fit import UNITS_MM, check_place, check_size, check_targets_outside
from tracker.surface import Surface

UNIT_BY_STANDARD = {"glb": "m", "gltf": "m"}
"""glTF 2.0, section 3.4: all linear distances are in metres."""
FORMATS = "STL, OBJ, PLY, glTF or GLB"


@dataclass(frozen=True, slots=True)
class ModelImport:
    """The model and what was done to the file's mesh on the way.

    Attributes
    ----------
    surface : Surface
        In frame coordinates, mm, normals outward.
    closed : bool
        Whether the surface encloses a volume.
    notes : tuple of str
        In the carver's words, in order.
    seats : (3, 3) array or None
        The three seats in frame coordinates, where they were given.
    """

    surface: Surface
    closed: bool
    notes: tuple[str, ...]
    seats: Array | None = None


def import_model(
    path: Path,
    units: str | None = None,
    seats: Array | None = None,
    scale: float = 1.0,
    frame: Mapping[int, FrameTarget] | None = None,
) -> ModelImport:
    """Model in frame coordinates from a mesh file.

    Parameters
    ----------
    path : Path
        STL, OBJ, PLY, glTF or GLB; told by its content, not by its ending.
    units : str, optional
        mm, cm, m or inch; without it millimetres, metres for glTF (which says so).
    seats : (3, 3) array, optional
        The three seats in the mesh's own coordinates and units; without them the mesh must be
        in frame coordinates already.
    scale : float
        Size of the carving over that of the model.
    frame : mapping, optional
        Frame targets, against which size and place are checked.

    Raises
    ------
    MeshError
        No mesh, no surface, or a size or place that cannot be right.
    InputError
        An unknown unit or scale.
    """
    if units is not None and units not in UNITS_MM:
        raise InputError(f"{units} is no known unit.", f"Give one of {', '.join(UNITS_MM)}.")
    if not (np.isfinite(scale) and 1e-3 <= scale <= 1e3):
        raise InputError(f"A scale of {scale:g} is impossible.", "Give it like 2, 0.5 or 3:2.")
    notes: list[str] = []
    kind, mesh, thinned = _read(path)
    ending = path.suffix.lower().lstrip(".")
    if ending != kind:
        notes.append(f"{path.name} is in truth a {kind.upper()} file and was read as one.")
    mesh = _cleaned(path.name, mesh, notes)
    unit = units or UNIT_BY_STANDARD.get(kind, "mm")
    if thinned is not None:
        notes.append(_thinned_words(thinned, UNITS_MM[unit] * scale))
    raw = np.asarray(mesh.vertices, dtype=np.float64)
    vertices = _placed(raw, seats, UNITS_MM[unit] * scale, path.name)
    check_size(path.name, vertices, unit, units is not None, frame)
    check_place(path.name, vertices, raw, seats, UNITS_MM[unit] * scale, frame)
    if units is None and unit != "mm":
        notes.append(f"Its coordinates were taken as {unit}, as the format's standard says.")
    if frame is None:
        notes.append("The frame is not on record yet, so the size could not be checked against it.")
    surface = Surface(vertices, np.asarray(mesh.faces, dtype=np.int64))
    notes.extend(hole_words(surface))
    closed = _closed(mesh)
    if closed:
        check_targets_outside(path.name, surface, frame)
    placed = None if seats is None else _placed(seats, seats, UNITS_MM[unit] * scale, path.name)
    return ModelImport(surface, closed, tuple(notes), placed)


def _thinned_words(thinned: Thinned, factor: float) -> str:
    return (
        f"The scan's {thinned.count} triangles were thinned to {len(thinned.surface.faces)}, on a "
        f"lattice of {thinned.cell * factor:.2f} mm; measured, the thinned surface lies within "
        f"{thinned.most * factor:.3f} mm of the scan at 999 of 1000 of its corners "
        f"({thinned.rms * factor:.3f} mm RMS)."
    )


def parse_scale(text: str) -> float:
    """Factor from model to carving: ``2``, ``0.5``, ``3:2`` or ``3/2`` (carving first).

    Raises
    ------
    InputError
        Anything else.
    """
    found = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(?:[:/]\s*(\d+(?:\.\d+)?))?\s*", text, re.ASCII)
    if not found or float(found[1]) == 0.0 or (found[2] and float(found[2]) == 0.0):
        raise InputError(
            f"'{text}' is no scale.",
            "Give the size of the carving over that of the model, like 2, 0.5 or 3:2.",
        )
    return float(found[1]) / float(found[2] or 1.0)


def _read(path: Path) -> tuple[str, trimesh.Trimesh, Thinned | None]:
    """Format and mesh, and how it was thinned if it is large: read in pieces where that goes."""
    scan = open_large(path) if path.is_file() else None
    if scan is None:
        kind, data = _sniff(path)
        mesh = _load(path, kind, data)
        if len(mesh.faces) < LARGE:
            return kind, mesh, None
        scan = LargeScan(kind, len(mesh.faces), np.asarray(mesh.vertices), np.asarray(mesh.faces))
    thinned = thin(scan)
    surface = thinned.surface
    mesh = trimesh.Trimesh(surface.vertices, surface.faces, process=False, validate=False)
    return scan.kind, mesh, thinned


def _sniff(path: Path) -> tuple[str, bytes]:
    """Format by content: stl, obj, ply, gltf or glb."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise MeshError(
            f"The model {path} cannot be opened ({error.strerror}).", "Check its name and place."
        ) from error
    if not data:
        raise MeshError(f"{path.name} is empty (0 bytes).", "Export the model again.")
    head = data[:4096].lstrip(b"\xef\xbb\xbf \t\r\n")
    if head[:3] == b"ply":
        return "ply", data
    if head[:4] == b"glTF":
        return "glb", data
    if len(data) >= 84 and len(data) == 84 + 50 * struct.unpack("<I", data[80:84])[0]:
        return "stl", data
    if head[:1] == b"{" and b'"asset"' in data:
        return "gltf", data
    if head[:5].lower() == b"solid" and b"facet" in data[:8192].lower():
        return "stl", data
    if re.search(rb"^v[ \t]+[-+.\d]", data[:65536], re.MULTILINE):
        return "obj", data
    if path.suffix.lower() == ".stl":
        raise MeshError(
            f"{path.name} is cut short or damaged: its length does not fit the number of triangles "
            "that it names.",
            "Export or copy it again.",
        )
    raise MeshError(f"{path.name} is no mesh that can be read.", f"Export the model as {FORMATS}.")


def _load(path: Path, kind: str, data: bytes) -> trimesh.Trimesh:
    resolver = trimesh.resolvers.FilePathResolver(str(path))
    try:
        loaded = trimesh.load_scene(
            io.BytesIO(data), file_type=kind, resolver=resolver, process=False, skip_materials=True
        )
        solids = [g for g in loaded.dump() if isinstance(g, trimesh.Trimesh) and len(g.faces)]
        points = any(len(getattr(g, "vertices", ())) for g in loaded.geometry.values())
    except Exception as error:  # the readers raise whatever their format's fault leads to
        raise MeshError(
            f"{path.name} is cut short or damaged and cannot be read as {kind.upper()}.",
            "Export or copy it again.",
        ) from error
    if not solids:
        found = "only points, no triangles" if points else "no triangles at all"
        raise MeshError(
            f"{path.name} holds {found}: it is not a surface.",
            "Export it as a mesh with triangles (a point cloud must be meshed first).",
        )
    sizes = np.cumsum([0, *(len(g.vertices) for g in solids)])
    faces = [g.faces + first for g, first in zip(solids, sizes, strict=False)]
    vertices = np.concatenate([np.asarray(g.vertices, np.float64) for g in solids])
    return trimesh.Trimesh(vertices, np.concatenate(faces), process=False, validate=False)


def _cleaned(name: str, mesh: trimesh.Trimesh, notes: list[str]) -> trimesh.Trimesh:
    """Doubled corners joined, bad and doubled triangles dropped, outside turned out."""
    if mesh.faces.min() < 0 or mesh.faces.max() >= len(mesh.vertices):
        raise MeshError(
            f"{name} has triangles that name corners it does not have.", "Export the model again."
        )
    finite = np.asarray(np.isfinite(mesh.vertices).all(axis=1))
    bad = ~finite[mesh.faces].all(axis=1)
    if bad.any():
        notes.append(f"{int(bad.sum())} triangles without coordinates were left out.")
        mesh.update_faces(~bad)
    mesh.remove_unreferenced_vertices()
    before = len(mesh.faces)
    if before:
        mesh.merge_vertices(merge_tex=True, merge_norm=True)
        mesh.update_faces(mesh.nondegenerate_faces())
    degenerate = before - len(mesh.faces)
    if degenerate:
        notes.append(f"{degenerate} triangles without area were left out.")
    mesh.update_faces(mesh.unique_faces())
    doubled = before - degenerate - len(mesh.faces)
    if doubled:
        notes.append(f"{doubled} triangles that were there twice were left out.")
    mesh.remove_unreferenced_vertices()
    if len(mesh.faces) < 4 or np.ptp(mesh.vertices, axis=0).max() == 0.0:
        raise MeshError(f"{name} holds no surface, only {len(mesh.faces)} triangles with area.",
                        "Export the model again.")  # fmt: skip
    _turn_outward(name, mesh, notes)
    _report_edges(mesh, notes)
    return mesh


def _turn_outward(name: str, mesh: trimesh.Trimesh, notes: list[str]) -> None:
    if not mesh.is_winding_consistent:
        before = mesh.faces.copy()
        trimesh.repair.fix_winding(mesh)
        turned = int((before != mesh.faces).any(axis=1).sum())
        if mesh.is_winding_consistent:
            turned = min(turned, len(mesh.faces) - turned)
            notes.append(f"{turned} triangles faced the wrong way and were turned.")
        else:
            notes.append(
                "Some triangles cannot be given one outside (the surface meets itself); where "
                "that is, stone left may be wrong."
            )
    if _outwardness(mesh) < 0.0:
        mesh.invert()
        notes.append(
            "The mesh was inside out and was turned. If it was mirrored on its way here, the "
            "figure still is: compare left and right with the model."
        )
    elif not _closed(mesh) and abs(_outwardness(mesh)) < 0.02:
        raise MeshError(
            f"It cannot be told which side of {name} is the outside: it is open and nearly flat.",
            "Close the back of the mesh, or export it with a base.",
        )


def _outwardness(mesh: trimesh.Trimesh) -> float:
    """From -1 (normals inward) to 1 (outward): flux of p - middle through the surface.

    For a closed surface three times its volume, whatever the middle; for one with holes the
    missing part is taken to be small beside the rest.
    """
    arms = mesh.triangles_center - mesh.bounds.mean(axis=0)
    flux = np.einsum("nd,nd->n", arms, mesh.face_normals) * mesh.area_faces
    if _closed(mesh):
        return float(np.sign(flux.sum()))
    return float(flux.sum() / np.abs(flux).sum())


def _closed(mesh: trimesh.Trimesh) -> bool:
    """Whether it encloses a volume: every edge is used as often one way as the other."""
    if mesh.is_watertight:
        return True
    low, high = mesh.edges.min(axis=1), mesh.edges.max(axis=1)
    _, edge = np.unique(low * len(mesh.vertices) + high, return_inverse=True)
    ways = np.bincount(edge, np.where(mesh.edges[:, 0] == low, 1.0, -1.0))
    return not ways.any()


def _report_edges(mesh: trimesh.Trimesh, notes: list[str]) -> None:
    _, uses = np.unique(mesh.edges_sorted, axis=0, return_counts=True)
    holes, crowded = int((uses == 1).sum()), int((uses > 2).sum())
    if holes:
        notes.append(
            f"The surface has holes ({holes} open edges): nothing is said about stone left there, "
            "and no weight of the whole can be given."
        )
    if crowded:
        notes.append(f"At {crowded} edges more than two triangles meet; it was read all the same.")


def _placed(raw: Array, seats: Array | None, factor: float, name: str) -> Array:
    if seats is None:
        return np.asarray(raw * factor)
    try:
        return triad(seats * factor).apply(raw * factor)
    except ValueError as error:
        raise MeshError(
            f"The three seats given for {name} lie on one line and fix no frame.",
            "Check the table of seats against the model.",
        ) from error

"""A day's photographs opened, judged and placed in frame coordinates by their targets."""

from __future__ import annotations

import ctypes
import resource
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from tracker.errors import NetworkError, PhotographError
from tracker.maths.camera import Array, Lens, project
from tracker.maths.chance import chi2_above
from tracker.network.adjust import adjust
from tracker.network.normal import prior_information
from tracker.network.outcome import Adjustment
from tracker.network.problem import LensPrior
from tracker.network.record import Bar, KnownTarget, Settings
from tracker.network.residuals import LENS
from tracker.photo_quality import PhotoQuality, clipped_share, edge_width_px, unfit
from tracker.photos import CameraKey, Photograph, list_files, read_gray, read_photograph
from tracker.targets.detect import detect_targets, refine_targets
from tracker.targets.observation import Detection

Gray = NDArray[np.uint8]
Progress = Callable[[str, float], None]
T = TypeVar("T")

WORKERS = 2
FEWEST_PHOTOS = 3
UNLIKELY_LENS = chi2_above(1e-6, LENS)
"""Squared distance of a lens from its calibration, in sigmas, that is no chance."""
STEPS: Mapping[str, float] = {
    "photographs": 0.10,
    "targets": 0.12,
    "ties": 0.25,
    "cloud": 0.27,
    "alignment": 0.30,
    "needles": 0.90,
    "comparison": 0.94,
    "pictures": 1.0,
}
"""Steps in order, and the share of the whole that is done when each ends (measured)."""


@dataclass(slots=True)
class Clock:
    """Seconds and memory by step, and the word to whoever watches."""

    progress: Progress
    seconds: dict[str, float] = field(default_factory=dict)
    peaks_mb: dict[str, float] = field(default_factory=dict)

    @contextmanager
    def step(self, name: str, words: str) -> Iterator[Callable[[float], None]]:
        """Times a step; yields a function that takes the step's own share done."""
        names = list(STEPS)
        first = STEPS[names[names.index(name) - 1]] if names.index(name) else 0.0
        last = STEPS[name]
        self.progress(words, first)
        began = time.perf_counter()
        yield lambda share: self.progress(words, first + (last - first) * share)
        self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - began
        self.peaks_mb[name] = peak_memory_mb()
        _give_back_memory()
        self.progress(words, last)


def _give_back_memory() -> None:
    """Asks the C library to return what it holds free; where it cannot, nothing happens."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)


@dataclass(frozen=True, slots=True)
class Day:
    """The photographs of a day as they were opened.

    Attributes
    ----------
    photographs : tuple of Photograph
        Those that could be read, in name order.
    images : tuple of (h, w) uint8 arrays
        Their stored pixels.
    detections : tuple of Detection
    unreadable : mapping of file name to reason
    """

    photographs: tuple[Photograph, ...]
    images: tuple[Gray, ...]
    detections: tuple[Detection, ...]
    unreadable: Mapping[str, str]

    def without(self, rows: Sequence[int]) -> Day:
        """The day less some photographs."""
        kept = [k for k in range(len(self.photographs)) if k not in set(rows)]
        return replace(
            self,
            photographs=tuple(self.photographs[k] for k in kept),
            images=tuple(self.images[k] for k in kept),
            detections=tuple(self.detections[k] for k in kept),
        )

    def without_images(self) -> Day:
        """The day without its pixels, once they are no longer asked for."""
        return replace(self, images=())

    @property
    def cameras(self) -> tuple[tuple[int, ...], tuple[int, ...]]:
        """Row of each photograph's camera, and the first photograph of each camera."""
        keys: dict[object, int] = {}
        rows = tuple(keys.setdefault(p.camera, len(keys)) for p in self.photographs)
        return rows, tuple(rows.index(k) for k in range(len(keys)))


@dataclass(frozen=True, slots=True)
class Placed:
    """A day whose photographs are in frame coordinates.

    Attributes
    ----------
    day : Day
        The photographs that were handed to the adjustment.
    adjustment : Adjustment
    left_out : mapping of file name to reason
        Photographs that took no part from the start.
    notes : tuple of str
        What the carver should know of the day's cameras.
    """

    day: Day
    adjustment: Adjustment
    left_out: Mapping[str, str]
    notes: tuple[str, ...] = ()

    def without_images(self) -> Placed:
        """The placed day without its pixels."""
        return replace(self, day=self.day.without_images())


def open_day(folder: Path, step: Callable[[float], None] = lambda _: None) -> Day:
    """Photographs of a folder, decoded, with their targets.

    Raises
    ------
    PhotographError
        No photographs, or none that can be read.
    """
    files = list_files(folder)
    done = 0

    def look(path: Path) -> tuple[Photograph, Gray, Detection] | tuple[str, str]:
        nonlocal done
        try:
            photograph = read_photograph(path)
            image = read_gray(photograph)
            found = (photograph, image, detect_targets(image))
        except PhotographError as error:
            return path.name, str(error)
        done += 1
        step(done / len(files))
        return found

    looked = on_workers(look, files)
    good = [item for item in looked if len(item) == 3]
    bad = {item[0]: item[1] for item in looked if len(item) == 2}
    if not good:
        raise PhotographError(
            f"None of the {len(files)} files in {folder} is a photograph that can be read.",
            next(iter(bad.values())),
        )
    return Day(
        photographs=tuple(item[0] for item in good),
        images=tuple(item[1] for item in good),
        detections=tuple(item[2] for item in good),
        unreadable=bad,
    )


def place_day(
    day: Day,
    known: Mapping[int, KnownTarget],
    bars: Sequence[Bar],
    outline: Array | None = None,
    settings: Settings | None = None,
    lenses: Mapping[CameraKey, LensPrior] | None = None,
) -> Placed:
    """Poses of a day's photographs by their targets.

    Twice: the first adjustment gives the lens, with which the targets' corners are fitted anew.

    Parameters
    ----------
    known, bars : frame's and lasting targets on record, scale bars
    outline : (k, 3) array, mm, frame coordinates
        Points round the stone, to judge the exposure on it; None without a model.
    lenses : mapping of camera to what its calibration says
        One that the day's photographs contradict is set aside, and told.

    Raises
    ------
    NetworkError, TargetError, ScaleError
        See `tracker.network.adjust.adjust`.
    """
    left_out = dict(day.unreadable)
    blurred = unfit([PhotoQuality(w, 0.0) for w in _edge_widths(day)])
    left_out.update({day.photographs[k].name: reason for k, reason in blurred.items()})
    day = day.without(list(blurred))
    _enough(day, left_out)
    believed = dict(lenses or {})
    first = _adjust(day, known, bars, settings, believed)
    notes = _disbelieve(day, first, believed)
    if notes:
        first = _adjust(day, known, bars, settings, believed)
    if outline is not None:
        burnt = _burnt_out(day, first, outline)
        if burnt:
            left_out.update({day.photographs[k].name: reason for k, reason in burnt.items()})
            day = day.without(list(burnt))
            _enough(day, left_out)
            first = _adjust(day, known, bars, settings, believed)
    lens_of = [first.lenses[p.lens] for p in first.photos]
    rows = list(range(len(day.photographs)))
    refined = on_workers(
        lambda k: refine_targets(day.images[k], day.detections[k], lens_of[k]), rows
    )
    day = replace(day, detections=tuple(refined))
    return Placed(day, _adjust(day, known, bars, settings, believed, first), left_out, notes)


def contradicted(lens: Lens, prior: LensPrior, camera: CameraKey) -> str:
    """Why a calibration is not to be believed of a day that found this lens; empty if it is."""
    off = lens.vector - prior.vector
    if float(off @ prior_information(prior) @ off) <= UNLIKELY_LENS:
        return ""
    return (
        f"the calibration of {camera.label} does not fit these photographs (focal length "
        f"{100.0 * off[0] / prior.vector[0]:+.2f} %): set aside. Another zoom? Calibrate again"
    )


def on_workers(work: Callable[..., T], items: Sequence[object]) -> list[T]:
    """Results of the work on every item, in order."""
    pool = ThreadPoolExecutor(WORKERS)
    try:
        return list(pool.map(work, items))
    finally:
        # on Ctrl-C nothing that has not begun is begun
        pool.shutdown(cancel_futures=True)


@contextmanager
def quiet_threads() -> Iterator[None]:
    """One thread in each library.

    Our own workers share the cores, and results do not depend on how many there are.
    """
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        with threadpool_limits(limits=1):
            yield
    finally:
        cv2.setNumThreads(before)


def peak_memory_mb() -> float:
    """Largest memory that this process has held, MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def _adjust(
    day: Day,
    known: Mapping[int, KnownTarget],
    bars: Sequence[Bar],
    settings: Settings | None,
    lenses: Mapping[CameraKey, LensPrior],
    before: Adjustment | None = None,
) -> Adjustment:
    cameras, first = day.cameras
    lead = [day.photographs[k] for k in first]
    priors = {row: lenses[p.camera] for row, p in enumerate(lead) if p.camera in lenses}
    focal = [
        float(priors[row].vector[0]) if row in priors else p.focal_guess_px
        for row, p in enumerate(lead)
    ]
    return adjust(
        day.detections,
        names=[p.name for p in day.photographs],
        cameras=cameras,
        sizes=[(p.width, p.height) for p in lead],
        focal_guess_px=focal,
        focal_known=[p.focal_known or row in priors for row, p in enumerate(lead)],
        known=known,
        bars=bars,
        settings=settings,
        lens_priors=priors,
        before=before,
    )


def _disbelieve(
    day: Day, adjustment: Adjustment, believed: dict[CameraKey, LensPrior]
) -> tuple[str, ...]:
    """Takes out calibrations that the photographs contradict; says which."""
    notes = []
    for row, first in enumerate(day.cameras[1]):
        key = day.photographs[first].camera
        prior = believed.get(key)
        words = "" if prior is None else contradicted(adjustment.lenses[row], prior, key)
        if words:
            del believed[key]
            notes.append(words)
    return tuple(notes)


def _edge_widths(day: Day) -> list[float]:
    corners = [[o.corners_px for o in d.used] for d in day.detections]
    return on_workers(
        lambda k: edge_width_px(day.images[k], corners[k]), list(range(len(day.images)))
    )


def _burnt_out(day: Day, adjustment: Adjustment, outline: Array) -> dict[int, str]:
    """Photographs in which too much of the stone is white, by row."""
    qualities = []
    for row, photo in enumerate(adjustment.photos):
        share = 0.0
        if photo.pose is not None:
            pixels, depth = project(adjustment.lenses[photo.lens], photo.pose, outline)
            if np.all(depth > 0.0):
                share = clipped_share(day.images[row], pixels)
        qualities.append(PhotoQuality(0.0, share))
    return unfit(qualities)


def _enough(day: Day, left_out: Mapping[str, str]) -> None:
    if len(day.photographs) >= FEWEST_PHOTOS:
        return
    reasons = "; ".join(f"{name}: {reason}" for name, reason in sorted(left_out.items()))
    raise NetworkError(
        f"Only {len(day.photographs)} photographs can be used, {FEWEST_PHOTOS} are needed"
        + (f" ({reasons})." if reasons else "."),
        "Walk round the stone and take a photograph every 15 to 20 degrees, about 24 in all.",
    )

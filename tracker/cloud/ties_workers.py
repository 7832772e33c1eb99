"""The same work for many photographs, on two threads, results in order."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

T = TypeVar("T")

WORKERS = 2


def on_workers(work: Callable[[int], T], count: int) -> list[T]:
    """Results of work(0), ..., work(count - 1), in order."""
    with ThreadPoolExecutor(WORKERS) as pool:
        return list(pool.map(work, range(count)))

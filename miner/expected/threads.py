"""Independent parts of the ranking side by side: numpy and the trees let go of the interpreter while they work."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from threadpoolctl import threadpool_limits

__all__ = ["one_core", "side_by_side"]

MOST_THREADS = 4
"""Each holds the bases of one measure, so memory grows with them (own choice)."""

Item = TypeVar("Item")
Result = TypeVar("Result")


def side_by_side(work: Callable[[Item], Result], items: Sequence[Item]) -> list[Result]:
    """Return ``work`` of each item, in their order; the parts must not depend on each other."""
    threads = min(len(items), os.cpu_count() or 1, MOST_THREADS)
    if threads < 2:
        return [work(item) for item in items]
    with ThreadPoolExecutor(threads, initializer=one_core) as pool:
        return list(pool.map(work, items))


def one_core() -> threadpool_limits:
    """Keep linear algebra and trees of the calling thread to one core; a context manager that ends it again.

    Sums must not depend on the number of cores, and OpenMP would start as many threads again under each of ours.
    """
    import sklearn.ensemble  # noqa: F401  a library that is loaded later is not limited
    from threadpoolctl import threadpool_limits

    return threadpool_limits(limits=1)

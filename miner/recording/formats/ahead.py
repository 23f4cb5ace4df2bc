"""Read a little ahead of the work, in one thread."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

__all__ = ["read_ahead"]

T = TypeVar("T")

_AHEAD = 2
"""Blocks that wait at most: enough to keep both threads busy, little enough for the memory."""


def read_ahead(blocks: Iterator[T]) -> Iterator[T]:
    """Yield the items of an iterator that runs in a thread of its own; what it raises is raised here."""
    with ThreadPoolExecutor(1, thread_name_prefix="read") as pool:
        ahead = deque(pool.submit(next, blocks, None) for _ in range(_AHEAD))
        while (block := ahead.popleft().result()) is not None:
            ahead.append(pool.submit(next, blocks, None))
            yield block

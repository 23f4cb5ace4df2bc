"""What is kept in memory, and what is given back to the system between the stages of a run."""

from __future__ import annotations

import ctypes
import threading
from collections import OrderedDict
from collections.abc import Callable
from typing import Generic, TypeVar

import pyarrow as pa

__all__ = ["Kept", "give_back"]

T = TypeVar("T")


class Kept(Generic[T]):
    """The last results by number; two threads may make the same one, none waits for another's."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._results: OrderedDict[int, T] = OrderedDict()
        self._lock = threading.Lock()

    def __contains__(self, number: int) -> bool:
        return number in self._results

    def get(self, number: int, make: Callable[[], T]) -> T:
        """Return what is kept under the number, or make and keep it."""
        with self._lock:
            if number in self._results:
                self._results.move_to_end(number)
                return self._results[number]
        made = make()
        with self._lock:
            self._results[number] = made
            while len(self._results) > self._most:
                self._results.popitem(last=False)
        return made


def give_back() -> None:
    """Return what was freed to the system, as far as the system can be asked.

    After the ranking of a recorded hour, a fifth of the process is freed blocks that glibc keeps; elsewhere the C
    library has no such call, and nothing is done.
    """
    pa.default_memory_pool().release_unused()
    try:
        ctypes.CDLL(None).malloc_trim(0)
    except (AttributeError, OSError, TypeError):  # no glibc
        return

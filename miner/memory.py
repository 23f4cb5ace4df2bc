"""What is kept in memory, and what is given back to the system between the stages of a run."""

from __future__ import annotations

import ctypes
import threading
from collections import OrderedDict
from collections.abc import Callable
from contextlib import suppress
from typing import Generic, TypeVar

import pyarrow as pa

__all__ = ["Kept", "give_back", "hold_little"]

_ARENAS, _MMAP_BYTES, _TRIM_BYTES = (-8, 2), (-3, 1 << 18), (-1, 1 << 20)
"""Settings of glibc's `mallopt` (see its manual page): two heaps for all threads, as each keeps what was freed; what
is as large as a tile's blocks goes back at once, whatever was freed before; and so does a MB at a heap's end."""

_NO_HUGE_PAGES = (41, 1, 0, 0, 0)
"""Linux' `prctl` PR_SET_THP_DISABLE (see its manual page): of the 2 MB pages that numpy and Arrow ask for, much stays
empty."""

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


def hold_little() -> None:
    """Have this process give back what it frees, for one that runs for hours and mostly waits; at its very start.

    Arrow's own pool keeps what it freed, 90 MB of the review of an hour, so the system's takes its place; and so do the
    heaps that glibc has for each thread, and pages of 2 MB. Elsewhere there are no such settings, and nothing is done.
    """
    pa.set_memory_pool(pa.system_memory_pool())
    with suppress(AttributeError, OSError, TypeError):  # no glibc
        c_library = ctypes.CDLL(None)
        for setting, value in (_ARENAS, _MMAP_BYTES, _TRIM_BYTES):
            c_library.mallopt(setting, value)
        c_library.prctl(*_NO_HUGE_PAGES)


def give_back() -> None:
    """Return what was freed to the system, as far as the system can be asked.

    After the ranking of a recorded hour, a fifth of the process is freed blocks that glibc keeps; elsewhere the C
    library has no such call, and nothing is done.
    """
    pa.default_memory_pool().release_unused()
    with suppress(AttributeError, OSError, TypeError):  # no glibc
        ctypes.CDLL(None).malloc_trim(0)

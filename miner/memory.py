"""Give memory that is no longer used back to the system between the stages of a run."""

from __future__ import annotations

import ctypes

import pyarrow as pa

__all__ = ["give_back"]


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

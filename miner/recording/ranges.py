"""Ranges of absolute samples, half-open."""

from __future__ import annotations

from collections.abc import Iterable

__all__ = ["joined"]

Range = tuple[int, int]


def joined(ranges: Iterable[Range]) -> list[Range]:
    """Return the same samples as few ranges, ascending and apart; empty ones are left out.

    Examples
    --------
    >>> joined([(5, 9), (0, 5), (20, 20), (30, 31)])
    [(0, 9), (30, 31)]
    """
    out: list[Range] = []
    for first, last in sorted(r for r in ranges if r[0] < r[1]):
        if out and first <= out[-1][1]:
            out[-1] = (out[-1][0], max(last, out[-1][1]))
        else:
            out.append((first, last))
    return out

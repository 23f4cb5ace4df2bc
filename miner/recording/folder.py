"""Which files make up a recording, in which order, and whether they are still the same; opens none of them."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

from miner.errors import RecordingError

__all__ = ["fingerprint", "in_name_order", "is_part", "part_files"]


def is_part(path: Path) -> bool:
    """Say whether a file can be a part of a recording: Parquet by its ending, in capitals too, and no passing name.

    Names that begin with ``.``, ``_`` or ``~`` are passed over: writers give them to what is not finished.
    """
    return path.suffix.lower() == ".parquet" and path.name[0] not in "._~" and path.is_file()


def part_files(path: Path) -> list[Path]:
    """Return the files of a recording in the order in which they follow each other; a file is its own only part.

    Raises
    ------
    RecordingError
        If there is nothing, or the names do not say the order.
    """
    if path.is_dir():
        files = in_name_order(file for file in path.iterdir() if is_part(file))
        if not files:
            raise RecordingError(
                "the folder holds no .parquet file", remedy="name the folder with the parts of one recording", file=path
            )
        return files
    if not path.is_file():
        raise RecordingError("there is no such file or folder", remedy="check the path", file=path)
    return [path]


def in_name_order(files: Iterable[Path]) -> list[Path]:
    """Return parts in the order of the numbers in their names, so that ``part_2`` comes before ``part_10``.

    Raises
    ------
    RecordingError
        If two have the same numbers, or names of one length are in another order as text than by their numbers
        (``part_0a9``, ``part_0a1f``): nobody can tell which is meant.
    """
    found = sorted(files, key=lambda file: (_numbered(file), file.name))
    counts = Counter(_numbered(file) for file in found)
    twice = next((file for file in found if counts[_numbered(file)] > 1), None)
    if twice is not None:
        raise RecordingError(
            "another part of this folder has the same number",
            remedy="keep the parts of one recording only, each with a number of its own",
            file=twice,
        )
    names = [file.name.casefold() for file in found]
    if names != sorted(names) and len({len(name) for name in names}) == 1:
        first = next(file for file, name, other in zip(found, names, sorted(names), strict=True) if name != other)
        raise RecordingError(
            "the names of the parts do not say in which order they follow each other",
            remedy="number them with decimal digits, all of the same length",
            file=first,
        )
    return found


def _numbered(file: Path) -> tuple[str | int, ...]:
    """Return a name as text and numbers in turn."""
    pieces = re.split(r"([0-9]+)", file.stem.casefold())
    return tuple(int(piece) if place % 2 else piece for place, piece in enumerate(pieces))


def fingerprint(recording: Path) -> str:
    """Return name, size, modification time and file number of every part, or why they cannot be had.

    It is cheap and changes when a file grows or is replaced, also by one of equal size.
    """
    try:
        stats = [(part.name, part.stat()) for part in part_files(recording)]
    except OSError as error:
        return f"unreadable: {error.strerror}"
    except RecordingError as error:
        return f"unreadable: {error.problem}"
    return ";".join(f"{name}:{s.st_size}:{s.st_mtime_ns}:{s.st_ino}" for name, s in stats)

"""Which recordings lie in a folder tree, and which setup belongs to each.

A recording is one Parquet file or one folder of Parquet files (parts). A folder holds the parts of one recording

1. when its name ends in ``.parts`` or ``.parquet``, or
2. when all its Parquet files are called alike but for a running number and the common name is empty, ``part``,
   ``chunk``, ``segment`` or ``piece`` (``part_000.parquet``), or
3. when there are several, all with a ``time_s`` column, and each begins after the one before it ended, by no more
   than one second.

Otherwise every Parquet file is a recording of its own. Left out: names that no part may have
(`miner.recording.folder.is_part`), the output folder, and tables that this tool wrote itself (the files that a
``summary.json`` beside them names, and ``truth_*.parquet`` of made-up recordings). A folder that cannot be read is
told, and the rest is mined.

The setup of ``trip.parquet`` is the first of these that exists: ``trip.toml`` beside it, ``setup.toml`` in its
folder (or in the folder of parts), ``setup.toml`` in each folder above up to the one searched, and at last the one
given on the command line.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from miner.errors import MinerError, RunError
from miner.files import same_file
from miner.recording.folder import in_name_order, is_part
from miner.words import counted

__all__ = ["Found", "find_recordings", "find_setup"]

_PART_NAME = re.compile(r"(?P<stem>part|chunk|segment|piece)?[ ._-]*\d+", re.IGNORECASE)
_LONGEST_PAUSE_S = 1.0

KEPT_TABLES = frozenset(
    [
        "clock",
        "conditions",
        "envelope",
        "events",
        "gaps",
        "incidents",
        "measures",
        "misfire_windows",
        "pulses",
        "sensitivity",
        "standing",
        "suspects",
        "tracks",
        "usual",
        "windows",
    ]
)
"""Tables of a findings folder (`miner.schema`, `miner.review.tables`), named here so that neither is loaded."""


@dataclass(frozen=True, kw_only=True)
class Found:
    """A recording in the tree: where it lies and why it was taken for one; or a folder that cannot be read.

    Attributes
    ----------
    unreadable : str
        Why the folder cannot be read; empty for a recording.
    """

    path: Path
    why: str = ""
    unreadable: str = ""


def find_recordings(folder: Path, *, leave_out: Path | None = None) -> list[Found]:
    """Return every recording below ``folder``, and every folder that could not be looked into, in path order.

    Raises
    ------
    RunError
        If the folder is missing or is the one to be left out, or there is nothing below it.
    """
    if leave_out is not None and same_file(folder, leave_out):
        raise RunError(
            "findings cannot go into the folder that is searched for recordings",
            remedy="choose another with --out, for example one inside it",
            file=folder,
        )
    if not folder.is_dir():
        raise RunError("there is no such folder", remedy="give the folder that holds the recordings", file=folder)
    found = sorted(_walk(folder, leave_out), key=lambda item: item.path.as_posix())
    unreadable = [item for item in found if item.unreadable]
    if len(unreadable) < len(found):
        return found
    if unreadable:
        raise RunError(
            f"the folder cannot be read ({unreadable[0].unreadable})",
            remedy="allow this user to read it",
            file=unreadable[0].path,
        )
    raise RunError(
        "no recording lies in this folder or below it",
        remedy="recordings are Parquet files, or folders of them; bring others in with 'ignition-miner import'",
        file=folder,
    )


def _walk(folder: Path, leave_out: Path | None) -> Iterator[Found]:
    if leave_out is not None and same_file(folder, leave_out):
        return
    try:
        own = _listed(folder)
        entries = sorted(p for p in folder.iterdir() if not p.name.startswith("."))
        files = [p for p in entries if is_part(p) and p.name not in own and not _is_own(p)]
        folders = [p for p in entries if p.is_dir() and not p.is_symlink()]  # a link upwards would never end
    except OSError as error:
        yield Found(path=folder, unreadable=error.strerror or str(error))
        return
    reason = _why_parts(folder, files)
    if reason:
        yield Found(path=folder, why=reason)
    else:
        yield from (Found(path=p, why="one file") for p in files)
    for inner in folders:
        yield from _walk(inner, leave_out)


def _listed(folder: Path) -> set[str]:
    """Return the names of the files that belong to findings in this folder, if there are any."""
    try:
        summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
        return set(summary.get("files", ()) or (f"{name}.parquet" for name in KEPT_TABLES))
    except (OSError, ValueError, AttributeError, TypeError, RecursionError):
        return set()


def _why_parts(folder: Path, files: Sequence[Path]) -> str:
    """Return why the files are parts of one recording, or an empty string if they are not."""
    if not files:
        return ""
    if folder.suffix.lower() in {".parts", ".parquet"}:
        return f"{counted(len(files), 'part')}: the folder's name says so"
    if any(p.with_suffix(".toml").is_file() for p in files):
        return ""  # a setup for a single file: that file is a recording
    names = [_PART_NAME.fullmatch(p.stem) for p in files]
    if all(names) and len({(m["stem"] or "").lower() for m in names if m}) == 1:
        return f"{counted(len(files), 'part')}: numbered file names"
    if len(files) > 1 and _times_follow(files):
        return f"{len(files)} parts: their time goes on from file to file"
    return ""


def _is_own(path: Path) -> bool:
    """Say whether a file is one of the tables that this tool writes itself, which are no recordings."""
    if path.stem.startswith("truth_"):
        return True
    if path.stem not in KEPT_TABLES:  # most files need not be opened
        return False
    import pyarrow.parquet as pq

    from miner.schema import TABLES

    try:
        schema = pq.read_schema(path)
    except (OSError, ValueError):
        return False
    if (schema.metadata or {}).get(b"table") == path.stem.encode():
        return True
    return path.stem in TABLES and {c.name for c in TABLES[path.stem].columns if not c.nullable} <= set(schema.names)


def _times_follow(files: Sequence[Path]) -> bool:
    try:
        spans = [_time_span(p) for p in in_name_order(files)]
    except MinerError:
        return False
    if any(span is None for span in spans):
        return False
    known = [span for span in spans if span is not None]
    return all(0.0 < b[0] - a[1] <= _LONGEST_PAUSE_S for a, b in pairwise(known))


def _time_span(path: Path) -> tuple[float, float] | None:
    """Return first and last ``time_s`` of a file from its statistics, without reading a sample."""
    import pyarrow.parquet as pq

    try:
        meta = pq.read_metadata(path)
        column = meta.schema.names.index("time_s")
        groups = [meta.row_group(i).column(column).statistics for i in range(meta.num_row_groups)]
    except (OSError, ValueError):
        return None
    if not groups or any(g is None or not g.has_min_max for g in groups):
        return None
    return float(groups[0].min), float(groups[-1].max)


def find_setup(recording: Path, root: Path, given: Path | None) -> Path:
    """Return the setup file that belongs to a recording.

    Raises
    ------
    RunError
        If there is none.
    """
    folder = recording if recording.is_dir() else recording.parent
    above = [folder, *folder.parents]
    stop = next((i for i, p in enumerate(above) if p == root), len(above) - 1)
    candidates = [
        recording.with_name(f"{recording.stem if recording.is_file() else recording.name}.toml"),
        *(p / "setup.toml" for p in above[: stop + 1]),
        *([given] if given else []),
    ]
    for candidate in candidates:
        if candidate.is_file():
            return candidate
    raise RunError(
        "no setup belongs to this recording",
        remedy=f"put '{candidates[0].name}' or 'setup.toml' beside it, or give one for all with --setup",
        file=recording,
    )

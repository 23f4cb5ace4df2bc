"""Where findings may be written: into an empty place or over older findings, never over an input or anything else."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from miner.errors import FindingsError
from miner.files import refuse_inputs
from miner.findings.store import SUMMARY, TIMING, Findings
from miner.findings.whole import REPORT_FILE
from miner.review.source import RECORDING_FILE
from miner.review.tables import CLOCK, ENVELOPE, TRACKS, USUAL, USUAL_VALUES, WINDOWS
from miner.schema import TABLES

__all__ = ["refuse_places"]

REVIEW_TABLES = (CLOCK, ENVELOPE, USUAL_VALUES, TRACKS, USUAL, WINDOWS)
TABLE_FILES = [f"{table.name}.parquet" for table in (*TABLES.values(), *REVIEW_TABLES)]
OTHER_FILES = (SUMMARY, RECORDING_FILE, REPORT_FILE, TIMING)


def refuse_places(folder: Path, inputs: Iterable[Path]) -> None:
    """Refuse a folder for findings before anything is opened for writing.

    Parameters
    ----------
    folder : path
        Where findings are to go; need not exist.
    inputs : iterable of path
        Recording, its parts, and the setup.

    Raises
    ------
    FindingsError
        If the folder, or a file that would be replaced, is an input; or if such a file was not written by this tool.
    """
    files = [folder / name for name in (*TABLE_FILES, *OTHER_FILES)]
    refuse_inputs([folder, *files], inputs)
    holds = {file: _table_of(file) for file in files if file.exists()}
    ours = _has_summary(folder) or any(table == file.stem for file, table in holds.items())
    for file, table in holds.items():
        # what is damaged, and what is no table, belongs to the findings that lie around it
        if not (table == file.stem or (table is None and ours)):
            raise FindingsError(
                "this file is no finding of this tool and would be replaced",
                remedy="choose another --out, or move the file away",
                file=file,
            )


def _table_of(file: Path) -> str | None:
    """Return which table of findings a file holds, an empty string for a foreign one, None where it is no table."""
    try:
        metadata: dict[bytes, bytes] = pq.read_schema(file).metadata or {}
        return metadata.get(b"table", b"").decode("utf-8", "replace")
    except (OSError, ValueError, pa.ArrowException):
        return None


def _has_summary(folder: Path) -> bool:
    try:
        return {"setup", "recording", "counts"} <= set(Findings(folder).read_json(SUMMARY))
    except FindingsError:
        return False

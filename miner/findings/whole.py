"""Whether findings are whole, and which they are: sizes and digests of all their files, kept in the summary."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from miner.errors import FindingsError
from miner.files import digest_file
from miner.findings.store import SUMMARY, TIMING, Findings, json_text

__all__ = [
    "REPORT_FILE",
    "contents_of",
    "damaged_files",
    "generation_of",
    "require_whole",
    "reseal",
    "sealed",
    "understood",
]

REPORT_FILE = "report.html"

Contents = dict[str, dict[str, int | str]]


def contents_of(folder: Path) -> Contents:
    """Return size and digest of every file of new findings, but of the summary itself and of the timing.

    Returns
    -------
    dict
        For each name ``bytes`` and ``blake2b`` (128 bits, hexadecimal).
    """
    return {
        path.name: _entry(path)
        for path in sorted(folder.iterdir())
        if path.is_file() and path.name not in (SUMMARY, TIMING)
    }


def _entry(path: Path) -> dict[str, int | str]:
    return {"bytes": path.stat().st_size, "blake2b": digest_file(path)}


def damaged_files(findings: Findings, names: Collection[str] | None = None) -> list[str]:
    """Return the files that are missing or not what was written; none for findings that do not say what was.

    Parameters
    ----------
    names : collection of str, optional
        Files to look at; all without it.

    Raises
    ------
    FindingsError
        If the summary is missing or damaged.
    """
    summary = findings.summary()
    if "seal" in summary and (summary != sealed(summary) or not _is_as_written(findings, summary)):
        return [SUMMARY]
    kept = summary.get("files", {})
    return [
        name
        for name, entry in sorted(kept.items())
        if (names is None or name in names) and not _is_whole(findings.folder / name, entry)
    ]


def _is_as_written(findings: Findings, summary: Mapping[str, Any]) -> bool:
    """Return whether the text is what is written of such a summary: the last digits of a number may mean nothing."""
    return (findings.folder / SUMMARY).read_bytes() == json_text(summary).encode()


def sealed(summary: Mapping[str, Any]) -> dict[str, Any]:
    """Return a JSON-ready summary with a digest of all else in it, the digests of the files too, under ``seal``."""
    content = {key: value for key, value in summary.items() if key != "seal"}
    text = json.dumps(content, sort_keys=True)
    return content | {"seal": hashlib.blake2b(text.encode(), digest_size=16).hexdigest()}


def _is_whole(path: Path, entry: Mapping[str, int | str]) -> bool:
    try:
        return path.stat().st_size == entry["bytes"] and digest_file(path) == entry["blake2b"]
    except OSError:
        return False


def require_whole(findings: Findings, names: Collection[str] | None = None) -> None:
    """Refuse findings with damaged files; parameters as `damaged_files`.

    Raises
    ------
    FindingsError
        Names the first damaged file.
    """
    damaged = damaged_files(findings, names)
    if damaged:
        raise FindingsError(
            "the file is missing or not as it was written",
            remedy="mine the recording again",
            file=findings.folder / damaged[0],
        )


@contextmanager
def understood(folder: str | Path) -> Iterator[None]:
    """Tell in a sentence that findings of another version, or changed by hand, hold what this one does not know.

    Findings that are sealed and whole are ours: what goes wrong with those is a defect, and stays one.

    Raises
    ------
    FindingsError
    """
    try:
        yield
    except (LookupError, TypeError, AttributeError, ValueError, ArithmeticError) as error:
        findings = Findings(folder)
        if "seal" in findings.summary() and not damaged_files(findings):
            raise
        raise FindingsError(
            f"the findings hold something that this version does not know ({type(error).__name__}: {error})",
            remedy="mine the recording again",
            file=folder,
        ) from error


def generation_of(summary: Mapping[str, Any]) -> str:
    """Return a name for what the findings say; findings of the same content have the same one.

    The report is left out: freezing it again changes nothing of what was found.
    """
    files = {name: entry for name, entry in summary.get("files", {}).items() if name != REPORT_FILE}
    text = json.dumps(files or summary, sort_keys=True)
    return hashlib.blake2b(text.encode("utf-8", "surrogatepass"), digest_size=16).hexdigest()


def reseal(findings: Findings, name: str) -> None:
    """Enter a file of finished findings that was written anew, like the report, into their summary.

    Raises
    ------
    FindingsError
        If the summary cannot be read or written.
    """
    summary = findings.summary()
    if "files" in summary:
        summary["files"][name] = _entry(findings.folder / name)
        findings.write_json(SUMMARY, sealed(summary))

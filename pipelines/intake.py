"""From what a person has to what can be mined: any file becomes a recording, unknown leads become a setup."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from miner.errors import RunError, SetupError
from miner.files import digest_file, replacing

if TYPE_CHECKING:
    from rich.console import Console

    from miner.engine.leads.roles import LeadsFound
    from miner.engine.setup import Engine
    from miner.recording.formats.base import ImportOptions
    from miner.recording.importing import Imported
    from miner.recording.reader import Recording

__all__ = [
    "COPY",
    "FOUND_SETUP",
    "TakenIn",
    "described_by_signals",
    "imported",
    "taken_in",
    "told_import",
    "write_found",
]

COPY, FOUND_SETUP = "recording.parquet", "setup.toml"
"""Names, in a findings folder, of what was imported, and of the setup that was written from the signals."""


@dataclass(frozen=True, kw_only=True)
class TakenIn:
    """A recording and its setup, ready to be mined, and sentences about how they came about."""

    recording: Path
    setup: Path
    remarks: tuple[str, ...]


@contextmanager
def taken_in(
    console: Console,
    recording: Path,
    setup: Path | None,
    out: Path,
    options: ImportOptions,
    *,
    keep_copy: bool = True,
    cylinders: int | None = None,
) -> Iterator[TakenIn]:
    """Hand out recording and setup; what is missing of them is made in ``out``, and taken away again on an error.

    Raises
    ------
    MinerError
        If another recording lies where the copy would; and as import, setup and the telling apart of leads have it.
    """
    kept = out / COPY
    beside = out if keep_copy and kept.exists() else None
    new = [path for path in (kept, out / FOUND_SETUP) if not path.exists()]
    with tempfile.TemporaryDirectory(prefix=".half-done-", dir=beside) as away, _nothing_half_done(out, new):
        copy = kept if keep_copy and not beside else Path(away) / COPY
        path, done = imported(console, [recording], copy, options)
        if beside and done is not None:
            path = _same_copy(kept, copy)
        remarks = list(told_import(done)) if done is not None else []
        if setup is None or not _names_leads(setup):
            found, engine = described_by_signals(path, setup, options.rate_hz, cylinders)
            setup = write_found(found, engine, out / FOUND_SETUP, path)
            remarks.append(f"the leads were told apart by their signals: read and correct {setup}")
        yield TakenIn(recording=path, setup=setup, remarks=tuple(remarks))


def _same_copy(kept: Path, new: Path) -> Path:
    """Return the copy that lies there if the import has just made the same again.

    Another one may be all that older findings have of their recording, and is never replaced.

    Raises
    ------
    RunError
        If it is anything else.
    """
    if digest_file(kept) == digest_file(new):
        return kept
    raise RunError(
        "a recording that is no copy of an earlier run of this one lies where the imported copy would", file=kept,
        remedy="give another --out, or --no-copy, or move it away",
    )  # fmt: skip


@contextmanager
def _nothing_half_done(out: Path, new: Sequence[Path]) -> Iterator[None]:
    """Take away what was made in a folder, and the folder if that is all, where the run does not come to its end."""
    was_there = out.exists()
    try:
        yield
    except BaseException:
        for path in new:
            with suppress(OSError):
                path.unlink(missing_ok=True)
        if not was_there and out.exists() and not any(out.iterdir()):
            out.rmdir()
        raise


def imported(
    console: Console, files: Sequence[Path], copy: Path, options: ImportOptions
) -> tuple[Path, Imported | None]:
    """Return the recording that the files are, importing them with a progress view where they have to be."""
    from miner.recording.intake import take_in
    from pipelines.show.import_view import ImportView

    with ImportView(console) as view:
        return take_in(files, copy, options=options, on_import=view.update)


def told_import(done: Imported) -> Iterator[str]:
    """Yield what an import has to say, a sentence each."""
    seconds = done.n_samples / done.rate_hz if done.rate_hz else 0.0
    leads = ", ".join(done.leads)
    yield f"imported {done.n_samples:,} samples at {done.rate_hz:,.6g} a second ({seconds:,.6g} s) of {leads}"
    yield from done.remarks


def _names_leads(setup: Path) -> bool:
    from miner.engine.setup import load_setup

    return bool(load_setup(setup).channel)


def described_by_signals(
    recording: Path, setup: Path | None, rate_hz: float | None, cylinders: int | None
) -> tuple[LeadsFound, Engine | None]:
    """Return what the leads are by their signals, and the engine that the setup states, if any."""
    from miner.engine.leads.roles import tell_leads_apart
    from miner.engine.leads.stated import fitted_to
    from miner.engine.setup import load_setup
    from miner.recording.reader import open_recording

    stated = load_setup(setup) if setup is not None else None
    opened: Recording = open_recording(recording, rate_hz=rate_hz or (stated.sample_rate_hz if stated else None))
    if stated is None:
        return tell_leads_apart(opened, cylinders=cylinders), None
    found = tell_leads_apart(opened, cylinders=None)  # what they show by themselves is held against the setup
    if found.engine is None:
        found = tell_leads_apart(opened, cylinders=stated.engine.cylinders)
    return fitted_to(found, stated.engine, setup or recording), stated.engine


def write_found(found: LeadsFound, engine: Engine | None, target: Path, recording: Path) -> Path:
    """Write the setup, under a temporary name first.

    Raises
    ------
    SetupError
        If no lead carries ignition pulses, the engine is neither stated nor shown, or another setup lies there.
    """
    from miner.engine.leads.setup_text import setup_text
    from miner.schema import PULSE_ROLES

    if not any(lead.role in PULSE_ROLES for lead in found.leads):
        said = "; ".join(f"'{lead.column}' {lead.reason}" for lead in found.leads[:3])
        raise SetupError(
            f"no lead can be told to be a command or an answer ({said})",
            remedy="write a setup that names them: ignition-miner setup", file=recording, key="channel",
        )  # fmt: skip
    if found.engine is None and engine is None:
        raise SetupError(
            "the leads do not tell the number of cylinders", remedy="give --cylinders", file=recording,
            key="engine.cylinders",
        )  # fmt: skip
    text = setup_text(found, engine)
    if target.exists():
        if target.is_file() and target.read_text(encoding="utf-8", errors="replace") == text:
            return target
        raise SetupError(
            "another setup lies there already, perhaps corrected by hand",
            remedy="use it with --setup, or choose another --out", file=target,
        )  # fmt: skip
    with replacing(target) as temporary:
        temporary.write_text(text, encoding="utf-8")
    return target

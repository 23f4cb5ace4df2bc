"""One step of one recording as a task: the same pure function on this machine and on a cluster.

A task is paths and numbers in, one file (or the findings folder) out. Its result is written under another name,
flushed to the disk and renamed, so that a file with its final name is always complete. Running a task twice, or
twice at once, leaves the same bytes.

::

    profile  ->  section 0, section 1, ...  ->  finish
"""

from __future__ import annotations

import errno
import os
import shutil
import time
import traceback
import uuid
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal, Protocol

from miner.errors import MAX_SENTENCE, MinerError, plain_text, shortened
from miner.files import digest_file
from miner.mining.look import Extent, OnSamples, section_name
from miner.recording.folder import fingerprint

__all__ = [
    "Failure",
    "Outcome",
    "StepKind",
    "Steps",
    "Task",
    "explain_failure",
    "is_disk_full",
    "run_task",
]

StepKind = Literal["profile", "section", "finish"]
FailureKind = Literal["input", "changed", "disk_full", "died", "memory", "defect"]

_FULL = {errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)}


class Steps(Protocol):
    """The pure steps a plan is made of; an instance carries the settings and can be pickled.

    Only `look` reads the setup file; the others get what it read.
    """

    def key(self) -> str:
        """Return what, besides recording and setup, decides the result: version and settings."""

    def look(self, recording: Path, setup: Path) -> Extent:
        """Open recording and setup and say what there is to do."""

    def profile(self, recording: Path, setup: str, out: Path) -> None:
        """Find the state levels of every lead; they are needed by every section."""

    def section(self, recording: Path, setup: str, index: int, profile: Path, out: Path, on_samples: OnSamples) -> None:
        """Mine one section to a file."""

    def count_events(self, setup: str, sections: Sequence[Path]) -> int:
        """Return how many events the finished sections hold, or a little more, without reading them."""

    def finish(self, recording: Path, setup: str, sections: Sequence[Path], profile: Path, out: Path) -> None:
        """Join the sections and write the findings into the folder ``out``."""


@dataclass(frozen=True, kw_only=True)
class Task:
    """One step of one recording.

    Attributes
    ----------
    token : str
        Names the result: recording, setup, settings and version (see `pipelines.overnight.plan`).
    setup : str
        As the plan read it (see `miner.mining.look.Extent`).
    work, findings : Path
        Folder of the half-done parts, and where the findings go.
    fingerprint : str
        State of the recording's files when the plan was made; the task refuses another one.
    need_bytes : int
        Memory the step needs above what a worker holds anyway.
    """

    token: str
    kind: StepKind
    index: int
    n_sections: int
    recording: Path
    setup: str
    work: Path
    findings: Path
    fingerprint: str
    need_bytes: int = 0

    @property
    def step(self) -> str:
        """Name of the step in the journal."""
        return section_name(self.index) if self.kind == "section" else self.kind

    @property
    def sections(self) -> list[Path]:
        """Files of all sections of the recording, in time order."""
        return [self.work / section_name(i) for i in range(self.n_sections)]

    @property
    def target(self) -> Path:
        """File or folder this task leaves."""
        return self.findings if self.kind == "finish" else self.work / self.step


@dataclass(frozen=True, kw_only=True)
class Failure:
    """Why a task did not give its result, and what can be done; a clause each, without control characters."""

    kind: FailureKind
    problem: str
    remedy: str

    def __post_init__(self) -> None:
        for name in ("problem", "remedy"):
            object.__setattr__(self, name, shortened(plain_text(getattr(self, name)), MAX_SENTENCE))


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """How a task ended; ``digest`` is of the file it left, ``cpu_s`` the processor time it took."""

    task: Task
    digest: str = ""
    elapsed_s: float = 0.0
    cpu_s: float = 0.0
    failure: Failure | None = None


def run_task(task: Task, steps: Steps, on_samples: OnSamples = lambda _: None) -> Outcome:
    """Run one task to its end; whatever happens comes back as an `Outcome`."""
    began, cpu = time.perf_counter(), time.process_time()
    try:
        outcome = _run_watched(task, steps, on_samples)
    except Exception as error:  # noqa: BLE001 - one recording's trouble must not end the worker
        outcome = Outcome(task=task, failure=explain_failure(error, task.recording, task.work))
    return replace(outcome, elapsed_s=time.perf_counter() - began, cpu_s=time.process_time() - cpu)


def _run_watched(task: Task, steps: Steps, on_samples: OnSamples) -> Outcome:
    """Run the step between two looks at the recording's files."""
    if fingerprint(task.recording) != task.fingerprint:
        return Outcome(task=task, failure=_CHANGED)
    failure: Failure | None = None
    temporary = task.work / f"{task.step}.{uuid.uuid4().hex}.tmp"
    task.work.mkdir(parents=True, exist_ok=True)
    try:
        _run_step(task, steps, temporary, on_samples)
    except Exception:
        # a file replaced under the reader fails in any way it likes; the replacement is the true reason
        if fingerprint(task.recording) == task.fingerprint:
            raise
        failure = _CHANGED
    if failure is None and fingerprint(task.recording) != task.fingerprint:
        failure = _CHANGED
    if failure is not None:
        _remove(temporary)
        return Outcome(task=task, failure=failure)
    _publish(temporary, task.target)
    return Outcome(task=task, digest="" if task.kind == "finish" else digest_file(task.target))


def _run_step(task: Task, steps: Steps, out: Path, on_samples: OnSamples) -> None:
    profile = task.work / "profile"
    match task.kind:
        case "profile":
            steps.profile(task.recording, task.setup, out)
        case "section":
            steps.section(task.recording, task.setup, task.index, profile, out, on_samples)
        case "finish":
            out.mkdir()
            steps.finish(task.recording, task.setup, task.sections, profile, out)


def _publish(temporary: Path, target: Path) -> None:
    """Flush what was written to the disk and give it its final name.

    Findings that are there already (damaged, or finished twice) are replaced as a whole; verdicts in their folder stay.
    """
    from miner.findings.store import Findings  # loads numpy, whose threads a worker limits before

    for path in _files(temporary):
        _flush(path)
    if temporary.is_dir():
        Findings(target).publish(temporary)
    else:
        target.parent.mkdir(parents=True, exist_ok=True)
        temporary.replace(target)


def _files(path: Path) -> Iterator[Path]:
    return (p for p in path.rglob("*") if p.is_file()) if path.is_dir() else iter([path])


def _flush(path: Path) -> None:
    with path.open("rb+") as stream:
        os.fsync(stream.fileno())


def _remove(path: Path) -> None:
    if path.is_dir():
        shutil.rmtree(path, ignore_errors=True)
    else:
        path.unlink(missing_ok=True)


_CHANGED = Failure(
    kind="changed",
    problem="the recording was replaced or is still growing",
    remedy="start the same command again when the recording has ended",
)


def is_disk_full(error: BaseException | None) -> bool:
    """Say whether a full disk is behind an error, also where another error was made of it."""
    while error is not None:
        if isinstance(error, OSError) and (error.errno in _FULL or "No space left" in str(error)):
            return True
        error = error.__cause__ or error.__context__
    return False


def explain_failure(error: Exception, recording: Path, work: Path) -> Failure:
    """Turn an exception met on a recording, half-done parts in ``work``, into a reason and a remedy."""
    if is_disk_full(error):
        return Failure(
            kind="disk_full",
            problem=f"the disk of {work} is full",
            remedy="free some space and start the same command again; it goes on where it stopped",
        )
    if isinstance(error, MinerError):
        return Failure(kind="input", problem=_with_place(error, recording), remedy=error.remedy)
    where = traceback.extract_tb(error.__traceback__)[-1]
    return Failure(
        kind="defect",
        problem=f"the tool failed on it ({type(error).__name__}: {error}; {Path(where.filename).name}:{where.lineno})",
        remedy="the other recordings are not affected; report this line with the recording's setup",
    )


def _with_place(error: MinerError, recording: Path) -> str:
    """Return the problem with its place; the recording itself is named by whoever shows it."""
    elsewhere = error.file is not None and error.file != plain_text(str(recording))
    places = [error.file] if elsewhere else []
    places += [f"key '{error.key}'"] if error.key else []
    places += [f"column '{error.column}'"] if error.column else []
    places += [f"row {error.row}"] if error.row is not None else []
    return f"{', '.join(map(str, places))}: {error.problem}" if places else error.problem

"""The plan of an overnight run: what is to be mined, under which name the result is known, what is done already.

A result is known by its token: content of the recording, setup, settings and version. The file's name and place are
not in it, so a renamed recording is not mined again and two copies of one recording are mined once.
"""

from __future__ import annotations

import hashlib
import re
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from miner.errors import MinerError
from miner.mining.look import Extent
from miner.recording.folder import fingerprint, part_files
from pipelines.overnight.budget import need_bytes
from pipelines.overnight.discovery import Found, find_recordings, find_setup
from pipelines.overnight.tasks import Failure, StepKind, Steps, Task, explain_failure

__all__ = ["Job", "NightPlan", "NotPlanned", "make_plan", "result_token"]

_STILL_WARM_S = 120.0
"""A file that cannot be opened and was written to this recently is likely still being recorded."""


@dataclass(frozen=True, kw_only=True)
class Job:
    """One recording to be mined.

    Attributes
    ----------
    token : str
        Name of the result.
    name : str
        Path below the searched folder, as shown to the user.
    also : tuple of str
        Names of further copies of the same recording with the same setup.
    fingerprint : str
        State of its files when the plan was made.
    findings, work : Path
        Where the findings go, and the half-done parts.
    """

    token: str
    name: str
    why: str
    recording: Path
    setup: Path
    look: Extent
    fingerprint: str
    findings: Path
    work: Path
    also: tuple[str, ...] = ()

    def task(self, kind: StepKind, index: int = 0, *, n_events: int | None = None) -> Task:
        """Return one step of this job as a task; ``n_events``, once it is known, tells what the finish needs."""
        return Task(
            token=self.token,
            kind=kind,
            index=index,
            n_sections=self.look.n_sections,
            recording=self.recording,
            setup=self.look.setup,
            work=self.work,
            findings=self.findings,
            fingerprint=self.fingerprint,
            need_bytes=need_bytes(kind, self.look, n_events=n_events),
        )

    @property
    def vehicle(self) -> str:
        """Vehicle from the setup, or else the first folder of the recording's name."""
        return self.look.vehicle or (self.name.split("/")[0] if "/" in self.name else "")


@dataclass(frozen=True, kw_only=True)
class NotPlanned:
    """A recording that cannot be mined, and why."""

    name: str
    failure: Failure


@dataclass(frozen=True, kw_only=True)
class NightPlan:
    """Everything an overnight run has to do, longest recording first."""

    folder: Path
    out: Path
    jobs: tuple[Job, ...]
    not_planned: tuple[NotPlanned, ...]
    steps: Steps


def result_token(look: Extent, steps: Steps) -> str:
    """Return the name under which a result is known; the same on every machine and in every run."""
    text = f"{look.identity}\0{steps.key()}"
    return hashlib.blake2b(text.encode(), digest_size=16).hexdigest()


def make_plan(
    folder: Path,
    out: Path,
    steps: Steps,
    *,
    setup: Path | None = None,
    on_look: Callable[[int, int], None] = lambda _done, _total: None,
) -> NightPlan:
    """Find the recordings below a folder and look at each.

    Parameters
    ----------
    folder, out : path
        Where the recordings lie and where the findings go.
    steps : Steps
        The steps to plan for; opens recording and setup.
    setup : path, optional
        For recordings that have none of their own.
    on_look : callable, optional
        Told how many recordings of how many have been looked at.

    Raises
    ------
    RunError
        If there is no recording at all. A recording that cannot be opened is in ``not_planned``.
    """
    folder, out = folder.resolve(), out.resolve()
    found = find_recordings(folder, leave_out=out)
    jobs: dict[str, Job] = {}
    failed: list[NotPlanned] = []
    for done, item in enumerate(found):
        on_look(done, len(found))
        planned = _plan_one(item, folder, out, steps, setup)
        if isinstance(planned, NotPlanned):
            failed.append(planned)
        elif planned.token in jobs:
            jobs[planned.token] = _with_copy(jobs[planned.token], planned.name)
        else:
            jobs[planned.token] = planned
    longest_first = sorted(jobs.values(), key=lambda job: (-job.look.n_samples, job.name))
    return NightPlan(folder=folder, out=out, jobs=tuple(longest_first), not_planned=tuple(failed), steps=steps)


def _with_copy(job: Job, name: str) -> Job:
    return replace(job, also=(*job.also, name))


def _plan_one(found: Found, folder: Path, out: Path, steps: Steps, given: Path | None) -> Job | NotPlanned:
    name = found.path.relative_to(folder).as_posix() if found.path != folder else folder.name
    if found.unreadable:
        return NotPlanned(name=name, failure=_unreadable(found.unreadable))
    before = fingerprint(found.path)
    try:
        setup = find_setup(found.path, folder, given.resolve() if given else None)
        look = steps.look(found.path, setup)
    except MinerError as error:
        return NotPlanned(name=name, failure=_explain(error, found.path, out))
    except Exception as error:  # noqa: BLE001 - a file nobody thought of must not stop the others
        return NotPlanned(name=name, failure=explain_failure(error, found.path, out))
    if fingerprint(found.path) != before:
        return NotPlanned(name=name, failure=_GROWING)
    token = result_token(look, steps)
    return Job(
        token=token,
        name=name,
        why=found.why,
        recording=found.path,
        setup=setup,
        look=look,
        fingerprint=before,
        findings=out / f"{_plain(found.path.stem)}-{token[:10]}",
        work=out / ".work" / token,
    )


def _plain(stem: str) -> str:
    """Return a name that every file system takes, short enough for deep Windows folders."""
    return re.sub(r"[^A-Za-z0-9_-]+", "_", stem)[:40].strip("_") or "recording"


def _unreadable(why: str) -> Failure:
    return Failure(
        kind="input",
        problem=f"the folder cannot be read ({why}), whatever it holds is not mined",
        remedy="allow this user to read it, or take it out of the tree",
    )


_GROWING = Failure(
    kind="changed",
    problem="the recording is still growing",
    remedy="start the same command again when the recording has ended",
)


def _explain(error: MinerError, recording: Path, out: Path) -> Failure:
    """Add to a reason that the file was written to a moment ago, which is often the true one."""
    failure = explain_failure(error, recording, out)
    if not _recently_written(recording):
        return failure
    return Failure(
        kind=failure.kind,
        problem=failure.problem,
        remedy=f"it was written to less than two minutes ago: if it is still being recorded, start the same command "
        f"again when it has ended; otherwise {failure.remedy}",
    )


def _recently_written(recording: Path) -> bool:
    try:
        return any(time.time() - p.stat().st_mtime < _STILL_WARM_S for p in part_files(recording))
    except (OSError, MinerError):
        return False

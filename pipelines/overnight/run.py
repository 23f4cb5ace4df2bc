"""Mine every recording of a folder tree: go through the plan, keep the journal, let no recording stop another.

The order of work is fixed (longest recording first, its sections in time order), who does it is not: any executor
that runs tasks will do. Whoever finishes first changes nothing in the results, because every step is a pure function
of the recording, the setup and the steps before it.
"""

from __future__ import annotations

import math
import shutil
from collections import Counter
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from miner.errors import MinerError, RunError
from miner.files import digest_file
from pipelines.overnight.budget import BASE_BYTES, GIB, STARTER_BYTES
from pipelines.overnight.journal import Journal, StepEntry
from pipelines.overnight.plan import Job, NightPlan
from pipelines.overnight.pool import Executor
from pipelines.overnight.tasks import Failure, Outcome, Steps, Task

__all__ = ["NightView", "Result", "run_plan", "valid_steps"]

MAX_DEATHS = 2
"""Workers a step may cost before its recording is given up; the first may have been bad luck."""

KEPT = ("died", "memory")
"""Failures after which the steps that are done still count at the next start."""

WAIT_S = 0.5


@dataclass(frozen=True, kw_only=True)
class Result:
    """How one recording ended.

    Attributes
    ----------
    findings : Path or None
        Its folder, None if it failed.
    elapsed_s, cpu_s : float
        Working time and processor time summed over its steps.
    anew : bool
        Whether it was mined in this run, or was finished before.
    """

    name: str
    vehicle: str
    recorded_s: float
    findings: Path | None = None
    elapsed_s: float = 0.0
    cpu_s: float = 0.0
    anew: bool = True
    also: tuple[str, ...] = ()
    failure: Failure | None = None


class NightView(Protocol):
    """Who is told how far a run is."""

    def begin(self, samples: Mapping[str, int], done: Mapping[str, int]) -> None:
        """Tell the samples of each recording that is still to be mined, and of these what earlier runs did."""

    def advance(self, name: str, samples_done: int) -> None:
        """Tell how many samples of a recording have been mined."""

    def end(self, result: Result) -> None:
        """Tell that a recording has ended, well or not."""


@dataclass
class _Open:
    """A recording in work: which steps are done, under way, and how far each running section is."""

    job: Job
    steps: Steps
    done: dict[str, StepEntry]
    running: dict[str, int] = field(default_factory=dict)
    finish: Task | None = None
    failure: Failure | None = None

    def next_task(self) -> Task | None:
        """Return a step that can begin now."""
        if self.failure:
            return None
        if "profile" not in self.done:
            return None if self.running else self.job.task("profile")
        for task in (self.job.task("section", i) for i in range(self.job.look.n_sections)):
            if task.step not in self.done and task.step not in self.running:
                return task
        return None if self.running else self._finish()

    def _finish(self) -> Task:
        """Return the last step with what it needs, which follows from the events that the sections hold."""
        if self.finish is None:
            self.finish = self.job.task("finish")
            with suppress(MinerError):  # a damaged section is told by the step itself
                n_events = self.steps.count_events(self.job.look.setup, self.finish.sections)
                self.finish = self.job.task("finish", n_events=n_events)
        return self.finish

    def samples_done(self) -> int:
        """Return the samples mined so far."""
        lengths = enumerate(self.job.look.section_samples)
        done = sum(n for i, n in lengths if self.job.task("section", i).step in self.done)
        return done + sum(self.running.values())


def valid_steps(job: Job, journal: Journal) -> dict[str, StepEntry]:
    """Return the steps of earlier runs that still count: same files, and a result with the digest entered."""
    return {
        step: entry
        for step, entry in journal.steps(job.token).items()
        if entry.fingerprint == job.fingerprint and digest_file(job.work / step) == entry.digest
    }


def run_plan(plan: NightPlan, journal: Journal, executor: Executor, view: NightView) -> list[Result]:
    """Mine what is not finished yet and return how every recording of the plan ended, failures first.

    Raises
    ------
    RunError
        If the disk is full. Everything finished until then is kept, and the same plan goes on from there.
    """
    run = _Run(plan, journal, executor, view)
    try:
        run.work()
    finally:
        executor.close()
    _clear_work(plan, keep={job.token for job, result in run.ended if result.failure and result.failure.kind in KEPT})
    refused = [Result(name=n.name, vehicle="", recorded_s=0.0, failure=n.failure) for n in plan.not_planned]
    results = [*refused, *(result for _, result in run.ended)]
    return sorted(results, key=lambda r: (r.failure is None, r.name))


def _clear_work(plan: NightPlan, keep: set[str]) -> None:
    """Remove half-done parts that no later run can use."""
    base = plan.out / ".work"
    for folder in base.iterdir() if base.is_dir() else ():
        if folder.name not in keep:
            shutil.rmtree(folder, ignore_errors=True)


class _Run:
    """State of one run through a plan."""

    def __init__(self, plan: NightPlan, journal: Journal, executor: Executor, view: NightView) -> None:
        self._journal, self._executor, self._view = journal, executor, view
        self._deaths: Counter[tuple[str, str]] = Counter()
        self._steps = plan.steps
        self.ended: list[tuple[Job, Result]] = []
        self._open: dict[str, _Open] = {}
        for job in plan.jobs:
            self._reopen(job)
        still = self._open.values()
        view.begin(
            {state.job.name: state.job.look.n_samples for state in still},
            {state.job.name: state.samples_done() for state in still},
        )

    def _reopen(self, job: Job) -> None:
        """Take up a job where the journal left it."""
        finished = self._journal.finished(job.token)
        if finished is None:
            self._open[job.token] = _Open(job=job, steps=self._steps, done=valid_steps(job, self._journal))
            return
        findings, report = finished
        shutil.rmtree(job.work, ignore_errors=True)
        self.ended.append((job, _result(job, findings=findings, anew=False, **report)))

    def work(self) -> None:
        """Go through the plan until nothing is open."""
        while self._open:
            self._fill()
            for outcome in self._executor.wait(WAIT_S, self._on_samples):
                self._take(outcome)

    def _fill(self) -> None:
        """Start what there is room for, in the order of the plan."""
        for state in list(self._open.values()):
            while self._executor.has_room() and (task := state.next_task()) is not None:
                if not self._executor.fits(task):
                    self._give_up(state, _too_large(task))
                    break
                if not self._executor.has_room(task):
                    break
                state.running[task.step] = 0
                self._executor.start(task)

    def _on_samples(self, task: Task, samples: int) -> None:
        """Take word of how far a running section is."""
        state = self._open.get(task.token)
        if state is not None and task.step in state.running:
            state.running[task.step] = samples
            self._view.advance(state.job.name, state.samples_done())

    def _take(self, outcome: Outcome) -> None:
        state = self._open[outcome.task.token]
        state.running.pop(outcome.task.step, None)
        if outcome.failure is None:
            self._keep(state, outcome)
        elif outcome.failure.kind == "disk_full":
            raise RunError(outcome.failure.problem, remedy=outcome.failure.remedy)
        else:
            self._fail(state, outcome.task, outcome.failure)
        if state.failure and not state.running:
            self._give_up(state, state.failure)

    def _keep(self, state: _Open, outcome: Outcome) -> None:
        task = outcome.task
        entry = StepEntry(
            fingerprint=task.fingerprint, digest=outcome.digest, elapsed_s=outcome.elapsed_s, cpu_s=outcome.cpu_s
        )
        state.done[task.step] = entry
        if task.kind == "finish":
            self._finish(state)
        else:
            self._journal.enter_step(task.token, task.step, entry)
            self._view.advance(state.job.name, state.samples_done())

    def _finish(self, state: _Open) -> None:
        job = state.job
        elapsed_s, cpu_s = (sum(getattr(e, what) for e in state.done.values()) for what in ("elapsed_s", "cpu_s"))
        self._journal.enter_finished(job.token, job.name, job.findings, {"elapsed_s": elapsed_s, "cpu_s": cpu_s})
        shutil.rmtree(job.work, ignore_errors=True)
        self._close(state, _result(job, findings=job.findings, elapsed_s=elapsed_s, cpu_s=cpu_s))

    def _fail(self, state: _Open, task: Task, failure: Failure) -> None:
        """Count a dead worker, try its step again once, and remember any other failure."""
        if failure.kind == "died":
            self._deaths[task.token, task.step] += 1
            if self._deaths[task.token, task.step] < MAX_DEATHS:
                return
        state.failure = state.failure or failure

    def _give_up(self, state: _Open, failure: Failure) -> None:
        job = state.job
        if failure.kind not in KEPT:
            self._journal.forget_steps(job.token)
            shutil.rmtree(job.work, ignore_errors=True)
        self._journal.enter_failed(job.token, job.name, failure)
        self._close(state, _result(job, failure=failure))

    def _close(self, state: _Open, result: Result) -> None:
        del self._open[state.job.token]
        self.ended.append((state.job, result))
        self._view.end(result)


def _too_large(task: Task) -> Failure:
    """Return why a step was not begun that would break the memory budget even alone."""
    need_gb = math.ceil((STARTER_BYTES + BASE_BYTES + task.need_bytes) / (0.1 * GIB)) / 10
    return Failure(
        kind="memory",
        problem=f"its step {task.step} needs about {need_gb:.1f} GB of memory, more than the budget",
        remedy=f"start the same command again with --memory-budget {need_gb:.1f}GB; it goes on where it stopped",
    )


def _result(
    job: Job,
    *,
    findings: Path | None = None,
    elapsed_s: float = 0.0,
    cpu_s: float = 0.0,
    anew: bool = True,
    failure: Failure | None = None,
) -> Result:
    return Result(
        name=job.name,
        vehicle=job.vehicle,
        recorded_s=job.look.recorded_s,
        findings=findings,
        elapsed_s=elapsed_s,
        cpu_s=cpu_s,
        anew=anew,
        also=job.also,
        failure=failure,
    )

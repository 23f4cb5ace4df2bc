"""Worker processes of this machine that outlive each other.

Unlike the pools of the standard library this one knows which task a worker had when it died (killed, out of memory,
a fault in a library), reports that task alone, and puts another worker in its place. Workers are started by
``spawn`` on every system and end with the process that started them, also when that one is killed.
"""

from __future__ import annotations

import multiprocessing
import os
import pickle
import signal
import threading
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from typing import Protocol

from pipelines.overnight.budget import BASE_BYTES
from pipelines.overnight.tasks import Failure, Outcome, Steps, Task, run_task

__all__ = ["Executor", "LocalPool", "OnTaskSamples", "died"]

OnTaskSamples = Callable[[Task, int], None]

_THREADS = ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "ARROW_IO_THREADS")

SWOLLEN = 1.5
"""A worker that holds so many times its base after a task is replaced: its allocator keeps what others may need."""


class Executor(Protocol):
    """Somewhere to run tasks: this machine's workers, or a cluster."""

    def has_room(self, task: Task | None = None) -> bool:
        """Say whether a task (without one: any task at all) would begin at once."""

    def fits(self, task: Task) -> bool:
        """Say whether a task can be run at all, even alone, in the memory there is."""

    def start(self, task: Task) -> None:
        """Begin a task."""

    def wait(self, timeout_s: float, on_samples: OnTaskSamples) -> list[Outcome]:
        """Return what ended, after ``timeout_s`` at the latest; tell how many samples running tasks have read."""

    def close(self) -> None:
        """End everything, also what is running."""


def died(task: Task, how: str) -> Outcome:
    """Return the outcome of a task whose worker process ended under it."""
    return Outcome(
        task=task,
        failure=Failure(
            kind="died",
            problem=f"the worker process ended in step {task.step} ({how})",
            remedy="mine this recording alone with 'ignition-miner mine', or give a smaller --memory-budget so that "
            "fewer recordings are mined at once",
        ),
    )


@dataclass
class _Worker:
    process: multiprocessing.process.BaseProcess
    pipe: Connection
    task: Task | None = None


class LocalPool:
    """A number of worker processes on this machine.

    Parameters
    ----------
    n_workers : int
        Processes; each runs one task at a time, and they share the cores.
    steps : Steps
        What the tasks run.
    budget_bytes : int, optional
        What all workers together may hold (see `pipelines.overnight.budget`); a task whose need does not fit beside
        the running ones waits.
    """

    def __init__(self, n_workers: int, steps: Steps, *, budget_bytes: int | None = None) -> None:
        self._context = multiprocessing.get_context("spawn")
        self._steps = pickle.dumps(steps)
        self._budget_bytes = budget_bytes
        self._n_workers = n_workers
        self._workers: list[_Worker] = []

    def has_room(self, task: Task | None = None) -> bool:
        """Say whether a worker is free, and for a task, whether its need fits beside what is running."""
        running = self._running()
        if len(running) >= self._n_workers:
            return False
        if task is None or self._budget_bytes is None or not running:
            return True
        held = sum(BASE_BYTES + t.need_bytes for t in [*running, task])
        return held <= self._budget_bytes

    def fits(self, task: Task) -> bool:
        """Say whether a worker with this task alone keeps the budget."""
        return self._budget_bytes is None or BASE_BYTES + task.need_bytes <= self._budget_bytes

    def start(self, task: Task) -> None:
        """Give a task to a worker that has none; workers are started when first needed."""
        self._make_room(task)
        worker = next((w for w in self._workers if w.task is None), None) or self._hire()
        worker.task = task
        try:
            worker.pipe.send(task)
        except OSError:  # it died while it waited; `wait` finds it dead, and the task is reported with it
            return

    def wait(self, timeout_s: float, on_samples: OnTaskSamples) -> list[Outcome]:
        """Return what ended, and who died."""
        ready = wait([w.pipe for w in self._workers], timeout=timeout_s)
        outcomes = [self._hear(w, on_samples) for w in list(self._workers) if w.pipe in ready]
        return [outcome for outcome in outcomes if outcome is not None]

    def close(self) -> None:
        """End all workers at once; a half-written file of theirs never has its final name."""
        for worker in self._workers:
            worker.process.kill()
        for worker in self._workers:
            worker.process.join()
            worker.pipe.close()
        self._workers.clear()

    def _make_room(self, task: Task) -> None:
        """Send idle workers home whose base the task needs."""
        if self._budget_bytes is None:
            return
        spare = self._budget_bytes - sum(t.need_bytes for t in self._running()) - task.need_bytes
        idle = [w for w in self._workers if w.task is None]
        for worker in idle[1:]:
            if len(self._workers) * BASE_BYTES > spare:
                self._dismiss(worker)

    def _running(self) -> list[Task]:
        return [w.task for w in self._workers if w.task is not None]

    def _hire(self) -> _Worker:
        ours, theirs = self._context.Pipe()
        n_threads = max(1, (os.cpu_count() or 1) // self._n_workers)
        process = self._context.Process(target=_serve, args=(theirs, self._steps, n_threads), daemon=True)
        process.start()
        theirs.close()
        worker = _Worker(process=process, pipe=ours)
        self._workers.append(worker)
        return worker

    def _hear(self, worker: _Worker, on_samples: OnTaskSamples) -> Outcome | None:
        """Take one message of a worker, or find that it died."""
        try:
            message = worker.pipe.recv()
        except (EOFError, OSError):
            return self._bury(worker)
        if isinstance(message, int):
            if worker.task is not None:
                on_samples(worker.task, message)
            return None
        outcome, held_bytes = message
        worker.task = None
        if self._budget_bytes is not None and held_bytes > SWOLLEN * BASE_BYTES:
            self._dismiss(worker)
        return outcome  # type: ignore[no-any-return]

    def _bury(self, worker: _Worker) -> Outcome | None:
        self._workers.remove(worker)
        worker.process.join()
        worker.pipe.close()
        return None if worker.task is None else died(worker.task, _how(worker.process.exitcode))

    def _dismiss(self, worker: _Worker) -> None:
        self._workers.remove(worker)
        worker.pipe.close()  # it reads the end of the pipe and ends
        worker.process.join()


def _how(exit_code: int | None) -> str:
    if exit_code is not None and exit_code < 0:
        with_name = {s.value: s.name for s in signal.Signals}
        return f"by signal {with_name.get(-exit_code, -exit_code)}"
    return f"exit code {exit_code}"


def _serve(pipe: Connection, pickled_steps: bytes, n_threads: int) -> None:
    """Run tasks until the pipe ends; the body of a worker process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches the whole group; the starter ends us
    threading.Thread(target=_end_with_starter, daemon=True).start()
    for name in _THREADS:  # before numba and the others are imported
        os.environ[name] = str(n_threads)
    steps: Steps = pickle.loads(pickled_steps)
    while True:
        try:
            task = pipe.recv()
        except (EOFError, OSError):
            return
        pipe.send((run_task(task, steps, pipe.send), _held_bytes()))


def _end_with_starter() -> None:
    starter = multiprocessing.parent_process()
    if starter is not None:
        starter.join()
        os._exit(1)


def _held_bytes() -> int:
    import psutil

    return int(psutil.Process().memory_info().rss)

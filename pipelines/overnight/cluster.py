"""The same plan on a Dask cluster: only submission and gathering differ from the worker processes of one machine.

Every task is `pipelines.overnight.tasks.run_task` with paths; the recordings, the output folder and this package must
be seen under the same paths by all workers (a shared folder). Files are published by renaming, so a task that ran
twice, because its worker was lost or only late, leaves the same bytes. The journal is written by the starting process
alone.
"""

from __future__ import annotations

import itertools
import queue
from asyncio import CancelledError
from collections import Counter
from typing import Any

from miner.errors import RunError
from pipelines.overnight.pool import OnTaskSamples, died
from pipelines.overnight.tasks import Outcome, Steps, Task, run_task

__all__ = ["ClusterExecutor"]

CONNECT_S = 20.0
AHEAD = 2
"""Tasks handed out per worker thread: one runs, one waits, so that no worker idles while we write the journal."""

HAND_OVER_S, HAND_OVERS = 5.0, 12
"""How long a finished task's result is waited for, and how often. The result is a few hundred bytes; where it does not
come, its worker died with it, and the scheduler gives the task to another, after which it is asked for again."""

SILENCE_S = 120.0
"""A cluster without any worker for so long is given up."""


class ClusterExecutor:
    """Runs tasks on the workers of a Dask scheduler.

    Parameters
    ----------
    address : str
        Of the scheduler, like ``tcp://10.0.0.1:8786``.
    steps : Steps
        What the tasks run.

    Raises
    ------
    RunError
        If `distributed` is not installed, or no scheduler answers.
    """

    def __init__(self, address: str, steps: Steps) -> None:
        self._client: Any = _connect(address)
        self._address = address
        self._steps = steps
        self._ended: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self._running: dict[Any, tuple[Task, Any]] = {}
        self._asked: Counter[Any] = Counter()
        self._numbers = itertools.count()
        self._silent_s = 0.0

    def has_room(self, task: Task | None = None) -> bool:  # noqa: ARG002 - memory is each worker's own affair
        """Say whether a worker would begin a task soon."""
        return len(self._running) < AHEAD * max(self._n_threads(), 1)

    def fits(self, task: Task) -> bool:  # noqa: ARG002
        """Say yes: how much memory the workers of a cluster have is their own affair."""
        return True

    def start(self, task: Task) -> None:
        """Hand a task to the scheduler; it goes to another worker if its own is lost."""
        key = f"{task.step}-{task.token}-{next(self._numbers)}"  # a key tried again would give the old failure
        future = self._client.submit(run_task, task, self._steps, key=key)
        self._running[future.key] = (task, future)
        future.add_done_callback(self._ended.put)

    def wait(self, timeout_s: float, on_samples: OnTaskSamples) -> list[Outcome]:  # noqa: ARG002
        """Return what ended; sections are short enough to be told of only when they are done."""
        try:
            ended = [self._ended.get(timeout=timeout_s)]
        except queue.Empty:
            self._require_workers(timeout_s)
            return []
        self._silent_s = 0.0
        while not self._ended.empty():
            ended.append(self._ended.get())
        outcomes = [self._outcome(future) for future in ended if future.key in self._running]
        return [outcome for outcome in outcomes if outcome is not None]

    def close(self) -> None:
        """Give up what is running and leave the cluster as it was."""
        for _, future in self._running.values():
            future.cancel()
        self._running.clear()
        self._client.close()

    def _outcome(self, future: Any) -> Outcome | None:
        """Take a result over; None where it was lost with its worker and is on its way again."""
        task, _ = self._running[future.key]
        try:
            outcome: Outcome = future.result(timeout=HAND_OVER_S)
        except TimeoutError:
            self._asked[future.key] += 1
            if self._asked[future.key] < HAND_OVERS:
                future.add_done_callback(self._ended.put)
                return None
            outcome = died(task, "its result never came from the cluster")
            future.cancel()
        except (Exception, CancelledError) as error:  # noqa: BLE001
            # run_task returns its errors, so what is raised here is the cluster's own: worker killed, task lost
            outcome = died(task, f"{type(error).__name__} on the cluster")
        del self._running[future.key]
        return outcome

    def _n_threads(self) -> int:
        return sum(self._client.nthreads().values())

    def _require_workers(self, waited_s: float) -> None:
        """Give up when the scheduler has gone, or has had no worker for long."""
        if self._client.status != "running":
            raise self._lost("the scheduler does not answer any more")
        self._silent_s = 0.0 if self._n_threads() else self._silent_s + waited_s
        if self._silent_s > SILENCE_S:
            raise self._lost("the cluster has no worker left")

    def _lost(self, problem: str) -> RunError:
        return RunError(
            f"{problem} ({self._address})",
            remedy="start the cluster and then the same command again; it goes on where it stopped",
            key="--cluster",
        )


def _connect(address: str) -> Any:
    try:
        from distributed import Client
    except ImportError as error:
        raise RunError(
            "working on a cluster needs the package 'distributed'",
            remedy="install it with: pip install 'ignition-miner[cluster]'",
            key="--cluster",
        ) from error
    if address.startswith("tls://"):
        _require_certificates()
    try:
        return Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise RunError(
            f"no scheduler answers at {address}", remedy="check the address and that it runs", key="--cluster"
        ) from error


def _require_certificates() -> None:
    """Refuse an encrypted connection for which Dask's own settings name no certificates, or none that can be read."""
    from distributed.security import Security

    problem = "the connection is to be encrypted, and Dask's settings name no certificates"
    try:
        if Security().get_connection_args("client").get("ssl_context") is not None:
            return
    except OSError as error:  # an SSLError is one
        problem = f"the certificates that Dask's settings name cannot be read ({error})"
    raise RunError(
        problem, remedy="set ca-file, client.cert and client.key under distributed.comm.tls", key="--cluster"
    )

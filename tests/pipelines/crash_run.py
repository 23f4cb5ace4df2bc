"""One overnight run over fake recordings in a process of its own, to be killed by the tests.

usage: python -m tests.pipelines.crash_run FOLDER OUT [--boundary N] [--workers N] [--pause-s S] [--bulk N] [--hold]

``--boundary N`` kills the process at the N-th boundary: before and after every entry into the journal and every step.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import time
from pathlib import Path
from typing import Any

from miner.errors import MinerError
from pipelines.overnight.journal import Journal, exclusive_run
from pipelines.overnight.plan import make_plan
from pipelines.overnight.pool import LocalPool
from pipelines.overnight.run import run_plan
from tests.pipelines.fakes import FakeSteps, InlineExecutor, SilentView


class Boundaries:
    """Wraps an object; counts the begin and end of each call of the named methods and kills the process at one."""

    def __init__(self, inner: Any, methods: tuple[str, ...], state: dict[str, int]) -> None:
        self._inner, self._methods, self._state = inner, methods, state

    def __getattr__(self, name: str) -> Any:
        method = getattr(self._inner, name)
        if name not in self._methods:
            return method

        def counted(*args: Any, **options: Any) -> Any:
            self._pass()
            result = method(*args, **options)
            self._pass()
            return result

        return counted

    def _pass(self) -> None:
        self._state["passed"] += 1
        if self._state["passed"] == self._state["fatal"]:
            os.kill(os.getpid(), signal.SIGKILL)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--boundary", type=int, default=0)
    parser.add_argument("--workers", type=int, default=0)
    parser.add_argument("--pause-s", type=float, default=0.0)
    parser.add_argument("--bulk", type=int, default=0)
    parser.add_argument("--hold", action="store_true")
    asked = parser.parse_args()
    state = {"passed": 0, "fatal": asked.boundary}
    steps = FakeSteps(pause_s=asked.pause_s, bulk=asked.bulk)
    watched = Boundaries(steps, ("profile", "section", "finish"), state)
    with exclusive_run(asked.out):
        sys.stdout.write("locked\n")
        sys.stdout.flush()
        if asked.hold:
            time.sleep(60)
        plan = make_plan(asked.folder, asked.out, steps)
        executor = LocalPool(asked.workers, steps) if asked.workers else InlineExecutor(watched)
        with Journal(asked.out / "overnight.sqlite") as journal:
            entries = ("begin_run", "enter_step", "enter_finished", "end_run", "forget_steps")
            counted: Any = Boundaries(journal, entries, state)
            counted.begin_run()
            results = run_plan(plan, counted, executor, SilentView())
            counted.end_run()
    sys.stdout.write(f"boundaries {state['passed']} anew {sum(r.anew for r in results)}\n")


if __name__ == "__main__":
    try:
        main()
    except MinerError as error:
        sys.stderr.write(f"{error}\n")
        raise SystemExit(2) from error

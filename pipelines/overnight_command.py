"""The ``overnight`` command: plan, run, overview."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from miner.words import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from pipelines.overnight.journal import Journal
    from pipelines.overnight.plan import Job, NightPlan
    from pipelines.overnight.pool import Executor
    from pipelines.overnight.tasks import Steps

__all__ = ["overnight", "run_overnight"]

OVERVIEWS = ("overview.html", "overview.xlsx")


def overnight(
    folder: Annotated[Path, typer.Argument(help="Folder with recordings, searched to the bottom.", show_default=False)],
    *,
    out: Annotated[Path, typer.Option("--out", help="Folder for findings and overview.", show_default=False)],
    setup: Annotated[
        Path | None,
        typer.Option("--setup", help="For recordings without a setup of their own (TOML).", show_default=False),
    ] = None,
    memory_budget: Annotated[
        str | None,
        typer.Option("--memory-budget", help="For all processes together, like 4GB; default half of the machine."),
    ] = None,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, help="Worker processes; default one a core.", show_default=False)
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Show the plan and end.")] = False,
    cluster: Annotated[
        str | None, typer.Option("--cluster", help="Dask scheduler to work on, like tcp://10.0.0.1:8786.")
    ] = None,
) -> None:
    """Mine every recording in a folder tree; may be ended at any moment and started again.

    Exit code 0: all mined; 3: some recordings could not be mined, the others are; 2: the run itself could not go on.
    """
    from miner.mining.steps import MineSettings, MineSteps
    from pipelines.show.console import SOME_FAILED, open_console

    n_failed = run_overnight(
        open_console(),
        folder,
        out,
        MineSteps(settings=MineSettings()),
        setup=setup,
        memory_budget=memory_budget,
        workers=workers,
        dry_run=dry_run,
        cluster=cluster,
    )
    if n_failed:
        raise typer.Exit(SOME_FAILED)


def run_overnight(
    console: Console,
    folder: Path,
    out: Path,
    steps: Steps,
    *,
    setup: Path | None = None,
    memory_budget: str | None = None,
    workers: int | None = None,
    dry_run: bool = False,
    cluster: str | None = None,
) -> int:
    """Plan, run and show the overview; the body of the command, with the steps to be taken as an argument.

    Returns
    -------
    int
        How many recordings could not be mined; with ``dry_run``, how many cannot even be planned.

    Raises
    ------
    RunError
        If there is nothing to mine, another run works in ``out``, the budget is too small, the cluster cannot be
        reached, or the disk is full.
    """
    from miner.findings.lock import JOURNAL_FILE, exclusive
    from pipelines.overnight.budget import default_budget, parse_size
    from pipelines.overnight.journal import Journal

    budget = default_budget() if memory_budget is None else parse_size(memory_budget)
    if dry_run:
        plan = _look_around(console, folder, out, steps, setup)
        _print_plan(console, plan, budget, workers, cluster)
        return len(plan.not_planned)
    _refuse_strangers(out, JOURNAL_FILE)
    with exclusive(out):
        plan = _look_around(console, folder, out, steps, setup)
        executor = _executor(plan, steps, budget, workers, cluster)
        with Journal(out.resolve() / JOURNAL_FILE) as journal:  # from here on there is something to go on from
            journal.begin_run()
            n_failed = _run_and_show(console, plan, journal, executor)
            journal.end_run()
    return n_failed


def _refuse_strangers(out: Path, journal: str) -> None:
    """Refuse an output folder with files of our names that no run over many recordings left."""
    from miner.errors import RunError

    for name in OVERVIEWS:
        if (out / name).exists() and not (out / journal).exists():
            raise RunError(
                "this file is not of an earlier run and would be replaced",
                remedy="choose another --out, or move the file away",
                file=out / name,
            )


def _look_around(console: Console, folder: Path, out: Path, steps: Steps, setup: Path | None) -> NightPlan:
    """Make the plan and show how far the look at thousands of files is."""
    from pipelines.overnight.plan import make_plan

    with console.status("looking at the recordings") as status:
        return make_plan(
            folder, out, steps, setup=setup, on_look=lambda done, total: status.update(f"recording {done} of {total}")
        )


def _executor(plan: NightPlan, steps: Steps, budget: int, workers: int | None, cluster: str | None) -> Executor:
    if cluster is not None:
        from pipelines.overnight.cluster import ClusterExecutor

        return ClusterExecutor(cluster, steps)
    from pipelines.overnight.budget import STARTER_BYTES
    from pipelines.overnight.pool import LocalPool

    return LocalPool(_count_workers(plan, budget, workers), steps, budget_bytes=budget - STARTER_BYTES)


def _count_workers(plan: NightPlan, budget: int, workers: int | None) -> int:
    from pipelines.overnight.budget import count_workers, need_bytes

    reading = max((need_bytes("section", job.look) for job in plan.jobs), default=0)
    finish = max((need_bytes("finish", job.look, n_events=0) for job in plan.jobs), default=0)
    count_workers(budget, max(reading, finish), 1)  # refuses at once what could not finish even the shortest
    return count_workers(budget, reading, workers or os.cpu_count() or 1)


def _run_and_show(console: Console, plan: NightPlan, journal: Journal, executor: Executor) -> int:
    from pipelines.overnight.run import run_plan
    from pipelines.show.overnight_view import OvernightView
    from pipelines.show.overview import make_overview, print_overview
    from pipelines.show.overview_book import write_book
    from pipelines.show.overview_page import write_page

    with OvernightView(console) as view:
        results = run_plan(plan, journal, executor, view)
    overview = make_overview(plan.folder, results)
    write_page(plan.out / "overview.html", overview)
    write_book(plan.out / "overview.xlsx", overview)
    print_overview(console, overview)
    for name in OVERVIEWS:
        console.print(f"written: {plan.out / name}", markup=False, soft_wrap=True)
    return sum(result.failure is not None for result in results)


def _print_plan(console: Console, plan: NightPlan, budget: int, workers: int | None, cluster: str | None) -> None:
    """Show what would be done, by whom, and what cannot be done."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    from pipelines.overnight.budget import MIB

    for refused in plan.not_planned:
        console.print(Text(f"cannot be mined: {refused.name}: {refused.failure.problem}"))
        console.print(Text(f"        what to do: {refused.failure.remedy}"))
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for name in ("recording", "taken for one because", "setup", "minutes", "sections", "state"):
        table.add_column(name, overflow="fold")
    for cells in _plan_rows(plan):
        table.add_row(*map(Text, cells))
    console.print(table)
    where = f"on the cluster {cluster}"
    if cluster is None:
        where = f"with {counted(_count_workers(plan, budget, workers), 'worker')} in {budget // MIB} MB"
    console.print(Text(f"{counted(len(plan.jobs), 'recording')}, {where}; findings in {plan.out}"))


def _plan_rows(plan: NightPlan) -> Sequence[tuple[str, ...]]:
    """Return one row a recording, with what the journal knows of it; nothing is written."""
    from miner.findings.lock import JOURNAL_FILE
    from pipelines.overnight.journal import Journal

    path = plan.out / JOURNAL_FILE
    if not path.is_file():
        return [(*_described(job), "to be mined") for job in plan.jobs]
    with Journal(path) as journal:
        return [(*_described(job), _state(job, journal)) for job in plan.jobs]


def _state(job: Job, journal: Journal) -> str:
    from pipelines.overnight.run import valid_steps

    if journal.finished(job.token):
        return "finished"
    n_done = len(valid_steps(job, journal))
    state = f"goes on after {n_done} of {job.look.n_sections + 2} steps" if n_done else "to be mined"
    failure = journal.failure(job.token)
    return f"{state}; failed last time: {failure.problem}" if failure else state


def _described(job: Job) -> tuple[str, ...]:
    copies = f" (same content: {', '.join(job.also)})" if job.also else ""
    minutes = f"{job.look.recorded_s / 60:.1f}"
    return (job.name + copies, job.why, str(job.setup), minutes, str(job.look.n_sections))

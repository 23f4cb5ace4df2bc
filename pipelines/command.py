"""The command line: arguments in, one call, words out. What is heavy is imported when a command runs."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from miner import KEEPING_NOTE
from miner.errors import RunError
from pipelines.intake_command import Rate, check, import_files, leads, options_of, setup
from pipelines.overnight_command import overnight
from pipelines.show.console import ENDED_BY_USER, guarded, open_console

__all__ = ["app", "main"]

app = typer.Typer(
    help="Finds the rare odd ignition events in hours of recorded coil command and feedback signals.",
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

Folder = Annotated[Path, typer.Argument(help="Folder with findings of an earlier run.", show_default=False)]
Out = Annotated[Path, typer.Option("--out", help="Folder for the findings.", show_default=False)]


@app.command()
def demo(
    *,
    out: Annotated[Path, typer.Option("--out", help="Folder for recording and findings.")] = Path("demo_output"),
    review: Annotated[bool, typer.Option("--review", help="Open the zoomed review afterwards.")] = False,
    minutes: Annotated[float, typer.Option("--minutes", min=1.0, help="Length of the recording.")] = 60.0,
) -> None:
    """Make a demo recording, mine it, and show what was planted beside what was found."""
    from pipelines.demo import run_demo

    run_demo(open_console(), out, duration_s=60.0 * minutes)
    if review:
        _serve(out / "findings")


@app.command()
def mine(
    recording: Annotated[Path, typer.Argument(help="File of any format, or folder of parts.", show_default=False)],
    *,
    setup: Annotated[
        Path | None,
        typer.Option("--setup", help="Engine and leads (TOML); without, leads are told apart.", show_default=False),
    ] = None,
    out: Out,
    cylinders: Annotated[
        int | None, typer.Option("--cylinders", min=1, max=16, help="Without --setup.", show_default=False)
    ] = None,
    keep_copy: Annotated[
        bool, typer.Option("--keep-copy/--no-copy", help="Keep what had to be imported beside the findings.")
    ] = True,
    rate_hz: Rate = None,
    use_verdicts: Annotated[
        bool, typer.Option("--use-verdicts", help="Lower what looks like events judged normal in the review.")
    ] = False,
    as_described: Annotated[
        bool, typer.Option("--as-described", help="Go by the setup even where it does not fit the signals.")
    ] = False,
) -> None:
    """Mine one recording and show the ranked list."""
    from miner.findings.store import Findings
    from miner.mining.steps import MineSettings, mine_recording
    from pipelines.intake import taken_in
    from pipelines.show.listing import print_findings
    from pipelines.show.progress_view import ProgressView

    console = open_console()
    settings = MineSettings(rate_hz=rate_hz, use_verdicts=use_verdicts, as_described=as_described)
    took = taken_in(console, recording, setup, out, options_of(rate_hz), keep_copy=keep_copy, cylinders=cylinders)
    with took as taken:
        for remark in taken.remarks:
            console.print(remark, markup=False, soft_wrap=True)
        with ProgressView(console, "mining") as view:
            mine_recording(
                taken.recording, taken.setup, out, settings=settings, on_progress=view.update, on_stage=view.stage
            )
    print_findings(console, Findings(out))


@app.command()
def export(
    folder: Folder,
    *,
    to: Annotated[Path, typer.Option("--to", help="File to write: .xlsx, .csv or .parquet.", show_default=False)],
    table: Annotated[
        str, typer.Option("--table", help="For .csv and .parquet: events, suspects or incidents.")
    ] = "events",
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace an earlier export of that name.")] = False,
) -> None:
    """Write findings to a workbook, CSV or Parquet."""
    from miner.findings.export import export_findings
    from miner.review.verdicts import read_verdicts

    written = export_findings(folder, to, table=table, verdicts=read_verdicts(folder), overwrite=overwrite)
    open_console().print(f"written: {written}", markup=False, soft_wrap=True)


@app.command()
def review(folder: Folder) -> None:
    """Open the zoomed review in the browser."""
    _serve(folder)


@app.command()
def sensitivity(
    folder: Folder,
    *,
    thorough: Annotated[bool, typer.Option("--thorough", help="Plant anew, and more; takes some minutes.")] = False,
) -> None:
    """Show what would have been found in this recording, and what could not have been seen."""
    from miner.findings.store import Findings
    from pipelines.show.sensitivity_view import print_sensitivity

    print_sensitivity(open_console(), Findings(folder), thorough=thorough)


app.command("import")(import_files)
app.command()(check)
app.command()(leads)
app.command()(setup)
app.command()(overnight)


def _serve(folder: Path) -> None:
    from miner.review.app import serve_review

    serve_review(folder)


def main() -> None:
    """Run the command line; the entry point of ``ignition-miner``."""
    raise SystemExit(guarded(_run))


def _run() -> None:
    """Run it so that what is wrong with the arguments, which may hold any name, is told like all else."""
    if KEEPING_NOTE:
        open_console(stderr=True).print(KEEPING_NOTE, markup=False, soft_wrap=True)
    try:
        code = app(sys.argv[1:] or ["--help"], standalone_mode=False)
    except Exception as error:
        if not hasattr(error, "format_message"):  # the argument parser's errors have it, whichever package they are of
            raise
        raise RunError(str(error.format_message()).rstrip("."), remedy="'ignition-miner --help' tells more") from error
    if code == ENDED_BY_USER:
        raise KeyboardInterrupt
    if code:
        raise SystemExit(code)

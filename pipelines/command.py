"""The command line: arguments in, one call, words out. What is heavy is imported when a command runs."""

from __future__ import annotations

import sys
from contextlib import suppress
from pathlib import Path
from typing import Annotated

import typer

from miner import KEEPING_NOTE
from miner.errors import RunError
from pipelines.intake_command import Rate, check, import_files, leads, options_of, setup
from pipelines.overnight_command import overnight
from pipelines.show.console import ENDED_BY_USER, guarded, open_console, say

__all__ = ["app", "main"]

app = typer.Typer(
    help="Finds the rare odd ignition events in hours of recorded coil command and feedback signals.",
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

Folder = Annotated[Path, typer.Argument(help="Folder with findings of an earlier run.", show_default=False)]
Out = Annotated[Path, typer.Option("--out", help="Folder for the findings.", show_default=False)]


def _tell_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"ignition-miner {version('ignition-miner')}")
        raise typer.Exit


@app.callback()
def _options(
    *,
    version: Annotated[
        bool, typer.Option("--version", callback=_tell_version, is_eager=True, help="Tell the version and end.")
    ] = False,
) -> None:
    """Find the rare odd ignition events in hours of recorded coil command and feedback signals."""


@app.command()
def demo(
    *,
    out: Annotated[Path, typer.Option("--out", help="Folder for recording and findings.")] = Path("demo_output"),
    review: Annotated[bool, typer.Option("--review", help="Open the zoomed review afterwards.")] = False,
    minutes: Annotated[float, typer.Option("--minutes", min=1.0, help="Length of the recording.")] = 15.0,
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
    top: Annotated[int, typer.Option("--top", min=1, help="Suspects to show, at most.")] = 15,
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
            say(console, remark)
        with ProgressView(console, "mining") as view:
            mine_recording(
                taken.recording, taken.setup, out, settings=settings, on_progress=view.update, on_stage=view.stage
            )
    print_findings(console, Findings(out), top=top)


@app.command()
def export(
    folder: Folder,
    *,
    to: Annotated[Path, typer.Option("--to", help="File to write: .xlsx, .csv or .parquet.", show_default=False)],
    table: Annotated[
        str, typer.Option("--table", help="For .csv and .parquet: events, suspects or incidents.")
    ] = "events",
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace an earlier export of that name.")] = False,
    all_events: Annotated[
        bool, typer.Option("--all-events", help="For .xlsx: every event, not only those around the suspects.")
    ] = False,
) -> None:
    """Write findings to a workbook, CSV or Parquet."""
    from miner.findings.export import export_findings
    from miner.findings.whole import understood
    from miner.review.verdicts import damaged_verdicts, read_verdicts

    with understood(folder):
        written = export_findings(
            folder, to, table=table, verdicts=read_verdicts(folder), overwrite=overwrite, all_events=all_events
        )
    console = open_console()
    for sentence in damaged_verdicts(folder):
        say(console, sentence)
    console.print(f"written: {written}", markup=False, soft_wrap=True)


@app.command()
def review(
    folder: Folder,
    *,
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="0 takes a free one.")] = 0,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Only serve the page and print its address.")
    ] = False,
) -> None:
    """Open the zoomed review in the browser."""
    _serve(folder, port=port, open_browser=not no_browser)


@app.command()
def report(folder: Folder) -> None:
    """Freeze the review page again, with the verdicts and notes of today."""
    from miner.findings.whole import understood
    from miner.review.report import write_report

    with understood(folder):
        written = write_report(folder)
    open_console().print(f"written: {written}", markup=False, soft_wrap=True)


@app.command()
def sensitivity(
    folder: Folder,
    *,
    thorough: Annotated[bool, typer.Option("--thorough", help="Plant anew, and more; takes some minutes.")] = False,
) -> None:
    """Show what would have been found in this recording, and what could not have been seen."""
    from miner.findings.store import Findings
    from miner.findings.whole import require_whole, understood
    from pipelines.show.sensitivity_view import print_sensitivity

    findings = Findings(folder)
    require_whole(findings, ["events.parquet"] if thorough else [])
    with understood(folder):
        print_sensitivity(open_console(), findings, thorough=thorough)


app.command("import")(import_files)
app.command()(check)
app.command()(leads)
app.command()(setup)
app.command()(overnight)


def _serve(folder: Path, *, port: int = 0, open_browser: bool = True) -> None:
    from miner.review.app import serve_review

    console = open_console()

    def tell(address: str) -> None:
        console.print(f"The review is at {address} (on this machine only).", markup=False, soft_wrap=True)
        console.print("Verdicts are saved at once. Ctrl-C ends it.")

    with suppress(KeyboardInterrupt):
        serve_review(folder, port=port, open_browser=open_browser, on_ready=tell)
    console.print("The review has ended.")


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

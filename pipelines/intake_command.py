"""The commands ``import``, ``check``, ``leads`` and ``setup``: from unknown files to something that can be mined."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from miner.words import counted

if TYPE_CHECKING:
    from miner.recording.formats.base import ImportOptions

__all__ = ["Rate", "check", "import_files", "leads", "options_of", "setup"]

Rate = Annotated[
    float | None,
    typer.Option(
        "--rate-hz", min=1.0, help="Samples per second, where the recording does not say.", show_default=False
    ),
]
Cylinders = Annotated[
    int | None, typer.Option("--cylinders", min=1, max=16, help="Cylinders of the engine.", show_default=False)
]
AnyRecording = Annotated[Path, typer.Argument(help="Recording of any format.", show_default=False)]


def import_files(
    files: Annotated[list[Path], typer.Argument(help="Files that follow each other.", show_default=False)],
    *,
    out: Annotated[Path, typer.Option("--out", help="Parquet file to write.", show_default=False)],
    rate_hz: Rate = None,
    time_column: Annotated[
        str | None, typer.Option("--time-column", help="Column of the time.", show_default=False)
    ] = None,
    time_unit: Annotated[
        str | None, typer.Option("--time-unit", help="What it counts: s, ms, us, ns or samples.", show_default=False)
    ] = None,
    column: Annotated[
        list[str] | None, typer.Option("--column", help="Lead to take; may be given again.", show_default=False)
    ] = None,
    full_scale_v: Annotated[float, typer.Option("--full-scale-v", help="WAV: volts of full scale.")] = 1.0,
    changes: Annotated[
        bool | None,
        typer.Option("--changes/--samples", help="Text: rows are changes, or samples.", show_default=False),
    ] = None,
    keep_going: Annotated[bool, typer.Option("--keep-going", help="What cannot be read becomes a gap.")] = False,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace an earlier import of that name.")] = False,
) -> None:
    """Import CSV, VCD, WAV, NPY, NPZ, HDF5, Arrow, Feather, MDF 4 or Parquet of another shape."""
    from miner.errors import RecordingError
    from miner.recording.formats.base import ImportOptions
    from miner.recording.importing import import_recording
    from pipelines.intake import told_import
    from pipelines.show.console import open_console, say
    from pipelines.show.import_view import ImportView

    if time_unit not in (None, "s", "ms", "us", "ns", "samples"):
        raise RecordingError(f"'{time_unit}' is no unit of time", remedy="give --time-unit s, ms, us, ns or samples")
    options = ImportOptions(
        rate_hz=rate_hz, time_column=time_column, time_unit=time_unit, columns=tuple(column or ()),
        volts_full_scale=full_scale_v, keep_going=keep_going, changes=changes,
    )  # fmt: skip
    console = open_console()
    with ImportView(console) as view:
        done = import_recording(files, out, options=options, on_import=view.update, overwrite=overwrite)
    for sentence in told_import(done):
        say(console, sentence)
    console.print(f"written: {done.path}", markup=False, soft_wrap=True)


def options_of(rate_hz: float | None) -> ImportOptions:
    """Return the import options of a command that takes recordings of any format."""
    from miner.recording.formats.base import ImportOptions

    return ImportOptions(rate_hz=rate_hz)


def check(
    recording: AnyRecording,
    *,
    setup: Annotated[Path | None, typer.Option("--setup", help="Engine and leads (TOML).", show_default=False)] = None,
    rate_hz: Rate = None,
) -> None:
    """Tell whether a recording is good enough to judge an ignition by, and what would make it better."""
    from miner.engine.checks.recording import check_recording
    from miner.engine.setup import load_setup
    from miner.recording.reader import open_recording, require_columns
    from pipelines.intake import imported
    from pipelines.show.console import open_console, say

    console = open_console()
    described = load_setup(setup) if setup is not None else None
    with tempfile.TemporaryDirectory() as away:
        path, _ = imported(console, [recording], Path(away) / "recording.parquet", options_of(rate_hz))
        opened = open_recording(path, rate_hz=rate_hz or (described.sample_rate_hz if described else None))
        require_columns(opened, [c.column for c in described.channel] if described else [])
        findings = check_recording(opened, described)
    for finding in findings:
        say(console, f"{finding.sentence}.")
    say(console, _in_short(len(findings), sum(finding.weighs for finding in findings)))


def _in_short(n: int, n_weighing: int) -> str:
    """Return the last line of a check: whether the recording is good enough.

    Examples
    --------
    >>> _in_short(0, 0), _in_short(1, 0)
    ('nothing stands in the way', 'good enough to judge; 1 thing to know')
    >>> _in_short(3, 1)
    '3 things to know; 1 of them may cost events or make figures wrong'
    """
    if not n:
        return "nothing stands in the way"
    things = f"{counted(n, 'thing')} to know"
    if not n_weighing:
        return f"good enough to judge; {things}"
    which = "it" if n == 1 else f"{n_weighing} of them"
    return f"{things}; {which} may cost events or make figures wrong"


def leads(
    recording: AnyRecording,
    *,
    cylinders: Cylinders = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="Setup to write; shown on the terminal by default.", show_default=False)
    ] = None,
    rate_hz: Rate = None,
) -> None:
    """Tell unknown leads apart by their signals, and write a setup to keep and to edit."""
    from miner.engine.leads.setup_text import setup_text
    from pipelines.intake import described_by_signals, imported, write_found
    from pipelines.show.console import open_console, say

    console = open_console()
    with tempfile.TemporaryDirectory() as away:
        path, _ = imported(console, [recording], Path(away) / "recording.parquet", options_of(rate_hz))
        found, _ = described_by_signals(path, None, rate_hz, cylinders)
    for lead in found.leads:
        role = f"{lead.role} ({100 * lead.confidence:.0f} %)" if lead.role else "cannot tell"
        place = f", place {lead.cylinder} in the firing order" if lead.cylinder else ""
        say(console, f"{lead.column}: {role}{place}: {lead.reason}")
    for remark in found.remarks:
        say(console, remark)
    if out is not None:
        console.print(f"written: {write_found(found, None, out, recording)}", markup=False, soft_wrap=True)
    elif found.engine is not None:
        console.print("\n" + setup_text(found), markup=False, soft_wrap=True)


def setup(
    *,
    out: Annotated[Path, typer.Option("--out", help="Setup to write.")] = Path("setup.toml"),
    rate_hz: Rate = None,
) -> None:
    """Ask five questions and write the setup."""
    from pipelines.setup_dialogue import ask_setup
    from pipelines.show.console import open_console

    ask_setup(open_console(), out, options_of(rate_hz))

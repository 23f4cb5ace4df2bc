"""Import files of other recorders: one Parquet recording, exact to the count, in bounded memory.

Usage
-----
>>> done = import_recording([Path("capture.csv")], Path("recording.parquet"))  # doctest: +SKIP
>>> done.n_samples, done.rate_hz  # doctest: +SKIP
(60000000, 1000000.0)
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pyarrow as pa

from miner.errors import RecordingError
from miner.recording.formats.ahead import read_ahead
from miner.recording.formats.base import KEEP_TIME, Again, Block, ImportOptions, Notes, Stream, StreamLead, refuse
from miner.recording.formats.instants import Grid, RisingInstants, check_rate, estimate_rate
from miner.recording.formats.registry import open_stream
from miner.recording.reader import TIME_COLUMN
from miner.recording.writing import MADE_FROM, RecordingWriter, renamed_when_complete

__all__ = ["Imported", "OnImport", "import_recording"]

OnImport = Callable[[float, int], None]
"""Told now and then the share of the input that has been read (0 to 1), and the samples per lead so far."""


@dataclass(frozen=True, kw_only=True)
class Imported:
    """What an import wrote.

    Attributes
    ----------
    path : Path
    n_samples : int
        Rows, those in gaps included.
    rate_hz : float
        Samples per second; with ``has_time``, the usual one.
    has_time : bool
        Whether the instants are irregular and were kept as a column.
    leads : tuple of str
    n_unreadable : int
        Values that could not be read and became gaps.
    remarks : tuple of str
        What is worth knowing, a sentence each.
    """

    path: Path
    n_samples: int
    rate_hz: float
    has_time: bool
    leads: tuple[str, ...]
    n_unreadable: int
    remarks: tuple[str, ...]


@dataclass
class _Run:
    """One attempt at an import."""

    files: Sequence[Path]
    options: ImportOptions
    on_import: OnImport
    notes: Notes = field(default_factory=Notes)
    rate_hz: float = 0.0
    n_samples: int = 0
    leads: tuple[StreamLead, ...] = ()
    _began_ns: int | None = None

    @property
    def keep_time(self) -> bool:
        return KEEP_TIME in self.options.plan

    def write(self, path: Path) -> None:
        """Write the recording, or raise `Again`."""
        first = self._open(self.files[0])
        self.leads = first.leads
        blocks = read_ahead(self._blocks(first))
        block = next(blocks, None)
        if block is None:
            raise refuse("holds no samples", "check how it was recorded", self.files[0])
        placed = self._placing(first, block)
        with RecordingWriter(path, self._schema(first), seldom_changing=first.seldom_changing) as writer:
            while block is not None:
                writer.write(placed(block))
                self.n_samples = writer.n_rows
                self.on_import(block.done, writer.n_rows)
                block = next(blocks, None)

    def _open(self, file: Path) -> Stream:
        return open_stream(file, self.options, self.notes)

    def _blocks(self, first: Stream) -> Iterator[Block]:
        """Yield the blocks of all files in a row; later ones must have the leads of the first."""
        for index, file in enumerate(self.files):
            stream = first if index == 0 else self._open(file)
            _check_agreement(first, stream, self.files[0], file)
            later_s = self._later_s(index, first, stream)
            for number, block in enumerate(stream.blocks):
                if block.n_rows:
                    here = block.of_many(index, len(self.files), begins=number == 0)
                    yield replace(here, time_s=here.time_s + later_s) if later_s and here.time_s is not None else here

    def _later_s(self, index: int, first: Stream, stream: Stream) -> float:
        """Return how much later than the first file's the instants of a file count from, by the clock of both."""
        if first.zero_ns is None or stream.zero_ns is None:
            return 0.0
        began, self._began_ns = self._began_ns, stream.zero_ns
        if began is not None and stream.zero_ns < began:
            raise refuse(
                f"begins before '{self.files[index - 1].name}'",
                "name the files in the order they were recorded",
                self.files[index],
            )
        return (stream.zero_ns - first.zero_ns) / 1e9

    def _placing(self, stream: Stream, first: Block) -> Callable[[Block], dict[str, pa.Array]]:
        """Return what turns a block into columns to write, and settle the rate."""
        if first.time_s is None or (self.options.rate_hz is not None and not stream.counts_samples):
            self.rate_hz = _settled_rate(stream, self.options, first)
            return lambda block: dict(block.columns)
        if self.keep_time:
            steps = RisingInstants()
            rate = estimate_rate(first.time_s)
            if rate is None:
                raise refuse("has no step of time to take the rate from", "check the time column", first.file)
            check_rate(rate, first)
            self.rate_hz = rate
            return lambda block: self._kept(steps, block)
        grid = Grid(first.time_s)
        self.rate_hz = grid.rate_hz
        check_rate(grid.rate_hz, first)
        return lambda block: self._gridded(grid, block)

    def _kept(self, steps: RisingInstants, block: Block) -> dict[str, pa.Array]:
        assert block.time_s is not None
        if block.begins:
            steps.restart(float(block.time_s[0]))
        return {TIME_COLUMN: pa.array(steps.check(block)), **block.columns}

    def _gridded(self, grid: Grid, block: Block) -> dict[str, pa.Array]:
        assert block.time_s is not None
        if block.begins:
            grid.restart(float(block.time_s[0]))
        return dict(grid.place(block))

    def _schema(self, stream: Stream) -> pa.Schema:
        fields = [lead.field() for lead in stream.leads]
        said = {MADE_FROM: "files"} | ({"started_at": stream.started_at} if stream.started_at else {})
        if self.keep_time:
            return pa.schema([pa.field(TIME_COLUMN, pa.float64()), *fields], metadata=said)
        return pa.schema(fields, metadata={"sample_rate_hz": repr(self.rate_hz), **said})


def import_recording(
    files: Sequence[str | Path],
    out: str | Path,
    *,
    options: ImportOptions | None = None,
    on_import: OnImport = lambda _done, _n: None,
    overwrite: bool = True,
) -> Imported:
    """Write one recording from files that follow each other.

    Parameters
    ----------
    files : sequence of path
        Of one format with the same leads, in the order they were recorded.
    out : path
        Parquet file to write; never one of the inputs, nor anything else that is no earlier import.
    options : ImportOptions, optional
        What the files do not say.
    on_import : callable, optional
        Told how far the import is.
    overwrite : bool, default=True
        Whether an earlier import of something else may be replaced.

    Returns
    -------
    Imported

    Raises
    ------
    RecordingError
        For what cannot be read, with file, line or row, column and remedy; nothing is written then.
    """
    inputs = [Path(file) for file in files]
    options = options or ImportOptions()
    if not inputs:
        raise RecordingError("there is nothing to import", remedy="name one file or more")
    if options.rate_hz is not None and not (np.isfinite(options.rate_hz) and options.rate_hz > 0):
        raise refuse(f"the rate given, {options.rate_hz}, is not above 0", "correct it", inputs[0])
    with renamed_when_complete(Path(out), inputs, overwrite=overwrite) as temporary:
        while True:
            run = _Run(inputs, options, on_import)
            try:
                run.write(temporary)
            except Again as again:
                options = replace(options, plan=options.plan | {again.finding})
            else:
                return _told(run, Path(out))


def _told(run: _Run, out: Path) -> Imported:
    remarks = list(run.notes.remarks)
    if run.notes.unreadable:
        first = run.notes.first_unreadable
        remarks.insert(0, f"{run.notes.unreadable} values could not be read and are gaps, the first at {first}")
    if run.keep_time:
        remarks.append("the instants are not regular, so they were kept as the column 'time_s'")
    return Imported(
        path=out,
        n_samples=run.n_samples,
        rate_hz=run.rate_hz,
        has_time=run.keep_time,
        leads=tuple(lead.name for lead in run.leads),
        n_unreadable=run.notes.unreadable,
        remarks=tuple(remarks),
    )


def _check_agreement(first: Stream, other: Stream, first_file: Path, file: Path) -> None:
    if other.leads != first.leads:
        mine, theirs = ([f"{lead.name} ({lead.type})" for lead in s.leads] for s in (other, first))
        raise refuse(
            f"has the leads {', '.join(mine)}, '{first_file.name}' has {', '.join(theirs)}",
            "import only files of one recording together",
            file,
        )
    if other.rate_hz != first.rate_hz:
        raise refuse(
            f"has {other.rate_hz} samples a second, '{first_file.name}' has {first.rate_hz}",
            "import only files of one recording together",
            file,
        )


def _settled_rate(stream: Stream, options: ImportOptions, block: Block) -> float:
    rate = options.rate_hz if options.rate_hz is not None else stream.rate_hz
    if rate is None:
        raise refuse("says nothing of its sample rate", "give --rate-hz", block.file)
    if stream.rate_hz is not None and abs(rate / stream.rate_hz - 1.0) > 1e-6:
        raise refuse(
            f"says {stream.rate_hz:g} samples a second, the rate given is {rate:g}",
            "leave --rate-hz out, or correct the file",
            block.file,
        )
    return float(rate)

"""What the review shows: one findings folder, and the recording it came from while that can still be found."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from numpy.typing import NDArray

from miner.engine.setup import Setup
from miner.errors import MinerError
from miner.events.rows import TimeIndex, first_id
from miner.findings.event_file import EventFile
from miner.findings.store import READY, SUMMARY, Findings
from miner.findings.whole import damaged_files, generation_of, require_whole
from miner.recording.clock import Clock
from miner.recording.reader import Recording, open_recording
from miner.review.envelope import BLOCK_SAMPLES, EnvelopeLevels
from miner.review.tables import CLOCK, ENVELOPE, TRACKS, USUAL, USUAL_VALUES, WINDOWS
from miner.review.verdicts import VerdictStore
from miner.schema import GAPS, INCIDENTS, SILENCES, SUSPECTS, Table
from miner.signal.extraction import time_gaps

__all__ = ["RECORDING_FILE", "ReviewSource", "ShownLead", "clock_of", "shown_recording"]

RECORDING_FILE = "recording.json"

NEEDED = frozenset({SUMMARY, RECORDING_FILE, "events.parquet", "suspects.parquet", "incidents.parquet"})
"""Without these nothing can be shown; what else is damaged is left out, and said."""

EVENT_COLUMNS = (
    "event_id", "cylinder", "time_s", "command_seen", "feedback_seen", "on_time_us", "delay_us",
    "feedback_width_us", "amplitude_v", "feedback_amplitude_v", "rise_us", "fall_us", "engine_rpm", "supply_v",
    "timing_residual_deg", "interval_us", "extra_pulses", "operating_state", "quality", "slot", "off_level_v",
)  # fmt: skip
"""What the page is told of a single event: half of what is known."""

MOST_BLOCKS = 1 << 24
"""Blocks of all leads together that are held: five hours of four leads at 1 MS/s, or a day of three at 200 kS/s; of
longer recordings they are coarser."""


@dataclass(frozen=True, kw_only=True)
class ShownLead:
    """One lead as the page shows it; ``index`` is its place in the setup's channel list."""

    index: int
    column: str
    role: str
    cylinder: int | None
    unit: str


def shown_recording(recording: Recording, setup: Setup, *, block_samples: int = BLOCK_SAMPLES) -> dict[str, Any]:
    """Return the content of ``recording.json``: where the recording lay, what it was and what its leads are."""
    channels = [
        {
            "column": channel.column,
            "role": channel.role,
            "cylinder": channel.cylinder,
            "unit": recording.channels[channel.column].unit or "V",
        }
        for channel in setup.channel
    ]
    return {
        "path": str(Path(recording.path).resolve()),
        "identity": recording.identity(),
        "rate_hz": recording.rate_hz,
        "n_samples": recording.n_samples,
        "started_at": recording.started_at,
        "vehicle": setup.vehicle,
        "channels": channels,
        "firing_order": list(setup.engine.firing_order),
        "block_samples": block_samples,
    }


def clock_of(rate_hz: float, gaps: pa.Table, known: pa.Table) -> Clock:
    """Return the clock of a recording from what its findings hold.

    Parameters
    ----------
    rate_hz : float
        Nominal rate.
    gaps : GAPS table
        Only those of all leads (lead null) cost samples.
    known : CLOCK table
        No rows where the recording has no times of its own.
    """
    return Clock(rate_hz, known["sample"].to_numpy(), known["time_s"].to_numpy(), time_gaps(gaps))


class ReviewSource:
    """Everything the page asks for, read once.

    Parameters
    ----------
    folder : path
        A finished findings folder.
    summary : mapping, optional
        The summary of a run that is about to finish, before it lies in the folder.
    most_blocks : int, default=MOST_BLOCKS
        Blocks of the envelope that are held, of all leads together.

    Raises
    ------
    FindingsError
        If the folder holds no finished findings.
    """

    def __init__(
        self, folder: str | Path, *, summary: Mapping[str, Any] | None = None, most_blocks: int = MOST_BLOCKS
    ) -> None:
        self._most_blocks = most_blocks
        self.findings = Findings(folder)
        self._stamp = self._stamp_now()
        self.summary: Mapping[str, Any] = self.findings.summary() if summary is None else summary
        self.generation = generation_of(self.summary)
        self.damaged = frozenset(damaged_files(self.findings) if summary is None else ())
        if self.damaged & NEEDED:
            require_whole(self.findings, NEEDED)
        self.info: Mapping[str, Any] = self.findings.read_json(RECORDING_FILE)
        self.events = EventFile(self.findings)
        self.shown_events = EventFile(self.findings, columns=EVENT_COLUMNS, kept=2)
        self.suspects = self.findings.read_table(SUSPECTS)
        self.incidents = self.findings.read_table(INCIDENTS)
        self.gaps = self._optional(GAPS)
        self.silences = self._optional(SILENCES)
        self.usual = self._optional(USUAL)
        self.verdicts = VerdictStore(self.findings.folder, str(self.info["identity"]))
        self.told_damage = [
            f"{name} is damaged, what it holds is not shown. Mine the recording again." for name in sorted(self.damaged)
        ]
        self.missing: list[str] = [*self.told_damage]
        self.recording = self._find_recording()
        self.rate_hz = float(self.info["rate_hz"])
        self.clock = clock_of(self.rate_hz, self.gaps, self._optional(CLOCK))
        self.leads: Sequence[ShownLead] = [
            ShownLead(index=i, **channel) for i, channel in enumerate(self.info["channels"])
        ]

    @property
    def folder(self) -> Path:
        """The findings folder."""
        return self.findings.folder

    def is_current(self) -> bool:
        """Say whether the folder still holds the findings that were opened, and not those of a later run.

        Raises
        ------
        FindingsError
            If it holds none any more.
        """
        stamp = self._stamp_now()
        if stamp != self._stamp and generation_of(self.findings.summary()) == self.generation:
            self._stamp = self._stamp_now()  # mined again with the same result
            return True
        return stamp == self._stamp

    def _stamp_now(self) -> tuple[object, ...]:
        """Return what changes as soon as other findings begin to take their place."""
        try:
            state = (self.folder / SUMMARY).stat()
        except OSError:
            return ()
        return state.st_mtime_ns, state.st_size, state.st_ino, (self.folder / READY).exists()

    @property
    def n_samples(self) -> int:
        """Samples per lead in the whole recording."""
        return int(self.info["n_samples"])

    @cached_property
    def duration_s(self) -> float:
        """From the first to the last sample, gaps included."""
        return float(self.clock.to_seconds(max(self.n_samples - 1, 0)))

    @cached_property
    def time_index(self) -> TimeIndex:
        """Finds events by time."""
        return TimeIndex(self.events)

    def rows_of(self, suspects: pa.Table) -> NDArray[np.int64]:
        """Return the row of each suspect's event: events are numbered from the first on."""
        rows: NDArray[np.int64] = suspects["event_id"].to_numpy() - self.first_id
        return rows

    @cached_property
    def first_id(self) -> int:
        """Running number of the first event."""
        return first_id(self.events)

    @cached_property
    def kinds(self) -> dict[int, str]:
        """Kind of each suspect by its event id."""
        return dict(zip(self.suspects["event_id"].to_pylist(), self.suspects["kind"].to_pylist(), strict=True))

    @cached_property
    def envelope(self) -> EnvelopeLevels:
        """Levels of smallest and largest values; empty levels where mining left none."""
        kept = self._is_kept(ENVELOPE)
        tables = self.findings.read_groups(ENVELOPE) if kept else ()
        block = int(self.info["block_samples"])
        n_blocks = self.n_samples // block * len(self.leads)
        return EnvelopeLevels.from_tables(tables, block, joined=-(-max(n_blocks, 1) // self._most_blocks))

    def lead_range(self, lead: int) -> tuple[float, float] | None:
        """Return between which voltages a lead lies but for rare spikes; None where no envelope was kept."""
        levels = self.envelope.levels[0]
        if lead not in levels or not np.isfinite(levels[lead][0]).any():
            return None
        low, high = levels[lead]
        return float(np.nanpercentile(low, 1)), float(np.nanpercentile(high, 99))

    @cached_property
    def usual_measures(self) -> dict[int, dict[str, tuple[float | None, float | None]]]:
        """Per listed event and measure: usual value and distance in sigma."""
        out: dict[int, dict[str, tuple[float | None, float | None]]] = {}
        for row in self._optional(USUAL_VALUES).to_pylist():
            out.setdefault(row["event_id"], {})[row["measure"]] = (row["usual"], row["distance_sigma"])
        return out

    def track_pieces(self) -> Iterator[pa.Table]:
        """Yield the slow leads, piece by piece."""
        if self._is_kept(TRACKS):
            yield from self.findings.read_groups(TRACKS)

    def stored_windows(self, event_id: int) -> pa.Table:
        """Return what mining kept of the leads around one suspect; no rows where it kept nothing."""
        path = self.findings.path_of(WINDOWS)
        if not self._is_kept(WINDOWS):
            return WINDOWS.empty()
        return pq.read_table(
            path, filters=[("event_id", "=", event_id)], partitioning=None, page_checksum_verification=True
        )

    def all_stored_windows(self) -> pa.Table:
        """Return what mining kept of the leads around all suspects, for who wants one after the other."""
        return self._optional(WINDOWS)

    @cached_property
    def true_windows(self) -> pa.Table:
        """The stored windows of true samples: 12,000 values of each lead for each of the first suspects, at most."""
        table = self._optional(WINDOWS)
        return table.filter(pc.equal(table["step"], 1))

    @cached_property
    def usual_rows(self) -> list[dict[str, Any]]:
        """Rows of the usual pulses without their curves, in the order of ``usual``."""
        rows: list[dict[str, Any]] = self.usual.drop_columns(["low", "median", "high"]).to_pylist()
        return rows

    @cached_property
    def stored_spans(self) -> dict[int, float]:
        """Event id of each stored window of true samples, and where it starts, in time order."""
        table = self.true_windows
        pairs = zip(table["event_id"].to_pylist(), table["start_s"].to_pylist(), strict=True)
        return dict(sorted(pairs, key=lambda pair: pair[1]))

    def _is_kept(self, declared: Table) -> bool:
        path = self.findings.path_of(declared)
        return path.is_file() and path.name not in self.damaged

    def _optional(self, declared: Table) -> pa.Table:
        if not self._is_kept(declared):
            return declared.empty()
        return self.findings.read_table(declared)

    def _find_recording(self) -> Recording | None:
        """Open the recording where it lay, or beside the findings; say why where that fails."""
        stored = Path(str(self.info["path"]))
        near = self.folder.resolve()
        places = [stored, near.parent / stored.name, near / stored.name]
        found = next((place for place in places if place.exists()), None)
        if found is None:
            self.missing.append(
                f"The recording is no longer at {stored}: the envelope and the stored windows of the top suspects"
                " are shown instead of true samples everywhere. Move it back, or beside the findings folder."
            )
            return None
        try:
            recording = open_recording(found, rate_hz=float(self.info["rate_hz"]))
            if recording.identity() != self.info["identity"]:
                self.missing.append(
                    f"{found} holds another recording than the one that was mined: it is not shown."
                    " Move the right one back, or mine this one."
                )
                return None
        except MinerError as error:
            self.missing.append(f"The recording cannot be opened: {error}")
            return None
        return recording

"""A synthetic recording on disk: Parquet with its setup, its truth and the scenario it came from."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from miner.recording.progress import OnProgress, Progress
from miner.synthetic.draw import LeadPen
from miner.synthetic.kernels import add_noise, noise_table
from miner.synthetic.plan import Plan, plan_drive
from miner.synthetic.scenario import Gap, Scenario, Storage
from miner.synthetic.toml import toml_text

__all__ = ["WrittenRecording", "write_recording"]


@dataclass(frozen=True, kw_only=True)
class WrittenRecording:
    """Where a synthetic recording and its truth lie, and the plan they came from."""

    folder: Path
    recording: Path
    setup: Path
    truth_events: Path
    truth_faults: Path
    plan: Plan


def write_recording(
    scenario: Scenario, folder: str | Path, *, on_progress: OnProgress | None = None
) -> WrittenRecording:
    """Draw a scenario into ``folder``.

    Writes ``recording.parquet`` (or the folder ``recording`` of parts), ``setup.toml``, ``truth_events.parquet``,
    ``truth_faults.parquet`` and, last of all, ``scenario.toml``. Memory is that of the plan and two stretches of
    samples, however long the recording is; a row group as long as the recording is held as a whole,
    as Parquet writers do.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    plan = plan_drive(scenario)
    recording = folder / ("recording" if scenario.storage.n_parts > 1 else "recording.parquet")
    out = WrittenRecording(
        folder=folder, recording=recording, setup=folder / "setup.toml",
        truth_events=folder / "truth_events.parquet", truth_faults=folder / "truth_faults.parquet", plan=plan,
    )  # fmt: skip
    pq.write_table(plan.events, out.truth_events, compression="zstd", write_page_checksum=True)
    pq.write_table(plan.faults, out.truth_faults, compression="zstd", write_page_checksum=True)
    out.setup.write_text(toml_text(_without_defaults(scenario)), encoding="utf-8")
    _write_samples(plan, recording, on_progress)
    text = toml_text(scenario.model_dump(mode="json"))
    (folder / "scenario.toml").write_text(text, encoding="utf-8")
    return out


def _without_defaults(scenario: Scenario) -> dict[str, Any]:
    return scenario.setup.model_dump(mode="json", exclude_defaults=True, exclude_none=True)


def _write_samples(plan: Plan, recording: Path, on_progress: OnProgress | None) -> None:
    """Write all parts, each to a temporary name first; one stretch is encoded while the next is drawn."""
    storage, n = plan.scenario.storage, plan.scenario.n_samples
    bounds = [round(i * n / storage.n_parts) for i in range(storage.n_parts + 1)]
    if storage.n_parts > 1:
        recording.mkdir(parents=True, exist_ok=True)
    pens = [LeadPen(plan, index) for index in range(len(plan.scenario.leads))]
    with ThreadPoolExecutor(1) as encoder:
        for part in range(storage.n_parts):
            path = recording / f"part_{part:04d}.parquet" if storage.n_parts > 1 else recording
            unfinished = path.with_name(path.name + ".tmp")
            with pq.ParquetWriter(
                unfinished, _schema(plan), write_page_checksum=True, **_options(plan.scenario)
            ) as writer:
                waiting: Future[None] | None = None
                for table, stop in _tables(plan, pens, bounds[part], bounds[part + 1]):
                    if waiting is not None:
                        waiting.result()
                    waiting = encoder.submit(writer.write_table, table, row_group_size=max(table.num_rows, 1))
                    if on_progress is not None:
                        on_progress(_progress(plan, stop))
                if waiting is not None:
                    waiting.result()
            unfinished.replace(path)


def _progress(plan: Plan, done: int) -> Progress:
    done_s = done / plan.scenario.rate_hz
    n_events = int(np.searchsorted(plan.truth["time_s"], done_s))
    return Progress(samples_done=done, samples_total=plan.scenario.n_samples, recorded_s=done_s, n_events=n_events)


def _tables(plan: Plan, pens: list[LeadPen], start: int, stop: int) -> Iterator[tuple[pa.Table, int]]:
    """Yield row groups in order, each with the index of the sample after it."""
    size = plan.scenario.storage.row_group_samples or max(stop - start, 1)
    for first in range(start, stop, size):
        last = min(first + size, stop)
        yield _table(plan, pens, first, last), last


def _table(plan: Plan, pens: list[LeadPen], start: int, stop: int) -> pa.Table:
    """Return the samples ``[start, stop)`` as stored, gaps left out or nulled."""
    scenario = plan.scenario
    arrays: list[pa.Array] = []
    if scenario.storage.time_column:
        arrays.append(pa.array(_stamps_s(scenario, start, stop)))
    for pen in pens:
        raw = pen.raw(start, stop)
        gone = _gone(scenario, start, stop, "null", pen.lead.column)
        blank = _gone(scenario, start, stop, "nan", pen.lead.column)
        if blank is not None:
            raw[blank] = np.nan
        arrays.append(pa.array(raw, mask=gone))
    table = pa.Table.from_arrays(arrays, schema=_schema(plan))
    missing = _gone(scenario, start, stop, "missing", None)
    return table if missing is None else table.filter(pa.array(~missing))


def _gone(scenario: Scenario, start: int, stop: int, kind: str, column: str | None) -> NDArray[np.bool_] | None:
    """Return which samples of a stretch lie in gaps of a kind, None where there are none."""
    out: NDArray[np.bool_] | None = None
    for gap in scenario.gaps:
        first, last = _gap_samples(gap, scenario.rate_hz)
        if gap.kind != kind or last <= start or first >= stop:
            continue
        if column is None or gap.columns is None or column in gap.columns:
            out = np.zeros(stop - start, np.bool_) if out is None else out
            out[max(first - start, 0) : last - start] = True
    return out


def _gap_samples(gap: Gap, rate_hz: float) -> tuple[int, int]:
    return round(gap.start_s * rate_hz), round((gap.start_s + gap.duration_s) * rate_hz)


def _stamps_s(scenario: Scenario, start: int, stop: int) -> NDArray[np.float64]:
    """Return time stamps with the clock's jitter, which never swaps two samples."""
    jitter = np.zeros(stop - start, np.float32)
    add_noise(jitter, start, scenario.seed + 99, 0.5 * scenario.storage.clock_jitter, noise_table())
    jitter = np.clip(jitter, -scenario.storage.clock_jitter, scenario.storage.clock_jitter)
    if start == 0:
        jitter[0] = 0.0
    return np.asarray(scenario.storage.time_origin_s + (np.arange(start, stop) + jitter) / scenario.rate_hz)


def _schema(plan: Plan) -> pa.Schema:
    scenario, fields = plan.scenario, []
    if scenario.storage.time_column:
        fields.append(pa.field("time_s", pa.float64()))
    for index, lead in enumerate(scenario.leads):
        kind = pa.from_numpy_dtype(np.dtype(lead.dtype))
        fields.append(pa.field(lead.column, kind, metadata=_field_metadata(plan, index)))
    metadata = {}
    if scenario.storage.rate_in_metadata and not scenario.storage.time_column:
        metadata["sample_rate_hz"] = repr(scenario.rate_hz)
    if scenario.storage.started_at is not None:
        metadata["started_at"] = scenario.storage.started_at
    return pa.schema(fields, metadata=metadata or None)


def _field_metadata(plan: Plan, index: int) -> dict[str, str] | None:
    from miner.synthetic.draw import count_scale

    lead = plan.scenario.leads[index]
    scale, offset = count_scale(lead)
    if (scale, offset) == (1.0, 0.0):
        return None
    return {"scale": repr(scale), "offset": repr(offset), "unit": "A" if lead.role == "coil_current" else "V"}


def _options(scenario: Scenario) -> dict[str, Any]:
    """Return Parquet writer options: packed differences of counts were the smallest and nearly fastest to decode."""
    storage: Storage = scenario.storage
    counts = [lead.column for lead in scenario.leads if not lead.dtype.startswith("float")]
    options: dict[str, Any] = {"compression": storage.compression, "use_dictionary": False}
    if storage.encoding == "dictionary":
        options["use_dictionary"] = counts
    elif storage.encoding == "delta" and counts:
        options["column_encoding"] = dict.fromkeys(counts, "DELTA_BINARY_PACKED")
    return options

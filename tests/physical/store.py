"""Files of a recording: samples as Parquet, the setup, the truth and what a scorer has to know."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from tests.physical.columns import Ints
from tests.physical.layouts import LAYOUTS
from tests.physical.leads import NOISE_POOL, LeadMaker
from tests.physical.options import Lead, Options

CHUNK = 1 << 20
"""Samples of each lead that are alive at a time; one row group."""


def field_of(lead: Lead) -> pa.Field:
    """Return the column's type; integers carry scale, offset and unit."""
    c = lead.converter
    kind = np.dtype(c.dtype)
    if kind.kind == "f":
        return pa.field(lead.name, pa.from_numpy_dtype(kind))
    offset = -c.step_v * 2 ** (c.bits - 1) if kind.kind == "u" else 0.0
    unit = "A" if lead.role == "coil_current" else "V"
    meta = {"scale": repr(c.step_v), "offset": repr(offset), "unit": unit}
    return pa.field(lead.name, pa.from_numpy_dtype(kind), metadata=meta)


def stored(codes: Ints, lead: Lead) -> pa.Array:
    c = lead.converter
    kind = np.dtype(c.dtype)
    if kind.kind == "f":
        return pa.array((codes * c.step_v).astype(kind))
    return pa.array((codes + (2 ** (c.bits - 1) if kind.kind == "u" else 0)).astype(kind))


def samples_inside(stretch: tuple[float, float], rate_hz: float, i0: int, n: int) -> slice:
    a, b = (min(max(int(x * rate_hz) - i0, 0), n) for x in stretch)
    return slice(a, b)


def write_samples(options: Options, makers: Sequence[LeadMaker], path: Path) -> None:
    """Draw and write all leads, chunk after chunk."""
    fields = [field_of(lead) for lead in options.leads]
    meta = {"started_at": "2026-05-04T07:30:00"}
    if options.time_gap:
        fields = [pa.field("time_s", pa.float64()), *fields]
    else:
        meta["sample_rate_hz"] = repr(float(options.rate_hz))
    schema = pa.schema(fields, metadata=meta)
    packed = {f.name: "DELTA_BINARY_PACKED" for f in fields if pa.types.is_integer(f.type)}
    plain = {f.name: "PLAIN" for f in fields if f.name not in packed}
    zstd = {f.name: "NONE" if f.name in packed else "ZSTD" for f in fields}
    pool = np.random.default_rng([options.seed, 9]).standard_normal(NOISE_POOL, np.float32)
    loose = {
        lead.name: np.array([(int(a * options.rate_hz), int(b * options.rate_hz)) for name, a, b in options.clips_off
                             if name == lead.name], dtype=np.int64).reshape(-1, 2) for lead in options.leads
    }  # fmt: skip
    total = int(options.seconds * options.rate_hz)
    with pq.ParquetWriter(path, schema, compression=zstd, use_dictionary=False, write_statistics=False,
                          column_encoding=packed | plain) as writer:  # fmt: skip
        for i0 in range(0, total, CHUNK):
            n = min(CHUNK, total - i0)
            hole = np.zeros(n, dtype=bool)
            for stretch in options.nulls:
                hole[samples_inside(stretch, options.rate_hz, i0, n)] = True
            columns = [stored(maker.codes(i0, n, pool, loose[maker.lead.name]), maker.lead) for maker in makers]
            if hole.any():
                columns = [pa.compute.if_else(pa.array(hole), pa.scalar(None, c.type), c) for c in columns]
            if options.time_gap:
                columns = [pa.array(3.25 + (i0 + np.arange(n)) / options.rate_hz), *columns]
            table = pa.Table.from_arrays(columns, schema=schema)
            if options.time_gap:
                keep = np.ones(n, dtype=bool)
                keep[samples_inside(options.time_gap, options.rate_hz, i0, n)] = False
                table = table.filter(pa.array(keep))
            if table.num_rows:
                writer.write_table(table, row_group_size=CHUNK)


def setup_text(options: Options) -> str:
    """Return the setup file that a user would have written."""
    layout = LAYOUTS[options.layout]
    out = ["[engine]", f"cylinders = {len(layout.order)}", f"firing_order = {list(layout.order)}"]
    if layout.strokes == 2:
        out.append("strokes = 2")
    if layout.angles_deg:
        out.append(f"firing_angles_deg = {list(layout.angles_deg)}")
    if layout.paired:
        out.append('layout = "paired"')
    for lead in options.leads:
        out += ["", "[[channel]]", f'column = "{lead.name}"', f'role = "{lead.role}"']
        if lead.cylinder is not None:
            out.append(f"cylinder = {lead.cylinder}")
    return "\n".join(out) + "\n"


def scene_text(options: Options, number: int, planted: int, ignore: list[tuple[float, float]]) -> str:
    """Return what a scorer has to know, as JSON."""
    command = any(lead.role == "command" for lead in options.leads)
    layout = LAYOUTS[options.layout]
    return json.dumps({
        "number": number, "seconds": options.seconds, "sample_rate_hz": options.rate_hz, "healthy": planted == 0,
        "planted": planted, "ignore": ignore, "cylinder_known": command or len(layout.order) == 1,
        "feedback_only": not command, "layout": options.layout, "cylinders": len(layout.order),
        "channels": {lead.name: [lead.role, lead.cylinder] for lead in options.leads},
    }, indent=1)  # fmt: skip

"""Findings that were damaged, or written by somebody else, in a way drawn from a seed."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from miner.findings.store import SUMMARY
from miner.review.source import RECORDING_FILE

Damage = Callable[[np.random.Generator, Path], None]

ODD_JSON: tuple[Any, ...] = (
    None, True, 0, -1, 1e308, 10**400, 1.5, "", "x", "\x1b[31m", "=1+1", "\u202e", "a" * 5000, [], [[]], {}, ["x"],
    {"a": 1}, "../../x", "1e5",
)  # fmt: skip


def _file(draw: np.random.Generator, folder: Path) -> Path:
    return Path(str(draw.choice([str(path) for path in sorted(folder.iterdir()) if path.is_file()])))


def flipped(draw: np.random.Generator, folder: Path) -> None:
    """Flip a bit of a file."""
    path = _file(draw, folder)
    content = bytearray(path.read_bytes())
    if content:
        content[int(draw.integers(len(content)))] ^= 1 << int(draw.integers(8))
    path.write_bytes(content)


def cut(draw: np.random.Generator, folder: Path) -> None:
    """Cut a file off."""
    path = _file(draw, folder)
    content = path.read_bytes()
    path.write_bytes(content[: int(draw.integers(len(content) + 1))])


def gone(draw: np.random.Generator, folder: Path) -> None:
    """Take a file away, or put a folder in its place."""
    path = _file(draw, folder)
    path.unlink()
    if draw.random() < 0.3:
        path.mkdir()


def swapped(draw: np.random.Generator, folder: Path) -> None:
    """Put another file, or no file of ours, in the place of one."""
    path, other = _file(draw, folder), _file(draw, folder)
    if draw.random() < 0.5:
        shutil.copyfile(other, path.with_suffix(".copy"))
        path.with_suffix(".copy").replace(path)
    else:
        path.write_bytes(bytes(draw.choice((b"", b"\x00" * 4096, b"PAR1PAR1", b"{}", b"[]", b"SQLite format 3\x00"))))


def left_over(draw: np.random.Generator, folder: Path) -> None:
    """Leave what a killed run, or somebody else, may leave."""
    name = str(draw.choice((".ready", ".half-done-x", ".probe", ".ready/summary.json", "overnight.lock", "x.partial")))
    path = folder / name
    path.parent.mkdir(exist_ok=True)
    if draw.random() < 0.5 and not path.exists():
        path.write_bytes(b"{" * int(draw.integers(3)))
    elif not path.exists():
        path.mkdir()


def _leaves(value: Any, at: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [*([at] if at else []), *(leaf for key, one in inner for leaf in _leaves(one, (*at, key)))]


def other_json(draw: np.random.Generator, folder: Path) -> None:
    """Change what a JSON file says, and leave it so that it counts as written by another version, or as damaged."""
    name = str(draw.choice((SUMMARY, SUMMARY, RECORDING_FILE)))
    try:
        content = json.loads((folder / name).read_text(encoding="utf-8"))
        places = _leaves(content)
        *way, last = places[int(draw.integers(len(places)))]
    except (OSError, ValueError, IndexError):
        return
    within = content
    for key in way:
        within = within[key]
    if draw.random() < 0.3:
        del within[last]
    else:
        within[last] = ODD_JSON[int(draw.integers(len(ODD_JSON)))]
    (folder / name).write_text(json.dumps(content), encoding="utf-8")
    _maybe_unsealed(draw, folder)


def other_table(draw: np.random.Generator, folder: Path) -> None:
    """Write a table anew with something else in it."""
    tables = sorted(folder.glob("*.parquet"))
    path = tables[int(draw.integers(len(tables)))]
    try:
        table = pq.read_table(path, partitioning=None)
        pq.write_table(_changed(draw, table), path, write_page_checksum=True)
    except (OSError, ValueError, pa.ArrowException):
        return
    _maybe_unsealed(draw, folder)


def _changed(draw: np.random.Generator, table: pa.Table) -> pa.Table:
    column = int(draw.integers(table.num_columns))
    name, values = table.column_names[column], table.column(column)
    match int(draw.integers(7)):
        case 0:
            return table.slice(0, int(draw.choice((0, 1, table.num_rows // 2))))
        case 1:
            return table.drop_columns([name])
        case 2:
            return table.set_column(column, table.schema.field(column), pa.nulls(table.num_rows, values.type))
        case 3:
            return table.append_column("more", pa.array(["=1+1"] * table.num_rows))
        case 4:
            return table.take(pa.array(draw.permutation(table.num_rows)))
        case 5:
            return pa.concat_tables([table, table])
        case _:
            return table.set_column(column, table.schema.field(column), _odd(draw, values))


def _odd(draw: np.random.Generator, values: pa.ChunkedArray) -> pa.Array:
    """Return other values of the same type."""
    kind, n = values.type, len(values)
    if pa.types.is_floating(kind):
        return pa.array(np.full(n, draw.choice((np.nan, np.inf, -1.0, 1e300, 0.0))), kind)
    if pa.types.is_integer(kind):
        limits = np.iinfo(kind.to_pandas_dtype())
        return pa.array([int(draw.choice((limits.min, limits.max, 0, -1 if limits.min else 1)))] * n, kind)
    if pa.types.is_string(kind):
        return pa.array([str(draw.choice(("", "x", "\x1b[31m", "=1+1", "</script>", "a" * 40_000)))] * n, kind)
    return pa.nulls(n, kind)


def _maybe_unsealed(draw: np.random.Generator, folder: Path) -> None:
    """Take the entries of the files out now and then, so that the folder counts as written by another version."""
    if draw.random() < 0.5:
        return
    try:
        summary = json.loads((folder / SUMMARY).read_text(encoding="utf-8"))
        text = json.dumps({key: value for key, value in summary.items() if key not in ("seal", "files")})
    except (OSError, ValueError, AttributeError):
        return
    (folder / SUMMARY).write_text(text, encoding="utf-8")


BY_ACCIDENT: tuple[Damage, ...] = (flipped, cut, gone, swapped, left_over)
"""What a disk, a killed program or a hand do: after it, what is told is what was told before, or nothing."""

ON_PURPOSE: tuple[Damage, ...] = (other_json, other_table)
"""What another program writes: it may say anything, so only the manners of an answer can be asked for."""


def damage(folder: Path, seed: int) -> tuple[str, bool]:
    """Damage a folder of findings; return the names of the damages, and whether they were by accident alone."""
    draw = np.random.default_rng(seed)
    every = (*BY_ACCIDENT, *ON_PURPOSE)
    chosen = [every[seed % len(every)], *draw.choice(np.array(every), int(draw.integers(0, 2)))]
    for one in chosen:
        one(draw, folder)
    return ", ".join(one.__name__ for one in chosen), all(one in BY_ACCIDENT for one in chosen)

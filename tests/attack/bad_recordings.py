"""Recordings that are wrong, or hardly right, in a way drawn from a seed; each is small and quickly mined."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from tests.pipelines.small import RATE_HZ, SETUP, leads

Columns = dict[str, pa.Array]
Damage = Callable[[np.random.Generator, "Made"], None]

ODD_VALUES = (np.nan, np.inf, -np.inf, 1e308, -1e308, 3.4e38, 5e-324, -0.0, 1e9)
ODD_TEXTS = ("", "nan", "inf", "1e308", "5e-324", "-1", "0", "x", "1" * 4400, "1_0", "٣", "0x10", " 1 ", "\x00", "µ")


class Made:
    """Columns, metadata and setup before they are written."""

    def __init__(self, seconds: float) -> None:
        self.columns: Columns = {name: pa.array(values) for name, values in leads(seconds).items()}
        self.metadata: dict[bytes, bytes] = {b"sample_rate_hz": str(RATE_HZ).encode()}
        self.fields: dict[str, dict[bytes, bytes]] = {}
        self.setup = SETUP
        self.cut = 1.0

    def write(self, folder: Path) -> tuple[Path, Path]:
        """Write recording and setup."""
        folder.mkdir(parents=True, exist_ok=True)
        schema = pa.schema(
            [pa.field(n, a.type, metadata=self.fields.get(n)) for n, a in self.columns.items()], metadata=self.metadata
        )
        path, setup = folder / "drive.parquet", folder / "car.toml"
        pq.write_table(pa.table(list(self.columns.values()), schema=schema), path, write_page_checksum=True)
        content = path.read_bytes()
        path.write_bytes(content[: int(len(content) * self.cut)])
        setup.write_text(self.setup, encoding="utf-8")
        return path, setup


def _lead(draw: np.random.Generator, made: Made) -> str:
    return str(draw.choice(list(made.columns)))


def _values(made: Made, name: str) -> NDArray[np.float64]:
    """Return a lead as floats; what an earlier damage made of something else stands still."""
    column = made.columns[name]
    if not (pa.types.is_integer(column.type) or pa.types.is_floating(column.type)):
        return np.zeros(len(column))
    return np.array(column.cast(pa.float64()).to_numpy(zero_copy_only=False))


def _spot(draw: np.random.Generator, n: int) -> slice:
    start = int(draw.integers(max(n, 1)))  # an earlier damage may have left nothing
    return slice(start, start + int(draw.choice((1, 2, 100, 10_000, n))))


def odd_values(draw: np.random.Generator, made: Made) -> None:
    """Put values there that no clip gives."""
    name = _lead(draw, made)
    values = _values(made, name)
    values[_spot(draw, values.size)] = draw.choice(ODD_VALUES)
    made.columns[name] = pa.array(values)


def scaled(draw: np.random.Generator, made: Made) -> None:
    """Make a lead absurdly large, small or of whole numbers."""
    name = _lead(draw, made)
    factor = float(draw.choice((1e-300, 1e-30, 1e-9, 1e9, 1e30, 1e300)))
    with np.errstate(over="ignore"):
        made.columns[name] = pa.array(_values(made, name) * factor)


def counts(draw: np.random.Generator, made: Made) -> None:
    """Store counts at the limits of a type of whole numbers."""
    name, kind = _lead(draw, made), draw.choice((np.int8, np.int16, np.int32, np.uint8, np.uint16))
    limits = np.iinfo(kind)
    with np.errstate(over="ignore"):  # of values that an earlier damage made huge
        values = np.clip(_values(made, name) * float(draw.choice((1.0, 20.0, 1e9))), limits.min, limits.max)
    made.columns[name] = pa.array(np.nan_to_num(values).astype(kind))


def nulls(draw: np.random.Generator, made: Made) -> None:
    """Take samples away."""
    name = _lead(draw, made)
    values = _values(made, name)
    gone = np.zeros(values.size, bool)
    for _ in range(int(draw.integers(1, 5))):
        gone[_spot(draw, values.size)] = True
    made.columns[name] = pa.array(values, mask=gone)


def still(draw: np.random.Generator, made: Made) -> None:
    """Let a lead stand still, or swap two."""
    name, other = _lead(draw, made), _lead(draw, made)
    values = _values(made, name)
    made.columns[name] = made.columns[other] if draw.random() < 0.5 else pa.array(np.resize(values[:1], values.size))


def short(draw: np.random.Generator, made: Made) -> None:
    """Keep a few samples only."""
    n = int(draw.choice((0, 1, 2, 3, 10, 1000, 20_000)))
    made.columns = {name: values.slice(0, n) for name, values in made.columns.items()}


def times(draw: np.random.Generator, made: Made) -> None:
    """Add a column of times that is not quite one."""
    n = len(next(iter(made.columns.values())))
    stamps = np.arange(n) / RATE_HZ
    spot = _spot(draw, max(n, 1))
    match int(draw.integers(5)):
        case 0:
            stamps[spot] = draw.choice(ODD_VALUES)
        case 1:
            stamps[spot] -= 1.0
        case 2:
            stamps[spot.start :] += float(draw.choice((0.1, 10.0, 1e6, 1e300)))
        case 3:
            stamps *= float(draw.choice((1e-12, 1e-3, 1e3, 1e12)))
        case _:
            stamps += float(draw.choice((1e9, 1e15, -1e9)))
    made.columns = {"time_s": pa.array(stamps), **made.columns}
    if draw.random() < 0.5:
        made.metadata.pop(b"sample_rate_hz", None)


def metadata(draw: np.random.Generator, made: Made) -> None:
    """Write nonsense beside the samples."""
    text = str(draw.choice(ODD_TEXTS)).encode()
    match int(draw.integers(4)):
        case 0:
            made.metadata[b"sample_rate_hz"] = text
        case 1:
            made.metadata[b"started_at"] = text
        case 2:
            made.metadata[b"\xff\xfe"] = b"\x80"
        case _:
            made.fields[_lead(draw, made)] = {bytes(draw.choice((b"scale", b"offset", b"unit", b"\x80"))): text}


def types(draw: np.random.Generator, made: Made) -> None:
    """Store a lead as something else."""
    name = _lead(draw, made)
    kind = draw.choice(("string", "int64", "bool", "float16", "timestamp", "list"))
    values = np.nan_to_num(_values(made, name), posinf=9.0, neginf=-9.0)
    made.columns[name] = {
        "string": lambda: pa.array([str(v) for v in values[:50]]),
        "int64": lambda: pa.array(np.clip(values, -9e15, 9e15).astype(np.int64)),
        "bool": lambda: pa.array(values > 2.0),
        "float16": lambda: pa.array(np.clip(values, -6e4, 6e4).astype(np.float16)),
        "timestamp": lambda: pa.array(np.clip(values, -9e15, 9e15).astype(np.int64), pa.timestamp("us")),
        "list": lambda: pa.array([[v] for v in values[:50].tolist()]),
    }[str(kind)]()
    least = min(len(a) for a in made.columns.values())
    made.columns = {n: a.slice(0, least) for n, a in made.columns.items()}


def names(draw: np.random.Generator, made: Made) -> None:
    """Call a lead by a name that hurts."""
    name = _lead(draw, made)
    other = str(draw.choice(("", " ", "\x1b[31m", "=1+1", "a" * 5000, "time_s", "../x", "lead_3", "ü\u202e")))
    made.columns = {other if n == name else n: a for n, a in made.columns.items()}
    if draw.random() < 0.7:
        quoted = "".join(f"\\U{ord(c):08x}" for c in other)
        made.setup = made.setup.replace(f'"{name}"', f'"{quoted}"')


def cut(draw: np.random.Generator, made: Made) -> None:
    """Cut the file off."""
    made.cut = float(draw.random())


DAMAGES: tuple[Damage, ...] = (
    odd_values, scaled, counts, nulls, still, short, times, metadata, types, names, cut,
)  # fmt: skip


def write_bad(folder: Path, seed: int, *, seconds: float = 4.0) -> tuple[Path, Path, str]:
    """Write recording and setup with one to three damages; return both and the names of the damages."""
    draw, made = np.random.default_rng(seed), Made(seconds)
    chosen = [DAMAGES[seed % len(DAMAGES)], *draw.choice(np.array(DAMAGES), int(draw.integers(0, 3)))]
    for damage in chosen:
        damage(draw, made)
    return (*made.write(folder), ", ".join(damage.__name__ for damage in chosen))

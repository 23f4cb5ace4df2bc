"""Profiles and extractions as files between two steps: plain numbers and Arrow, no code, the same bytes every time."""

from __future__ import annotations

import io
import json
import math
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from miner.errors import FindingsError
from miner.findings.store import replacing
from miner.schema import CRANK, PULSES
from miner.signal.extraction import Envelope, Extraction, LeadQuality, Track
from miner.signal.leads import LeadProfile, Wheel

__all__ = [
    "count_pulses", "read_all_but_pulses", "read_crank", "read_extraction", "read_levels", "read_profiles",
    "read_pulses", "read_start_s", "write_extraction", "write_profiles",
]  # fmt: skip

Part = TypeVar("Part", Envelope, Track, LeadQuality)
GROUPS: dict[str, type[Envelope | Track | LeadQuality]] = {
    "envelope": Envelope,
    "tracks": Track,
    "leads": LeadQuality,
}
"""Fields of an extraction that hold one object per lead."""


def write_profiles(path: Path, profiles: Mapping[int, LeadProfile]) -> None:
    """Write the profiles of all leads as JSON; not-a-number becomes null."""
    rows = [asdict(profiles[index]) for index in sorted(profiles)]
    plain = [{key: None if value != value else value for key, value in row.items()} for row in rows]
    with replacing(path) as temporary:
        temporary.write_text(json.dumps(plain), encoding="utf-8")


def read_profiles(path: Path) -> dict[int, LeadProfile]:
    """Read profiles back."""
    rows: list[dict[str, Any]] = json.loads(path.read_text(encoding="utf-8"))
    return {row["index"]: _profile(row) for row in rows}


def _profile(plain: dict[str, Any]) -> LeadProfile:
    wheel = plain.pop("wheel")
    values: dict[str, Any] = {key: math.nan if value is None else value for key, value in plain.items()}
    return LeadProfile(**values, wheel=None if wheel is None else Wheel(**wheel))


def write_extraction(path: Path, extraction: Extraction) -> None:
    """Write one extraction as a zip archive without compression.

    Raises
    ------
    FindingsError
        If it cannot be written.
    """
    plain: dict[str, Any] = {"window_samples": extraction.window_samples, "columns": dict(extraction.columns)}
    with replacing(path) as temporary, zipfile.ZipFile(temporary, "w") as archive:
        _put(archive, "pulses.arrow", _table_bytes(extraction.pulses))
        _put(archive, "gaps.arrow", _table_bytes(extraction.gaps))
        _put(archive, "crank.arrow", _table_bytes(extraction.crank))
        _put(archive, "window_start_s.npy", _array_bytes(extraction.window_start_s))
        for group in GROUPS:
            plain[group] = {}
            for index, one in getattr(extraction, group).items():
                plain[group][index] = _put_object(archive, f"{group}/{index}", one)
        _put(archive, "plain.json", json.dumps(plain, sort_keys=True).encode())


def _put_object(archive: zipfile.ZipFile, place: str, one: Envelope | Track | LeadQuality) -> dict[str, Any]:
    """Store an object's arrays below ``place``; return its plain values."""
    plain = {}
    for field in fields(one):
        value = getattr(one, field.name)
        if isinstance(value, np.ndarray):
            _put(archive, f"{place}/{field.name}.npy", _array_bytes(value))
        else:
            plain[field.name] = value
    return plain


def read_extraction(path: Path) -> Extraction:
    """Read an extraction back.

    Raises
    ------
    FindingsError
        If the file is damaged.
    """
    with _opened(path) as archive:
        return _read(archive)


def read_pulses(path: Path) -> pa.Table:
    """Read the pulses of an extraction alone; raises as `read_extraction`."""
    with _opened(path) as archive:
        return _read_table(archive.read("pulses.arrow"))


def read_crank(path: Path) -> pa.Table:
    """Read the marks of the crank alone; raises as `read_extraction`."""
    with _opened(path) as archive:
        return _read_table(archive.read("crank.arrow"))


def read_all_but_pulses(path: Path) -> Extraction:
    """Read an extraction without its pulses; raises as `read_extraction`."""
    with _opened(path) as archive:
        return _read(archive, pulses=False)


def read_levels(path: Path) -> Extraction:
    """Read gaps, instants and the leads' levels of an extraction alone; raises as `read_extraction`."""
    with _opened(path) as archive:
        return _read(archive, pulses=False, slow=False)


def read_start_s(path: Path) -> float:
    """Read when a section begins, s; raises as `read_extraction`."""
    with _opened(path) as archive:
        return float(_read_array(archive.read("window_start_s.npy"))[0])


def count_pulses(path: Path) -> dict[int, int]:
    """Return the pulses of each lead without reading them.

    Raises
    ------
    FindingsError
        If the file is damaged.
    """
    with _opened(path) as archive:
        leads: dict[str, dict[str, int]] = _plain(archive)["leads"]
        return {int(index): lead["n_pulses"] for index, lead in leads.items()}


@contextmanager
def _opened(path: Path) -> Iterator[zipfile.ZipFile]:
    try:
        with zipfile.ZipFile(path) as archive:
            yield archive
    except (OSError, zipfile.BadZipFile, KeyError, ValueError) as error:
        raise FindingsError(
            "the half-done part cannot be read", remedy="remove it and run the same command again", file=path
        ) from error


def _read(archive: zipfile.ZipFile, *, pulses: bool = True, slow: bool = True) -> Extraction:
    plain = _plain(archive)
    return Extraction(
        pulses=_read_table(archive.read("pulses.arrow")) if pulses else PULSES.empty(),
        gaps=_read_table(archive.read("gaps.arrow")),
        crank=_read_table(archive.read("crank.arrow")) if slow else CRANK.empty(),
        window_start_s=_read_array(archive.read("window_start_s.npy")),
        window_samples=plain["window_samples"],
        columns={int(index): column for index, column in plain["columns"].items()},
        envelope=_read_group(archive, plain, "envelope", Envelope) if slow else {},
        tracks=_read_group(archive, plain, "tracks", Track) if slow else {},
        leads=_read_group(archive, plain, "leads", LeadQuality),
    )


def _plain(archive: zipfile.ZipFile) -> dict[str, Any]:
    plain: dict[str, Any] = json.loads(archive.read("plain.json"))
    return plain


def _read_group(archive: zipfile.ZipFile, plain: dict[str, Any], name: str, kind: type[Part]) -> dict[int, Part]:
    return {int(i): _get_object(archive, f"{name}/{i}", kind, values) for i, values in plain[name].items()}


def _get_object(archive: zipfile.ZipFile, place: str, kind: type[Part], plain: Mapping[str, Any]) -> Part:
    names = [field.name for field in fields(kind) if field.name not in plain]
    values: dict[str, Any] = {name: _read_array(archive.read(f"{place}/{name}.npy")) for name in names}
    return kind(**plain, **values)


def _put(archive: zipfile.ZipFile, name: str, content: bytes) -> None:
    archive.writestr(zipfile.ZipInfo(name), content)  # a ZipInfo of its own carries no time of day


def _table_bytes(table: pa.Table) -> bytes:
    sink = io.BytesIO()
    with pa.ipc.new_stream(sink, table.schema) as writer:
        writer.write_table(table.combine_chunks())
    return sink.getvalue()


def _read_table(content: bytes) -> pa.Table:
    return pa.ipc.open_stream(content).read_all()


def _array_bytes(array: NDArray[Any]) -> bytes:
    sink = io.BytesIO()
    np.save(sink, array, allow_pickle=False)
    return sink.getvalue()


def _read_array(content: bytes) -> NDArray[Any]:
    array: NDArray[Any] = np.load(io.BytesIO(content), allow_pickle=False)
    return array

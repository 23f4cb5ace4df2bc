"""What makes two recordings the same: their content, looked at cheaply."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from miner.recording.parts import Part, open_file

__all__ = ["content_identity"]

_BLOCK_BYTES, _N_BLOCKS = 1 << 14, 64
"""Bytes hashed of each file: this many blocks of this size, spread evenly from its first to its last byte."""


def content_identity(parts: Sequence[Part], settings: Sequence[object]) -> str:
    """Return a SHA-256 over schema, row groups with their statistics, and sampled bytes of every part.

    A recording of many GB takes milliseconds. Renaming or moving it changes nothing; writing it anew with other
    compression gives another identity.
    """
    digest = hashlib.sha256(repr(list(settings)).encode())
    for part in parts:
        digest.update(_schema_text(part).encode())
        digest.update(_footer_text(part).encode())
        _hash_samples(digest, part.path)
    return digest.hexdigest()


def _schema_text(part: Part) -> str:
    fields = [(f.name, str(f.type), sorted((f.metadata or {}).items())) for f in part.schema]
    return repr((fields, sorted(part.metadata.items())))


def _footer_text(part: Part) -> str:
    with open_file(part.path) as file:
        footer = file.metadata
        columns = [
            (group, footer.row_group(group).num_rows, footer.row_group(group).column(column))
            for group in range(footer.num_row_groups)
            for column in range(footer.num_columns)
        ]
        return repr(
            [
                (group, n_rows, c.path_in_schema, c.total_compressed_size, c.total_uncompressed_size, _statistics(c))
                for group, n_rows, c in columns
            ]
        )


def _statistics(column: object) -> tuple[object, ...] | None:
    known = getattr(column, "statistics", None)
    return None if known is None else (known.min, known.max, known.null_count)


def _hash_samples(digest: hashlib._Hash, path: Path) -> None:
    size = path.stat().st_size
    digest.update(str(size).encode())
    with path.open("rb") as file:
        for at in np.unique(np.linspace(0, max(0, size - _BLOCK_BYTES), _N_BLOCKS).astype(np.int64)):
            file.seek(int(at))
            digest.update(file.read(_BLOCK_BYTES))

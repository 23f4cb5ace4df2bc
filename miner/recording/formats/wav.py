"""WAV and RF64, as sound recorders write them: one channel a lead, volts per full scale as the user says."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pyarrow as pa

from miner.recording.formats.base import (
    BLOCK_ROWS,
    Block,
    ImportOptions,
    Notes,
    Stream,
    StreamLead,
    chosen,
    refuse,
    rows_from,
)

__all__ = ["open_wav"]

_STORED = {"PCM_16": "int16", "PCM_U8": "int16", "PCM_S8": "int16", "PCM_24": "int32", "PCM_32": "int32",
           "FLOAT": "float32", "DOUBLE": "float64", "ULAW": "int16", "ALAW": "int16"}  # fmt: skip
"""How libsndfile hands each sample format over without loss: shorter integers fill the upper bits."""

_FULL_SCALE = {"int16": 2.0**15, "int32": 2.0**31, "float32": 1.0, "float64": 1.0}


def open_wav(file: Path, options: ImportOptions, notes: Notes) -> Stream:
    """Open a WAV or RF64 file; ``options.volts_full_scale`` volts are written as full scale.

    Raises
    ------
    RecordingError
        If the file is damaged or in a sample format that is not linear.
    """
    import soundfile

    try:
        with soundfile.SoundFile(file) as sound:
            kind, n_channels, rate, n_frames = sound.subtype, sound.channels, sound.samplerate, sound.frames
    except (soundfile.LibsndfileError, RuntimeError, OSError) as error:
        raise refuse(f"is no complete WAV file ({error})", "copy it again from where it was made", file) from error
    if kind not in _STORED:
        raise refuse(f"holds samples of the kind {kind}, which cannot be read", "save it as 16-bit PCM", file)
    dtype = _STORED[kind]
    names = [f"lead_{i + 1}" for i in range(n_channels)]
    leads = chosen(names, options, file)
    scale = options.volts_full_scale / _FULL_SCALE[dtype]
    if options.volts_full_scale == 1.0:
        notes.remark("full scale was taken as 1 V; --full-scale-v says another one")
    return Stream(
        leads=tuple(StreamLead(name=name, type=pa.from_numpy_dtype(dtype), scale=scale) for name in leads),
        rate_hz=float(rate),
        blocks=_blocks(file, dtype, names, leads, n_frames),
    )


def _blocks(file: Path, dtype: str, names: list[str], leads: list[str], n_frames: int) -> Iterator[Block]:
    import soundfile

    first = 0
    with soundfile.SoundFile(file) as sound:
        while first < n_frames:
            frames: Any = sound.read(BLOCK_ROWS, dtype=dtype, always_2d=True)
            if not len(frames):
                break
            columns = {name: pa.array(frames[:, names.index(name)].copy()) for name in leads}
            done = (first + len(frames)) / n_frames
            yield Block(columns=columns, time_s=None, done=done, file=file, place=rows_from(first))
            first += len(frames)
    if first != n_frames:
        raise refuse(
            f"ends after {first} of the {n_frames} samples it announces", "copy it again from where it was made", file,
            row=first,
        )  # fmt: skip

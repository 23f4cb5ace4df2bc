"""Mine from a program, and open what was mined before."""

from __future__ import annotations

import os
import shutil
import tempfile
import weakref
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeAlias

from miner.engine.setup import Setup, load_setup, parse_setup
from miner.library.inputs import Samples, as_recording
from miner.library.mined import Mined
from miner.mining.steps import MineSettings, mine_recording
from miner.recording.progress import OnProgress

__all__ = ["SetupLike", "as_setup", "mine", "open_findings"]

SetupLike: TypeAlias = str | os.PathLike[str] | Setup | Mapping[str, Any]
"""A setup file, a setup that was read, or what such a file says as a mapping."""

COPY, FINDINGS = "recording.parquet", "findings"


def mine(
    recording: Samples,
    setup: SetupLike,
    *,
    out: str | os.PathLike[str] | None = None,
    rate_hz: float | None = None,
    use_verdicts: bool = False,
    as_described: bool = False,
    on_progress: OnProgress | None = None,
) -> Mined:
    """Mine one recording, as the command ``ignition-miner mine`` does.

    Parameters
    ----------
    recording : path, Recording, mapping of str to ndarray (n,), data frame, Arrow table or ndarray (n, n_leads)
        A file of any format that can be imported, or a folder of parts; or samples in memory, in volts unless Arrow
        metadata says ``scale`` and ``offset``. A column ``time_s`` holds their instants in seconds. The columns of an
        array are the setup's leads in their order.
    setup : path, Setup or mapping
        Engine and leads.
    out : path, optional
        Folder for the findings, and for the samples where they had to be written first (``recording.parquet``). By
        default both lie in a temporary folder that lasts as long as what is returned.
    rate_hz : float, optional
        Samples per second, where neither the recording nor the setup says.
    use_verdicts : bool, default=False
        Lower what looks like events that a person judged normal in ``out``.
    as_described : bool, default=False
        Go by the setup even where another reading fits the signals clearly better.
    on_progress : callable, optional
        Told now and then how far the reading is.

    Returns
    -------
    Mined

    Raises
    ------
    MinerError
        With one sentence that says what does not fit and what to do.

    Examples
    --------
    >>> import miner
    >>> place = "demo_recordings/uneven_twin_feedback_alone"
    >>> mined = miner.mine(f"{place}/recording.parquet", f"{place}/setup.toml")
    >>> mined.suspects["kind"].to_list()
    ['absent_feedback', 'weak_feedback', 'odd_feedback_width']
    """
    described = as_setup(setup)
    temporary = Path(tempfile.mkdtemp(prefix="ignition-miner-")) if out is None else None
    try:
        folder = Path(out) if out is not None else Path(temporary or "") / FINDINGS
        path = as_recording(recording, described, (temporary or folder) / COPY, rate_hz=rate_hz)
        settings = MineSettings(rate_hz=rate_hz, use_verdicts=use_verdicts, as_described=as_described)
        mine_recording(path, described, folder, settings=settings, on_progress=on_progress)
        mined = Mined(folder)
    except BaseException:
        if temporary is not None:
            shutil.rmtree(temporary, ignore_errors=True)
        raise
    if temporary is not None:
        weakref.finalize(mined, shutil.rmtree, temporary, ignore_errors=True)
    return mined


def open_findings(folder: str | os.PathLike[str]) -> Mined:
    """Open the findings of an earlier run, of `mine` or of the command line.

    Raises
    ------
    FindingsError
        If the folder holds no finished findings, or damaged ones.
    """
    return Mined(folder)


def as_setup(setup: SetupLike) -> Setup:
    """Return a setup that was read already, or read it.

    Raises
    ------
    SetupError
        As `miner.engine.setup.load_setup`.
    """
    if isinstance(setup, Setup):
        return setup
    return parse_setup(dict(setup)) if isinstance(setup, Mapping) else load_setup(Path(setup))

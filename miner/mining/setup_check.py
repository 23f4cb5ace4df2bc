"""A setup is held against the pulses of some sections before anything is ranked by it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pyarrow as pa

from miner.engine.fit.setup_fit import N_STRETCHES, SetupFit, fit_setup, spread_stretches
from miner.engine.setup import Setup
from miner.mining.section_file import read_pulses

__all__ = ["check_setup", "fit_notes"]


def check_setup(setup: Setup, sections: Sequence[Path], gaps: pa.Table) -> SetupFit:
    """Return how well the setup fits the pulses of some sections, spread over the recording.

    Parameters
    ----------
    setup : Setup
    sections : sequence of path
        Files of all sections, in order.
    gaps : GAPS table
        Of the whole recording.
    """
    chosen = np.unique(np.linspace(0, len(sections) - 1, N_STRETCHES).astype(np.int64)).tolist() if sections else []
    each = -(-N_STRETCHES // max(len(chosen), 1))
    stretches = [part for k in chosen for part in spread_stretches(read_pulses(sections[k]), each)]
    return fit_setup(stretches, gaps, setup)


def fit_notes(fit: SetupFit) -> list[str]:
    """Return what stands among the warnings of findings that go by the setup all the same."""
    if not fit.fits:
        return [f"{fit.sentence}; places and cylinders here are those of the setup as described"]
    return [fit.sentence] if fit.sentence else []

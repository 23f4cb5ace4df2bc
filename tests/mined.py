"""The event table of what was extracted in one piece, without the files between the steps."""

from __future__ import annotations

import pyarrow as pa

from miner.engine.cycles import track_cycles
from miner.engine.setup import Setup
from miner.events.table import build_events
from miner.signal.extraction import Extraction


def find_events(setup: Setup, extraction: Extraction, *, end_s: float, rate_hz: float) -> pa.Table:
    tracking = track_cycles(extraction.pulses, extraction.gaps, setup, end_s=end_s)
    return build_events(extraction.pulses, extraction.gaps, tracking, setup, rate_hz=rate_hz, crank=extraction.crank)

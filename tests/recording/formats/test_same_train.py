"""The same train of pulses in every format gives the same pulses, within what the format rounds."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from miner.recording.importing import import_recording
from miner.recording.reader import open_recording
from miner.signal.extraction import Extraction
from tests.recording.formats.written import RATE_HZ, WRITERS, Volts, as_vcd, imported
from tests.signal.made import extracted, recorded, regular, specs

ROLES = {"lead_1": "command", "lead_2": "feedback"}


@pytest.fixture(scope="module")
def volts() -> Volts:
    train = regular(70, period=1000.3, width=300.7, edge=1.5)
    answer = regular(70, period=1000.3, width=150.2, first=2070.9, edge=1.5, off_v=5.0, on_v=0.2)
    n = min(train.n_samples, answer.n_samples)
    return {"lead_1": train.volts()[:n], "lead_2": answer.volts()[:n]}


@pytest.fixture(scope="module")
def expected(volts: Volts, tmp_path_factory: pytest.TempPathFactory) -> Extraction:
    recording = recorded(tmp_path_factory.mktemp("plain"), volts, rate_hz=float(RATE_HZ))
    return extracted(recording, specs(ROLES))


def column(extraction: Extraction, name: str) -> np.ndarray:
    return extraction.pulses[name].cast(pa.float64()).to_numpy()


@pytest.mark.parametrize("kind", WRITERS)
def test_same_pulses_from_every_format(kind: str, volts: Volts, expected: Extraction, tmp_path: Path) -> None:
    name, write, options = WRITERS[kind]
    done = import_recording([write(tmp_path / name, volts)], tmp_path / "out.parquet", options=options)
    assert done.n_samples == len(volts["lead_1"])
    assert done.rate_hz == RATE_HZ
    assert done.leads == ("lead_1", "lead_2")
    assert (done.n_unreadable, done.has_time) == (0, False)
    found = extracted(open_recording(done.path), specs(ROLES))
    assert found.pulses.num_rows == expected.pulses.num_rows == 140
    assert found.pulses["lead"].equals(expected.pulses["lead"])
    # 16 bit over 20 V are 0.3 mV, on edges of 4.8 V in 15 us: a nanosecond; the text is finer
    for name, tolerance in (("start_s", 5e-9), ("duration_us", 5e-3), ("amplitude_v", 4e-4), ("rise_us", 1e-2)):
        np.testing.assert_allclose(column(found, name), column(expected, name), rtol=0, atol=tolerance)


@pytest.mark.parametrize("tick_ns", [1, 1000])
def test_edges_of_a_dump_keep_their_time(tick_ns: int, expected: Extraction, tmp_path: Path) -> None:
    starts, durations = column(expected, "start_s"), column(expected, "duration_us")
    lead = expected.pulses["lead"].to_numpy()
    edges = {
        name: [
            (round(at * 1e9 / tick_ns), state)
            for start, width in zip(starts[lead == i], durations[lead == i], strict=True)
            for at, state in ((start, 1), (start + width * 1e-6, 0))
        ]
        for i, name in enumerate(ROLES)
    }
    done = imported(as_vcd(tmp_path / "a.vcd", edges, tick=f"{tick_ns} ns" if tick_ns == 1 else "1 us"))
    found = extracted(open_recording(done.path), specs(ROLES))
    assert found.pulses.num_rows == 140
    # exact to half a tick of 1 ns plus 0.12 ns; on the grid of whole microseconds an edge lies between two samples
    tolerance = 0.7e-9 if tick_ns == 1 else 0.6e-6
    offset = np.median(column(found, "start_s") - starts)
    assert abs(offset) <= tolerance
    np.testing.assert_allclose(column(found, "start_s"), starts + offset, rtol=0, atol=tolerance)
    np.testing.assert_allclose(column(found, "duration_us"), durations, rtol=0, atol=2e6 * tolerance)

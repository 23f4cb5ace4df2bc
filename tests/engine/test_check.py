"""What stands in the way of judging a recording is told, with from when to when, what it costs and what helps."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from miner.engine.checks.recording import CheckFinding, check_recording
from miner.engine.setup import parse_setup
from miner.recording.reader import open_recording
from tests.engine.drawn_leads import pulses
from tests.engine.test_leads import RATE_HZ, firings
from tests.recording.made import write_recording

Leads = dict[str, np.ndarray]
SECONDS = 20.0


def setup(*channels: dict[str, object]) -> object:
    named = channels or ({"column": "a", "role": "command", "cylinder": 1}, {"column": "b", "role": "feedback"})
    return parse_setup({"engine": {"cylinders": 4, "firing_order": [1, 3, 4, 2]}, "channel": list(named)})


def good(*, ramp: int = 8) -> Leads:
    """Return command and feedback of four cylinders with edges of some samples and little noise."""
    rng = np.random.default_rng(1)
    at, slot = firings(4, SECONDS)
    time_s = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
    leads = {
        "a": pulses(time_s, at[slot == 0], 2.4e-3, 0.1, 5.0),
        "b": pulses(time_s, at + 0.6e-3, 1e-3, 5.0, 0.2),
    }
    smooth = np.ones(ramp) / ramp
    return {c: np.convolve(x, smooth, "same") + 0.01 * rng.standard_normal(x.size) for c, x in leads.items()}


def checked(tmp_path: Path, leads: Leads, described: object = None, **options: object) -> list[CheckFinding]:
    path = write_recording(tmp_path / "r.parquet", leads, **{"rate_hz": RATE_HZ, **options})
    return check_recording(open_recording(path), setup() if described is None else described)


def test_nothing_is_said_of_a_good_recording(tmp_path: Path) -> None:
    assert checked(tmp_path, good()) == []


def test_a_pulse_that_the_recording_cuts_is_no_gap(tmp_path: Path) -> None:
    leads = good()
    for end in (slice(0, 200), slice(-200, None)):
        leads["a"][end] = 5.0
    assert checked(tmp_path, leads) == []


def silent(leads: Leads) -> None:
    leads["a"][round(6 * RATE_HZ) : round(12 * RATE_HZ)] = 0.1


def gap(leads: Leads) -> None:
    leads["a"][round(5 * RATE_HZ) : round(6 * RATE_HZ)] = np.nan


def noisy(leads: Leads) -> None:
    leads["b"] += 0.35 * np.random.default_rng(2).standard_normal(leads["b"].size)


def clipped(leads: Leads) -> None:
    counts = np.round(leads["a"] / 0.005 + np.random.default_rng(3).normal(0, 2, leads["a"].size))
    leads["a"] = np.minimum(counts, 780).astype(np.int16)  # of counts: 3.9 V


def drift(leads: Leads) -> None:
    leads["a"] += np.linspace(0, 1.5, leads["a"].size)


def attenuated(leads: Leads) -> None:
    leads["a"] /= 10.0


def swapped(leads: Leads) -> None:
    leads["a"], leads["b"] = leads["b"], leads["a"]


def spiky(leads: Leads) -> None:
    at = np.arange(3000, leads["b"].size, 700)
    leads["b"][at] = 2.0


def sharp(leads: Leads) -> None:
    leads.update(good(ramp=1))


CASES: dict[str, tuple[Callable[[Leads], None], str, str]] = {
    "silent_lead": (
        silent,
        "a",
        r"0:00:0[56] to 0:00:1[12]: 'a' shows no pulses while 'b' goes on.* events of 'b' cannot",
    ),
    "gap": (gap, "a", r"0:00:0[45] to 0:00:06: 'a' has one gap of 1 s: some \d+ events cannot be judged there"),
    "noisy": (noisy, "b", r"'b' has noise of 0\.3\d V on pulses of"),
    "drift": (drift, "a", r"'a' drifts from .* between its pulses"),
    "attenuation": (attenuated, "a", r"'a' has 0\.49\d* V, 10 times that would fit its role 'command'"),
    "role": (swapped, "a", r"'a' looks like 'feedback', the setup says 'command' .*swap it with 'b' in the setup"),
    "spikes": (spiky, "b", r"'b' carries \d+\.\d spikes of"),
    "edges": (sharp, "a", r"each of 'a' and 'b' changes level within one sample: .*instants are good to 10\.0 µs"),
}


@pytest.mark.parametrize("kind", CASES)
def test_what_is_wrong_is_told(kind: str, tmp_path: Path) -> None:
    spoil, column, message = CASES[kind]
    leads = good()
    spoil(leads)
    findings = [f for f in checked(tmp_path, leads) if f.kind == kind and column in f.columns]
    assert len(findings) == 1
    assert re.search(message, findings[0].sentence), findings[0].sentence
    assert findings[0].remedy


def test_a_long_gap_in_time_is_told_and_nothing_else(tmp_path: Path) -> None:
    """Its seconds hold no samples: neither the windows that are read nor the end of the recording go by them."""
    leads = good()
    time_s = np.arange(leads["a"].size) / RATE_HZ
    time_s[round(8 * RATE_HZ) :] += 1e4
    leads["a"][round(15 * RATE_HZ) :] = 0.1
    found = checked(tmp_path, {"time_s": time_s, **leads}, rate_hz=None)
    assert {f.kind for f in found} == {"gap", "silent_lead"}
    (silence,) = [f for f in found if f.kind == "silent_lead"]
    assert silence.start_s == pytest.approx(10_015, abs=0.2)
    assert silence.stop_s == pytest.approx(10_020, abs=0.01)


def test_cut_off_by_the_recorder(tmp_path: Path) -> None:
    leads = good()
    clipped(leads)
    found = checked(tmp_path, leads, scales={"a": {"scale": "0.005", "offset": "0", "unit": "V"}})
    (finding,) = [f for f in found if f.kind == "clipped"]
    assert "'a' is cut off at 3.9 V, the top of the recorder's range" in finding.sentence


def test_too_few_samples_in_a_pulse(tmp_path: Path) -> None:
    leads = {name: values[::10] for name, values in good().items()}
    found = checked(tmp_path, leads, rate_hz=RATE_HZ / 10)
    assert {c for f in found if f.kind == "slow_sampling" for c in f.columns} == {"a", "b"}
    assert "record at 9,000 samples a second or more" in next(f for f in found if "a" in f.columns).sentence


def test_rate_that_no_engine_has(tmp_path: Path) -> None:
    found = checked(tmp_path, good(), rate_hz=10 * RATE_HZ)
    (finding,) = [f for f in found if f.kind == "rate"]
    assert "check the sample rate: about 0.1" in finding.remedy


def test_zeros_and_ones_of_a_logic_recorder_are_no_volts(tmp_path: Path) -> None:
    leads = {name: (volts > volts.mean()).astype(np.float64) for name, volts in good().items()}
    assert not [f for f in checked(tmp_path, leads) if f.kind in ("attenuation", "level")]


def test_supply_that_is_none(tmp_path: Path) -> None:
    leads = {**good(), "s": np.full(round(SECONDS * RATE_HZ), 1.38) + 0.01 * np.sin(np.arange(SECONDS * RATE_HZ))}
    described = setup(
        {"column": "a", "role": "command", "cylinder": 1}, {"column": "b", "role": "feedback"},
        {"column": "s", "role": "supply"},
    )  # fmt: skip
    (finding,) = checked(tmp_path, leads, described)
    assert (finding.kind, finding.columns) == ("attenuation", ("s",))


def test_without_a_setup_the_leads_are_told_apart(tmp_path: Path) -> None:
    leads = good()
    silent(leads)
    path = write_recording(tmp_path / "r.parquet", leads, rate_hz=RATE_HZ)
    assert [f.kind for f in check_recording(open_recording(path))] == ["silent_lead"]

"""Are the rates of false alarms true? Counts on independent healthy synthetic hours against r x hours.

``python -m tests.performance.calibrate_rates --hours 20`` writes ``docs/calibration.md`` and its picture.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np

from miner.mining.steps import open_source
from miner.questions.exact import poisson_interval
from miner.signal.extract import extract_pulses
from miner.signal.looks.profile import profile_leads
from miner.suspects.ranking import rank_events
from miner.synthetic.presets import healthy_hour
from miner.synthetic.writer import write_recording
from tests.mined import find_events

RATES = (0.1, 1.0, 10.0)
DOCS = Path(__file__).parents[2] / "docs"


def hour_rates(seed: int) -> np.ndarray:
    """Return the false alarms an hour claimed for every event of one healthy hour, drawn, read and ranked."""
    with tempfile.TemporaryDirectory() as folder:
        write_recording(healthy_hour(seed), folder)
        source = open_source(Path(folder) / "recording.parquet", Path(folder) / "setup.toml")
        profiles = profile_leads(source.recording, source.leads)
        extraction = extract_pulses(source.recording, source.leads, profiles)
        events = find_events(source.setup, extraction, end_s=3600.0, rate_hz=source.recording.rate_hz)
        ranking = rank_events(events, source.setup)
    return np.sort(ranking.scores["false_alarms_per_hour"].to_numpy())


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--hours", type=int, default=20)
    parser.add_argument("--first-seed", type=int, default=100)
    chosen = parser.parse_args()
    hours = []
    for seed in range(chosen.first_seed, chosen.first_seed + chosen.hours):
        hours.append(hour_rates(seed))
        sys.stdout.write(f"{seed} {[int(np.sum(hours[-1] <= r)) for r in RATES]}\n")
        sys.stdout.flush()
    write_page(hours, chosen.first_seed)


def write_page(hours: list[np.ndarray], first_seed: int) -> None:
    n = len(hours)
    every = np.concatenate(hours)
    rows = []
    for rate in RATES:
        count, due = int(np.sum(every <= rate)), rate * n
        limits = poisson_interval(round(due))
        verdict = "yes" if limits.low <= count <= limits.high else "no"
        counts = sorted(int(np.sum(h <= rate)) for h in hours)
        rows.append(f"| {rate:g} | {due:g} | {count} | {limits.low:.1f} to {limits.high:.1f} | {verdict} | {counts} |")
    draw(hours)
    text = (
        "# Are the rates of false alarms true?\n\n"
        f"{n} independent healthy synthetic hours (`healthy_hour`, seeds {first_seed} to {first_seed + n - 1}), drawn "
        "as samples, read and ranked as any recording: stop-start, gear changes, fuel cut, repeated sparks at idle, "
        "supply steps, noise, crosstalk, ringing, bounce, drift and gaps; no faults.\n"
        "Made by `python -m tests.performance.calibrate_rates`.\n\n"
        "| rate r, 1/h | due, r x hours | counted | 95 % interval of the due count (Garwood 1936) | counted lies in it "
        "| per hour, sorted |\n| --- | --- | --- | --- | --- | --- |\n" + "\n".join(rows) + "\n\n"
        "![Counted against claimed](images/calibration.svg)\n"
    )
    (DOCS / "calibration.md").write_text(text, encoding="utf-8")


def draw(hours: list[np.ndarray]) -> None:
    import matplotlib as mpl

    mpl.use("svg")
    mpl.rcParams["svg.hashsalt"] = "calibration"
    from matplotlib import pyplot as plt

    claimed = np.geomspace(0.01, 300, 60)
    counted = [np.sum(np.concatenate(hours) <= r) / len(hours) for r in claimed]
    figure, axes = plt.subplots(figsize=(6, 4.5))
    axes.loglog(claimed, claimed, color="0.5", lw=1, label="claimed")
    for hour in hours:
        one = np.array([np.sum(hour <= r) for r in claimed], dtype=float)
        axes.loglog(claimed, np.where(one > 0, one, np.nan), color="0.85", lw=0.8, zorder=0)
    axes.loglog(claimed, np.maximum(counted, 1e-3), color="black", lw=2, label=f"counted, mean of {len(hours)} hours")
    axes.set(xlabel="claimed false alarms per hour", ylabel="events at or below it, per hour")
    axes.legend(frameon=False)
    figure.savefig(DOCS / "images" / "calibration.svg", metadata={"Date": None})


if __name__ == "__main__":
    main()

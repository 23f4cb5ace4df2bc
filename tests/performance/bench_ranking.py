"""The list against what one would reach for otherwise, on graded faults in made-up recordings.

``python -m tests.performance.bench_ranking`` prints the table and writes ``docs/benchmarks_ranking.md``.
Engines are those of ``tests.rarity.engines``: other physics and harsher noise than ``miner.synthetic``. Sizes of
faults are in sigma of the noise an event really had, so that no method's own idea of sigma decides.
"""

from __future__ import annotations

import sys
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
from scipy.ndimage import median_filter
from sklearn.ensemble import IsolationForest
from sklearn.metrics import average_precision_score

from miner.schema import EVENTS
from miner.suspects.ranking import rank_events
from tests.rarity.engines import Engine, healthy_events, setup_for, true_sigmas

FEATURES = ("on_time_us", "delay_us", "feedback_width_us", "amplitude_v", "feedback_amplitude_v", "ripple_v", "rise_us",
            "fall_us", "timing_residual_deg", "supply_v", "engine_rpm")  # fmt: skip
CONDITIONS = ("supply_v", "engine_rpm")
"""Features that are no fault by themselves; the z methods do without them, which is to their advantage."""
BANDS = {"4 to 8 sigma": (4.0, 8.0), "8 to 20 sigma": (8.0, 20.0), "20 sigma and more": (20.0, 60.0)}
RECORDINGS = [
    Engine(minutes=20),
    Engine(minutes=20, supply_recorded=False),
    Engine(minutes=20, leads="one_command"),
    Engine(minutes=20, leads="commands", cylinders=6),
]
FAULTS = 24

Scores = Callable[[np.ndarray, np.ndarray], np.ndarray]


def planted(events: pa.Table, engine: Engine, low: float, high: float, seed: int) -> tuple[pa.Table, np.ndarray]:
    """Return a copy with one measure of some events moved, and the rows."""
    rng = np.random.default_rng(seed)
    truth = np.zeros(events.num_rows, dtype=bool)
    rpm = events["engine_rpm"].to_numpy()
    sigmas = true_sigmas(events, engine)
    values = {name: events[name].to_numpy(zero_copy_only=False).copy() for name in sigmas}
    trusted = (events["quality"].to_numpy(zero_copy_only=False) == "") & (rpm > 1000)
    for _ in range(FAULTS):
        name = str(rng.choice([n for n in sigmas if np.isfinite(values[n]).sum() > 100]))
        row = int(rng.choice(np.flatnonzero(np.isfinite(values[name]) & trusted & ~truth)))
        sign = -1.0 if "amplitude" in name else float(rng.choice([-1.0, 1.0]))
        values[name][row] += sign * float(rng.uniform(low, high)) * sigmas[name][row]
        truth[row] = True
    for name, changed in values.items():
        place = EVENTS.schema.get_field_index(name)
        column = pa.array(changed, mask=~np.isfinite(changed))
        events = events.set_column(place, EVENTS.schema.field(name), column)
    return events, truth


def raw_features(events: pa.Table, *, without: tuple[str, ...] = ()) -> np.ndarray:
    names = [name for name in FEATURES if name not in without]
    columns = [events[name].to_numpy(zero_copy_only=False).astype(float) for name in names]
    columns = [np.where(np.isfinite(c), c, np.nanmedian(c)) for c in columns if np.isfinite(c).any()]
    return np.stack(columns, axis=1)


def forest(x: np.ndarray, _: np.ndarray) -> np.ndarray:
    return -IsolationForest(n_estimators=100, random_state=0).fit(x).score_samples(x)


def threshold_and_forest(x: np.ndarray, group: np.ndarray) -> np.ndarray:
    gross = (np.abs(robust_z(x)) > 20).any(axis=1)
    return forest(x, group) + gross


def robust_z(x: np.ndarray) -> np.ndarray:
    middle = np.median(x, axis=0)
    return (x - middle) / np.maximum(1.4826 * np.median(np.abs(x - middle), axis=0), 1e-9)


def modified_z(x: np.ndarray, _: np.ndarray) -> np.ndarray:
    return np.abs(robust_z(x)).max(axis=1)


def rolling_z(x: np.ndarray, _: np.ndarray) -> np.ndarray:
    residual = x - np.stack([median_filter(c, 31, mode="nearest") for c in x.T], axis=1)
    return np.abs(robust_z(residual)).max(axis=1)


def ecod(x: np.ndarray, _: np.ndarray) -> np.ndarray:
    from pyod.models.ecod import ECOD

    return ECOD().fit(x).decision_scores_


def lof(x: np.ndarray, _: np.ndarray) -> np.ndarray:
    from pyod.models.lof import LOF

    return LOF(n_neighbors=20).fit(robust_z(x)).decision_scores_


def per_cylinder(method: Scores) -> Scores:
    def run(x: np.ndarray, group: np.ndarray) -> np.ndarray:
        out = np.zeros(len(x))
        for g in np.unique(group):
            score = method(x[group == g], group[group == g])
            out[group == g] = (score - np.median(score)) / max(np.ptp(np.quantile(score, [0.25, 0.75])), 1e-9)
        return out

    return run


METHODS: dict[str, Scores] = {
    "threshold + one forest, raw": threshold_and_forest,
    "the same per cylinder": per_cylinder(threshold_and_forest),
    "ECOD per cylinder (PyOD)": per_cylinder(ecod),
    "LOF per cylinder (PyOD)": per_cylinder(lof),
    "modified z, raw, per cylinder": per_cylinder(modified_z),
    "rolling-median z per cylinder": per_cylinder(rolling_z),
}


def figures(score: np.ndarray, truth: np.ndarray, hours: float) -> tuple[float, float, float]:
    """Return average precision, recall among the top K, recall at no more than one false alarm an hour."""
    ordered = truth[np.argsort(-score, kind="stable")]
    allowed = max(int(hours), 0)
    false_so_far = np.cumsum(~ordered)
    found = ordered[false_so_far <= allowed].sum()
    return average_precision_score(truth, score), ordered[: truth.sum()].mean(), found / truth.sum()


def main() -> None:
    warnings.simplefilter("ignore")
    results: dict[tuple[str, str], list[tuple[float, float, float]]] = {}
    healthy: dict[str, list[float]] = {}
    for number, engine in enumerate(RECORDINGS):
        clean, setup = healthy_events(400 + number, engine), setup_for(engine)
        for band, (low, high) in BANDS.items():
            events, truth = planted(clean, engine, low, high, 7 * number + int(low))
            ranked = rank_events(events, setup).scores
            own = ranked["score"].to_numpy()
            hours = engine.minutes / 60
            results.setdefault(("this list", band), []).append(figures(own, truth, hours))
            healthy.setdefault(band, []).append(float(np.sum((own >= 0) & ~truth)) / hours)
            x, measures = raw_features(events), raw_features(events, without=CONDITIONS)
            group = events["slot"].to_numpy()
            for name, method in METHODS.items():
                results.setdefault((name, band), []).append(
                    figures(method(measures if " z" in name else x, group), truth, hours)
                )
        sys.stdout.write(f"recording {number + 1} of {len(RECORDINGS)} done\n")
        sys.stdout.flush()
    text = page(results, healthy)
    (Path(__file__).parents[2] / "docs" / "benchmarks_ranking.md").write_text(text, encoding="utf-8")
    sys.stdout.write(text)


def page(results: dict[tuple[str, str], list[tuple[float, float, float]]], healthy: dict[str, list[float]]) -> str:
    n_recordings = len(RECORDINGS) * len(BANDS)
    intro = (
        f"{n_recordings} made-up recordings of 20 minutes ({len(RECORDINGS)} engines and sets of leads, {len(BANDS)} "
        f"grades), {FAULTS} faults in each, one measure of one event moved. Made by\n"
        "`python -m tests.performance.bench_ranking`. AP: average precision; top K: recall among as many as were "
        "planted; at 1/h: recall before the first false alarm (20 minutes allow none at one an hour)."
    )
    lines = ["# The ranked list against other methods", "", intro, ""]
    for band in BANDS:
        lines += [
            f"## {band}",
            "",
            "| method | AP | top K | at 1/h | missed of top K |",
            "| --- | --- | --- | --- | --- |",
        ]
        for name in ("this list", *METHODS):
            ap, top, at_one = np.mean(results[name, band], axis=0)
            missed = round((1 - top) * FAULTS * len(RECORDINGS))
            lines.append(f"| {name} | {ap:.3f} | {top:.3f} | {at_one:.3f} | {missed} |")
        rate = np.mean(healthy[band])
        lines += ["", f"Healthy events that this list put at one false alarm an hour or less: {rate:.2f} an hour.", ""]
    return "\n".join(lines)


if __name__ == "__main__":
    main()

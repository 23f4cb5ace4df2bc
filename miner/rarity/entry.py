import numpy as np
import pyarrow as pa


def rank_for_eval(events, setup, folder=None):
    import json

    from miner.expected.least import Resolution
    from miner.rarity.judge import fit_judge
    d = json.loads((folder / "draw.json").read_text())["options"]
    st = d["span"] * 2 / 2 ** d["bits"] * d["attenuation"]
    res = Resolution(sample_us=1e6 / d["fs"], step_v={"command": st, "feedback": st, "supply": max(20.0, d["span"]) * 2 / 2 ** d["bits"], "coil_current": 60 / 2 ** d["bits"]})
    judge, v = fit_judge(events, setup, res)
    lr = np.minimum(v.log_rate, np.log(v.log_rate.size / v.context.hours))
    order = np.lexsort((np.arange(lr.size), lr))
    n = max(int((lr <= np.log(10)).sum()), min(100, int(np.isfinite(v.log_rate).sum())))
    rows = order[:n]
    best = v.by_channel[:, rows].argmin(axis=0) if len(v.by_channel) else np.zeros(n, int)
    kind, measure, measured, usual, sg = [], [], [], [], []
    from miner.expected.measures import measured_values
    mv = {d.measure.column: measured_values(events, d.measure) for d in v.distances}
    us = {d.measure.column: d.usual_in_unit(np.arange(lr.size)) for d in v.distances}
    zz = {d.measure.column: d.z for d in v.distances}
    for i, r in enumerate(rows):
        ks = [c.kind for c in v.counted if np.isfinite(c.rate[r])]
        if ks:
            kind.append(ks[0]); measure.append(None); measured.append(None); usual.append(None); sg.append(None); continue
        c = v.channels[best[i]]; kind.append(c.kind)
        m = c.measure.column if c.measure else None
        measure.append(m); measured.append(float(mv[m][r]) if m else None); usual.append(float(us[m][r]) if m else None); sg.append(float(zz[m][r]) if m else None)
    t = pa.table(dict(rank=np.arange(1, n + 1), event_id=events["event_id"].to_numpy()[rows], time_s=events["time_s"].to_numpy()[rows],
        cylinder=events["cylinder"].take(pa.array(rows)), kind=kind, measure=measure, score=-lr[rows] / np.log(10), false_alarms_per_hour=np.exp(lr[rows]),
        measured=measured, usual=usual, distance_sigma=sg, reason=[""] * n))
    return t, {}

"""The rate over all kinds together: who teaches its tail."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
from miner.suspicion.channels import Channel, combined_log_rate


def test_wild_rows_that_are_not_trusted_do_not_fatten_the_tail_of_all_kinds() -> None:
    rng = np.random.default_rng(1)
    n, wild = 20_000, np.arange(500, 20_000, 1000)
    size = rng.exponential(size=n)
    size[wild] = 200.0
    learns = np.ones(n, dtype=bool)
    learns[wild] = False
    context = SimpleNamespace(time_s=np.arange(n) * 0.1, hours=n * 0.1 / 3600, learns=learns)
    log_rate = (np.log(n / context.hours) - size).astype(np.float32)
    channel = Channel(
        kind="late_feedback", distance=0, sign=1, log_rate=log_rate, strata=np.zeros(n, np.int8),
        left_out=np.zeros(n, dtype=bool), tails=(),
    )  # fmt: skip
    found, tail = combined_log_rate([channel], context)
    assert tail is not None
    assert found[wild].max() < np.log(1e-6)
    assert (found[learns] < np.log(0.1)).sum() < 3

"""Ignitions that fell silent at speed: at the head of the incidents, and the others keep their suspects."""

from __future__ import annotations

import pyarrow as pa
import pytest

from miner.schema import INCIDENTS, SILENCES, SUSPECTS
from miner.suspects.cut_outs import with_cut_outs
from tests.engine.layouts import engine
from tests.review.made import fill, make_events, make_silences, make_suspects


def tables() -> tuple[pa.Table, pa.Table]:
    return make_suspects(make_events(12.0))


def cut_outs(n: int, back: str = "still turning") -> pa.Table:
    common = {"leads": ["a"], "came_back": back, "looks_like": "cut_out", "rpm_before": 3000.0}
    rows = [
        {**common, "silence_id": k, "start_s": 10.0 * k, "stop_s": None if back == "none" else 10.0 * k + 1.5,
         "sentence": f"all leads silent, number {k}"} for k in range(1, n + 1)
    ]  # fmt: skip
    return fill(SILENCES, rows)


def test_without_a_cut_out_nothing_changes():
    suspects, incidents = tables()
    others = make_silences(12.0).filter(pa.array([True, False, True]))
    assert with_cut_outs(suspects, incidents, others, engine(4)) == (suspects, incidents)


def test_a_cut_out_is_the_first_incident_and_suspects_still_point_to_theirs():
    suspects, incidents = tables()
    moved, found = with_cut_outs(suspects, incidents, make_silences(12.0), engine(4))
    first, *later = INCIDENTS.validate(found).to_pylist()
    assert (first["incident_id"], first["n_events"], first["best_rank"], first["kinds"]) == (1, 0, None, ["cut_out"])
    assert (first["start_s"], first["end_s"]) == (pytest.approx(7.2), pytest.approx(7.44))
    assert "a cut-out at speed" in first["sentence"]
    before = dict(zip(incidents["incident_id"].to_pylist(), incidents["sentence"].to_pylist(), strict=True))
    after = {row["incident_id"]: row["sentence"] for row in later}
    for was, now in zip(suspects["incident_id"].to_pylist(), moved["incident_id"].to_pylist(), strict=True):
        assert after[now] == before[was]


def test_many_cut_outs_are_one_line():
    _, found = with_cut_outs(SUSPECTS.empty(), INCIDENTS.empty(), cut_outs(7), engine(4))
    (one,) = found.to_pylist()
    assert (
        one["sentence"] == "7 times at speed all leads fell silent, first at 0:00:10.000: all leads silent, number 1."
    )
    assert (one["start_s"], one["end_s"]) == (10.0, 71.5)


@pytest.mark.parametrize(
    ("setup", "back", "says", "against"),
    [
        (engine(4), "still turning", "did not ask", "limiter"),
        (engine(4, feedback=False), "by the starter", "did not ask", "A driver"),
        (engine(4, ()), "none", "answers of all coils", "A driver"),
    ],
)
def test_what_speaks_for_it_goes_by_the_leads(setup, back, says, against):
    _, found = with_cut_outs(SUSPECTS.empty(), INCIDENTS.empty(), cut_outs(1, back), setup)
    (one,) = found.to_pylist()
    assert says in one["evidence_for"]
    assert against in one["evidence_against"]
    assert "supply and crank sensor" in one["evidence_against"]

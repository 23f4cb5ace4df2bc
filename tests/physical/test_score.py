"""The scorer on lists made by hand, and the page's interval against printed values."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.performance.abroad_page import garwood, page_text
from tests.physical.score import APART, ECHO, FALSE, Scene, average_precision, match_events, verdicts

FIRING_S = 0.02


def scene(
    *faults: tuple[float, int, str, str], known: bool = True, holes: tuple[tuple[float, float], ...] = ()
) -> Scene:
    at_s, cylinder = np.array([f[0] for f in faults], dtype=float), np.array([f[1] for f in faults])
    return Scene(
        faults={
            "time_s": at_s, "alt_time_s": at_s, "cylinder": cylinder,
            "cylinder_alt": cylinder,
            "kind": np.array([f[2] for f in faults], dtype=object),
            "label": np.array([f[3] for f in faults], dtype=object), "firing_interval_s": FIRING_S + 0.0 * at_s,
        },
        events={}, seconds=100.0, holes=holes, cylinder_known=known, cylinders=4,
    )  # fmt: skip


def listed(*rows: tuple[float, int]) -> dict[str, Any]:
    return {"time_s": np.array([r[0] for r in rows]), "cylinder": np.array([r[1] for r in rows], dtype=float)}


WEAK = (10.0, 1, "weak_command", "must_find")
ABSENT = (20.0, 2, "absent_command", "must_find")


def test_each_fault_is_hit_once_and_only_by_its_cylinder() -> None:
    said = verdicts(scene(WEAK, ABSENT), listed((20.001, 2), (10.0, 1), (10.001, 1), (50.0, 1)))
    assert said.tolist() == [1, 0, ECHO, FALSE]
    assert verdicts(scene(WEAK), listed((10.0, 3)))[0] == ECHO, "beside the fault, of another cylinder"
    assert verdicts(scene(WEAK, known=False), listed((10.0, 3)))[0] == 0


def test_echoes_reach_the_next_event_of_the_same_cylinder_only_where_intervals_shift() -> None:
    assert verdicts(scene(ABSENT), listed((20.0 + 4 * FIRING_S, 2)))[0] == ECHO
    assert verdicts(scene(ABSENT), listed((20.0 + 4 * FIRING_S, 1)))[0] == FALSE
    assert verdicts(scene(WEAK), listed((10.0 + 4 * FIRING_S, 1)))[0] == FALSE


def test_rows_without_signal_are_counted_apart() -> None:
    assert verdicts(scene(WEAK, holes=((30.0, 40.0),)), listed((35.0, 1), (45.0, 1))).tolist() == [APART, FALSE]


def test_average_precision_by_hand() -> None:
    labels = np.array(["must_find", "stretch", "beyond", "must_find"])
    said = np.array([0, FALSE, 2, ECHO, 1, FALSE])
    assert average_precision(said, labels) == pytest.approx((1.0 + 2.0 / 3.0) / 3.0)
    assert average_precision(said, np.array(["beyond"])) is None


def test_events_are_counted() -> None:
    at = np.arange(1.0, 2.0, FIRING_S)
    cylinder, no = np.tile([1, 3, 4, 2], 13)[: len(at)], np.zeros(len(at))
    truth = {"time_s": at, "firing_interval_s": no + FIRING_S, "ignore": no, "planted": no}
    truth |= {"cylinder": cylinder, "cylinder_alt": cylinder}
    found = {"time_s": np.append(at[1:], 5.0), "cylinder": np.append(truth["cylinder"][1:], 1.0)}
    found["cylinder"][3] = 9
    told = match_events(
        Scene(faults={}, events=truth, seconds=100.0, holes=(), cylinder_known=True, cylinders=4), found
    )
    assert told == {"events": len(at), "found": len(at) - 1, "made_up": 1, "wrong_cylinder": 1}


@pytest.mark.parametrize(
    ("count", "low", "high"), [(0, 0.0, 3.6889), (1, 0.0253, 5.5716), (3, 0.6187, 8.7673), (10, 4.7954, 18.3904)]
)
def test_garwood(count: int, low: float, high: float) -> None:
    """Printed values of the exact interval of a Poisson mean at 95 %."""
    assert garwood(count) == pytest.approx((low, high), abs=2e-4)


def test_page_says_what_the_rows_say() -> None:
    fault = {
        "kind": "weak_command",
        "label": "must_find",
        "sigma": 20.0,
        "top": True,
        "rate": 0.01,
        "said": "weak_command",
    }
    common = {"set": "third", "exit": 0, "events": 100, "found": 99, "made_up": 1, "wrong_cylinder": 2, "seconds": 10.0,
              "cpu_s": 15.0, "peak_mb": 300.0, "apart": 0, "layout": "four", "leads": "answer"}  # fmt: skip
    rows = [
        common | {"number": 0, "healthy": True, "hours": 0.5, "counts": [0, 1, 2, 7], "planted": []},
        common | {"number": 1, "healthy": False, "hours": 0.5, "counts": [0, 0, 1, 5], "average_precision": 0.5,
                  "planted": [fault, fault | {"top": False, "rate": None, "said": None}]},
        {"set": "third", "number": 2, "error": "no list"},
    ]  # fmt: skip
    page = page_text(rows)
    assert "| 1 | 0.50 | 2 | 0.0 to 4.7 | yes | number 0: 2, 0.5 |" in page
    assert "| gross, 8 sigma and more | 0.500 (1 of 2) | 0.500 (1 of 2) |" in page
    assert "Mean average precision 0.500 over 1 faulty recordings; 1 false alarms" in page
    assert "number 2" in page
    assert "198 of 200 found, 2 made up, 4 with the wrong cylinder" in page

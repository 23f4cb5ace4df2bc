"""Names of the columns of state, events, pulses, answers and coils in the time stepping, and what goes in and out."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SLOW = 400
"""Steps between the slow tasks (10 ms)."""
GRID = 8
"""Steps between kept values of the supply (0.2 ms)."""

(S_OMEGA, S_THETA, S_MAP, S_AIR, S_THROTTLE, S_SPEED, S_GEAR, S_SHIFT, S_NEXT_GEAR, S_ENGAGE, S_BRAKE, S_STARTER,
 S_BUS, S_FIELD, S_EMF, S_LOADS, S_VOLT_SEEN, S_VOLT_STEP, S_LOAD_SEEN, S_RPM_INDEX, S_LOAD_INDEX, S_VOLT_INDEX,
 S_CUT, S_CUT_FOR, S_LIMIT, S_RETARD, S_SYNC_AT, S_SYNCED_S, S_TOOTH_RPM, S_RPM_BEFORE, S_ACCEL, S_LAST_FAULT,
 S_DROP_COUNT, S_CURRENT, S_LAST_TOOTH, S_KEY, S_FIRST_GROUP, S_STALLED_S, S_ADVANCE,
 S_CALM_RPM, S_COUNT) = range(41)  # fmt: skip

(E_ON, E_OFF, E_SLOT, E_CYCLE, E_RPM, E_LOAD, E_SENT, E_DROPPED, E_ANSWER_ON, E_ANSWER_OFF, E_VOLT, E_END_A, E_FAULT,
 E_SIZE, E_REPEATS, E_EXTRA_ON, E_EXTRA_OFF, E_ADVANCE, E_KNOCK, E_ANGLE, E_CRANKING, E_SAG_ON, E_SAG_OFF, E_SAG_V,
 E_ACCEL, E_COUNT) = range(26)  # fmt: skip

(P_ON, P_OFF, P_EVENT, P_COIL, P_SORT, P_VOLT, P_OHM, P_HENRY, P_COUNT) = range(9)
(A_ON, A_OFF, A_EVENT, A_COIL, A_COUNT) = range(5)
(C_ON, C_OFF, C_AMPS, C_ANSWER, C_OHM, C_HENRY, C_VOLT_S, C_HEAT, C_TEMP, C_EXTRA_GAP, C_EXTRA_S, C_WIDTH, C_COUNT) = (
    range(13)
)
(K_CHARGING, K_EVENT, K_SORT, K_SLOT, K_REPEATS, K_OPEN, K_LINE_OPEN, K_COUNT) = range(8)
(J_WAITS, J_ON, J_FIXED) = range(3)
MAIN, REPEAT, EXTRA = 0, 1, 2


class Plan(NamedTuple):
    """Groups of faults as arrays, one entry a group (sizes: ``first`` is the place of the first one in ``size``)."""

    at_s: Floats
    kind: Ints
    cylinder: Ints
    n_events: Ints
    first: Ints
    way: Ints
    rpm_low: Floats
    rpm_high: Floats
    accelerating: Ints
    size: Floats


class State(NamedTuple):
    """What changes while the engine runs.

    Attributes
    ----------
    s : ndarray
        Single values, by the names ``S_``.
    slots, states, groups, knock, phase, burning : ndarray
        One entry a slot, its place in the firing order: (next dead centre, spark's angle, on-time,
        size of the fault to come, group of the fault in hand); ``J_``;
        group of faults (-2: not asked yet, -1: none); degrees held back; degrees since dead centre; charge alight.
    coils, flags : ndarray
        One row a coil, by the names ``C_`` and ``K_``.
    left : ndarray
        Faults still to come of each group.
    teeth, pitches : ndarray
        When the last teeth were seen, and their running numbers.
    rng : numpy.random.Generator
    """

    s: Floats
    slots: Floats
    states: Ints
    groups: Ints
    knock: Floats
    phase: Floats
    burning: Floats
    coils: Floats
    flags: Ints
    left: Ints
    teeth: Floats
    pitches: Ints
    rng: np.random.Generator


class Course(NamedTuple):
    """What happened.

    Attributes
    ----------
    events, pulses, answers : ndarray
        Rows by the names ``E_``, ``P_`` and ``A_``; ``counts`` says how many.
    volts : ndarray
        Supply at the coils every 0.2 ms.
    slow : ndarray
        Engine speed, load and crank degrees every 10 ms.
    """

    events: Floats
    pulses: Floats
    answers: Floats
    volts: NDArray[np.float32]
    slow: Floats
    counts: Ints

"""The first look at a recording: polarity, state levels and noise of every lead with pulses.

What a lead does is learned where it carries a signal, wherever in the recording that is: from short looks spread over
all of it, then four times as many, then the whole. Looks without a signal, before the engine turns or after it
stopped, teach nothing. Only the figures of a look are kept, so memory does not grow with the recording.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from miner.errors import SignalError
from miner.recording.chunks import Chunk, iter_ranges
from miner.recording.ranges import Range, contains, joined
from miner.recording.reader import Recording
from miner.signal.leads import LeadProfile, LeadSpec
from miner.signal.looks.look import Look, look_at
from miner.signal.wheels.profile import profile_wheels

__all__ = ["profile_leads"]

_LOOK_HZ = 50_000.0
"""Thinned rate of a look: ignition pulses last hundreds of microseconds."""

_LOOK_S = 2.0
"""Length of a look: several turns of an idling engine, and a whole pause of one being cranked."""

_FEW, _MANY = 16, 64
"""Looks of the first and of the second reading (own choice: together 160 s of a recording of any length)."""

_SHALLOW_S = 30.0
"""A row group is decoded from its beginning; the first reading looks no deeper into one than this."""

_LONG_S, _OVERLAP_S = 16.0, 1.0
"""Length and overlap of the looks of the last reading, of everything: a pulse on a border is whole in one of them."""

_ENOUGH_PULSES = 60
"""No further reading once every lead has shown so many: their median is known to a sixth of their spread."""

_LEAST_PULSES = 2
"""One pulse has no usual length."""

_SAME_SHARE = 0.3
"""Looks whose amplitude is this share of the usual one, or its inverse, show the same signal; what is below is hum,
crosstalk, a clip that hung by a thread."""

_WITNESSES, _WITNESS_SHARE = 10.0, 0.25
"""The usual amplitude is the largest that is shown by so many pulses, or by this share of them: not by one kick."""

_HARDLY_V = 0.1
"""What a message calls a level rather than hum."""

_WIDE_STEP = 0.1
"""A step that is this share of the amplitude tells of a signal without noise, not of a converter."""

_LEAST_SAMPLES_PER_PULSE = 4.0
"""A pulse of fewer samples has no on-state between its edges."""
_RUN_SPREAD_FLOOR = 0.02
"""Spread of equal runs, so that its logarithm is none of nothing (own choice)."""

Looks = list[Look]


def profile_leads(recording: Recording, leads: Sequence[LeadSpec]) -> dict[int, LeadProfile]:
    """Look at every command and feedback lead, and at every wheel; return profiles by lead index.

    Parameters
    ----------
    recording : Recording
        As opened.
    leads : sequence of LeadSpec
        Leads of the setup; those without pulses or wheel are passed over.

    Raises
    ------
    SignalError
        If a lead stays on one level, shows no pulses, or is sampled too slowly; names column and remedy.
    RecordingError
        As `miner.recording.chunks.iter_chunks`.
    """
    wanted = [lead for lead in leads if lead.has_pulses]
    wheels = profile_wheels(recording, leads)
    if not wanted:
        return wheels
    looks: dict[str, Looks] = {}
    for reading in _readings(recording):
        looks = {lead.column: [] for lead in wanted}
        for part in _looks(recording, list(looks), reading):
            for column, look in part.items():
                looks[column].append(look)
        if all(_n_pulses(_with_signal(seen)) >= _ENOUGH_PULSES for seen in looks.values()):
            break
    return {lead.index: _profile(lead, looks[lead.column], recording) for lead in wanted} | wheels


def _stride(recording: Recording) -> int:
    return max(1, int(recording.rate_hz / _LOOK_HZ))


def _readings(recording: Recording) -> Iterator[list[Range]]:
    """Yield the ranges to look at: few, many, at last everything."""
    n, length = recording.n_samples, max(1, round(_LOOK_S * recording.rate_hz))
    if n > _FEW * length:
        few = [r for r in _spread(n, length, _FEW) if _depth(recording, r[0]) <= _SHALLOW_S * recording.rate_hz]
        at_start = [(k * length, (k + 1) * length) for k in range(_FEW)]
        yield sorted({*few, *at_start[: _FEW - len(few) + 1]})
    if n > _MANY * length:
        yield _spread(n, length, _MANY)
    step, over = round(_LONG_S * recording.rate_hz) + 1, round(_OVERLAP_S * recording.rate_hz)
    yield [(first, min(first + step + over, n)) for first in range(0, n, step)]


def _spread(n_samples: int, length: int, n_looks: int) -> list[Range]:
    return [(int(first), int(first) + length) for first in np.linspace(0, n_samples - length, n_looks)]


def _depth(recording: Recording, sample: int) -> int:
    """Return how many samples of the row group must be decoded before this one is reached."""
    part = recording.parts[bisect_right([p.start for p in recording.parts], sample) - 1]
    return sample - part.group_starts[bisect_right(part.group_starts, sample) - 1]


def _looks(recording: Recording, columns: list[str], ranges: list[Range]) -> Iterator[dict[str, Look]]:
    """Yield what each range, ascending, shows of each column; ranges may overlap."""
    stride = _stride(recording)
    rate_hz = recording.rate_hz / stride
    oldest = list(accumulate((first for first, _ in reversed(ranges)), min))[::-1]
    chunks = iter_ranges(recording, columns, joined(ranges).tolist())
    held: list[tuple[NDArray[np.int64], dict[str, NDArray[np.float64]]]] = []
    seen = 0
    for (first, last), needed in zip(ranges, oldest, strict=True):
        held = [one for one in held if one[0].size and one[0][-1] >= needed]
        while seen < last:
            chunk = next(chunks)
            held.append(_thinned(chunk, columns, stride))
            seen = chunk.stop
        at = np.concatenate([one[0] for one in held])
        inside = (at >= first) & (at < last)
        values = {column: np.concatenate([one[1][column] for one in held])[inside] for column in columns}
        yield {column: look_at(values[column], recording.channels[column], rate_hz) for column in columns}


def _thinned(chunk: Chunk, columns: list[str], stride: int) -> tuple[NDArray[np.int64], dict[str, NDArray[np.float64]]]:
    """Every ``stride``-th sample of the absolute grid and its place; NaN where missing."""
    first = -chunk.start % stride
    at = np.arange(chunk.start + first, chunk.stop, stride)
    values = {column: chunk.raw[column][first::stride].astype(np.float64) for column in columns}
    for column in columns:
        values[column][contains(chunk.missing[column], at)] = np.nan
    return at, values


def _n_pulses(looks: Looks) -> int:
    return sum(look.n_pulses for look in looks)


def _with_signal(looks: Looks) -> Looks:
    """Return the looks that show the lead's signal, and not what else may look like one now and then."""
    found = sorted((look for look in looks if look.is_signal), key=lambda look: -look.amplitude_v)
    weights = [max(look.n_pulses, 1) for look in found]
    witnesses = min(_WITNESSES, _WITNESS_SHARE * sum(weights))
    usual_v = next((one.amplitude_v for one, n in zip(found, accumulate(weights), strict=True) if n >= witnesses), 0.0)
    return [look for look in found if _SAME_SHARE * usual_v <= look.amplitude_v <= usual_v / _SAME_SHARE]


def _profile(lead: LeadSpec, looks: Looks, recording: Recording) -> LeadProfile:
    channel, stride = recording.channels[lead.column], _stride(recording)
    looks = [look for look in looks if look.n_samples]
    if not looks:
        raise _refusal(recording, lead, "the lead has no valid sample", "check the recording or leave the lead out")
    found = _with_signal(looks)
    if not found:
        raise _refusal(
            recording, lead, f"no pulses: the lead {_idleness(looks, channel.unit)}",
            "check the clip, the column and its role, or leave the lead out of the setup",
        )  # fmt: skip
    low, high = np.concatenate([look.low_runs for look in found]), np.concatenate([look.high_runs for look in found])
    active = lead.active or _polarity(low, high, float(np.mean([look.low_share for look in found])))
    pulses = high if active == "high" else low
    if pulses.size < _LEAST_PULSES:
        raise _refusal(
            recording, lead, f"no pulses to learn from: {pulses.size} in the whole recording",
            "check that the engine ran, the clip, and the column",
        )  # fmt: skip
    pulse_samples = float(np.median(pulses)) * stride
    if pulse_samples < _LEAST_SAMPLES_PER_PULSE:
        raise _refusal(
            recording, lead, f"the rate of {recording.rate_hz:g} samples a second is too low: a pulse is "
            f"{pulse_samples:.0f} samples long", "record at 100,000 samples a second or more",
        )  # fmt: skip
    amplitude_v = _median([look.amplitude_v for look in found])
    off_v = _median([look.low_v if active == "high" else look.high_v for look in found])
    return LeadProfile(
        index=lead.index, column=lead.column, active=active, off_v=off_v,
        on_v=off_v + amplitude_v if active == "high" else off_v - amplitude_v,
        noise_v=_median([look.noise_v for look in found]), step_v=_step(found, amplitude_v),
        edge_us=_median([look.edge for look in found]) * stride / recording.rate_hz * 1e6,
        pulse_us=pulse_samples / recording.rate_hz * 1e6,
        n_pulses=pulses.size, clip_count=_clip_count(found, active, rising=(active == "high") == (channel.scale > 0)),
    )  # fmt: skip


def _step(looks: Looks, amplitude_v: float) -> float:
    step_v = min(look.step_v for look in looks)
    return step_v if step_v < _WIDE_STEP * amplitude_v else 0.0


def _median(values: list[float]) -> float:
    return float(np.median(values))


def _idleness(looks: Looks, unit: str) -> str:
    """Say what a lead does that carries no signal."""
    level = _median([look.middle_v for look in looks])
    reach = max(look.amplitude_v for look in looks)
    if reach > abs(level) and reach > _HARDLY_V:
        return f"shows no two levels, only hum or noise of up to {reach:.3g} {unit}"
    return f"is always {'high' if level > 1.0 else 'low'} (about {level:.3g} {unit})"


def _polarity(low: NDArray[np.int64], high: NDArray[np.int64], low_share: float) -> str:
    """Tell the on-state from the off-state: it is the shorter one, and the less variable one.

    Off-time follows engine speed, on-time hardly does. Both are medians or quartiles over runs, so one long stop, or
    one pulse of a second at key-on, decides nothing. Where either state has no whole run the rarer one is on.
    """
    if not (low.size and high.size):
        return "high" if low_share > 0.5 else "low"
    length = np.log(np.median(high) / np.median(low))
    spread = np.log(_run_spread(high) / _run_spread(low))
    return "high" if length + spread < 0 else "low"


def _run_spread(lengths: NDArray[np.int64]) -> float:
    """Interquartile range of the logarithm of run lengths, with a floor for equal runs."""
    lower, upper = np.quantile(np.log(lengths), [0.25, 0.75])
    return float(upper - lower) + _RUN_SPREAD_FLOOR


def _clip_count(looks: Looks, active: str, *, rising: bool) -> float:
    """Return the stored value at which most looks show the on-state cut off, or NaN."""
    cuts = np.array([look.high_cut if active == "high" else look.low_cut for look in looks])
    cut = cuts[np.isfinite(cuts)]
    if 2 * cut.size <= cuts.size:
        return np.nan
    return float(cut.max() if rising else cut.min())


def _refusal(recording: Recording, lead: LeadSpec, problem: str, remedy: str) -> SignalError:
    return SignalError(problem, remedy=remedy, file=recording.path, column=lead.column)

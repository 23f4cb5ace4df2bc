"""The sentence that says why an event is a suspect: measured, usual, and how far apart."""

from __future__ import annotations

from dataclasses import dataclass

from miner.words import with_unit

__all__ = ["Finding", "explain"]


@dataclass(frozen=True, kw_only=True)
class Finding:
    """What is known of one suspect when its sentence is written.

    Attributes
    ----------
    kind : str
    who : str
        'cylinder 3' or 'place 2 of the cycle'.
    label, unit : str
        Of the measure that decided; empty for counted kinds.
    measured, usual, sigmas : float
        NaN where there is none.
    rpm, supply_v : float
        Conditions; NaN where not known.
    count : int
        Further pulses in the slot.
    n_due, n_absent : int
        Pulses due on this lead for this cylinder in the recording, and those of them that did not come.
    """

    kind: str
    who: str
    label: str
    unit: str
    measured: float
    usual: float
    sigmas: float
    rpm: float
    supply_v: float
    count: int = 0
    n_due: int = 0
    n_absent: int = 0


def explain(finding: Finding) -> str:
    """Return one sentence with the measured value, the usual value for these conditions, and the difference."""
    match finding.kind:
        case "absent_command" | "absent_feedback":
            what = "Command" if finding.kind == "absent_command" else "Feedback"
            came = finding.n_due - finding.n_absent
            return (
                f"{what} pulse of {finding.who} did not come when it was due {_conditions(finding)}; "
                f"{came:,} of its {finding.n_due:,} due pulses came."
            )
        case "extra_pulse":
            return (
                f"{finding.count} further pulse{'s' if finding.count > 1 else ''} in the slot of {finding.who}, where "
                f"none is usual {_conditions(finding)}."
            )
        case "unusual" if not finding.label:
            return f"A rare mixture of values for {finding.who} {_conditions(finding)}; no single measure is far off."
        case "unusual" if abs(finding.sigmas) < 6:
            return f"A rare mixture of values for {finding.who}; furthest off: {_lower(_compared(finding))}"
        case _:
            return _compared(finding)


def _compared(finding: Finding) -> str:
    difference = finding.measured - finding.usual
    share = ""
    if finding.unit != "deg" and finding.usual > 0:
        share = f" ({abs(difference) / finding.usual:.{0 if abs(difference) > 0.1 * finding.usual else 1}%})"
    return (
        f"{finding.label} {with_unit(finding.measured, finding.unit)} where "
        f"{with_unit(finding.usual, finding.unit)} is usual for {finding.who} {_conditions(finding)}: "
        f"{with_unit(abs(difference), finding.unit)}{share} {_direction(finding, difference)}, "
        f"{abs(finding.sigmas):.1f} times the usual scatter."
    )


def _direction(finding: Finding, difference: float) -> str:
    up = difference > 0
    if finding.unit == "us":
        return "longer" if up else "shorter"
    if finding.unit == "deg":
        return "late" if up else "early"
    return "higher" if up else "lower"


def _conditions(finding: Finding) -> str:
    parts = [f"{finding.rpm:,.0f} rpm"] if finding.rpm > 1 else []
    said = finding.label == "Supply"  # the sentence has it already
    parts += [f"{finding.supply_v:.1f} V supply"] if finding.supply_v > 0 and not said else []
    return f"at {' and '.join(parts)}" if parts else "in this recording"


def _lower(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]

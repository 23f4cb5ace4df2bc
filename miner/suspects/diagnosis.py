"""Where an incident points: the circuit, what speaks for and against it, the next test, and generic codes.

The cases are common practice of the trade, no source. Nothing here is a verdict: the evidence points somewhere,
and what was not recorded is said. Codes are generic ones of SAE J2012 (P0562 from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from miner.suspects.evidence import FAMILY_OF_KIND, SUPPLY_LOW_V, Evidence, join_words
from miner.words import kind_name

__all__ = ["CODES_NOTE", "Pointer", "point"]

CODES_NOTE = (
    "A control unit may store these generic codes or none: the letter of a coil is not the number of its cylinder "
    "(the maker's list says which is which), and an absent ignition event is not yet a misfire in the sense of the "
    "regulation"
)
"""Caveat that goes with every list of codes."""

_MOST_CODED = 12
"""SAE J2012 names cylinders 1 to 12 and coils A to L."""


@dataclass(frozen=True, kw_only=True)
class Pointer:
    """Where one incident points; all texts are whole sentences but for ``circuit``, which is a noun."""

    circuit: str
    evidence_for: str
    evidence_against: str
    next_test: str
    codes: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class _Case:
    """One pattern: when it applies, and what it says. ``{who}`` stands for the struck cylinders."""

    applies: Callable[[Evidence, str], bool]
    circuit: str
    why: str
    test: str
    codes: tuple[str, ...]  # names of the groups in `_codes`
    asks: tuple[str, ...] = ("supply", "ground")  # leads that would have told more


def point(evidence: Evidence) -> Pointer:
    """Say which circuit the evidence points to, for every mixture of kinds and leads.

    Examples
    --------
    >>> once = Evidence(kinds={"absent_feedback": 1}, cylinders=(3,), served=(3,), n_struck=1, n_coils=4, n_events=1,
    ...                 n_due=1, start_s=1.0, end_s=1.0, span_cycles=0.0, n_command_alone=1)
    >>> point(once).circuit
    'coil of cylinder 3, its supply or ground, or the feedback wire'
    """
    family = _leading_family(evidence)
    case = next(case for case in _CASES if case.applies(evidence, family))
    codes = _codes(evidence, case.codes)
    return Pointer(
        circuit=case.circuit.format(who=evidence.who),
        evidence_for=_sentences([case.why.format(who=evidence.who), *_facts_for(evidence, family, case)]),
        evidence_against=_sentences(_facts_against(evidence, family, case)),
        next_test=_sentences([case.test.format(who=evidence.who), *([CODES_NOTE] if codes else [])]),
        codes=codes,
    )


def _leading_family(evidence: Evidence) -> str:
    """Return the most frequent family; what is often only an answer to it counts where there is nothing else."""
    families = evidence.families
    causes = [f for f in ("command", "shape", "feedback", "extra", "supply") if families[f]]
    ranked = causes or [f for f in ("rhythm", "unusual") if families[f]]
    return max(ranked, key=lambda family: families[family])


def _supply(e: Evidence, family: str) -> bool:
    return family == "supply" or (e.everywhere and e.supply_low)


def _everywhere(*families: str) -> Callable[[Evidence, str], bool]:
    return lambda e, family: e.everywhere and family in families


def _family(*families: str) -> Callable[[Evidence, str], bool]:
    return lambda _, family: family in families


def _clip_lost_command(e: Evidence, family: str) -> bool:
    return family == "command" and 2 * e.n_feedback_alone > e.n_events


def _several_on_one_wire(e: Evidence, family: str) -> bool:
    return family == "feedback" and e.n_struck > 1 and e.feedback_shared


def _feedback_only(e: Evidence, family: str) -> bool:
    return family in ("feedback", "extra") and not e.command_lead


_CASES = (
    _Case(
        applies=_supply,
        circuit="coil supply (battery, main relay, its connections) or the common ground",
        why="The coil supply was low at these events",
        test="Record battery voltage and coil supply on two leads: both low points to the battery, the charging or "
        "the load that was switched on; only the coil supply low points to the relay, the fuse or a connection "
        "between them; measure the voltage drop of each connection under load",
        codes=("several", "supply"),
        asks=("ground",),
    ),
    _Case(
        applies=_family("rhythm"),
        circuit="engine itself or its position sensors (crank, cam)",
        why="Only the rhythm was uneven: the pulses themselves are as usual",
        test="Record the crank and cam sensors on the free leads and look whether their rhythm breaks as well: if it "
        "does, check sensor gap, wheel and wiring; if not, the crank really ran unevenly, so look at mixture, "
        "compression and load",
        codes=("several", "position"),
        asks=("crank", "cam"),
    ),
    _Case(
        applies=_everywhere("command", "shape"),
        circuit="supply or ground of the engine computer, or the engine-speed sensor",
        why="All or nearly all cylinders lost their commands together",
        test="Record the computer's supply, its ground and the crank sensor on the free leads until it happens "
        "again: whichever breaks first is where to look",
        codes=("several", "position"),
        asks=("supply", "ground", "crank"),
    ),
    _Case(
        applies=lambda e, family: _everywhere("feedback", "extra")(e, family) and e.command_lead,
        circuit="common supply or ground of the coils, or the shared feedback wire",
        why="The commands were there and the answers of all or nearly all cylinders changed together",
        test="Record the coil supply and the coil ground on the free leads, and move the feedback lead to the "
        "computer's end of the wire: if the answers are there at one end only, the wire is the place",
        codes=("several", "coils"),
    ),
    _Case(
        applies=_everywhere("feedback", "extra", "unusual"),
        circuit="supply, ground or engine-speed sensor, or the wire that all the recorded pulses share",
        why="All or nearly all cylinders were struck together",
        test="Clip a lead to at least one command line and one to the coil supply, and record again: commands that "
        "stay while the answers go point to the coils' supply, ground or feedback wire",
        codes=("several", "position"),
        asks=("command", "supply", "ground", "crank"),
    ),
    _Case(
        applies=_clip_lost_command,
        circuit="clip or wire of the command lead between {who} and the place it was recorded at",
        why="Feedback came in its place though no good command was seen, so the coil was switched all the same",
        test="Fasten the command lead of {who} again, at the coil's plug if it was at the computer's or the other way "
        "round, and wiggle the wire while recording",
        codes=(),
        asks=(),
    ),
    _Case(
        applies=_family("command"),
        circuit="engine computer or command wiring of {who}",
        why="The command itself was absent or of unusual length",
        test="Record the command at the computer's plug while wiggling the wire to the coil: a command that fails "
        "there too points to the computer, its supply, ground or inputs; one that is good there points to the wire",
        codes=("cylinder", "coils", "control"),
    ),
    _Case(
        applies=_family("shape"),
        circuit="command wiring of {who}, its ground, or the driver in the engine computer",
        why="The command came in time but weak or distorted",
        test="Measure the command's low and high level at both ends of the wire against the coil's ground: a "
        "difference between the ends points to the wire or a plug, the same bad level at both to the driver or to "
        "a load in the coil; wiggle plugs and ground strap meanwhile",
        codes=("cylinder", "coils", "control"),
    ),
    _Case(
        applies=_feedback_only,
        circuit="computer, command wire, coil or feedback wire of {who}, not to be told apart without its command",
        why="The feedback of {who} was absent or unusual",
        test="Clip a lead to the command line of {who} and record again: a command that is absent too points to the "
        "computer or the command wire, a good one to the coil, its supply or ground, or the feedback wire",
        codes=("cylinder", "coils", "control"),
        asks=("supply", "ground"),
    ),
    _Case(
        applies=_several_on_one_wire,
        circuit="shared feedback wire, or what the coils of {who} share in supply or ground",
        why="Several cylinders on one feedback wire answered unusually close together",
        test="Record the feedback at the computer's end and at the coils' end of the wire, and the supply of one of "
        "the struck coils: the first to break is the place",
        codes=("cylinder", "coils"),
    ),
    _Case(
        applies=_family("feedback"),
        circuit="coil of {who}, its supply or ground, or the feedback wire",
        why="The command was good while the feedback was absent, late or unusual",
        test="Change the coil of {who} for a neighbour's and record again: trouble that moves along points to the "
        "coil, trouble that stays points to its plug, supply, ground or feedback wire; then measure the voltage "
        "drop of supply and ground under load",
        codes=("cylinder", "coils"),
    ),
    _Case(
        applies=_family("extra"),
        circuit="contact or ground of {who} that bounces, or a repeated command of the engine computer",
        why="There were more pulses than due",
        test="Look at the windows: pulses of usual shape are commands of the computer, short and ragged ones a "
        "contact; wiggle plug and ground of {who} while recording",
        codes=("cylinder",),
    ),
    _Case(
        applies=lambda *_: True,
        circuit="no single circuit",
        why="The mixture of values is rare, though no single value is",
        test="Look at the windows beside the usual pulse and judge; record longer, with more leads, if they look odd",
        codes=(),
        asks=("supply", "ground"),
    ),
)


def _facts_for(e: Evidence, family: str, case: _Case) -> list[str]:
    facts = []
    if family == "command" and e.n_command_absent and e.n_feedback_absent:
        facts.append(f"The command was absent in {_of(e.n_command_absent, e)} and the feedback went along with it")
    if family == "feedback" and e.n_command_alone:
        facts.append(f"The command came and no feedback followed in {_of(e.n_command_alone, e)}")
    if e.n_others and not e.n_others_listed and not e.everywhere:
        facts.append(f"The other cylinders were as usual at the time ({_count(e.n_others, 'event')})")
    if e.supply_low:
        facts.append(f"The supply was {e.supply_drop_v:.1f} V below its neighbourhood ({e.supply_v:.1f} V)")
    elif math.isfinite(e.supply_drop_v) and "supply" not in case.circuit:
        facts.append(f"The supply was as usual ({e.supply_v:.1f} V)")
    return facts


def _facts_against(e: Evidence, family: str, case: _Case) -> list[str]:
    facts = []
    rest = {kind: n for kind, n in e.kinds.items() if FAMILY_OF_KIND[kind] != family}
    if rest:
        facts.append(f"Other signs among them: {join_words([f'{kind_name(kind)} ({n})' for kind, n in rest.items()])}")
    if e.n_others_listed and not e.everywhere:
        facts.append(f"{_count(e.n_others_listed, 'event')} of other cylinders at the time are listed too")
    if "supply" in case.circuit and e.supply_drop_v < SUPPLY_LOW_V:
        facts.append(f"The supply was as usual ({e.supply_v:.1f} V), which speaks against the supply")
    if family == "command" and e.n_feedback_alone:
        facts.append(f"Feedback came without a command seen in {_of(e.n_feedback_alone, e)}")
    if e.n_events == 1:
        facts.append("It happened once: an accident of the recording cannot be excluded")
    return facts + _not_recorded(e, family, case)


def _not_recorded(e: Evidence, family: str, case: _Case) -> list[str]:
    facts = []
    if not e.command_lead and family != "rhythm":
        facts.append(f"The command of {e.who} was not recorded: computer and coil cannot be told apart")
    if not e.feedback_lead and family in ("command", "shape"):
        facts.append(f"The feedback of {e.who} was not recorded: whether the coil answered is not known")
    missing = [role for role in case.asks if role in _LACKS and role not in e.roles]
    if missing:
        facts.append(f"Not recorded: {join_words([_LACKS[role] for role in missing])}")
    return facts


_LACKS = {
    "supply": "coil supply (so coil and supply cannot be told apart)",
    "ground": "coil ground",
    "crank": "crank sensor",
    "cam": "cam sensor",
}


def _codes(e: Evidence, groups: tuple[str, ...]) -> tuple[str, ...]:
    """Return generic codes: P0300 + n per cylinder, coil circuits by letter as ranges over this engine's coils."""
    last = min(e.n_coils, _MOST_CODED)
    cylinders = [f"P{300 + c:04d}" for c in e.served if c <= _MOST_CODED]
    listed = {
        "cylinder": cylinders if len(cylinders) == 1 else ["P0300", *cylinders],
        "several": ["P0300"],
        "coils": ["P0350", _range(351, 350 + last)],
        "control": [f"P{2300 + 3 * k + high:04d}" for k in range(last) for high in (0, 1)],
        "position": ["P0320", "P0335", "P0340"],
        "supply": ["P0562"],
    }
    return tuple(code for group in groups for code in listed[group])


def _range(first: int, last: int) -> str:
    return f"P{first:04d}" if first == last else f"P{first:04d}-P{last:04d}"


def _of(n: int, e: Evidence) -> str:
    return f"{n:,} of {_count(e.n_events, 'event')}"


def _count(n: int, noun: str) -> str:
    return f"{n:,} {noun}" if n == 1 else f"{n:,} {noun}s"


def _sentences(clauses: list[str]) -> str:
    return ". ".join(clauses) + "." if clauses else ""

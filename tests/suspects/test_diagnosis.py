import re
from itertools import combinations, product

import pytest

from miner.schema import KINDS
from miner.suspects.diagnosis import CODES_NOTE, point
from miner.suspects.evidence import FAMILY_OF_KIND, Evidence


def evidence(kinds, **changes):
    if isinstance(kinds, str):
        kinds = {kinds: 1}
    n = sum(kinds.values())
    plain = {
        "kinds": kinds, "cylinders": (3,), "served": (3,), "n_struck": 1, "n_coils": 4, "n_events": n, "n_due": 2 * n,
        "start_s": 10.0, "end_s": 10.5, "span_cycles": 5.0, "n_others": 15,
        "roles": frozenset({"command", "feedback", "supply", "ground"}), "supply_v": 13.8, "usual_supply_v": 13.8,
    }  # fmt: skip
    return Evidence(**(plain | changes))


ALL = {"cylinders": (1, 2, 3, 4), "served": (1, 2, 3, 4), "n_struck": 4, "n_others": 0}


@pytest.mark.parametrize(
    ("kinds", "changes", "circuit"),
    [
        ("absent_command", {"n_command_absent": 1, "n_feedback_absent": 1}, "engine computer or command wiring of cyl"),
        ("short_on_time", {}, "engine computer or command wiring of cylinder 3"),
        ("long_on_time", {}, "engine computer or command wiring of cylinder 3"),
        ("absent_command", {"n_command_absent": 1, "n_feedback_alone": 1}, "clip or wire of the command lead"),
        ("absent_feedback", {"n_command_alone": 1}, "coil of cylinder 3, its supply or ground, or the feedback wire"),
        ("late_feedback", {}, "coil of cylinder 3, its supply or ground, or the feedback wire"),
        ("early_feedback", {}, "coil of cylinder 3"),
        ("weak_feedback", {}, "coil of cylinder 3"),
        ("odd_feedback_width", {}, "coil of cylinder 3"),
        ("absent_feedback", {"command_lead": False}, "computer, command wire, coil or feedback wire of cylinder 3"),
        ("weak_command", {}, "command wiring of cylinder 3, its ground, or the driver"),
        ("distorted_command", {}, "command wiring of cylinder 3, its ground, or the driver"),
        ("uneven_interval", {}, "engine itself or its position sensors"),
        ("uneven_interval", ALL, "engine itself or its position sensors"),
        ("supply_sag", {}, "coil supply"),
        ("supply_sag", ALL, "coil supply"),
        ("extra_pulse", {}, "contact or ground of cylinder 3 that bounces"),
        ("unusual", {}, "no single circuit"),
        ("absent_command", ALL, "supply or ground of the engine computer, or the engine-speed sensor"),
        ("late_feedback", ALL, "common supply or ground of the coils"),
        ("late_feedback", {**ALL, "supply_v": 11.0}, "coil supply"),
        ("absent_feedback", {**ALL, "command_lead": False}, "supply, ground or engine-speed sensor"),
        ("absent_feedback", {"cylinders": (1, 3), "n_struck": 2}, "shared feedback wire"),
        ("absent_feedback", {"cylinders": (1, 3), "n_struck": 2, "feedback_shared": False}, "coil of cylinders 1 and"),
    ],
)
def test_where_the_evidence_points(kinds, changes, circuit):
    assert point(evidence(kinds, **changes)).circuit.startswith(circuit)


def test_rhythm_that_answers_an_absent_command_does_not_lead():
    got = point(evidence({"uneven_interval": 5, "absent_command": 2}, n_command_absent=2, n_feedback_absent=2))
    assert got.circuit == "engine computer or command wiring of cylinder 3"
    assert "Other signs among them: uneven interval (5)" in got.evidence_against
    assert "absent in 2 of 7 events and the feedback went along" in got.evidence_for


def test_cylinders_struck_now_and_then_over_a_long_time_are_not_everywhere():
    long = evidence({"absent_command": 8}, **ALL | {"n_due": 4000, "span_cycles": 1000.0})
    assert point(long).circuit.startswith("engine computer or command wiring of cylinders 1, 2, 3 and 4")


def test_a_single_cylinder_engine_is_never_everywhere():
    one = evidence("absent_command", n_coils=1, cylinders=(1,), served=(1,), n_others=0)
    assert point(one).circuit == "engine computer or command wiring of cylinder 1"


def test_what_was_not_recorded_is_said():
    bare = evidence("absent_feedback", command_lead=False, roles=frozenset({"feedback"}), supply_v=float("nan"))
    got = point(bare)
    assert "command of cylinder 3 was not recorded: computer and coil cannot be told apart" in got.evidence_against
    assert "coil and supply cannot be told apart" in got.evidence_against
    assert "coil ground" in got.evidence_against
    assert "Clip a lead to the command line of cylinder 3" in got.next_test
    assert "supply was" not in got.evidence_for


def test_leads_that_were_recorded_are_not_missed():
    assert "Not recorded" not in point(evidence("absent_feedback")).evidence_against


def test_other_cylinders_speak_for_or_against():
    assert "The other cylinders were as usual at the time (15 events)" in point(evidence("weak_command")).evidence_for
    got = point(evidence("weak_command", n_others_listed=3))
    assert "as usual at the time" not in got.evidence_for
    assert "3 events of other cylinders at the time are listed too" in got.evidence_against


def test_codes_of_a_cylinder_and_its_coil():
    assert point(evidence("absent_feedback")).codes == ("P0303", "P0350", "P0351-P0354")
    assert point(evidence("absent_command")).codes == (
        "P0303", "P0350", "P0351-P0354",
        "P2300", "P2301", "P2303", "P2304", "P2306", "P2307", "P2309", "P2310",
    )  # fmt: skip
    assert point(evidence("uneven_interval")).codes == ("P0300", "P0320", "P0335", "P0340")


def test_there_are_codes_for_twelve_cylinders_and_no_more():
    many = evidence("absent_command", cylinders=(2, 12, 14), served=(2, 12, 14), n_struck=3, n_coils=16)
    codes = point(many).codes
    assert codes[:5] == ("P0300", "P0302", "P0312", "P0350", "P0351-P0362")
    assert codes[-2:] == ("P2333", "P2334")


def situations():
    mixtures = [{k: 1} for k in KINDS] + [{a: 2, b: 1} for a, b in combinations(KINDS, 2)]
    wheres = [{}, ALL, {"cylinders": (), "served": ()}, {"cylinders": (1, 4), "served": (1, 4), "n_struck": 2}]
    leads = product((True, False), (True, False), (frozenset({"feedback"}), frozenset({"command", "supply", "crank"})))
    for kinds, where, (command, shared, roles) in product(mixtures, wheres, list(leads)):
        yield evidence(kinds, command_lead=command, feedback_shared=shared, roles=roles, **where)


def test_every_mixture_points_somewhere_in_whole_sentences():
    for e in situations():
        got = point(e)
        assert got.circuit
        assert got.circuit[-1] != "."
        for text in (got.evidence_for, got.next_test, e.sentence()):
            assert re.fullmatch(r"[A-Z].*\.", text), text
        assert got.evidence_against == "" or re.fullmatch(r"[A-Z].*\.", got.evidence_against)
        assert not re.search(r"[{}]|nan|\.\.| ,", got.circuit + got.evidence_for + got.evidence_against + got.next_test)
        assert all(re.fullmatch(r"P\d{4}(-P\d{4})?", code) for code in got.codes)
        assert len(set(got.codes)) == len(got.codes)
        assert (CODES_NOTE in got.next_test) == bool(got.codes)


def test_no_verdict_is_claimed():
    for e in situations():
        got = point(e)
        text = f"{got.circuit} {got.evidence_for} {got.evidence_against}".lower()
        assert not re.search(r"\b(is defective|is faulty|replace|proves|certainly|must be)\b", text)


def test_every_kind_has_words_and_a_family():
    assert set(FAMILY_OF_KIND) == set(KINDS)

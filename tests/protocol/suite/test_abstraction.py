"""A document as a finite state machine, and its suite run on simulated instruments."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.protocol.conformance.instruments import SPEC, hands_on, vow_of
from wirevow.emu.direct import direct_tester
from wirevow.emu.faults import build_instrument
from wirevow.protocol.conformance import campaign
from wirevow.protocol.conformance.abstraction import (
    IDLE,
    DocumentMachine,
    Imagined,
    Mapper,
    Reach,
    abstraction,
    machine_of,
)
from wirevow.protocol.conformance.envelope import energising_actions
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.replay import purpose_random
from wirevow.protocol.conformance.suite.group import BATCH, Group, group_for
from wirevow.protocol.conformance.suite.machine import is_minimal, state_cover
from wirevow.protocol.conformance.verdict import Verdict
from wirevow.protocol.document.load import load_document
from wirevow.protocol.document.requirements import requirements
from wirevow.protocol.vow import Vow, bench_events, compile_vow

if TYPE_CHECKING:
    from wirevow.protocol.conformance.tester import Tester

TESTS = Path(__file__).parents[2]
DOCUMENTS = {
    "tarn": SPEC / "tarn.yaml",
    "brae": SPEC / "brae.yaml",
    "hutch": TESTS / "protocol" / "hutch.yaml",
    "loft": TESTS / "codegen" / "loft.yaml",
}


@cache
def document(name: str) -> Vow:
    return compile_vow(load_document(DOCUMENTS[name]).document)


@cache
def machine(name: str, energise: bool = True, held: bool = True, rig: bool = True) -> DocumentMachine:
    vow = document(name)
    events = frozenset(bench_events(vow.document)) if rig else frozenset()
    return machine_of(abstraction(vow, Reach(energise, held, events)))


@pytest.mark.parametrize("name", DOCUMENTS)
@pytest.mark.parametrize("reach", [(True, True, True), (False, True, False), (False, False, False)])
def test_every_document_is_a_minimal_machine_of_moderate_size(
    name: str, reach: tuple[bool, bool, bool]
) -> None:
    found = machine(name, *reach)
    assert is_minimal(found.machine)
    assert 2 <= len(found.machine) <= 40
    assert len(found.machine.inputs) <= 40
    assert len(set(found.machine.names)) == len(found.machine)


def test_with_all_hands_every_state_of_tarn_is_reached() -> None:
    assert machine("tarn").states_reached == set(document("tarn").states)


def test_what_is_left_out_has_a_reason_and_the_rest_an_input() -> None:
    """Every action, timed change and trip is an input, or is named with the reason why not."""
    found = machine("tarn").abstraction
    targets = {each.target for each in found.stimuli if each.kind == "act"}
    causes = {each.cause.requirement for each in found.stimuli if each.cause is not None}
    left_out = {name for name, why in found.omitted if why}
    for name in found.vow.actions:
        assert (name in targets) != (name in left_out)
    for name in found.vow.trips:
        assert (f"trip.{name}.fires" in causes) != (f"trip.{name}" in left_out)


@pytest.mark.parametrize("name", DOCUMENTS)
def test_dry_hands_have_no_input_that_energises(name: str) -> None:
    found = machine(name, False, True, False)
    vow = found.abstraction.vow
    acts = {each.target for each in found.abstraction.stimuli if each.kind == "act"}
    assert acts
    assert not acts & energising_actions(vow)
    assert not [state for state in found.states_reached if vow.states[state].energised]


def test_guards_over_readings_are_taken_for_granted_in_words() -> None:
    assert any("input.voltage > capacity.cutoff" in each for each in machine("tarn").abstraction.assumed)


def test_every_transition_is_what_the_document_says() -> None:
    """The machine by hand: from each state of Tarn the actions lead where its table says."""
    found = machine("tarn")
    vow, table = found.abstraction.vow, found.machine.table
    looked = 0
    for state, word in state_cover(found.machine).items():
        name = found.machine.name(state).split(",")[0]
        for given, stimulus in enumerate(found.abstraction.stimuli):
            if stimulus.kind != "act" or not stimulus.right:
                continue
            action, output = vow.actions[stimulus.target], table[state][given][0]
            if name not in action.to:
                assert output == f"refuse state, {name}", word
            elif output.startswith("ok") and "reboot" not in dict(action.does):
                assert output == f"ok, {action.to[name]}"
                looked += 1
    assert looked > 40


def test_a_ticket_lapses_is_used_up_and_is_told_from_a_wrong_one() -> None:
    found = machine("brae").abstraction
    by_name = {each.name: each for each in found.stimuli}
    mapper = Mapper(found, Imagined(found.vow))

    def outputs(*names: str) -> list[str]:
        mapper.begin()
        return [mapper.step(by_name[name]) for name in names]

    right, wrong = "heat.begin, right ticket", "heat.begin, wrong ticket"
    lapse = "the ticket of heat.prepare lapses"
    assert outputs("heat.prepare", right) == ["ok, ready", "ok, warming"]
    assert outputs("heat.prepare", wrong, right) == ["ok, ready", "refuse state ticket, ready", "ok, warming"]
    assert outputs("heat.prepare", lapse, right)[-1] == "refuse state ticket, ready"
    assert outputs("heat.prepare", lapse, lapse)[-1] == IDLE
    assert outputs("heat.prepare", lapse, "heat.prepare", right)[-1] == "ok, warming"
    assert outputs("heat.prepare", "the time of the state passes")[-1] == "passed, idle"


# ------------------------------------------------------------------------------------------ on an instrument


def work(t: Tester, group: Group, share: int = 1) -> None:
    """Run every so many-th batch of a group's suite, as a check does."""
    t.acquaint()
    known = {each.id: each for each in requirements(t.vow.document)}
    for index, (name, purpose) in enumerate(group.batches(known.keys())):
        if index % share == 0:
            t.home()
            t.random = purpose_random(0, name, purpose.rank)
            purpose.work(t, known[name])


def test_the_whole_suite_passes_on_a_good_instrument() -> None:
    t = hands_on("brae")
    group = group_for(t)
    work(t, group)
    assert group.done == len(group.sequences) > 30
    assert group.undecided == []
    assert "at most 5 states" in group.guarantee()
    assert "resting" in group.guarantee()


def test_one_extra_state_costs_more_and_passes_too() -> None:
    t = hands_on("brae")
    group, smaller = group_for(t, 1), group_for(t, 0)
    assert len(group.sequences) > 5 * len(smaller.sequences)
    assert f"about {group.lines} lines" in group.cost()
    work(t, group, share=5)
    assert group.undecided == []
    assert group.guarantee().startswith("No guarantee")


def test_a_part_of_the_suite_passes_on_a_larger_one() -> None:
    t = hands_on("tarn")
    group = group_for(t)
    work(t, group, share=8)
    assert group.done > 50
    assert group.undecided == group.barred == []


def test_the_lines_told_first_are_about_those_sent() -> None:
    t = hands_on("brae")
    group = group_for(t)
    work(t, group)
    assert 0.7 < group.lines / t.lines < 1.4


def test_a_suite_that_takes_too_long_is_cut_and_guarantees_nothing() -> None:
    t = hands_on("brae")
    group = group_for(t)
    group.most_lines = most = group.lines // 2
    work(t, group)
    assert 0 < group.done < len(group.sequences)
    assert t.lines < 1.4 * most
    told = group.guarantee()
    assert told.startswith(f"No guarantee about the state machine: {group.done} of {len(group.sequences)} ")
    assert f"about {group.lines} lines, more than {most}" in told


def test_batches_cover_the_suite_once_and_bear_on_requirements() -> None:
    group = group_for(hands_on("tarn"))
    known = {each.id for each in requirements(vow_of("tarn").document)}
    batches = group.batches(known)
    assert {name for name, _ in batches} <= known
    assert len({name for name, _ in batches}) > 30
    assert len({purpose.rank for _, purpose in batches}) == len(batches)
    assert len(batches) >= len(group.sequences) / BATCH
    first = [name for name, _ in batches[: len({name for name, _ in batches})]]
    assert len(set(first)) == len(first), "breadth first: one batch for each requirement before any second"


@pytest.mark.parametrize(
    "fault",
    [
        "timed-change-never",
        "ticket-everlasting",
        "ticket-any",
        "latch-opened-by-stop",
        "stop-deaf-in-depth",
        "action-refused-where-it-leads",
    ],
)
def test_the_suite_alone_kills(fault: str) -> None:
    t = hands_on("brae", fault)
    with pytest.raises(Broken):
        work(t, group_for(t))


def test_what_readings_decide_is_given_up_not_accused(tmp_path: Path) -> None:
    """With a weak source at rest, the guard of a start is false: allowed, though not taken for granted."""
    text = (SPEC / "tarn.yaml").read_text().replace("base: 12.000", "base: 2.000")
    weak = tmp_path / "weak.yaml"
    weak.write_text(text.replace("{source.voltage: 12.000}", "{source.voltage: 2.000}"))
    vow = compile_vow(load_document(weak).document)
    t = direct_tester(vow, build_instrument(vow))
    group = group_for(t)
    chosen = [
        each
        for each in group.sequences
        if any(
            group.document.abstraction.stimuli[i].name == "capacity.start, right ticket" for i in each.word
        )
        and not any(group.document.abstraction.stimuli[i].cause for i in each.word)
    ]
    group.sequences = tuple(chosen[:12])
    work(t, group)
    assert group.done == 12
    assert group.undecided
    assert "refuse state guard" in group.undecided[0]
    assert "Not judged" in group.guarantee()


def test_a_check_says_what_it_guarantees() -> None:
    report = campaign.run(hands_on("brae"))
    assert report.guarantee.startswith("The state machine was tested with a complete suite (HSI, k = 0)")
    assert "a power cycle brings it back" in report.guarantee


def test_a_check_that_ends_early_guarantees_nothing() -> None:
    report = campaign.run(hands_on("brae", budget=200))
    assert report.guarantee.startswith("No guarantee about the state machine: 0 of ")


def test_a_dry_suite_passes_its_gate_and_leaves_the_bench_alone() -> None:
    lent = hands_on("tarn")
    t = type(lent)(lent.vow, lent.session, energise=False)
    group = group_for(t)
    work(t, group, share=4)
    assert group.done > 20
    assert group.barred == group.undecided == []
    assert not group.document.states_reached & {"sinking", "swinging", "discharging"}
    turned = [entry for entry in t.session.journal if entry.kind == "bench"]
    assert all(entry.value == str(t.declared[entry.name].base) for entry in turned)


def test_without_a_rig_the_way_back_is_by_actions() -> None:
    t = hands_on("brae")
    t.abilities = t.abilities - {"power"}
    group = group_for(t)
    work(t, group)
    assert group.undecided == []
    assert "the way back by its own actions" in group.guarantee()
    assert not any(entry.kind == "power" for entry in t.session.journal)


def test_a_machine_with_too_many_states_has_no_suite_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("wirevow.protocol.conformance.abstraction.MOST_STATES", 4)
    vow = replace(document("brae"))
    with pytest.raises(ValueError, match="more than 4 states"):
        machine_of(abstraction(vow, Reach(True, True)))
    t = direct_tester(vow, build_instrument(vow))
    report = campaign.run(t)
    assert report.verdict is Verdict.PASS
    assert report.guarantee.startswith("No guarantee about the state machine: ")

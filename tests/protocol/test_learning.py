"""Learning the machine of an instrument, and drawing it."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from functools import cache

import pytest

pytest.importorskip("aalpy")

from tests.protocol.conformance.instruments import hands_on, served, vow_of
from wirevow.emu import command
from wirevow.emu.faults import build_instrument
from wirevow.protocol.conformance.abstraction import DocumentMachine, Reach, abstraction, machine_of
from wirevow.protocol.conformance.learning import Differs, LearningError, compared, learn, met, named
from wirevow.protocol.conformance.suite.drawing import RED, dot, svg
from wirevow.protocol.conformance.suite.machine import Machine, difference
from wirevow.protocol.vow import bench_events


@cache
def brae(energise: bool = True) -> DocumentMachine:
    vow = vow_of("brae")
    events = frozenset(bench_events(vow.document)) if energise else frozenset()
    return machine_of(abstraction(vow, Reach(energise, True, events)))


@cache
def learned(fault: str | None, by_power: bool = True) -> Machine:
    t = hands_on("brae", fault)
    instrument, identity = met(t, brae().abstraction, by_power)
    assert identity == vow_of("brae").identity
    return learn(brae(), instrument)


@pytest.mark.parametrize("by_power", [True, False])
def test_a_good_instrument_has_the_documents_machine(by_power: bool) -> None:
    found = learned(None, by_power)
    assert difference(found, brae().machine) is None
    assert compared(brae(), found) == ()


@pytest.mark.parametrize(
    ("fault", "state", "given", "document", "seen"),
    [
        ("latch-opened-by-stop", "faulted", "heat.stop", "ok, faulted", "ok, idle"),
        ("stop-deaf-in-depth", "warming", "heat.stop", "ok, idle", "ok, warming"),
        (
            "ticket-everlasting",
            "ready",
            "heat.begin, right ticket",
            "refuse state ticket, ready",
            "ok, warming",
        ),
    ],
)
def test_a_wrong_transition_is_shown_as_such(
    fault: str, state: str, given: str, document: str, seen: str
) -> None:
    found = compared(brae(), learned(fault))
    ours = brae().machine
    shown = [(ours.name(each.state), ours.inputs[each.given], each.document, each.seen) for each in found]
    assert shown == [(state, given, document, seen)]
    # The way shown leads there.
    assert ours.name(ours.after(found[0].way)) == state


def test_a_transition_that_comes_in_several_states_is_shown_in_each() -> None:
    found = compared(brae(), learned("timed-change-never"))
    names = {brae().machine.name(each.state) for each in found}
    assert names == {"ready", "ready, ticket"}
    assert {brae().machine.inputs[each.given] for each in found} == {"the time of the state passes"}


def test_states_are_named_as_the_document_names_them() -> None:
    found = named(brae(), learned("latch-opened-by-stop"))
    assert set(found.names) == set(brae().machine.names)
    assert found.name(0) == "idle"


def test_what_is_not_deterministic_is_said_to_be_so() -> None:
    """An instrument that boots by itself after some lines has no machine over these inputs."""
    t = hands_on("brae", "silent-boot-after-forty")
    instrument, _ = met(t, brae().abstraction, True)
    with pytest.raises(LearningError, match=r"deterministic|no answer"):
        learn(brae(), instrument)


def test_nothing_is_asked_twice() -> None:
    t = hands_on("brae")
    instrument, _ = met(t, brae().abstraction, True)
    first = instrument.outputs((0, 1))
    lines = t.lines
    assert instrument.outputs((0, 1)) == first
    assert instrument.outputs((0,)) == first[:1]
    assert t.lines == lines


def test_dry_hands_send_nothing_that_energises() -> None:
    t = hands_on("brae")
    document = brae(False)
    instrument, _ = met(t, document.abstraction, True)
    found = learn(document, instrument)
    assert compared(document, found) == ()
    sent = b"".join(entry.data for entry in t.session.journal if entry.kind == "send")
    assert b"heat.prepare" in sent
    assert b"heat.begin" not in sent


# ------------------------------------------------------------------------------------------------ pictures

ODD = Machine(
    ("go & <stop>", 'say "hi"'), ((("a", 1), ("b", 0)), (("c", 0), ("d", 1))), ("here", 'there "now"')
)


def test_the_picture_is_sound_and_has_every_state() -> None:
    root = ElementTree.fromstring(svg(ODD, "odd <1>", {(1, 1): "document: b"}))
    texts = "".join(root.itertext())
    assert all(name in texts for name in ("here", 'there "now"', "go & <stop>", "document: b", "odd <1>"))
    assert RED in svg(ODD, "odd", {(0, 0): "x"})
    marked = [e for e in root.iter() if e.get("stroke") == RED and e.tag.endswith("path")]
    assert len(marked) == 1


def test_one_state_alone_can_be_drawn() -> None:
    ElementTree.fromstring(svg(Machine(("a",), ((("0", 0),),), ("only",)), "one", {(0, 0): "differs"}))


def test_text_for_graphviz_is_quoted_and_leaves_out_what_changes_nothing() -> None:
    text = dot(ODD, "odd", {})
    assert '[label="there \\"now\\""]' in text
    assert "s0 -> s1" in text
    assert "s0 -> s0" not in text
    assert "hi" not in text
    assert 's1 -> s1 [label="say \\"hi\\" [document: b]"' in dot(ODD, "odd", {(1, 1): "document: b"})


# ------------------------------------------------------------------------------------------------- command


def test_the_command_finds_the_same_machine(capfd: pytest.CaptureFixture[str], tmp_path) -> None:  # type: ignore[no-untyped-def]
    picture, text = tmp_path / "m.svg", tmp_path / "m.dot"
    assert command.run(["learn", "brae", "emu://brae", "--svg", str(picture), "--dot", str(text)]) == 0
    shown = capfd.readouterr().out
    assert shown.endswith("the document's machine is the same\n")
    assert "store.keep: each save wears the EEPROM" in shown
    ElementTree.parse(picture)
    assert text.read_text().startswith("digraph")


def test_the_command_shows_a_wrong_target(capfd: pytest.CaptureFixture[str]) -> None:
    assert command.run(["learn", "brae", "emu://brae?fault=latch-opened-by-stop"]) == 1
    shown = capfd.readouterr().out
    assert "in faulted, heat.stop:" in shown
    assert "  document    ok, faulted\n  instrument  ok, idle\n" in shown
    assert "1 transition differs" in shown


def test_without_a_rig_the_command_energises_nothing_and_says_so(capfd: pytest.CaptureFixture[str]) -> None:
    with served(build_instrument(vow_of("brae"))) as (port, _):
        assert command.run(["learn", "brae", port, "--yes"]) == 2
        assert "to open this port is to boot the instrument" in capfd.readouterr().err
        assert command.run(["learn", "brae", port, "--yes", "--allow", "boot"]) == 0
    shown = capfd.readouterr()
    assert "caution: there is no rig" in shown.err
    assert "disconnect the source" in shown.err
    assert "heat.begin: it handles power" in shown.out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["learn", "brae", "emu://brae", "--svg", "no/such/folder/m.svg"], "no such folder"),
        (["learn", "nothing", "emu://brae"], "no ready document"),
        (["learn", "brae", "emu://tarn"], "it calls itself tarn"),
        (["learn", "brae", "emu://brae", "--extra-states", "9"], "--extra-states"),
    ],
)
def test_bad_input_is_one_clear_error(
    arguments: list[str], said: str, capfd: pytest.CaptureFixture[str]
) -> None:
    assert command.run(arguments) in (1, 2)
    assert said in capfd.readouterr().err


def test_without_the_library_it_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("wirevow.emu.commands.learn.find_spec", lambda name: None)
    assert command.run(["learn", "brae", "emu://brae"]) == 2
    assert "wirevow[automata]" in capfd.readouterr().err


def test_a_difference_says_how_to_get_there() -> None:
    one = compared(brae(), learned("latch-opened-by-stop"))[0]
    assert isinstance(one, Differs)
    assert brae().machine.written(one.way).endswith("trip.sensor is provoked")

"""A real instrument is not saved to, booted or switched unless that kind is allowed, and no more often."""

from __future__ import annotations

import pytest

from tests.protocol.conformance.instruments import vow_of
from tests.stand_in import Tarn, plugged_in
from wirevow.emu import command
from wirevow.emu.direct import direct_tester
from wirevow.emu.faults import build_instrument
from wirevow.emu.instrument import Instrument
from wirevow.protocol.conformance import campaign
from wirevow.protocol.conformance.abstraction import abstraction
from wirevow.protocol.conformance.allowance import MOST, NEEDS, Allowance, Limits, allowance, switched_states
from wirevow.protocol.conformance.casefile import Case, Step, write_case
from wirevow.protocol.conformance.envelope import Envelope, Reach, load_envelope
from wirevow.protocol.conformance.gate import DryGate, EnvelopeGate, Gate, NotSelected
from wirevow.protocol.conformance.keeping import Found
from wirevow.protocol.conformance.outcome import NoInstrument
from wirevow.protocol.conformance.search.walk import Search
from wirevow.protocol.conformance.selection import selected
from wirevow.protocol.conformance.suite.group import reach_of
from wirevow.protocol.conformance.tester import Tester as Hands
from wirevow.protocol.device import Device
from wirevow.protocol.document.requirements import requirement_ids
from wirevow.protocol.errors import WirevowError

TARN = vow_of("tarn")
BRAE = vow_of("brae")
LOOKED_AT = ("action.*.effect", "state.*.reachable", "point.sink.level.*", "wire.boot", "wire.once")
"""Requirements that the store, boots and the relay have most to do with."""
TRIMS = ("put trim.voltage_gain 1.00123", "put trim.level_shift 0.0021 A")


class Watched(Device):
    """Counts what was done to it."""

    saves = boots = switchings = 0

    def _save(self) -> None:
        super()._save()
        self.saves += 1

    def boot(self, cause: str, now_ns: int) -> None:
        super().boot(cause, now_ns)
        self.boots += 1

    def enter(self, state: str, now_ns: int) -> None:
        rest = self.vow.states[self.vow.initial].outputs
        before = self.vow.states[self.state].outputs
        super().enter(state, now_ns)
        after = self.vow.states[self.state].outputs
        self.switchings += after not in (before, rest)


def real(
    allowed: Allowance, device: type[Device] = Watched, vow=TARN, rig: bool = False
) -> tuple[Hands, Watched]:
    """A dry tester with a calibrated instrument that nobody calls simulated, and the instrument's counts."""
    instrument = Instrument(vow, device_class=device)
    full = direct_tester(vow, instrument)
    box = instrument.device
    assert isinstance(box, Watched)
    if vow is TARN:
        for line in ("act trim.begin", *TRIMS, "act settings.save", "act trim.end"):
            full.session.send(line.encode() + b"\n")
            answer = full.session.line(0)
            assert isinstance(answer, bytes)
            assert answer.startswith(b"ok")
    t = Hands(vow, full.session, energise=False, budget=1500, allowed=allowed)
    if not rig:
        t.abilities -= {"power", "reset"}
    t.found = Found()
    box.saves = box.boots = box.switchings = 0
    return t, box


def checked(allowed: Allowance, rig: bool = False) -> tuple[campaign.Report, Watched]:
    t, box = real(allowed, rig=rig)
    report = campaign.run(t, only=selected(sorted(requirement_ids(TARN.document)), LOOKED_AT))
    assert not report.failures
    return report, box


@pytest.mark.parametrize("rig", [False, True])
def test_what_is_not_allowed_is_not_done_and_says_so(rig: bool) -> None:
    report, box = checked(Allowance(), rig)
    assert (box.saves, box.boots, box.switchings) == (0, 0, 0)
    assert box.store.settings["trim.voltage_gain"] == 100_123
    reasons = {name: each.reason for name, each in report.findings.items() if each.reason}
    assert f"{NEEDS} store" in reasons["point.sink.level.saved"]
    assert f"{NEEDS} boot" in reasons["action.self.reboot.effect"]
    assert f"{NEEDS} switch" in reasons["action.sink.arm.effect"]
    assert f"{NEEDS} switch" in reasons["state.armed.reachable"]
    for name in ("point.sink.level.saved", "action.self.reboot.effect", "action.sink.arm.effect"):
        assert str(report.findings[name].verdict) == "not selected"
    assert str(report.findings["action.trim.begin.effect"].verdict) == "pass"


@pytest.mark.parametrize("kind", ["store", "boot", "switch"])
def test_what_is_allowed_widens_just_that_and_no_more_often(kind: str) -> None:
    report, box = checked(allowance([f"{kind}=1"]))
    done = {"store": box.saves, "boot": box.boots, "switch": box.switchings}
    assert done.pop(kind) == 1
    assert set(done.values()) == {0}
    assert any("that --allow lets it do are used up" in each.reason for each in report.findings.values())


def test_a_search_keeps_to_it() -> None:
    t, box = real(Allowance())
    t.acquaint()
    Search(t, 3, 600).run()
    assert (box.saves, box.boots, box.switchings) == (0, 0, 0)


def test_the_suite_leaves_out_what_is_not_allowed() -> None:
    t, _ = real(allowance(["switch"]))
    given = abstraction(TARN, reach_of(t))
    targets = {each.target for each in given.stimuli}
    assert "sink.arm" in targets
    assert "self.reboot" not in targets
    assert f"{NEEDS} boot" in dict(given.omitted)["self.reboot"]


# ------------------------------------------------------------------------------------------------ the gate


def envelope() -> Envelope:
    from wirevow.emu.ports.address import find

    return load_envelope(str(find("tarn").parent / "envelopes" / "tarn-supply.yaml"), TARN)


def gates(allowed: Allowance) -> list[Gate]:
    return [
        DryGate(TARN, Limits(TARN, allowed)),
        EnvelopeGate(Reach(TARN, envelope()), Limits(TARN, allowed)),
    ]


LINES = {"store": b"act settings.save", "boot": b"act self.reboot", "switch": b"act sink.arm"}


@pytest.mark.parametrize("kind", LINES)
def test_the_gate_itself_refuses_what_is_not_allowed(kind: str) -> None:
    line = LINES[kind]
    others = Allowance(**{other: 9 for other in LINES if other != kind})
    for gate in gates(others):
        for sent in (line, b"@7 " + line, line + b" ~0000"):
            with pytest.raises(NotSelected):
                gate.judge([b"ask self.state", sent], b"", 0)
        for other in LINES.keys() - {kind}:
            gate.judge([LINES[other]], b"", 0)
        gate.judge([b"act sink.stop", b"act settings.recall", b"act trim.begin"], b"", 0)


@pytest.mark.parametrize("kind", LINES)
def test_nor_what_is_one_flipped_bit_from_it(kind: str) -> None:
    gate = gates(Allowance())[0]
    for bit in range(8 * len(LINES[kind])):
        flipped = bytearray(LINES[kind])
        flipped[bit // 8] ^= 1 << bit % 8
        if b"\n" in flipped:
            continue
        with pytest.raises(NotSelected):
            gate.judge([bytes(flipped)], b"", 0)
        with pytest.raises(NotSelected):
            gate.judge([], bytes(flipped), 0)


@pytest.mark.parametrize("kind", LINES)
def test_the_gate_counts(kind: str) -> None:
    for gate in gates(Allowance(**{kind: 3})):
        with pytest.raises(NotSelected, match="used up"):
            gate.judge([LINES[kind]] * 4, b"", 0)
        for _ in range(3):
            gate.judge([LINES[kind]], b"", 0)
            gate.sent([LINES[kind]], 0)
        with pytest.raises(NotSelected, match="used up"):
            gate.judge([LINES[kind]], b"", 0)


def test_the_rig_boots_a_real_one_no_more_often_either() -> None:
    t, box = real(Allowance(boot=2), rig=True)
    t.acquaint()
    t.reset()
    t.power_cycle()
    with pytest.raises(NotSelected, match="2 boots"):
        t.reset()
    assert box.boots == 2


# --------------------------------------------------------------------------------------------- what it means


def test_states_whose_outputs_are_those_at_rest_are_no_switching() -> None:
    assert switched_states(TARN) == {"armed", "sinking", "swinging", "discharging"}
    # Resting has the heater off, and leads to where it is on by itself.
    assert switched_states(BRAE) == {"warming", "resting"}


def test_where_no_action_recalls_nothing_is_saved_though_it_is_allowed() -> None:
    t, box = real(allowance(["store"]), vow=BRAE)
    t.acquaint()
    t.home()
    with pytest.raises(NotSelected, match="could not be put back"):
        t.act("store.keep")
    assert box.saves == 0


def test_what_is_not_at_rest_is_not_touched(tmp_path, capfd: pytest.CaptureFixture[str]) -> None:
    device = Tarn()
    device.answer(b"act trim.begin")
    with plugged_in(device, tmp_path) as port:
        assert command.run(["check", "tarn", port, "--yes"]) == 2
    said = capfd.readouterr().err
    assert "is in state trimming" in said
    assert "bring it to off (`act sink.stop`)" in said.lower()
    assert all(line == b"" or b"ask " in line for line in device.lines)
    assert device.instrument.device.state == "trimming"


def test_the_tester_refuses_it_before_any_change() -> None:
    t, _ = real(Allowance())
    t.session.send(b"act trim.begin\n")
    t.session.line(0)
    with pytest.raises(NoInstrument, match="in state trimming"):
        t.acquaint()


def test_a_replay_does_not_save_either_unless_it_is_allowed(
    tmp_path, capfd: pytest.CaptureFixture[str]
) -> None:
    case = tmp_path / "one.case"
    steps = (Step(">", "act settings.save", 0.0),)
    write_case(Case(" ".join(TARN.identity), "wire.tag", "", "", "wire.nothing", 0, steps, "", ""), str(case))
    for allow, status, saves in (((), 3, 0), (("--allow", "store=1"), 0, 1)):
        folder = tmp_path / str(saves)
        folder.mkdir()
        device = Tarn()
        device.answer(b"put sink.level 0.700 A")
        with plugged_in(device, folder) as port:
            assert command.run(["replay", str(case), port, "--yes", *allow]) == status
        assert (b"act settings.save" in b" ".join(device.lines)) is bool(saves)
        assert device.instrument.device.settings["sink.level"] == 700
        if not saves:
            assert f"settings.save writes its store; that {NEEDS} store" in capfd.readouterr().out


def test_learning_leaves_what_is_not_allowed_alone(tmp_path, capfd: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("aalpy")
    device = Tarn()
    with plugged_in(device, tmp_path) as port:
        assert command.run(["learn", "tarn", port, "--yes"]) == 0
    assert f"sink.arm: switches its outputs; that {NEEDS} switch" in capfd.readouterr().out
    sent = b"\n".join(device.lines)
    assert not any(name in sent for name in (b"sink.arm", b"self.reboot", b"settings.save"))


def test_a_port_that_boots_it_when_it_opens_needs_that_allowed(
    tmp_path, capfd: pytest.CaptureFixture[str]
) -> None:
    device = Tarn()
    with plugged_in(device, tmp_path) as port:
        assert command.run(["check", "brae", port, "--yes"]) == 2
    assert "--allow boot" in capfd.readouterr().err
    assert not device.lines
    assert command.run(["check", "brae", "emu://brae", "--only", "wire.tag"]) == 0


@pytest.mark.parametrize(
    ("words", "most"),
    [
        ([], (0, 0, 0)),
        (["store"], (MOST["store"], 0, 0)),
        (["boot=20", "switch=1"], (0, 20, 1)),
        (["store=5", "store=9"], (9, 0, 0)),
    ],
)
def test_the_words_of_the_option(words: list[str], most: tuple[int, int, int]) -> None:
    found = allowance(words)
    assert (found.store, found.boot, found.switch) == most


def test_it_is_told_what_was_allowed_and_how_much_of_it_was_used() -> None:
    limits = Limits(TARN, allowance(["store=20", "boot"]))
    limits.went(["settings.save", "settings.save", "sink.stop"])
    assert limits.account() == f"allowed, and used at most: store 2 of 20, boot 0 of {MOST['boot']}"
    assert Limits(TARN, Allowance()).account() == ""


def test_an_envelope_implies_switch_and_nothing_else() -> None:
    found = allowance([], envelope=True)
    assert (found.store, found.boot, found.switch) == (0, 0, MOST["switch"])
    assert allowance(["switch=3"], envelope=True).switch == 3


@pytest.mark.parametrize(
    "word", ["wear", "store=", "store=0", "store=x", "store=-1", "boot=1.5", "boot=1000000", ""]
)
def test_another_word_is_one_clear_error(word: str, capfd: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(WirevowError, match="--allow"):
        allowance([word])
    assert command.run(["check", "tarn", "/dev/no-such-port", f"--allow={word}"]) == 2
    said = capfd.readouterr().err
    assert said.count("\n") == 1
    assert said.startswith(f"wirevow: --allow {word}: ")


def test_with_a_simulated_one_everything_is_allowed() -> None:
    t = direct_tester(BRAE, build_instrument(BRAE))
    assert t.limits.free
    assert all(t.may_enter(state) for state in BRAE.states)
    assert all(t.may_do(name) for name in BRAE.actions)

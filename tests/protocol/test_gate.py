"""The gate within an envelope: nothing that it forbids reaches the wire, whoever sends it and however."""

from __future__ import annotations

import re
from binascii import crc_hqx
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from decimal import Decimal
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test

from tests.protocol.conformance.instruments import vow_of
from wirevow.emu.clock import VirtualClock
from wirevow.emu.direct import DirectPort
from wirevow.emu.faults import build_instrument, faults_for
from wirevow.emu.instrument import Instrument
from wirevow.emu.ports.line import Line
from wirevow.emu.ports.rig import InstrumentRig
from wirevow.protocol.conformance import campaign
from wirevow.protocol.conformance.allowance import Allowance, Limits
from wirevow.protocol.conformance.envelope import Envelope, Reach
from wirevow.protocol.conformance.gate import DryGate, EnvelopeGate, Exceeded, NeedsIsolation, NotSelected
from wirevow.protocol.conformance.outcome import Broken, Doubtful, NoInstrument, OutOfBudget
from wirevow.protocol.conformance.purposes import purposes_for
from wirevow.protocol.conformance.session import Session
from wirevow.protocol.conformance.tester import Tester as Hands
from wirevow.protocol.device import Device
from wirevow.protocol.document.load import read_yaml_model
from wirevow.protocol.document.requirements import requirements
from wirevow.protocol.vow import PointEntry

ENVELOPE = """\
document: tarn
source: {means: A bench supply at 12 V., declared_by: a tester}
most: {volts: 16, amperes: 1, watts: 12, celsius: 60, seconds: 120, coulombs: 60, saves: 3}
isolated_by: {source.connected: "no"}
"""
PACK = ENVELOPE.replace("isolated_by", "pack: {cells: 3, lowest_volts: 9}\nisolated_by")
VOW = vow_of("tarn")
NS_PER_S = 10**9
ENDINGS = (Broken, NotSelected, Doubtful, OutOfBudget, NoInstrument)


def envelope(text: str = ENVELOPE) -> Envelope:
    return read_yaml_model(text, Envelope, "test.yaml").document


class Wire(DirectPort):
    """A line to an instrument in this process; everything that passes is written down with its time."""

    def __init__(self, instrument: Instrument) -> None:
        self.clock = VirtualClock()
        self.instrument = instrument
        self.to_it = Line(instrument)
        self.to_it.opened(0)
        super().__init__(self.to_it, self.clock)
        self.log: list[tuple[str, bytes, int]] = []

    def read(self, size: int = 1) -> bytes:
        data = super().read(size)
        self.log.append(("in", data, self.clock.now_ns()))
        return data

    def write(self, data: bytes) -> int:
        self.log.append(("out", data, self.clock.now_ns()))
        return super().write(data)


class Bench(InstrumentRig):
    """The rig of the same instrument, written down with what passes on its wire."""

    def __init__(self, wire: Wire) -> None:
        super().__init__(wire.to_it, wire.clock, "tarn")
        self._log = wire.log
        self._clock_of_wire = wire.clock

    def bench(self, event: str, value: float | str | None = None) -> None:
        super().bench(event, value)
        self._log.append(("bench", f"{event} {value}".encode(), self._clock_of_wire.now_ns()))

    def power(self, on: bool) -> None:
        super().power(on)
        self._log.append(("boot", b"", self._clock_of_wire.now_ns()))

    def reset(self) -> None:
        super().reset()
        self._log.append(("boot", b"", self._clock_of_wire.now_ns()))


def hands_on(
    text: str = ENVELOPE, instrument: Instrument | None = None, budget: int | None = None
) -> tuple[Hands, Wire]:
    """A tester within an envelope, on an instrument in this process, by default a good one."""
    wire = Wire(Instrument(VOW) if instrument is None else instrument)
    session = Session(wire, VOW.document.wire.line_limit, Bench(wire))  # type: ignore[arg-type]
    session.hold()
    return Hands(VOW, session, energise=True, envelope=envelope(text), budget=budget), wire


def ready(text: str = ENVELOPE, instrument: Instrument | None = None) -> tuple[Hands, Wire]:
    hands, wire = hands_on(text, instrument)
    hands.acquaint()
    hands.home()
    return hands, wire


def lines_out(wire: Wire) -> list[bytes]:
    return b"".join(data for kind, data, _ in wire.log if kind == "out").split(b"\n")


# ------------------------------------------------------------- what an envelope forbids, in its own words

GRAMMAR = re.compile(
    rb"(@[0-9a-f]{1,4} )?(ask|put|act) [a-z][a-z0-9_]*(\.[a-z][a-z0-9_]*)*( [!-}][!-~]*)*( ~[0-9A-F]{4})?"
)
REQUIRED = Reach(VOW, envelope()).required
STARTS = ("sink.start", "capacity.start", "swing.begin", "swing.end")
MOST = {
    "sink.level": 1, "limit.current": 1, "swing.low": 1, "swing.high": 1,
    "sink.power": 12, "limit.power": 12,
    "sink.voltage": 16, "limit.voltage": 16, "capacity.cutoff": 16,
    "limit.temperature": 60, "link.patience": 5,
}  # fmt: skip
READ = {"input.voltage": 16, "input.terminal": 16, "input.current": 1, "input.power": 12, "heat.sink": 60}
MODES = ("sink.mode",)
CHANGE_ALL = ("settings.defaults", "settings.recall", "self.reboot")


def is_inside(name: str, value: Decimal) -> bool:
    if name == "sink.resistance":
        # 16 V across it: at most 1 A and at most 12 W.
        return value * 1 >= 16 and value * 12 >= 16 * 16
    return value <= {**MOST, **READ}[name]


class Reader:
    """Reads a log from its beginning and names the first thing that the envelope forbids."""

    def __init__(self) -> None:
        self.at = 0
        self.out = self.heard = b""
        self.isolated = False
        self.saves = 0
        self.asked: dict[str, tuple[str, int]] = {}
        self.read_back: dict[str, int] = {}

    def go_on(self, log: list[tuple[str, bytes, int]]) -> None:
        for kind, data, when_ns in log[self.at :]:
            if kind == "bench":
                event, _, value = data.decode().partition(" ")
                if event == "source.connected":
                    self.isolated = value == "no"
                if event == "source.voltage":
                    assert float(value) <= 16, data
            elif kind == "boot":
                self.read_back.clear()
                self.asked.clear()
            elif kind == "out":
                *lines, self.out = (self.out + data).split(b"\n")
                for line in lines:
                    self.sent(line, when_ns)
            else:
                *lines, self.heard = (self.heard + data).split(b"\n")
                for line in lines:
                    self.came(line)
        self.at = len(log)
        assert not any(name.encode() in self.out for name in STARTS), f"left begun: {self.out!r}"

    def came(self, line: bytes) -> None:
        words = line.decode("latin-1").split(" ")
        if len(words) < 3 or words[0] not in self.asked:
            return
        name, asked_ns = self.asked.pop(words[0])
        if words[1] != "ok":
            return
        if name in MODES or (
            re.fullmatch(r"-?[0-9]+(\.[0-9]+)?", words[2]) and is_inside(name, abs(Decimal(words[2])))
        ):
            self.read_back[name] = asked_ns
        else:
            self.read_back.pop(name, None)

    def sent(self, line: bytes, now_ns: int) -> None:
        line = line.removesuffix(b"\r")
        text = bytes(byte & 0x7F for byte in line).decode().lower()
        if not line:
            return
        self.saves += "settings.save" in text
        assert self.saves <= 3, "more saves than are allowed"
        if not self.understood(line):
            assert self.isolated, f"hostile with the source connected: {line!r}"
            assert not any(name in text for name in STARTS), f"hostile, and may start: {line!r}"
            self.read_back.clear()
            return
        found = re.search(r"put ([a-z_.]+) (-?[0-9]+(\.[0-9]+)?)", text)
        if found and (found[1] in MOST or found[1] == "sink.resistance") and not self.isolated:
            assert is_inside(found[1], Decimal(found[2])), f"beyond the envelope: {line!r}"
        if any(name in text for name in STARTS):
            for name in (*MODES, *MOST, "sink.resistance", *READ):
                read_ns = self.read_back.get(name)
                assert read_ns is not None, f"{line!r} without {name} read back, and inside"
                assert now_ns - read_ns <= 5 * NS_PER_S, f"{line!r} long after {name} was read back"
            return
        asked = re.fullmatch(r"(@[0-9a-f]+) ask ([a-z_.]+)", text)
        if asked:
            if asked[2] in (*MODES, *MOST, "sink.resistance", *READ):
                self.asked[asked[1]] = asked[2], now_ns
        elif any(name in text for name in CHANGE_ALL):
            self.read_back.clear()
            self.asked.clear()
        elif " ask " not in f" {text}":
            for name in set(self.read_back) & set(re.split(r"[^a-z0-9_.]+", text)):
                del self.read_back[name]

    @staticmethod
    def understood(line: bytes) -> bool:
        if len(line) > 96 or not GRAMMAR.fullmatch(line):
            return False
        body, separator, check = line.rpartition(b" ~")
        return not separator or crc_hqx(body, 0xFFFF) == int(check, 16)


# ------------------------------------------------------------------------------ the property, over everything

REQUIREMENTS = [each for each in requirements(VOW.document) if purposes_for(each)]
NUMBERS = [entry for entry in VOW.settings if entry.scale is not None]
FRAGMENTS = [
    *VOW.actions, *VOW.points, "ask ", "put ", "act ", " ", "\n", "\r", "@1f ", "~0000", "1.000 A",
    "99.000 A", "5.0 s", "0.20 Ohm", "0000", "\x00", "\xff", "x" * 97, "ACT ", "\n\n",
    "put sink.level 6.000 A",
]  # fmt: skip
hostile = st.one_of(
    st.binary(min_size=1, max_size=40),
    st.lists(st.sampled_from(FRAGMENTS), min_size=1, max_size=6).map(
        lambda each: "".join(each).encode("latin-1")),
    st.tuples(st.sampled_from(["act sink.start 1a2b", "put limit.current 6.000 A", "act settings.save"]),
              st.integers(0, 30), st.integers(0, 255)).map(
        lambda each: each[0].encode()[: each[1]] + bytes([each[2]]) + each[0].encode()[each[1] :]),
    st.sampled_from(STARTS).map(lambda each: bytes(ord(sign) | 0x80 for sign in f"act {each} 0000") + b"\n"),
)  # fmt: skip


EXACT = [
    "act sink.arm", "act sink.start {ticket}", "@77 act sink.start {ticket}", "act capacity.start {ticket}",
    "act swing.begin", "act settings.save", "act settings.defaults", "put sink.level 0.700 A",
    "put sink.level 1.001 A", "put sink.resistance 21.30 Ohm", "put sink.resistance 22.00 Ohm",
    "put link.patience 5.1 s", "act sink.stop",
]  # fmt: skip


class Anything(RuleBasedStateMachine):
    """Whatever a tester can be told to do, in any order, with a good or a faulty instrument."""

    @initialize(fault=st.none() | st.sampled_from([fault.name for fault in faults_for(VOW)]))
    def begin(self, fault: str | None) -> None:
        self.hands, self.wire = hands_on(instrument=build_instrument(VOW, seed=1, fault=fault), budget=4000)
        self.reader = Reader()
        self.sound = fault is None
        self.device = self.wire.to_it.instrument.device
        self.live_since_ns: int | None = None
        self.live_ns = 0
        enter = self.device.enter

        def entered(state: str, now_ns: int) -> None:
            self.entered(state, now_ns)
            enter(state, now_ns)

        self.device.enter = entered  # type: ignore[method-assign]
        self.acquaint()

    def entered(self, state: str, now_ns: int) -> None:
        """A sound instrument changes its state: look at its settings themselves, and at its time."""
        if self.live_since_ns is not None:
            self.live_ns += now_ns - self.live_since_ns
        self.live_since_ns = now_ns if VOW.states[state].energised else None
        if self.sound and VOW.states[state].energised:
            for name in (*MOST, "sink.resistance"):
                value = Decimal(VOW.points[name].number.text(int(self.device.settings[name])))
                assert is_inside(name, value), f"energised with {name} at {value}"

    @contextmanager
    def doing(self, ended: bool = True) -> Iterator[None]:
        """What a check would go on after. `ended`: not in the middle of a line, where nothing is answered."""
        if ended and self.hands.session.begun:
            with suppress(*ENDINGS, Exceeded):
                self.hands.raw(b"\n")
        try:
            yield
        except ENDINGS:
            pass
        except Exceeded:
            assert not self.sound, "a sound instrument stays inside"

    @rule()
    def acquaint(self) -> None:
        with self.doing():
            self.hands.acquaint()

    @rule()
    def home(self) -> None:
        with self.doing():
            self.hands.home()

    @rule(state=st.sampled_from(list(VOW.states)))
    def goto(self, state: str) -> None:
        with self.doing():
            self.hands.prepare()
            self.hands.goto(state)

    @rule(entry=st.sampled_from(NUMBERS), where=st.floats(0, 1), check=st.booleans())
    def put(self, entry: Any, where: float, check: bool) -> None:
        scale = entry.scale
        with self.doing():
            self.hands.put(entry.name, scale.low + int(where**3 * (scale.high - scale.low)), check=check)

    @rule(name=st.sampled_from(list(VOW.actions)), ticket=st.booleans())
    def act(self, name: str, ticket: bool) -> None:
        with self.doing():
            if ticket and VOW.actions[name].takes_ticket is not None:
                self.hands.with_ticket(name)
            else:
                self.hands.act(name)

    @rule(data=hostile, ended=st.booleans(), pieces=st.integers(1, 3))
    def raw(self, data: bytes, ended: bool, pieces: int) -> None:
        with self.doing(ended=False):
            self.hands.raw(data + b"\n" * ended, pieces=pieces)

    @rule(data=hostile)
    def past_the_tester(self, data: bytes) -> None:
        with self.doing(ended=False):
            self.hands.session.send(data)

    @rule(text=st.sampled_from(EXACT), twice=st.booleans())
    def exact_past_the_tester(self, text: str, twice: bool) -> None:
        ticket = self.hands.oracle.twin.ticket or "1a2b"
        with self.doing():
            self.hands.session.send((text.format(ticket=ticket).encode() + b"\n") * (1 + twice))

    @rule(
        state=st.sampled_from(["armed", "sinking"]),
        seconds=st.sampled_from([0, 1, 5.5]),
        upset=st.sampled_from(["", "power_cycle", "reset", "put"]),
    )
    def nearly_started(self, state: str, seconds: float, upset: str) -> None:
        """All but the start itself; then time passes, or it boots, and somebody starts it all the same."""
        with self.doing():
            self.hands.home()
            self.hands.goto(state)
            for name in REQUIRED:
                self.hands.ask(name, tag=True)
            self.hands.session.wait(int(seconds * NS_PER_S))
            if upset == "put":
                self.hands.put("sink.level", 300)
            elif upset:
                getattr(self.hands, upset)()
            self.hands.act("sink.arm")
            self.hands.session.send(f"act sink.start {self.hands.oracle.twin.ticket}\n".encode())

    @rule(seconds=st.sampled_from([0.01, 0.3, 1, 4, 6, 30]))
    def wait(self, seconds: float) -> None:
        with self.doing():
            self.hands.wait(int(seconds * NS_PER_S))

    @rule(seconds=st.sampled_from([1, 50]))
    def alive(self, seconds: int) -> None:
        with self.doing():
            self.hands.alive(seconds * NS_PER_S)

    @rule(
        event=st.sampled_from(["source.voltage", "source.connected", "source.polarity", "stage", "ambient"])
    )
    def bench(self, event: str) -> None:
        declared = VOW.document.bench[event]
        with self.doing():
            self.hands.bench(event, declared.choice[1] if declared.choice else declared.other)
        with self.doing():
            self.hands.bench("source.voltage", Decimal("30"))

    @rule(
        how=st.sampled_from(["power_cycle", "reset", "restore_bench", "safe", "clear", "quiet", "guard_off"])
    )
    def other(self, how: str) -> None:
        with self.doing():
            getattr(self.hands, how)()

    @rule(requirement=st.sampled_from(REQUIREMENTS), which=st.integers(0, 5))
    def purpose(self, requirement: Any, which: int) -> None:
        purposes = purposes_for(requirement)
        self.hands.budget = self.hands.lines + 150
        with self.doing():
            self.hands.home()
            purposes[which % len(purposes)].work(self.hands, requirement)
        self.hands.budget = None

    @rule()
    def save(self) -> None:
        with self.doing():
            self.hands.safe()
            self.hands.act("settings.save")
            self.hands.act("settings.save")

    @invariant()
    def nothing_forbidden_reached_the_wire(self) -> None:
        self.reader.go_on(self.wire.log)

    @invariant()
    def it_was_live_no_longer_than_is_allowed(self) -> None:
        now_ns = self.wire.clock.now_ns()
        live_ns = self.live_ns + (0 if self.live_since_ns is None else now_ns - self.live_since_ns)
        if self.sound:
            assert live_ns <= 120 * NS_PER_S


def test_no_sequence_of_actions_puts_a_line_on_the_wire_that_the_envelope_forbids():
    run_state_machine_as_test(Anything, settings=settings(max_examples=40, stateful_step_count=25))


# ------------------------------------------------------------------------------------------ read back first


class Liar(Device):
    """Says something else about some points than what is true."""

    lies: dict[str, tuple[str, ...]]

    def _words(self, entry: PointEntry, now_ns: int) -> tuple[str, ...]:
        lies = getattr(self, "lies", {})
        return lies[entry.name] if entry.name in lies else super()._words(entry, now_ns)


def liar() -> tuple[Instrument, Liar]:
    instrument = Instrument(VOW, device_class=Liar)
    assert isinstance(instrument.device, Liar)
    instrument.device.lies = {}
    return instrument, instrument.device


def lies_about(name: str) -> list[tuple[str, ...]]:
    entry = VOW.points[name]
    if entry.scale is None:
        return [("nosuch",), ()]
    scale = entry.scale
    outside = scale.low if name == "sink.resistance" else scale.high
    inside, *unit = scale.words(max(scale.low, 0))
    return [scale.words(outside), (inside, "x"), (f"{inside}0", *unit), (inside, *unit, "more"), ()]


def start_after_asking(session: Session, names: Sequence[str]) -> None:
    """What a host does that knows nothing of an envelope but what the gate wants."""
    for index, name in enumerate(names):
        session.send(f"@{index:x} ask {name}\n".encode())
        session.line(0)
    session.send(b"@fff act sink.arm\n")
    answer = session.line(0)
    assert isinstance(answer, bytes)
    session.send(b"act sink.start " + answer.split()[2] + b"\n")


def test_it_is_energised_once_everything_is_read_back_and_inside():
    hands, wire = ready()
    hands.goto("sinking")
    assert wire.instrument.device.state == "sinking"
    lines = lines_out(wire)
    start = next(index for index, line in enumerate(lines) if b"sink.start" in line)
    for name in REQUIRED:
        assert any(line.endswith(f"ask {name}".encode()) for line in lines[start - 40 : start]), name


def test_a_host_without_oracle_may_start_it_once_it_has_asked():
    hands, wire = ready()
    hands.goto("sinking")  # so that everything is inside
    hands.safe()
    start_after_asking(hands.session, REQUIRED)
    assert wire.instrument.device.state == "sinking"


@pytest.mark.parametrize("name", REQUIRED)
def test_it_is_not_energised_if_one_thing_was_not_read_back(name):
    hands, wire = ready()
    hands.goto("sinking")
    hands.safe()
    hands.wait(6 * NS_PER_S)
    wire.log.clear()
    with pytest.raises(NotSelected, match=f"{name} was not read back"):
        start_after_asking(hands.session, [each for each in REQUIRED if each != name])
    assert not any(b"sink.start" in line for line in lines_out(wire))


@pytest.mark.parametrize("name", REQUIRED)
def test_an_instrument_that_lies_when_it_is_read_back_is_never_energised(name):
    instrument, device = liar()
    hands, wire = ready(instrument=instrument)
    hands.goto("sinking")
    hands.safe()
    wire.log.clear()
    for lie in lies_about(name):
        hands.wait(6 * NS_PER_S)
        device.lies = {name: lie}
        with pytest.raises((NotSelected, Exceeded)):
            start_after_asking(hands.session, REQUIRED)
        hands.gate.exceeded = ""  # the next lie
        device.lies = {}
    assert not any(b"sink.start" in line for line in lines_out(wire))
    assert device.state != "sinking"


@pytest.mark.parametrize(
    "name", ["sink.mode", "sink.level", "limit.current", "link.patience", "input.current"]
)
def test_a_tester_never_energises_one_that_lies(name):
    for lie in lies_about(name):
        instrument, device = liar()
        hands, wire = hands_on(instrument=instrument)
        device.lies = {name: lie}
        with suppress(Broken, NotSelected, Exceeded):
            hands.acquaint()
            hands.home()
            hands.goto("sinking")
        assert device.state != "sinking"
        assert not any(b"sink.start" in line for line in lines_out(wire))


@pytest.mark.parametrize(
    "upset",
    [
        "put sink.level 0.300 A",
        "act settings.defaults",
        "act settings.recall",
        "put sink.mode power",
        "act nosuch",
    ],
)
def test_what_may_have_changed_since_is_read_back_again(upset):
    hands, _ = ready()
    hands.goto("sinking")
    hands.safe()
    for index, name in enumerate(REQUIRED):
        hands.session.send(f"@{index:x} ask {name}\n".encode())
        hands.session.line(0)
    hands.session.send(f"{upset}\nact sink.arm\n".encode())
    hands.session.line(0)
    answer = hands.session.line(0)
    assert isinstance(answer, bytes)
    with pytest.raises(NotSelected, match="was not read back"):
        hands.session.send(b"act sink.start " + answer.split()[1] + b"\n")


# ------------------------------------------------------------------------------------------- line by line

ALLOWED = """
put sink.level 1.000 A              | put limit.power 12.00 W         | put sink.resistance 21.34 Ohm
@1f put sink.voltage 16.000 V       | put link.patience 5.0 s         | put limit.temperature 60.0 Cel
put sink.slew 50000 A/s             | put sink.mode power             | act sink.stop
ask self.state                      | ask no.such                     | put sink.level x A
put no.such 1                       | act sink.arm                    | act trim.begin
put trim.level_gain 1.10000         | ask self.state 1                | put self.state 1
"""
FORBIDDEN = """
put sink.level 1.001 A              | put limit.power 12.01 W         | put sink.resistance 21.33 Ohm
@1f put sink.voltage 16.001 V       | put link.patience 5.1 s         | put limit.temperature 60.1 Cel
put swing.high 6.000 A              | put capacity.cutoff 36.000 V    | put sink.level 1 A
put sink.level 0.500 mA             | put sink.level 0.5 A            | act sink.level 2
ask sink.level 2.000                | put sink.leve 2.000 A           | put sink.levle 2.000 A
put sink.levels 2.000 A             | put sink.level 1.0001 A ~{check} | act sink.start 1a2b
act sink.start                      | act sink.starts 1a2b            | act sink.star 1a2b
act capacity.start 0000             | act swing.begin                 | act swing.end
put sink.start 1                    | @1 act sink.start 12345         | ask sink.start x
ask sink.level 2                    | put sink.level 2.000            | put sink.level A 2.000
"""
HOSTILE = [
    b"x", b"ask  self.state", b"ACT SINK.START 1a2b", b"ask self.state ~0000", b"x" * 97, b"\xff\x00",
    b"a\x00ct sink.start 1a2b", bytes(sign | 0x80 for sign in b"act sink.start 1a2b"), b"@1f", b"ask",
    b"x" * 90 + b" act sink.start 1a2b",
]  # fmt: skip


def cells(table: str) -> list[bytes]:
    lines = [cell.strip() for row in table.strip().splitlines() for cell in row.split("|")]
    return [
        line.replace("{check}", f"{crc_hqx(line.partition(' ~')[0].encode(), 0xFFFF):04X}").encode()
        for line in lines
    ]


def gate_of(text: str = ENVELOPE) -> EnvelopeGate:
    return EnvelopeGate(Reach(VOW, envelope(text)), Limits(VOW, None))


@pytest.mark.parametrize("line", cells(ALLOWED))
def test_what_is_inside_goes_out(line):
    gate_of().judge([line], b"", 0)


@pytest.mark.parametrize("line", cells(FORBIDDEN))
def test_what_is_not_inside_or_could_be_taken_so_does_not(line):
    with pytest.raises(NotSelected):
        gate_of().judge([b"ask self.state", line], b"", 0)
    with pytest.raises(NotSelected):
        gate_of().judge([line + b"\r"], b"", 0)


@pytest.mark.parametrize("line", HOSTILE)
def test_what_is_no_request_needs_a_rig_that_isolates(line):
    gate = gate_of()
    with pytest.raises(NeedsIsolation):
        gate.judge([line], b"", 0)
    with pytest.raises(NeedsIsolation):
        gate.judge([], line + b"\xff", 0)
    gate.bench("source.connected", "no", 0)
    if b"start" in bytes(byte & 0x7F for byte in line.lower()):
        with pytest.raises(NotSelected):
            gate.judge([line], b"", 0)
    else:
        gate.judge([line], b"", 0)


def test_the_safe_action_always_goes_out():
    gate = gate_of()
    gate.exceeded = "everything"
    gate.judge([b"@1 act sink.stop", b"act sink.stop", b"", b"ask self.state"], b"", 0)
    with pytest.raises(NotSelected, match="everything was stopped"):
        gate.judge([b"put sink.level 0.100 A"], b"", 0)


def test_the_lowest_voltage_of_a_pack_bounds_every_voltage_from_below():
    gate = gate_of(PACK)
    gate.judge([b"put capacity.cutoff 9.000 V", b"put sink.voltage 9.000 V"], b"", 0)
    for name in (b"capacity.cutoff", b"sink.voltage"):
        with pytest.raises(NotSelected):
            gate.judge([b"put " + name + b" 8.999 V"], b"", 0)


def test_saves_are_counted_however_they_are_written():
    gate = gate_of()
    lines = [b"act settings.save", b"@1 act settings.save", b"ask settings.save"]
    for line in lines:
        gate.judge([line], b"", 0)
        gate.sent([line], 0)
    for line in lines:
        with pytest.raises(NotSelected, match="3 saves are used up"):
            gate.judge([line], b"", 0)
    with pytest.raises(NotSelected, match="3 saves"):
        gate_of().judge([b"act settings.save"] * 4, b"", 0)


@pytest.mark.parametrize(
    ("event", "value", "allowed"),
    [
        ("source.voltage", Decimal("15.9"), True),
        ("source.voltage", Decimal("16.1"), False),
        ("source.limit", Decimal("6"), False),
        ("ambient", Decimal("40"), True),
        ("ambient", Decimal("80"), False),
        ("stage", "good", True),
        ("stage", "shorted", False),
        ("source.polarity", "reversed", False),
        ("source.connected", "no", True),
        ("panel.sink.level", Decimal("3"), False),
        ("link.transmitter", "stalled", False),
    ],
)
def test_the_bench_is_held_to_the_envelope_too(event, value, allowed):
    if allowed:
        gate_of().bench(event, value, 0)
    else:
        with pytest.raises(NotSelected):
            gate_of().bench(event, value, 0)


def test_the_source_is_connected_again_only_at_rest():
    hands, wire = ready()
    hands.line(b"ask  self.state")
    assert ("bench", b"source.connected no") in [entry[:2] for entry in wire.log]
    assert hands.gate is not None
    assert hands.gate.live  # who knows what it made of that
    with pytest.raises(NotSelected, match="at rest"):
        hands.gate.bench("source.connected", "yes", hands.now_ns)
    wire.log.clear()
    hands.home()
    order = [data.split(b" ", 1)[-1] for kind, data, _ in wire.log if kind in ("out", "bench")]
    assert order.index(b"ask self.state\n") < order.index(b"yes")
    assert not hands.gate.live


# ------------------------------------------------------------------------------------------------- watched


def test_what_is_live_is_asked_all_the_time():
    hands, wire = ready()
    hands.goto("sinking")
    wire.log.clear()
    began_ns = hands.now_ns
    hands.wait(4 * NS_PER_S)
    for name in READ:
        times = [when for kind, data, when in wire.log if data.endswith(f"ask {name}\n".encode())]
        gaps = [after - before for before, after in pairwise([began_ns, *times, hands.now_ns])]
        assert max(gaps) <= NS_PER_S * 6 // 10, name


def test_the_watch_is_silent_where_the_instruments_own_watchdog_is_tried():
    hands, wire = ready()
    hands.put("link.patience", 10)
    hands.goto("sinking")
    wire.log.clear()
    with hands.silence():
        hands.wait(2 * NS_PER_S)
    assert not any(kind == "out" for kind, _, _ in wire.log)
    assert wire.instrument.device.last_trip[0] == "link_silent"


@pytest.mark.parametrize("name", READ)
def test_a_reading_beyond_the_envelope_stops_everything(name):
    instrument, device = liar()
    hands, _ = ready(instrument=instrument)
    hands.goto("sinking")
    scale = VOW.points[name].number
    device.lies = {name: scale.words(scale.nearest(READ[name]) + 1)}
    with pytest.raises(Exceeded, match=f"{name} reads"):
        hands.wait(2 * NS_PER_S)
    with pytest.raises(NotSelected, match="everything was stopped"):
        hands.session.send(b"act settings.defaults\n")
    hands.session.send(b"\nact sink.stop\n")
    assert device.state == "off"


def test_a_campaign_ends_when_the_envelope_is_exceeded():
    class Late(Liar):
        def enter(self, state: str, now_ns: int) -> None:
            super().enter(state, now_ns)
            self.lies = {"input.current": ("1.200", "A")} if state == "sinking" else {}

    hands, wire = hands_on(instrument=Instrument(VOW, device_class=Late), budget=3000)
    with pytest.raises(Exceeded, match=r"input\.current reads 1\.2 A"):
        campaign.run(hands)
    starts = [line for line in lines_out(wire) if b"act sink.start" in line]
    assert starts
    assert starts[-1] in lines_out(wire)[-12:]


def test_a_pack_below_its_lowest_voltage_stops_it_but_an_open_input_does_not():
    instrument, device = liar()
    hands, _ = ready(PACK, instrument)
    hands.goto("sinking")
    device.lies = {"input.voltage": ("8.900", "V")}
    device.enter("off", hands.now_ns)  # it has stopped by itself: nothing flows, and nothing is wrong
    hands.session.send(b"@1 ask input.voltage\n@2 ask self.state\n")
    hands.session.line(0)
    hands.session.line(0)
    assert hands.gate is not None
    assert not hands.gate.live
    device.lies = {}
    hands.acquaint()
    hands.home()
    hands.goto("sinking")
    device.lies = {"input.voltage": ("8.900", "V")}
    with pytest.raises(Exceeded, match=r"input\.voltage reads 8\.9 V"):
        hands.wait(2 * NS_PER_S)


@pytest.mark.parametrize(
    ("limit", "said"), [("seconds: 120", "seconds: 30"), ("coulombs: 60", "coulombs: 20")]
)
def test_time_and_charge_are_used_up(limit, said):
    hands, wire = ready(ENVELOPE.replace(limit, said))
    hands.goto("sinking")
    with pytest.raises(NotSelected, match="used up"):
        hands.alive(300 * NS_PER_S)
    assert wire.instrument.device.state == "off"
    with pytest.raises(NotSelected, match="used up"):
        hands.goto("sinking")
    assert hands.gate is not None
    assert hands.gate.seconds <= hands.gate.reach.envelope.most.seconds
    assert hands.gate.coulombs <= hands.gate.reach.envelope.most.coulombs


def test_the_charge_counted_is_never_less_than_what_was_drawn():
    hands, wire = ready()
    hands.prepare()
    hands.goto("sinking")
    hands.alive(10 * NS_PER_S)
    hands.put("sink.level", 900)
    hands.alive(10 * NS_PER_S)
    hands.safe()
    drawn = wire.instrument.plant.at("charge", hands.now_ns)
    assert hands.gate is not None
    assert drawn > 10
    assert drawn <= hands.gate.coulombs <= 1.2 * drawn
    assert 20 <= hands.gate.seconds <= 21


@pytest.mark.parametrize("fault", ["watchdog-never", "watchdog-early", "once-feeds-the-watchdog"])
def test_watching_does_not_hide_a_broken_watchdog(fault):
    hands, _ = hands_on(instrument=build_instrument(VOW, fault=fault), budget=20_000)
    report = campaign.run(hands, until_failure=True, reduce=False)
    assert {failure.requirement for failure in report.failures} & {
        "trip.link_silent.fires", "wire.watchdog", "wire.once",
    }  # fmt: skip


# ----------------------------------------------------------------------------------- a check, and no envelope


def test_a_check_within_an_envelope_finds_a_good_instrument_good():
    hands, wire = hands_on(budget=2500)
    report = campaign.run(hands)
    assert not report.failures
    assert any(state == "sinking" for _, state in report.visited)
    reasons = " ".join(finding.reason for finding in report.findings.values())
    assert "beyond the envelope" in reasons
    Reader().go_on(wire.log)


def test_a_dry_check_saves_so_many_times_and_no_more():
    gate = DryGate(VOW, Limits(VOW, Allowance(store=2)))
    for _ in range(2):
        gate.judge([b"act settings.save"], b"", 0)
        gate.sent([b"act settings.save"], 0)
    with pytest.raises(NotSelected, match=r"the 2 writes of its store .* are used up"):
        gate.judge([b"act settings.save"], b"", 0)


@given(
    st.sampled_from(STARTS),
    st.binary(max_size=60).filter(lambda each: b"\n" not in each),
    st.sampled_from([0, 0x80]),
    st.booleans(),
)
def test_a_dry_check_names_no_energising_action_in_any_disguise(name, before, bit, upper):
    text = f"act {name} 1a2b"
    line = before + bytes(byte | bit for byte in (text.upper() if upper else text).encode())
    with pytest.raises(NotSelected, match="energises"):
        DryGate(VOW, Limits(VOW, None)).judge([line], b"", 0)


@pytest.mark.parametrize("name", STARTS)
@pytest.mark.parametrize("form", [b"act %s 1a2b", b"@7 act %s 1a2b ~00"])
def test_a_dry_check_sends_nothing_that_is_one_flipped_bit_from_energising(name, form):
    line = form % name.encode()
    for bit in range(8 * len(line)):
        flipped = bytearray(line)
        flipped[bit // 8] ^= 1 << bit % 8
        if b"\n" in flipped:
            continue
        with pytest.raises(NotSelected, match="energises"):
            DryGate(VOW, Limits(VOW, None)).judge([bytes(flipped)], b"", 0)
        with pytest.raises(NotSelected, match="energises"):
            DryGate(VOW, Limits(VOW, None)).judge([], bytes(flipped), 0)


@pytest.mark.parametrize("line", [b"act sink.stop", b"ask sink.state", b"@7 ask input.voltage", b"hello"])
def test_a_dry_check_sends_what_energises_nothing(line):
    DryGate(VOW, Limits(VOW, None)).judge([line], b"", 0)

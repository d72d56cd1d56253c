"""The golden vectors: that they can be read, cover the rules, and that the instrument keeps them."""

import re
from pathlib import Path

import pytest
from crccheck.crc import Crc16Ibm3740
from hypothesis import given
from hypothesis import strategies as st

from wirevow.emu.instrument import Instrument
from wirevow.protocol.document.load import load_document
from wirevow.protocol.document.requirements import requirement_ids
from wirevow.protocol.vectors import (
    Bench,
    Case,
    Expect,
    Place,
    Power,
    Reset,
    Send,
    Slot,
    Stored,
    Text,
    VectorError,
    Wait,
    parse_vectors,
    read_vector_file,
    read_vectors,
)
from wirevow.protocol.vow import Vow, compile_vow

SPEC = Path(__file__).parents[2] / "spec"
CASES = read_vectors(SPEC / "vectors")
EXAMPLE = r"""
# A comment.
rule wire.exact wire.reasons: What it shows.
> put a.b 1 \x20\\\{\}\r\xff
>> @1 act
< ok {t} {any}
> act go {t} ~{check}
wait 5 s
quiet 20 ms
bench source.voltage 12.5
bench thermistor open
bench trigger
power off
store 01 0aFF
power on
reset
"""


def refusal(lines: list[str]) -> str:
    with pytest.raises(VectorError) as caught:
        tuple(parse_vectors(lines, "x.vec"))
    return caught.value.message


def test_every_step_is_read_as_written() -> None:
    (case,) = parse_vectors(EXAMPLE.split("\n"), "x.vec")
    assert case.rules == ("wire.exact", "wire.reasons")
    assert case.title == "What it shows."
    assert case.place == Place("x.vec", 3)
    steps = iter(case.steps)
    assert next(steps) == Send(Place("x.vec", 4), Text((b"put a.b 1  \\{}\r\xff", b"\n")))
    assert next(steps) == Send(Place("x.vec", 5), Text((b"@1 act",)))
    assert next(steps) == Expect(Place("x.vec", 6), Text((b"ok ", Slot("t"), b" ", Slot("any"))))
    assert next(steps) == Send(Place("x.vec", 7), Text((b"act go ", Slot("t"), b" ~", Slot("check"), b"\n")))
    assert next(steps) == Wait(Place("x.vec", 8), 5_000_000_000, False)
    assert next(steps) == Wait(Place("x.vec", 9), 20_000_000, True)
    assert next(steps) == Bench(Place("x.vec", 10), "source.voltage", 12.5)
    assert next(steps) == Bench(Place("x.vec", 11), "thermistor", "open")
    assert next(steps) == Bench(Place("x.vec", 12), "trigger", None)
    assert next(steps) == Power(Place("x.vec", 13), False)
    assert next(steps) == Stored(Place("x.vec", 14), b"\x01\x0a\xff")
    assert next(steps) == Power(Place("x.vec", 15), True)
    assert next(steps) == Reset(Place("x.vec", 16))
    assert next(steps, None) is None


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("send ask a", "x.vec:3: 'send ask a' is no step"),
        ("> ask a ", r"x.vec:3: a space at either end of a text is easily lost; write it \x20"),
        ("> ask \xe4", "x.vec:3: 'ä' cannot be read"),
        (r"> ask \q", r"x.vec:3: '\q' cannot be read"),
        (r"> ask \x1", r"x.vec:3: '\x1' cannot be read"),
        ("> ask {", "x.vec:3: '{' cannot be read"),
        ("> ask {A}", "x.vec:3: '{A}' is no placeholder"),
        ("> ask {any}", "x.vec:3: {any} cannot be sent"),
        ("> act go {t}", "x.vec:3: {t} is not bound yet"),
        ("> ask a {check}", "x.vec:3: {check} ends a line"),
        ("> ask a ~{check} b", "x.vec:3: {check} ends a line"),
        ("<", "x.vec:3: an instrument sends no blank lines"),
        ("wait a while", "x.vec:3: 'a while' is no time"),
        ("wait 5", "x.vec:3: '5' is no time"),
        ("bench", "x.vec:3: not a bench event"),
        ("bench a b c", "x.vec:3: not a bench event"),
        ("power maybe", "x.vec:3: 'power maybe' is no step"),
        ("rule wire.exact", "x.vec:3: not a rule line"),
        ("rule Wire: x", "x.vec:3: not a rule line"),
    ],
)
def test_errors_name_the_line_and_the_remedy(line: str, message: str) -> None:
    assert refusal(["rule wire.exact: Title.", "< ok", line]).startswith(message)


def test_a_step_needs_a_rule_and_a_rule_an_expectation() -> None:
    assert refusal(["> ask a"]).startswith("x.vec:1: a step before any rule")
    assert refusal(["rule wire.tag: Title.", "> ask a"]).startswith("x.vec:1: the case expects nothing")


def test_names_are_bound_per_case() -> None:
    lines = ["rule wire.tag: One.", "< ok {t}", "rule wire.tag: Two.", "> act go {t}", "< ok"]
    assert refusal(lines).startswith("x.vec:4: {t} is not bound yet")


def test_a_folder_without_vectors_and_a_file_that_is_no_text_are_errors(tmp_path: Path) -> None:
    with pytest.raises(VectorError, match="no vector files"):
        read_vectors(tmp_path)
    (tmp_path / "x.vec").write_bytes(b"\xff\xfe")
    with pytest.raises(VectorError, match="cannot be read"):
        read_vector_file(tmp_path / "x.vec")
    with pytest.raises(VectorError, match="cannot be read"):
        read_vector_file(tmp_path / "y.vec")


def expectation(text: str, before: str = "< x {t}") -> Text:
    (case,) = parse_vectors(["rule wire.tag: Title.", before, f"< {text}"], "x.vec")
    step = case.steps[1]
    assert isinstance(step, Expect)
    return step.text


def test_expected_lines_bind_and_hold_to_what_is_bound() -> None:
    assert expectation("ok {u} {u} V").match(b"ok 1.0 1.0 V", {}) == {"u": b"1.0"}
    assert expectation("ok {u} {u} V").match(b"ok 1.0 1.1 V", {}) is None
    assert expectation("ok {t}").match(b"ok 3fa1", {"t": b"3fa1"}) == {}
    assert expectation("ok {t}").match(b"ok 3fa2", {"t": b"3fa1"}) is None
    assert expectation("ok {any} A").match(b"ok 1.000 A", {}) == {}
    assert expectation("ok {any} A").match(b"ok 1 000 A", {}) is None
    assert expectation("ok").match(b"ok ", {}) is None
    assert expectation("ok .").match(b"ok x", {}) is None


def test_an_expected_check_is_the_right_one() -> None:
    right = f"{Crc16Ibm3740.calc(b'ok 3fa1'):04X}".encode()
    assert expectation("ok {u} ~{check}").match(b"ok 3fa1 ~" + right, {}) == {"u": b"3fa1"}
    assert expectation("ok {u} ~{check}").match(b"ok 3fa2 ~" + right, {}) is None
    assert expectation("ok {u} ~{check}").match(b"ok 3fa1", {}) is None


def test_a_sent_line_is_filled_with_what_is_bound_and_its_check() -> None:
    (case,) = parse_vectors(["rule wire.tag: Title.", "< ok {t}", "> act go {t} ~{check}"], "x.vec")
    step = case.steps[1]
    assert isinstance(step, Send)
    body = b"act go 3fa1"
    assert step.text.fill({"t": b"3fa1"}) == body + f" ~{Crc16Ibm3740.calc(body):04X}\n".encode()


@given(st.lists(st.text(max_size=20), max_size=6))
def test_whatever_is_in_a_file_the_reader_reads_it_or_says_where_it_stops(lines: list[str]) -> None:
    message = ""
    try:
        tuple(parse_vectors(["rule wire.tag: Title.", "< ok", *lines], "x.vec"))
    except VectorError as wrong:
        message = wrong.message
    assert re.match(r"x\.vec:\d+: |$", message)


# ------------------------------------------------------------------------------- what the vectors cover

WIRE = (SPEC / "wire.md").read_text(encoding="utf-8")
TABLE_RULES = set(re.findall(r"^\| `(wire\.[a-z_.]+)` \|", WIRE, re.M))
PROSE_RULES = set(re.findall(r"(?:^|\()`(wire\.[a-z_.]+)`[:)]", WIRE, re.M))


def expected_lines() -> list[str]:
    return [str(step.text) for case in CASES for step in case.steps if isinstance(step, Expect)]


def test_every_rule_has_a_vector_and_every_vector_a_rule() -> None:
    shown = {rule for case in CASES for rule in case.rules}
    assert {"wire.framing", "wire.once", "wire.ticket", "wire.bulk"} <= TABLE_RULES | PROSE_RULES
    assert shown == TABLE_RULES | PROSE_RULES


def test_every_reason_and_every_detail_has_a_vector() -> None:
    reasons = set(re.findall(r"^\| `([a-z]+)` \|", WIRE, re.M))
    assert len(reasons) == 11
    refusals = [line.partition("refuse ")[2].split(" ~")[0] for line in expected_lines() if "refuse " in line]
    assert {words.split()[0] for words in refusals} == reasons
    assert {words.split()[1] for words in refusals if words.startswith("type")} == {
        "none", "number", "digits", "choice", "index", "ticket",
    }  # fmt: skip
    assert {"state guard", "state ticket", "state off", "busy local", "fault overvoltage"} <= set(refusals)


def test_every_event_of_the_wire_has_a_vector() -> None:
    events = {line.split()[2] for line in expected_lines() if line.startswith("note ")}
    assert events == {"boot", "trip", "state", "local", "control"}


def test_checks_that_are_written_out_are_those_of_a_reference_library() -> None:
    checked = 0
    for case in CASES:
        for step in case.steps:
            if isinstance(step, Expect) and len(step.text.parts) == 1:
                line = step.text.fill({})
                body, tilde, check = line.rpartition(b" ~")
                if tilde:
                    assert check == f"{Crc16Ibm3740.calc(body):04X}".encode(), step.place
                    checked += 1
    assert checked > 50


def test_cases_have_titles_of_their_own() -> None:
    titles = [case.title for case in CASES]
    assert len(titles) == len(set(titles))


# ------------------------------------------------------------------------------- the instrument keeps them


class Player:
    """A simulated instrument just switched on, its boot notice taken, and the lines that it has sent."""

    def __init__(self, vow: Vow) -> None:
        self.box = Instrument(vow)
        self.now_ns = 0
        self.lines: list[bytes] = []
        self.begun = b""
        self.box.advance(0)
        self.collect()
        assert self.lines.pop() == b"note 1 boot power"

    def collect(self) -> None:
        *lines, self.begun = (self.begun + self.box.take()).split(b"\n")
        self.lines += lines

    def play(self, case: Case) -> None:
        bound: dict[str, bytes] = {}
        for step in case.steps:
            match step:
                case Send():
                    self.box.receive(step.text.fill(bound), self.now_ns)
                case Expect():
                    assert self.lines, f"{step.place}: nothing came, expected '{step.text}'"
                    line = self.lines.pop(0)
                    binds = step.text.match(line, bound)
                    assert binds is not None, f"{step.place}: {line!r}, expected '{step.text}' with {bound}"
                    bound |= binds
                case Wait():
                    assert not (step.quiet and self.lines), f"{step.place}: {self.lines} was left over"
                    self.now_ns += step.ns
                    self.box.advance(self.now_ns)
                    self.collect()
                    assert not (step.quiet and self.lines), f"{step.place}: {self.lines} came in the silence"
                case Bench():
                    self.box.bench(step.event, step.value, self.now_ns)
                case Power():
                    assert not self.lines, f"{step.place}: {self.lines} came before the power went"
                    self.box.power(step.on, self.now_ns)
                case Reset():
                    assert not self.lines, f"{step.place}: {self.lines} came before the reset"
                    self.box.reset(self.now_ns)
                case Stored():
                    self.box.keep(step.image)
            self.collect()
        assert not self.lines, f"{case.place}: {self.lines} is left over"
        assert self.begun == b"", f"{case.place}: {self.begun!r} has no line end"


@pytest.fixture(scope="module")
def tarn() -> Vow:
    return compile_vow(load_document(SPEC / "tarn.yaml").document)


@pytest.fixture(scope="module")
def skerry() -> Vow:
    return compile_vow(load_document(SPEC / "skerry.yaml").document)


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case.place))
def test_the_simulated_instrument_keeps_the_vector(tarn: Vow, case: Case) -> None:
    Player(tarn).play(case)


@pytest.mark.parametrize("case", read_vectors(SPEC / "vectors" / "skerry"), ids=lambda case: str(case.place))
def test_another_instrument_keeps_the_vectors_of_what_only_it_says(skerry: Vow, case: Case) -> None:
    assert set(case.rules) <= requirement_ids(skerry.document)
    Player(skerry).play(case)


@pytest.mark.parametrize(
    "steps",
    [
        ["> ask self.state", "< ok armed"],
        ["> ask self.state", "quiet 10 ms"],
        ["> ask self.state", "> ask self.state", "< ok off"],
        ["< ok off"],
        ["> act sink.arm", "< ok {t}", "quiet 11 s"],
        ["> act sink.arm", "< ok {t}", "> act sink.arm", "< ok {t}"],
    ],
)
def test_a_vector_that_is_wrong_is_seen(tarn: Vow, steps: list[str]) -> None:
    (case,) = parse_vectors(["rule wire.tag: Wrong.", *steps], "x.vec")
    with pytest.raises(AssertionError):
        Player(tarn).play(case)

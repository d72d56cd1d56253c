"""The ABNF of a document, read by an independent ABNF library, agrees with the engine line by line."""

from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest
from abnf import ParseError, Rule
from crccheck.crc import Crc16Ibm3740
from hypothesis import example, given, settings
from hypothesis import strategies as st

from wirevow.protocol.device import Device, Store
from wirevow.protocol.document.load import load_document, read_document
from wirevow.protocol.grammar import general_rules, grammar
from wirevow.protocol.message import Malformed, Reply, parse_answer, parse_request
from wirevow.protocol.quantity import Scale
from wirevow.protocol.vectors import Expect, Send, read_vectors
from wirevow.protocol.vow import PointEntry, Vow, compile_vow

SPEC = Path(__file__).parents[2] / "spec"
TARN_TEXT = (SPEC / "tarn.yaml").read_text(encoding="utf-8")
TARN = compile_vow(load_document(SPEC / "tarn.yaml").document)
STEPS = [step for case in read_vectors(SPEC / "vectors") for step in case.steps]
NOT_UNDERSTOOD = ("syntax", "unknown", "access", "type", "unit")


class TarnRule(Rule):
    """The rules of Tarn's document."""


TarnRule.load_grammar(grammar(TARN))


def produces(rule: str, line: bytes) -> bool:
    try:
        TarnRule(rule).parse_all(line.decode("latin-1"))
    except ParseError:
        return False
    return True


class Still:
    """A world in which nothing happens."""

    def reading(self, entry: PointEntry, now_ns: int) -> int:
        return 0

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        pass

    def capture(self, record: str, now_ns: int) -> None:
        pass

    def booted(self) -> None:
        pass

    def changed(self, names: Sequence[str] | None, now_ns: int) -> None:
        pass


def understood(line: bytes, vow: Vow = TARN) -> bool:
    """Whether a fresh instrument refuses the line later than for its form, or not at all."""
    device = Device(vow, Still(), Store())
    device.boot("power", 0)
    device.take()
    device.line(line, 0)
    reply = next(
        answer for answer in map(parse_answer, device.take().split(b"\n")) if isinstance(answer, Reply)
    )
    return reply.ok or reply.words[0] not in NOT_UNDERSTOOD


def refused_syntax(line: bytes) -> bool:
    message = parse_request(line)
    return isinstance(message, Malformed) and message.reason == "syntax"


def with_check(body: bytes) -> bytes:
    return body + f" ~{Crc16Ibm3740.calc(body):04X}".encode()


# ------------------------------------------------------------------------------------------- lines to try

sent = sorted(
    {
        line.removesuffix(b"\r")
        for step in STEPS
        if isinstance(step, Send)
        for line in step.text.fill({"t": b"3fa1", "u": b"3fa1", "v": b"3fa1"}).split(b"\n")
    }
    - {b""}
)
received = sorted(
    {
        step.text.fill(dict.fromkeys(["any", "t", "u", "v", "d"], b"1.000"))
        for step in STEPS
        if isinstance(step, Expect)
    }
)
numbers = st.one_of(
    st.from_regex(r"[-+]?0{0,2}[0-9]{0,10}\.?[0-9]{0,10}", fullmatch=True),
    st.sampled_from(["0", "-0", "-0.0", "-0.000", "-0.001", "0.000", "123456789", "1234567890", "123456.789",
                     "1234567.890", "-999999.999", "0.00000001", "0.000000001", "-0.00000000", "-10.000"]),
    st.integers(-(10**10), 10**10).flatmap(
        lambda number: st.integers(0, 8).map(lambda digits: Scale("1", digits, 1, 0, 0).text(number))
    ),
)  # fmt: skip
UNITS = {entry.scale.unit for entry in TARN.points.values() if entry.scale}
units = st.sampled_from(sorted(UNITS | {"a", "mA"}))
choices = sorted({choice for entry in TARN.points.values() for choice in entry.choices} | {"On", "x"})
arguments = st.one_of(
    st.just([]),
    st.tuples(numbers).map(list),
    st.tuples(numbers, units).map(list),
    st.tuples(numbers, units, units).map(list),
    st.sampled_from(choices).map(lambda choice: [choice]),
    st.from_regex(r"[0-9a-fA-F]{3,5}", fullmatch=True).map(lambda ticket: [ticket]),
)
named = st.builds(
    lambda tag, verb, name, words: " ".join([*tag, verb, name, *words]).encode("ascii"),
    st.sampled_from([[], ["@1f"], ["@0"], ["@beef"]]),
    st.sampled_from(["ask", "put", "act"]),
    st.sampled_from([*TARN.points, *TARN.actions, "nothing.such"]),
    arguments,
)


@st.composite
def puts(draw: st.DrawFn) -> bytes:
    """A put that is right but perhaps for its digits or its unit."""
    entry = draw(st.sampled_from([entry for entry in TARN.points.values() if entry.settable]))
    if entry.scale is None:
        return f"put {entry.name} {draw(st.sampled_from(entry.choices))}".encode("ascii")
    counts = draw(st.integers(entry.scale.low, entry.scale.high))
    text = draw(numbers | st.just(entry.scale.text(counts)))
    return " ".join(["put", entry.name, text, *entry.scale.words(0)[1 : draw(st.integers(1, 2))]]).encode()


@st.composite
def damaged(draw: st.DrawFn, lines: Sequence[bytes]) -> bytes:
    line = draw(st.sampled_from(lines))
    at = draw(st.integers(0, len(line)))
    return line[:at] + draw(st.binary(max_size=2)) + line[at + draw(st.integers(0, 2)) :]


# ------------------------------------------------------------------------------------------------- general


@given(st.one_of(st.sampled_from(sent), damaged(sent), st.binary(max_size=20), named))
@settings(max_examples=300, deadline=None)
def test_request_lines_are_those_that_are_not_syntax(line: bytes) -> None:
    assert produces("request", line) != refused_syntax(line)


@given(st.one_of(st.sampled_from(received), damaged(received), st.binary(max_size=20)))
@settings(max_examples=300, deadline=None)
@example(b"note 65535 boot power")
@example(b"note 65536 boot power")
@example(b"note 0 boot power")
@example(b"note 07 boot power")
@example(b"note 9999 boot")
@example(b"note 70000 boot")
def test_answers_are_those_that_are_not_syntax(line: bytes) -> None:
    message = parse_answer(line)
    well_formed = not (isinstance(message, Malformed) and message.reason == "syntax")
    assert (produces("reply", line) or produces("notice", line)) == well_formed
    if isinstance(message, Reply):
        assert produces("reply", line)


def test_every_line_of_the_vectors_is_what_the_engine_takes_it_for() -> None:
    for line in sent:
        assert produces("request", line) != refused_syntax(line), line
    for line in received:
        assert produces("reply", line) != produces("notice", line), line


@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
def test_lines_end_with_lf_and_perhaps_a_cr_before_it(end: bytes) -> None:
    assert produces("request-line", b"ask self.state" + end)
    assert produces("reply-line", b"ok off" + end)
    assert produces("notice-line", b"note 1 boot power" + end)
    assert not produces("request-line", b"ask self.state")
    assert not produces("request-line", b"ask self.state\r\r\n")
    assert not produces("request-line", end)


# ------------------------------------------------------------------------------------------------ specific


@given(st.one_of(named, puts(), st.sampled_from(sent), damaged(sent)))
@settings(max_examples=400, deadline=None)
def test_plain_requests_are_those_that_are_understood(line: bytes) -> None:
    message = parse_request(line)
    if not isinstance(message, Malformed) and not message.checked:
        assert produces("plain-request", line) == understood(line)
    else:
        # A checked line, or one whose check is wrong, is no plain request.
        assert not produces("plain-request", line)


@given(st.one_of(named, puts()))
@settings(max_examples=300, deadline=None)
def test_checked_requests_are_those_that_are_understood(body: bytes) -> None:
    line = with_check(body)
    assert produces("checked-request", line) == understood(line)
    assert not produces("checked-request", body)


@pytest.mark.parametrize("name", TARN.points)
def test_every_point_can_be_asked_and_put_as_its_own_rules_say(name: str) -> None:
    entry = TARN.points[name]
    index = b" 0" if entry.record is not None else b""
    assert produces("plain-request", b"ask " + name.encode() + index)
    assert not produces("plain-request", b"ask " + name.encode().upper() + index)
    if entry.scale is not None:
        words = " ".join(entry.scale.words(entry.scale.high)).encode()
    else:
        words = (entry.choices or ("x",))[0].encode()
    assert produces("plain-request", b"put " + name.encode() + b" " + words) == entry.settable
    assert not produces("plain-request", b"act " + name.encode())


@pytest.mark.parametrize("name", TARN.actions)
def test_every_action_can_be_done_with_its_ticket(name: str) -> None:
    ticket = TARN.actions[name].takes_ticket is not None
    assert produces("plain-request", f"act {name}".encode()) != ticket
    assert produces("plain-request", f"act {name} 3fa1".encode()) == ticket
    assert not produces("plain-request", f"ask {name}".encode())


@given(numbers)
@settings(max_examples=300, deadline=None)
def test_number_rules_are_the_engines_numbers(text: str) -> None:
    parsed = Scale("1", 3, 1, 0, 0).parse(text)
    assert produces("number", text.encode()) == (parsed is not None)
    for digits in range(9):
        assert produces(f"number-{digits}", text.encode()) == (parsed is not None and parsed[1] == digits)


def test_names_that_differ_by_their_joints_keep_different_rules() -> None:
    """`a.b`, `a_b`, and a point called like a rule of the general part are all told apart."""
    text = TARN_TEXT.replace(
        "points:\n",
        "points:\n"
        '  tarn.x_y: {means: "One.", quantity: count, access: set, default: 0}\n'
        '  tarn.x.y: {means: "Two.", quantity: level, access: set, default: 0}\n'
        '  request:  {means: "Three.", quantity: level, access: set, default: 0}\n',
        1,
    )
    lines = grammar(compile_vow(read_document(text).document)).splitlines()
    defined = [line.split()[0] for line in lines if line and line[0] not in " ;"]
    assert len(defined) == len(set(defined))
    assert {"put-tarn-x--y", "put-tarn-x-y", "ask-request"} <= set(defined)


def test_general_rules_stand_alone() -> None:
    class Alone(Rule):
        pass

    Alone.load_grammar(general_rules())
    Alone("request-line").parse_all("@1f put sink.level 2.500 A ~1624\r\n")
    with pytest.raises(ParseError):
        Alone("request-line").parse_all("@1f PUT sink.level 2.500 A ~1624\r\n")

"""Case files: written, read, edited by hand."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.protocol.conformance.instruments import vow_of
from wirevow.protocol.conformance.casefile import (
    Case,
    CaseError,
    Step,
    doings,
    parse_case,
    read_case,
    sent,
    steps_of,
    write_case,
)
from wirevow.protocol.conformance.session import Entry
from wirevow.protocol.document.model import duration_ns
from wirevow.protocol.message import check_of

CASE = Case(
    document="tarn 1.0.0 d8f342ba",
    requirement="point.sink.level.bounds",
    promise="`put sink.level` above 6.000 A is refused `range` with these limits.",
    written="spec/tarn.yaml:129",
    purpose="point.sink.level.bounds",
    seed=7,
    steps=(
        Step(">", "put sink.level 6.001 A", 0.0),
        Step("<", "ok 6.001 A", 0.0),
        Step("wait", "20 ms"),
        Step("bench", "source.voltage 12.5"),
        Step("power", "cycle"),
        Step("reset"),
        Step(">>", "ask self.st", 1.5),
    ),
    expected="refuse range 0.000 6.000 A",
    seen="ok 6.001 A",
)

PRINTABLE = st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), max_size=40)
WORDS = PRINTABLE.map(str.strip)
NAMES = st.from_regex(r"[a-z][a-z0-9_.]{0,20}", fullmatch=True)
BYTES = st.binary(max_size=60).map(lambda data: data.replace(b"\n", b""))
TIMES = st.none() | st.integers(0, 10**12).map(lambda micros: micros / 1e6)


def journal_of(data: bytes) -> Step:
    """The step that a journal makes of bytes that were sent."""
    return step_of(Entry(0, "send", data))


def step_of(entry: Entry) -> Step:
    """The step that a journal makes of an entry."""
    (step,) = steps_of([entry], vow_of("brae"))
    return replace(step, at_s=None)


@given(st.integers(1, 10**17))
def test_a_wait_is_written_to_the_nanosecond(ns: int) -> None:
    assert duration_ns(step_of(Entry(0, "wait", ns=ns)).text) == ns


LINES = BYTES.map(lambda data: journal_of(data + b"\n").text)
STEPS = st.builds(
    lambda step, at_s: replace(step, at_s=at_s),
    st.one_of(
        st.builds(Step, st.sampled_from([">", "<"]), LINES),
        BYTES.filter(len).map(journal_of),
        st.integers(1, 10**17).map(lambda ns: step_of(Entry(0, "wait", ns=ns))),
        st.builds(lambda event, value: Step("bench", f"{event} {value}"), NAMES, st.integers()),
        NAMES.map(lambda event: Step("bench", event)),
        st.sampled_from([Step("power", "cycle"), Step("reset")]),
    ),
    TIMES,
)
CASES = st.builds(
    Case,
    document=WORDS.filter(len),
    requirement=WORDS.filter(len),
    promise=WORDS,
    written=WORDS,
    purpose=WORDS.filter(len),
    seed=st.integers(-(10**6), 10**6),
    steps=st.lists(STEPS, max_size=12).map(tuple),
    expected=WORDS.filter(lambda text: text != "(nothing)"),
    seen=WORDS,
)


@given(CASES)
def test_what_is_written_is_read(case: Case) -> None:
    assert parse_case(case.text(), "case") == case


@given(BYTES, st.booleans())
def test_a_step_sends_the_bytes_that_were_sent(data: bytes, ended: bool) -> None:
    whole = data + (b"\n" if ended else b"")
    if whole:
        assert sent(journal_of(whole), ()) == whole


@given(BYTES)
def test_a_step_is_printable_and_ends_visibly(data: bytes) -> None:
    text = journal_of(data + b"\n").text
    assert text.isascii()
    assert all(" " <= sign <= "~" for sign in text)
    assert text == text.rstrip()


@given(st.text(max_size=200))
def test_any_text_is_a_case_or_an_error_with_its_place(text: str) -> None:
    message = None
    try:
        parse_case("# wirevow case 1\n" + text, "mine.case")
    except CaseError as error:
        message = error.message
    assert message is None or re.match(r"mine\.case:\d+: ", message)


def test_a_file_is_read_as_it_was_written(tmp_path: Path) -> None:
    path = tmp_path / "one.case"
    write_case(CASE, path)
    assert read_case(path) == CASE


def test_a_person_may_leave_out_times_answers_and_prose() -> None:
    text = """# wirevow case 1
document tarn 1.0.0 d8f342ba
requirement point.sink.level.bounds
seed 7
# Five amperes are enough.
> put sink.level 5.001 A

   wait 5 ms
"""
    case = parse_case(text, "mine.case")
    assert case.steps == (Step(">", "put sink.level 5.001 A"), Step("wait", "5 ms"))
    assert case.purpose == "point.sink.level.bounds"
    assert case.expected == case.seen == case.promise == case.source == ""


def test_line_ends_of_another_system_do_no_harm() -> None:
    assert parse_case(CASE.text().replace("\n", "\r\n"), "mine.case") == CASE


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("# wirevow case 1", "# a case", r"mine\.case:1: not a case file"),
        ("seed        7", "seed        x", r"the seed is a whole number, not 'x'"),
        ("seed        7", "", r"does not say its seed; add a line such as `seed \.\.\.`"),
        ("document    tarn 1.0.0 d8f342ba", "", r"does not say its document"),
        ("wait 20 ms", "wait 20", r"mine\.case:12: a duration is a number, a space and one of"),
        ("wait 20 ms", "pause 20 ms", r"mine\.case:12: 'pause 20 ms' is no step; write one of >, >>"),
        ("bench source.voltage 12.5", "bench Source", r"mine\.case:13: not a bench event"),
        ("power cycle", "power off", r"mine\.case:14: write `power cycle`"),
        ("> put sink.level 6.001 A", "> put sink.level {tick}", r"mine\.case:10: '{tick}' cannot be read"),
        ("> put sink.level 6.001 A", "> put sink.level 6\u2126", r"mine\.case:10: .* printable ASCII"),
        ("> put sink.level 6.001 A", r"> put \x0", r"mine\.case:10: '\\x0' cannot be read"),
    ],
)
def test_a_slip_is_an_error_with_its_line(old: str, new: str, message: str) -> None:
    text = CASE.text()
    assert old in text
    with pytest.raises(CaseError, match=message):
        parse_case(text.replace(old, new), "mine.case")


def test_a_file_that_is_none_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(CaseError, match="cannot be read"):
        read_case(tmp_path / "none.case")
    (tmp_path / "noise").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(CaseError, match="cannot be read"):
        read_case(tmp_path / "noise")
    with pytest.raises(CaseError, match="name another file"):
        write_case(CASE, tmp_path)


def test_tickets_are_placeholders_because_another_run_gives_other_ones() -> None:
    vow = vow_of("tarn")
    journal = [
        Entry(0, "send", b"act sink.arm\n"),
        Entry(0, "line", b"ok 1a2b"),
        Entry(0, "send", b"act sink.arm\n"),
        Entry(0, "line", b"ok 3c4d"),
        Entry(0, "send", b"act sink.start 1a2b\n"),
        Entry(0, "line", b"refuse state ticket"),
        Entry(0, "send", b"act sink.start 3c4d ~%s\n" % check_of(b"act sink.start 3c4d").encode()),
    ]
    texts = [step.text for step in doings(steps_of(journal, vow))]
    assert texts[2:] == ["act sink.start {ticket-1}", "act sink.start {ticket} ~{check}"]
    given_now = ("9999", "0f0f")
    assert sent(Step(">", texts[2]), given_now) == b"act sink.start 9999\n"
    body = b"act sink.start 0f0f"
    assert sent(Step(">", texts[3]), given_now) == body + b" ~%s\n" % check_of(body).encode()


def test_half_lines_waits_and_the_supply_are_steps() -> None:
    journal = [
        Entry(5, "send", b"ask self"),
        Entry(5, "wait", ns=0),
        Entry(5, "wait", ns=1_500_000_000),
        Entry(1_500_000_005, "send", b".state\nask"),
        Entry(1_500_000_005, "power", value="off"),
        Entry(1_500_000_005, "power", value="on"),
        Entry(1_500_000_005, "bench", name="ambient", value="80"),
        Entry(1_500_000_005, "reset"),
    ]
    steps = steps_of(journal, vow_of("tarn"))
    assert [(step.kind, step.text) for step in steps] == [
        (">>", "ask self"),
        ("wait", "1500 ms"),
        (">", ".state"),
        (">>", "ask"),
        ("power", "cycle"),
        ("bench", "ambient 80"),
        ("reset", ""),
    ]
    assert [step.at_s for step in steps[:3]] == [0.0, 0.0, 1.5]

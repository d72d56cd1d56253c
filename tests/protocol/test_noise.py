"""What noise can do to request lines: the promises of `spec/wire.md`, "What noise can do"."""

from pathlib import Path

import pytest
from crccheck.crc import Crc16Ibm3740
from hypothesis import given, settings
from hypothesis import strategies as st

from wirevow.protocol.document.load import load_document
from wirevow.protocol.message import Request, parse_request
from wirevow.protocol.noise import (
    KINDS,
    Damage,
    Understanding,
    count,
    damages,
    golden_requests,
    table,
    try_noise,
)
from wirevow.protocol.vectors import read_vectors
from wirevow.protocol.vow import compile_vow

SPEC = Path(__file__).parents[2] / "spec"
TARN = compile_vow(load_document(SPEC / "tarn.yaml").document)
LIMIT = TARN.document.wire.line_limit
TICKET = "3fa1"
FREE = Understanding(TARN, TICKET, guard=False)
GUARDED = Understanding(TARN, TICKET, guard=True)
GOLDEN = golden_requests(read_vectors(SPEC / "vectors"), TICKET, FREE)
PLAIN = [line for line in GOLDEN if b"~" not in line]
NUMBERS = [entry for entry in TARN.points.values() if entry.settable and entry.scale is not None]


@pytest.fixture(scope="module")
def plain() -> list[Damage]:
    """Every damage of every golden line without a check."""
    return list(try_noise(PLAIN, FREE, LIMIT))


def others(damaged: list[Damage]) -> list[bytes]:
    return [damage.damaged for damage in damaged if damage.outcome == "other"]


def test_every_damage_of_a_short_line_is_tried() -> None:
    tried = list(damages(b"ab"))
    assert ("lost", 0, b"b\n") in tried
    assert ("doubled", 1, b"abb\n") in tried
    assert ("changed", 0, b"bb\n") in tried
    assert ("changed", 1, b"a~\n") in tried
    assert ("flipped", 0, b"\xe1b\n") in tried
    assert ("flipped", 2, b"ab\x0b") in tried
    assert len(tried) == len(set(tried)) == 2 + 2 + 2 * 94 + 3 * 8
    assert all(wire != b"ab\n" for _, _, wire in tried)


def test_outcomes_are_told_apart() -> None:
    meanings = {b"b": "one", b"ab": "one", b"bb": "two"}
    tried = list(try_noise([b"ab"], meanings.get, LIMIT))
    by_wire = {damage.damaged: damage.outcome for damage in tried}
    assert by_wire[b"b\n"] == "same"
    assert by_wire[b"bb\n"] == "other"
    assert by_wire[b"a\n"] == "refused"
    outcomes = count(tried)
    assert outcomes["lost"] == {"same": 1, "refused": 1}
    assert outcomes["changed"] == {"other": 1, "refused": 187}
    assert "| changed | 1 of 188 |" in table({"x": tried})


def test_a_damage_that_makes_two_lines_is_judged_by_both() -> None:
    # "*" is one flipped bit from LF.
    for meanings in ({b"a*b": "whole", b"b": "tail"}, {b"a*b": "whole", b"a": "whole", b"b": "tail"}):
        tried = list(try_noise([b"a*b"], meanings.get, LIMIT))
        assert [damage.outcome for damage in tried if damage.damaged == b"a\nb\n"] == ["other"]


def test_a_line_that_is_refused_undamaged_is_not_measured() -> None:
    with pytest.raises(ValueError, match="refused as it is"):
        list(try_noise([b"ask nothing.such"], FREE, LIMIT))


def test_lines_are_understood_by_the_device_in_whatever_state_lets_them_through() -> None:
    assert FREE(b"put sink.level 2.500 A") == ("put", "sink.level", 2500)
    assert FREE(b"@1 put sink.level 2.500 A") == ("put", "sink.level", 2500)
    assert FREE(b"put sink.level 2.5 A") is None
    assert FREE(b"put sink.level 6.001 A") is None
    assert FREE(b"act trip.clear") is not None
    assert FREE(b"act sink.start 3fa1") is not None
    assert FREE(b"act sink.start 3fa2") is None
    assert FREE(b"put trim.level_shift 0.3000 A") is None
    assert GUARDED(b"act trip.clear") is None
    assert GUARDED(b"ask sink.level") is not None


def test_the_vectors_give_lines_of_every_verb() -> None:
    assert len(GOLDEN) > 100
    assert {parse_request(line)[1] for line in GOLDEN} == {"ask", "put", "act"}


@pytest.mark.parametrize("accepts", [FREE, GUARDED], ids=["guard off", "guard on"])
def test_a_checked_line_is_never_taken_for_another(accepts: Understanding) -> None:
    lines = [body + f" ~{Crc16Ibm3740.calc(body):04X}".encode() for body in PLAIN[::10]]
    tried = list(try_noise(lines, accepts, LIMIT))
    assert others(tried) == []
    assert all(outcomes.total() for outcomes in count(tried).values())


@given(st.sampled_from(NUMBERS), st.data())
@settings(max_examples=15, deadline=None)
def test_a_checked_number_is_never_taken_for_another(entry, data) -> None:  # type: ignore[no-untyped-def]
    text = entry.scale.text(data.draw(st.integers(entry.scale.low, entry.scale.high)))
    request = Request("@1f", "put", entry.name, (text,), True)
    if FREE(request.line()) is not None:
        assert others(list(try_noise([request.line()], FREE, LIMIT))) == []


def test_an_unchecked_line_is_taken_for_another_value_or_part_but_for_no_other_point_or_action(
    plain: list[Damage],
) -> None:
    taken = [damage for damage in plain if damage.outcome == "other"]
    assert {damage.kind for damage in taken} >= {"changed", "flipped"}
    for damage in taken:
        meant, read = parse_request(damage.line), parse_request(damage.damaged.rstrip(b"\r\n"))
        assert isinstance(meant, Request)
        assert isinstance(read, Request)
        assert (meant.verb, meant.name) == (read.verb, read.name)
        entry = TARN.points[meant.name]
        assert entry.kind == ("number" if meant.verb == "put" else "record")


@pytest.mark.parametrize("name", TARN.points)
def test_no_damage_makes_one_point_of_another(name: str) -> None:
    arguments = ("0",) if TARN.points[name].record is not None else ()
    line = Request(None, "ask", name, arguments).line()
    for damage in try_noise([line], FREE, LIMIT):
        if damage.outcome == "other":
            assert TARN.points[name].record is not None
            assert damage.damaged.startswith(line[:-1])


@given(st.sampled_from(NUMBERS), st.data())
@settings(max_examples=200, deadline=None)
def test_a_digit_lost_or_doubled_after_the_point_is_never_another_value(entry, data) -> None:  # type: ignore[no-untyped-def]
    """Exact digits: a lost or doubled digit can only be taken for another value before the point.

    So where the range has one digit before the point and at least one after it, as Tarn's current level,
    no lost or doubled digit is ever taken for another value.
    """
    scale = entry.scale
    text = scale.text(data.draw(st.integers(scale.low, scale.high)))
    line = Request(None, "put", entry.name, (text, *scale.words(0)[1:])).line()
    if FREE(line) is None:
        return
    begin = line.index(text.encode())
    point = begin + (text.index(".") if "." in text else len(text))
    short = scale.digits > 0 and max(abs(scale.low), abs(scale.high)) * scale.step < 10
    meant = FREE(line)
    for kind, at, wire in damages(line):
        digit = begin <= at < begin + len(text) and chr(line[at]).isdigit()
        if kind in ("lost", "doubled") and digit and FREE(wire[:-1]) not in (None, meant):
            assert at < point
            assert not short


def test_tarns_current_level_survives_every_lost_or_doubled_character() -> None:
    for milliamperes in range(0, 6001, 37):
        line = f"put sink.level {milliamperes / 1000:.3f} A".encode()
        meant = FREE(line)
        for kind, _, wire in damages(line):
            if kind in ("lost", "doubled"):
                assert FREE(wire[:-1]) in (None, meant)


def test_the_page_shows_what_is_measured(plain: list[Damage]) -> None:
    page = (SPEC / "wire.md").read_text(encoding="utf-8").partition("## What noise can do")[2]
    measured = count(plain)
    for kind in KINDS:
        (row,) = (line for line in page.splitlines() if line.startswith(f"| {kind} |"))
        unchecked, free, guarded = (cell.strip() for cell in row.split("|")[2:5])
        assert unchecked == f"{measured[kind]['other']} of {measured[kind].total()}"
        # The tests above promise these for any line.
        assert free.split()[0] == guarded.split()[0] == "0"

"""The property search: it finds what is broken, says how in few lines, and accuses nobody else."""

from __future__ import annotations

import importlib
from fnmatch import fnmatchcase
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.protocol.conformance.instruments import hands_on, vow_of
from wirevow.emu.direct import direct_tester
from wirevow.emu.faults import fault_named
from wirevow.emu.instrument import Instrument
from wirevow.protocol.conformance import campaign
from wirevow.protocol.conformance.casefile import Case, steps_of
from wirevow.protocol.conformance.gate import DryGate
from wirevow.protocol.conformance.outcome import Broken, OutOfBudget
from wirevow.protocol.conformance.replay import shortened
from wirevow.protocol.conformance.search.actions import (
    Boot,
    Damage,
    Doer,
    Half,
    Line,
    Panel,
    Say,
    Split,
    Talk,
    Wait,
    _damaged,
    repertoire,
)
from wirevow.protocol.conformance.search.group import LINES, Searches
from wirevow.protocol.conformance.search.memory import Memory
from wirevow.protocol.conformance.search.walk import STEPS, Search
from wirevow.protocol.conformance.tester import Tester as Hands
from wirevow.protocol.conformance.verdict import Verdict
from wirevow.protocol.device import Device
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.message import Reply
from wirevow.protocol.serialport import PortError


def acquainted(name: str = "tarn", fault: str | None = None, seed: int = 0) -> Hands:
    hands = hands_on(name, fault, seed)
    hands.acquaint()
    return hands


def found(hands: Hands, seed: int = 1, lines: int = 2000, **options: object) -> Broken | None:
    try:
        Search(hands, seed, lines, **options).run()  # type: ignore[arg-type]
    except Broken as broken:
        return broken
    return None


def sends(broken: Broken) -> int:
    return sum(entry.kind == "send" for entry in broken.steps or ())


@pytest.mark.parametrize("name", ["tarn", "brae"])
@pytest.mark.parametrize("seed", [3, 4])
def test_a_good_instrument_is_not_accused(name: str, seed: int) -> None:
    hands = acquainted(name, seed=seed)
    assert found(hands, seed, 250) is None
    assert hands.lines > 200


def test_the_same_seed_walks_the_same_way_and_another_another() -> None:
    journals = []
    for seed in (5, 5, 6):
        hands = acquainted("brae")
        assert found(hands, seed, 150) is None
        journals.append(hands.session.journal)
    assert journals[0] == journals[1]
    assert journals[0] != journals[2]


@pytest.mark.parametrize("fault", ["unit-in-any-case", "check-not-compared"])
def test_a_fault_is_found_and_shown_in_few_lines(fault: str) -> None:
    hands = acquainted("brae", fault=fault)
    # A walk goes by chance: one may miss what three find.
    broken = next((each for seed in (2, 3, 4) if (each := found(hands, seed)) is not None), None)
    assert broken is not None
    about = broken.judgement.requirement
    assert any(fnmatchcase(about, each) for each in fault_named(fault).breaks)
    steps = steps_of(broken.steps or [], hands.vow)
    whole = Case("brae", about, "", "", about, 0, steps, broken.judgement.expected, broken.seen)
    assert shortened(hands, whole).sends <= 3


def test_a_failure_is_counted_where_it_was_found_not_where_it_had_been_made_short() -> None:
    quick = found(acquainted("brae", "check-not-compared"), shorten=False)
    hands = acquainted("brae", "check-not-compared")
    thorough = found(hands)
    assert quick is not None
    assert thorough is not None
    assert quick.lines == thorough.lines
    assert thorough.lines is not None
    assert thorough.lines < hands.lines
    assert sends(thorough) <= sends(quick)


def memory_in(folder: Path, port: str = "in process", document: str = "brae 1.0.0") -> Memory:
    return Memory(folder / "found.json", port, document)


def test_what_was_found_before_is_tried_first(tmp_path: Path) -> None:
    memory = memory_in(tmp_path)
    assert found(acquainted("brae", "check-not-compared"), memory=memory) is not None
    again = found(acquainted("brae", "check-not-compared"), memory=memory, recall=True, shorten=False)
    assert again is not None
    assert again.lines is not None
    assert again.lines < 50


def test_nothing_remembered_is_nothing_to_try(tmp_path: Path) -> None:
    hands = acquainted("brae")
    before = hands.lines
    assert found(hands, memory=memory_in(tmp_path), recall=True) is None
    assert hands.lines == before
    assert (
        campaign.run(hands_on("brae"), searches=Searches(memory=memory_in(tmp_path))).verdict is Verdict.PASS
    )


def test_a_mended_instrument_passes_what_was_found_before(tmp_path: Path) -> None:
    memory = memory_in(tmp_path)
    assert found(acquainted("brae", "check-not-compared"), memory=memory, shorten=False) is not None
    mended = acquainted("brae")
    before = mended.lines
    assert found(mended, memory=memory_in(tmp_path), recall=True) is None
    assert mended.lines > before


def test_a_check_remembers_and_begins_with_it(tmp_path: Path) -> None:
    memory = memory_in(tmp_path)
    first = found(acquainted("brae", "check-not-compared"), memory=memory)
    assert first is not None
    report = campaign.run(
        hands_on("brae", "check-not-compared"),
        until_failure=True,
        reduce=False,
        searches=Searches(memory=memory_in(tmp_path)),
    )
    assert report.failures[0].requirement == first.judgement.requirement
    assert report.failures[0].lines < 100


def test_a_memory_is_of_one_port_and_one_document(tmp_path: Path) -> None:
    assert found(acquainted("brae", "check-not-compared"), memory=memory_in(tmp_path)) is not None
    others = [memory_in(tmp_path, port="COM3"), memory_in(tmp_path, document="brae 1.0.1")]
    assert not any(each.found for each in others)
    others[0].write()
    assert memory_in(tmp_path).found


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"wirevow memory": 1, "found": [{}]}', "x" * 4_000_001])
def test_a_file_that_is_no_memory_is_kept_and_said(text: str, tmp_path: Path) -> None:
    (tmp_path / "found.json").write_text(text)
    with pytest.raises(WirevowError, match="no memory that a check has written"):
        memory_in(tmp_path)
    assert (tmp_path / "found.json").read_text() == text


class Moody(Device):
    """Answers one question in its life wrongly."""

    asked = 0

    def _answer(self, reply: Reply) -> bytes:
        Moody.asked += 1
        if Moody.asked == 200:
            reply = Reply(reply.tag, False, ("unknown",), reply.checked)
        return super()._answer(reply)


def test_what_shows_only_once_is_reported_all_the_same() -> None:
    Moody.asked = 0
    hands = direct_tester(vow_of("brae"), Instrument(vow_of("brae"), device_class=Moody))
    hands.acquaint()
    broken = found(hands)
    assert broken is not None
    assert broken.seen.endswith("refuse unknown")
    assert broken.steps


def test_a_budget_that_is_used_up_ends_it_as_any_purpose() -> None:
    hands = hands_on("brae", budget=200)
    hands.acquaint()
    with pytest.raises(OutOfBudget):
        Search(hands, 1, 1000).run()


def test_a_port_that_is_lost_ends_it() -> None:
    hands = acquainted("brae")

    def lost(data: bytes, pieces: int = 1) -> None:
        raise PortError("gone")

    hands.session.send = lost  # type: ignore[method-assign]
    with pytest.raises(PortError):
        Search(hands, 1, 1000).run()


def test_a_dry_search_energises_nothing() -> None:
    hands = hands_on("tarn")
    hands.energise = False
    hands.session.gate = DryGate(hands.vow, hands.limits)
    hands.acquaint()
    assert found(hands, lines=200) is None
    assert not any(hands.vow.states[state].energised for _, state in hands.visited)
    assert any(state != hands.vow.initial for _, state in hands.visited)


def test_a_search_sends_about_as_many_lines_as_it_may() -> None:
    hands = acquainted("brae")
    before = hands.lines
    assert found(hands, lines=300) is None
    assert 250 <= hands.lines - before <= 300 + 4 * STEPS


def test_a_check_searches_and_without_lines_does_not() -> None:
    with_it = campaign.run(hands_on("brae"))
    without = campaign.run(hands_on("brae"), searches=Searches(lines=0))
    assert with_it.verdict is without.verdict is Verdict.PASS
    assert LINES // 2 <= with_it.lines - without.lines <= 2 * LINES


@given(
    st.binary(min_size=1, max_size=60).filter(lambda line: b"\n" not in line),
    st.builds(
        Damage,
        st.sampled_from(("change", "flip", "drop", "double", "insert")),
        st.integers(0, 999),
        st.integers(0, 255),
    ),
)
def test_damage_is_one_byte_and_never_ends_a_line(line: bytes, damage: Damage) -> None:
    damaged = _damaged(line, damage)
    assert b"\n" not in damaged
    assert abs(len(damaged) - len(line)) == (damage.kind not in ("change", "flip"))


def test_a_half_line_is_ended_before_anything_else_is_looked_at() -> None:
    hands = acquainted()
    hands.home()
    doer = Doer(hands)
    doer.do(Half(Line(Talk("put", "sink.level", "high")), 500))
    assert hands.session.begun
    doer.close()
    assert not hands.session.begun
    assert hands.setting("sink.level") == hands.vow.points["sink.level"].default


@pytest.mark.parametrize(
    ("meanwhile", "whole"),
    [(Wait(10**9), True), (Wait(31 * 10**9), False), (Panel(None), True), (Boot("reset"), False)],
)
def test_a_line_in_two_parts_goes_on_unless_it_is_lost(meanwhile: Wait | Panel | Boot, whole: bool) -> None:
    hands = acquainted()
    hands.home()
    doer = Doer(hands)
    doer.do(Split(Line(Talk("ask", "sink.level"), tag="none"), 500, meanwhile))
    assert not hands.session.begun
    assert (hands.kept.get("point.sink.level.readable", 0) > 0) is whole
    doer.close()


def test_a_place_is_taken_where_the_limits_are_now() -> None:
    hands = acquainted()
    hands.home()
    doer = Doer(hands)
    entry = hands.vow.points["sink.level"]
    doer.do(Say((Line(Talk("put", "sink.level", "high")),)))
    assert hands.setting("sink.level") == hands.bounds(entry)[1]
    doer.do(Say((Line(Talk("put", "sink.level", "above")),)))
    assert hands.setting("sink.level") == hands.bounds(entry)[1]


def test_everything_of_the_document_can_be_chosen() -> None:
    given = repertoire(acquainted())
    vow = vow_of("tarn")
    assert set(given.points) == set(vow.points)
    assert set(given.actions) == set(vow.actions)
    assert set(given.states) == set(vow.states) - {vow.initial}
    assert {turn.event for turn in given.turns} == set(vow.document.bench)


def held_up() -> Hands:
    """Tripped, by a limit that was put below what is connected."""
    hands = acquainted()
    hands.home()
    hands.put("sink.voltage", hands.bounds(hands.vow.points["sink.voltage"])[0])
    hands.put("limit.voltage", hands.bounds(hands.vow.points["limit.voltage"])[0])
    hands.wait(10**8)
    assert hands.state == "tripped"
    return hands


def test_a_trip_that_a_setting_holds_up_is_no_obstacle_on_the_way_home() -> None:
    hands = held_up()
    hands.home()
    assert hands.ask("self.state").words == (hands.vow.initial,)


def test_nor_when_the_instrument_is_met_like_that() -> None:
    hands = held_up()
    hands.acquaint()
    hands.home()
    assert hands.ask("limit.voltage").words == ("38.000", "V")


def test_what_else_is_loaded_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def sent() -> list[bytes]:
        hands = acquainted()
        hands.mark()
        found(hands, lines=800)
        return [entry.data for entry in hands.since_mark() if entry.kind == "send"]

    before = sent()
    (tmp_path / "of_somebody_else.py").write_text(f"N = {list(range(200, 6000, 17))}\n")
    monkeypatch.syspath_prepend(tmp_path)
    importlib.import_module("of_somebody_else")
    assert sent() == before

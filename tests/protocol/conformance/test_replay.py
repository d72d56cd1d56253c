"""Replaying a case, and making it shorter."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from tests.emu.exchanges import by_hand
from tests.protocol.conformance.instruments import first_case, hands_on, served, vow_of
from wirevow.emu.command import run as wirevow
from wirevow.emu.faults import build_instrument
from wirevow.protocol.conformance.casefile import Case, Step, doings, read_case, write_case
from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.hookup import hooked_up
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.replay import perform, replay, shortened
from wirevow.protocol.conformance.tester import Tester as Hands

FAULTS = {
    "spaces-run-together": 1,
    "bound-dependent-ignored": 2,
    "letters-after-number-skipped": 1,
    "unit-in-any-case": 1,
    "notice-off-stops-numbers": 4,
    "ticket-everlasting": 2,
    "guard-lets-actions-through": 2,
    "default-second-choice": 1,
}
"""Faults that few lines show, and how many the shortest exchange found by hand has."""


def shows(fault: str, requirement: str, steps: tuple[Step, ...]) -> bool:
    """Whether these steps show that this requirement is broken."""
    return shows_on(hands_on("tarn", fault), requirement, steps)


def shows_on(tester: Hands, requirement: str, steps: tuple[Step, ...]) -> bool:
    tester.acquaint()
    tester.home()
    tester.trying = requirement
    try:
        perform(tester, steps)
    except Broken as broken:
        return broken.judgement.requirement == requirement
    except NotSelected:
        pass  # a hand that needs another one before it
    return False


@pytest.mark.parametrize("fault", FAULTS)
def test_a_case_is_about_as_short_as_by_hand(fault: str) -> None:
    assert by_hand()[fault] == FAULTS[fault]
    assert first_case(fault).sends <= FAULTS[fault] + 1


@pytest.mark.parametrize("fault", FAULTS)
def test_no_step_of_a_case_can_be_left_out(fault: str) -> None:
    case = first_case(fault)
    steps = doings(case.steps)
    assert shows(fault, case.requirement, steps)
    for index in range(len(steps)):
        fewer = steps[:index] + steps[index + 1 :]
        assert not shows(fault, case.requirement, fewer), f"{steps[index]} is not needed"


@pytest.mark.parametrize("fault", FAULTS)
def test_a_replay_shows_the_failure_with_the_fault_and_none_without(fault: str) -> None:
    case = first_case(fault)
    again = replay(hands_on("tarn", fault, seed=9), case)
    assert again is not None
    assert again.requirement == case.requirement
    assert replay(hands_on("tarn", seed=9), case) is None


def test_a_longer_way_is_shortened_on_replay() -> None:
    case = first_case("bound-dependent-ignored")
    idle = (Step(">", "ask self.uptime"), Step("wait", "1 s"), Step(">", "nonsense"))
    steps = doings(case.steps)
    longer = replace(case, steps=idle + steps[:-1] + idle * 7 + steps[-1:])
    tester = hands_on("tarn", "bound-dependent-ignored")
    shown = replay(tester, longer)
    assert shown is not None
    assert shown.sends == longer.sends
    assert shortened(tester, shown).sends == case.sends


def test_a_case_whose_steps_do_not_show_it_is_left_as_it_is() -> None:
    case = first_case("bound-dependent-ignored")
    assert shortened(hands_on("tarn"), case) is None


def test_a_case_that_rests_on_several_answers_is_shown_by_its_purpose() -> None:
    case = first_case("fan-step-back")
    assert not shows("fan-step-back", case.requirement, doings(case.steps))
    again = replay(hands_on("tarn", "fan-step-back"), replace(case, steps=()))
    assert again is not None
    assert again.requirement == case.requirement


STALLED = (
    Step("bench", "link.transmitter stalled"),
    Step("bench", "panel.control local"),
    Step(">", "@2b ask self.state"),
)


def test_what_a_stalled_transmitter_is_sent_is_answered_once_it_is_free() -> None:
    steps = (*STALLED, Step("bench", "link.transmitter free"))
    assert not shows_on(hands_on("tarn"), "wire.notice.number", steps)
    assert shows_on(hands_on("tarn", "sent-twice-after-a-stall"), "wire.notice.number", steps)


def test_steps_that_leave_the_transmitter_stalled_accuse_nobody() -> None:
    for fault in (None, "sent-twice-after-a-stall"):
        hands = hands_on("tarn", fault)
        hands.acquaint()
        hands.home()
        with pytest.raises(NotSelected, match="stalled"):
            perform(hands, STALLED)


def test_another_failure_is_named_as_what_it_is() -> None:
    case = first_case("spaces-run-together")
    case = replace(case, requirement="wire.once", purpose="wire.once", promise="x")
    again = replay(hands_on("tarn", "spaces-run-together"), case)
    assert again is not None
    assert again.requirement == "wire.syntax"
    assert again.promise not in ("", "x")


def test_steps_on_the_bench_need_a_rig() -> None:
    case = replace(first_case("spaces-run-together"), steps=(Step("bench", "source.voltage 5"),))
    vow = vow_of("tarn")
    with (
        served(build_instrument(vow)) as (port, _),
        hooked_up(vow, port) as hookup,
        pytest.raises(NotSelected),
    ):
        replay(hookup.tester, case)


# ----------------------------------------------------------------------------------------------- the command


def written(case: Case, folder: Path) -> str:
    path = folder / "one.case"
    write_case(case, path)
    return str(path)


@pytest.mark.parametrize("fault", ["ticket-everlasting", "default-second-choice"])
def test_the_failure_is_the_same_on_every_port(
    fault: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    case = first_case(fault)
    path = written(case, tmp_path)
    assert wirevow(["replay", path, f"emu://tarn?fault={fault}&seed=3"]) == 1
    in_process = capsys.readouterr().out
    with served(build_instrument(vow_of("tarn"), seed=3, fault=fault)) as (port, rig):
        assert wirevow(["replay", path, port, "--rig", rig]) == 1
    behind_a_port = capsys.readouterr().out
    for shown in (in_process, behind_a_port):
        assert f"fail: {case.requirement}\n" in shown
        assert re.sub(r"\s", "", case.promise) in re.sub(r"\s", "", shown)
    # Tickets and the seconds since boot are drawn or measured; everything else is the same.
    assert blurred(in_process) == blurred(behind_a_port)


def blurred(text: str) -> str:
    return re.sub(r"\b[0-9a-f]{4}\b|~[0-9A-F]{4}| +\n", "", text)


def test_a_good_instrument_ends_with_status_0(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case = first_case("default-second-choice")
    assert wirevow(["replay", written(case, tmp_path), "emu://tarn"]) == 0
    assert f"pass: {case.requirement} is kept now" in capsys.readouterr().out


def test_an_edited_case_is_replayed_as_edited(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = Path(written(first_case("default-second-choice"), tmp_path))
    text = path.read_text()
    head = text[: text.index("# The steps")]
    path.write_text(head + "> put sink.level 6.000 A\n")
    assert wirevow(["replay", str(path), "emu://tarn?fault=bound-high-excluded"]) == 1
    out = capsys.readouterr().out
    assert "another failure than" in out
    assert "point.sink.level.bounds" in out


def test_a_shorter_case_is_written_where_asked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case = first_case("spaces-run-together")
    padded = (Step(">", "ask self.uptime"),) * 5
    path = written(replace(case, steps=padded + case.steps), tmp_path)
    shorter = tmp_path / "shorter.case"
    port = "emu://tarn?fault=spaces-run-together"
    assert wirevow(["replay", path, port, "--shorter", str(shorter)]) == 1
    assert f"{shorter}: 1 lines sent, 6 in {path}" in capsys.readouterr().out
    assert read_case(shorter).sends == 1
    assert wirevow(["replay", str(shorter), port]) == 1


def test_what_cannot_be_tried_is_inconclusive(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case = replace(first_case("spaces-run-together"), steps=(Step("bench", "source.voltage 5"),))
    with served(build_instrument(vow_of("tarn"))) as (port, _):
        assert wirevow(["replay", written(case, tmp_path), port, "--yes"]) == 3
    assert "inconclusive: needs a rig that can bench" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"document": "tarn 1.0.0 00000000"}, r"the case is of tarn 1\.0\.0 00000000, and .*\.yaml is tarn"),
        ({"document": "nosuch 1.0.0 00000000", "written": "gone/nosuch.yaml:3"},
         r"gone/nosuch\.yaml is not there; name it with --document DOC"),
    ],
)  # fmt: skip
def test_another_document_is_an_error(
    change: dict[str, str], message: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    case = replace(first_case("spaces-run-together"), **change)  # type: ignore[arg-type]
    assert wirevow(["replay", written(case, tmp_path), "emu://tarn"]) == 2
    assert re.search(message, capsys.readouterr().err)


def test_the_document_may_be_named(tmp_path: Path) -> None:
    case = replace(first_case("spaces-run-together"), written="gone/nosuch.yaml:3")
    path = written(case, tmp_path)
    assert wirevow(["replay", path, "emu://tarn?fault=spaces-run-together", "--document", "tarn"]) == 1
    assert wirevow(["replay", path, "emu://tarn?fault=spaces-run-together", "--document", "brae"]) == 2


def test_another_instrument_is_an_error(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert wirevow(["replay", written(first_case("spaces-run-together"), tmp_path), "emu://brae"]) == 2
    assert "brae" in capsys.readouterr().err

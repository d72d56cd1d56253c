"""The audit: trials, scores, the command; and a sample of the catalogue as a trial of the checker itself."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from functools import cache
from pathlib import Path

import pytest

from wirevow.emu.audit import Score, Trial, accuses_rightly, as_json, attempt, by_kind, score, trials
from wirevow.emu.command import run as wirevow
from wirevow.emu.faults import fault_named, faults_for
from wirevow.emu.faults.catalogue import KINDS
from wirevow.protocol.conformance import campaign
from wirevow.protocol.document.load import load_document
from wirevow.protocol.vow import Vow, compile_vow

SPEC = Path(__file__).parents[2] / "spec"
SAMPLE = 24


@cache
def vow_of(name: str) -> Vow:
    folder = Path(__file__).parent if name == "cote" else SPEC
    return compile_vow(load_document(folder / f"{name}.yaml").document)


def sample() -> list[str]:
    """Faults of every kind, the same ones every time; of those that are held out, none."""
    drawn = random.Random("audit")
    tarn = vow_of("tarn")
    kinds = [[each.name for each in kind.faults if not each.holdout and each.applies(tarn)] for kind in KINDS]
    for kind in kinds:
        drawn.shuffle(kind)
    turns = [kind[turn] for turn in range(SAMPLE) for kind in kinds if turn < len(kind)]
    return turns[:SAMPLE]


@pytest.mark.parametrize("fault", sample())
def test_the_checker_detects(fault: str) -> None:
    trial = attempt(vow_of("tarn"), fault, 0)
    assert trial.detected, trial


@pytest.mark.parametrize(
    "fault",
    [
        "minus-skipped-where-unsigned",
        "range-before-rounding",
        "long-fraction-wraps",
        "choice-in-capitals",
        "trip-too-late",
        "trip-sets-defaults",
        "trip-blind-after-change",
        "clear-goes-back",
        "clear-after-stop-only",
        "stop-forgets-settings",
    ],
)
def test_the_checker_leans_on_nothing_that_only_a_large_document_has(fault: str) -> None:
    trial = attempt(vow_of("brae"), fault, 1)
    assert trial.detected, trial


@pytest.mark.parametrize(
    "fault",
    [
        "trip-too-late",
        "trip-at-once",
        "trip-delay-adds-up",
        "trip-last-is-first",
        "state-kept-over-reset",
        "state-before-type",
        "range-before-state",
        "save-once-per-boot",
        "recall-skips-unsaved",
        "uptime-rounded",
        "record-without-choices",
        "ticket-used-is-good-again",
    ],
)
def test_the_checker_leans_on_no_document_s_shape(fault: str) -> None:
    trial = attempt(vow_of("cote"), fault, 1)
    assert trial.detected, trial


@pytest.mark.parametrize(
    ("name", "seed"),
    [("tarn", 11), ("tarn", 12), ("brae", 11), ("brae", 12), ("cote", 11), ("cote", 12), ("skerry", 11)],
)
def test_the_checker_raises_no_false_alarm(name: str, seed: int) -> None:
    trial = attempt(vow_of(name), None, seed)
    assert (trial.outcome, trial.message) == ("passed", "")
    assert trial.lines > 500


@pytest.mark.parametrize(
    "fault", [fault.name for kind in KINDS if kind.name == "extras" for fault in kind.faults]
)
def test_the_checker_detects_what_only_some_documents_say(fault: str) -> None:
    trial = attempt(vow_of("skerry"), fault, 0)
    assert trial.detected, trial
    assert trial.rightly, trial


def test_a_detection_says_what_broke_and_whether_the_fault_breaks_that() -> None:
    trial = attempt(vow_of("brae"), "unit-in-any-case", 0)
    assert trial.outcome == "failure"
    assert trial.requirement == "wire.unit"
    assert trial.rightly is True
    assert "refuse unit" in trial.message
    assert trial.lines > 0


def test_another_document_s_instrument_is_turned_away() -> None:
    trial = attempt(vow_of("brae"), "identity-of-older-document", 0)
    assert (trial.outcome, trial.detected, trial.requirement) == ("turned away", True, None)


def test_a_defect_of_the_checker_is_no_detection(monkeypatch: pytest.MonkeyPatch) -> None:
    def stumble(*_: object, **__: object) -> None:
        raise ZeroDivisionError("by nothing")

    monkeypatch.setattr(campaign, "run", stumble)
    trial = attempt(vow_of("brae"), "unit-in-any-case", 0)
    assert (trial.outcome, trial.detected) == ("error", False)
    assert trial.message.startswith("ZeroDivisionError at test_audit.py:")


def test_a_fault_that_is_not_looked_for_survives(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("wirevow.protocol.conformance.campaign.purposes_for", lambda requirement: [])
    monkeypatch.setattr("wirevow.protocol.conformance.campaign.Group.batches", lambda *_: [])
    monkeypatch.setattr("wirevow.protocol.conformance.campaign.Searches.batches", lambda *_: [])
    trial = attempt(vow_of("brae"), "unit-in-any-case", 0)
    assert not trial.detected
    assert trial.requirement is None


def test_who_is_accused_rightly() -> None:
    assert fault_named("unit-in-any-case").breaks == ("wire.unit",)
    assert accuses_rightly("unit-in-any-case", "wire.unit")
    assert not accuses_rightly("unit-in-any-case", "wire.once")
    assert accuses_rightly("bound-high-excluded", "point.sink.level.bounds")


TRIALS = [
    Trial("spaces-run-together", 0, "failure", 10, 0.1, "wire.syntax", "wire.framing", True),
    Trial("unit-in-any-case", 0, "failure", 30, 0.1, "wire.once", "wire.once", False),
    Trial("identity-of-older-document", 0, "turned away", 0, 0.1),
    Trial("bound-high-excluded", 0, "passed", 900, 1.0),
    Trial("bound-low-excluded", 0, "error", 40, 1.0, message="X"),
    Trial("ticket-everlasting", 0, "inconclusive", 500, 1.0),
]


def test_the_score_counts_what_was_detected() -> None:
    assert score(TRIALS) == Score(6, 3, 1, 2, 10, 30)
    assert score([]) == Score(0, 0, 0, 0, None, None)
    assert sum(score(found).faults for found in by_kind(TRIALS).values()) == 6


def test_the_json_has_the_scores_and_the_named_trials() -> None:
    found = as_json(vow_of("tarn"), 7, Trial(None, 7, "passed", 9000, 4.0), TRIALS, TRIALS[:2], 8)
    json.dumps(found)
    assert found["audit"] == 1
    assert tuple(found["document"].items()) == tuple(
        zip(("name", "version", "digest"), vow_of("tarn").identity, strict=True)
    )
    assert found["complete"] is False
    assert found["clean"]["outcome"] == "passed"
    scores = found["scores"]
    assert scores["all"]["detected"] == 3
    assert scores["tuned"]["faults"] + scores["held_out"]["faults"] == 6
    assert scores["held_out"]["faults"] == sum(fault_named(each.fault or "").holdout for each in TRIALS)
    assert [each["fault"] for each in found["faults"]] == ["spaces-run-together", "unit-in-any-case"]
    assert found["faults"][0]["requirement"] == "wire.syntax"


def test_trials_run_in_other_processes() -> None:
    tasks: list[tuple[str | None, int]] = [("unit-in-any-case", 3), ("identity-of-older-document", 4)]
    results = {(each.fault, each.seed): each for each in trials(SPEC / "brae.yaml", tasks, jobs=2)}
    assert set(results) == set(tasks)
    here = attempt(vow_of("brae"), "unit-in-any-case", 3)
    there = results["unit-in-any-case", 3]
    assert (here.lines, here.requirement, here.message) == (there.lines, there.requirement, there.message)


# ----------------------------------------------------------------------------------------------- the command


@pytest.fixture
def few(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The audit knows only a few faults, two of them held out."""
    faults = faults_for(vow_of("brae"))
    some = [[each for each in faults if each.holdout is held_out][:2] for held_out in (False, True)]
    monkeypatch.setattr("wirevow.emu.faults.faults_for", lambda vow: (*some[0], *some[1]))
    return [each.name for each in (*some[0], *some[1])]


def test_the_command_keeps_the_held_out_unseen(
    few: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "audit.json"
    assert wirevow(["audit", "brae", "--faults", "--json", str(file)]) == 0
    out = capsys.readouterr().out
    assert out.startswith("good instrument: passed after ")
    found = json.loads(file.read_text())
    assert found["complete"] is True
    assert [each["fault"] for each in found["faults"]] == few[:2]
    assert found["scores"]["held_out"]["detected"] == 2
    assert not [name for name in few[2:] if name in out + file.read_text()]


def test_the_held_out_are_named_when_asked_for(few: list[str], tmp_path: Path) -> None:
    file = tmp_path / "audit.json"
    assert wirevow(["audit", "brae", "--faults", "--holdout", "--json", str(file)]) == 0
    found = json.loads(file.read_text())
    assert [each["fault"] for each in found["faults"]] == few[2:]
    assert found["scores"]["tuned"]["faults"] == 0


def survivors_of(holdout: bool) -> list[Trial]:
    fault = next(each for each in faults_for(vow_of("brae")) if each.holdout is holdout)
    return [Trial(fault.name, 0, "passed", 1000, 1.0)]


@pytest.mark.parametrize("holdout", [False, True])
def test_a_survivor_is_status_1_and_named_unless_held_out(
    holdout: bool, few: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    survivors = survivors_of(holdout)

    def made(*_: object, **__: object) -> object:
        yield from survivors

    monkeypatch.setattr("wirevow.emu.audit.trials", made)
    assert wirevow(["audit", "brae", "--faults"]) == 1
    out = capsys.readouterr().out
    assert "not detected:" in out
    assert (survivors[0].fault in out) is not holdout  # type: ignore[operator]
    assert ("  1 of those held out" in out) is holdout


def test_a_false_alarm_is_status_1(few: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    alarm = Trial(None, 0, "failure", 10, 0.1, "wire.once", "wire.once", None, "expected x, seen y")
    monkeypatch.setattr("wirevow.emu.audit.attempt", lambda *_: alarm)
    monkeypatch.setattr("wirevow.emu.audit.trials", lambda *_, **__: (each for each in ()))
    assert wirevow(["audit", "brae", "--faults"]) == 1


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["audit", "nosuch"], "there is no ready document 'nosuch'"),
        (["audit", "brae", "--faults", "--seed", "-1"], "-1 is not in the range"),
        (["audit", "brae", "--faults", "--json", "/nowhere/at/all.json"], "No such file or directory"),
    ],
)
def test_bad_usage_is_status_2(
    arguments: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert wirevow(arguments) == 2
    assert message in capsys.readouterr().err


@pytest.mark.skipif(os.name != "posix", reason="signals as on POSIX")
def test_an_interrupt_ends_it_with_what_there_is(tmp_path: Path) -> None:
    file = tmp_path / "audit.json"
    code = "from wirevow.emu.command import main; main()"
    command = [sys.executable, "-c", code, "audit", "brae", "--faults", "--json", str(file)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline().startswith("good instrument")
        time.sleep(2)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "wirevow: ended after" in err
    assert "Traceback" not in err
    found = json.loads(file.read_text())
    assert found["complete"] is False
    assert found["scores"]["all"]["faults"] < len(faults_for(vow_of("brae")))
    assert "accused rightly" in out

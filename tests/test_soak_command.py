"""`wirevow check --for`: checks with fresh seeds until a time is over, and what they come to."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from tests.protocol.conformance.instruments import hands_on
from tests.stand_in import Tarn, plugged_in, read_once
from wirevow.emu import checking
from wirevow.emu.command import run as wirevow
from wirevow.emu.commands.files import write_cases
from wirevow.emu.loading import load
from wirevow.emu.soak import Task, rounds, seeded
from wirevow.protocol.conformance.hookup import hooked_up
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.purposes.saving import Cuts
from wirevow.protocol.conformance.search.actions import Cut, Doer

FAULTY = ["check", "brae", "emu://brae?fault=unit-in-any-case", "--only", "wire.unit"]
PATIENCE_S = 30.0


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.chdir(tmp_path)
    with read_once():
        yield


def test_failures_are_grouped_by_cause_kept_and_gone_on_from(capfd: pytest.CaptureFixture[str]) -> None:
    once = [*FAULTY, "--for", "1s", "--keep", "kept.jsonl", "--json", "soak.json"]
    assert wirevow(once) == 1
    told = capfd.readouterr().out
    first = json.loads(Path("soak.json").read_text())
    assert first["verdict"] == "fail"
    seeds = [failure["seed"] for cause in first["causes"] for failure in cause["failures"]]
    assert seeds[0] == 0
    assert len(first["causes"]) <= 2 <= len(seeds)
    assert told.splitlines()[-1].startswith("fail: brae ")
    case = next(Path("cases").iterdir())
    assert str(case) in told
    assert wirevow(["replay", str(case), FAULTY[2]]) == 1
    assert wirevow(once) == 1
    again = json.loads(Path("soak.json").read_text())
    assert again["lines"] > first["lines"]
    assert [each["cause"] for each in again["causes"]][: len(first["causes"])] == [
        each["cause"] for each in first["causes"]
    ]
    later = [failure["seed"] for cause in again["causes"] for failure in cause["failures"]]
    assert max(later) > max(seeds)
    capfd.readouterr()
    assert wirevow(["check", "tarn", "emu://tarn", "--for", "1s", "--keep", "kept.jsonl"]) == 2
    assert "name another file" in capfd.readouterr().err


def test_it_ends_with_the_first_check_that_fails_where_that_is_wanted() -> None:
    assert wirevow([*FAULTY, "--for", "1h", "--until-failure", "--json", "soak.json"]) == 1
    assert json.loads(Path("soak.json").read_text())["checks"] == {"fail": 1}


def test_interrupted_it_tells_what_was_found_and_goes_on_from_there() -> None:
    words = [sys.executable, "-m", "wirevow", *FAULTY, "--for", "1h", "--keep", "kept.jsonl"]
    around = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[1])}
    soak = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=around)
    by = time.monotonic() + PATIENCE_S
    while not (Path("kept.jsonl").is_file() and len(Path("kept.jsonl").read_text().splitlines()) > 2):
        assert time.monotonic() < by
        time.sleep(0.05)
    soak.send_signal(signal.SIGINT)
    told, _ = soak.communicate(timeout=PATIENCE_S)
    assert soak.returncode == 130
    assert b"fail: brae " in told
    assert len(Path("kept.jsonl").read_text().splitlines()) > 2


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--for", "8"], "such as 8h"),
        (["--for", "0s"], "such as 8h"),
        (["--keep", "kept.jsonl"], "add --for"),
        (["--for", "8h", "--budget", "9"], "leave the rest out"),
        (["--for", "8h", "--html", "page.html"], "leave the rest out"),
    ],
)
def test_what_does_not_go_together_is_said(
    words: list[str], message: str, capfd: pytest.CaptureFixture[str]
) -> None:
    assert wirevow(["check", "brae", "emu://brae", *words]) == 2
    assert message in capfd.readouterr().err


def test_no_file_takes_the_place_of_another(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    words = ["check", "tarn", "emu://tarn?firmware=chip", "--for", "1s", "--json", "one", "--coverage", "one"]
    assert wirevow(words) == 2
    assert "--coverage one: that is the file of --json already" in capfd.readouterr().err
    written = write_cases(tmp_path, [("first", "tarn-0-wire.tag", "a"), ("second", "tarn-0-wire.tag", "b")])
    assert [Path(written[key]).read_text() for key in ("first", "second")] == ["a", "b"]


def test_the_instrument_has_a_fresh_seed_as_well() -> None:
    assert seeded("emu://tarn?bench=lithium-pack&seed=4", 3) == "emu://tarn?bench=lithium-pack&seed=7"
    assert seeded("emu://./mine.yaml", 3) == "emu://./mine.yaml?seed=3"
    assert seeded("emu://tarn?firmware=chip", 3, True) == "emu://tarn?firmware=chip&seed=3&coverage=yes"
    assert seeded("/dev/ttyUSB0", 3) == "/dev/ttyUSB0"


# --------------------------------------------------------------------------------------- a real instrument


def test_before_a_real_one_is_changed_a_person_reads_how_long_and_how_often(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    device = Tarn()
    with plugged_in(device, tmp_path) as port:
        words = ["check", "tarn", port, "--only", "wire.tag", "--for", "8h", "--allow", "store=20"]
        assert wirevow(words) == 2
        assert not any(line.startswith(b"put") for line in device.lines)
        said = " ".join(capfd.readouterr().err.split())
        assert "one check after the other for 8.0 h, about" in said
        assert "saves, at most 20 times" in said
        assert "nobody is there to agree to this" in said
        words = ["check", "tarn", port, "--only", "wire.tag", "--for", "0.1s", "--yes", "--json", "soak.json"]
        assert wirevow(words) == 0
    assert json.loads(Path("soak.json").read_text())["passed"] == ["wire.tag"]


def test_what_was_allowed_is_for_all_checks_together(monkeypatch: pytest.MonkeyPatch) -> None:
    allowed: list[tuple[str, ...]] = []

    def checked(*_: Any, allow: tuple[str, ...], agree: Any, **__: Any) -> Any:
        allowed.append(allow)
        agree()
        report = SimpleNamespace(
            failures=[], findings={}, verdict=SimpleNamespace(name="PASS"), note="", lines=1, seconds=1.0,
            visited=set(),
        )  # fmt: skip
        return SimpleNamespace(report=report, used={"store": 3, "boot": 1}, trouble=None)

    monkeypatch.setattr(checking, "run", checked)
    asked: list[bool] = []
    task = Task("brae", "/dev/ttyUSB0", 0, allow=("store=7", "boot"))
    for one in rounds(task, iter(range(4)), 3600.0, agree=lambda: asked.append(True)):
        assert one.verdict == "pass"
    assert allowed == [
        ("store=7", "boot"),
        ("store=4", "boot=199"),
        ("store=1", "boot=198"),
        ("boot=197",),
    ]
    assert asked == [True]


# ------------------------------------------------------------------------------------- a cut inside a save


def test_the_supply_of_firmware_goes_inside_a_save() -> None:
    vow = load("tarn")
    with hooked_up(vow, "emu://tarn?firmware=host") as hookup:
        hookup.tester.acquaint()
        hookup.tester.home()
        saves = Cuts.begun(hookup.tester, "promise.saves_are_whole")
        assert [saves.cut(0, steps) for steps in (0, 5, 5000)] == [False, False, True]
        saves.end()


def test_a_cut_of_the_supply_shows_a_save_that_is_torn_and_accuses_no_whole_one() -> None:
    good = hands_on("tarn")
    good.acquaint()
    for after_ns in (0, 20_000, 2_000_000):
        Doer(good).do(Cut(after_ns))
    assert not any(entry.default != good.setting(entry.name) for entry in good.vow.settings if entry.saved)
    torn = hands_on("tarn", "save-torn")
    torn.acquaint()
    with pytest.raises(Broken) as broken:
        Doer(torn).do(Cut(0))
    assert broken.value.judgement.requirement == "promise.saves_are_whole"

"""What checks have reached of firmware's C: on the chip by what it executes, here by gcc's counts."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest

from wirevow.emu.command import run as wirevow
from wirevow.emu.firmware.build import PACKAGES, build_elf, demo_vow, have_simulator
from wirevow.emu.firmware.coverage import Coverage, covered_chip
from wirevow.emu.firmware.run import run_firmware
from wirevow.emu.kept import Kept
from wirevow.emu.soak import Soak


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def needs_avr() -> None:
    if shutil.which("avr-gcc") is None or not have_simulator():
        pytest.skip(f"needs: apt-get install {PACKAGES['avr-gcc']} {PACKAGES['simavr']}")


def reached(found: Coverage, file: str) -> set[int]:
    """Lines of a file."""
    (counts,) = [counts for name, counts in found.lines.items() if name.endswith(f"/{file}")]
    return {int(line) for line, count in counts.items() if count}


@pytest.mark.parametrize("how", ["host", "chip"])
def test_a_line_is_reached_when_what_is_written_there_is_done(how: str) -> None:
    if how == "chip":
        needs_avr()
    box = run_firmware(demo_vow(), how, None, 0, covered=True)
    box.receive(b"ask self.vow\n", box.now_ns + 1)
    before = box.coverage()
    box.receive(b"act settings.save\n", box.now_ns + 10_000_000)
    box.advance(box.now_ns + 50_000_000)
    after = box.coverage()
    new = reached(after, "app.c") - reached(before, "app.c")
    assert new
    assert set(before.lines) == set(after.lines)
    assert any(name.startswith("core/") for name in after.lines)
    assert {name: set(lines) for name, lines in before.lines.items()} == {
        name: set(lines) for name, lines in after.lines.items()
    }
    ways = [way for counts in after.branches.values() for way in counts.values()]
    assert {None, 0, 1} <= set(ways)


def test_who_is_watched_says_the_same(tmp_path: Path) -> None:
    needs_avr()
    said = []
    for covered in (False, True):
        box = run_firmware(demo_vow(), "chip", None, 3, covered)
        box.advance(20_000_000)
        box.receive(b"@1 ask sink.*\nput sink.level 1.000 A\n", box.now_ns)
        box.advance(box.now_ns + 100_000_000)
        said.append((box.take(), box.now_ns))
    assert said[0] == said[1]
    assert b"ok" in said[0][0]


def test_a_program_without_lines_is_an_error(tmp_path: Path) -> None:
    needs_avr()
    elf = build_elf(demo_vow(), tmp_path)
    with pytest.raises(Exception, match="compile it with -gdwarf-4"):
        covered_chip(elf.read_bytes(), "firmware.elf", bytes(1 << 17))


def test_the_counts_of_checks_come_together_and_are_written_as_lcov_reads_them() -> None:
    found = Coverage({"a.c": {"3": 1, "7": 0}}, {"a.c": {"3,0,0": 1, "3,0,1": 0, "7,0,0": None}})
    found.add(Coverage({"a.c": {"3": 1, "7": 1}}, {"a.c": {"3,0,0": 1, "3,0,1": 0, "7,0,0": 0}}))
    assert found.tracefile().splitlines() == [
        "TN:",
        "SF:a.c",
        "BRDA:3,0,0,2",
        "BRDA:3,0,1,0",
        "BRDA:7,0,0,0",
        "BRF:3",
        "BRH:1",
        "DA:3,2",
        "DA:7,1",
        "LF:2",
        "LH:2",
        "end_of_record",
    ]


def test_a_soak_writes_it_and_goes_on_from_it(capfd: pytest.CaptureFixture[str]) -> None:
    words = ["check", "tarn", "emu://tarn?firmware=host", "--only", "wire.tag", "--for", "0.1s"]
    assert wirevow([*words, "--keep", "kept.jsonl", "--coverage", "lines.info"]) == 0
    assert re.search(r"lines.info: \d+ of \d+ lines of its C reached", capfd.readouterr().out)
    text = Path("lines.info").read_text()
    head, *rows = map(json.loads, Path("kept.jsonl").read_text().splitlines())
    checks = len({key for key, _ in rows} - {"covered"})
    assert max(int(count) for count in re.findall(r"^DA:\d+,(\d+)$", text, re.MULTILINE)) == checks
    assert Soak(Kept(Path("kept.jsonl"), anew=False, **head)).coverage.tracefile() == text
    assert wirevow(["check", "tarn", "emu://tarn", "--for", "1s", "--coverage", "lines.info"]) == 2
    assert "firmware" in capfd.readouterr().err

"""The continuous integration of a firmware's repository (`spec/ci.md`): the example runs as it stands."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from junitparser import JUnitXml

from wirevow.emu import command
from wirevow.emu.firmware.build import HERE, PACKAGES, have_simulator
from wirevow.emu.ports.address import find

ROOT = Path(__file__).parent.parent
SCOPE = ("--only", "wire.syntax", "--only", "action.sink.arm.effect")
GIT = ("git", "-c", "user.name=A", "-c", "user.email=a@example.org")
TARN = find("tarn").read_text(encoding="utf-8")
QUICKER = ("reply_deadline: 50 ms", "reply_deadline: 40 ms")
LATER = ("when: input.power > limit.power * 1.1 + 2", "when: input.power > limit.power * 1.2 + 2")


@pytest.fixture(scope="module")
def tagged(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A repository as the page lays it out, with a first version."""
    if shutil.which("gcc") is None:
        pytest.skip(f"apt-get install {PACKAGES['gcc']}")
    folder = tmp_path_factory.mktemp("repository") / "load"
    shutil.copytree(HERE / "tarn", folder / "src")
    (folder / "board").mkdir()
    shutil.copy(HERE / "avr" / "board.c", folder / "board")
    shutil.copy(ROOT / "tests" / "examples" / "firmware" / "ci", folder)
    (folder / "vow.yaml").write_text(TARN, encoding="utf-8")
    (folder / "wirevow").write_text(
        f'#!/bin/sh\nexec "{sys.executable}" -c "from wirevow.emu.command import main; main()" "$@"\n'
    )
    (folder / "wirevow").chmod(0o755)
    subprocess.run([*GIT, "init", "-q"], cwd=folder, check=True)
    subprocess.run([*GIT, "add", "."], cwd=folder, check=True)
    subprocess.run([*GIT, "commit", "-qm", "Keep the vow"], cwd=folder, check=True)
    subprocess.run([*GIT, "tag", "v1.0.0"], cwd=folder, check=True)
    return folder


def run(folder: Path, *scope: str) -> subprocess.CompletedProcess[str]:
    paths = {"PATH": f"{folder}:{os.environ['PATH']}", "PYTHONPATH": str(ROOT)}
    return subprocess.run(
        ["./ci", *scope], cwd=folder, env={**os.environ, **paths}, capture_output=True, text=True, timeout=300
    )


def changed(folder: Path, version: str, *edits: tuple[str, str]) -> None:
    text = TARN.replace("version: 1.0.0", f"version: {version}", 1)
    for old, new in edits:
        assert old in text
        text = text.replace(old, new, 1)
    (folder / "vow.yaml").write_text(text, encoding="utf-8")


def test_firmware_that_keeps_its_document_passes_on_the_host_and_on_the_chip(tagged: Path) -> None:
    if shutil.which("avr-gcc") is None or not have_simulator():
        pytest.skip(f"apt-get install {PACKAGES['avr-gcc']} {PACKAGES['simavr']}")
    changed(tagged, "1.0.1", QUICKER)
    done = run(tagged, *SCOPE)
    assert done.returncode == 0, done.stdout + done.stderr
    for name in ("host", "chip"):
        reports = tagged / "build" / "reports" / name
        assert JUnitXml.fromfile(str(reports / "junit.xml")).failures == 0
        assert "</html>" in (reports / "report.html").read_text(encoding="utf-8")
        assert f"{name}: pass: tarn 1.0.1" in done.stdout
    assert "1.0.0 to 1.0.1 is right" in done.stdout
    assert "</html>" in (tagged / "build" / "reports" / "changes.html").read_text(encoding="utf-8")


def test_a_version_that_is_too_small_ends_it_before_anything_is_built(tagged: Path) -> None:
    changed(tagged, "1.1.0", LATER)
    done = run(tagged, *SCOPE)
    assert done.returncode == 1, done.stdout + done.stderr
    assert "1.0.0 to 1.1.0 is too small" in done.stderr
    assert "bench: later: trip.overpower.fires" in done.stdout
    assert "The core" not in done.stdout


def test_a_slip_in_a_folder_of_c_is_found(
    tagged: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """The document and its core have another name than the reference firmware's."""
    monkeypatch.chdir(tmp_path)
    Path("vow.yaml").write_text(TARN.replace("name: tarn", "name: mere", 1), encoding="utf-8")
    Path("src").mkdir()
    for source in (tagged / "src").iterdir():
        text = source.read_text(encoding="utf-8").replace("tarn_", "mere_").replace("TARN_", "MERE_")
        slip = text.replace("return readings.voltage;", "return readings.voltage + 500;")
        Path("src", source.name).write_text(slip, encoding="utf-8")
    port = "emu://vow.yaml?firmware=src"
    assert command.run(["check", "vow.yaml", port, "--only", "point.input.voltage.*"]) == 1
    assert "Failure 1 of" in capfd.readouterr().out
    assert list(Path("cases").glob("mere-0-point.input.voltage.*.case"))
    for wrong, remedy in (("nowhere", "an .elf file, or the folder"), (".", "there is no .c file")):
        assert command.run(["check", "vow.yaml", f"emu://vow.yaml?firmware={wrong}"]) == 2
        assert remedy in capfd.readouterr().err
    assert command.run(["check", "vow.yaml", f"{port}&fault=deaf"]) == 2
    assert "leave one out" in capfd.readouterr().err

"""Firmware with a syntax of its own: its faults are found, and nothing is accused that it only lacks."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.dialect import chip
from tests.dialect.box import FAULTS, Box, build, checked, phrasebook
from tests.dialect.generated import generated
from wirevow.emu.firmware.build import PACKAGES, build_rig, have_simulator
from wirevow.emu.loading import load
from wirevow.emu.speaking import speaking
from wirevow.protocol.conformance.verdict import Verdict
from wirevow.protocol.dialect.narrow import left_out


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if shutil.which("gcc") is None:
        pytest.skip(f"apt-get install {PACKAGES['gcc']}")
    return tmp_path_factory.mktemp("sluice")


def test_as_it_is_it_passes_and_what_it_lacks_is_not_selected(folder: Path) -> None:
    book = phrasebook()
    report = checked(Box(build(folder)), book)
    assert (report.verdict, report.failures, report.note) == (Verdict.PASS, [], "")
    lacking = left_out(book)
    assert {"wire.tag", "wire.check", "wire.ticket", "wire.notice.number", "wire.identity"} <= lacking.keys()
    assert {report.findings[name].verdict for name in lacking} == {Verdict.NONE}
    passed = [name for name, finding in report.findings.items() if finding.verdict is Verdict.PASS]
    assert len(passed) >= 68
    assert {"trip.dry.delay", "wire.atomic", "wire.boot", "point.pump.soak.quantum"} <= set(passed)


@pytest.mark.parametrize("fault", FAULTS, ids=FAULTS.get)
def test_every_fault_is_found(folder: Path, fault: int) -> None:
    report = checked(Box(build(folder, fault)), phrasebook(), until_failure=True)
    assert report.verdict is Verdict.FAIL
    assert report.failures[0].requirement not in left_out(phrasebook())


def test_on_a_chip_it_is_the_same_firmware(folder: Path) -> None:
    """The whole check, and each fault, is part of the campaign (tests/campaign)."""
    if shutil.which("avr-gcc") is None or not have_simulator():
        pytest.skip(f"apt-get install {PACKAGES['avr-gcc']} {PACKAGES['simavr']}")
    rig, book = build_rig(folder), phrasebook()
    tried = ("point.pump.*", "point.tank.*", "trip.dry.fires", "action.store.*", "wire.boot")
    report = checked(chip.ChipBox(rig, chip.build(folder)), book, *tried)
    assert (report.verdict, report.failures, report.note) == (Verdict.PASS, [], "")
    report = checked(chip.ChipBox(rig, chip.build(folder, 3)), book, "point.pump.dose.*", until_failure=True)
    assert [each.requirement for each in report.failures] == ["point.pump.dose.bounds"]


@pytest.mark.parametrize(("name", "least"), [("brae", False), ("skerry", True)])
def test_a_dialect_of_any_document_accuses_no_good_firmware(name: str, least: bool, tmp_path: Path) -> None:
    book = generated(load(name), tmp_path, least=least)
    report = checked(speaking(book), book, until_failure=True)
    assert (report.verdict, report.failures) == (Verdict.PASS, [])


def test_the_simulated_instrument_speaks_what_the_adapter_reads() -> None:
    book = phrasebook()
    report = checked(speaking(book), book, until_failure=True)
    assert (report.verdict, report.failures) == (Verdict.PASS, [])

"""Firmware with a syntax of its own: its faults are found, and nothing is accused that it only lacks."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.dialect.box import Box, build, checked, phrasebook
from tests.dialect.generated import generated
from wirevow.emu.firmware.build import PACKAGES
from wirevow.emu.loading import load
from wirevow.emu.speaking import speaking
from wirevow.protocol.conformance.verdict import Verdict
from wirevow.protocol.dialect.narrow import left_out

FAULTS = {
    1: "a rate that it answers is not kept",
    2: "a rate above the ceiling is taken",
    3: "the largest dose is refused",
    4: "the direction can be changed while it turns",
    5: "the dose is not kept",
    6: "a fault can be cleared while its cause is there",
    7: "a stop does nothing while it is primed",
    8: "its seconds are half as long after a while",
    9: "it stays primed for two seconds more",
    10: "an empty tank stops it too early",
    11: "a hot motor stops it too late",
}


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


@pytest.mark.parametrize(("name", "least"), [("brae", False), ("skerry", True)])
def test_a_dialect_of_any_document_accuses_no_good_firmware(name: str, least: bool, tmp_path: Path) -> None:
    book = generated(load(name), tmp_path, least=least)
    report = checked(speaking(book), book, until_failure=True)
    assert (report.verdict, report.failures) == (Verdict.PASS, [])


def test_the_simulated_instrument_speaks_what_the_adapter_reads() -> None:
    book = phrasebook()
    report = checked(speaking(book), book, until_failure=True)
    assert (report.verdict, report.failures) == (Verdict.PASS, [])

"""The checker against the reference firmware: the document, options and hands that the simulated box gets.

The firmware in a process is checked for all but the promises whose purposes let hours pass, which are
about heat; `make campaign` checks it as a whole. The chip, some hundred times slower, is checked where little
time passes.
"""

from __future__ import annotations

import shutil
from collections import Counter
from pathlib import Path

import pytest

from wirevow.emu.direct import direct_tester
from wirevow.emu.faults import build_instrument
from wirevow.emu.firmware.board import FirmwareInstrument
from wirevow.emu.firmware.build import PACKAGES, build_elf, build_library, build_rig, demo_vow, have_simulator
from wirevow.emu.firmware.chip import ChipInstrument
from wirevow.protocol.conformance import campaign
from wirevow.protocol.conformance.campaign import Finding, Report
from wirevow.protocol.conformance.selection import selected
from wirevow.protocol.conformance.verdict import Verdict
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.vow import Vow

LITTLE_NS = 20 * NS_PER_S
"""So much of the chip's time takes it a second or less."""
HOUR_NS = 3600 * NS_PER_S
SHARED = ("point.*.default", "trip.overheat.*")
"""What one of these is tried with shows the others too, and takes minutes to an hour: heat has to go."""


@pytest.fixture(scope="module")
def tarn() -> Vow:
    return demo_vow()


@pytest.fixture(scope="module")
def chip(tarn: Vow, tmp_path_factory: pytest.TempPathFactory) -> ChipInstrument:
    if shutil.which("avr-gcc") is None or not have_simulator():
        pytest.skip(f"apt-get install {PACKAGES['avr-gcc']} {PACKAGES['simavr']}")
    folder = tmp_path_factory.mktemp("chip")
    return ChipInstrument(tarn, build_rig(folder), build_elf(tarn, folder))


@pytest.fixture(scope="module")
def lasting(tarn: Vow) -> Counter[str]:
    """How long, in ns, what each requirement is tried with takes, of an instrument that is simulated fast."""
    tester = direct_tester(tarn, build_instrument(tarn))
    lasted_ns: Counter[str] = Counter()
    at_work, begun_ns = "", 0

    def progress(_done: int, _all: int, finding: Finding) -> None:
        nonlocal at_work, begun_ns
        lasted_ns[at_work] += tester.now_ns - begun_ns
        at_work, begun_ns = finding.requirement.id, tester.now_ns

    report = campaign.run(tester, reduce=False, progress=progress)
    return Counter({name: lasted_ns[name] for name in report.findings})


def wrong(report: Report) -> list[str]:
    """What a check has found, and what it could not judge."""
    doubtful = [
        f"{name}: {finding.reason}"
        for name, finding in report.findings.items()
        if finding.verdict is Verdict.INCONCLUSIVE
    ]
    return [f"{each.requirement}\n{each.case.text()}" for each in report.failures] + doubtful


def test_the_firmware_in_a_process_keeps_the_document(
    tarn: Vow, lasting: Counter[str], tmp_path: Path
) -> None:
    if shutil.which("gcc") is None:
        pytest.skip("gcc is not installed: apt-get install gcc")
    tester = direct_tester(tarn, FirmwareInstrument(tarn, build_library(tarn, tmp_path)))
    report = campaign.run(
        tester, reduce=False, only={name for name, lasted_ns in lasting.items() if lasted_ns < HOUR_NS}
    )
    assert wrong(report) == []
    assert report.note == ""
    assert sum(each.verdict is Verdict.PASS for each in report.findings.values()) > 430


def test_the_firmware_on_a_chip_keeps_what_is_soon_tried(
    tarn: Vow, lasting: Counter[str], chip: ChipInstrument
) -> None:
    soon = {name for name, lasted_ns in lasting.items() if lasted_ns <= LITTLE_NS}
    report = campaign.run(direct_tester(tarn, chip), reduce=False, only=soon - selected(sorted(soon), SHARED))
    assert wrong(report) == []
    assert report.note == ""
    assert sum(each.verdict is Verdict.PASS for each in report.findings.values()) > 400

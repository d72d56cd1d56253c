"""The checker against the reference firmware: the document, options and hands that the simulated box gets.

The firmware in a process is checked as a whole. The chip, some hundred times slower, is checked for every
promise whose purposes let little time pass; what they leave out is mostly about heat.
"""

from __future__ import annotations

import shutil
from collections import Counter
from typing import NamedTuple

import pytest

from wirevow.emu.direct import direct_tester
from wirevow.emu.firmware.board import FirmwareInstrument
from wirevow.emu.firmware.build import PACKAGES, build_elf, build_library, build_rig, demo_vow, have_simulator
from wirevow.emu.firmware.chip import ChipInstrument
from wirevow.protocol.conformance import campaign
from wirevow.protocol.conformance.campaign import Finding, Report
from wirevow.protocol.conformance.verdict import Verdict
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.vow import Vow

LITTLE_NS = 20 * NS_PER_S
"""So much of the chip's time takes it a second or less."""


class Whole(NamedTuple):
    """A check of the firmware in a process."""

    report: Report
    lasted_ns: Counter[str]
    """How much time each requirement's purposes let pass."""


@pytest.fixture(scope="module")
def tarn() -> Vow:
    return demo_vow()


@pytest.fixture(scope="module")
def whole(tarn: Vow, tmp_path_factory: pytest.TempPathFactory) -> Whole:
    if shutil.which("gcc") is None:
        pytest.skip("gcc is not installed: apt-get install gcc")
    library = build_library(tarn, tmp_path_factory.mktemp("host"))
    tester = direct_tester(tarn, FirmwareInstrument(tarn, library))
    lasted_ns: Counter[str] = Counter()
    at_work, begun_ns = "", 0

    def progress(_done: int, _all: int, finding: Finding) -> None:
        nonlocal at_work, begun_ns
        lasted_ns[at_work] += tester.now_ns - begun_ns
        at_work, begun_ns = finding.requirement.id, tester.now_ns

    return Whole(campaign.run(tester, reduce=False, progress=progress), lasted_ns)


@pytest.fixture(scope="module")
def chip(tarn: Vow, tmp_path_factory: pytest.TempPathFactory) -> ChipInstrument:
    if shutil.which("avr-gcc") is None or not have_simulator():
        pytest.skip(f"apt-get install {PACKAGES['avr-gcc']} {PACKAGES['simavr']}")
    folder = tmp_path_factory.mktemp("chip")
    return ChipInstrument(tarn, build_rig(folder), build_elf(tarn, folder))


def wrong(report: Report) -> list[str]:
    """What a check has found, and what it could not judge."""
    doubtful = [
        f"{name}: {finding.reason}"
        for name, finding in report.findings.items()
        if finding.verdict is Verdict.INCONCLUSIVE
    ]
    return [f"{each.requirement}\n{each.case.text()}" for each in report.failures] + doubtful


def test_the_firmware_in_a_process_keeps_the_document(whole: Whole) -> None:
    assert wrong(whole.report) == []
    assert whole.report.note == ""
    assert sum(each.verdict is Verdict.PASS for each in whole.report.findings.values()) > 450


def test_the_firmware_on_a_chip_keeps_what_is_soon_tried(
    tarn: Vow, whole: Whole, chip: ChipInstrument
) -> None:
    tester = direct_tester(tarn, chip)
    report = campaign.blank(tester)
    report.findings = {
        name: finding for name, finding in report.findings.items() if whole.lasted_ns[name] <= LITTLE_NS
    }
    campaign.run(tester, reduce=False, report=report)
    assert wrong(report) == []
    assert report.note == ""
    assert sum(each.verdict is Verdict.PASS for each in report.findings.values()) > 400

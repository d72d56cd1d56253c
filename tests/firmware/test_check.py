"""The checker against the reference firmware: the document, options and hands that the simulated box gets.

The whole check takes minutes here; this is as much of it as a suite has time for. It goes breadth first, so
that most of what a change of the firmware breaks shows within it.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from emu.direct import direct_tester
from emu.firmware.board import FirmwareInstrument
from emu.firmware.build import PACKAGES, build_elf, build_library, build_rig, demo_vow, have_simulator
from emu.firmware.chip import ChipInstrument
from protocol.conformance import campaign
from protocol.conformance.purposes import purposes_for
from protocol.conformance.verdict import Verdict
from protocol.vow import Vow


@pytest.fixture(scope="module")
def tarn() -> Vow:
    return demo_vow()


def host(tarn: Vow, folder: Path) -> FirmwareInstrument:
    if shutil.which("gcc") is None:
        pytest.skip("gcc is not installed: apt-get install gcc")
    return FirmwareInstrument(tarn, build_library(tarn, folder))


@pytest.fixture(scope="module")
def tools(tarn: Vow, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The simulated chip and its program."""
    if shutil.which("avr-gcc") is None or not have_simulator():
        pytest.skip(f"apt-get install {PACKAGES['avr-gcc']} {PACKAGES['simavr']}")
    folder = tmp_path_factory.mktemp("chip")
    return build_rig(folder), build_elf(tarn, folder)


def test_the_firmware_in_a_process_keeps_the_document(tarn: Vow, tmp_path: Path) -> None:
    tester = direct_tester(tarn, host(tarn, tmp_path), budget=500)
    report = campaign.run(tester, source="spec/tarn.yaml", reduce=False)
    assert [f"{failure.requirement}\n{failure.case.text()}" for failure in report.failures] == []
    assert sum(each.verdict is Verdict.PASS for each in report.findings.values()) > 100


@pytest.mark.parametrize(
    "name",
    [
        "wire.framing",
        "wire.check",
        "wire.boot",
        "point.sense.drop.fresh",
        "point.limit.current.saved",
        "action.sink.start.ticket",
        "trip.overvoltage.fires",
        "trip.overvoltage.delay",
        "law.current_follows_level",
        "record.capture.layout",
    ],
)
def test_the_firmware_on_a_chip_keeps(name: str, tarn: Vow, tools: tuple[Path, Path]) -> None:
    """What needs little of the chip's time, of every kind."""
    tester = direct_tester(tarn, ChipInstrument(tarn, *tools))
    tester.acquaint()
    requirement = campaign.blank(tester).findings[name].requirement
    first = min(purposes_for(requirement), key=lambda each: each.rank)
    first.work(tester, requirement)
    tester.quiet()

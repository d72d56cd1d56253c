"""The converters in compiled code against the plant's own, which they repeat to the last bit."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from wirevow.emu.bench import Bench
from wirevow.emu.firmware.board import MILLISECOND_NS, SLOW_MS, FirmwareInstrument
from wirevow.emu.firmware.build import build_library, demo_vow
from wirevow.emu.firmware.converters import CHANNELS
from wirevow.emu.plant.sink_section import SinkPlant, SteinhartHartLaw
from wirevow.emu.ports.address import find
from wirevow.protocol.document.load import load_yaml_model
from wirevow.protocol.vow import compile_vow


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if shutil.which("gcc") is None:
        pytest.skip("gcc is not installed: apt-get install gcc")
    return build_library(demo_vow(), tmp_path_factory.mktemp("converters"))


def drawing(library: Path, bench: Bench | None) -> FirmwareInstrument:
    """A box that draws current."""
    box = FirmwareInstrument(demo_vow(), library, bench, 7)
    for line in ("put sink.level 1.500 A", "put link.patience 60.0 s", "act sink.arm"):
        box.receive(line.encode() + b"\n", box.now_ns)
    ticket = box.take().split()[-1]
    box.receive(b"act sink.start " + ticket + b"\n", box.now_ns)
    assert b"refuse" not in box.take()
    return box


@pytest.mark.parametrize("bench", [None, "lithium-pack", "thin-leads"])
def test_codes_are_those_of_the_plant(library: Path, bench: str | None) -> None:
    wired = load_yaml_model(find(bench, "bench"), Bench).document if bench is not None else None
    box = drawing(library, wired)
    period_ns = box.next_event_ns() or MILLISECOND_NS
    for tick in (*range(1, 40), 400, 4000, 40000):
        box.advance(tick * period_ns)
        names = CHANNELS[1:] if tick % SLOW_MS == 0 else CHANNELS[1:3]
        for name in names:
            converter = box.plant.converter(name)
            value = box.plant.sample(name, tick, period_ns)
            code = round((value - converter.low) / converter.step)
            assert box.board.codes[CHANNELS.index(name)] == code, (name, tick)


def test_a_driven_divider_reads_as_the_plants(library: Path) -> None:
    box = drawing(library, None)
    period_ns = box.next_event_ns() or MILLISECOND_NS
    box.bench("thermistor.voltage", "2.345", box.now_ns)
    box.bench("thermistor", "driven", box.now_ns)
    name = "heat.sensor_voltage"
    converter = box.plant.converter(name)
    box.advance(SLOW_MS * period_ns)
    value = box.plant.sample(name, SLOW_MS, period_ns)
    assert abs(value - 2.345) < 0.05
    assert box.board.codes[CHANNELS.index(name)] == round((value - converter.low) / converter.step)


def test_a_thermistor_by_three_coefficients_reads_as_the_plants(library: Path) -> None:
    document = demo_vow().document
    assert isinstance(document.plant, SinkPlant)
    # Of a 10 kOhm thermistor, of the size that makers give (common practice, no source).
    law = SteinhartHartLaw(form="steinhart-hart", a=1.129e-3, b=2.341e-4, c=8.775e-8)
    thermistor = document.plant.thermistor.model_copy(update={"law": law})
    plant = document.plant.model_copy(update={"thermistor": thermistor})
    box = FirmwareInstrument(compile_vow(document.model_copy(update={"plant": plant})), library, None, 7)
    name = "heat.sensor_voltage"
    converter = box.plant.converter(name)
    period_ns = box.next_event_ns() or MILLISECOND_NS
    box.advance(SLOW_MS * period_ns)
    value = box.plant.sample(name, SLOW_MS, period_ns)
    assert box.board.codes[CHANNELS.index(name)] == round((value - converter.low) / converter.step)

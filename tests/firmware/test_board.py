"""The board section of a bench: what is wrong is told with its line and its remedy. Nothing is run here."""

from __future__ import annotations

from pathlib import Path

import pytest

from wirevow.emu.bench import Bench
from wirevow.emu.board import Board
from wirevow.emu.chips import MICROCONTROLLERS
from wirevow.emu.firmware.build import demo_vow
from wirevow.emu.firmware.wiring import BoardError, level_of, reference_board, wire
from wirevow.emu.plant.sink_section import SinkPlant
from wirevow.protocol.document.load import DocumentError, load_yaml_model, read_yaml_model

BENCHES = Path(__file__).parents[2] / "spec" / "bench"

PLAIN = """\
title: a bench
source: {kind: supply, volt: 12.0}
board:
  chip: atmega328p
  host: {uart: 0, baud: 115200}
  converters:
    - spi: PB2
      ask: {bit: 0, bits: 8}
      code: {bit: 8, bits: 16}
      channels: {input.current: 0, input.voltage: 1}
    - twi: 0x48
      code: {bit: 0, bits: 16}
      channels: {supply.rail: 0}
  adc:
    reference_volt: 5.0
    inputs: {ADC3: {channel: heat.sensor_voltage}}
  level: {spi: PB1, value: {bit: 4, bits: 12}}
  slew: {spi: PB0, value: {bit: 0, bits: 16}, full_scale_ampere_per_second: 65536}
  relay: {pin: PC0}
  stage: {pin: PC2}
  fan: {pin: PD6}
  trigger: {pin: PD7}
  keys:
    panel.control: {local: {pin: PC1}, remote: {pin: PD5}}
  encoders:
    panel.sink.level: {a: PD2, b: PD3}
"""


def plant() -> SinkPlant:
    section = demo_vow().document.plant
    assert isinstance(section, SinkPlant)
    return section


def test_the_plain_board_is_sound() -> None:
    board = read_yaml_model(PLAIN, Bench, "bench.yaml").document.board
    assert board is not None
    wire(board, plant())


@pytest.mark.parametrize("name", ["reference-board", "own-board"])
def test_the_ready_boards_fit_the_demo_instrument(name: str) -> None:
    board = load_yaml_model(BENCHES / f"{name}.yaml", Bench).document.board
    assert board is not None
    wire(board, plant())


WRONG = [
    # Pins.
    ("pin: PC2", "pin: PC9", 20, "board.stage.pin: atmega328p has no pin PC9"),
    ("pin: PC2", "pin: PA0", 20, "has no pin PA0"),
    ("pin: PC2", "pin: PC0", 20, "PC0 is relay already: give one of them another pin"),
    ("pin: PC2", "pin: PB5", 20, "PB5 is SCK of the SPI already"),
    ("pin: PC2", "pin: PC4", 20, "PC4 is SDA of the TWI already"),
    ("pin: PC2", "pin: PD0", 20, "PD0 is RXD0 of the host's UART already"),
    ("pin: PC2", "pin: PC3", 20, "PC3 is ADC3 already"),
    ("pin: PC2", "pin: PB2", 20, "PB2 is the select pin of converters item 1 already"),
    ("pin: PD6", "pin: PC1", 21, "no timer of atmega328p drives PC1: write one of PD6 (OCR0A)"),
    ("pin: PD6", "pin: OCR3A", 21, "no timer of atmega328p drives OCR3A"),
    ("pin: PD7", "pin: PD6", 21, "board.fan.pin: PD6 is trigger already"),
    ("spi: PB1", "spi: PB2", 17, "PB2 selects another chip already"),
    ("spi: PB1", "twi: 0x48", 17, "0x48 selects another chip already"),
    ("local: {pin: PC1}", "local: {pin: PC0}", 24, "PC0 is relay already"),
    ("a: PD2", "a: PD5", 26, "PD5 is keys panel.control remote already"),
    ("a: PD2", "edges: 3, a: PD2", 26, "1, 2 or 4"),
    # Channels.
    ("input.current: 0", "input.curent: 0", 10, "input.current"),
    ("input.current: 0", "input.power: 0", 10, '"supply.rail"'),
    ("input.voltage: 1", "input.voltage: 0", 10, "number 0 is input.current already: give each its own"),
    ("input.voltage: 1", "input.voltage: 256", 10, "cannot be number 256: write 0 to 255"),
    ("supply.rail: 0", "supply.rail: 1", 13, "say with ask where the number is"),
    ("channel: heat.sensor_voltage", "channel: heat.sink", 16, "board.adc.inputs.ADC3.channel"),
    ("ADC3:", "ADC8:", 16, "atmega328p has no analog input ADC8: write one of ADC0"),
    # Transfers.
    ("code: {bit: 8, bits: 16}", "code: {bit: 7, bits: 16}", 7, "transfers_late: 1"),
    ("code: {bit: 8, bits: 16}", "code: {bit: 60, bits: 16}", 9, "at most 64 bits"),
    ("code: {bit: 8, bits: 16}", "code: {bits: 16}", 9, 'lacks "bit": add it'),
    ("ask: {bit: 0, bits: 8}", "ask: {bit: 0, bits: 9}", 7, "at most 8 bits wide"),
    ("twi: 0x48", "twi: 0x80", 11, "119 or less"),
    ("twi: 0x48", "twi: 0x48\n      transfers_late: 1", 11, "leave it out"),
    ("twi: 0x48", "twi: 0x48\n      spi: PB4", 11, "spi: the pin that selects it, or twi"),
    ("spi: PB1, value", "value", 17, "spi: the pin that selects it, or twi"),
    ("spi: PB1,", "spi: PB1, mark: {bit: 0, bits: 1, value: 2},", 17, "does not fit into 1 bits"),
    ("spi: PB1,", "spi: PB1, mark: {bit: 0, bits: 9, value: 2},", 17, "at most 8"),
    # What is missing or unknown.
    ("  level: {spi: PB1, value: {bit: 4, bits: 12}}\n", "", 3, 'board lacks "level": add it'),
    (", full_scale_ampere_per_second: 65536", "", 18, 'lacks "full_scale_ampere_per_second"'),
    ("reference_volt: 5.0", "reference_volts: 5.0", 15, 'did you mean "reference_volt"?'),
    ("chip: atmega328p", "chip: atmega8", 4, "atmega8 is not simulated: write one of atmega88"),
    ("uart: 0", "uart: 1", 5, "atmega328p has no UART 1: write one of 0"),
    ("baud: 115200", "baud: fast", 5, "whole number"),
    ("relay: {pin: PC0}", "relay: {pin: PC0, active: up}", 19, '"high" or "low"'),
]


@pytest.mark.parametrize(("old", "new", "line", "words"), WRONG, ids=[f"{new}" for _, new, _, _ in WRONG])
def test_a_defect_has_its_line_and_remedy(old: str, new: str, line: int, words: str) -> None:
    assert old in PLAIN
    with pytest.raises(DocumentError) as caught:
        read_yaml_model(PLAIN.replace(old, new), Bench, "bench.yaml")
    (problem,) = caught.value.problems
    assert words in problem.message
    assert problem.line == line


def test_the_guides_example_is_sound() -> None:
    guide = Path(__file__).parents[2] / "emu" / "firmware" / "README.md"
    example = guide.read_text().split("```yaml\n")[1].split("```")[0]
    board = read_yaml_model(example, Bench, "README.md").document.board
    assert board is not None
    named = {name for converter in board.converters for name in converter.channels}
    assert {"input.voltage", "input.current"} <= named


def test_every_pin_in_trouble_is_told_at_once() -> None:
    text = PLAIN.replace("pin: PC2", "pin: PC9").replace("pin: PD7", "pin: PC0")
    with pytest.raises(DocumentError) as caught:
        read_yaml_model(text, Bench, "bench.yaml")
    assert [problem.line for problem in caught.value.problems] == [20, 22]


def test_two_outputs_of_one_chip_share_its_select_pin_by_their_marks() -> None:
    marks = ("mark: {bit: 0, bits: 1, value: 0}", "mark: {bit: 0, bits: 1, value: 1}")
    text = PLAIN.replace("spi: PB0,", f"spi: PB0, {marks[1]},").replace("spi: PB1,", f"spi: PB0, {marks[0]},")
    assert read_yaml_model(text, Bench, "bench.yaml").document.board is not None
    with pytest.raises(DocumentError, match="different mark"):
        read_yaml_model(text.replace(marks[1], marks[0]), Bench, "bench.yaml")


def test_a_code_wider_than_its_place_is_refused_with_the_document() -> None:
    narrow = PLAIN.replace("bit: 8, bits: 16", "bit: 8, bits: 12")
    board = read_yaml_model(narrow, Bench, "bench.yaml").document.board
    assert board is not None
    with pytest.raises(BoardError, match=r"converters item 1: code has 12 bits, and input\.current has 16"):
        wire(board, plant())


def test_a_channel_without_bits_has_no_code() -> None:
    ideal = plant().model_copy(update={"channels": {}})
    with pytest.raises(BoardError, match=r"input\.voltage has no bits in the document"):
        wire(reference_board(), ideal)


def test_the_level_converter_is_the_boards() -> None:
    own = load_yaml_model(BENCHES / "own-board.yaml", Bench).document.board
    assert own is not None
    level = plant().level
    assert level_of(own, level).full_scale_ampere == 8.192
    assert level_of(own, level).gain_error == level.gain_error
    assert level_of(reference_board(), level) == level


@pytest.mark.parametrize("chip", sorted(MICROCONTROLLERS))
def test_no_pin_of_a_chip_is_invented(chip: str) -> None:
    known = MICROCONTROLLERS[chip]
    used = {*known.spi.values(), *known.twi.values(), *known.compare.values()}
    used |= {pin for uart in known.uarts.values() for pin in uart.values()}
    used |= {pin for pin in known.analog.values() if pin is not None}
    assert used <= known.pins


def test_a_board_needs_no_more_than_a_level() -> None:
    Board.model_validate({"level": {"spi": "PB1", "value": {"bit": 4, "bits": 12}}})

"""Somebody's own firmware on the board that a bench describes, and what is mended of the simulator's library.

`own_board.c` is written for spec/bench/own-board.yaml; `probe.c` looks at the chip's parts one by one.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from wirevow.emu.bench import Bench
from wirevow.emu.board import Board
from wirevow.emu.chips import MICROCONTROLLERS
from wirevow.emu.clock import VirtualClock
from wirevow.emu.faults import build_instrument
from wirevow.emu.firmware.build import PACKAGES, build_rig, compile_c, demo_vow, have_simulator
from wirevow.emu.firmware.chip import Chip, ChipInstrument, ProgramError
from wirevow.emu.firmware.run import run_firmware
from wirevow.emu.firmware.wiring import BoardError, wire
from wirevow.emu.plant.sink_section import SinkPlant
from wirevow.emu.ports.address import find
from wirevow.emu.ports.line import Line
from wirevow.emu.ports.rig import InstrumentRig
from wirevow.protocol.document.load import load_yaml_model, read_document
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.vow import Vow, compile_vow

HERE = Path(__file__).parent
MS = 1_000_000
S = 1_000_000_000
LEVEL = {"spi": "PB1", "value": {"bit": 4, "bits": 12}}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if shutil.which("avr-gcc") is None or not have_simulator():
        pytest.skip(f"apt-get install {PACKAGES['avr-gcc']} {PACKAGES['simavr']}")
    return tmp_path_factory.mktemp("own")


@pytest.fixture(scope="module")
def rig(folder: Path) -> Path:
    return build_rig(folder)


def built(folder: Path, name: str, chip: str) -> Path:
    elf = folder / f"{name}.elf"
    options = ["-std=gnu99", "-Wall", "-Wextra", "-Werror", "-Os", f"-mmcu={chip}"]
    compile_c("avr-gcc", [*options, str(HERE / f"{name}.c"), "-o", str(elf)])
    return elf


@pytest.fixture(scope="module")
def own(folder: Path) -> Path:
    return built(folder, "own_board", "atmega644p")


@pytest.fixture(scope="module")
def probe(folder: Path) -> Path:
    return built(folder, "probe", "atmega328p")


def own_bench() -> Bench:
    return load_yaml_model(find("own-board", "bench"), Bench).document


def bench_of(**board: Any) -> Bench:
    supply = {"kind": "supply", "volt": 12.0}
    return Bench.model_validate({"title": "a board", "source": supply, "board": {"level": LEVEL, **board}})


class Host:
    """Whoever talks to the program."""

    def __init__(self, box: ChipInstrument) -> None:
        self.box = box
        box.take()

    def ask(self, line: str) -> str:
        self.box.receive(line.encode() + b"\n", self.box.now_ns)
        return self.box.take().decode().strip()

    def numbers(self, line: str, base: int = 10) -> list[int]:
        return [int(word, base) for word in self.ask(line).split()]

    def wait(self, ns: int) -> None:
        self.box.advance(self.box.now_ns + ns)


@pytest.fixture
def host(rig: Path, own: Path) -> Host:
    return Host(ChipInstrument(demo_vow(), rig, own, own_bench()))


Talk = Callable[..., Host]


def without_noise() -> Vow:
    document = demo_vow().document
    assert isinstance(document.plant, SinkPlant)
    given = document.plant.channels.items()
    channels = {name: channel.model_copy(update={"noise_rms": 0.0}) for name, channel in given}
    plant = document.plant.model_copy(update={"channels": channels})
    return compile_vow(document.model_copy(update={"plant": plant}))


def without_channel(name: str) -> Vow:
    document = demo_vow().document
    assert isinstance(document.plant, SinkPlant)
    channels = {each: channel for each, channel in document.plant.channels.items() if each != name}
    plant = document.plant.model_copy(update={"channels": channels})
    return compile_vow(document.model_copy(update={"plant": plant}))


def test_a_document_may_lack_a_channel_that_its_board_does_not_convert(rig: Path, own: Path) -> None:
    host = Host(ChipInstrument(without_channel("supply.rail"), rig, own, own_bench()))
    host.wait(20 * MS)
    assert host.box.now_ns >= 20 * MS


def test_the_reference_firmware_says_which_channel_it_lacks() -> None:
    with pytest.raises(WirevowError, match=r"converts supply\.rail, which has no bits"):
        run_firmware(without_channel("supply.rail"), "host", None, 1)


@pytest.fixture
def talk(rig: Path, probe: Path) -> Talk:
    def made(**board: Any) -> Host:
        looked_at = {"twi": 0x48, "code": {"bit": 0, "bits": 16}, "channels": {"supply.rail": 0}}
        board["converters"] = [looked_at, *board.get("converters", [])]
        box = ChipInstrument(without_noise(), rig, probe, bench_of(**board))
        said = b""
        while b"done" not in said and box.now_ns < 1 * S:
            box.advance(box.now_ns + 10 * MS)
            said += box.take()
        return Host(box)

    return made


# ------------------------------------------------------------------------------------------ another board


def test_what_is_measured_arrives_over_the_twi_and_the_chips_own_converter(host: Host) -> None:
    plant = host.box.plant
    current, terminal, sense, sensor, rail, speed = host.numbers("m")
    # Two's complement: 0 in the middle, which is 0 V and 0 A in this document.
    assert current * plant.converter("input.current").step == pytest.approx(0.0, abs=0.01)
    for code in (terminal, sense):
        assert code * plant.converter("input.voltage").step == pytest.approx(12.0, abs=0.01)
    # A divider of 10 kOhm to 5 V and 10 kOhm at 25 Cel, B = 3950 K (the document), at the bench's 23 Cel.
    assert sensor == pytest.approx(1024 * 10.936 / 20.936, abs=1)
    assert rail == pytest.approx(1024 * 2.5 / 5.0, abs=1)
    assert speed == 0


def test_what_it_drives_is_driven(host: Host) -> None:
    def current() -> float:
        host.wait(2 * MS)
        return host.box.plant.at("input.current", host.box.now_ns)

    for line in ("w 1023", "l 1000", "s 1"):
        host.ask(line)
    assert current() == 0.0  # the relay is open until its pin is low
    host.ask("r 1")
    # 1000 steps of 8.192 A / 4096; gain and offset of the level converter are the document's.
    assert current() == pytest.approx(2.0, abs=0.01)
    code = host.numbers("m")[0]
    assert code * host.box.plant.converter("input.current").step == pytest.approx(2.0, abs=0.01)
    host.ask("r 0")
    assert current() == 0.0
    host.ask("r 1")
    host.ask("s 0")
    assert current() == pytest.approx(0.0, abs=0.001)


def test_the_slew_is_that_of_its_output(host: Host) -> None:
    for line in ("w 10", "r 1", "s 1"):
        host.ask(line)
    host.ask("l 1000")
    begun = host.box.now_ns
    host.wait(2 * MS)
    # 10 steps of 51200 A/s / 1024; the wire's delays are in `begun`, so a little has been done by then.
    ramp = host.box.plant.at("input.current", host.box.now_ns) - host.box.plant.at("input.current", begun)
    assert ramp == pytest.approx(2 * 0.5, rel=0.02)


def test_the_fan_turns_by_its_share_of_the_timers_top(host: Host) -> None:
    host.ask("f 500")  # of 999
    plant = host.box.plant
    assert plant.at("fan.duty", host.box.now_ns) == pytest.approx(500 / 999)
    host.wait(1 * S)
    speed = host.numbers("m")[5]
    assert speed == pytest.approx(plant.at("fan.speed", host.box.now_ns), abs=2)
    assert speed > 1000


def test_what_the_world_drives_arrives(host: Host) -> None:
    assert host.numbers("t") == [0, 0]
    for _ in range(3):
        host.box.bench("trigger", None, host.box.now_ns)
        host.wait(1 * MS)
    host.box.bench("link.transmitter", "stalled", host.box.now_ns)
    host.box.receive(b"t\n", host.box.now_ns)
    assert host.box.take() == b"3 1\n"  # it looks at the line and does not heed it
    host.box.bench("link.transmitter", "free", host.box.now_ns)
    assert host.numbers("t") == [3, 0]


def test_what_has_no_pin_cannot_happen(rig: Path, probe: Path) -> None:
    host = Host(ChipInstrument(demo_vow(), rig, probe, bench_of()))
    for event, value in (("trigger", None), ("link.transmitter", "stalled"), ("panel.control", "local")):
        assert event not in host.box.bench_events
        with pytest.raises(ValueError, match=f"no bench event '{event}'"):
            host.box.bench(event, value, host.box.now_ns)
    assert "ambient" in host.box.bench_events


KEYS: dict[str, Any] = {"local": {"pin": "PC1"}, "remote": {"pin": "PC2"}}
TURN: dict[str, Any] = {"a": "PB0", "b": "PB2"}


def test_a_panel_on_pins_has_keys_for_words_and_encoders_for_numbers(rig: Path, probe: Path) -> None:
    panel = {"keys": {"panel.control": KEYS}, "encoders": {"panel.sink.level": TURN}}
    box = ChipInstrument(demo_vow(), rig, probe, bench_of(**panel))
    assert {"panel.control", "panel.sink.level"} <= set(box.bench_events)
    with pytest.raises(ValueError, match=r"is turned, as \+3 steps"):
        box.bench("panel.sink.level", 2.0, box.now_ns)
    with pytest.raises(ValueError, match="write one of remote, local"):
        box.bench("panel.control", "mine", box.now_ns)
    # No checker is offered what takes time.
    offered = InstrumentRig(Line(box), VirtualClock(), "tarn").hello().events
    assert not [each for each in offered if each.startswith("panel.")]


@pytest.mark.parametrize(
    ("panel", "words"),
    [
        (
            {"keys": {"panel.controls": KEYS}},
            "there is no panel.controls at this document's panel: write one of",
        ),
        ({"keys": {"panel.control": {"local": KEYS["local"]}}}, "give each of remote, local its key"),
        ({"keys": {"panel.sink.level": KEYS}}, "that is a number: give it an encoder"),
        ({"encoders": {"panel.control": TURN}}, "that is no number: give each of its words a key"),
    ],
)
def test_a_panel_that_is_not_the_documents_is_told(
    rig: Path, probe: Path, panel: dict[str, Any], words: str
) -> None:
    with pytest.raises(BoardError, match=words):
        ChipInstrument(demo_vow(), rig, probe, bench_of(**panel))


def test_a_reset_lets_go_of_everything(host: Host) -> None:
    for line in ("l 1000", "r 1", "s 1", "f 900"):
        host.ask(line)
    host.wait(5 * MS)
    host.box.reset(host.box.now_ns)
    assert host.box.take() == b"note 1 boot power\n"
    assert host.box.plant.at("input.current", host.box.now_ns) == 0.0
    assert host.numbers("t") == [0, 0]  # what the world drives is driven still


# ------------------------------------------------------------------------------------------ how it is run


def test_a_document_of_ones_own_goes_with_a_program_of_ones_own(own: Path, folder: Path) -> None:
    text = find("tarn").read_text().replace("name: tarn", "name: mine")
    vow = compile_vow(read_document(text, "mine.yaml").document)
    box = run_firmware(vow, str(own), own_bench(), 0)
    assert box.take() == b"note 1 boot power\n"
    with pytest.raises(WirevowError, match="tarn's, not mine's"):
        run_firmware(vow, "chip", None, 0)


def test_the_reference_firmware_keeps_to_its_own_board(folder: Path) -> None:
    with pytest.raises(WirevowError, match="leave that out"):
        run_firmware(demo_vow(), "chip", own_bench(), 0)


@pytest.mark.parametrize("name", ["own-board", "reference-board"])
def test_without_firmware_a_board_is_not_looked_at(name: str) -> None:
    bench = load_yaml_model(find(name, "bench"), Bench).document
    bare = bench.model_copy(update={"board": None})
    answers = []
    for each in (bench, bare):
        box = build_instrument(demo_vow(), each, 3, None)
        box.receive(b"ask input.voltage\n", 0)
        answers.append(box.take())
    assert answers[0] == answers[1]
    assert b"ok 12." in answers[0]


def test_a_wrong_baud_rate_is_told(rig: Path, own: Path) -> None:
    bench = own_bench()
    assert bench.board is not None
    faster = bench.board.model_copy(update={"hertz": 16_000_000})
    with pytest.raises(BoardError, match="sends at 76923 baud and the board's host at 38400"):
        ChipInstrument(demo_vow(), rig, own, bench.model_copy(update={"board": faster}))


def test_a_program_that_cannot_go_on_is_told(rig: Path, folder: Path) -> None:
    source, elf = folder / "asleep.c", folder / "asleep.elf"
    source.write_text("#include <avr/sleep.h>\nint main(void) { sleep_enable(); sleep_cpu(); return 0; }\n")
    compile_c("avr-gcc", ["-Os", "-mmcu=atmega328p", str(source), "-o", str(elf)])
    with pytest.raises(ProgramError, match="sleeps without interrupts, at cycle"):
        ChipInstrument(demo_vow(), rig, elf, bench_of())


def test_a_program_for_another_chip_is_told(rig: Path, own: Path) -> None:
    """Its stack lies where the smaller chip has no memory."""
    with pytest.raises(ProgramError, match="the program crashed"):
        ChipInstrument(demo_vow(), rig, own, bench_of(chip="atmega328p"))


def test_what_is_no_program_is_told(rig: Path, folder: Path) -> None:
    nothing = folder / "nothing.elf"
    nothing.write_text("not a program")
    with pytest.raises(BoardError, match="is no program that can be read: build an ELF file for atmega644p"):
        ChipInstrument(demo_vow(), rig, nothing, own_bench())


def test_a_program_larger_than_the_flash_is_told(rig: Path, folder: Path) -> None:
    source, elf = folder / "large.c", folder / "large.elf"
    source.write_text(
        "#include <avr/pgmspace.h>\nconst char filling[10000] PROGMEM = {1};\n"
        "int main(void) { return pgm_read_byte(&filling[99]); }\n"
    )
    compile_c("avr-gcc", ["-Os", "-mmcu=atmega328p", str(source), "-o", str(elf)])
    with pytest.raises(BoardError, match="larger than the flash of atmega88"):
        ChipInstrument(demo_vow(), rig, elf, bench_of(chip="atmega88"))


@pytest.mark.parametrize("name", sorted(MICROCONTROLLERS))
def test_the_library_has_every_part_that_a_board_can_name(name: str, rig: Path, probe: Path) -> None:
    """Its tables are the other source for the pins of the timers' compare units."""
    chip = MICROCONTROLLERS[name]
    section = demo_vow().document.plant
    assert isinstance(section, SinkPlant)
    for pin in chip.compare.values():
        board = Board.model_validate(
            {"chip": name, "level": {"twi": 0x60, "value": {"bit": 4, "bits": 12}}, "fan": {"pin": pin}}
        )
        Chip(rig, probe, wire(board, section))
    for uart in chip.uarts:
        other = board.model_copy(update={"host": board.host.model_copy(update={"uart": uart})})
        Chip(rig, probe, wire(other, section))


# ----------------------------------------------------------------------------------- what has been mended


def test_a_receiver_that_is_not_emptied_loses_bytes(talk: Talk) -> None:
    """Two bytes and one in the shift register (data sheet of the ATmega328P, from memory)."""
    host = talk()
    assert host.numbers("zzz", 16) == [3, 0, 0]
    assert host.numbers("zzzzzz", 16) == [3, 1, 0]
    assert host.numbers("zz", 16) == [2, 0, 0]


@pytest.fixture(scope="module")
def looks(rig: Path, probe: Path) -> dict[str, tuple[str, str]]:
    """What was seen and what should be, by name."""
    inputs = {
        f"ADC{number}": {"channel": "supply.rail", "volt_per_unit": 0.0, "offset_volt": volt}
        for number, volt in enumerate((2.5, 0.4908))
    }
    bench = bench_of(
        converters=[{"twi": 0x48, "code": {"bit": 0, "bits": 16}, "channels": {"supply.rail": 0}}],
        adc={"reference_volt": 5.0, "inputs": inputs},
        trigger={"pin": "PD7"},
    )
    box = ChipInstrument(demo_vow(), rig, probe, bench)
    box.advance(box.now_ns + 200 * MS)
    lines = [line.split() for line in box.take().decode().splitlines()]
    assert lines[-1][1] == "done"
    return {words[1]: (words[2], words[3]) for words in lines if len(words) == 4}


@pytest.mark.parametrize(
    "name",
    [
        "twi.start",
        "twi.twint.clears",
        "twi.sla_w.ack",
        "twi.byte.cycles",
        "twi.data.ack",
        "twi.start.repeated",
        "twi.sla_r.ack",
        "twi.read.ack",
        "twi.read.nack",
        "twi.stop.status",
        "twi.stop.clears",
        "twi.prescaler.kept",
        "twi.sla_w.nack",
        "twi.data.nack",
        "twi.start.again",
        "twi.sla_r.nack",
        "twi.interrupt",
        "twi.interrupt.late",
        "adc.first.cycles",
        "adc.cycles",
        "adc.half",
        "adc.below.a.millivolt",
        "adc.unwired",
        "adc.bandgap",
        "adc.reference.internal",
        "adc.full",
        "adc.multiplexer",
        "adc.adif.raised",
        "adc.adif.cleared",
        "adc.left",
        "adc.locked",
        "adc.free.running",
        "spi.interrupts",
        "input.pulled.up",
        "uart.frame.cycles",
    ],
)
def test_the_chip_does_as_its_data_sheet_says(name: str, looks: dict[str, tuple[str, str]]) -> None:
    seen, expected = looks[name]
    assert seen == expected


# ----------------------------------------------------------------------------------------- forms of codes

RAIL = round(5.0 / 6.0 * 1024)
"""The code of the 5 V rail: 10 bits from 0 V to 6 V in the document."""
THREE_BYTES = {"spi": "PB2", "ask": {"bit": 7, "bits": 3}, "code": {"bit": 12, "bits": 12}}


@pytest.mark.parametrize(
    ("registers", "active", "share"),
    [
        # Fast PWM to 255, cleared on compare: COM0B1, WGM01, WGM00; then CS00.
        pytest.param("23 01 0 40", "high", 64 / 255, id="fast"),
        pytest.param("23 01 0 40", "low", 1 - 64 / 255, id="active low"),
        pytest.param("33 01 0 40", "high", 1 - 64 / 255, id="set on compare"),
        pytest.param("21 01 0 40", "high", 64 / 255, id="phase correct"),
        pytest.param("23 09 80 40", "high", 64 / 128, id="to OCR0A"),
        pytest.param("21 09 80 40", "high", 64 / 128, id="phase correct, to OCR0A"),
        pytest.param("03 01 0 40", "high", 0.0, id="not connected"),
        pytest.param("03 01 0 40", "low", 1.0, id="not connected, active low"),
    ],
)
def test_a_pwm_output_is_its_share_of_time(talk: Talk, registers: str, active: str, share: float) -> None:
    """Modes of timer 0 by the data sheet of the ATmega328P (from memory)."""
    host = talk(fan={"pin": "OCR0B", "active": active})
    assert host.box.plant.at("fan.duty", host.box.now_ns) == 0.0  # PD5 is no output yet
    host.ask(f"p {registers}")
    host.wait(1 * MS)
    assert host.box.plant.at("fan.duty", host.box.now_ns) == pytest.approx(share)


@pytest.mark.parametrize(
    ("converter", "sent", "code"),
    [
        pytest.param(THREE_BYTES, ["x 01 40 00"], RAIL, id="right"),
        pytest.param({**THREE_BYTES, "justify": "left"}, ["x 01 40 00"], RAIL << 2, id="left"),
        pytest.param({**THREE_BYTES, "coding": "complement"}, ["x 01 40 00"], RAIL - 512, id="complement"),
        pytest.param(THREE_BYTES, ["x 00 40 00"], 0xFFF, id="number without a channel"),
        pytest.param(
            {"spi": "PB2", "ask": {"bit": 2, "bits": 3}, "code": {"bit": 4, "bits": 12}, "transfers_late": 1},
            ["x 28 00", "x 00 00"],
            RAIL,
            id="late",
        ),
    ],
)
def test_codes_come_as_described(talk: Talk, converter: dict[str, Any], sent: list[str], code: int) -> None:
    host = talk(converters=[{**converter, "channels": {"supply.rail": 5}}])
    *_, last = [host.numbers(line, 16) for line in sent]
    word = int.from_bytes(bytes(last), "big")
    assert word & 0xFFF == code & 0xFFF


def test_one_channel_needs_no_asking(talk: Talk) -> None:
    single = {"code": {"bit": 3, "bits": 10}, "channels": {"supply.rail": 0}}
    host = talk(converters=[{"spi": "PB2", **single}])
    first, second = host.numbers("x 00 00", 16)
    assert (first << 8 | second) >> 3 & 0x3FF == RAIL


def test_a_twi_converter_is_asked_by_what_is_written(talk: Talk) -> None:
    asked = {"twi": 0x4A, "ask": {"bit": 4, "bits": 4}, "code": {"bit": 0, "bits": 16}, "justify": "left"}
    host = talk(converters=[{**asked, "channels": {"supply.rail": 9, "input.voltage": 2}}])
    assert host.numbers("y 4a 2 a9", 16) == [RAIL >> 2, RAIL << 6 & 0xFF]
    assert host.numbers("y 4a 3 0", 16) == [0xFF, 0xFF, 0]
    assert host.numbers("y 4a 2", 16) == [0xFF, 0xFF]  # it remembers what it was asked for
    high, _ = host.numbers("y 4a 2 2", 16)
    assert high == pytest.approx((12.0 + 42.0) / 84.0 * 256, abs=1)


def test_an_output_on_the_twi_follows_what_is_written_with_its_mark(talk: Talk) -> None:
    slew = {"twi": 0x60, "mark": {"bit": 0, "bits": 4, "value": 1}, "value": {"bit": 8, "bits": 8}}
    host = talk(
        level={"twi": 0x60, "mark": {"bit": 0, "bits": 4, "value": 3}, "value": {"bit": 8, "bits": 12}},
        slew={**slew, "full_scale_ampere_per_second": 2.56e6},
    )
    # No relay and no stage: the level alone decides.
    host.ask("y 60 0 1f ff")
    host.ask("y 60 0 20 ff f0")
    host.wait(2 * MS)
    assert host.box.plant.at("input.current", host.box.now_ns) == pytest.approx(0.0, abs=0.002)
    host.ask("y 60 0 3f 20 00")
    host.wait(2 * MS)
    assert host.box.plant.at("input.current", host.box.now_ns) == pytest.approx(8.4 / 8, abs=0.01)
    # A loss of power takes the code with it.
    host.box.power(False, host.box.now_ns)
    host.wait(2 * MS)
    host.box.power(True, host.box.now_ns)
    host.wait(2 * MS)
    assert host.box.plant.at("input.current", host.box.now_ns) == pytest.approx(0.0, abs=0.002)

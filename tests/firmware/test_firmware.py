"""The reference firmware around the plant, in a process and on a simulated chip."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path

import pytest

from wirevow.emu import command
from wirevow.emu.bench import Bench
from wirevow.emu.firmware.board import FirmwareInstrument
from wirevow.emu.firmware.build import PACKAGES, build_elf, build_library, build_rig, demo_vow, have_simulator
from wirevow.emu.firmware.chip import ChipInstrument
from wirevow.protocol.document.load import read_document
from wirevow.protocol.store import marks, read_image
from wirevow.protocol.vow import Vow, compile_vow

MS = 1_000_000
S = 1_000_000_000
BOARDS = ("host", "chip")

Make = Callable[..., FirmwareInstrument]


@pytest.fixture(scope="module")
def tarn() -> Vow:
    return demo_vow()


@pytest.fixture(scope="module", params=BOARDS)
def make(request: pytest.FixtureRequest, tarn: Vow, tmp_path_factory: pytest.TempPathFactory) -> Make:
    folder = tmp_path_factory.mktemp(request.param)
    if shutil.which("gcc") is None:
        pytest.skip("gcc is not installed: apt-get install gcc")
    if request.param == "host":
        library = build_library(tarn, folder)
        return lambda bench=None: FirmwareInstrument(tarn, library, bench)
    if shutil.which("avr-gcc") is None or not have_simulator():
        pytest.skip(f"apt-get install {PACKAGES['avr-gcc']} {PACKAGES['simavr']}")
    rig, elf = build_rig(folder), build_elf(tarn, folder)
    return lambda bench=None: ChipInstrument(tarn, rig, elf, bench)


class Host:
    """Whoever talks to the instrument."""

    def __init__(self, box: FirmwareInstrument) -> None:
        self.box = box
        box.take()

    def ask(self, line: str) -> str:
        self.box.receive(line.encode() + b"\n", self.box.now_ns)
        (answer,) = (said for said in self.box.take().decode().splitlines() if not said.startswith("note "))
        return answer

    def number(self, point: str) -> float:
        words = self.ask(f"ask {point}").split()
        assert words[0] == "ok", words
        return float(words[1])

    def wait(self, ns: int) -> list[str]:
        self.box.advance(self.box.now_ns + ns)
        return self.box.take().decode().splitlines()

    def start(self, action: str = "sink.start") -> None:
        ticket = self.ask("act sink.arm").split()[1]
        assert self.ask(f"act {action} {ticket}") == "ok"


@pytest.fixture
def host(make: Make) -> Host:
    return Host(make())


def test_it_holds_a_current(host: Host) -> None:
    host.ask("put sink.level 2.000 A")
    host.start()
    host.wait(60 * MS)
    # The level converter has steps of 2.05 mA.
    assert host.number("input.current") == pytest.approx(2.0, abs=0.01)
    assert host.number("input.power") == pytest.approx(24.0, abs=0.3)
    assert host.ask("act sink.stop") == "ok"
    host.wait(20 * MS)
    assert abs(host.number("input.current")) < 0.02


@pytest.mark.parametrize(
    ("mode", "setting", "current"),
    [("power", "sink.power 18.00 W", 1.5), ("resistance", "sink.resistance 8.00 Ohm", 1.5)],
)
def test_it_holds_a_power_or_a_resistance(host: Host, mode: str, setting: str, current: float) -> None:
    assert host.ask(f"put sink.mode {mode}") == f"ok {mode}"
    host.ask(f"put {setting}")
    host.start()
    host.wait(80 * MS)
    assert host.number("input.current") == pytest.approx(current, abs=0.02)


def test_it_pulls_a_weak_source_down_to_a_voltage(host: Host) -> None:
    host.box.bench("source.resistance", 2.0, host.box.now_ns)
    host.ask("put sink.mode voltage")
    host.ask("put sink.voltage 9.000 V")
    host.start()
    host.wait(300 * MS)
    assert host.number("input.voltage") == pytest.approx(9.0, abs=0.03)


def test_the_power_ceiling_binds(host: Host) -> None:
    host.ask("put sink.level 2.000 A")
    host.ask("put limit.power 12.00 W")
    host.start()
    host.wait(60 * MS)
    assert host.number("input.power") == pytest.approx(12.0, abs=0.3)


def test_it_swings_and_counts(host: Host) -> None:
    for line in (
        "swing.high 2.000 A",
        "swing.low 0.500 A",
        "swing.low_time 0.0040 s",
        "swing.high_time 0.0060 s",
    ):
        assert host.ask(f"put {line}").startswith("ok")
    host.ask("put swing.count 5")
    host.ask("put sink.level 1.000 A")
    host.start()
    assert host.ask("act swing.begin") == "ok"
    notices = host.wait(80 * MS)
    assert [line.split()[2:] for line in notices] == [["state", "sinking"]]
    assert host.ask("ask self.state") == "ok sinking"


def test_an_overvoltage_trips_and_opens_the_relay(host: Host) -> None:
    host.start()
    host.box.bench("source.voltage", 38.5, host.box.now_ns)
    (notice,) = host.wait(30 * MS)
    assert notice.startswith("note 2 trip overvoltage 38.")
    assert host.ask("ask self.state") == "ok tripped"
    assert host.ask("act trip.clear") == "refuse fault overvoltage"
    host.box.bench("source.voltage", 12.0, host.box.now_ns)
    host.wait(30 * MS)
    assert host.ask("act trip.clear") == "ok"


def test_settings_outlive_a_loss_of_power_and_boots_are_counted(host: Host) -> None:
    boots = host.number("self.boots")
    host.ask("put sink.level 1.234 A")
    assert host.ask("act settings.save") == "ok"
    host.ask("put sink.level 2.000 A")
    host.box.power(False, host.box.now_ns)
    host.box.advance(host.box.now_ns + 50 * MS)
    host.box.power(True, host.box.now_ns)
    host.wait(20 * MS)
    assert host.ask("ask sink.level") == "ok 1.234 A"
    assert host.ask("ask self.boot_cause") == "ok power"
    assert host.number("self.boots") == boots + 1
    assert host.ask("act self.reboot") == "ok"
    host.wait(60 * MS)
    assert host.ask("ask self.boot_cause") == "ok request"


def test_the_counters_are_the_integral(host: Host) -> None:
    host.ask("put sink.level 3.000 A")
    host.start()
    host.wait(1 * S)
    assert host.number("capacity.charge") == pytest.approx(3 / 3600, abs=0.0002)
    assert host.number("capacity.energy") == pytest.approx(36 / 3600, abs=0.002)


def test_the_same_lines_give_the_same_bytes(make: Make) -> None:
    def told() -> bytes:
        box = make()
        said = box.take()
        for line in (b"ask input.voltage\n", b"act sink.arm\n", b"ask heat.sink\n", b"ask input.current\n"):
            box.receive(line, box.now_ns)
            said += box.take()
            box.advance(box.now_ns + 7 * MS)
        return said

    assert told() == told()


def test_a_save_cut_short_leaves_the_settings_before_or_after(tarn: Vow, tmp_path: Path) -> None:
    if shutil.which("gcc") is None:
        pytest.skip("gcc is not installed: apt-get install gcc")
    library = build_library(tarn, tmp_path, ["-O1"])
    found = [saved_but_cut(Host(FirmwareInstrument(tarn, library)), cut) for cut in range(0, 240, 17)]
    before, after = ("ok 1.000 A", "ok 1.000 A"), ("ok 2.000 A", "ok 3.000 A")
    assert set(found) == {before, after}
    assert found == sorted(found)


def saved_but_cut(host: Host, cut: int) -> tuple[str, str]:
    """Two settings after a second save that lost its power after so many written bytes."""
    for level in ("1.000", "2.000"):
        host.ask(f"put sink.level {level} A")
        host.ask(f"put swing.low {level} A" if level == "1.000" else "put swing.high 3.000 A")
        if level == "2.000":
            host.box.board.writes_left = cut
        host.ask("act settings.save")
    host.box.power(False, host.box.now_ns)
    host.box.board.writes_left = -1
    host.box.power(True, host.box.now_ns)
    host.box.take()
    return host.ask("ask sink.level"), host.ask("ask swing.high")


def test_emulate_says_what_the_firmware_is_for(capfd: pytest.CaptureFixture[str]) -> None:
    assert command.run(["emulate", "brae", "--firmware", "host"]) == 2
    assert "tarn" in capfd.readouterr().err
    assert command.run(["emulate", "tarn", "--firmware", "nothing.elf"]) == 2
    assert "nothing.elf" in capfd.readouterr().err


def test_a_newer_firmware_takes_what_means_the_same_from_the_store_of_an_older(tmp_path: Path) -> None:
    if shutil.which("gcc") is None:
        pytest.skip("gcc is not installed: apt-get install gcc")
    text = Path(str(files("wirevow.spec").joinpath("tarn.yaml"))).read_text(encoding="utf-8")
    newer = text.replace("step: 1, low: 1, high: 8", "step: 1, low: 1, high: 6")
    boxes = []
    for version in (text, newer):
        folder = tmp_path / str(len(boxes))
        folder.mkdir()
        vow = compile_vow(read_document(version).document)
        boxes.append(FirmwareInstrument(vow, build_library(vow, folder, ["-O1"])))
    old, new = boxes
    host = Host(old)
    for line in ("put capacity.cells 4", "put sink.slew 77 A/s", "act settings.save", "act settings.save"):
        assert host.ask(line).startswith("ok")
    dump = bytes(old.board.store)
    kept = read_image(dump[18:])
    assert kept is not None
    assert kept[marks(old.vow)["sink.slew"]] == 77
    new.power(False, new.now_ns)
    new.board.store[:] = list(dump)
    new.power(True, new.now_ns)
    new.take()
    host = Host(new)
    assert host.ask("ask sink.slew") == "ok 77 A/s"
    assert host.ask("ask capacity.cells") == "ok 1"
    assert host.ask("ask settings.wear") == "ok 2"
    assert host.ask("ask self.boots") == "ok 2"


def with_hands(*hands: tuple[float, str, str], **more: object) -> Bench:
    timeline = [
        {"at_second": second, "event": f"panel.{event}", "value": value} for second, event, value in hands
    ]
    source = {"kind": "supply", "volt": 12.0}
    return Bench.model_validate({"title": "hands", "source": source, "timeline": timeline, **more})


def test_keys_and_encoder_are_pins_or_calls_and_do_the_same(make: Make) -> None:
    """On the rig and by the timeline: turned without control nothing comes of it."""
    turned = (("sink.level", "+9 steps"), ("control", "local"), ("sink.level", "+3 steps"))
    box = make(with_hands(*((0.3 + index / 10, *hand) for index, hand in enumerate(turned))))
    box.take()
    box.advance(600 * MS)
    said = box.take().splitlines()[-1:]
    for event, value in (("sink.level", "+12 steps"), ("sink.level", "-2 steps"), ("control", "remote")):
        box.bench(f"panel.{event}", value, box.now_ns)
        box.advance(box.now_ns + 100 * MS)
        said += box.take().splitlines()[-1:]
    assert [line.split(b" ", 2)[2] for line in said] == [
        b"local sink.level 0.003 A",
        b"local sink.level 0.015 A",
        b"local sink.level 0.013 A",
        b"control remote",
    ]


def test_what_is_no_encoder_takes_no_steps(make: Make) -> None:
    box = make()
    with pytest.raises(ValueError, match="ambient needs a number in Cel, not '\\+3 steps'"):
        box.bench("ambient", "+3 steps", box.now_ns)

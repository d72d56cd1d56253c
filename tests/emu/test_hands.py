"""Hands at the front panel: in a bench's timeline and on a rig, with the steps of an encoder."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

import wirevow
from wirevow.emu.firmware.board import FirmwareInstrument
from wirevow.emu.firmware.build import build_library, demo_vow
from wirevow.emu.plant.registry import wired
from wirevow.protocol.document.load import DocumentError

HANDS = """title: Hands at the panel
source: {kind: supply, volt: 12.0}
timeline:
  - {at_second: 1, event: panel.sink.level, value: 3.0}
  - {at_second: 2, event: panel.control, value: local}
  - {at_second: 3, event: panel.sink.level, value: 2.0}
  - {at_second: 4, event: panel.sink.level, value: +5 steps}
  - {at_second: 5, event: panel.sink.level, value: -90000 steps}
"""


def bench(folder: Path, text: str = HANDS) -> Path:
    file = folder / "hands.yaml"
    file.write_text(text)
    return file


def test_keys_and_an_encoder_are_events_of_the_timeline(tmp_path: Path) -> None:
    with wirevow.emulate("tarn", bench=bench(tmp_path)) as run:
        found = []
        for second in (1.5, 1.0, 1.0, 1.0, 1.0):
            run.advance(second)
            found.append(tuple(run.client.read("sink.level", "panel.control").values()))
        # Without control nothing comes of it; the limits in force hold at the panel too.
        assert found == [(0.0, "remote"), (0.0, "local"), (2.0, "local"), (2.005, "local"), (0.0, "local")]


def test_a_rig_turns_the_encoder_too(tmp_path: Path) -> None:
    with wirevow.emulate("tarn") as run:
        run.bench("panel.control", "local")
        run.bench("panel.sink.level", 1.0)
        run.bench("panel.sink.level", "-1 step")
        assert run.client.read("sink.level") == {"sink.level": 0.999}


def test_firmware_has_the_same_hands(tmp_path: Path) -> None:
    if shutil.which("gcc") is None:
        pytest.skip("gcc is not installed: apt-get install gcc")
    tarn = demo_vow()
    library = build_library(tarn, tmp_path, ("-O1",))
    box = FirmwareInstrument(tarn, library)
    for event, value in (("control", "local"), ("sink.level", 1.0), ("sink.level", "+20 steps")):
        box.bench(f"panel.{event}", value, box.now_ns)
    box.take()
    box.receive(b"ask sink.level\n", box.now_ns)
    assert box.take() == b"ok 1.020 A\n"
    box = FirmwareInstrument(tarn, library, wired(bench(tmp_path), tarn.document))
    box.advance(6_000_000_000)
    told = [line.split(maxsplit=2)[2] for line in box.take().decode().splitlines()[1:]]
    assert told == [
        "control local",
        "local sink.level 2.000 A",
        "local sink.level 2.005 A",
        "local sink.level 0.000 A",
    ]


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ("panel.sink.level, value: 3.0", "panel.sink.levle, value: 3.0", "write one of panel.control"),
        ("value: local", "value: mine", "write remote, local"),
        ("value: +5 steps", "value: much", "write a number, or"),
    ],
)
def test_what_hands_cannot_do_is_said_with_its_line(tmp_path: Path, old: str, new: str, why: str) -> None:
    with pytest.raises(DocumentError, match=rf"hands.yaml:[0-9]+: .*{why}"):
        wired(bench(tmp_path, HANDS.replace(old, new)), demo_vow().document)

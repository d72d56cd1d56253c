"""Actions that put settings."""

from __future__ import annotations

from pathlib import Path

import pytest

from wirevow.emu.instrument import Instrument
from wirevow.protocol.document.load import load_document, read_document
from wirevow.protocol.document.vet import vet
from wirevow.protocol.vow import compile_vow

SPEC = Path(__file__).parents[2] / "spec"
TEXT = (SPEC / "skerry.yaml").read_text(encoding="utf-8")
TARN = (SPEC / "tarn.yaml").read_text(encoding="utf-8")
PUT = "{put: {load.current: 750, load.ceiling: 30}}"
ZERO = "  capacity.zero:\n"
PRESET = (
    '  sink.preset: {{means: "A preset.", from: ["off"], {guard}does: [{{put: {{{put}}}}}], repeat: safe}}\n'
)


@pytest.mark.parametrize(
    ("put", "code"),
    [
        (PUT.replace("750", "2001"), "put-limit"),
        (PUT.replace("750", "750.5"), "put-limit"),
        (PUT.replace("load.current", "load.curent"), "unknown-point"),
        (PUT.replace("load.current", "adapter.current"), "not-a-setting"),
        (PUT.replace("load.current: 750", "load.mode: current"), "unknown-word"),
        (f"defaults, {PUT}", "put-beside"),
    ],
)
def test_what_cannot_be_put_is_found(put: str, code: str) -> None:
    assert TEXT.count(PUT) == 1
    assert code in {each.code for each in vet(read_document(TEXT.replace(PUT, put))).errors}


@pytest.mark.parametrize(
    ("guard", "put", "sound"),
    [
        ("", "fan.manual: 50.0, sink.slew: 100", True),
        ("", "swing.low: 0.100, swing.high: 0.100, sink.level: 0.100", True),
        ("", "sink.level: 1.000", False),
        ('guard: "1 <= limit.current", ', "sink.level: 1.000", True),
        ('guard: "1 <= limit.voltage", ', "sink.level: 1.000", False),
        ("", "swing.low: 2.000", False),
        ("", "limit.current: 1.000, sink.level: 0.500", False),
    ],
)
def test_limits_allow_it_whenever_it_is_done(guard: str, put: str, sound: bool) -> None:
    """The ceiling of the current is 0.1 A at least, so a level of 0.1 A is always allowed."""
    text = TARN.replace(ZERO, PRESET.format(guard=guard, put=put) + ZERO)
    assert ("put-limit" in {each.code for each in vet(read_document(text)).errors}) != sound


def test_all_are_put_and_the_plant_follows() -> None:
    box = Instrument(compile_vow(load_document(SPEC / "skerry.yaml").document))
    box.advance(10**9)
    box.take()
    box.receive(
        b"put load.current 900 mA\nact preset.lamp\nask load.mode\nask load.voltage\nask load.current\n",
        10**9,
    )
    assert box.take() == b"ok 900 mA\nok\nok pull\nok 36.0 V\nok 900 mA\n"

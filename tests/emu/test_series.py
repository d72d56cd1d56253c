"""A series may take as long as its document says: its first value is read when its last is there."""

from decimal import Decimal
from pathlib import Path

from wirevow.emu.instrument import Instrument
from wirevow.protocol.document.load import read_document
from wirevow.protocol.vow import compile_vow

SPEC = Path(__file__).parents[2] / "spec"
S = 1_000_000_000

RECORDS = """
records:
  air:
    means: The air of a minute.
    order: little
    fields:
      - {name: layout, type: u8, from: 1}
      - {name: air, type: i16, from: room.temperature, count: 6, every: 10 s}
"""
POINTS = """
  air.count: {means: Minutes written down., system: captures, quantity: count}
  air.part: {means: One part of a minute., record: air, part_bytes: 16}
  trip.last:"""
ACTIONS = """
actions:
  air.note: {means: Write a minute down., from: [idle], does: [{capture: air}], repeat: safe}
"""


def said(instrument: Instrument, line: bytes, now_ns: int) -> bytes:
    instrument.advance(now_ns)
    instrument.receive(line, now_ns)
    return instrument.take()


def test_a_sink_records_for_seconds_while_much_happens() -> None:
    text = (SPEC / "tarn.yaml").read_text().replace("every: 50 us", "every: 100 ms")
    instrument = Instrument(compile_vow(read_document(text).document))
    instrument.opened(0)
    ticket = said(instrument, b"act sink.arm\n", S).split()[-1]
    assert b"ok" in said(instrument, b"act sink.start " + ticket + b"\n", S)
    assert b"ok" in said(instrument, b"act capture.start\n", S)
    for tick in range(40):
        instrument.bench("ambient", Decimal(20 + tick), S + (tick + 1) * S // 10)
    assert b"ok 1\n" in said(instrument, b"ask capture.count\n", 6 * S)


def test_a_room_records_for_a_minute() -> None:
    text = (SPEC / "brae.yaml").read_text() + RECORDS
    text = text.replace("\nactions:\n", ACTIONS).replace("\n  trip.last:", POINTS)
    instrument = Instrument(compile_vow(read_document(text).document))
    instrument.opened(0)
    assert b"ok" in said(instrument, b"act air.note\n", 3 * S)
    for tick in range(6):
        instrument.bench("outside.temperature", Decimal(tick), (4 + 9 * tick) * S)
    assert b"ok 1\n" in said(instrument, b"ask air.count\n", 90 * S)


def test_a_series_does_not_outlive_a_boot_that_was_asked_for() -> None:
    instrument = Instrument(compile_vow(read_document((SPEC / "tarn.yaml").read_text()).document))
    instrument.opened(0)
    ticket = said(instrument, b"act sink.arm\n", S).split()[-1]
    said(instrument, b"act sink.start " + ticket + b"\n", S)
    assert b"ok" in said(instrument, b"act capture.start\n", 2 * S)
    assert b"boot request" in said(instrument, b"act sink.stop\nact self.reboot\n", 2 * S)
    assert said(instrument, b"ask capture.count\n", 3 * S) == b"ok 0\n"

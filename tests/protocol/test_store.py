"""What a save leaves, and what another version of the document takes from it (`spec/wire.md`, The store)."""

from __future__ import annotations

from importlib.resources import files

import pytest
from crccheck.crc import Crc16Ibm3740, Crc32

from wirevow.protocol.document.load import read_document
from wirevow.protocol.store import image_of, marks, read_image, taken
from wirevow.protocol.vow import Vow, compile_vow

TARN = files("wirevow.spec").joinpath("tarn.yaml").read_text()


def vow(*edits: tuple[str, str]) -> Vow:
    text = TARN
    for old, new in edits:
        assert old in text, old
        text = text.replace(old, new, 1)
    return compile_vow(read_document(text).document)


OLD = vow()
CELLS = OLD.points["capacity.cells"]
WORN = {
    entry.name: (entry.number.high if entry.scale is not None else entry.choices[-1])
    for entry in OLD.settings
}
"""Not values that limits allow together; but each another than its default."""


def kept(new: Vow, image: bytes | None = None) -> dict[str, object]:
    read = read_image(image if image is not None else image_of(OLD, WORN, 7))
    return {} if read is None else dict(taken(new, read))


SAVED = {entry.name: WORN[entry.name] for entry in OLD.settings if entry.saved}


def test_an_image_gives_its_own_firmware_everything_back():
    assert kept(OLD) == SAVED


def test_a_mark_is_the_digest_of_what_the_wire_says_it_is():
    # Written out by hand; crccheck is another implementation of both checks.
    assert marks(OLD)["capacity.cells"] == Crc32.calc(b"tarn\ncapacity.cells 1 1 1 8")
    assert marks(OLD)["sense.mode"] == Crc32.calc(b"tarn\nsense.mode local remote")
    apart = vow(("    high: swing.high\n", ""), ("    low: swing.low\n    high: limit.current\n", ""))
    assert marks(apart)["swing.low"] == Crc32.calc(b"tarn\nswing.low A 0.001 0.000 6.000")


def test_an_image_has_the_layout_that_the_wire_says():
    image = image_of(OLD, WORN, 0x0102, number=5)
    assert image[0] == 5
    assert int.from_bytes(image[1:3], "little") == len(image) - 5 == 8 * (len(SAVED) + 1)
    assert image[3:11] == marks(OLD)["sink.mode"].to_bytes(4, "little") + b"\x03\0\0\0"
    assert image[-10:-2] == Crc32.calc(b"tarn\nsaves").to_bytes(4, "little") + b"\x02\x01\0\0"
    assert int.from_bytes(image[-2:], "little") == Crc16Ibm3740.calc(image[:-2])


@pytest.mark.parametrize(
    ("edit", "lost"),
    [
        (("default: 1\n", "default: 2\n"), set()),
        (("step: 1, low: 1, high: 8", "step: 1, low: 1, high: 6"), {"capacity.cells"}),
        (("[local, remote]", "[remote, local]"), {"sense.mode"}),
        (
            ("step: 0.00001, low: 0.9", "step: 0.00002, low: 0.9"),
            {"trim.voltage_gain", "trim.current_gain", "trim.level_gain"},
        ),
    ],
)
def test_what_no_longer_means_the_same_falls_to_its_default_and_the_rest_stays(edit, lost):
    if edit[0] not in TARN:
        pytest.fail(f"{edit[0]!r} is not in tarn.yaml")
    found = kept(vow(edit))
    assert SAVED.keys() - found.keys() == lost
    assert found == {name: SAVED[name] for name in found}


def test_settings_that_limits_tie_together_stay_or_fall_together():
    found = kept(
        vow(
            ("    high: limit.voltage - 1", "    high: limit.voltage - 2"),
            ("capacity.cutoff + 1", "capacity.cutoff + 2"),
        )
    )
    tied = {
        "sink.level", "sink.power", "sink.voltage", "limit.current", "limit.power", "limit.voltage",
        "swing.low", "swing.high", "capacity.cutoff",
    }  # fmt: skip
    assert SAVED.keys() - found.keys() == tied


def test_the_store_of_another_instrument_gives_nothing():
    assert kept(vow(("name: tarn", "name: meer"))) == {}


def test_an_image_that_is_not_whole_is_none():
    image = image_of(OLD, WORN, 7)
    for at in range(len(image)):
        assert read_image(image[:at]) is None
        assert read_image(image[:at] + bytes([image[at] ^ 0x10]) + image[at + 1 :]) is None
    assert kept(OLD, image[:-1]) == {}
    assert read_image(b"\xff" * 512) is None
    assert read_image(bytes(512)) is None

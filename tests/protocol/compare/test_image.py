"""`wirevow compare OLD NEW --image FILE`: what becomes of a store that has been dumped."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path

import pytest

from wirevow.emu.command import run
from wirevow.emu.instrument import Instrument
from wirevow.protocol.document.load import read_document
from wirevow.protocol.store import image_of
from wirevow.protocol.vow import compile_vow

TARN = files("wirevow.spec").joinpath("tarn.yaml").read_text()
OLD = compile_vow(read_document(TARN).document)
NEWER = TARN.replace("step: 1, low: 1, high: 8", "step: 1, low: 1, high: 6").replace("1.0.0", "2.0.0", 1)


def saved(number: int = 1, **values: int) -> bytes:
    settings = {entry.name: entry.default for entry in OLD.settings}
    settings |= {name.replace("__", "."): value for name, value in values.items()}
    return image_of(OLD, settings, 7, number)


def told(
    tmp_path: Path, dump: bytes, capfd: pytest.CaptureFixture[str], *options: str
) -> tuple[int, str, str]:
    (tmp_path / "new.yaml").write_text(NEWER)
    (tmp_path / "store.bin").write_bytes(dump)
    status = run(
        ["compare", "tarn", str(tmp_path / "new.yaml"), "--image", str(tmp_path / "store.bin"), *options]
    )
    return status, *capfd.readouterr()


def test_of_two_images_the_newer_is_told_setting_by_setting(tmp_path, capfd):
    newer = saved(0, capacity__cells=6, trim__level_shift=-12)
    dump = b"\xff" * 18 + saved(255).ljust(240, b"\xff") + newer.ljust(240, b"\xff") + b"\xff" * 14
    status, out, _ = told(tmp_path, dump, capfd)
    assert status == 1  # a setting is lost
    assert "image 0 at byte 258, after 7 saves: 27 entries" in out
    assert "  of which the old document knows 27 and the new one 26\n" in out
    assert "  default    capacity.cells 1   (saved: 6)\n" in out
    assert "  kept       trim.level_shift -0.0012 A\n" in out
    _, out, _ = told(tmp_path, dump, capfd, "--json")
    cells = next(e for e in json.loads(out)["image"]["settings"] if e["name"] == "capacity.cells")
    assert cells == {"name": "capacity.cells", "words": ["1"], "kept": False, "was": "6"}


def test_what_is_told_is_what_the_new_firmware_does(tmp_path, capfd):
    dump = saved(3, capacity__cells=6, sink__slew=77)
    _, out, _ = told(tmp_path, dump, capfd, "--json")
    box = Instrument(compile_vow(read_document(NEWER).document))
    box.power(False, 0)
    box.keep(dump)
    box.power(True, 0)
    for each in json.loads(out)["image"]["settings"]:
        entry = box.vow.points[each["name"]]
        assert entry.words(box.device.settings[entry.name]) == tuple(each["words"])


@pytest.mark.parametrize(
    ("dump", "error"),
    [
        (saved()[:100], "no image is whole: it is cut short or damaged"),
        (saved()[:50] + b"\x55" + saved()[51:], "no image is whole: it is cut short or damaged"),
        (bytes(512), "nothing in it was saved by firmware of either document"),
        (b":10000000FFFF", "it looks like Intel HEX"),
        (b"", "nothing in it was saved by firmware of either document"),
        (bytes(300_000), "store.bin"),
    ],
)
def test_a_dump_without_an_image_is_one_error(tmp_path, capfd, dump, error):
    status, out, err = told(tmp_path, dump, capfd)
    assert status == 2
    assert out == ""
    assert error in err
    assert len(err.splitlines()) == 1

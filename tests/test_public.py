"""The one name to import: what is public, and that nobody's own files get in its way."""

import subprocess
import sys

import pytest
import serial

import wirevow


def test_every_public_name_is_there_and_listed():
    for name in wirevow.__all__:
        assert getattr(wirevow, name) is not None
    assert set(wirevow.__all__) <= set(dir(wirevow))


def test_a_name_that_is_not_public_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'chek'"):
        wirevow.chek  # noqa: B018


def test_a_document_is_loaded_by_name_and_a_bad_one_is_refused(tmp_path):
    assert wirevow.load("tarn").document.vow.name == "tarn"
    with pytest.raises(wirevow.WirevowError, match="no ready document"):
        wirevow.load("torn")


def test_an_emulation_lasts_as_long_as_its_block():
    with wirevow.emulate("tarn", seed=7) as tarn:
        with serial.serial_for_url(tarn.url, timeout=1) as port:
            port.write(b"put sink.level 2.000 A\n")
            port.readline()
        with serial.serial_for_url(tarn.url, timeout=1) as port:
            port.reset_input_buffer()
            port.write(b"ask sink.level\n")
            while not (line := port.readline()).startswith(b"ok"):
                assert line.startswith(b"note")
            assert line == b"ok 2.000 A\n"


def test_a_check_returns_its_report():
    report = wirevow.check("brae", "emu://brae", budget=150, seed=3)
    assert isinstance(report, wirevow.Report)
    assert report.name == "brae"
    assert report.lines <= 150


def test_a_check_looks_only_at_what_it_is_asked_for():
    report = wirevow.check("brae", "emu://brae", only=["wire.tag", "wire.le*"])
    looked_at = {row.id for row in report.rows if row.verdict != "not selected"}
    assert looked_at == {"wire.tag", "wire.length"}


def test_a_projects_own_modules_of_our_rooms_names_stay_its_own(tmp_path):
    """A user's `protocol.py`, `emu.py` and `spec/` are imported by the user alone."""
    (tmp_path / "protocol.py").write_text("mine = True\n")
    (tmp_path / "emu.py").write_text("mine = True\n")
    (tmp_path / "spec").mkdir()
    (tmp_path / "spec" / "__init__.py").write_text("mine = True\n")
    program = (
        "import protocol, emu, spec, wirevow\n"
        "assert protocol.mine and emu.mine and spec.mine\n"
        "from wirevow.emu.command import run\n"
        "assert run(['vet', 'tarn']) == 0\n"
        "import serial\n"
        "serial.serial_for_url('emu://tarn').close()\n"
    )
    done = subprocess.run([sys.executable, "-c", program], cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr

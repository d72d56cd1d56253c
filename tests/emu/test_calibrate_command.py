"""`wirevow calibrate` against a box whose errors are known."""

import json
import re
from pathlib import Path

import pytest

from wirevow.emu.command import run

TARN = (Path(__file__).parent.parent.parent / "spec" / "tarn.yaml").read_text()
GAIN, OFFSET = 0.004, 0.02
"""Of the converters behind the box's readings, and of its level."""


@pytest.fixture(scope="module")
def box(tmp_path_factory):
    """Tarn, badly built: its wire is the same, the physics behind it is off by known amounts.

    Its converters are straight: over a part of the range a bow looks like a gain and an offset of its own.
    """
    folder = tmp_path_factory.mktemp("bad")
    text = TARN
    for channel in ("input.voltage", "input.current"):
        text, count = re.subn(
            rf"({re.escape(channel)}: {{.*)gain_error: [0-9.]+, offset: [0-9.]+, bow: [0-9.]+",
            rf"\1gain_error: {GAIN}, offset: {OFFSET}, bow: 0",
            text,
        )
        assert count == 1
    text, count = re.subn(
        r"gain_error: 0.0002, offset_ampere: 0.0005, bow: 0.0001",
        "gain_error: -0.003, offset_ampere: 0.01, bow: 0",
        text,
    )
    assert count == 1
    (folder / "bad.yaml").write_text(text)
    return str(folder / "bad.yaml"), f"emu://{folder / 'bad.yaml'}?name="


def calibrate(*words):
    return run(["calibrate", *words])


def near(found, true):
    return abs(found["value"] - true) <= found["expanded_uncertainty"]


def test_known_errors_of_the_voltage_are_recovered_verified_and_undone(box, tmp_path, capfd):
    doc, url = box
    url += "volts"
    out = tmp_path / "volts"
    assert calibrate("voltage", doc, url, "--from", "1", "--to", "30", "--out", str(out)) == 0
    found = json.loads((out / "certificate.json").read_text())
    (voltage,) = found["corrections"]
    assert near(voltage["gain"], 1 / (1 + GAIN))
    assert near(voltage["shift"], -OFFSET / (1 + GAIN))
    assert found["verified"]
    assert all(abs(each["error"]) < 0.005 for each in voltage["verification"])
    assert max(abs(each["error"]) for each in voltage["points"]) > 0.1
    page = (out / "certificate.html").read_text()
    assert "Verified" in page
    assert found["date"] in page
    assert calibrate("undo", str(out / "certificate.json"), doc, url) == 0
    assert "gain 1.00000, shift 0.0000 again" in capfd.readouterr().out
    assert calibrate("voltage", doc, url, "--from", "1", "--to", "30", "--out", str(out)) == 2
    assert "there is one already" in capfd.readouterr().err


def test_known_errors_of_current_and_level_are_recovered(box, tmp_path):
    doc, url = box
    out = tmp_path / "amps"
    assert calibrate("current", doc, url + "amps", "--from", "0.1", "--to", "3", "--out", str(out)) == 0
    current, level = json.loads((out / "certificate.json").read_text())["corrections"]
    assert near(current["gain"], 1 / (1 + GAIN))
    assert near(current["shift"], -OFFSET / (1 + GAIN))
    assert near(level["gain"], 1 / (1 - 0.003))
    assert near(level["shift"], -0.01 / (1 - 0.003))


METER = """
def volts():
    return {value}
"""


@pytest.mark.parametrize(
    ("value", "says"),
    [("1 / 0", "ZeroDivisionError"), ("'12'", "a number in V"), ("float('nan')", "gave no number")],
)
def test_a_meter_that_fails_is_one_error_and_no_trim_is_changed(box, tmp_path, capfd, value, says):
    doc, url = box
    (tmp_path / "meter.py").write_text(METER.format(value=value))
    given = [
        "--meter",
        f"{tmp_path / 'meter.py'}:volts",
        "--meter-percent",
        "0.01",
        "--meter-offset",
        "0.001",
    ]
    words = ["voltage", doc, url + "volts", "--from", "1", "--to", "30", "--out", str(tmp_path / "out")]
    assert calibrate(*words, *given) == 2
    told = capfd.readouterr().err
    assert says in told
    assert "not declared" in told, "the meter's last calibration"
    assert not (tmp_path / "out" / "certificate.json").exists()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--from", "5", "--to", "5"], "no range"),
        (["--from", "1", "--to", "30", "--points", "3"], "too few"),
        (["--from", "1", "--to", "30", "--meter-calibrated", "May"], "write a date"),
        (["--from", "1", "--to", "30", "--meter", "nothing"], "meter.py:volts"),
    ],
)
def test_bad_input_is_one_error(tmp_path, capfd, words, says):
    accuracy = ["--meter-percent", "0.01", "--meter-offset", "0.001"]
    assert calibrate("voltage", "tarn", "emu://tarn", *words, *accuracy, "--out", str(tmp_path / "o")) == 2
    assert says in capfd.readouterr().err


def test_a_document_without_trims_and_a_foreign_certificate_are_refused(tmp_path, capfd):
    words = ["--from", "1", "--to", "3", "--out", str(tmp_path / "o")]
    assert calibrate("voltage", "brae", "emu://brae", *words) == 2
    assert "brae has no voltage" in capfd.readouterr().err
    (tmp_path / "x.json").write_text("{}")
    assert calibrate("undo", str(tmp_path / "x.json"), "tarn", "emu://tarn") == 2
    assert "no certificate" in capfd.readouterr().err

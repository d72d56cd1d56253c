"""`wirevow sweep` on benches whose sources are known."""

import json

import pytest

from wirevow.emu.command import run

SAFE = ["--least-volts", "4", "--most-watts", "50"]


def sweep(bench, *words, doc="tarn"):
    url = f"emu://{doc}" + (f"?bench={bench}" if bench else "")
    return run(["sweep", doc, url, *words])


def test_resistance_regulation_and_step_of_a_known_source(tmp_path, capfd):
    out = tmp_path / "usb"
    assert sweep("usb-sagging", "--to", "2", *SAFE, "--step", "--out", str(out)) == 0
    found = json.loads((out / "sweep.json").read_text())
    ohms = found["resistance"]
    # usb-sagging.yaml: 5.1 V behind 0.25 Ohm, and leads of 0.20 Ohm.
    assert abs(ohms["value"] - 0.45) <= ohms["expanded_uncertainty"]
    assert found["open_volts"] == pytest.approx(5.1, abs=0.02)
    percent = found["regulation"]
    assert abs(percent["value"] - 100 * 2 * 0.45 / 5.1) <= percent["expanded_uncertainty"]
    assert found["step"]["after_volts"] == pytest.approx(4.2, abs=0.02)
    assert found["step"]["captures"] >= 4
    assert len((out / "sweep.csv").read_text().splitlines()) == 12
    assert "Every level was reached" in (out / "sweep.html").read_text()
    assert "internal" in capfd.readouterr().out


@pytest.mark.parametrize(
    ("bench", "words", "says"),
    [
        ("usb-sagging", ["--to", "5", "--least-volts", "4", "--most-watts", "50"], "below 4 V"),
        ("usb-sagging", ["--to", "2", "--least-volts", "4", "--most-watts", "5"], "beyond 5 W"),
        ("supply-limiting", ["--to", "4", "--least-volts", "0.1", "--most-watts", "50"], "are asked for"),
    ],
)
def test_a_limit_ends_it_with_what_was_found(bench, words, says, capfd):
    assert sweep(bench, *words, "--json") == 1
    found = json.loads(capfd.readouterr().out)
    assert says in found["stopped_by"]
    assert 3 <= len(found["points"]) < 11
    assert found["step"] is None


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--from", "2", "--to", "1", *SAFE], "no range"),
        (["--to", "9", *SAFE], "narrow the range"),
        (["--to", "2", "--points", "2", *SAFE], "3 or more"),
        (["--to", "2", "--least-volts", "20", "--most-watts", "50"], "before any load"),
    ],
)
def test_bad_input_is_one_error(words, says, capfd):
    assert sweep(None, *words) == 2
    told = capfd.readouterr().err
    assert says in told
    assert "Traceback" not in told


def test_a_document_without_the_parts_is_one_error(capfd):
    assert sweep(None, "--to", "1", *SAFE, doc="brae") == 2
    assert "brae has no level" in capfd.readouterr().err

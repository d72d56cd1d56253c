"""`wirevow discharge` as a person types it, on the simulation, and its results."""

import json
import os
import signal
import subprocess
import sys
import time

import pytest

from tests.emu.terminal import at_terminal
from wirevow.emu.command import run
from wirevow.protocol.jobs.runlog import read

PACK = ["--chemistry", "lithium-ion", "--cells", "3", "--cut-off", "3.0"]
URL = "emu://tarn?bench=lithium-pack"


def discharge(*options, port=URL, doc="tarn"):
    return run(["discharge", doc, port, *PACK, *options])


def test_log_picture_page_and_result_are_kept_and_two_runs_are_drawn_together(tmp_path, capfd):
    pytest.importorskip("matplotlib", reason="pip install 'wirevow[pictures]'")
    for amps, name in (("5", "fast"), ("2.5", "slow")):
        assert discharge("--amps", amps, "--every", "15", "--rated", "5", "--out", str(tmp_path / name)) == 0
        kept = {file.name for file in (tmp_path / name).iterdir()}
        assert kept >= {"run.csv", "run.html", "run.json", "run.png"}
    said = capfd.readouterr().out
    assert "charge    (4." in said
    found = json.loads((tmp_path / "slow" / "run.json").read_text())
    assert found["ended_by"] == "cut-off"
    assert found["charge"]["value"] == pytest.approx(found["counted_ampere_hours"], rel=0.01)
    page = (tmp_path / "slow" / "run.html").read_text()
    assert "Ended by cut-off" in page
    assert "http" not in page.split("base64,")[0], "needs nothing from elsewhere"
    both = tmp_path / "both.png"
    assert run(["draw", "runs", str(both), str(tmp_path / "fast"), str(tmp_path / "slow")]) == 0
    assert both.read_bytes().startswith(b"\x89PNG")


def test_a_run_is_resumed_and_not_mixed_with_another(tmp_path, capfd):
    out = ["--every", "20", "--out", str(tmp_path / "run")]
    assert discharge("--amps", "2.5", "--most-minutes", "30", *out) == 0
    assert discharge("--amps", "2.5", "--most-minutes", "30", *out) == 2
    assert "--resume" in capfd.readouterr().err
    assert discharge("--amps", "5", "--resume", *out) == 2
    assert "another run (level is 2.5, not 5" in capfd.readouterr().err
    assert discharge("--amps", "2.5", "--most-minutes", "60", "--resume", "--json", *out) == 0
    assert json.loads(capfd.readouterr().out)["seconds"] == pytest.approx(3600, abs=60)
    assert {row.segment for row in read(tmp_path / "run" / "run.csv").rows} == {1, 2}


def test_each_method_for_the_resistance_is_named_or_said_not_to_be_measured(tmp_path, capfd):
    pulses = ["--amps", "1", "--rated", "5", "--most-minutes", "1", "--out", str(tmp_path / "run")]
    assert discharge(*pulses, "--pulses", "--ambient", "21", "--rested", "2") == 0
    told = capfd.readouterr().out
    assert "direct method (IEC 61960-3:2017)\n" in told
    assert "alternating method not measured: IEC 61960-3:2017 asks for" in told
    page = (tmp_path / "run" / "run.html").read_text()
    assert "Conditions of the direct method, after 0.000 A.h (all met)" in page
    assert "alternating method not measured" in page
    assert discharge(*pulses[:-2], "--pulses") == 0
    told = capfd.readouterr().out
    assert "direct method (not after a standard): 20 Cel ± 5 K around it (not declared); " in told
    assert discharge(*pulses[:-2], "--json") == 0
    found = json.loads(capfd.readouterr().out)["resistances_not_measured"]
    assert [each["method"] for each in found] == ["direct", "alternating"]
    assert "not asked for (--pulses)" in found[0]["why"]


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--amps", "1", "--watts", "2"], "exactly one of --amps"),
        ([], "exactly one of --amps"),
        (["--amps", "9"], "sink.level"),
        (["--amps", "1", "--cut-off", "1.9"], "destroys"),
        (["--amps", "1", "--resume"], "--out"),
        (["--amps", "1", "--voltage", "sink.mode"], "--voltage sink.mode"),
    ],
)
def test_bad_input_is_one_error(options, says, capfd):
    assert discharge(*options) == 2
    told = capfd.readouterr().err
    assert says in told
    assert "Traceback" not in told


def test_a_document_that_lacks_what_it_needs_is_one_error(capfd):
    assert discharge("--amps", "1", port="emu://brae", doc="brae") == 2
    assert "brae has no level" in capfd.readouterr().err


@pytest.fixture
def terminal(tmp_path):
    """Tarn at a pseudo-terminal, in real time: as far as the command can know, a real box."""
    link = tmp_path / "tarn"
    program = [sys.executable, "-c", "from wirevow.emu.command import main; main()"]
    served = subprocess.Popen(
        [*program, "emulate", "tarn", "--bench", "lithium-pack", "--link", str(link)],
        stdout=subprocess.PIPE,
    )
    assert served.stdout is not None
    served.stdout.readline()
    yield str(link), program
    served.terminate()
    served.wait()
    served.stdout.close()


def test_a_real_port_wants_the_persons_word_and_an_interrupt_leaves_it_off(terminal, tmp_path, capfd):
    port, program = terminal
    assert discharge("--amps", "1", port=port) == 2
    told = capfd.readouterr().err
    assert "Batteries" in told
    assert "--yes" in told
    log = tmp_path / "out" / "run.csv"
    going = subprocess.Popen(
        [
            *program,
            "discharge",
            "tarn",
            port,
            *PACK,
            "--amps",
            "1",
            "--every",
            "0.2",
            "--yes",
            "--out",
            str(log.parent),
        ],
        stderr=subprocess.PIPE,
    )
    end = time.monotonic() + 30
    while time.monotonic() < end and (not log.exists() or len(read(log).rows) < 5):
        time.sleep(0.1)
    os.kill(going.pid, signal.SIGTERM)
    going.communicate(timeout=60)
    assert going.returncode == 128 + signal.SIGTERM
    rows = read(log).rows
    assert rows[-1].amperes == pytest.approx(1.0, abs=0.05)
    import serial

    with serial.Serial(port, timeout=1) as line:
        line.write(b"ask self.state\n")
        assert line.readline() == b"ok off\n"


def test_at_a_terminal_the_voltage_is_drawn_while_it_goes_on():
    battery = ["--chemistry", "lithium-ion", "--cells", "3", "--amps", "2.5", "--most-minutes", "20"]
    with at_terminal(["discharge", "tarn", "emu://tarn?bench=lithium-pack", *battery]) as terminal:
        lines = terminal.until(lambda lines: any("└───" in line for line in lines))
        assert any(line.strip() == "voltage" for line in lines)
        assert terminal.ended() == 0
        assert sum("└───" in line for line in terminal.lines) == 1  # each picture over the one before

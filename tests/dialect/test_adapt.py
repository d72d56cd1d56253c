"""`adapt`, `--dialect` and `emu://…?dialect=`: programs of the wire in front of another syntax."""

from __future__ import annotations

import contextlib
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

import wirevow
from tests.emu.recorded import COMMAND
from wirevow.emu.command import run
from wirevow.emu.firmware.build import HERE, PACKAGES, compile_c

PATIENCE_S = 30


@contextlib.contextmanager
def running(*words: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """A command that prints its port and runs until it is ended."""
    with subprocess.Popen(
        [*COMMAND, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        try:
            assert process.stdout is not None
            said = process.stdout.readline().split()
            assert said[:1] == ["port"], process.stderr.read() if process.stderr else ""
            yield process, said[1]
        finally:
            process.terminate()


@pytest.fixture
def ports() -> Iterator[tuple[str, str, subprocess.Popen[str]]]:
    """The port of the instrument that speaks its own syntax, and the one that speaks the wire."""
    tcp = ("--listen", "tcp:127.0.0.1:0")
    with (
        running("emulate", "sluice", "--dialect", "sluice", *tcp) as (_, own),
        running("adapt", "sluice", own, *tcp) as (adapter, wire),
    ):
        yield own, wire, adapter


def test_a_host_program_of_the_dialect_is_answered_in_it_and_one_of_the_wire_in_the_wire(
    ports: tuple[str, str, subprocess.Popen[str]],
) -> None:
    own, wire, adapter = ports
    with wirevow.connect(wire, "sluice") as client:
        assert client.pump.rate.put(12.5) == 12.5
        assert client.pump.soak.put(0.25) == 0.25
        client.pump.start()
        assert client.read("self.state", "pump.*") == {
            "self.state": "running",
            "pump.rate": 12.5,
            "pump.ceiling": 30.0,
            "pump.dose": 100,
            "pump.soak": 0.25,
            "pump.direction": "forward",
        }
        with pytest.raises(wirevow.Refused, match="range"):
            client.pump.rate.put(59.0)
    with serial.serial_for_url(wire, timeout=PATIENCE_S) as port:
        port.write(b"@1 ask self.state\n")
        assert port.readline() == b"@1 ok idle\n"
        port.write(b"act pump.prime\nact pump.start\n")
        assert [port.readline(), port.readline()] == [b"ok\n", b"ok\n"]
        adapter.terminate()
        _, warned = adapter.communicate(timeout=PATIENCE_S)
        assert not warned.strip(), "the safe action was not confirmed"
    with serial.serial_for_url(own, timeout=PATIENCE_S) as port:
        port.write(b"S?\r\n")
        assert port.readline() == b"S=0\r\n"


def test_the_firmware_as_a_program_of_this_machine_is_checked_at_its_port(tmp_path: Path) -> None:
    if shutil.which("gcc") is None:
        pytest.skip(f"apt-get install {PACKAGES['gcc']}")
    program = tmp_path / "sluice"
    sources = [str(HERE / "sluice" / name) for name in ("sluice.c", "host.c")]
    compile_c("gcc", ["-std=c99", "-D_XOPEN_SOURCE=600", "-Wall", "-Wextra", "-o", str(program), *sources])
    with subprocess.Popen(
        [program], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    ) as process:
        assert process.stdout is not None
        port = process.stdout.readline().split()[1]
        found = wirevow.check("sluice", port, dialect="sluice", only=["point.pump.soak.*", "point.tank.*"])
        process.terminate()
    assert str(found.verdict) in ("pass", "inconclusive")  # a busy machine may have been too late
    assert not found.breaches


def test_the_simulated_instrument_speaks_the_dialect() -> None:
    with serial.serial_for_url("emu://sluice?dialect=sluice", timeout=1) as port:
        for asked, said in (
            ("S?", "S=0"),
            ("R=12.5", "R=12.5"),
            ("R=99.0", "E1"),
            ("D=250", "OK"),
            ("P=20000", "E1"),
            ("P=250", ""),
            ("P?", "P=250"),
            ("V?", "V 80 25.0 12.5"),
            ("G", "E2"),
            ("B", "OK"),
            ("G", "OK"),
            ("what", "E3"),
        ):
            port.write(f"{asked}\r\n".encode())
            if said:
                assert port.readline() == f"{said}\r\n".encode()


def test_a_check_reads_the_dialect_and_says_what_the_firmware_lacks() -> None:
    found = wirevow.check(
        "sluice", "emu://sluice?dialect=sluice", dialect="sluice", only=["trip.hot.*", "wire.*"]
    )
    assert str(found.verdict) == "pass"
    reasons = {row.id: row.reason for row in found.rows}
    assert reasons["wire.ticket"] == "the firmware lacks tickets, as its dialect says"
    assert reasons["wire.tag"].startswith("the firmware has a syntax of its own")
    assert reasons["trip.dry.fires"].startswith("not asked for")


def test_vet_holds_a_dialect_against_its_document(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert run(["vet", "sluice", "--dialect", "sluice"]) == 0
    told = capsys.readouterr().out
    assert "10 questions, 5 settings, 8 actions; 76 requirements can be judged through it" in told
    assert run(["vet", "tarn", "--dialect", "sluice"]) == 2
    assert 'the document is "tarn"' in capsys.readouterr().err


def test_an_unknown_dialect_or_a_wrong_port_is_one_error(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", "sluice", "emu://sluice", "--dialect", "slice"]) == 2
    assert "there is no ready dialect 'slice' (there are: sluice)" in capsys.readouterr().err
    assert run(["adapt", "sluice", "emu://sluice?dialect=sluice"]) == 2
    assert "wirevow emulate --dialect" in capsys.readouterr().err


def test_a_failure_found_through_a_dialect_is_replayed_through_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    good = "emu://sluice?dialect=sluice"
    bad = f"{good}&fault=bound-high-one-over"
    report = str(tmp_path / "report.json")
    assert (
        run(["check", "sluice", bad, "--dialect", "sluice", "--only", "point.pump.*", "--json", report]) == 1
    )
    (case, *_) = sorted(tmp_path.rglob("*.case"))
    assert run(["replay", str(case), bad, "--dialect", "sluice"]) == 1
    assert run(["replay", str(case), good, "--dialect", "sluice"]) == 0
    assert "is kept now" in capsys.readouterr().out

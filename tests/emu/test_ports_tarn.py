"""The demo instrument behind its ports."""

import subprocess
import sys
from pathlib import Path

import pytest
import serial

import wirevow
from wirevow.protocol.conformance.rig import open_rig

assert wirevow  # importing it is what makes pyserial know emu://

ROOT = Path(__file__).parents[2]


def ask(port: serial.Serial, line: str) -> str:
    port.write(line.encode() + b"\n")
    return port.readline().decode().strip()


def start(port: serial.Serial) -> None:
    """Make it sink 1 A, to be given up by a host silent for 2 s."""
    port.timeout = 5
    port.write(b"\nask self.vow\n")
    port.read_until(b" tarn ")
    port.readline()
    assert ask(port, "put link.patience 2.0 s") == "ok 2.0 s"
    assert ask(port, "put sink.level 1.000 A") == "ok 1.000 A"
    ticket = ask(port, "act sink.arm").removeprefix("ok ")
    assert ask(port, f"act sink.start {ticket}") == "ok"
    assert ask(port, "ask self.state") == "ok sinking"


def test_in_process_the_link_watchdog_acts_while_the_host_waits() -> None:
    with serial.serial_for_url("emu://tarn", baudrate=115200) as port:
        start(port)
        assert port.readline() == b"note 2 trip link_silent 2.0 s\n"
        assert ask(port, "ask self.state") == "ok off"


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
def test_the_link_watchdog_acts_when_the_host_is_unplugged() -> None:
    command = "from wirevow.emu.command import main; main()"
    with subprocess.Popen(
        [sys.executable, "-u", "-c", command, "emulate", "spec/tarn.yaml", "--rig", "tcp:127.0.0.1:0"],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        address = process.stdout.readline().split()[1]
        rig = open_rig(process.stdout.readline().split()[1])
        try:
            rig.hold()
            with serial.Serial(address) as port:
                start(port)
            rig.advance(2_100_000_000, 0)
            with serial.Serial(address, timeout=30) as port:
                assert ask(port, "ask self.state") == "ok off"
                assert ask(port, "ask trip.last") == "ok link_silent 2.0 s"
                assert ask(port, "ask self.boots") == "ok 1"
        finally:
            rig.close()
            process.terminate()


def test_the_same_seed_and_lines_give_the_same_bytes() -> None:
    def session(seed: int) -> list[str]:
        with serial.serial_for_url(f"emu://tarn?seed={seed}", baudrate=115200) as port:
            start(port)
            return [ask(port, "ask input.voltage") for _ in range(200)] + [ask(port, "act sink.arm")]

    first = session(1)
    assert session(1) == first
    assert session(2) != first


def test_an_unknown_fault_is_pyserials_own_error() -> None:
    with pytest.raises(serial.SerialException, match=r"emu://tarn\?fault=none: there is no fault 'none'"):
        serial.serial_for_url("emu://tarn?fault=none")

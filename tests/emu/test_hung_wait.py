"""A wait in virtual time that nothing ends is an error that says so, whoever waits."""

import subprocess
import sys

import pytest
import serial

import wirevow


@pytest.mark.parametrize("doc", ["tarn", "brae"])
def test_a_read_without_a_timeout_for_a_byte_that_never_comes(doc: str) -> None:
    with wirevow.emulate(doc) as run, serial.serial_for_url(run.url) as port:
        port.timeout = 5
        port.write(b"ask self.uptime\n")
        while not port.readline().startswith(b"ok"):  # it boots first
            port.write(b"ask self.uptime\n")
        port.timeout = None
        with pytest.raises(wirevow.HungWait, match=r"two days of virtual time: .*timeout"):
            port.readline()
        port.write(b"ask self.uptime\n")
        assert port.readline().startswith(b"ok 172")


def test_a_read_without_a_timeout_while_the_rig_holds_the_clock() -> None:
    # In a process of its own, without another thread that could let the clock run.
    program = (
        "import serial, wirevow\n"
        "port = serial.serial_for_url('emu://tarn')\n"
        "port.rig.hold()\n"
        "try:\n"
        "    port.read(100)\n"
        "except wirevow.HungWait as error:\n"
        "    print(error)\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60)
    assert "the rig holds the clock" in done.stdout, done.stderr

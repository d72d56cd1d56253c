"""`wirevow emulate` as a person runs it: a process, an address, a host, Ctrl-C."""

import json
import signal
import socket
import subprocess
import sys
import time
from contextlib import contextmanager
from importlib.resources import files

import pytest
import serial

from wirevow.emu import command
from wirevow.protocol.conformance.rig import open_rig

TARN = str(files("wirevow.spec").joinpath("tarn.yaml"))


@contextmanager
def emulating(*options):
    """The running command and its addresses by kind (`port`, `rig`)."""
    process = subprocess.Popen(
        [sys.executable, "-c", "from wirevow.emu.command import main; main()", "emulate", TARN, *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        expected = ["port", "rig"] if "--rig" in options else ["port"]
        addresses = dict(process.stdout.readline().split() for _ in expected)
        assert list(addresses) == expected
        yield process, addresses
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=60)
        assert err.strip() == ""  # click ends the terminal's "^C" with a line end
        assert process.returncode == 130


def answer(port, request):
    port.write(request + b"\n")
    return port.readline()


def test_an_instrument_on_a_pseudo_terminal_answers_and_cleans_up(tmp_path):
    link = tmp_path / "tarn"
    with emulating("--link", str(link)) as (_, addresses):
        assert addresses["port"] == str(link)
        for _ in range(2):  # a host comes, goes, and comes back
            with serial.Serial(str(link), timeout=20) as port:
                assert answer(port, b"ask self.vow").startswith(b"ok tarn ")
    assert not link.is_symlink()


def test_an_instrument_on_tcp_with_its_rig():
    with emulating("--listen", "tcp:127.0.0.1:0", "--rig", "tcp:127.0.0.1:0") as (_, addresses):
        with serial.serial_for_url(addresses["port"], timeout=20) as port:
            assert answer(port, b"ask self.vow").startswith(b"ok tarn ")
        place, secret = addresses["rig"].removeprefix("tcp:").split("#")
        host, number = place.rsplit(":", 1)
        with socket.create_connection((host, int(number)), timeout=20) as rig, rig.makefile("rw") as lines:
            print(json.dumps({"do": "hello", "secret": secret}), file=lines, flush=True)
            assert json.loads(lines.readline())["document"] == "tarn"


def test_time_passes_faster_for_the_instrument_than_for_its_host():
    begun = time.monotonic()
    with (
        emulating("--listen", "tcp:127.0.0.1:0", "--speed", "1000") as (_, addresses),
        serial.serial_for_url(addresses["port"], timeout=20) as port,
    ):
        first = answer(port, b"ask self.uptime")
        time.sleep(0.3)
        last = answer(port, b"ask self.uptime")
    passed = float(last.split()[1]) - float(first.split()[1])
    assert 300 <= passed + 1 <= 1000 * (time.monotonic() - begun) + 2


def test_at_speed_max_time_stands_until_the_host_waits_and_then_jumps_to_what_comes():
    with (
        emulating("--listen", "tcp:127.0.0.1:0", "--speed", "max") as (_, addresses),
        serial.serial_for_url(addresses["port"], timeout=20) as port,
    ):
        first = answer(port, b"ask self.uptime")
        time.sleep(0.3)  # the input is off: there is nothing to come
        assert float(answer(port, b"ask self.uptime").split()[1]) - float(first.split()[1]) <= 1
        ticket = answer(port, b"act sink.arm").split()[1]
        port.write(b"act sink.start " + ticket + b"\n")
        lines = [port.readline() for _ in range(2)]
        assert lines[0] == b"ok\n"
        assert b"trip link_silent 5.0 s" in lines[1]


def tickets(seed, held):
    """Three tickets of an instrument in a process of its own."""
    options = ("--listen", "tcp:127.0.0.1:0", "--rig", "tcp:127.0.0.1:0", "--seed", seed)
    with emulating(*options) as (_, addresses):
        rig = open_rig(addresses["rig"])
        if held:
            rig.hold()
        with serial.serial_for_url(addresses["port"], timeout=20) as port:
            given = [answer(port, b"act sink.arm") for _ in range(3)]
        rig.close()
        return given


def test_the_seed_decides_the_tickets_where_a_rig_holds_the_clock():
    assert tickets("1", held=True) == tickets("1", held=True)
    assert tickets("1", held=True) != tickets("2", held=True)


def test_nobody_can_foresee_the_tickets_while_the_clock_runs():
    assert tickets("1", held=False) != tickets("1", held=False)


def test_listening_where_other_machines_connect_has_to_be_meant():
    command = "from wirevow.emu.command import main; main()"
    with subprocess.Popen(
        [sys.executable, "-c", command, "emulate", TARN, "--listen", "tcp:0.0.0.0:0", "--public"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout.readline().startswith("port socket://0.0.0.0:")
        assert "caution: --public: whoever reaches this machine over a network" in process.stderr.readline()
        process.terminate()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["nowhere.yaml"], "wirevow: nowhere.yaml: "),
        ([TARN, "--bench", "nowhere.yaml"], "wirevow: nowhere.yaml: "),
        ([TARN, "--listen", "tcp:127.0.0.1"], "wirevow: tcp:127.0.0.1: "),
        ([TARN, "--listen", "tcp:0.0.0.0:0"], "wirevow: tcp:0.0.0.0:0: other machines reach 0.0.0.0"),
        ([TARN, "--listen", "tcp:[::]:0"], "wirevow: tcp:[::]:0: other machines reach ::"),
        ([TARN, "--rig", "tcp:0.0.0.0:0"], "wirevow: tcp:0.0.0.0:0: other machines reach 0.0.0.0"),
        ([TARN, "--listen", "/dev/nowhere"], "wirevow: /dev/nowhere: "),
        ([TARN, "--pace", "12"], "wirevow: Invalid value for '--pace'"),
        ([TARN, "--rig", "nonsense"], "wirevow: nonsense: "),
        ([TARN, "--speed", "0"], "wirevow: Invalid value for '--speed'"),
        ([TARN, "--speed", "60", "--firmware", "host"], "wirevow: --speed is for the simulated instrument"),
    ],
)
def test_what_cannot_be_used_is_named_on_one_line(arguments, said, capfd):
    assert command.run(["emulate", *arguments]) == 2
    shown = capfd.readouterr()
    assert shown.out == ""
    assert shown.err.startswith(said)
    assert shown.err.count("\n") == 1


def test_a_port_in_use_is_named(capfd):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        address = f"tcp:127.0.0.1:{taken.getsockname()[1]}"
        assert command.run(["emulate", TARN, "--listen", address]) == 2
    assert capfd.readouterr().err.startswith(f"wirevow: {address}: ")


def test_a_fault_is_emulated_and_an_unknown_one_refused(capfd):
    from wirevow.emu.faults.catalogue import FAULTS

    name = next(iter(FAULTS))
    with emulating("--listen", "tcp:127.0.0.1:0", "--fault", name) as (_, addresses):
        assert addresses["port"]
    assert command.run(["emulate", TARN, "--fault", "nonsense"]) == 2
    assert capfd.readouterr().err.startswith("wirevow: there is no fault 'nonsense': ")

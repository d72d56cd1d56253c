"""A check is killed while the instrument works. Both are processes of their own, and there is no rig."""

import os
import select
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import serial

from tests.protocol.conformance.instruments import vow_of
from tests.test_command_emulate import answer, emulating
from wirevow.protocol.conformance.envelope import link_watchdog, reaction_s, shortest_patience_s

ROOT = Path(__file__).parents[1]
ENVELOPE = ROOT / "spec" / "envelopes" / "tarn-supply.yaml"
VOW = vow_of("tarn")
LONGEST_S = float(shortest_patience_s(VOW) + reaction_s(VOW, link_watchdog(VOW)))
TRIAL = 1
"""The first start only tries the watchdog."""
GIVE_UP_S = 60


def passed_on(host: socket.socket, port: socket.socket) -> None:
    """Pass on what both say, until the instrument has answered after it was started in earnest."""
    sent = b""
    end = time.monotonic() + GIVE_UP_S
    while time.monotonic() < end:
        for one in select.select([host, port], [], [], 1.0)[0]:
            data = one.recv(4096)
            assert data, f"somebody hung up after {sent[-200:]!r}"
            if one is host:
                sent += data
                port.sendall(data)
            else:
                host.sendall(data)
                if sent.count(b"act sink.start") > TRIAL and b"ask" in sent.split(b"act sink.start")[-1]:
                    return
    raise AssertionError(f"it was never started: {sent[-200:]!r}")


def test_after_kill_9_the_load_is_off_by_its_own_watchdog():
    with emulating("--listen", "tcp:127.0.0.1:0") as (_, addresses):
        name, number = addresses["port"].removeprefix("socket://").split(":")
        with socket.create_server(("127.0.0.1", 0)) as listener:
            words = ["check", "tarn", f"socket://127.0.0.1:{listener.getsockname()[1]}"]
            words += ["--envelope", str(ENVELOPE), "--yes", "--only", "law.current_*"]
            with subprocess.Popen(
                [sys.executable, "-c", "from wirevow.emu.command import main; main()", *words],
                stdout=subprocess.DEVNULL,
                env=os.environ | {"PYTHONPATH": str(ROOT)},
            ) as check:
                try:
                    listener.settimeout(GIVE_UP_S)
                    with listener.accept()[0] as host, socket.create_connection((name, int(number))) as port:
                        passed_on(host, port)
                        check.send_signal(signal.SIGKILL)
                finally:
                    check.kill()
        time.sleep(LONGEST_S)  # whoever asks before would feed the watchdog
        with serial.serial_for_url(addresses["port"], timeout=20) as again:
            assert answer(again, b"ask self.state") == b"ok off\n"
            tripped = answer(again, b"ask trip.last").split()
    assert tripped[:2] == [b"ok", b"link_silent"]
    # The silence by its own clock, so that a busy machine does not matter.
    assert float(shortest_patience_s(VOW)) <= float(tripped[2]) <= LONGEST_S

"""However a check within an envelope ends, the instrument draws nothing afterwards, or it is said loudly.

The check is a process of its own at a pseudo-terminal, without a rig: for all it knows, this is hardware.
"""

from __future__ import annotations

import io
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.protocol.conformance.instruments import vow_of
from tests.stand_in import HangUp, Tarn, plugged_in, read_once
from wirevow.emu import command
from wirevow.protocol.conformance.cautions import WITHIN_ENVELOPE
from wirevow.protocol.conformance.envelope import link_watchdog, reaction_s, shortest_patience_s
from wirevow.protocol.message import Reply, Request, parse_request

ENVELOPE = """\
document: tarn
source: {means: A bench supply at 12 V., declared_by: a tester}
most: {volts: 16, amperes: 1, watts: 12, celsius: 60, seconds: 120, coulombs: 60, saves: 3}
"""
VOW = vow_of("tarn")
PATIENCE_S = float(shortest_patience_s(VOW))
REACTION_S = float(reaction_s(VOW, link_watchdog(VOW)))
CHECK = """\
import sys
from wirevow.emu import command
from wirevow.protocol.conformance import campaign

how = sys.argv.pop()

def run(tester, **_):
    tester.deadline_ns = 5 * 10**9  # other work may hold up this machine
    tester.acquaint()
    tester.home()
    tester.prepare()
    tester.goto("sinking")
    print("live", flush=True)
    if how == "exception":
        raise ZeroDivisionError
    if how == "full":
        with open("/dev/full", "w") as file:
            file.write("a report")
    tester.alive(60 * 10**9)

campaign.run = run
command.main()
"""


@contextmanager
def checking(device: Tarn, folder: Path, how: str) -> Iterator[subprocess.Popen[str]]:
    """A check that has just made the device sink, or is about to go wrong by itself."""
    envelope = folder / "envelope.yaml"
    envelope.write_text(ENVELOPE)
    with plugged_in(device, folder) as port:
        words = ["check", "tarn", port, "--envelope", str(envelope), "--yes", how]
        process = subprocess.Popen(
            [sys.executable, "-c", CHECK, *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=folder,
            env=os.environ | {"PYTHONPATH": str(Path(command.__file__).parents[2])},
        )
        try:
            assert process.stdout is not None
            assert process.stdout.readline() == "live\n", process.communicate()[1]
            yield process
        finally:
            process.kill()
            process.communicate()


def state_of(device: Tarn) -> str:
    return device.instrument.device.state


def until_stopped(device: Tarn) -> None:
    end = time.monotonic() + 30
    while state_of(device) == "sinking" and time.monotonic() < end:
        time.sleep(0.02)


RESTORING = {
    b"trim.begin",
    b"trim.end",
    b"settings.recall",
    b"settings.defaults",
    b"settings.save",
    b"trip.clear",
}
"""All that is done after the safe action: putting the settings back."""


def stopped_for_good(lines: list[bytes]) -> bool:
    """Whether the checked safe action went out, and after it nothing but what puts settings back."""
    stops = [index for index, line in enumerate(lines) if b"act sink.stop ~" in line]
    later = (
        {line.split(b"act ")[1].split()[0] for line in lines[stops[-1] :] if b"act " in line}
        if stops
        else None
    )
    return later is not None and later - {b"sink.stop"} <= RESTORING


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_ends_with_the_safe_action(name, tmp_path):
    device = Tarn()
    with checking(device, tmp_path, name) as process:
        assert state_of(device) == "sinking"
        process.send_signal(getattr(signal, name))
        _, said = process.communicate(timeout=60)
    assert process.returncode == 128 + getattr(signal, name)
    assert state_of(device) == "off", said
    assert stopped_for_good(device.lines), device.lines[-8:]


@pytest.mark.parametrize(("how", "error"), [("exception", "ZeroDivisionError"), ("full", "No space left")])
def test_an_error_ends_with_the_safe_action(how, error, tmp_path):
    device = Tarn()
    with checking(device, tmp_path, how) as process:
        _, said = process.communicate(timeout=60)
    assert error in said
    assert "MAY STILL" not in said
    assert state_of(device) == "off"
    assert stopped_for_good(device.lines), device.lines[-8:]


def test_a_lost_port_is_said_loudly(tmp_path):
    pulled = []

    def pull(tarn: Tarn, line: bytes) -> None:
        if pulled:
            raise HangUp

    device = Tarn(pull)
    with checking(device, tmp_path, "lost") as process:
        pulled.append(True)
        _, said = process.communicate(timeout=60)
    assert "sink.stop could not be confirmed" in said
    assert "disconnect the source by hand" in said


def test_one_that_says_it_has_stopped_and_has_not_is_said_loudly(tmp_path):
    def pretend(tarn: Tarn, line: bytes) -> bytes | None:
        request = parse_request(line)
        live = tarn.instrument.device.state == "sinking"
        if live and isinstance(request, Request) and request.name == "sink.stop":
            return Reply(request.tag, True, (), request.checked).line() + b"\n"
        return None

    device = Tarn(pretend)
    with checking(device, tmp_path, "exception") as process:
        _, said = process.communicate(timeout=60)
    assert "its state is sinking. THE INSTRUMENT MAY STILL BE HANDLING POWER" in said


def stopped_itself(device: Tarn) -> None:
    """Hold that the instrument's own link watchdog has stopped it in time, by its own clock."""
    machine = device.instrument.device
    end = time.monotonic() + 30
    while machine.state == "sinking" and time.monotonic() < end:
        device.idle()
        time.sleep(0.02)
    assert machine.state == "off"
    assert machine.last_trip[0] == "link_silent"
    # So that a busy machine does not matter.
    silent_s = (machine.entered_ns - machine.accepted_ns) / 1e9
    assert PATIENCE_S <= silent_s <= PATIENCE_S + REACTION_S


@pytest.mark.parametrize("name", ["SIGKILL", "SIGSTOP"])
def test_what_is_killed_or_stopped_is_stopped_by_the_instruments_own_watchdog(name, tmp_path):
    device = Tarn()
    with checking(device, tmp_path, name) as process:
        process.send_signal(getattr(signal, name))
        if name == "SIGKILL":
            process.communicate()
        time.sleep(0.05)  # what it had sent is there
        heard = len(device.lines)
        until_stopped(device)
        assert not device.lines[heard:]
        stopped_itself(device)


def test_when_the_cable_is_pulled_the_instruments_own_watchdog_stops_it(tmp_path):
    pulled = threading.Event()

    def pull(tarn: Tarn, line: bytes) -> None:
        if pulled.is_set():
            raise HangUp

    device = Tarn(pull)
    with checking(device, tmp_path, "pulled") as process:
        pulled.set()
        _, said = process.communicate(timeout=60)
    stopped_itself(device)
    assert "could not be confirmed" in said


# ------------------------------------------------------------------------------------------- the command line


@pytest.fixture(scope="module", autouse=True)
def _once():
    with read_once():
        yield


@pytest.fixture
def envelope(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "envelope.yaml"
    path.write_text(ENVELOPE)
    return path


def check(*arguments):
    return command.run(["check", "tarn", *map(str, arguments)])


def test_the_cautions_are_shown_and_must_be_agreed_to(envelope, capfd):
    assert check("/dev/no-such-port", "--envelope", envelope) == 2
    said = capfd.readouterr().err
    for word in ("Batteries:", "Heat:", "licensed", "watchdog", "A bench supply at 12 V.", "1 A", "--yes"):
        assert word in said
    assert "no such port" not in said  # it was not even opened


@pytest.mark.parametrize("answer", ["n\n", "y\n", "\n", ""])
def test_what_is_answered_decides(answer, envelope, monkeypatch, capfd):
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr("sys.stdin", Terminal(answer))
    assert check("/dev/no-such-port", "--envelope", envelope) == 2
    assert ("no such port" in capfd.readouterr().err) is (answer == "y\n")


def test_an_envelope_that_is_wrong_is_said_with_its_line(envelope, capfd):
    envelope.write_text(ENVELOPE.replace("amperes: 1", "amperes: -1"))
    assert check("emu://tarn", "--envelope", envelope, "--yes") == 2
    assert f"{envelope}:3: " in capfd.readouterr().err


def test_the_report_says_how_far_it_went_and_cautions(envelope, capfd):
    assert check("emu://tarn", "--envelope", envelope, "--yes", "--budget", 900, "--json", "r.json") == 3
    data = json.loads(Path("r.json").read_text())
    assert data["profile"]["name"] == "envelope"
    assert "declared by a tester: 16 V, 1 A" in data["profile"]["reason"]
    assert "s energised" in data["profile"]["reason"]
    assert set(WITHIN_ENVELOPE) <= set(data["cautions"])
    assert "Batteries" not in capfd.readouterr().err


def test_without_an_envelope_nothing_is_energised_and_the_report_lists_what_was_left_out(envelope, tmp_path):
    device = Tarn()
    with plugged_in(device, tmp_path) as port:
        check(port, "--yes", "--budget", 150, "--json", "r.json")
    data = json.loads(Path("r.json").read_text())
    assert data["profile"]["name"] == "dry"
    assert not any(b"act sink.start" in line for line in device.lines)
    assert any(row["verdict"] == "not selected" for row in data["requirements"])

"""However a check ends, the instrument is told to be safe first, or the user that it was not."""

import json
import os
import select
import signal
import subprocess
import sys
import threading
import time

import pytest

from tests.stand_in import Device, HangUp, Tarn, plugged_in, read_once
from wirevow.emu import command
from wirevow.emu.ports.address import find
from wirevow.protocol.conformance import campaign, ending
from wirevow.protocol.conformance.hookup import Profile, hooked_up
from wirevow.protocol.conformance.interrupts import Interrupted, Interrupts
from wirevow.protocol.document.load import load_document
from wirevow.protocol.vow import compile_vow

VOW = compile_vow(load_document(find("tarn")).document)
SAFE = b"act sink.stop"


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path, monkeypatch):
    """Case files go to the current folder."""
    monkeypatch.chdir(tmp_path)


def at_line(number, do):
    """A device's `before`: do something once, when so many lines have come."""

    def before(tarn, line):
        return do(tarn) if len(tarn.lines) == number else None

    return before


def interrupt(number=signal.SIGINT):
    os.kill(os.getpid(), number)


def stops(device):
    """Lines with which it was told to be safe, after the check itself: those have a check.

    What follows puts the settings back.
    """
    return [line for line in device.lines if SAFE in line and b"~" in line]


@pytest.fixture(autouse=True, scope="module")
def _read_once():
    with read_once():
        yield


# --------------------------------------------------------------------------------------------- interrupted


def handlers():
    return [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)]


@pytest.fixture
def _as_a_command(monkeypatch):
    """Signals do what they do in the installed command."""
    former = {number: signal.signal(number, command._end) for number in (signal.SIGTERM, signal.SIGHUP)}
    yield
    for number, handler in former.items():
        signal.signal(number, handler)


@pytest.mark.usefixtures("_as_a_command")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_ends_a_check_with_the_safe_action(number, tmp_path, capfd):
    device = Tarn(at_line(150, lambda tarn: interrupt(number)))
    before = handlers()
    with plugged_in(device, tmp_path) as port:
        assert command.run(["check", "tarn", port, "--yes", "--json", "report.json"]) == 128 + number
    assert len(stops(device)) == 1
    assert device.instrument.device.state == "off"
    assert "could not be confirmed" not in capfd.readouterr().err
    assert handlers() == before
    report = json.loads((tmp_path / "report.json").read_text())
    assert report["note"] == "it was interrupted"
    assert report["verdict"] == "inconclusive"  # much may have passed, but who knows about the rest


def test_a_second_interrupt_does_not_stop_the_safe_action(tmp_path, capfd):
    def impatient(tarn, line):
        if len(tarn.lines) == 150 or (SAFE in line and b"~" in line):
            interrupt()

    device = Tarn(impatient)
    with plugged_in(device, tmp_path) as port:
        assert command.run(["check", "tarn", port, "--yes"]) == 130
    assert len(stops(device)) == 1
    assert "could not be confirmed" not in capfd.readouterr().err


def test_the_command_itself_ends_so(tmp_path):
    """As a process, whose own handlers are in force."""
    device = Tarn()
    code = "from wirevow.emu.command import main; main()"
    with (
        plugged_in(device, tmp_path) as port,
        subprocess.Popen(
            [sys.executable, "-c", code, "check", "tarn", port, "--yes"], stderr=subprocess.PIPE, text=True
        ) as process,
    ):
        while len(device.lines) < 100 and process.poll() is None:
            time.sleep(0.01)
        process.terminate()
        _, said = process.communicate(timeout=60)
    assert process.returncode == 128 + signal.SIGTERM, said
    assert len(stops(device)) == 1
    assert "could not be confirmed" not in said


def test_a_signal_that_is_ignored_stays_ignored():
    former = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with Interrupts().handled():
            signal.raise_signal(signal.SIGHUP)
    finally:
        signal.signal(signal.SIGHUP, former)


def test_a_signal_is_noted_and_nothing_is_thrown_until_somebody_looks():
    interrupts = Interrupts()
    with interrupts.handled():
        signal.raise_signal(signal.SIGINT)
        signal.raise_signal(signal.SIGINT)
        assert interrupts.times == 2
        assert select.select([interrupts.waker], [], [], 0)[0]
        with pytest.raises(Interrupted):
            interrupts.woken()
        with pytest.raises(Interrupted):
            interrupts.look()
        with pytest.raises(KeyboardInterrupt):
            interrupts.act()


def test_a_signal_acts_at_the_end_whatever_else_has_ended_it():
    """Even in a destructor, where an exception would be lost, and whatever is raised instead of it."""

    class Collected:
        def __del__(self):
            interrupt()

    def work():
        with hooked_up(VOW, "emu://tarn") as hookup:
            hookup.tester.acquaint()
            Collected()
            with pytest.raises(Interrupted):
                hookup.tester.ask("self.state")
            raise ZeroDivisionError

    with pytest.raises(KeyboardInterrupt):
        work()


def test_an_interrupt_at_the_very_end_still_interrupts():
    def work():
        with hooked_up(VOW, "emu://tarn") as hookup:
            hookup.tester.acquaint()
            interrupt()

    with pytest.raises(KeyboardInterrupt):
        work()


# ------------------------------------------------------------------------------------------ other ways out


def test_a_defect_of_ours_ends_with_the_safe_action(tmp_path, monkeypatch):
    device = Tarn()

    def broken(tester, **_):
        tester.acquaint()
        raise ZeroDivisionError

    monkeypatch.setattr(campaign, "run", broken)
    with plugged_in(device, tmp_path) as port, pytest.raises(ZeroDivisionError):
        command.run(["check", "tarn", port, "--yes"])
    assert len(stops(device)) == 1


@pytest.mark.parametrize(
    ("reply", "why"),
    [
        (lambda tag: b"", "no answer"),
        (lambda tag: b"nonsense\n@1 ok\n", "no answer"),
        (lambda tag: tag + b" refuse fault overheat\n", "the answer was `"),
    ],
)
def test_a_safe_action_that_is_not_confirmed_is_said_loudly(reply, why, tmp_path, capfd):
    def deaf(tarn, line):
        return reply(line.split()[0]) if SAFE in line and b"~" in line else None

    device = Tarn(deaf)
    with plugged_in(device, tmp_path) as port:
        assert command.run(["check", "tarn", port, "--yes", "--budget", "100", "--json", "report.json"]) == 3
    (loud,) = [line for line in capfd.readouterr().err.splitlines() if "could not be confirmed" in line]
    assert why in loud
    assert "THE INSTRUMENT MAY STILL BE HANDLING POWER" in loud
    assert len(stops(device)) == ending.TRIES  # it was tried again
    warnings = json.loads((tmp_path / "report.json").read_text())["warnings"]
    assert warnings[0] == loud.removeprefix("wirevow: ")
    assert warnings[1].startswith("nothing that was changed could be put back. By hand: put ")
    assert all(each.startswith("the saved settings are not those that were found") for each in warnings[2:])


def test_a_port_that_hangs_is_left_behind(tmp_path, capfd, monkeypatch):
    """Nothing that a driver does may keep the user from being told."""
    never = threading.Event()

    def hang(self, request):
        never.wait(20)

    monkeypatch.setattr(ending._Wire, "exchange", hang)
    monkeypatch.setattr(ending, "WHOLE_S", 0.1)
    with plugged_in(Tarn(), tmp_path) as port:
        command.run(["check", "tarn", port, "--yes", "--budget", "100"])
        never.set()
    assert "the port took longer than 0.1 s" in capfd.readouterr().err


def test_the_guard_is_off_afterwards(tmp_path):
    """The safe action went out with a check, which turns it on."""
    device = Tarn()
    with plugged_in(device, tmp_path) as port:
        assert command.run(["check", "tarn", port, "--yes", "--budget", "100"]) == 3
    assert device.instrument.device.guard is False


def test_whoever_is_no_acquaintance_is_told_nothing(tmp_path, monkeypatch):
    monkeypatch.setattr("wirevow.protocol.conformance.plain.SYNC_TRIES", 2)
    device = Device()
    with plugged_in(device, tmp_path) as port:
        assert command.run(["check", "tarn", port, "--yes"]) == 2
    assert not [line for line in device.lines if b"act" in line or b"put" in line]


def test_the_bench_is_put_back_and_the_clock_let_go():
    with hooked_up(VOW, "emu://tarn") as hookup:
        rig = hookup.tester.rig
        hookup.tester.acquaint()
        hookup.tester.bench("source.voltage", "20")
        assert rig.hello().held
    assert hookup.warnings == []
    assert not rig.hello().held
    base = str(VOW.document.bench["source.voltage"].base)
    assert hookup.tester.session.port.is_open is False
    assert base != "20"


def test_a_rig_that_is_lost_is_an_error_and_the_instrument_is_made_safe(tmp_path, capfd, monkeypatch):
    from wirevow.emu.ports.rig import InstrumentRig
    from wirevow.protocol.conformance.rig import RigError

    calls = []

    def lost(self, span_ns, sent):
        calls.append(span_ns)
        if len(calls) > 20:
            raise RigError("the rig hung up")
        return real(self, span_ns, sent)

    real = InstrumentRig.advance
    monkeypatch.setattr(InstrumentRig, "advance", lost)
    assert command.run(["check", "tarn", "emu://tarn", "--json", "report.json"]) == 2
    assert capfd.readouterr().err == "wirevow: the rig hung up\n"
    assert json.loads((tmp_path / "report.json").read_text())["verdict"] == "error"


def test_a_port_that_is_lost_before_anything_was_asked(tmp_path, capfd):
    def gone(tarn, line):
        raise HangUp

    with plugged_in(Tarn(gone), tmp_path) as port:
        assert command.run(["check", "tarn", port, "--yes"]) == 2
    assert capfd.readouterr().err.count("\n") == 1  # nothing was done, so there is nothing to be loud about


# ------------------------------------------------------------------------------------------------- dry


def test_a_dry_check_of_everything_energises_nothing(monkeypatch):
    """With all that a rig can do, and every purpose begun."""
    monkeypatch.setattr(
        "wirevow.protocol.conformance.hookup.profile_for", lambda *_: Profile("dry", "it is tested")
    )
    with hooked_up(VOW, "emu://tarn", budget=1500) as hookup:
        report = campaign.run(hookup.tester)
        sent = b"".join(each.data for each in hookup.tester.session.journal if each.kind == "send")
    assert report.visited
    assert not [state for _, state in report.visited if VOW.states[state].energised]
    for name in (b"sink.start", b"capacity.start"):
        assert b"act " + name not in sent

"""What the checker costs beside bare loops, and how short its failures are.

The suite of the state machine is worked out before, as the command `check` does.

- `check_vs_bare_stateful`: lines per second of a whole check of the simulated instrument behind a
  pseudo-terminal, its clock held by the rig, over those of a bare Hypothesis state machine that sends fixed
  lines to an echo loop behind another.
- `paced_wire_efficiency`: in a check of an instrument paced at 115200 baud on the real clock, the time that
  the bytes of both directions take on an ideal wire (ten bits each, 8N1) over the time the check took, less
  what it waited on purpose.
- `shrunk_length`: lines the host sends in the case file of a failure, over those of the shortest exchange
  that was found by hand (tests/emu/exchanges.txt); median over one in five of the faults not held out.
"""

from __future__ import annotations

import contextlib
import os
import statistics
import subprocess
import sys
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, rule, run_state_machine_as_test

from tests.emu.exchanges import by_hand
from wirevow.emu.direct import direct_tester
from wirevow.emu.executor import results
from wirevow.emu.faults import build_instrument, faults_for
from wirevow.protocol.conformance import campaign
from wirevow.protocol.conformance.hookup import hooked_up
from wirevow.protocol.conformance.outcome import NoInstrument
from wirevow.protocol.conformance.session import Session
from wirevow.protocol.conformance.suite.group import group_for
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.document.load import load_document
from wirevow.protocol.serialport import open_port
from wirevow.protocol.vow import Vow, compile_vow

BARS = {
    "check_vs_bare_stateful": ("at least", 0.6),
    "paced_wire_efficiency": ("at least", 0.9),
    "shrunk_length": ("at most", 1.5),
}

DOCUMENT = Path(__file__).parents[2] / "spec" / "tarn.yaml"
ROUNDS = 3
LINES = 2500
BAUD = 115200
PACED_LINES = 1000
EVERY = 5
REQUESTS = [b"ask input.voltage\n", b"ask sink.level\n", b"ask self.uptime\n", b"put sink.level 1.000 A\n"]


@contextlib.contextmanager
def emulated(*options: str) -> Iterator[dict[str, str]]:
    """The demo instrument in a process of its own; the addresses of its `port` and its `rig`."""
    code = "from wirevow.emu.command import main; main()"
    command = [sys.executable, "-c", code, "emulate", str(DOCUMENT), "--rig", "tcp:127.0.0.1:0", *options]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield dict(process.stdout.readline().split() for _ in range(2))
        finally:
            process.terminate()


def checked_per_second(vow: Vow) -> float:
    """Lines per second of a check over a pseudo-terminal."""
    with emulated() as at, hooked_up(vow, at["port"], at["rig"], budget=None) as hookup:
        report = campaign.run(hookup.tester, group=group_for(hookup.tester))
        assert not report.failures
        return report.lines / report.seconds


def echo() -> None:
    """What is read is written, behind a pseudo-terminal."""
    master, slave = os.openpty()
    tty.setraw(slave)
    print(os.ttyname(slave), flush=True)
    while data := os.read(master, 4096):
        os.write(master, data)


def bare_per_second() -> float:
    """Lines per second of a state machine without a thought."""
    code = f"from {__name__} import echo; echo()"
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        descriptor = os.open(process.stdout.readline().strip(), os.O_RDWR | os.O_NOCTTY)
        tty.setraw(descriptor)
        lines = 0

        class Bare(RuleBasedStateMachine):
            @rule(request=st.sampled_from(REQUESTS))
            def exchange(self, request: bytes) -> None:
                nonlocal lines
                lines += 1
                os.write(descriptor, request)
                answer = os.read(descriptor, 4096)
                while not answer.endswith(b"\n"):
                    answer += os.read(descriptor, 4096)

        alone = settings(
            max_examples=LINES // 50,
            stateful_step_count=50,
            database=None,
            deadline=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        begun = time.perf_counter()
        try:
            run_state_machine_as_test(Bare, settings=alone)
            return lines / (time.perf_counter() - begun)
        finally:
            os.close(descriptor)
            process.kill()


class Watched(Session):
    """A session that knows how long it waited on purpose, and what came."""

    waited_s = 0.0
    came = 0

    def wait(self, ns: int, until: Callable[[], bool] | None = None) -> None:
        begun, before = time.perf_counter(), self._got
        super().wait(ns, until)
        self.waited_s += time.perf_counter() - begun
        self.came += self._got - before

    @property
    def exchanged(self) -> int:
        """Bytes both ways, but for those that came while it waited."""
        return self.sent + self._got - self.came


def paced(vow: Vow) -> float:
    with emulated("--pace", str(BAUD)) as at:
        port = open_port(at["port"], BAUD, vow.document.wire.opening)
        session = Watched(port, vow.document.wire.line_limit)
        tester = Tester(vow, session, budget=PACED_LINES)
        group = group_for(tester)
        begun = time.perf_counter()
        report = campaign.run(tester, group=group)
        assert not report.failures, report.failures
        taken_s = time.perf_counter() - begun - session.waited_s
        port.close()
        return session.exchanged * 10 / BAUD / taken_s


def shrunk(name: str) -> float | None:
    """How much longer than by hand the case of a fault is; None if it is not detected."""
    vow = compile_vow(load_document(DOCUMENT).document)
    with contextlib.suppress(NoInstrument):  # turned away at the door, without a case
        report = campaign.run(direct_tester(vow, build_instrument(vow, fault=name)), until_failure=True)
        return report.failures[0].case.sends / by_hand()[name] if report.failures else None
    return None


def shrunk_length(vow: Vow) -> float:
    names = [fault.name for fault in faults_for(vow) if by_hand()[fault.name] and not fault.holdout][::EVERY]
    ratios = [ratio for _, ratio in results(shrunk, names) if ratio is not None]
    assert len(ratios) >= 20
    return statistics.median(ratios)


def measure() -> dict[str, float]:
    vow = compile_vow(load_document(DOCUMENT).document)
    # Each round beside its own bare one, so that whatever else the machine does hits both.
    shares = [checked_per_second(vow) / bare_per_second() for _ in range(ROUNDS)]
    return {
        "check_vs_bare_stateful": statistics.median(shares),
        "paced_wire_efficiency": paced(vow),
        "shrunk_length": shrunk_length(vow),
    }

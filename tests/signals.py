"""Signals at random moments of a check that energises: none may be lost, and none may change a verdict.

Each trial is a check in a process of its own, within an envelope, of a Tarn at a pseudo-terminal without a
rig, whose settings are not the defaults. Half of them are inside searches, where a library runs the
instrument. Some signals come twice. Afterwards the safe action was on the wire in time, the state is the
initial one, settings and store are as they were found, and the verdict is that of a check cut short.

    python -m tests.signals [TRIALS]      tells what went wrong, and how soon the safe action was on the wire
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tests.stand_in import Tarn, plugged_in
from wirevow.emu.executor import results
from wirevow.protocol.conformance import host
from wirevow.protocol.conformance.ending import ANSWER_S
from wirevow.protocol.conformance.plain import BUSY_SHARE

ENVELOPE = """\
document: tarn
source: {means: A bench supply at 12 V., declared_by: a tester}
most: {volts: 16, amperes: 1, watts: 12, celsius: 60, seconds: 120, coulombs: 60, saves: 3}
"""
NUMBERS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
MOST_LINES = 450
"""Before so many lines the signal comes, or so long after it was begun."""
MOST_S = 4.0
ONLY = ("wire.*", "point.sink.*", "state.*", "action.*", "trip.*", "law.*")
"""What a check looks at that is no search: one of these, so that it soon is where much can go wrong."""
FOUND = (
    "sink.power 15.00 W",
    "sink.voltage 20.000 V",
    "limit.current 5.000 A",
    "swing.count 7",
    "fan.manual 30.0 %",
    "capacity.cutoff 2.500 V",
)
"""What somebody has put before the check, and saved half of it."""
LOOK_S = 0.05
"""A device that hears so late makes the safe action seem late."""
GIVE_UP_S = 60.0
AT_ONCE = 10
"""Trials that one process makes."""
ALLOWED_S = 0.25
"""The safe action is on the wire by then: one reply deadline of Tarn, and 0.2 s."""
SAFE = b"act sink.stop ~"
LIVE = ("sinking", "swinging", "discharging")

NURSERY = """\
import json, os, signal, sys
from wirevow.emu import checking, command
from wirevow.emu.commands import check
from wirevow.protocol.conformance import campaign
from wirevow.protocol.conformance.search.walk import Search
from wirevow.protocol.conformance.outcome import Late
from wirevow.protocol.document import load, vet
from wirevow.protocol.report import document, terminal

# However this was begun (`nohup` and `&` of a shell have signals ignored): what is ignored stays ignored.
for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
    signal.signal(number, signal.default_int_handler if number == signal.SIGINT else signal.SIG_DFL)

loaded = checking.sound("tarn")
checking.sound = lambda doc: loaded
whole = campaign.run

def searching(tester, *, report, **_):
    tester.lenient = True
    while True:
        try:
            tester.mark()
            tester.acquaint()
            tester.home()
            break
        except Late:
            pass
    try:
        while True:
            try:
                Search(tester, report.seed, 100_000).run()
            except Late:
                tester.acquaint()
    finally:
        campaign._tally(tester, report)

for line in sys.stdin:
    asked = json.loads(line)
    child = os.fork()
    if not child:
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        os.dup2(os.open(asked["said"], os.O_WRONLY | os.O_CREAT), 1)
        os.dup2(1, 2)
        campaign.run = searching if asked["search"] else whole
        sys.argv = ["wirevow", *asked["words"]]
        command.main()
    print(child, flush=True)
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""


class Watched(Tarn):
    """Knows how long it was kept from answering, by a machine that is too busy."""

    def __init__(self, came: list[tuple[float, bytes]]) -> None:
        super().__init__(self._hear)
        self.kept_s = 0.0
        self.safe_ns: int | None = None
        """How long programs of this machine had waited for a processor when the safe action came."""
        self._came = came
        self._seen_s = time.monotonic()

    def _hear(self, tarn: Tarn, line: bytes) -> None:
        self._came.append((time.monotonic(), line))
        if SAFE in line and self.safe_ns is None:
            self.safe_ns = host.contended_ns()

    def idle(self) -> bytes:
        now_s = time.monotonic()
        self.kept_s, self._seen_s = max(self.kept_s, now_s - self._seen_s), now_s
        return super().idle()


@dataclass
class Trial:
    """What came of one."""

    seed: int
    wrong: list[str] = field(default_factory=list)
    safe_s: float | None = None
    """How long after the signal the safe action was on the wire."""
    late: bool = False
    excused: bool = False
    """Whether the device was kept from hearing or answering in time by a machine that is too busy."""
    live: bool = False
    """Whether it handled power when the signal came."""


@contextmanager
def nursery() -> Iterator[subprocess.Popen[str]]:
    """A process that has read the document, and starts checks quickly."""
    with subprocess.Popen(
        [sys.executable, "-c", NURSERY],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[1])},
    ) as process:
        yield process
        assert process.stdin is not None
        process.stdin.close()


def trial(nurse: subprocess.Popen[str], seed: int, folder: Path) -> Trial:
    """Begin a check, end it by a signal, and look at what it has done."""
    chance = random.Random(seed)
    number = NUMBERS[seed % 3]
    twice = chance.random() < 0.5
    at_line, after_s = chance.randrange(1, MOST_LINES), chance.random() * 0.02
    came: list[tuple[float, bytes]] = []
    device = Watched(came)
    _used(device)
    found = _held(device)
    came.clear()
    result = Trial(seed)
    envelope, report, said = folder / "envelope.yaml", folder / "report.json", folder / "said"
    envelope.write_text(ENVELOPE)
    assert nurse.stdin is not None
    assert nurse.stdout is not None
    with plugged_in(device, folder) as port:
        words = ["check", "tarn", port, "--envelope", str(envelope), "--yes", "--seed", str(seed)]
        words += ["--json", str(report), "--only", chance.choice(ONLY)]
        nurse.stdin.write(json.dumps({"words": words, "said": str(said), "search": seed % 2}) + "\n")
        nurse.stdin.flush()
        child = os.pidfd_open(int(nurse.stdout.readline()))
        begun_s = time.monotonic()
        while len(came) < at_line and (not came or time.monotonic() < begun_s + MOST_S):
            if time.monotonic() > begun_s + GIVE_UP_S:
                break
            time.sleep(0.001)
        time.sleep(after_s)
        result.live = device.instrument.device.state in LIVE
        device.kept_s, device.safe_ns = 0.0, None
        sent_s = time.monotonic()
        contended_ns = host.contended_ns()
        early = not _sent(child, number)
        if twice:
            time.sleep(chance.random() * 0.05)
            _sent(child, chance.choice(NUMBERS))
        os.close(child)
        status = int(nurse.stdout.readline())
    words_said = said.read_text() if said.exists() else ""
    ended = [128 + each for each in (NUMBERS if twice else (number,))]
    if twice:  # the second may come when all is done, and the interpreter has let go of its handlers
        ended += [-each for each in NUMBERS]
    if early:
        result.wrong.append(f"status {status} before the signal: {words_said[-800:]}")
    elif status not in ended:
        result.wrong.append(f"status {status}: {words_said[-800:]}")
    contended_s = ((device.safe_ns or contended_ns) - contended_ns) / 1e9
    _look_after(result, device, found, came, sent_s, words_said, contended_s)
    text = report.read_text() if report.exists() else ""
    data = json.loads(text) if text else None
    if data is None:
        if not twice:  # a second signal that comes once all is safe ends the rest, too
            result.wrong.append(f"no report: {words_said}")
    elif data["failures"] or data["verdict"] != "inconclusive":
        failed = [f"{row['id']}: {row['reason']}" for row in data["requirements"] if row["verdict"] == "fail"]
        result.wrong.append(f"verdict {data['verdict']}: {'; '.join(failed)}")
    return result


def _sent(child: int, number: int) -> bool:
    """Send a signal; whether the process was still there."""
    try:
        signal.pidfd_send_signal(child, number)
    except ProcessLookupError:
        return False
    return True


def _look_after(
    result: Trial,
    device: Watched,
    found: dict[str, object],
    came: list[tuple[float, bytes]],
    sent_s: float,
    said: str,
    contended_s: float,
) -> None:
    """How the instrument was left, and when it was told to be safe."""
    if "By hand:" in said or "could not be confirmed" in said:
        if device.kept_s > ANSWER_S:
            result.excused = True  # and it has said so
            return
        result.wrong.append(said)
    left, state = _held(device), device.instrument.device.state
    if state != "off":
        result.wrong.append(f"state {state}")
    for what, before in found.items():
        if left[what] != before:
            result.wrong.append(f"{what} was {before}, is {left[what]}")
    safe = [when_s for when_s, line in came if when_s >= sent_s and SAFE in line]
    asked = all(b"ask " in line for _, line in came if line)
    if not safe and not asked:  # a check that has only asked has nothing to make safe
        result.wrong.append("no safe action")
    elif safe:
        result.safe_s = safe[0] - sent_s
        if result.safe_s > ALLOWED_S:
            result.excused = device.kept_s > LOOK_S or contended_s > result.safe_s * BUSY_SHARE
            result.late = not result.excused


def _used(device: Tarn) -> None:
    """Somebody has worked with it before."""
    half = len(FOUND) // 2
    for line in (
        *(f"put {each}" for each in FOUND[:half]),
        "act settings.save",
        *(f"put {each}" for each in FOUND[half:]),
    ):
        said = device.answer(line.encode())
        assert b"ok" in said, (line, said)


def _held(device: Tarn) -> dict[str, object]:
    """What it holds: settings in force and in the store, notices and guard."""
    inside = device.instrument.device
    return {
        **{f"{name} in force": value for name, value in inside.settings.items()},
        **{f"{name} saved": value for name, value in inside.store.settings.items()},
        "notices": inside.notices,
        "guard": inside.guard,
    }


def trials(seeds: range) -> list[Trial]:
    """So many, one after the other."""
    done = []
    with nursery() as nurse:
        for seed in seeds:
            with tempfile.TemporaryDirectory() as folder:
                done.append(trial(nurse, seed, Path(folder)))
    return done


def main() -> int:
    """Try many signals; status 1 if one was lost, or changed a verdict, or was late."""
    many = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    began = time.monotonic()
    bad, live, excused, taken = 0, 0, 0, []
    parts = [range(first, min(many, first + AT_ONCE)) for first in range(0, many, AT_ONCE)]
    for _, part in results(trials, parts):
        for done in part:
            live += done.live
            excused += done.excused
            if done.wrong or done.late:
                bad += 1
                why = "; ".join(done.wrong) or f"after {done.safe_s:.3f} s"
                print(f"seed {done.seed}: {why}", flush=True)
            if done.safe_s is not None:
                taken.append(done.safe_s)
    taken.sort()
    print(f"{many} signals, {live} of them while it handled power: {bad} went wrong")
    if excused:
        print(f"  in {excused} this machine was too busy to hear or answer the safe action in time")
    if taken:
        median_ms, most_ms = taken[len(taken) // 2] * 1000, taken[-1] * 1000
        print(f"the safe action came after {median_ms:.1f} ms (median), {most_ms:.1f} ms at most")
    print(f"  ({time.monotonic() - began:.0f} s)")
    return 1 if bad else 0


if __name__ == "__main__":
    from tests import signals  # as other processes import it

    sys.exit(signals.main())

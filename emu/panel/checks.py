"""A check that is started from a page, in a process of its own.

Of a simulated instrument it holds another one of the same document, bench, fault and seed to the document, in
virtual time: the one in the page goes on undisturbed. A real one is held to what can be asked without
energising it, saving, booting or switching an output, and gets its settings back; meanwhile the page leaves
it alone. The process writes a JSON object a line:

| `"kind"`   | with                                                                                   |
|------------|----------------------------------------------------------------------------------------|
| `progress` | `done` and `whole` (purposes), `at`, and the `verdicts` that have changed, by id       |
| `ended`    | `verdict`, `note`, `guarantee`, `lines`, `seconds`, `rows`, and `failures`, each with  |
|            | its steps and the picture of its readings                                              |
| `trouble`  | `text`: why there is no check                                                          |
"""

from __future__ import annotations

import asyncio
import json
import sys
import time
from collections.abc import AsyncIterator, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from wirevow.protocol.errors import WirevowError

if TYPE_CHECKING:
    from wirevow.protocol.conformance.campaign import Finding, Progress, Report
    from wirevow.protocol.report.outcome import Breach, Outcome

EVERY_S = 0.2
"""How often is told how far it is."""
ENDING_S = 15.0
"""So long a check that is ended may take to put a real instrument back."""
LONGEST_LINE = 8_000_000
"""Bytes of one object."""
Message = dict[str, Any]


class Check:
    """A check that runs."""

    def __init__(self, doc: str, port: str, seed: int, only: Sequence[str] = ()) -> None:
        self._words = (doc, port, str(seed), *only)
        self._process: asyncio.subprocess.Process | None = None
        self._stopped = False

    async def messages(self) -> AsyncIterator[Message]:
        """What it tells, until it has ended."""
        self._process = process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            __name__,
            *self._words,
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
            limit=LONGEST_LINE,
        )
        assert process.stdout is not None
        assert process.stderr is not None
        ended = closed = False
        try:
            errors = asyncio.create_task(process.stderr.read())
            async for line in process.stdout:
                message: Message = json.loads(line)
                ended = message["kind"] in ("ended", "trouble")
                yield message
            closed = True
            said = (await errors).decode("utf-8", "replace").strip().splitlines()
            if not ended:
                why = "it was stopped" if self._stopped else "the check ended unexpectedly"
                yield {"kind": "trouble", "text": said[-1] if said and not self._stopped else why}
        finally:
            if not closed:
                self.stop()
                try:
                    await asyncio.wait_for(process.stdout.read(), ENDING_S)
                except TimeoutError:
                    with suppress(ProcessLookupError):
                        process.kill()
            await process.wait()

    def stop(self) -> None:
        """End it; what it has found by then comes as its end."""
        self._stopped = True
        if self._process is not None:
            with suppress(ProcessLookupError):
                self._process.terminate()


# ----------------------------------------------------------------------------------------- in its own process


def main(doc: str, port: str, seed: str, *only: str) -> None:
    """Check, and tell."""
    import signal

    from wirevow.emu import checking
    from wirevow.emu.loading import sound
    from wirevow.protocol.vow import compile_vow

    def interrupt(number: int, frame: object) -> None:
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, interrupt)
    try:
        loaded = sound(doc)
        ended = checking.run(
            loaded,
            compile_vow(loaded.document),
            port,
            rig=None,
            seed=int(seed),
            envelope=None,
            budget=None,
            extra_states=0,
            only=only,
            shown=_shown,
        )
    except WirevowError as error:
        _tell({"kind": "trouble", "text": error.message})
        return
    _tell(_ended(ended.outcome))


@contextmanager
def _shown(report: Report) -> Iterator[Progress | None]:
    told: dict[str, str] = {}
    due_s = 0.0

    def progress(done: int, whole: int, finding: Finding) -> None:
        nonlocal due_s
        if time.monotonic() < due_s:
            return
        due_s = time.monotonic() + EVERY_S
        verdicts = {key: str(each.verdict) for key, each in report.findings.items()}
        changed = {key: verdict for key, verdict in verdicts.items() if told.get(key) != verdict}
        told.update(changed)
        _tell(
            {
                "kind": "progress",
                "done": done,
                "whole": whole,
                "at": finding.requirement.id,
                "verdicts": changed,
            }
        )

    yield progress


def _ended(outcome: Outcome) -> Message:
    return {
        "kind": "ended",
        "verdict": outcome.verdict,
        "note": outcome.note,
        "guarantee": outcome.guarantee,
        "lines": outcome.lines,
        "seconds": outcome.seconds,
        "rows": {row.id: [row.verdict, row.reason, row.measured] for row in outcome.rows},
        "failures": [_failure(breach) for breach in outcome.breaches],
    }


def _failure(breach: Breach) -> Message:
    from wirevow.protocol.report.trace import trace

    picture = trace(breach.steps)
    return {
        **{
            key: getattr(breach, key)
            for key in ("requirement", "sentence", "place", "expected", "seen", "again")
        },
        "lines": breach.lines,
        "also": breach.also,
        "steps": [[step.kind, step.text, step.at_s] for step in breach.steps],
        "picture": None if picture is None else asdict(picture),
    }


def _tell(message: Message) -> None:
    sys.stdout.write(json.dumps(message, separators=(",", ":")) + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main(*sys.argv[1:])

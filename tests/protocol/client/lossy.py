"""A link that loses and doubles lines, is unplugged and whose instrument boots; and what really was done.

python -m tests.protocol.client.lossy ROUNDS
"""

from __future__ import annotations

import random
import sys
from collections import Counter
from typing import Any

import wirevow
from wirevow.protocol.client.operations import Came, Step
from wirevow.protocol.serialport import PortError


class Lossy:
    """Stands between a client and its link, and between the instrument and its actions."""

    def __init__(self, run: wirevow.Emulation, seed: int, share: float) -> None:
        self._random = random.Random(seed)
        self._share = share
        self._run = run
        client: Any = run.client
        self._link = client._driver.link
        client._driver.link = self
        self.done: Counter[tuple[int, str]] = Counter()
        """What was done since the trial began, by boot and name."""
        device = run._world.line.instrument.device
        self.device = device
        for verb in ("_put", "_act"):
            setattr(device, verb, self._counted(getattr(device, verb)))
        self.off = False
        """Harm nothing."""

    def _counted(self, do: Any) -> Any:
        def counted(request: Any, now_ns: int) -> Any:
            answer = do(request, now_ns)
            if answer[0]:
                self.done[self.device.store.boots, request.name] += 1
            return answer

        return counted

    def turn(self, step: Step) -> Came:
        if self.off:
            return self._link.turn(step)
        lines = step.data.splitlines(keepends=True)
        data = b"".join(line * self._harm() for line in lines)
        if self._hit(0.05):
            self._run.rig.reset()
        if self._hit(0.05):
            raise PortError("unplugged before")
        came = self._link.turn(Step(data, step.until_ns))
        if self._hit(0.05):
            self._run.rig.reset()
        if self._hit(0.05):
            raise PortError("unplugged after")
        back = b"".join(line * self._harm() for line in came.data.splitlines(keepends=True))
        return Came(back, came.now_ns)

    def _hit(self, part: float) -> bool:
        return self._random.random() < self._share * part

    def _harm(self) -> int:
        draw = self._random.random()
        return 0 if draw < self._share else 2 if draw < 2 * self._share else 1

    def __getattr__(self, name: str) -> Any:
        return getattr(self._link, name)


def trial(rounds: int, seed: int, share: float = 0.15, doc: str = "tarn") -> Counter[str]:
    """So many puts and acts; AssertionError if one was done twice, or believed done and was not.

    Returns how often each outcome was seen, so that a trial that shows nothing is noticed.
    """
    names = (
        "sink.level", "sink.start", "swing.begin", "swing.trigger", "swing.end",
        "sink.stop", "trim.begin", "trim.end",
    )  # fmt: skip
    seen: Counter[str] = Counter()
    chance = random.Random(seed + 1)
    with wirevow.emulate(doc, seed=seed) as run:
        lossy = Lossy(run, seed, share)
        client = run.client
        for index in range(rounds):
            name = names[index % len(names)] if chance.random() < 0.8 else chance.choice(names)
            lossy.done.clear()
            believed, outcome = False, "done"
            try:
                if name == "sink.level":
                    client[name].put(chance.randrange(6000) / 1000)
                else:
                    client[name]()
                believed = True
            except wirevow.Refused:
                outcome = "refused"
            except wirevow.Unsure:
                outcome = "unsure"
            except wirevow.WirevowError as error:
                outcome = type(error).__name__
            seen[outcome] += 1
            times = [count for (_, done), count in lossy.done.items() if done == name]
            once = name == "sink.level" or not client.vow.actions[name].once
            assert all(count <= 1 for count in times), f"{name} was done twice in round {index}"
            assert once or sum(times) <= 1, f"{name} was done twice, over a boot, in round {index}"
            if believed:
                assert sum(times) == 1, f"{name} was believed done in round {index}: {times}"
            elif outcome == "refused":
                assert not times, f"{name} was believed refused in round {index}"
        lossy.off = True
    return seen


if __name__ == "__main__":
    total: Counter[str] = Counter()
    for part in range(-(-int(sys.argv[1]) // 500)):
        total += trial(500, 1000 + part)
        print(f"\rexactly once: {500 * (part + 1)} puts and acts", end="", flush=True)
    print(f", none done twice, none believed done that was not: {dict(total)}")

"""A link that loses and doubles lines, is unplugged and whose instrument boots; and what really was done.

python -m tests.protocol.client.lossy ROUNDS [asyncio]
"""

from __future__ import annotations

import asyncio
import random
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from typing import Any

import wirevow
from wirevow.protocol.client.operations import Came, Step
from wirevow.protocol.serialport import PortError

TARN = wirevow.load("tarn")


class Lossy:
    """Stands between a client and its link, and between the instrument and its actions."""

    def __init__(self, link: Any, device: Any, reset: Callable[[], object], seed: int, share: float) -> None:
        self._link = link
        self._reset = reset
        self._random = random.Random(seed)
        self._share = share
        self.done: Counter[tuple[int, str]] = Counter()
        """What was done since the trial began, by boot and name."""
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
        return self._after(self._link.turn(self._before(step)))

    def _before(self, step: Step) -> Step:
        if self.off:
            return step
        data = b"".join(line * self._harm() for line in step.data.splitlines(keepends=True))
        self._mishap("before")
        return step._replace(data=data)

    def _after(self, came: Came) -> Came:
        if self.off:
            return came
        self._mishap("after")
        return came._replace(
            data=b"".join(line * self._harm() for line in came.data.splitlines(keepends=True))
        )

    def _mishap(self, when: str) -> None:
        if self._hit(0.05):
            self._reset()
        if self._hit(0.05):
            raise PortError(f"unplugged {when}")

    def _hit(self, part: float) -> bool:
        return self._random.random() < self._share * part

    def _harm(self) -> int:
        draw = self._random.random()
        return 0 if draw < self._share else 2 if draw < 2 * self._share else 1

    def __getattr__(self, name: str) -> Any:
        return getattr(self._link, name)


class AsyncLossy(Lossy):
    """The same for a client of asyncio."""

    async def turn(self, step: Step) -> Came:  # type: ignore[override]
        return self._after(await self._link.turn(self._before(step)))


NAMES = (
    "sink.level", "sink.start", "swing.begin", "swing.trigger", "swing.end",
    "sink.stop", "trim.begin", "trim.end",
)  # fmt: skip


class Judge:
    """What a host believes against what was done."""

    def __init__(self, rounds: int, seed: int) -> None:
        self._chance = random.Random(seed + 1)
        self._rounds = rounds
        self.seen: Counter[str] = Counter()

    def rounds(self) -> Iterator[tuple[str, float | None]]:
        """What to do next: an action's name, or a point's with a value to put."""
        for index in range(self._rounds):
            name = NAMES[index % len(NAMES)] if self._chance.random() < 0.8 else self._chance.choice(NAMES)
            yield name, self._chance.randrange(6000) / 1000 if name == "sink.level" else None

    def judge(self, name: str, once: bool, error: wirevow.WirevowError | None, lossy: Lossy) -> None:
        """AssertionError if it was done twice, or believed done and was not."""
        outcome = "done" if error is None else type(error).__name__.lower()
        self.seen[outcome] += 1
        times = [count for (_, done), count in lossy.done.items() if done == name]
        lossy.done.clear()
        assert all(count <= 1 for count in times), f"{name} was done twice"
        assert not once or sum(times) <= 1, f"{name} was done twice, over a boot"
        if error is None:
            assert sum(times) == 1, f"{name} was believed done: {times}"
        elif outcome == "refused":
            assert not times, f"{name} was believed refused"


def once(name: str) -> bool:
    """Whether twice is more than once; a put is not."""
    return name != "sink.level" and TARN.actions[name].once


def trial(rounds: int, seed: int, share: float = 0.15) -> Counter[str]:
    """So many puts and acts; how often each outcome was seen, so that one that shows nothing is noticed."""
    judge = Judge(rounds, seed)
    with wirevow.emulate("tarn", seed=seed) as run:
        client: Any = run.client
        device = run._world.line.instrument.device  # type: ignore[attr-defined]
        lossy = client._driver.link = Lossy(client._driver.link, device, run.rig.reset, seed, share)
        for name, value in judge.rounds():
            error = None
            try:
                client[name]() if value is None else client[name].put(value)
            except wirevow.WirevowError as raised:
                error = raised
            judge.judge(name, once(name), error, lossy)
        lossy.off = True
    return judge.seen


def async_trial(rounds: int, seed: int, share: float = 0.15) -> Counter[str]:
    """The same for the client of asyncio."""
    judge = Judge(rounds, seed)

    async def work() -> None:
        async with wirevow.connect_async(f"emu://tarn?seed={seed}", TARN) as given:
            client: Any = given
            transport = client._link._transport
            reset = transport.get_extra_info("rig").reset
            lossy = client._link = AsyncLossy(
                client._link, transport._line.instrument.device, reset, seed, share
            )
            for name, value in judge.rounds():
                error = None
                try:
                    await (client[name]() if value is None else client[name].put(value))
                except wirevow.WirevowError as raised:
                    error = raised
                judge.judge(name, once(name), error, lossy)
            lossy.off = True

    with asyncio.Runner(loop_factory=wirevow.VirtualLoop) as runner:
        runner.run(work())
    return judge.seen


if __name__ == "__main__":
    total: Counter[str] = Counter()
    for part in range(-(-int(sys.argv[1]) // 500)):
        total += (async_trial if "asyncio" in sys.argv else trial)(500, 1000 + part)
        print(f"\rexactly once: {500 * (part + 1)} puts and acts", end="", flush=True)
    print(f", none done twice, none believed done that was not: {dict(total)}")

"""What simple plants have in common: time, the bench's timeline, watches, names and values that are checked.

A subclass says what becomes of what is driven or happens (`_take`), what a signal's value is at an instant
(`_value`), and when a watch changes its truth next (`_first_change`).
"""

from __future__ import annotations

from collections.abc import Mapping

from wirevow.emu.bench import Bench
from wirevow.emu.plant.agenda import Planned, Watch, timeline
from wirevow.emu.plant.interface import Crossing
from wirevow.protocol.document.terminals import Control, Signal

LOOK_AHEAD_NS = 3600 * 1_000_000_000


class Seam:
    """The bookkeeping of `wirevow.emu.plant.interface.Plant`."""

    signals: Mapping[str, Signal]
    controls: Mapping[str, Control]
    events: Mapping[str, Control]

    def __init__(self, name: str, bench: Bench | None, horizon_ns: int) -> None:
        self.name = name
        self.horizon_ns = horizon_ns
        self.now_ns = 0
        self._agenda: list[Planned] = timeline(bench, self.events) if bench is not None else []
        self._next = 0
        self._watches: dict[int, Watch] = {}
        self._quiet_ns: int | None = None
        """Cached answer of `quiet_until_ns`, until something is driven or watched anew."""

    # ------------------------------------------------------------------------------------- of a subclass

    def _take(self, changes: Mapping[str, float | str], happened: bool) -> None:
        """Controls that are driven now, or bench events that have happened; names and values are good."""
        raise NotImplementedError

    def _value(self, signal: str, ns: int) -> float:
        """The true value of a known signal at an instant within the horizon."""
        raise NotImplementedError

    def _first_change(self, watch: Watch, stop: int) -> int:
        """The first nanosecond in (now, stop] at which the watch's truth is another, else `stop`."""
        raise NotImplementedError

    def _look_ahead_ns(self) -> int:
        """How far ahead of now is known what happens if nothing is driven."""
        return self.now_ns + LOOK_AHEAD_NS

    # ------------------------------------------------------------------------------------------- the seam

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        self._must_be_now(now_ns)
        self._happen(
            {name: self._known("control", self.controls, name, each) for name, each in changes.items()}
        )

    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        self._must_be_now(now_ns)
        self._happen({event: self._known("bench event", self.events, event, value)}, happened=True)

    def watch(self, key: int, signal: str, above: bool, threshold: float) -> bool:
        watch = Watch(signal, above, threshold, False)
        watch.true = watch.holds(self.at(signal, self.now_ns))
        self._watches[key] = watch
        self._quiet_ns = None
        return watch.true

    def unwatch(self, key: int) -> None:
        self._watches.pop(key, None)
        self._quiet_ns = None

    def advance(self, to_ns: int) -> Crossing | None:
        while True:
            for key in sorted(self._watches):
                watch = self._watches[key]
                true = watch.holds(self._value(watch.signal, self.now_ns))
                if true != watch.true:
                    watch.true = true
                    return Crossing(key, self.now_ns, true)
            if self.now_ns >= to_ns:
                return None
            quiet_ns = self.quiet_until_ns()
            if to_ns < quiet_ns:
                self.now_ns = to_ns
                return None
            self.now_ns = quiet_ns
            self._quiet_ns = None
            self._fire_planned()

    def quiet_until_ns(self) -> int:
        if self._quiet_ns is None:
            stop = self._look_ahead_ns()
            if self._next < len(self._agenda):
                stop = min(stop, self._agenda[self._next].when_ns)
            self._quiet_ns = min(
                [stop, *(self._first_change(watch, stop) for watch in self._watches.values())]
            )
        return self._quiet_ns

    def at(self, signal: str, when_ns: int) -> float:
        if signal not in self.signals:
            known = ", ".join(sorted(self.signals))
            raise ValueError(f"a {self.name} has no signal {signal!r}: write one of {known}")
        if not self.now_ns - self.horizon_ns <= when_ns <= self.now_ns:
            raise ValueError(
                f"{when_ns} ns is not within horizon_ns, {self.horizon_ns} ns, before {self.now_ns}"
            )
        return self._value(signal, max(when_ns, 0))

    def sample(self, signal: str, tick: int, period_ns: int) -> float:
        return self.at(signal, tick * period_ns)

    def foretold(self, signal: str, tick: int, period_ns: int) -> float:
        return self._value(signal, tick * period_ns)

    # --------------------------------------------------------------------------------------------- inside

    def _must_be_now(self, now_ns: int) -> None:
        if now_ns != self.now_ns:
            raise ValueError(f"the plant stands at {self.now_ns} ns, not {now_ns}: advance it first")

    def _known(
        self, what: str, offered: Mapping[str, Control], name: str, value: float | str | None
    ) -> float | str:
        if name not in offered:
            known = ", ".join(offered)
            raise ValueError(f"a {self.name} has no {what} {name!r}: write one of {known or '(none)'}")
        return offered[name].checked(name, value)

    def _happen(self, changes: Mapping[str, float | str], happened: bool = False) -> None:
        self._quiet_ns = None
        self._take(changes, happened)

    def _fire_planned(self) -> None:
        while self._next < len(self._agenda) and self._agenda[self._next].when_ns <= self.now_ns:
            planned = self._agenda[self._next]
            self._next += 1
            self.bench(planned.event, planned.value, self.now_ns)

    def _bisected(self, watch: Watch, left: int, right: int) -> int:
        """The nanosecond in (left, right] at which the watch's truth becomes what it is at `right`."""
        while right - left > 1:
            middle = (left + right) // 2
            if watch.holds(self._value(watch.signal, middle)) != watch.true:
                right = middle
            else:
                left = middle
        return right

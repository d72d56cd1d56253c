"""Examples for a manual: exchanges that are run against a simulated instrument when the manual is built.

The oracle judges every line, as in a check: an example whose answer is not what the document allows, or that
does not show what it is there for, ends the building with an `ExampleError`.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from wirevow.emu.instrument import Instrument
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.model import Provoke
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.message import Notice, check_of, parse_answer
from wirevow.protocol.oracle import Oracle
from wirevow.protocol.quantity import MOST_DIGITS
from wirevow.protocol.vow import ActionEntry, PointEntry, TripEntry, Vow, value_of

REST_NS = NS_PER_S
"""From a boot, or from the end of a mishap, until the example goes on."""
LOOKS = 20
"""So often the state is asked while something is waited for."""
LONGEST_PROVOKE_NS = 60 * NS_PER_S
"""What takes longer to bring about is told, not run."""

Line = tuple[str, str]
"""Who speaks (`>` the host, `<` the instrument), and what."""
Maker = Callable[[], Instrument]


class ExampleError(WirevowError):
    """An example is not answered as the manual would say."""


@dataclass(frozen=True, slots=True)
class Step:
    """What leads from one state to another: an action, or a mishap that the document tells how to provoke."""

    to: str
    action: ActionEntry | None = None
    provoke: Provoke | None = None


class Examples:
    """Runs examples, each on an instrument of its own, fresh from its boot."""

    def __init__(self, vow: Vow, make: Maker) -> None:
        self.vow = vow
        self._make = make

    def point(self, entry: PointEntry) -> list[Line]:
        """Ask a point; a setting is put before."""
        ask = f"ask {entry.name}" + (" 0" if entry.record is not None else "")
        if not entry.settable:
            scene = self._scene()
            scene.show(ask)
            return scene.shown
        route = self._route(lambda state: entry.set_in is None or state in entry.set_in)
        if route is None:
            return []
        scene = self._scene()
        scene.go(route)
        given = self.vow.document.trial.put.get(entry.name)
        value = entry.default if given is None else value_of(entry, given)
        scene.show(f"put {entry.name} {' '.join(entry.words(value))}")
        scene.show(ask)
        return scene.shown

    def action(self, action: ActionEntry) -> list[Line]:
        """Do an action, where that changes the state if there is such a place, and ask the state."""
        changing = {state for state, to in action.to.items() if to != state}
        route = self._route(lambda state: state in (changing or action.to))
        if route is None:
            return []
        scene = self._scene()
        scene.go(route)
        scene.act(action, shown=True)
        state = self.vow.system_name("state")
        if state is not None and ("reboot", "") not in action.does:
            scene.show(f"ask {state}")
        return scene.shown

    def trip(self, trip: TripEntry) -> list[Line]:
        """The notice of a trip; none where it takes too long, or the document does not tell how."""
        provoke = self.vow.document.trips[trip.name].provoke
        if provoke is None or provoke.within > LONGEST_PROVOKE_NS or "notices" not in self.vow.parts:
            return []
        route = self._route(lambda state: state == provoke.state)
        if route is None:
            return []
        scene = self._scene()
        scene.prepare(provoke)
        scene.go(route)
        scene.mishap(provoke, trip.to)
        found = [line for line in scene.notices if f" trip {trip.name}" in line]
        if not found:
            raise ExampleError(f"the example of trip {trip.name} does not trip: mend the document's provoke")
        return [("<", found[-1])]

    def refusals(self) -> Iterator[tuple[str, list[Line]]]:
        """An example of each reason that this instrument has one for."""
        for reason, line in self._refused().items():
            scene = self._scene()
            if reason == "busy":
                scene.bench("panel.control", "local")
            scene.show(line, refused=reason)
            yield reason, scene.shown
        yield from self._uncleared()

    def _uncleared(self) -> Iterator[tuple[str, list[Line]]]:
        """Clear a trip whose cause is still there: the first that the trip itself does not end."""
        clearing = [each for each in self.vow.actions.values() if ("clear_trip", "") in each.does]
        for action in clearing:
            for trip in self._provoked():
                provoke = self.vow.document.trips[trip.name].provoke
                if provoke is None or trip.to not in action.to or provoke.within > LONGEST_PROVOKE_NS:
                    continue
                route = self._route(provoke.state.__eq__)
                if route is None:
                    continue
                scene = self._scene()
                scene.prepare(provoke)
                scene.go(route)
                scene.mishap(provoke, trip.to, relieve=False)
                line = f"act {action.name}"
                answer = scene.say(line)
                if answer.startswith("refuse fault"):
                    yield "fault", [(">", line), ("<", answer)]
                    return

    def _refused(self) -> dict[str, str]:
        vow, points = self.vow, self.vow.points
        first = next(iter(points))
        lines = {
            "length": "ask " + "x" * vow.document.wire.line_limit,
            "syntax": f"ASK {first}",
            "check": f"ask {first} ~{'0000' if check_of(f'ask {first}'.encode()) != '0000' else '0001'}",
            "unknown": "ask no.such_point",
        }
        fixed = next((entry for entry in points.values() if not entry.settable), None)
        if fixed is not None:
            lines["access"] = f"put {fixed.name} 1"
        free = [
            entry
            for entry in vow.settings
            if entry.scale is not None and (entry.set_in is None or vow.initial in entry.set_in)
        ]
        with_unit = next((entry for entry in free if entry.number.unit != "1"), None)
        if with_unit is not None:
            number, unit = with_unit.words(with_unit.default)
            lines["type"] = f"put {with_unit.name} much {unit}"
            lines["unit"] = f"put {with_unit.name} {number} {'s' if unit != 's' else 'V'}"
        for entry in free:
            words = entry.words(entry.number.high + entry.number.grain)
            if sum(character.isdigit() for character in words[0]) <= MOST_DIGITS:
                lines["range"] = f"put {entry.name} {' '.join(words)}"
                break
        for action in vow.actions.values():
            if vow.initial not in action.to and action.takes_ticket is None:
                lines["state"] = f"act {action.name}"
                break
        if "local" in vow.parts and free:
            lines["busy"] = f"put {free[0].name} {' '.join(free[0].words(free[0].default))}"
        return lines

    def _scene(self) -> _Scene:
        with _simulated(self.vow):
            return _Scene(self.vow, self._make())

    def _provoked(self) -> list[TripEntry]:
        """Trips that can be brought about, the quickest first."""
        trips = self.vow.document.trips
        found = [
            (provoke.within, name)
            for name, trip in trips.items()
            if (provoke := trip.provoke) is not None and not provoke.silence
        ]
        return [self.vow.trips[name] for _, name in sorted(found)]

    def _route(self, wanted: Callable[[str], object]) -> list[Step] | None:
        """The shortest way from the initial state to one that is wanted; None if there is none."""
        ways: deque[tuple[str, list[Step]]] = deque([(self.vow.initial, [])])
        seen = {self.vow.initial}
        while ways:
            state, way = ways.popleft()
            if wanted(state):
                return way
            for step in self._steps(state):
                if step.to not in seen:
                    seen.add(step.to)
                    ways.append((step.to, [*way, step]))
        return None

    def _steps(self, state: str) -> Iterator[Step]:
        for action in self.vow.actions.values():
            before: str | None = state
            if action.takes_ticket is not None:
                before = self.vow.actions[action.takes_ticket].to.get(state)
            to = None if before is None else action.to.get(before)
            if to is not None and ("reboot", "") not in action.does:
                yield Step(to, action)
        for leave in self.vow.document.states[state].leaves:
            if leave.provoke is not None and leave.provoke.state == state:
                yield Step(leave.to, provoke=leave.provoke)
        for trip in self._provoked():
            provoke = self.vow.document.trips[trip.name].provoke
            if provoke is not None and provoke.state == state:
                yield Step(trip.to, provoke=provoke)


@contextmanager
def _simulated(vow: Vow) -> Iterator[None]:
    """Tell in words that the plant does not have what the document drives, reads or turns."""
    try:
        yield
    except ValueError as error:
        raise ExampleError(f"{vow.identity[0]} cannot be simulated: {error}") from error


class _Scene:
    """One instrument, from its boot to the end of the example."""

    def __init__(self, vow: Vow, instrument: Instrument) -> None:
        self.vow = vow
        self.shown: list[Line] = []
        self.notices: list[str] = []
        self._instrument = instrument
        self._oracle = Oracle(vow)
        self._oracle.expect_boot = "power"
        self._now_ns = 0
        self._wait(vow.document.wire.opening.settle + REST_NS)
        for name, value in vow.document.trial.put.items():
            self._put(name, value)

    def show(self, line: str, refused: str | None = None) -> None:
        """Send a line that the manual shows; it is answered `ok`, or refused for this reason."""
        answer = self.say(line)
        due = "ok" if refused is None else f"refuse {refused}"
        if not f"{answer} ".startswith(f"{due} "):
            raise ExampleError(f"the example `{line[:60]}` is answered `{answer}`, not `{due}`")
        self.shown += [(">", line), ("<", answer)]

    def act(self, action: ActionEntry, shown: bool = False) -> None:
        """Do an action, with the ticket that it takes."""
        line = f"act {action.name}"
        if action.takes_ticket is not None:
            giver = f"act {action.takes_ticket}"
            if shown:
                self.show(giver)
                ticket = self.shown[-1][1].split()[-1]
            else:
                ticket = self._accepted(giver).split()[-1]
            self._wait(REST_NS)
            line = f"{line} {ticket}"
        if ("reboot", "") in action.does:
            self._oracle.expect_boot = "request"
        if shown:
            self.show(line)
        else:
            self._accepted(line)

    def go(self, route: list[Step]) -> None:
        """Follow a route. Settings that a mishap on it needs are put first: not every state takes them."""
        for step in route:
            if step.provoke is not None:
                self.prepare(step.provoke)
        for step in route:
            if step.action is not None:
                self.act(step.action)
                self._wait(REST_NS)
            elif step.provoke is not None:
                self.mishap(step.provoke, step.to)

    def prepare(self, provoke: Provoke) -> None:
        """Put the settings that a mishap needs."""
        for name, value in provoke.put.items():
            self._put(name, value)

    def mishap(self, provoke: Provoke, to: str, relieve: bool = True) -> None:
        """Bring about what the document tells how to; the state is `to` in the end."""
        for event, value in provoke.bench.items():
            self.bench(event, str(value))
        state = self.vow.system_name("state")
        if provoke.silence or state is None:
            self._wait(provoke.within)
        else:
            for _ in range(LOOKS):
                self._wait(provoke.within // LOOKS)
                if self._accepted(f"ask {state}") == f"ok {to}":
                    break
        if state is not None and (found := self._accepted(f"ask {state}")) != f"ok {to}":
            raise ExampleError(f"what should lead to {to} ended in {found[3:]}: mend the document's provoke")
        if relieve:
            for event, value in provoke.relief.items():
                self.bench(event, str(value))
            self._wait(REST_NS)

    def bench(self, event: str, value: str) -> None:
        """Something happens around the instrument."""
        declared = self._instrument.bench_events[event]
        if event == "panel.control":
            self._oracle.twin.panel(event, value, self._now_ns)
        with _simulated(self.vow):
            self._instrument.bench(event, value if declared.value is None else float(value), self._now_ns)
        self._wait(REST_NS // 1000)

    def _put(self, name: str, value: object) -> None:
        entry = self.vow.points[name]
        self._accepted(f"put {name} {' '.join(entry.words(value_of(entry, str(value))))}")

    def _accepted(self, line: str) -> str:
        answer = self.say(line)
        if answer != "ok" and not answer.startswith("ok "):
            raise ExampleError(f"on the way to an example `{line}` is answered `{answer}`")
        return answer

    def say(self, line: str) -> str:
        """Send a line; its answer, which is one that the document allows."""
        with _simulated(self.vow):
            self._instrument.receive(line.encode("ascii") + b"\n", self._now_ns)
        sent_ns = self._now_ns
        answers = self._hear(sent_ns + self.vow.document.wire.reply_deadline)
        answer = answers[0] if answers else None
        frames = self._oracle.twin.frames(line.encode("ascii") + b"\n", sent_ns)
        judged = self._oracle.reply(frames[0], None if answer is None else answer.encode("ascii"), sent_ns)
        if not judged.right or len(answers) != 1:
            said = " and ".join(f"`{each}`" for each in answers) or "nothing"
            raise ExampleError(
                f"the example `{line[:60]}` is answered {said}, "
                f"not `{judged.expected}` ({judged.requirement})"
            )
        return answers[0]

    def _wait(self, ns: int) -> None:
        if stray := self._hear(self._now_ns + ns):
            raise ExampleError(f"the simulation says `{stray[0]}`, and nothing was asked")

    def _hear(self, until_ns: int) -> list[str]:
        """Let time pass; the lines that come and are no notices."""
        replies: list[str] = []
        with _simulated(self.vow):
            self._instrument.advance(until_ns)
        self._now_ns = until_ns
        for raw in self._instrument.take().split(b"\n")[:-1]:
            if isinstance(notice := parse_answer(raw), Notice):
                self.notices.append(raw.decode("ascii"))
                judged = self._oracle.notice(notice, self._now_ns)
                if not judged.right:
                    raise ExampleError(
                        f"an example is told `{self.notices[-1]}`, "
                        f"not `{judged.expected}` ({judged.requirement})"
                    )
            else:
                replies.append(raw.decode("latin-1"))
        return replies

"""Examples for a manual: exchanges with a simulated instrument that are run when the manual is built.

The checker's tester works the instrument and its oracle judges every line: an example whose answer is not
what the document allows, or that does not show what it is there for, ends the building with an
`ExampleError`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress

from wirevow.emu.direct import direct_tester
from wirevow.emu.instrument import Instrument
from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken, Doubtful, NoInstrument
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.model import Provoke
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.message import Notice, Reply, check_of, parse_answer
from wirevow.protocol.quantity import MOST_DIGITS
from wirevow.protocol.vow import ActionEntry, PointEntry, TripEntry, Vow, value_of

REST_NS = NS_PER_S
"""From a ticket until it is used: a guard may look at a reading that has to follow first."""

Line = tuple[str, str]
"""Who speaks (`>` the host, `<` the instrument), and what."""


class ExampleError(WirevowError):
    """An example is not answered as the manual would say."""


class Examples:
    """Runs examples, each on an instrument of its own, fresh from its boot.

    What cannot be reached has none.
    """

    def __init__(self, vow: Vow, make: Callable[[], Instrument]) -> None:
        self.vow = vow
        self._make = make

    def point(self, entry: PointEntry) -> list[Line]:
        """Ask a point; a setting is put before."""

        def work(tester: Tester) -> None:
            if entry.settable:
                states = self.vow.states
                _go(tester, [state for state in states if entry.set_in is None or state in entry.set_in])
                given = self.vow.document.trial.put.get(entry.name)
                value = entry.default if given is None else value_of(entry, given)
                _said(tester, f"put {entry.name} {' '.join(entry.words(value))}")
            _said(tester, f"ask {entry.name}" + (" 0" if entry.record is not None else ""))

        return self._run(f"of {entry.name}", work)

    def action(self, action: ActionEntry) -> list[Line]:
        """Do an action, where that changes the state if there is such a place, and ask the state."""

        def work(tester: Tester) -> None:
            changing = [state for state, to in action.to.items() if to != state]
            if ("clear_trip", "") in action.does:
                _go(tester, action.to)
                tester.restore_bench()
                tester.mark()
            elif action.takes_ticket is None:
                _go(tester, changing or action.to)
            else:
                _go(tester, self.vow.actions[action.takes_ticket].to)
            ticket = ""
            if action.takes_ticket is not None:
                ticket = f" {_said(tester, f'act {action.takes_ticket}').words[0]}"
                tester.wait(REST_NS)
            _said(tester, f"{action.line()}{ticket}")
            state = self.vow.system_name("state")
            if state is not None and ("reboot", "") not in action.does:
                _said(tester, f"ask {state}")

        return self._run(f"of {action.name}", work)

    def trip(self, trip: TripEntry) -> list[Line]:
        """The notice of a trip; none without notices, or if the document does not tell how to trip."""
        provoke = self.vow.document.trips[trip.name].provoke
        if provoke is None or "notices" not in self.vow.parts:
            return []
        told = self._run(f"of trip {trip.name}", lambda tester: _strike(tester, trip, provoke), notices=True)
        return [line for line in told if f" trip {trip.name} " in line[1]][-1:]

    def refusals(self) -> Iterator[tuple[str, list[Line]]]:
        """An example of each reason that this instrument has one for."""
        for reason, line in self._refused().items():

            def work(tester: Tester, reason: str = reason, line: str = line) -> None:
                if reason == "busy":
                    tester.panel("panel.control", "local")
                    tester.mark()
                _said(tester, line, f"refuse {reason}")

            yield reason, self._run(f"of `refuse {reason}`", work)
        yield from self._uncleared()

    def _uncleared(self) -> Iterator[tuple[str, list[Line]]]:
        """Clear a trip whose cause is still there: the first that the trip itself does not end."""
        for action in self.vow.actions.values():
            for trip, provoke in self._provoked() if ("clear_trip", "") in action.does else ():
                if trip.to not in action.to:
                    continue

                def work(
                    tester: Tester,
                    trip: TripEntry = trip,
                    provoke: Provoke = provoke,
                    line: str = action.line(),
                ) -> None:
                    _strike(tester, trip, provoke)
                    tester.mark()
                    tester.line(line.encode("ascii"))

                told = self._run("of `refuse fault`", work)
                if told and told[-1][1].startswith("refuse fault "):
                    yield "fault", told
                    return

    def _provoked(self) -> list[tuple[TripEntry, Provoke]]:
        """Trips that can be brought about, the quickest first."""
        trips = self.vow.document.trips
        found = [(name, trip.provoke) for name, trip in trips.items() if trip.provoke is not None]
        found.sort(key=lambda each: each[1].within)
        return [(self.vow.trips[name], provoke) for name, provoke in found]

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
            words = entry.words(entry.number.high + 1)
            if sum(character.isdigit() for character in words[0]) <= MOST_DIGITS:
                lines["range"] = f"put {entry.name} {' '.join(words)}"
                break
        for action in vow.actions.values():
            if vow.initial not in action.to and action.takes_ticket is None:
                lines["state"] = action.line()
                break
        if "local" in vow.parts and free:
            lines["busy"] = f"put {free[0].name} {' '.join(free[0].words(free[0].default))}"
        return lines

    def _run(self, what: str, work: Callable[[Tester], object], notices: bool = False) -> list[Line]:
        """What was said since `work` set its mark; nothing where the tester cannot get there."""
        tester = direct_tester(self.vow, self._make())
        try:
            tester.acquaint()
            tester.prepare()
            tester.mark()
            work(tester)
        except NotSelected:
            return []
        except Broken as broken:
            due = f"`{broken.judgement.expected}` ({broken.judgement.requirement})"
            sent = f" to `{broken.sent[:60]}`" if broken.sent else ""
            raise ExampleError(f"the example {what} ended{sent}: {broken.seen}, not {due}") from broken
        except (Doubtful, NoInstrument) as why:
            raise ExampleError(f"the example {what} cannot be run: {why}") from why
        told: list[Line] = []
        for entry in tester.since_mark():
            if entry.kind == "send":
                told.append((">", entry.data.decode("ascii").rstrip("\n")))
            elif entry.kind == "line" and (notices or not isinstance(parse_answer(entry.data), Notice)):
                told.append(("<", entry.data.decode("ascii")))
        return told


def _go(tester: Tester, states: Iterable[str]) -> None:
    """Go to the nearest of the states, and set the mark there. NotSelected if none can be reached."""
    ways: dict[str, int] = {}
    for state in states:
        with suppress(NotSelected):
            ways[state] = 0 if state == tester.state else len(tester.route(state))
    if not ways:
        raise NotSelected("no such state can be reached")
    tester.goto(min(ways, key=lambda state: ways[state]))
    tester.mark()


def _strike(tester: Tester, trip: TripEntry, provoke: Provoke) -> None:
    tester.arrange(provoke)
    tester.mark()
    try:
        tester.strike(trip, provoke)
    except Broken as broken:
        if broken.judgement.requirement != f"trip.{trip.name}.fires":
            raise
        raise ExampleError(
            f"trip {trip.name} should lead to {trip.to}, and it is {broken.seen}: mend the document's provoke"
        ) from broken


def _said(tester: Tester, line: str, due: str = "ok") -> Reply:
    """Send a line that the manual shows. ExampleError if the answer does not begin as is due."""
    reply = tester.line(line.encode("ascii"))
    said = "nothing" if reply is None else reply.line().decode("ascii")
    if reply is None or not f"{said} ".startswith(f"{due} "):
        raise ExampleError(f"the example `{line[:60]}` is answered `{said}`, not `{due}`")
    return reply

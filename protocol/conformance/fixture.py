"""The rig's hands: supply, reset, front panel, transmitter, store."""

from __future__ import annotations

from decimal import Decimal

from wirevow.protocol.conformance.exchange import (
    Exchange,
)
from wirevow.protocol.conformance.gate import (
    NotSelected,
)
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.plain import (
    HOST_SLACK_NS,
    _shown,
)
from wirevow.protocol.conformance.rig import CuttingRig, Repeating, Rig, RigError, StoringRig
from wirevow.protocol.conformance.session import Entry
from wirevow.protocol.message import Notice, parse_answer
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.quantity import decimal_of
from wirevow.protocol.vow import Value

TAKEN_TOGETHER = 500
"""So often the panel takes control and gives it back before it is looked whether somebody wants an end."""


class Fixture(Exchange):
    """Works the instrument by what is around it."""

    def _reconnected(self) -> bool:
        """End an isolation, from rest: a guard may look at the source. Whether one was ended."""
        if self.gate is None or not self.gate.isolated:
            return False
        self.restore_bench()
        return not self.gate.isolated

    def boots(self, ability: str) -> Rig:
        """The rig that is about to boot it, which is counted. NotSelected if it cannot, or must not."""
        rig = self.need(ability)
        refusal = self.limits.boot()
        if refusal:
            raise NotSelected(refusal)
        return rig

    def power_cycle(self) -> None:
        """Cut the instrument's own supply and give it again."""
        self.attend()
        rig = self.boots("power")
        self._power(rig, on=False)
        try:
            if self.session.held:
                self._done_before()  # the rig has told how much came up to the cut: no need to ask it before
        finally:
            self._power(rig, on=True)
        self._expect_boot("power")

    def _done_before(self) -> None:
        """What is due at this very instant happens before a hand boots it."""
        if self.session.held:
            self.session.settle()
        self.attend()

    def cut_short(self, line: bytes, after_ns: int, steps: int | None = None) -> None:
        """Send a request and cut the supply so soon after it, then give it again. With `steps` after so many
        small steps of what it does (`CuttingRig`), if the rig can.

        What comes in between is not judged, and what the store holds now is taken as it is.
        """
        self.need("power")
        self.attend()
        self.session.admit(line + b"\n")
        self._afford(1)
        rig = self.boots("power")
        self.lines += 1
        if steps is not None and isinstance(rig, CuttingRig):
            rig.cut_after(steps)
        self.session.send(line + b"\n")
        if after_ns:
            self.session.wait(after_ns)
        # Where the clock runs it is a matter of chance anyway how far the line has come.
        self._power(rig, on=False, arrive=self.session.held)
        if self.session.held:
            self.session.settle()
        else:
            self.session.wait(HOST_SLACK_NS)
        self.session.discard()
        self._power(rig, on=True)
        self._store_known = False
        self._expect_boot("power")
        self.oracle.twin.unknown.add("saves")

    def reflash(self, image: bytes) -> None:
        """Leave an image in its store while it has no supply, as firmware of another version would have."""
        if not self.limits.free:
            raise NotSelected("only the store of a simulated instrument is written over")
        rig = self.need("store")
        if not isinstance(rig, StoringRig):
            raise NotSelected("the rig's adapter has no `store`")
        self.attend()
        self.boots("power")
        self._power(rig, on=False)
        try:
            rig.store(image)
        except RigError as error:
            self._power(rig, on=True)
            self._expect_boot("power")
            raise NotSelected(str(error)) from error
        self.session.journal.append(Entry(self.now_ns, "store", value=image.hex()))
        self.account.written_over()
        self._power(rig, on=True)
        self.oracle.twin.keep(image)
        self.oracle.twin.unknown.discard("saves")
        self._store_known = True
        self._expect_boot("power")

    def _power(self, rig: Rig, on: bool, *, arrive: bool = True) -> None:
        self.session.look()
        self.session.agree()
        if arrive:
            self.session.arrive()
        self.session.journal.append(Entry(self.now_ns, "power", value="on" if on else "off"))
        (self.account.booted if on else self.account.unpowered)(self.now_ns)
        rig.power(on)

    def reset(self, meanwhile: bytes = b"") -> bool:
        """Pull the reset pin. `meanwhile` comes while it boots, and is lost.

        Whether it was: an instrument may listen sooner than it has to, and answers then.
        """
        self.need("reset")
        self.session.look()
        self.session.agree()
        self._done_before()
        rig = self.boots("reset")
        self.session.arrive()
        self.session.journal.append(Entry(self.now_ns, "reset"))
        self.account.booted(self.now_ns)
        rig.reset()
        if meanwhile:
            self.session.send(meanwhile)
        return self._expect_boot("reset", hasty=bool(meanwhile))

    def restore_bench(self) -> None:
        """Every bench event that has a base is back at it, and readings have had time to follow."""
        for event, base in self._off_base():
            if event == "panel.control":
                self.panel(event, str(base))
            elif event == "link.transmitter":
                self.transmitter(str(base))
            else:
                self.bench(event, base)
        # A purpose may have turned it back itself a moment ago.
        if self._turned_ns is not None:
            self.quiet_until(self._turned_ns + self.vow.document.trial.settle)
            self._turned_ns = None

    def _off_base(self) -> list[tuple[str, Decimal | str]]:
        """Bench events that are not known to be at their base, with it."""
        if "bench" not in self.abilities:
            return []
        return [
            (event, base)
            for event, base in self._bases.items()
            if self.bench_now.get(event) != base
            and event in self.events
            and (self.gate is None or not self.gate.bench_refusal(event, base))
        ]

    def panel(self, event: str, value: Value) -> None:
        """A hand at the front panel: `panel.control` with who, or `panel.POINT` with a value for it."""
        name = event if event == "panel.control" else event.removeprefix("panel.")
        given: Decimal | str = str(value)
        if isinstance(value, int):
            exact = value * self.vow.points[name].number.step
            given = decimal_of(exact)
        self.bench(event, given)
        self.oracle.twin.panel(name, value, self.now_ns)
        if not self.oracle.twin.blocked:
            self.quiet()
            self.expect_notices()

    def panel_taken(self, times: int) -> None:
        """The front panel takes control and gives it back, so many times. What comes of it is judged at the
        end; of what is told of, as much at a time as the queue of notices holds."""
        event = "panel.control"
        turns = ("local", "remote")
        if self.gate is not None or not self.session.held:
            for value in turns * times:
                self.panel(event, value)
            return
        self.panel(event, turns[0])
        self.panel(event, turns[1])
        rig, twin, now_ns = self.need("bench"), self.oracle.twin, self.now_ns
        entries = [Entry(now_ns, "bench", name=event, value=value) for value in turns]
        together = rig if "repeat" in self.abilities and isinstance(rig, Repeating) else None
        most = max(1, self.vow.document.wire.notice_queue // 2) if twin.told else TAKEN_TOGETHER
        for left in range(times - 1, 0, -most):
            self.session.look()
            again = min(left, most)
            self.session.journal += entries * again
            if together is not None:
                together.repeat(event, turns, again)
            if together is None:
                for value in turns * again:
                    rig.bench(event, value)
            if twin.notices:
                for value in turns * again:
                    twin.panel(event, value, now_ns)
            else:  # they are numbered all the same, and nothing else comes of it
                twin.number_on(len(turns) * again)
            if twin.told or (left <= most and not twin.blocked):
                self.quiet()
                self.expect_notices()

    def transmitter(self, condition: str) -> None:
        """The instrument's transmitter is stalled, or free again."""
        self.bench("link.transmitter", condition)
        self.oracle.twin.blocked = condition == "stalled"
        self.quiet()
        if condition == "free":
            self.expect_notices()

    def free_after(self, data: bytes) -> None:
        """Send lines while the transmitter is stalled, then free it: what was due leaves before replies."""
        self.attend()
        self._afford(data.count(b"\n"))
        now_ns = self.now_ns
        self.session.send(data)
        self.session.settle()
        lines = self.oracle.twin.frames(data, now_ns)
        self.bench("link.transmitter", "free")
        self.oracle.twin.blocked = False
        for line in lines:
            self._reply(line, now_ns)
            if self.oracle.twin.due:
                number, words = self.oracle.twin.due.popleft()
                due = f"note {number} {' '.join(words)} before the reply"
                raise Broken(Judgement(False, "wire.notice.whole", due), _shown(data), "the reply")

    def expect_notices(self) -> None:
        """The notices that our own hands have caused have to be here now, or within a reply's time on a clock
        that runs, and the time that all of them take on the wire.
        """
        if not self.session.held:
            due = (f"note {number} {' '.join(words)} ~0000\n" for number, words in self.oracle.twin.due)
            end_ns = self.now_ns + self.deadline_ns + HOST_SLACK_NS + self.session.wire_ns(sum(map(len, due)))
            while self.oracle.twin.due and self.now_ns < end_ns:
                self.session.wait(end_ns - self.now_ns, until=lambda: self.session.waiting)
                self.attend()
        if self.oracle.twin.due:
            number, words = self.oracle.twin.due[0]
            self.oracle.twin.due.clear()
            kinds = {"local": f"point.{words[1]}.local", "trip": f"trip.{words[1]}.fires"}
            requirement = kinds.get(words[0], "point.panel.control.readable")
            if self._comes_late(words):
                requirement = "wire.notice.whole"
            raise Broken(
                Judgement(False, requirement, f"note {number} {' '.join(words)}"), "", "no such notice"
            )

    def _comes_late(self, words: tuple[str, ...]) -> bool:
        """Whether a notice that is missing comes with, or after, the next reply."""
        self.session.send(b"ask self.state\n")
        for _ in range(3):
            line = self._awaited(self.deadline_ns)
            parsed = parse_answer(line) if isinstance(line, bytes) else None
            if isinstance(parsed, Notice) and (parsed.event, *parsed.words) == words:
                return True
        return False

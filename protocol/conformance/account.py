"""The account: what was done to an instrument, counted from the lines sent and the answers that came.

It goes by the document and by what the instrument says, not by what the check meant to do. What is counted:

| what            | counted as                                                                              |
|-----------------|-----------------------------------------------------------------------------------------|
| settings put    | a `put` that was answered `ok`                                                          |
| saves           | an action that saves, answered `ok`; more, if its own counter of saves says so          |
| boots, asked    | an action that boots, answered `ok`; the rig's reset and supply; the port's opening, if |
|                 | that resets the board                                                                   |
| boots, unasked  | any other boot notice; more, if its own counter of boots says so                        |
| switchings      | a state entered whose outputs are others than before, and than the initial state's      |
| seconds         | from the request that energises until an answer or a notice shows that it is over: it   |
|                 | may have been over before                                                               |
| highest current | of the readings that the document holds against its limits, without their sign          |
| and power       |                                                                                         |
| operating points| voltage and current of these readings, read within `TOGETHER_NS` in one state that      |
|                 | handles power                                                                           |
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

from wirevow.protocol.conformance.envelope import limited_readings, saving_actions
from wirevow.protocol.vow import ActionEntry, PointEntry, Vow

NS_PER_S = 1_000_000_000
STALE_NS = NS_PER_S
"""Beyond four reply deadlines, what has not been answered for so long will not be."""
NOT_UNDERSTOOD = ([b"length"], [b"syntax"], [b"check"])
"""Reasons of refusals that leave the remembered request as it was (`wire.once`)."""
TOGETHER_NS = 100_000_000
"""Readings no further apart are of one operating point."""
FINE = 250
"""Operating points are told apart by so many steps of either range."""
UNTAGGED = ([b"refuse", b"length"], [b"refuse", b"check"])
"""Refusals that carry no tag, whatever the request had (`wire.tag`)."""


@dataclass(frozen=True, slots=True)
class Done:
    """What was done, in numbers. Times are seconds."""

    puts: int = 0
    saves: int = 0
    saves_unanswered: int = 0
    """Actions that save and were not answered: whether they were done is not known."""
    boots: int = 0
    """All of them."""
    boots_unasked: int = 0
    switchings: int = 0
    energised_s: float = 0.0
    energised: bool = False
    """At the end, as far as is known."""
    amperes: float | None = None
    """Highest current that was read, without its sign; None if none was."""
    watts: float | None = None
    operating: tuple[tuple[str, float, float], ...] = ()
    """Operating points that were read: state, volts and amperes."""

    def pairs(self) -> Iterator[tuple[str, str]]:
        """All of it in words: what, and how much."""
        yield "settings put", str(self.puts)
        perhaps = f", perhaps {self.saves_unanswered} more (no answer)" if self.saves_unanswered else ""
        yield "saves", f"{self.saves}{perhaps}"
        unasked = f" ({self.boots_unasked} of them not asked for)" if self.boots_unasked else ""
        yield "boots", f"{self.boots}{unasked}"
        yield "outputs switched", str(self.switchings)
        still = "; NOT KNOWN TO BE OVER" if self.energised else ""
        yield (
            "energised",
            f"at most {self.energised_s:.1f} s{still}" if self.energised_s or still else "never",
        )
        if self.amperes is not None:
            yield "highest current", f"{self.amperes:.4g} A"
        if self.watts is not None:
            yield "highest power", f"{self.watts:.4g} W"

    def text(self) -> str:
        """All of it on one line."""
        return ", ".join(f"{what} {much}" for what, much in self.pairs())


class _Sent(NamedTuple):
    """A request without answer yet."""

    tag: bytes | None
    verb: bytes
    name: bytes
    when_ns: int
    line: bytes


class Account:
    """Sees every line that goes out and every line that comes, with the checker's time."""

    def __init__(self, vow: Vow) -> None:
        self._vow = vow
        self._actions = {name.encode(): action for name, action in vow.actions.items()}
        self._saving = {name.encode() for name in saving_actions(vow)}
        self._readings = {
            name.encode(): (vow.points[name], *each)
            for name, each in limited_readings(vow, ("V", "A", "W")).items()
        }
        self._fine = {
            kind: max(entry.number.high * entry.number.step * factor / FINE for entry, _, factor in readings)
            for kind in ("V", "A")
            if (readings := [each for each in self._readings.values() if each[1] == kind])
        }
        self._state_point = (vow.system_name("state") or "").encode()
        self._counters = {
            entry.name.encode(): (kind, entry)
            for kind in ("boots", "saves")
            if (entry := vow.system_point(kind)) is not None
        }
        self._known: dict[str, tuple[int, int, int]] = {}
        """Of each counter: what it read last, what was counted then, and how many lines had been sent."""
        self._waiting: deque[_Sent] = deque()
        self._stale_ns = 4 * vow.document.wire.reply_deadline + STALE_NS
        self._last = b""
        """The tagged line that would not be done again."""
        self._lines = 0
        self._puts = 0
        self._saves = 0
        self._unanswered = 0
        self._asked = self._due = int(vow.document.wire.opening.resets)
        self._unasked = 0
        """`_asked` are boots that were asked for, with the opening of the port if that is one; of those that
        are due no notice has come yet."""
        self._state: str | None = None
        self._outputs: object = None
        self._initial = vow.states[vow.initial].outputs
        self._switchings = 0
        self._since_ns: int | None = None
        """Since when it is energised; None if it is not, as far as is known."""
        self._energised_ns = 0
        self._highest: dict[bytes, int] = {}
        """Of each reading, in counts, without its sign."""
        self._latest: dict[str, tuple[int, Fraction]] = {}
        """When a voltage and a current were read last in this state, and the readings in SI units."""
        self._operating: dict[tuple[str, int, int], tuple[str, float, float]] = {}

    def done(self, now_ns: int) -> Done:
        """What was done up to now."""
        running_ns = 0 if self._since_ns is None else now_ns - self._since_ns
        left = sum(each.name in self._saving for each in self._waiting)
        highest: dict[str, Fraction] = {}
        for name, counts in self._highest.items():
            entry, kind, factor = self._readings[name]
            highest[kind] = max(counts * entry.number.step * factor, highest.get(kind, Fraction(0)))
        return Done(
            puts=self._puts,
            saves=self._saves,
            saves_unanswered=self._unanswered + left,
            boots=self._asked + self._unasked,
            boots_unasked=self._unasked,
            switchings=self._switchings,
            energised_s=(self._energised_ns + running_ns) / NS_PER_S,
            energised=self._since_ns is not None,
            amperes=float(highest["A"]) if "A" in highest else None,
            watts=float(highest["W"]) if "W" in highest else None,
            operating=tuple(self._operating.values()),
        )

    # ------------------------------------------------------------------------------------------ what goes out

    def sent(self, lines: Sequence[bytes], now_ns: int) -> None:
        """Whole lines went out, without their LF."""
        while self._waiting and now_ns - self._waiting[0].when_ns > self._stale_ns:
            self._give_up(self._waiting.popleft())
        for line in lines:
            words = line.split()
            if not words:
                continue
            self._lines += 1
            tag = words.pop(0) if words[0][:1] == b"@" else None
            verb, name = words[:2] if len(words) > 1 else (b"", b"")
            self._waiting.append(_Sent(tag, verb, name, now_ns, line))

    def booted(self, now_ns: int) -> None:
        """The rig makes it boot: its reset pin, or its supply that comes back."""
        while self._waiting:
            self._give_up(self._waiting.popleft())
        self._asked += 1
        self._due += 1
        self._boot(now_ns)

    def unpowered(self, now_ns: int) -> None:
        """The rig cuts its supply."""
        self._enter(self._vow.initial, now_ns, now_ns)

    def _give_up(self, sent: _Sent) -> None:
        self._unanswered += sent.name in self._saving

    # --------------------------------------------------------------------------------------------- what comes

    def heard(self, line: bytes, now_ns: int) -> None:
        """A whole line came, without its LF."""
        words = line.split()
        if line[:5] == b"note ":
            self._noticed(words[2:], now_ns)
            return
        tag = words.pop(0) if words and words[0][:1] == b"@" else None
        sent = self._answered(tag, words)
        if sent is None:
            return
        if tag is not None and sent.line == self._last:
            return  # the stored reply once more: nothing was done
        how = words[0] if words else b""
        if how == b"ok":
            self._last = b"" if tag is None else sent.line
            self._was_done(sent, words[1:], now_ns)
        elif words[1:2] not in NOT_UNDERSTOOD:
            self._last = b"" if tag is None else sent.line
            if words[1:2] == [b"state"] and len(words) > 2:
                self._shown(words[2], sent.when_ns, now_ns)

    def _answered(self, tag: bytes | None, words: list[bytes]) -> _Sent | None:
        """The request that this answers. Answers come in order: what stands before it has none."""
        if self._waiting and self._waiting[0].tag == tag:
            return self._waiting.popleft()
        any_tag = words[:2] in UNTAGGED
        for index, sent in enumerate(self._waiting):
            if sent.tag == tag or (tag is None and any_tag):
                for _ in range(index):
                    self._give_up(self._waiting.popleft())
                return self._waiting.popleft()
        return None

    def _was_done(self, sent: _Sent, values: list[bytes], now_ns: int) -> None:
        if sent.verb == b"put":
            self._puts += 1
        elif sent.verb == b"act" and (action := self._actions.get(sent.name)) is not None:
            self._acted(action, sent, now_ns)
        elif sent.name == self._state_point:
            self._shown(values[0] if values else b"", sent.when_ns, now_ns)
        elif sent.name in self._readings:
            self._read(sent.name, values, now_ns)
        elif sent.name in self._counters and values:
            self._counted(*self._counters[sent.name], values[0])

    def _acted(self, action: ActionEntry, sent: _Sent, now_ns: int) -> None:
        self._saves += sent.name in self._saving
        targets = set(action.to.values())
        to = action.to.get(self._state or "", next(iter(targets)) if len(targets) == 1 else None)
        if to is not None:
            self._enter(to, sent.when_ns, now_ns)
        if ("reboot", "") in action.does:
            self._waiting.clear()  # what comes before it has booted is lost
            self._asked += 1
            self._due += 1
            self._boot(now_ns)

    def _noticed(self, words: list[bytes], now_ns: int) -> None:
        event, name = (*words, b"", b"")[:2]
        if event == b"boot":
            if self._due:
                self._due -= 1
            else:
                self._unasked += 1
            self._boot(now_ns)
        elif event == b"state":
            self._shown(name, now_ns, now_ns)
        elif event == b"trip" and (trip := self._vow.trips.get(name.decode("latin-1"))) is not None:
            if trip.reports.encode() in self._readings:
                self._read(trip.reports.encode(), words[2:], now_ns)
            self._enter(trip.to, now_ns, now_ns)

    def _boot(self, now_ns: int) -> None:
        self._last = b""
        self._enter(self._vow.initial, now_ns, now_ns)

    def _shown(self, word: bytes, since_ns: int, now_ns: int) -> None:
        state = word.decode("latin-1")
        if state in self._vow.states:
            self._enter(state, since_ns, now_ns)

    def _enter(self, name: str, since_ns: int, now_ns: int) -> None:
        state = self._vow.states[name]
        if name != self._state:
            self._latest.clear()
        self._state = name
        if state.energised:
            self._since_ns = since_ns if self._since_ns is None else self._since_ns
        elif self._since_ns is not None:
            self._energised_ns += now_ns - self._since_ns
            self._since_ns = None
        if state.outputs != self._outputs:
            # What it was found with was not switched.
            self._switchings += self._outputs is not None and state.outputs != self._initial
            self._outputs = state.outputs

    def _read(self, name: bytes, values: list[bytes], now_ns: int) -> None:
        entry, kind, factor = self._readings[name]
        parsed = entry.number.parse(values[0].decode("latin-1")) if values else None
        if parsed is None:
            return
        self._highest[name] = max(abs(parsed[0]), self._highest.get(name, 0))
        if kind != "W" and self._since_ns is not None:
            self._operated(kind, parsed[0] * entry.number.step * factor, now_ns)

    def _operated(self, kind: str, reading: Fraction, now_ns: int) -> None:
        """One half of an operating point."""
        self._latest[kind] = now_ns, reading
        other = self._latest.get("A" if kind == "V" else "V")
        if other is None or now_ns - other[0] > TOGETHER_NS or self._state is None:
            return
        volts, amperes = (self._latest[each][1] for each in ("V", "A"))
        cell = (self._state, round(volts / self._fine["V"]), round(amperes / self._fine["A"]))
        self._operating.setdefault(cell, (self._state, float(volts), float(amperes)))

    def written_over(self) -> None:
        """Hands have left another image in its store: its own counter of saves goes on from there."""
        self._known.pop("saves", None)

    def _counted(self, kind: str, entry: PointEntry, word: bytes) -> None:
        """Its own counter shows what nobody has seen; but no more than one for every line since."""
        parsed = entry.number.parse(word.decode("latin-1"))
        if parsed is None:
            return
        ours = self._saves if kind == "saves" else self._asked + self._unasked
        before, counted, lines = self._known.get(kind, (parsed[0], ours, self._lines))
        more = parsed[0] - before - (ours - counted)
        if 0 < more <= self._lines - lines:
            if kind == "saves":
                self._saves += more
            else:
                self._unasked += more
            ours += more
        if kind == "saves":
            self._unanswered = 0  # whether they were done is known now
        self._known[kind] = parsed[0], ours, self._lines

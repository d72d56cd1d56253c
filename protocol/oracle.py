"""The oracle: which answers the document allows, given all that was sent and seen before.

It feeds a device half of its own, the twin, with the same lines at the same times, and holds what the
instrument says against what the twin says. So the oracle is a set of allowed answers, held as one device that
has made the device's choices; and a wrong answer is always named with the answer that was due.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from fractions import Fraction

from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.framing import Overlong
from wirevow.protocol.message import (
    LAST_NOTICE,
    REASONS,
    UNSAID,
    Malformed,
    Notice,
    Reply,
    Request,
    parse_answer,
    parse_request,
)
from wirevow.protocol.twin import Twin
from wirevow.protocol.vow import LeaveEntry, TripEntry, Value, Vow


@dataclass(frozen=True, slots=True)
class Judgement:
    """What the oracle says of one answer."""

    right: bool
    requirement: str
    """The requirement that the answer bears on: the one it breaks, or the main one it keeps."""
    expected: str
    """What was due, as text; open words in braces, e.g. `ok {0.000..40.000} V`."""


class Oracle:
    """Judges every line that comes from the instrument. Times are integer nanoseconds of the tester's clock.

    `slack_ns`: how far the tester's idea of a moment may be off the instrument's (0 on a held clock, host
    jitter and wire time otherwise). `vague`: a refusal may lack its details, or its reason.
    """

    def __init__(self, vow: Vow, slack_ns: int = 0, *, vague: bool = False) -> None:
        self.vow = vow
        self.twin = Twin(vow, slack_ns)
        self.twin.vague = vague
        self._refused: str | None = None
        """The setting that was last put and not taken, if none was taken since."""
        self.expect_boot: str | None = None
        self.looked_ns = 0
        """When everything that had come was last judged: what comes now has happened since."""

    # --------------------------------------------------------------------------------------------- replies

    def reply(self, line: bytes | Overlong, raw: bytes | None, now_ns: int) -> Judgement:
        """Judge the reply `raw` (None: none came) to the line `line` (without its LF) sent at `now_ns`."""
        parsed = parse_answer(raw) if raw is not None else None
        seen = parsed if isinstance(parsed, Reply) else None
        twin = self.twin
        before, remembered = twin.state, twin.remembered
        request = parse_request(line) if isinstance(line, bytes) else None
        due = twin.judge(line, seen, raw, now_ns)
        if raw is None:
            if due is None:
                return Judgement(True, "wire.framing", "")
            return Judgement(False, "wire.deadline", self._text(due))
        if due is None:
            return Judgement(False, "wire.framing", "")
        if seen is not None and (seen == due or self._vaguely(seen, due)):
            if isinstance(request, Request) and request.verb == "put":
                self._refused = None if due.ok else request.name
            return Judgement(True, self._bears_on(request, due, before), raw.decode("ascii"))
        if remembered == raw and isinstance(request, Request) and request.tag is not None:
            return Judgement(False, "wire.once", self._text(due))
        return Judgement(False, self._broken(request, due, seen, parsed, before), self._text(due))

    def _vaguely(self, seen: Reply, due: Reply) -> bool:
        """Whether it is the refusal that is due, told with fewer words than the wire has for it."""
        told = due.words[:1], (UNSAID,)
        refused = self.twin.vague and not seen.ok and not due.ok and seen.words in told
        return refused and seen._replace(words=due.words) == due

    @staticmethod
    def _text(reply: Reply) -> str:
        """The reply as text; the check of a reply with open words cannot be written out."""
        bare = Reply(reply.tag, reply.ok, reply.words).line().decode("ascii")
        if not reply.checked:
            return bare
        if any("{" in word for word in reply.words):
            return f"{bare} ~{{check}}"
        return reply.line().decode("ascii")

    def _bears_on(self, request: Request | Malformed | None, due: Reply, state: str) -> str:
        """The requirement that an answer is about."""
        if request is None:
            return "wire.length"
        if self.twin.repeated:
            return "wire.once"
        if isinstance(request, Malformed):
            return f"wire.{request.reason}"
        if not due.ok:
            return self._refusal(request, due.words)
        entry = self.vow.points.get(request.name)
        if entry is not None:
            if request.verb == "put":
                if entry.source == "system":
                    return f"point.{entry.name}.choices"
                return f"point.{entry.name}.{'quantum' if entry.kind == 'number' else 'choices'}"
            if entry.derived is not None:
                return f"point.{entry.name}.derived"
            if entry.system == "state":
                return f"state.{self.twin.state}.reachable"
            if entry.text:
                return f"point.{entry.name}.text"
            if entry.extreme_of is not None:
                return f"point.{entry.name}.keeps"
            return f"point.{entry.name}.readable"
        return f"action.{request.name}.effect"

    def _refusal(self, request: Request, words: tuple[str, ...]) -> str:
        """The requirement behind a refusal that is due."""
        name, reason = request.name, words[0]
        entry = self.vow.points.get(name)
        action = self.vow.actions.get(name)
        match reason:
            case "length" | "syntax":
                return f"wire.{reason}"
            case "check":
                return "wire.check" if request.checked else "wire.guard"
            case "access" if entry is not None:
                return f"point.{name}.access"
            case "type" if entry is not None and entry.kind == "choice" and request.verb == "put":
                return f"point.{name}.choices"
            case "type" | "range" if action is not None and action.many:
                return f"action.{name}.number"
            case "type" if action is not None and action.takes_ticket is not None:
                return f"action.{name}.ticket"
            case "type" if words[1:2] == ("digits",):
                return "wire.exact"
            case "unit":
                return "wire.unit"
            case "state" if entry is not None:
                return f"point.{name}.set_in"
            case "state" if action is not None:
                detail = words[1]
                return f"action.{name}.{detail if detail in ('guard', 'ticket') else 'refused'}"
            case "range" if entry is not None and entry.kind == "record":
                return "wire.bulk"
            case "range" if entry is not None:
                return f"point.{name}.bounds"
            case "busy" if action is not None and action.always:
                return f"action.{name}.always"
            case "busy" if request.verb == "ask" and entry is not None:
                return f"point.{name}.readable"
            case "fault":
                return f"trip.{words[1]}.clears"
        return "wire.reasons"

    def _broken(
        self,
        request: Request | Malformed | None,
        due: Reply,
        seen: Reply | None,
        parsed: Reply | Notice | Malformed | None,
        state: str,
    ) -> str:
        """The requirement that a wrong answer breaks."""
        if seen is None:
            return (
                "wire.check" if isinstance(parsed, Malformed) and parsed.reason == "check" else "wire.syntax"
            )
        if seen.tag != due.tag:
            return "wire.tag"
        if (seen.ok, seen.words) == (due.ok, due.words):
            # Without a check in the request it is the guard that decides on that of the reply.
            plain = isinstance(request, Request) and not request.checked and not self._bulk(request)
            return "wire.guard" if plain and seen.ok else "wire.echo_check"
        if self.twin.repeated:
            return "wire.once"
        if not isinstance(request, Request):
            return self._bears_on(request, due, state)
        if not seen.ok and not due.ok and seen.words[0] != due.words[0]:
            return self._misjudged(request, due.words[0], (*seen.words, ""))
        if due.ok and not seen.ok:
            # A good request refused: the rule of that refusal was applied where it does not belong.
            rule = self._refusal(request, (*seen.words, ""))
            if rule == f"point.{request.name}.bounds" and self._digits_differ(request):
                return "wire.round"
            return f"action.{request.name}.effect" if rule == f"action.{request.name}.refused" else rule
        if due.ok and seen.ok:
            return self._misvalued(request, due, seen) or self._bears_on(request, due, state)
        return self._bears_on(request, due, state)

    def _misjudged(self, request: Request, due: str, seen: tuple[str, ...]) -> str:
        """Another reason than the one due, as its words: its rule applied where it does not belong, if it
        comes before the one due in the order of reasons; else the order itself is broken, for all we know."""
        if request.name in self.vow.points and "access" in (due, seen[0]):
            return f"point.{request.name}.access"
        if seen[0] in REASONS and REASONS.index(seen[0]) < REASONS.index(due):
            return self._refusal(request, seen)
        return "wire.reasons"

    def _misvalued(self, request: Request, due: Reply, seen: Reply) -> str | None:
        """A wrong value: of what, if its form or what was asked before shows it."""
        entry = self.vow.points.get(request.name)
        if entry is None:
            return None
        if entry.record is not None:
            return "wire.bulk" if len(seen.words) != 2 or len(seen.words[1]) != len(due.words[1]) else None
        if request.verb == "ask" and entry.name == self._refused:
            return "wire.atomic"
        if entry.scale is None:
            return None
        shown = entry.scale.parse(seen.words[0]) if seen.words else None
        if seen.words[1:] != due.words[1:]:
            return "wire.unit" if request.verb == "put" else f"point.{entry.name}.unit"
        if self._digits_differ(request):
            return "wire.round"
        differs = shown is not None and shown[1] != entry.scale.digits
        return f"point.{entry.name}.unit" if differs else None

    def _digits_differ(self, request: Request) -> bool:
        """Whether a number was put in other digits than those of its step."""
        scale = self.vow.points[request.name].scale
        given = scale.parse(request.arguments[0]) if scale is not None and request.arguments else None
        return scale is not None and given is not None and given[1] != scale.digits

    def _bulk(self, request: Request) -> bool:
        entry = self.vow.points.get(request.name)
        return entry is not None and entry.record is not None

    # --------------------------------------------------------------------------------------------- notices

    def notice(self, notice: Notice, now_ns: int) -> Judgement:
        """Judge a notice, and follow it: its event has happened."""
        twin = self.twin
        if notice.event == "boot":
            return self._booted(notice, now_ns)
        known, twin.number_known = twin.number_known, True
        if twin.due and not self._just_before(notice, now_ns):
            number, words = twin.due.popleft()
            if not known:
                # What was counted from an unknown number on is counted from this one instead.
                shift = notice.number - number - 1
                twin.number = (twin.number + shift) % LAST_NOTICE + 1
                twin.due = deque(((each + shift) % LAST_NOTICE + 1, rest) for each, rest in twin.due)
            if notice.checked == twin.guard and self._is_due(notice, words):
                right = not known or notice.number == number
                # Whoever drops some and gives their numbers back is so much behind.
                given_back = 0 < number - notice.number == twin.drops
                requirement = "wire.notice.queue" if given_back else self._misnumbered(notice, number)
                return Judgement(
                    right, "wire.notice.number" if right else requirement, f"note {number} {' '.join(words)}"
                )
            older = notice.number < number and (notice.event, notice.words[:1]) != (words[0], words[1:2])
            requirement = "wire.notice.queue" if known and older else self._misnoticed(notice, words)
            return Judgement(False, requirement, f"note {number} {' '.join(words)}")
        behind, twin.due = twin.due, deque()
        number = (behind[0][0] - 1 if behind else twin.number) % LAST_NOTICE + 1
        twin.number = notice.number
        for _, words in behind:
            twin.number = twin.number % LAST_NOTICE + 1
            twin.due.append((twin.number, words))
        if known and notice.number != number:
            return Judgement(False, self._misnumbered(notice, number), f"note {number} {notice.event}")
        if not twin.notices:
            return Judgement(False, "wire.notice.off", "")
        if notice.checked != twin.guard:
            return Judgement(False, "wire.echo_check", "a check just while the guard is on")
        if notice.event == "trip":
            return self._tripped(notice, now_ns)
        if notice.event == "state" and len(notice.words) == 1:
            return self._left(notice.words[0], now_ns)
        return Judgement(
            False, "promise.quiet" if "quiet" in self.vow.document.promises else "wire.syntax", ""
        )

    def _just_before(self, notice: Notice, now_ns: int) -> bool:
        """Whether it tells of what the instrument did by itself at the instant of the one hand that it has
        not told of yet: either may come first."""
        twin = self.twin
        if len(twin.due) > 1 or now_ns > twin.hand_ns + twin.slack_ns or not notice.words:
            return False
        name = notice.words[0]
        if notice.event == "trip":
            trip = self.vow.trips.get(name)
            return trip is not None and twin.state in trip.armed_in
        leaves = self.vow.states[twin.state].leaves
        return notice.event == "state" and any(each.to == name for each in leaves)

    def _is_due(self, notice: Notice, words: tuple[str, ...]) -> bool:
        """Whether it is the notice with these words; what a trip reports is known only if it is fixed."""
        seen = (notice.event, *notice.words)
        trip = self.vow.trips.get(words[1]) if words[0] == "trip" else None
        if trip is not None and not self.twin.fixed(trip.reports) and seen[:2] == words[:2]:
            self.twin.last_trip = notice.words
            self.twin.unknown.discard("last_trip")
            return True
        return seen == words

    @staticmethod
    def _misnumbered(notice: Notice, due: int) -> str:
        """What a wrong number breaks: where it begins again at 1 there was a boot that did not show."""
        return "wire.boot" if notice.number == 1 and due > 2 else "wire.notice.number"

    def _misnoticed(self, notice: Notice, due: tuple[str, ...]) -> str:
        """What another notice than the one due breaks."""
        seen = (notice.event, *notice.words)
        if seen == due:
            return "wire.echo_check"
        if (notice.number, seen) in self.twin.due:
            return "wire.notice.queue"  # those before it were dropped, or it has overtaken them
        if notice.event == "trip" and notice.words[:1] and notice.words[0] in self.vow.trips:
            return f"trip.{notice.words[0]}.{'notice' if due[0] == 'trip' else 'fires'}"
        match due[0]:
            case "local":
                return f"point.{due[1]}.local"
            case "control":
                return "point.panel.control.readable"
            case "state":
                for name, state in self.vow.states.items():
                    for leave in state.leaves:
                        if leave.to == due[1] and leave.when is None:
                            return f"state.{name}.leave.{leave.index + 1}"
        return "wire.notice.number"

    def _booted(self, notice: Notice, now_ns: int) -> Judgement:
        expected, self.expect_boot = self.expect_boot, None
        self.twin.number_known = True
        if expected is None:
            self.boot(notice.words[0] if notice.words else "power", now_ns)
            self.twin.number = notice.number
            return Judgement(False, "wire.boot", "no boot")
        self.twin.number = notice.number
        if notice.number != 1 or notice.words != (expected,):
            requirement = "wire.boot" if notice.number == 1 else "wire.notice.number"
            return Judgement(False, requirement, f"note 1 boot {expected}")
        if notice.checked:
            return Judgement(False, "wire.echo_check", f"note 1 boot {expected}: a boot turns the guard off")
        return Judgement(True, "wire.boot", "")

    def boot(self, cause: str, now_ns: int) -> None:
        """The instrument has booted at `now_ns`."""
        self.twin.boot(cause, now_ns)
        self.twin.uptime_slack_ns = 0
        self.twin.unknown -= {"drops", "captures", "last_trip", "boot_cause"}
        self.twin.number_known = True
        self.twin.number = 0

    def _tripped(self, notice: Notice, now_ns: int) -> Judgement:
        trip = self.vow.trips.get(notice.words[0] if notice.words else "")
        if trip is None:
            return Judgement(False, "wire.reasons", "a trip of the document")
        entry = self.vow.points[trip.reports]
        parsed = (
            entry.number.parse(notice.words[1]) if entry.scale is not None and len(notice.words) > 1 else None
        )
        well_formed = (
            notice.words[1:] == entry.number.words(parsed[0])
            if parsed is not None
            else entry.scale is None and notice.words[1:2] and notice.words[1] in entry.choices
        )
        armed = self.twin.state in trip.armed_in
        value: Value = parsed[0] if parsed is not None else entry.default
        plausible = self._could_fire(trip, value, now_ns)
        first_ns, entered_ns = self._happened(trip, now_ns)
        self.twin.fire(trip, value, entered_ns)
        self.twin.early_ns = entered_ns - first_ns
        self.twin.last_trip = notice.words
        self.twin.unknown.discard("last_trip")
        if not armed:
            states = ", ".join(sorted(trip.armed_in))
            return Judgement(False, f"trip.{trip.name}.fires", f"no such trip outside {states}")
        if not well_formed:
            return Judgement(
                False, f"trip.{trip.name}.notice", f"trip {trip.name} and the value of {trip.reports}"
            )
        if not plausible:
            return Judgement(False, f"trip.{trip.name}.fires", f"no trip unless {trip.when.text}")
        return Judgement(True, f"trip.{trip.name}.notice", "")

    def _happened(self, act: TripEntry | LeaveEntry, now_ns: int) -> tuple[int, int]:
        """Between which times what a notice tells of happened: since we last looked, or when it was due."""
        first_ns = min(self.looked_ns, now_ns)
        known = self.twin.when(act, now_ns)
        if known is None or known[1] < first_ns:
            return first_ns, now_ns
        return max(known[0], first_ns), known[1]

    def _could_fire(self, trip: TripEntry, value: Value, now_ns: int) -> bool:
        """Whether the condition could be true with the value reported, given the settings."""
        known: dict[str, tuple[Fraction, Fraction]] = {}
        entry = self.vow.points[trip.reports]
        if isinstance(value, int):
            # How long nothing was said is known better than what is reported of it.
            if entry.system == "silence" and value > self.twin.clock_bounds(entry, now_ns)[1]:
                return False
            # The condition looks at the value itself, the report at its nearest step.
            step = entry.number.step
            known[entry.name] = ((value - 1) * step, (value + 1) * step)
        return True in self.twin.truths(trip.when.atoms(), known, now_ns)

    def _left(self, state: str, now_ns: int) -> Judgement:
        twin = self.twin
        before = twin.state
        for leave in self.vow.states[before].leaves:
            if leave.to != state:
                continue
            requirement = f"state.{before}.leave.{leave.index + 1}"
            due_ns = twin.entered_ns + leave.after_ns
            slack_ns = twin.slack_of(leave.after_ns)
            early, late = now_ns < due_ns - slack_ns - twin.early_ns, self.looked_ns > due_ns + slack_ns
            if leave.when is not None:
                first_ns, entered_ns = self._happened(leave, now_ns)
                first_ns = min(max(due_ns - twin.early_ns, first_ns), entered_ns)
            else:
                first_ns = min(max(due_ns - twin.early_ns, self.looked_ns), now_ns)
                entered_ns = min(max(due_ns, self.looked_ns), now_ns)
            twin.enter(state, entered_ns)
            twin.early_ns = entered_ns - first_ns
            if leave.when is None and (early or late):
                return Judgement(
                    False, requirement, f"{before} to {state} after {leave.after_ns / NS_PER_S:g} s"
                )
            if leave.when is not None and (early or twin.decide(leave.when, now_ns) is False):
                return Judgement(False, requirement, f"{before} to {state} only when {leave.when.text}")
            return Judgement(True, requirement, "")
        if state in self.vow.states:
            twin.enter(state, now_ns)
        return Judgement(False, f"state.{before}.reachable", f"no transition from {before} to {state}")

    def overdue(self, now_ns: int) -> Judgement | None:
        """A timed transition that should have been noticed by now, or None. It is followed all the same."""
        twin = self.twin
        if not twin.told:
            twin.pass_on(now_ns)
            return None
        for leave in self.vow.states[twin.state].leaves:
            due_ns = twin.entered_ns + leave.after_ns
            if leave.when is None and now_ns > due_ns + twin.slack_of(leave.after_ns):
                before = twin.state
                twin.enter(leave.to, due_ns)
                twin.number = twin.number % LAST_NOTICE + 1
                return Judgement(False, f"state.{before}.leave.{leave.index + 1}", f"note N state {leave.to}")
        return None

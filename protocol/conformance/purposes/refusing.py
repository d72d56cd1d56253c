"""Purposes about refusals: their reasons, their order, and that what is refused has no effect."""

from __future__ import annotations

from contextlib import suppress

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.purposes import purpose
from wirevow.protocol.conformance.purposes.actions import do
from wirevow.protocol.conformance.purposes.constancy import captured_ns
from wirevow.protocol.conformance.purposes.images import ask_parts
from wirevow.protocol.conformance.purposes.looking import signals_of, target_state
from wirevow.protocol.conformance.purposes.meddling import (
    a_choice,
    a_number,
    has_panel,
    images_in,
    overlong,
    put_line,
    stay_tripped,
)
from wirevow.protocol.conformance.purposes.points import (
    boots,
    enable,
    lowered,
    moved_while_busy,
    other_value,
)
from wirevow.protocol.conformance.purposes.records import answered_by, filled_by, record_fields, record_series
from wirevow.protocol.conformance.purposes.spelling import FEW
from wirevow.protocol.conformance.purposes.trips import try_clear
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.message import Request, check_of
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.vow import PointEntry

SHARE = 0.3
"""Part of the actions whose names are tried with every wrong verb."""


@purpose("wire", "reasons", 3)
def reasons(t: Tester, r: Requirement) -> None:
    """Lines to which several reasons apply; the first of the table is due."""
    entry = a_number(t)
    number, *unit_words = entry.words(entry.number.high)
    over = entry.number.text(entry.number.high + 1)
    wrong_unit = "xx" if unit_words else ""
    lines = [
        "ask no.such ~0000",
        "ask no.such 1",
        "put no.such 1.0 A",
        "act no.such",
        "put self.state",
        "put self.state 1",
        "act self.state 1",
        f"put {entry.name} x {wrong_unit}".rstrip(),
        f"put {entry.name} {over} {wrong_unit}".rstrip(),
        f"put {entry.name} {over}00 {' '.join(unit_words)}".rstrip(),
        f"put {entry.name} {number} {' '.join(unit_words)} more".replace("  ", " "),
        f"ask {entry.name} 1",
        "ask self.vow x",
    ]
    for action in t.vow.actions.values():
        if not t.may_do(action.name):
            continue  # a faulty instrument could take any of these for it
        if t.random.random() < SHARE:
            lines += [f"ask {action.name}", f"put {action.name} 1"]
        if action.takes_ticket is not None:
            lines += [
                f"act {action.name} {each}" for each in ("123", "12345", "ABCD", "x", "0000 0000", "00g0")
            ]
            lines += [f"act {action.name}"]
        else:
            lines += [f"act {action.name} 0000"] if ("reboot", "") not in action.does else []
    for line in lines:
        t.say(line)
    # In a state that forbids it: type before state, state before range, unit before state.
    for setting in t.vow.settings:
        if setting.set_in is not None and t.vow.initial not in setting.set_in:
            if setting.scale is not None:
                scale = setting.number
                over, *ours = setting.words(scale.high)
                t.say(" ".join(("put", setting.name, "x", *ours)))
                t.say(" ".join(("put", setting.name, scale.text(scale.high + 1), *ours)))
                if ours:
                    t.say(f"put {setting.name} {over} xx")
            else:
                t.say(f"put {setting.name} nosuch")
    # The guard's check comes before everything that a line says.
    t.say("put link.guard on")
    for unchecked in ("put no.such 1", "put self.state 1", "act no.such", f"put {entry.name} x"):
        t.line(unchecked.encode())


@purpose("wire", "reasons", 1)
def busy(t: Tester, r: Requirement) -> None:
    """While the panel has control: every other reason comes before `busy`."""
    t.need("bench")
    if "panel.control" not in t.events:
        raise NotSelected("needs a rig that can turn the front panel")
    entry = a_number(t)
    scale = entry.number
    t.panel("panel.control", "local")
    ours = entry.words(scale.high)[1:]
    t.say(" ".join(("put", entry.name, scale.text(scale.high + 1), *ours)))
    t.say(" ".join(("put", entry.name, "x", *ours)))
    longer = scale.text(t.bounds(entry)[1]) + ("0" if scale.digits else ".0")
    t.say(" ".join(("put", entry.name, longer, *ours)))
    t.put(entry.name, entry.number.nearest(entry.number.low * entry.number.step))
    for action in t.vow.actions.values():
        if ("reboot", "") not in action.does and t.may_do(action.name):
            t.act(action.name)
    moved_while_busy(t)
    t.put("link.notices" if "link.notices" in t.vow.points else "link.guard", "off")
    t.panel("panel.control", "remote")


@purpose("wire", "atomic", 3)
def atomic(t: Tester, r: Requirement) -> None:
    entry = a_number(t)
    scale = entry.number
    value = other_value(t, entry)
    assert isinstance(value, int)
    t.put(entry.name, value)
    number, *ours = entry.words(entry.default if isinstance(entry.default, int) else 0)
    for line in (
        f"put {entry.name} {number} xx",
        " ".join(("put", entry.name, scale.text(scale.high + 1), *ours)),
        " ".join(("put", entry.name, number, *ours, "~0000")),
        " ".join(("put", entry.name, number, *ours, "more")),
        f"put {entry.name} {number}0",
    ):
        t.line(line.encode())
        t.ask(entry.name)
    choice = a_choice(t)
    if choice is not None:
        other = other_value(t, choice)
        t.say(f"put {choice.name} {other} {other}")
        t.ask(choice.name)
    # A refused request has not turned the guard on, whatever its check.
    t.say("ask no.such", check=True)
    t.ask("link.guard")
    t.put(entry.name, value)
    # Actions that are refused change no state and no setting.
    for action in t.vow.actions.values():
        if t.state not in action.to:
            t.act(action.name)
    t.ask("self.state")
    t.ask(entry.name)


@purpose("wire", "check", 3)
def check(t: Tester, r: Requirement) -> None:
    entry = a_number(t)
    value = other_value(t, entry)
    assert isinstance(value, int)
    body = put_line(t, entry, value).encode()
    right = int(check_of(body), 16)
    for wrong in {
        right ^ 1,
        right ^ 0x8000,
        right ^ 0xFFFF,
        (right >> 8) | (right & 0xFF) << 8,
        0,
        0xFFFF,
    } - {right}:
        t.line(body + b" ~%04X" % wrong)
    t.line(b"ask self.state ~0000")
    t.line(b"ask self.state ~FFFF")
    t.line(b"@7 act " + next(iter(t.vow.actions), "no.such").encode() + b" ~0001")
    t.ask(entry.name)
    for bit in range(8):
        damaged = bytearray(body + b" ~%04X" % right)
        damaged[4 + bit % (len(body) - 4)] ^= 1 << (bit % 7)
        if b"\n" not in damaged:
            t.line(bytes(damaged))
    t.ask(entry.name)
    t.say("ask self.state", check=True)


@purpose("wire", "check", 3)
def check_where_it_works(t: Tester, r: Requirement) -> None:
    """A check is compared in every state that handles power, whatever the request."""
    entry = next(each for each in t.vow.points.values() if each.system == "state")
    t.prepare()
    for state in t.vow.states.values():
        if not state.energised or not t.energise:
            continue
        t.goto(state.name)
        setting = next((each for each in t.vow.settings if t.settable_here(each)), None)
        if setting is not None:
            value = other_value(t, setting)
            t.say(" ".join(("put", setting.name, *setting.words(value))) + " ~0000")
            t.ask(setting.name)
        for line in (b"act no.such ~0000", b"ask " + entry.name.encode() + b" ~FFFF"):
            t.line(line)
        for action in t.vow.actions.values():
            if action.always:
                t.line(b"act " + action.name.encode() + b" ~0001")
                t.ask(entry.name)
                break


@purpose("wire", "guard", 3)
def guard(t: Tester, r: Requirement) -> None:
    entry = a_number(t)
    value = other_value(t, entry)
    assert isinstance(value, int)
    t.ask("link.guard")
    t.say("ask self.state", check=True)
    t.ask("link.guard")
    plain = put_line(t, entry, value).encode()
    t.line(plain)
    t.line(b"@5 " + plain)
    safe = t.vow.document.trial.safe
    if safe is not None:
        t.line(f"act {safe}".encode())
    t.line(b"put link.guard off")
    t.ask(entry.name)
    t.put(entry.name, value)
    t.ask(entry.name)
    t.say("put link.guard off", check=True)
    t.ask("link.guard")
    t.line(plain)
    for line in (b"x", b"x" * 600, b"ask self.state ~0000", b"", b"ask self.state"):
        t.say("put link.guard on", check=True)
        if line:
            t.line(line)
        t.line(plain)
    for boot_again in boots(t):
        t.say("put link.guard on", check=t.guard)
        t.line(plain)
        boot_again()
        t.ask("link.guard")
        t.line(plain)


CHANGES = ("recall", "defaults")
"""Effects that put settings, those too that cannot be put just now."""


@purpose("wire", "reasons", 1)
def every_reason(t: Tester, r: Requirement) -> None:
    """Tripped, the cause still there, the panel in control and the guard on: the first reason is given."""
    if not has_panel(t):
        raise NotSelected("needs a rig that can turn the front panel")
    act = stay_tripped(t)
    entry = a_number(t)
    number, *unit = entry.words(entry.number.high)
    over = entry.number.text(entry.number.high + 1)
    t.say("put link.guard on")
    t.panel("panel.control", "local")
    t.line(f"act {act}".encode().ljust(t.vow.document.wire.line_limit + 1, b"x"))
    t.line(f"act {act} ".encode())
    t.line(f"act {act} ~0000".encode())
    t.line(f"act {act}".encode())
    t.line(b"act no.such")
    texts = [
        "act no.such",
        f"put {act} 1",
        f"act {act} x",
        " ".join(("put", entry.name, "x", *unit)),
        f"put {entry.name} {over} {unit[0]}x" if unit else f"put {entry.name} {over} x",
        " ".join(("put", entry.name, over, *unit)),
        " ".join(("put", entry.name, number, *unit)),
    ]
    shut = next((each for each in t.vow.settings if not t.settable_here(each)), None)
    if shut is not None:
        texts.append(" ".join(("put", shut.name, *shut.words(shut.default))))
    refused = [each.name for each in t.vow.actions.values() if t.state not in each.to]
    texts += [f"act {each}" for each in refused[:FEW]]
    for text in texts:
        t.say(text)
    for _ in range(2):
        t.say(f"act {act}")  # busy comes first
    t.trying = None
    for record in (each for each in t.vow.points.values() if each.kind == "record"):
        t.say(f"ask {record.name} 0")  # asking is never in the way
    t.trying = r.id
    t.panel("panel.control", "remote")
    trip = t.vow.trips[t.oracle.twin.latched or ""]
    condition = trip.cleared_when if trip.cleared_when is not None else trip.when
    try_clear(t, act, signals_of(t, condition))
    t.guard_off()


@purpose("action", "effect", 2)
def brings_back_all(t: Tester, r: Requirement) -> None:
    """What brings settings back brings back those too that can be put in other states only."""
    action = t.vow.actions[r.element]
    if not any(kind in CHANGES for kind, _ in action.does):
        return
    moved: list[PointEntry] = []
    for allowed in dict.fromkeys(each.set_in for each in t.vow.settings):
        of_these = [each for each in t.vow.settings if each.set_in == allowed]
        for entry in t.random.sample(of_these, 1):
            with suppress(NotSelected):
                enable(t, entry)
                t.put(entry.name, other_value(t, entry))
                moved.append(entry)
    t.goto(target_state(t, action))
    below = lowered(t)
    if below is not None and below not in moved:
        moved.append(below)  # no limit that is in force just now holds it down
    do(t, action)
    for entry in moved:
        t.ask(entry.name)


@purpose("record", "layout", 3)
def captured_stays(t: Tester, r: Requirement) -> None:
    """A series that was captured is there until the next one, whatever is done meanwhile."""
    record = t.vow.document.records[r.element]
    series = [field.name for field in record.fields if field.count > 1]
    action, point = filled_by(t, r.element), answered_by(t, r.element)
    if not series or action is None or point is None:
        return
    t.prepare()
    t.goto(target_state(t, action))
    do(t, action)
    before = record_fields(t, point.name, record)
    t.safe()
    t.line(overlong(t))
    for each in t.vow.actions.values():
        kinds = {kind for kind, _ in each.does}
        if each.to.get(t.state) == t.state and not kinds & {"capture", "reboot", "save"}:
            t.act(each.name)
    after = record_fields(t, point.name, record)
    for name in series:
        if before[name] != after[name]:
            due = f"{name} of {point.name} as it was: nothing has been captured since"
            raise Broken(Judgement(False, r.id, due), f"ask {point.name}", "other samples")
    # One that has begun is completed, though what it records has ended.
    count = t.vow.system_name("captures")
    safe = t.vow.document.trial.safe
    if count is not None and safe is not None and t.gate is None and t.vow.document.wire.pipeline > 1:
        t.goto(target_state(t, action))
        lines = [Request(None, "act", name, (), False).line() for name in (action.name, safe)]
        began_ns = t.now_ns
        t.raw(b"".join(line + b"\n" for line in lines))
        field = next(each for each in record.fields if each.count > 1)
        present = record_series(t, point.name, record, field)
        # Some instruments need time to answer, on a clock that is held as well.
        if t.now_ns == began_ns and present != after[field.name]:
            due = f"{field.name} of {point.name} as it was: the next capture is not complete"
            raise Broken(Judgement(False, r.id, due), f"ask {point.name}", "other samples")
        t.alive(captured_ns(t, action))
        t.ask(count)
        # And one that a boot overtakes is not.
        reboot = t.vow.doing("reboot")
        if reboot is not None and t.state in reboot.to:
            t.goto(target_state(t, action))
            t.raw(b"".join(line + b"\n" for line in lines))
            t.act(reboot.name)
            t.alive(captured_ns(t, action))
            t.ask(count)
    t.keep(r.id)


@purpose("wire", "atomic", 3)
def refused_switches_stay(t: Tester, r: Requirement) -> None:
    """A switch of the session stays where it is when it is refused, for whatever reason."""
    switches = [each.name for each in t.vow.points.values() if each.system in ("guard", "notices")]
    t.say("put link.guard on")
    for name in switches:
        t.say(f"put {name} x")
        t.line(f"put {name} off".encode())
    t.ask(switches[-1])  # its check shows the guard
    if has_panel(t):
        t.panel("panel.control", "local")
        for name in switches:
            t.say(f"put {name} off")
        t.say(f"put {switches[0]} x")
        t.ask(switches[-1])
        t.panel("panel.control", "remote")
        t.guard_off()
        t.panel("panel.control", "local")
        t.say("put link.guard on")
        t.ask(switches[0])
        t.panel("panel.control", "remote")


@purpose("wire", "atomic", 3)
def refused_is_not_done(t: Tester, r: Requirement) -> None:
    """What is refused is not done, whatever it is refused for: settings and counts are as they were."""
    entry, saves = a_number(t), t.vow.system_name("saves")
    acts: dict[str, str] = {}
    recall = t.vow.doing("recall")
    for action in t.vow.actions.values():
        for kind, _ in action.does:
            if (
                t.state in action.to
                and not action.always
                and t.may_do(action.name)
                and kind in ("save", "defaults", "recall", "reboot")
            ):
                acts[kind] = f"act {action.name}"
    if "recall" in acts and "reboot" in acts:
        del acts[t.random.choice(("recall", "reboot"))]  # either shows what the other would
    refused = [" ".join(("put", entry.name, *entry.words(entry.default))), *acts.values()]
    if saves is not None:
        t.ask(saves)
    t.put(entry.name, other_value(t, entry))
    for text in acts.values():
        t.say(f"{text} x")
    t.say("put link.guard on")
    for text in refused:
        t.line(text.encode())
    t.guard_off()
    if has_panel(t):
        t.panel("panel.control", "local")
        for text in ("put self.state 1", *refused):
            t.say(text)
        t.panel("panel.control", "remote")
    t.line(overlong(t) * 2)
    for name in (entry.name, saves, "self.state"):
        if name is not None:
            t.ask(name)
    # All that are saved at once.
    for image in images_in(t):
        ask_parts(t, image)
    if saves is not None and recall is not None and t.state in recall.to:
        t.act(recall.name)  # nor has a save that was refused reached the store
        t.ask(entry.name)


@purpose("wire", "reasons", 3)
def wherever_it_is(t: Tester, r: Requirement) -> None:
    """Guard, panel and what is remembered rule in a state that handles power as they do at first."""
    others = [
        state for state in t.vow.states.values() if state.name != t.vow.initial and t.may_enter(state.name)
    ]
    live = any(each.energised for each in others)
    alike = [each.name for each in others if each.energised is live]
    if not alike:
        raise NotSelected("no other state can be reached")
    t.random.shuffle(alike)
    t.prepare()
    t.goto(max(alike, key=lambda each: len(_of_its_own(t, each))))
    _rules(t, a_number(t))


def _of_its_own(t: Tester, state: str) -> list[str]:
    """Actions without a ticket that are done in a state and not in the initial one."""
    done = [each for each in t.vow.actions.values() if state in each.to and each.takes_ticket is None]
    return [each.name for each in done if not each.always and t.vow.initial not in each.to]


def _rules(t: Tester, entry: PointEntry) -> None:
    """Each rule of the session once, in the present state."""
    fine = f"put {entry.name} {' '.join(entry.words(t.setting(entry.name)))}"
    acts = _of_its_own(t, t.state)
    t.say("put link.guard on")
    t.line(f"@3a {fine}".encode())
    for name in (acts or [each.name for each in t.vow.actions.values() if each.always])[:1]:
        t.line(f"act {name}".encode())
    if not has_panel(t):
        return
    t.panel("panel.control", "local")
    t.say(fine)
    for name in acts[1:]:
        t.act(name)
    busy = Request("@3b", "act", acts[0], (), True).line() if acts else None
    if busy is not None:
        t.line(busy)
    t.panel("panel.control", "remote")
    if busy is not None:
        t.line(busy)
    t.panel("panel.control", "local")
    t.safe()
    t.panel("panel.control", "remote")
    t.ask("self.state")

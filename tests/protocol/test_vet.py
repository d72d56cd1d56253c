"""Vetting: each rule is broken once in a good document, and exactly that is told, at its line."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pint
import pytest
from ucumvert import PintUcumRegistry

from wirevow.protocol.document.load import DocumentError, read_document
from wirevow.protocol.document.terminals import Control, Signal, Terminals
from wirevow.protocol.document.vet import CODES, Findings, summary, vet, vet_file
from wirevow.protocol.document.vet.names import close
from wirevow.protocol.document.vet.quantities import USUAL_SPELLINGS
from wirevow.protocol.units import si_per_unit, units_of

HERE = Path(__file__).parent
SPEC = HERE.parents[1] / "spec"
HUTCH = HERE / "hutch.yaml"
GOOD = HUTCH.read_text(encoding="utf-8")


CABINET = Terminals(
    "cabinet",
    {
        "room.temperature": Signal("Cel", "air"),
        "heater.power": Signal("W", "power of the plate"),
        "heater.energy": Signal("J", "energy of the plate"),
        "fan.duty": Signal("1", "duty of the vent"),
    },
    {
        "heater": Control(choices=("off", "gentle", "brisk")),
        "wish": Control("Cel", 0.0, 100.0),
        "limit": Control("W", 0.0, 200.0),
        "energy.zero": Control(pulse=True),
    },
    {"outside": Control("Cel", -40.0, 60.0), "window": Control(choices=("open", "closed", "stuck"))},
    lambda signal, _, events: float(events["outside"]) + 2.0 if signal == "room.temperature" else None,
)
"""What the plant of the good document would offer; it is described nowhere but here."""


BY_REST = ("provoke-short", "event-trips")
"""Rules that need a plant which knows where readings come to rest."""


def findings(text: str, plant: Terminals | None = None) -> Findings:
    return vet(read_document(text, "hutch.yaml"), plant)


def edited(edits: Sequence[tuple[str, str]]) -> str:
    text = GOOD
    for old, new in edits:
        assert text.count(old) == 1, f"{text.count(old)} times: {old}"
        text = text.replace(old, new)
    return text


BY_THE_SAME = """\
      - when: plate.power > 90
        to: rest
        provoke: {state: heating, bench: {outside: 50.0}, within: 2 h}"""


@dataclass(frozen=True)
class Defect:
    """Edits of the good document, the one finding they make, and a piece of the line where it is."""

    code: str
    edits: Sequence[tuple[str, str]]
    at: str
    said: str


FOLLOWS = """signal: heater.power, every: 100 ms,
    follows: {setting: wish.warmth, to: 2.0, state: hot, within: 1 s}}"""


def defect(code: str, at: str, said: str, *edits: tuple[str, str]) -> Defect:
    return Defect(code, edits, at, said)


START = "  heat.start: {means: Heat, from: [ready], to: heating, takes_ticket: heat.arm, repeat: once}\n"
STOP = "from: [rest, ready, heating, holding], to: rest, repeat: safe, always: true}"
SILENT = "    when: link.silence > link.patience\n"
WARM = "    when: air.warmth > roof.warmth\n"
CLEAR = "  trip.clear: {means: Leave the trip, from: [tripped], to: rest, does: [clear_trip], repeat: safe}\n"
AIR_GAP = "  air.gap: {"
PUTS = "  wish.hot: {{means: Hot, from: [rest], does: [{does}], repeat: safe}}\n"
HOLD = "      - {when: air.warmth >= wish.warmth, after: 2 s, to: holding}\n"
HOT = (
    "    provoke: {state: heating, put: {roof.warmth: 30.0}, bench: {outside: 50.0},"
    " relief: {outside: 15.0}, within: 2 h}"
)
GAP = "holds: abs(air.gap - (wish.warmth - air.warmth)) <= 0.2"
BY_TURNS = (
    "alternates: air.warmth, phases: [{level: wish.warmth, lasts: link.patience},"
    " {level: roof.warmth, lasts: link.silence}]"
)
LEVELS = "levels: [{at: 25, duty: 0.3}, {at: 35, duty: 0.6}, {at: 45, duty: 1}]"
PATIENCE = (
    "  link.patience: {means: Longest silence while heating, quantity: patience, access: set,"
    " default: 20, saved: true}\n"
)

DEFECTS = [
    # ---------------------------------------------------------------------------------------------- names
    defect(
        "unknown-quantity",
        "air.gap",
        'there is no quantity wormth: write "warmth"',
        ("is from the wish, quantity: warmth", "is from the wish, quantity: wormth"),
    ),
    defect(
        "unknown-quantity",
        "outside: {means",
        "there is no quantity heat",
        ("value: warmth", "value: heat"),
    ),
    defect(
        "unknown-point",
        "reports: link.silence",
        'there is no point link.silense: write "link.silence"',
        ("    reports: link.silence", "    reports: link.silense  # reports: link.silence"),
    ),
    defect(
        "unknown-point",
        "high: roof.warmt",
        'there is no point roof.warmt: write "roof.warmth"',
        ("high: roof.warmth", "high: roof.warmt"),
    ),
    defect(
        "unknown-point",
        "fields: [",
        "there is no point air",
        (
            "    fields:\n      - {name: warmth, type: i16, from: air.warmth",
            "    fields: [{name: warmth, type: i16, from: air",
        ),
        ("count: 32, every: 1 s}", "count: 32, every: 1 s}]"),
    ),
    defect(
        "unknown-point",
        "outputs: {heater: {from:",
        "there is no point mode",
        ("from: mode.kind", "from: mode"),
    ),
    defect(
        "unknown-point",
        "  put: {wish",
        'there is no point wish.warm: write "wish.warmth"',
        ("put: {wish.warmth: 25.0}", "put: {wish.warm: 25.0}"),
    ),
    defect(
        "unknown-point",
        "does: [{pulse: energy.zero, zeroes",
        'there is no point plate.enrgy: write "plate.energy"',
        ("does: [{pulse: energy.zero}]", "does: [{pulse: energy.zero, zeroes: [plate.enrgy]}]"),
    ),
    defect(
        "unknown-state",
        "follows: {setting: wish.warmth",
        "there is no state hot",
        ("signal: heater.power, every: 100 ms}", FOLLOWS),
    ),
    defect(
        "unknown-state",
        "to: holdin}",
        'there is no state holdin: write "holding"',
        ("to: holding}", "to: holdin}"),
    ),
    defect(
        "unknown-state",
        "set_in: [rest, redy]",
        'there is no state redy: write "ready"',
        ("set_in: [rest, ready]", "set_in: [rest, redy]"),
    ),
    defect(
        "unknown-state",
        "in: [heating, hot]",
        "there is no state hot",
        ("in: [heating, holding]", "in: [heating, hot]"),
    ),
    defect(
        "unknown-state",
        "to: trippd",
        'there is no state trippd: write "tripped"',
        ("    to: tripped\n    reports: link", "    to: trippd\n    reports: link"),
    ),
    defect(
        "unknown-action",
        "takes_ticket: heat.am",
        'there is no action heat.am: write "heat.arm"',
        ("takes_ticket: heat.arm", "takes_ticket: heat.am"),
    ),
    defect(
        "unknown-action",
        "safe: heat.halt",
        "there is no action heat.halt",
        ("safe: heat.stop", "safe: heat.halt"),
    ),
    defect(
        "unknown-record",
        "record: stor,",
        'there is no record stor: write "store"',
        ("record: store,", "record: stor,"),
    ),
    defect(
        "unknown-record",
        "{capture: trak}",
        "there is no record trak",
        ("{capture: trace}", "{capture: trak}"),
    ),
    defect(
        "unknown-event",
        "bench: {outsid: 50.0}",
        'there is no bench event outsid: write "outside"',
        ("bench: {outside: 50.0}", "bench: {outsid: 50.0}"),
    ),
    defect(
        "unknown-word",
        "default: gentel",
        'gentel is none of the choices of mode.kind: write "gentle"',
        ("default: gentle", "default: gentel"),
    ),
    defect(
        "unknown-word",
        "guard: mode.kind ==",
        'brsk is none of the choices of mode.kind: write "brisk"',
        ("guard: air.warmth < wish.warmth", "guard: mode.kind == 'brsk'"),
    ),
    defect(
        "unknown-word",
        "bench: {window: ajar}",
        "ajar is none of the choices of window",
        ("bench: {outside: 50.0}", "bench: {window: ajar}"),
    ),
    defect(
        "wrong-kind",
        "guard: air.warmth",
        "this is a number: write a condition",
        ("guard: air.warmth < wish.warmth", "guard: air.warmth"),
    ),
    defect(
        "wrong-kind",
        "high: roof.warmth",
        "this is a condition: write a number",
        ("high: roof.warmth - 5.0", "high: roof.warmth > 5.0"),
    ),
    defect(
        "wrong-kind",
        "guard: mode.kind",
        "mode.kind is no number",
        ("guard: air.warmth < wish.warmth", "guard: mode.kind < 3"),
    ),
    defect(
        "wrong-kind",
        "guard: air.warmth",
        'air.warmth is a number, not "warm"',
        ("guard: air.warmth < wish.warmth", "guard: air.warmth == 'warm'"),
    ),
    defect(
        "wrong-kind",
        "default: warm",
        "wish.warmth is a number, not warm: write a number",
        ("default: 21.0", "default: warm"),
    ),
    defect(
        "wrong-kind",
        "from: self.vow",
        "self.vow is no number and no choice",
        ("from: self.saves", "from: self.vow"),
    ),
    defect(
        "not-a-setting",
        "put: {air.warmth",
        "air.warmth is no setting",
        ("put: {wish.warmth: 25.0}", "put: {air.warmth: 25.0}"),
    ),
    defect(
        "not-a-setting",
        "ceiling: plate.power",
        "plate.power is no setting",
        ("ceiling: plate.ceiling", "ceiling: plate.power"),
    ),
    defect(
        "not-a-reading",
        "temperature: mode.kind",
        "mode.kind is no number: name a point with a quantity",
        ("  temperature: air.warmth\n", "  temperature: mode.kind\n"),
    ),
    defect(
        "not-a-reading",
        "reports: trip.last",
        "trip.last is no single value",
        ("reports: air.warmth", "reports: trip.last"),
    ),
    # ------------------------------------------------------------------------------------------ quantities
    defect(
        "quantity-range",
        "low: 60, high: 1}",
        "patience runs from 60 to 1",
        ("low: 1, high: 60}", "low: 60, high: 1}"),
    ),
    defect(
        "quantity-range",
        "high: 200.2}",
        "200.2 is no whole number of steps of 0.5: write 200 or 200.5",
        ("low: 0, high: 200}", "low: 0, high: 200.2}"),
    ),
    defect(
        "quantity-digits",
        "step: 0.01, low: 0, high: 50000000}",
        "energy needs more than 9 digits",
        ("high: 50000}", "high: 50000000}"),
    ),
    defect("unit-code", "unit: Wh", "Wh is no UCUM code: write W.h", ("unit: W.h", "unit: Wh")),
    defect("unit-code", "unit: W..h", "W..h is no UCUM code", ("unit: W.h", "unit: W..h")),
    defect(
        "unused-quantity",
        "spare: {",
        "no point has the quantity spare",
        ("  patience: {unit: s", "  spare: {unit: V, step: 1, low: 0, high: 9}\n  patience: {unit: s"),
    ),
    # ----------------------------------------------------------------------------------------------- names
    defect(
        "name-twice",
        "heat.stop: {means: Stop",
        "heat.stop is a point too",
        ("  mode.kind: {", "  heat.stop: {"),
        ("{from: mode.kind}", "{from: heat.stop}"),
    ),
    defect(
        "name-twice",
        "choice: [gentle, brisk, gentle]",
        "gentle is here twice",
        ("[gentle, brisk]", "[gentle, brisk, gentle]"),
    ),
    defect(
        "names-close",
        "roof.warmths: {",
        "roof.warmths and roof.warmth are one letter apart",
        (
            "  mode.kind: {",
            "  roof.warmths: {means: Another, quantity: warmth, access: set, default: 3}\n  mode.kind: {",
        ),
    ),
    defect(
        "names-close",
        "heat.strat: {means",
        "heat.strat and heat.start are one letter apart",
        (START, START + START.replace("heat.start", "heat.strat")),
    ),
    defect(
        "names-close",
        "choice: [gentle, gently]",
        "gently and gentle are one letter apart",
        ("[gentle, brisk]", "[gentle, gently]"),
    ),
    defect(
        "names-number",
        "lamp.two2: {",
        "lamp.two2 and lamp.two1 differ in a digit only",
        (
            "  mode.kind: {",
            (
                "  lamp.two1: {means: One, quantity: share, access: set, default: 0}\n"
                "  lamp.two2: {means: Two, quantity: share, access: set, default: 0}\n"
                "  mode.kind: {"
            ),
        ),
    ),
    # ---------------------------------------------------------------------------------------------- points
    defect(
        "default-range",
        "default: 90.0",
        "the default 90.0 of wish.warmth is outside its limits, 5 to 35",
        ("default: 21.0", "default: 90.0"),
    ),
    defect(
        "default-range",
        "default: 250",
        "the default 250 of plate.ceiling is outside its limits, 0 to 200",
        ("default: 100, set_in", "default: 250, set_in"),
    ),
    defect(
        "off-step",
        "default: 21.05",
        "21.05 is no whole number of steps of wish.warmth, 0.1 each: write 21.0 or 21.1",
        ("default: 21.0", "default: 21.05"),
    ),
    defect(
        "off-step",
        "low: 5.05",
        "5.05 is no whole number of steps of wish.warmth",
        ("    low: 5\n", "    low: 5.05\n"),
    ),
    defect(
        "off-step",
        "when: air.warmth > 45.33",
        "45.33 is no whole number of steps of air.warmth",
        (WARM, "    when: air.warmth > 45.33\n"),
        ("    cleared_when: air.warmth < roof.warmth - 2.0\n", ""),
    ),
    defect(
        "off-step",
        "put: {wish.warmth: 25.01}",
        "25.01 is no whole number of steps of wish.warmth",
        ("put: {wish.warmth: 25.0}", "put: {wish.warmth: 25.01}"),
    ),
    defect(
        "off-step",
        "relief: {outside: 15.02}",
        "15.02 is no whole number of steps of outside",
        ("relief: {outside: 15.0}", "relief: {outside: 15.02}"),
    ),
    defect(
        "off-step",
        "start: 40.04",
        "40.04 is no whole number of steps of air.warmth",
        ("start: 40,", "start: 40.04,"),
    ),
    defect(
        "limit-reading",
        "low: air.warmth - 100",
        "the limit depends on air.warmth, which is no setting",
        ("    low: 5\n", "    low: air.warmth - 100\n"),
    ),
    defect(
        "limit-never",
        "high: 250",
        "the limit is at least 250, and plate.ceiling is never above 200",
        ("default: 100, set_in", "default: 100, high: 250, set_in"),
    ),
    defect(
        "limit-never",
        "    low: -45",
        "the limit is at most -45, and wish.warmth is never below -40",
        ("    low: 5\n", "    low: -45\n"),
    ),
    defect(
        "limit-empty",
        "    low: 118",
        "wish.warmth is at least 118 and at most 115",
        ("    low: 5\n", "    low: 118\n"),
    ),
    defect(
        "limit-one-way",
        "high: roof.warmth",
        "putting roof.warmth can leave wish.warmth outside its limits",
        ("    low: wish.warmth + 5.0\n", "    low: 10.0\n"),
    ),
    defect(
        "limit-strands",
        "high: roof.warmth",
        "which leaves wish.warmth at",
        ("    low: wish.warmth + 5.0\n", "    low: wish.warmth + 4.0\n"),
    ),
    defect(
        "saved-apart",
        "high: roof.warmth",
        "after a boot wish.warmth is as saved and roof.warmth at its default",
        ("    high: 60\n    saved: true\n", "    high: 60\n"),
    ),
    defect(
        "saved-no-save",
        "link.patience:",
        "link.patience is saved, and no action saves",
        ("does: [save]", "does: [recall]"),
    ),
    defect(
        "set-nowhere",
        "set_in: []",
        "plate.ceiling can be set in no state",
        ("set_in: [rest, ready]", "set_in: []"),
    ),
    defect(
        "derived-cycle",
        "air.gap: {means",
        "air.gap depends on itself",
        ('"clip(wish.warmth - air.warmth, -40, 120)"', '"clip(air.gap / 2, -40, 120)"'),
    ),
    defect(
        "derived-range",
        "air.gap: {means",
        "air.gap can be -115 to 95, its quantity is -40 to 120",
        ('"clip(wish.warmth - air.warmth, -40, 120)"', "wish.warmth - air.warmth"),
    ),
    defect(
        "division",
        "air.gap: {means",
        "this can divide by zero at column",
        ("wish.warmth - air.warmth, -40, 120)", "wish.warmth / air.warmth, -40, 120)"),
    ),
    defect(
        "overflow",
        "holds: ",
        "64",
        (
            "holds: abs(air.gap - (wish.warmth - air.warmth)) <= 0.2",
            "holds: self.uptime * self.uptime * self.uptime * self.uptime * 0.123456789 <= air.gap",
        ),
    ),
    defect(
        "drives-twice",
        "drives: limit}",
        "plate.ceiling and wish.warmth both drive limit",
        ("    drives: wish\n", "    drives: limit\n"),
    ),
    # ----------------------------------------------------------------------------------- system and parts
    defect(
        "system-missing",
        "points:",
        "there is no point for boots, self.boots",
        ("  self.boots: {means: Boots counted since the first one, quantity: count, system: boots}\n", ""),
    ),
    defect(
        "system-missing",
        "points:",
        "there is no point for last_trip, trip.last",
        ("  trip.last: {means: What tripped last, system: last_trip}\n", ""),
    ),
    defect(
        "system-missing",
        "points:",
        "there is no point for drops, link.drops",
        ("  link.drops: {means: Notices dropped, quantity: count, system: drops}\n", ""),
    ),
    defect(
        "system-missing",
        "points:",
        "there is no point for control, panel.control",
        ("  panel.control: {means: Who has the controls, system: control}\n", ""),
    ),
    defect(
        "system-name",
        "self.running: {",
        "self.running answers uptime, which every host asks as self.uptime",
        ("  self.uptime: {", "  self.running: {"),
    ),
    defect(
        "system-twice",
        "self.again: {",
        "self.uptime answers uptime already",
        (
            "  self.boots: {",
            "  self.again: {means: Once more, quantity: time, system: uptime}\n  self.boots: {",
        ),
    ),
    defect(
        "system-form",
        "self.uptime: {",
        "self.uptime is counted in s, not in 1",
        ("quantity: time, system: uptime", "quantity: count, system: uptime"),
    ),
    defect(
        "system-form",
        "link.guard: {",
        "link.guard can be put",
        ("system: guard, access: set", "system: guard"),
    ),
    defect(
        "system-form",
        "self.boots: {",
        "self.boots is a name of the wire itself",
        ("quantity: count, system: boots}", "quantity: count, access: set, default: 0}"),
    ),
    defect(
        "part-undeclared",
        "store.part: {",
        "store.part needs the part bulk of the wire: add bulk to wire.parts",
        ("  parts: [notices, bulk, local, watchdog]", "  parts: [notices, local, watchdog]"),
        ("  trace.part: {means: The warm-up curve, record: trace, part_bytes: 16}\n", ""),
        ("does: [{capture: trace}]", "does: [{pulse: trace}]"),
        (
            (
                "  trace:\n"
                "    means: The warm-up curve\n"
                "    order: big\n"
                "    fields:\n"
                "      - {name: warmth, type: i16, from: air.warmth, count: 32, every: 1 s}\n"
            ),
            "",
        ),
    ),
    defect(
        "part-undeclared",
        "link.silence: {",
        "link.silence needs the part watchdog of the wire",
        ("  parts: [notices, bulk, local, watchdog]", "  parts: [notices, bulk, local]"),
    ),
    defect(
        "part-unused",
        "parts: [notices, bulk",
        "notices is here twice",
        ("parts: [notices, bulk, local, watchdog]", "parts: [notices, bulk, local, watchdog, notices]"),
    ),
    defect(
        "wire-times",
        "idle_checked: 40 s",
        "with the guard on a line may pause longer than while people type",
        ("idle_checked: 500 ms", "idle_checked: 40 s"),
    ),
    defect(
        "wire-times",
        "idle_checked: 100 us",
        "an idle time of 100 us cuts lines at 115200 bit/s",
        ("idle_checked: 500 ms", "idle_checked: 100 us"),
    ),
    defect(
        "wire-times",
        "reply_deadline: 1 s",
        "a reply may take 1 s, and link.patience may be 1 s",
        ("reply_deadline: 20 ms", "reply_deadline: 1 s"),
    ),
    defect(
        "line-length",
        "trace.part: {",
        "the longest reply of trace.part has 113 characters, the limit is 96",
        ("record: trace, part_bytes: 16", "record: trace, part_bytes: 48"),
    ),
    defect(
        "line-length",
        "seedling.tray.front_corner_lamp: {means",
        "the longest request of seedling.tray.front_corner_lamp has 52 characters, the limit is 51",
        ("line_limit: 96", "line_limit: 51"),
        (
            "  mode.kind: {",
            (
                "  seedling.tray.front_corner_lamp:"
                " {means: A lamp, choice: [low, high], access: set, default: low}\n"
                "  mode.kind: {"
            ),
        ),
    ),
    # ---------------------------------------------------------------------------------- states and actions
    defect("initial-state", "states:", "no state is the initial one", ("    initial: true\n", "")),
    defect(
        "initial-state",
        "    initial: true",
        "rest is the initial state already",
        (
            "    means: Armed, waiting for the ticket\n",
            "    means: Armed, waiting for the ticket\n    initial: true\n",
        ),
    ),
    defect(
        "state-unreachable",
        "  attic:",
        "nothing leads to attic from rest",
        (
            "  tripped:\n",
            (
                "  attic:\n"
                "    means: Nobody comes here\n"
                '    outputs: {heater: "off"}\n'
                "    leaves: [{after: 1 s, to: rest}]\n"
                "  tripped:\n"
            ),
        ),
    ),
    defect(
        "state-trap",
        "  tripped:",
        "with some values of mode.kind, which cannot be changed in tripped",
        ("access: set, default: gentle, saved: true}", "access: set, default: gentle, set_in: [rest]}"),
        ("from: [tripped], to: rest, does", "from: [tripped], guard: mode.kind == 'gentle', to: rest, does"),
        ("from: [rest, tripped], does: [reboot]", "from: [rest], does: [reboot]"),
    ),
    defect(
        "state-trap",
        "  tripped:",
        "from tripped there is no way back to rest but a loss of power",
        (", to: rest, does: [clear_trip]", ", does: [clear_trip]"),
        ("from: [rest, tripped], does: [reboot]", "from: [rest], does: [reboot]"),
    ),
    defect(
        "leave-shadowed",
        "after: 3 s, to: rest}",
        "leave 2 of heating is never taken, for leave 1 always comes first",
        (HOLD, HOLD + "      - {when: air.warmth > wish.warmth + 1, after: 3 s, to: rest}\n"),
    ),
    defect(
        "leave-shadowed",
        "after: 9 s, to: rest}",
        "leave 1 of ready is never taken, for leave 2 always comes first",
        (
            "      - {after: 5 s, to: rest, means: The ticket was not used}\n",
            (
                "      - {when: air.warmth > 100, after: 9 s, to: rest}\n"
                "      - {after: 5 s, to: rest, means: The ticket was not used}\n"
            ),
        ),
    ),
    defect(
        "leave-shadowed",
        "after: 1 s, to: rest}",
        "leave 2 of heating is never taken, for trip too_warm always comes first",
        (HOLD, HOLD + "      - {when: air.warmth > roof.warmth + 1, after: 1 s, to: rest}\n"),
    ),
    defect(
        "extreme-of",
        "  air.most: {",
        "wish.warmth is not measured",
        (
            AIR_GAP,
            "  air.most: {means: Most, quantity: warmth, highest: wish.warmth, every: 1 s}\n" + AIR_GAP,
        ),
    ),
    defect(
        "extreme-watched",
        "when: air.most > roof.warmth",
        "air.most keeps what air.warmth has been",
        (AIR_GAP, "  air.most: {means: Most, quantity: warmth, highest: air.warmth, every: 1 s}\n" + AIR_GAP),
        (WARM, WARM.replace("air.warmth", "air.most")),
    ),
    defect(
        "watch-form",
        "when: abs(air.warmth) > roof.warmth",
        "2 crossings",
        (WARM, WARM.replace("air.warmth", "abs(air.warmth)")),
    ),
    defect(
        "put-limit",
        "does: [{put: {wish.warmth: 50.0}}]",
        "the limits of wish.warmth may not allow what wish.hot puts",
        (CLEAR, CLEAR + PUTS.format(does="{put: {wish.warmth: 50.0}}")),
    ),
    defect(
        "put-beside",
        "does: [defaults, {put: {mode.kind: brisk}}]",
        "wish.hot brings back all settings and puts some",
        (CLEAR, CLEAR + PUTS.format(does="defaults, {put: {mode.kind: brisk}}")),
    ),
    defect(
        "put-from",
        "does: [{put: {mode.kind: {from: wish.warmth}}}]",
        "mode.kind is not of the same kind as wish.warmth",
        (CLEAR, CLEAR + PUTS.format(does="{put: {mode.kind: {from: wish.warmth}}}")),
    ),
    defect(
        "row-number",
        "does: [{put: {wish.warmth#: 20.0}}]",
        "wish.warmth# has no row for each number of the action",
        (CLEAR, CLEAR + PUTS.format(does="{put: {wish.warmth#: 20.0}}")),
    ),
    defect(
        "state-round",
        "to: rest, means: Turned back}",
        "leave 2 of ready leads back to rest, and leave 1 of rest out of it again",
        (
            "    initial: true\n",
            "    initial: true\n    leaves:\n      - {when: mode.kind == 'brisk', to: ready, means: Lit}\n",
        ),
        (
            "      - {after: 5 s, to: rest, means: The ticket was not used}\n",
            (
                "      - {after: 5 s, to: rest, means: The ticket was not used}\n"
                "      - {when: wish.warmth > 30, to: rest, means: Turned back}\n"
            ),
        ),
    ),
    defect(
        "leave-never",
        "when: air.warmth > 200",
        "the condition of leave 1 of holding is never true",
        ("when: air.warmth < wish.warmth - 1.0", "when: air.warmth > 200"),
    ),
    defect(
        "leave-always",
        "when: air.warmth > -100",
        "the condition of leave 1 of holding is always true",
        ("when: air.warmth < wish.warmth - 1.0", "when: air.warmth > -100"),
    ),
    defect(
        "leave-always",
        "{to: rest}",
        "holding is left as soon as it is entered",
        ("{when: air.warmth < wish.warmth - 1.0, to: rest}", "{to: rest}"),
    ),
    defect(
        "leave-self",
        "after: 7 s, to: holding}",
        "this leads from holding to holding",
        (
            "      - {when: air.warmth < wish.warmth - 1.0, to: rest}\n",
            "      - {when: air.warmth < wish.warmth - 1.0, to: rest}\n      - {after: 7 s, to: holding}\n",
        ),
    ),
    defect(
        "guard-never",
        "guard: air.warmth < -40",
        "the guard of heat.arm is never true",
        ("guard: air.warmth < wish.warmth", "guard: air.warmth < -40"),
    ),
    defect(
        "guard-always",
        "guard: air.warmth < 120.1",
        "the guard of heat.arm is always true",
        ("guard: air.warmth < wish.warmth", "guard: air.warmth < 120.1"),
    ),
    defect(
        "action-idle",
        "energy.zero: {means",
        "energy.zero does nothing",
        (", does: [{pulse: energy.zero}]", ""),
    ),
    defect(
        "keeps-nowhere",
        "keeps: [tripped]",
        "heat.stop is not done in tripped",
        (STOP, STOP.replace("to: rest", "keeps: [tripped], to: rest")),
    ),
    defect(
        "ticket-none",
        "takes_ticket: heat.stop",
        "heat.stop gives no ticket",
        (
            START,
            START
            + "  heat.try: {means: Run, from: [ready], to: heating, takes_ticket: heat.stop, repeat: safe}\n",
        ),
    ),
    defect(
        "ticket-unused",
        "means: A spare permit",
        "no action takes the ticket of heat.spare",
        (
            CLEAR,
            CLEAR + "  heat.spare: {means: A spare permit, from: [ready], gives_ticket: 5 s, repeat: safe}\n",
        ),
    ),
    defect(
        "ticket-time",
        "gives_ticket: 6 s",
        "the ticket outlives ready, which is left after 5 s: write 5 s or less",
        ("gives_ticket: 5 s", "gives_ticket: 6 s"),
    ),
    defect(
        "ticket-time",
        "gives_ticket: 10 ms",
        "the ticket may be over before its reply has come",
        ("gives_ticket: 5 s", "gives_ticket: 10 ms"),
    ),
    defect(
        "energise-ticket",
        "heat.now: {",
        "heat.now leads from ready to heating without a ticket",
        (START, START + START.replace("heat.start", "heat.now").replace("takes_ticket: heat.arm, ", "")),
    ),
    defect(
        "energise-ticket",
        "to: heating}",
        "leave 1 of holding leads from holding to heating without a ticket",
        (
            "{when: air.warmth < wish.warmth - 1.0, to: rest}",
            "{when: air.warmth < wish.warmth - 1.0, to: heating}",
        ),
    ),
    defect(
        "energise-silent",
        "  holding:",
        "in holding, where power is handled, nobody notices that the host has gone",
        (
            "    means: The air is warm, the plate idles\n",
            "    means: The air is warm, the plate idles\n    energised: true\n",
        ),
    ),
    defect(
        "energise-stop",
        "  heating:",
        "no action that is always done leads out of heating, where power is handled",
        (STOP, STOP.replace(", always: true", "")),
        ("  safe: heat.stop\n", ""),
    ),
    defect(
        "outputs-partial",
        "  holding:",
        "holding does not say what heater is",
        (
            '    means: The air is warm, the plate idles\n    outputs: {heater: "off"}\n',
            "    means: The air is warm, the plate idles\n",
        ),
    ),
    # ----------------------------------------------------------------------------------------------- trips
    defect(
        "trip-never",
        "when: air.warmth > 120",
        "the condition of too_warm is true for no value that can be read or put",
        (WARM, "    when: air.warmth > 120\n"),
        ("    cleared_when: air.warmth < roof.warmth - 2.0\n", ""),
    ),
    defect(
        "trip-never",
        "when: wish.warmth > roof.warmth - 5",
        "the condition of too_warm is true for no value that can be read or put",
        (WARM, "    when: wish.warmth > roof.warmth - 5\n"),
        ("    cleared_when: air.warmth < roof.warmth - 2.0\n", ""),
    ),
    defect(
        "trip-always",
        "when: air.warmth > -100",
        "the condition of too_warm is true for every value",
        (WARM, "    when: air.warmth > -100\n"),
        ("    cleared_when: air.warmth < roof.warmth - 2.0\n", ""),
    ),
    defect(
        "trip-reach",
        "when: air.warmth > roof.warmth + 60",
        "air.warmth is never above 120, and settings can move the threshold of too_warm to 120",
        (WARM, "    when: air.warmth > roof.warmth + 60\n"),
    ),
    defect(
        "trip-reach",
        "when: link.silence > link.patience",
        "link.silence is never above 60, and settings can move the threshold of silent to 60",
        ("low: 0, high: 86400}", "low: 0, high: 60}"),
    ),
    defect(
        "trip-shadowed",
        "  hotter:",
        "hotter never fires, for too_warm does in the same cases",
        (
            "  silent:\n",
            (
                "  hotter:\n"
                "    means: Much above the roof\n"
                "    when: air.warmth > roof.warmth + 10\n"
                "    in: [heating]\n"
                "    after: 1 s\n"
                "    latched: true\n"
                "    to: tripped\n"
                "    reports: air.warmth\n"
                "  silent:\n"
            ),
        ),
    ),
    defect(
        "trip-unarmed",
        "in: [tripped]",
        "chill watches no state but tripped, which it leads to",
        (
            "  silent:\n",
            (
                "  chill:\n"
                "    means: Too cold\n"
                "    when: air.warmth < 0\n"
                "    in: [tripped]\n"
                "    latched: true\n"
                "    to: tripped\n"
                "    reports: air.warmth\n"
                "  silent:\n"
            ),
        ),
    ),
    defect(
        "trip-clears",
        "cleared_when: air.warmth > roof.warmth - 2.0",
        "too_warm counts as cleared while its condition holds",
        ("cleared_when: air.warmth < roof.warmth - 2.0", "cleared_when: air.warmth > roof.warmth - 2.0"),
    ),
    defect(
        "trip-clears",
        "cleared_when: air.warmth < -40",
        "too_warm is never cleared",
        ("cleared_when: air.warmth < roof.warmth - 2.0", "cleared_when: air.warmth < -40"),
    ),
    defect(
        "trip-no-clear",
        "    to: rest",
        "no action clears silent in rest",
        ("    to: tripped\n    reports: link", "    to: rest\n    reports: link"),
    ),
    defect(
        "trip-latch",
        "latched: true",
        "too_warm is latched, and heat.stop leads out of tripped without clearing it",
        (
            "from: [rest, ready, heating, holding], to: rest",
            "from: [rest, tripped, heating, holding], to: rest",
        ),
        (
            "    latched: true\n    to: tripped\n    reports: link",
            "    latched: false\n    to: tripped\n    reports: link",
        ),
    ),
    # ---------------------------------------------------------------------------- envelope, fan, laws
    defect(
        "envelope-open",
        "plate: {means",
        "plate has no low and no high",
        ("of: plate.power, high: plate.ceiling", "of: plate.power"),
    ),
    defect(
        "envelope-never",
        "high: 200,",
        "plate.power is never above 200, so this limit of 200 says nothing",
        ("high: plate.ceiling, in", "high: 200, in"),
    ),
    defect(
        "envelope-empty",
        "low: 201",
        "plate.power would be at least 201 and at most 200",
        ("high: plate.ceiling, in", "low: 201, high: plate.ceiling, in"),
    ),
    defect("derating-order", "end: 40", "derating starts at 40 and ends at 40", ("end: 60", "end: 40")),
    defect("derating-order", "end: 130", "air.warmth is never 130, but -40 to 120", ("end: 60", "end: 130")),
    defect(
        "fan-step-back",
        "levels: [{at: 25",
        "level 2 has at 20 after 25",
        (LEVELS, LEVELS.replace("at: 35", "at: 20")),
    ),
    defect(
        "fan-step-back",
        "levels: [{at: 25",
        "level 3 has duty 0.5 after 0.6",
        (LEVELS, LEVELS.replace("duty: 1}", "duty: 0.5}")),
    ),
    defect(
        "fan-hysteresis",
        "hysteresis: 10",
        "a hysteresis of 10 reaches past the next level, 10 away: write less than 10",
        ("hysteresis: 2", "hysteresis: 10"),
    ),
    defect(
        "fan-range",
        "levels: [{at: 25",
        "air.warmth is never 145, but -40 to 120",
        (LEVELS, LEVELS.replace("at: 45", "at: 145")),
    ),
    defect(
        "law-never",
        "gap: {means",
        "the law gap holds for no values that can be read",
        ("<= 0.2, in: [rest]", "<= -0.2, in: [rest]"),
    ),
    defect(
        "law-always",
        "gap: {means",
        "the law gap holds whatever is read, so it says nothing",
        ("<= 0.2, in: [rest]", "<= 2000, in: [rest]"),
    ),
    defect(
        "law-units",
        "energy: {means: Energy is the integral",
        "plate.energy is in W.h, the integral of air.warmth in Cel.s or Cel.h",
        ("integral_of: plate.power", "integral_of: air.warmth"),
    ),
    defect(
        "law-units",
        "gap: {means",
        "plate.ceiling is in W, not in Cel: name a point in Cel",
        (GAP, BY_TURNS.replace("roof.warmth", "plate.ceiling")),
    ),
    defect(
        "law-units",
        "gap: {means",
        "roof.warmth is in Cel, not in s: name a point in s",
        (GAP, BY_TURNS.replace("lasts: link.silence", "lasts: roof.warmth")),
    ),
    defect(
        "event-form",
        "outside: {means",
        "plate.power is in W, outside in Cel: name a reading in its unit",
        (
            "value: warmth, base: 15.0}",
            "value: warmth, base: 15.0, moves: {plate.power: 1 s}, shown_by: [plate.power]}",
        ),
    ),
    defect(
        "law-units",
        "gap: {means",
        "roof.warmth is in Cel, not in 1: name a point in 1",
        (GAP, f"{BY_TURNS}, counted_by: roof.warmth"),
    ),
    defect(
        "law-units",
        "gap: {means",
        "roof.warmth is in Cel, not in s: name a point in s",
        (GAP, "elapses: roof.warmth"),
    ),
    defect(
        "law-units",
        "gap: {means",
        "roof.warmth is in Cel, not in Cel/s: name a point in Cel/s",
        (GAP, "rate_of: air.warmth, at_most: roof.warmth"),
    ),
    defect(
        "law-never",
        "gap: {means",
        "the law gap is about values that cannot be read",
        (GAP, f"{BY_TURNS}, when: wish.warmth > 200"),
    ),
    defect(
        "unknown-point",
        "gap: {means",
        'there is no point roof.warmt: write "roof.warmth"',
        (GAP, BY_TURNS.replace("roof.warmth", "roof.warmt")),
    ),
    # --------------------------------------------------------------------------------------------- records
    defect(
        "field-twice",
        "{name: saves, type: i16, from: wish.warmth}",
        "store has a field saves already",
        ("{name: wish, type: i16", "{name: saves, type: i16"),
    ),
    defect(
        "field-small",
        "{name: wish, type: u8",
        "u8 holds 0 to 255, wish needs -400 to 1200: write i16",
        ("{name: wish, type: i16", "{name: wish, type: u8"),
    ),
    defect(
        "field-small",
        "from: 300}",
        "u8 holds 0 to 255, layout needs 300 to 300: write u16",
        ("type: u8, from: 1}", "type: u8, from: 300}"),
    ),
    defect(
        "field-series",
        "count: 32}",
        "warmth has a series without period: write count: and every: together",
        ("count: 32, every: 1 s}", "count: 32}"),
    ),
    defect(
        "field-series",
        "from: link.patience, count: 32, every: 1 s}",
        "warmth is a series, and link.patience is not sampled: take it from a point that has a signal",
        ("from: air.warmth, count: 32, every: 1 s}", "from: link.patience, count: 32, every: 1 s}"),
    ),
    defect(
        "record-unused",
        "  trace:",
        "no point answers the record trace",
        ("  trace.part: {means: The warm-up curve, record: trace, part_bytes: 16}\n", ""),
    ),
    defect(
        "capture-none",
        "  trace:",
        "no action captures the series of trace",
        ("does: [{capture: trace}]", "does: [{pulse: trace}]"),
    ),
    defect(
        "capture-none",
        "does: [{capture: trace}, {capture: store}]",
        "store has no series to capture",
        ("does: [{capture: trace}]", "does: [{capture: trace}, {capture: store}]"),
    ),
    # --------------------------------------------------------------------------------------- bench and trial
    defect(
        "event-form",
        "window: {means",
        "window has a quantity and choices",
        ("  window: {means: The window, choice", "  window: {means: The window, value: share, choice"),
    ),
    defect(
        "event-form",
        "window: {means",
        "window has a base and no values",
        ("choice: [open, closed], base: closed", "base: closed"),
    ),
    defect(
        "event-base",
        "window: {means",
        "ajar is no choice of window: write open",
        ("base: closed", "base: ajar"),
    ),
    defect(
        "event-base", "outside: {means", "outside is -40 to 120, not 150.0", ("base: 15.0", "base: 150.0")
    ),
    defect(
        "event-base",
        "bench: {outside: 150.0}",
        "outside is -40 to 120, not 150.0",
        ("bench: {outside: 50.0}", "bench: {outside: 150.0}"),
    ),
    defect(
        "put-refused",
        "put: {wish.warmth: 39.0}",
        "putting wish.warmth to 39.0 is refused, its limits are 5 to 35 then",
        ("put: {wish.warmth: 25.0}", "put: {wish.warmth: 39.0}"),
    ),
    defect(
        "put-refused",
        "provoke: {state: heating, put: {roof",
        "putting roof.warmth to 20.0 is refused, its limits are 30 to 60 then",
        ("put: {roof.warmth: 30.0}", "put: {roof.warmth: 20.0, wish.warmth: 10.0}"),
    ),
    defect(
        "provoke-idle",
        "provoke: {state: heating, within",
        "nothing provokes trip silent",
        ("silence: true, within: 30 s", "within: 30 s"),
    ),
    defect(
        "provoke-state",
        "provoke: {state: rest, put",
        "trip too_warm does not happen in rest: bring it to heating or holding",
        (HOT, HOT.replace("state: heating", "state: rest")),
    ),
    defect(
        "provoke-shared",
        "provoke: {state: heating, put: {roof",
        "in heating this provokes leave 2 of heating as well, which leads to rest: "
        "nothing says that trip too_warm comes first",
        ("after: 2 s, to: holding}\n", f"after: 2 s, to: holding}}\n{BY_THE_SAME}\n"),
    ),
    defect(
        "provoke-short",
        "provoke: {state: heating, put: {roof",
        "with outside 25.0 in heating, air.warmth comes to 27, and trip too_warm needs air.warmth > ",
        ("bench: {outside: 50.0}", "bench: {outside: 25.0}"),
        ("heater: {from: mode.kind}", "heater: gentle"),
        ("    drives: wish\n", ""),
        (", drives: limit}", "}"),
    ),
    defect(
        "event-trips",
        "outside: {means",
        "with outside 59.5 in holding, too_warm trips, and a tester may turn it there",
        ("base: 15.0}", "base: 15.0, other: 59.5}"),
        ("    drives: wish\n", ""),
        (", drives: limit}", "}"),
    ),
    defect(
        "provoke-time",
        "within: 500 ms",
        "trip too_warm takes 500 ms, and has 500 ms",
        ("within: 2 h", "within: 500 ms"),
    ),
    defect(
        "provoke-time",
        "within: 20 s",
        "trip silent does not happen in 20 s of silence",
        ("silence: true, within: 30 s", "silence: true, within: 20 s"),
    ),
    defect(
        "provoke-time",
        "within: 6 s",
        "trip silent is given 6 s, and ready lasts for 5 s",
        ("    in: [heating]\n    latched", "    in: [ready, heating]\n    latched"),
        (
            "{state: heating, silence: true, within: 30 s}",
            "{state: ready, put: {link.patience: 5}, silence: true, within: 6 s}",
        ),
    ),
    defect(
        "trial-safe",
        "safe: trip.clear",
        "trip.clear does not always end heating",
        ("safe: heat.stop", "safe: trip.clear"),
    ),
    defect(
        "trial-reset",
        "reset: self.reboot",
        "self.reboot does not bring the settings to their defaults",
        ("reset: self.defaults", "reset: self.reboot"),
    ),
    # ------------------------------------------------------------------------------------------ the plant
    defect(
        "plant-signal",
        "plate.energy",
        'the plant cabinet has no signal heater.enrgy: write "heater.energy"',
        ("signal: heater.energy", "signal: heater.enrgy"),
    ),
    defect(
        "plant-control",
        "drives: with",
        'the plant cabinet has no control with: write "wish"',
        ("drives: wish", "drives: with"),
    ),
    defect(
        "plant-impulse",
        "energy.zero",
        "the plant cabinet has no impulse heater: write one of energy.zero",
        ("{pulse: energy.zero}", "{pulse: heater}"),
    ),
    defect(
        "plant-event",
        "curtain",
        "the plant cabinet has no bench event curtain: write one of outside, window",
        ("  window: {means: The window", "  curtain: {means: The window"),
    ),
    defect(
        "plant-kind",
        "drives: energy.zero",
        "energy.zero is an impulse: it cannot follow a setting: give it an impulse in an action",
        ("drives: wish", "drives: energy.zero"),
    ),
    defect(
        "plant-kind",
        "drives: heater",
        "heater takes a word: use a choice of off, gentle, brisk",
        ("drives: wish", "drives: heater"),
    ),
    defect(
        "plant-kind",
        "window: {means",
        "window takes a word: use a choice of open, closed, stuck",
        ("choice: [open, closed], base: closed", "value: warmth, base: 1.0"),
    ),
    defect(
        "plant-word",
        "choice: [open, shut]",
        "window cannot be shut: write one of open, closed, stuck",
        ("choice: [open, closed], base: closed", "choice: [open, shut], base: shut"),
    ),
    defect(
        "plant-range",
        "relief: {outside",
        "outside cannot be 61 Cel: write a number from -40 to 60, in Cel",
        ("bench: {outside: 50.0}", "bench: {outside: 61.0}"),
    ),
    defect(
        "plant-unit",
        "plate.power",
        "room.temperature is in Cel, and plate.power in W: use a quantity in Cel",
        ("signal: heater.power", "signal: room.temperature"),
    ),
]


@pytest.mark.parametrize("one", DEFECTS, ids=[f"{one.code}-{index}" for index, one in enumerate(DEFECTS)])
def test_exactly_the_planted_defect_is_told_at_its_line(one: Defect) -> None:
    text = edited(one.edits)
    found = findings(text, CABINET if one.code.startswith(("plant-", *BY_REST)) else None).found
    assert [finding.code for finding in found] == [one.code], [
        finding.text("hutch.yaml") for finding in found
    ]
    (finding,) = found
    assert one.at in text.splitlines()[finding.line - 1]
    told = finding.text("hutch.yaml")
    assert told.startswith(f"hutch.yaml:{finding.line}: {CODES[one.code][0]}: ")
    assert one.said in told
    assert finding.remedy


def test_the_good_document_fits_its_plant() -> None:
    assert findings(GOOD, CABINET).found == ()


def test_a_blinker_and_conditions_that_exclude_each_other_are_no_round() -> None:
    ticket = "      - {after: 5 s, to: rest, means"
    for there, back in (
        ("wish.warmth > 30", "wish.warmth < 29"),
        ("wish.warmth > 30, after: 1 s", "wish.warmth > 31"),
    ):
        leaves = f"    leaves:\n      - {{when: {there}, to: ready}}\n"
        text = edited(
            [
                ("    initial: true\n", f"    initial: true\n{leaves}"),
                (ticket, f"      - {{when: {back}, to: rest}}\n{ticket}"),
            ]
        )
        assert not findings(text).found


def test_every_rule_has_a_planted_defect() -> None:
    assert {one.code for one in DEFECTS} == set(CODES)


@pytest.mark.parametrize("path", [HUTCH, SPEC / "tarn.yaml", SPEC / "brae.yaml"], ids=lambda path: path.stem)
def test_the_good_documents_are_sound(path: Path) -> None:
    found = vet_file(path)
    assert [finding.text(found.name) for finding in found.found] == []
    assert found.whole


def test_a_second_promise_of_one_name_is_told_by_the_loader() -> None:
    text = GOOD.replace("promises:\n", "promises:\n  self.quiet: It is quiet\n")
    with pytest.raises(DocumentError, match=r'key "self\.quiet" is here twice'):
        findings(text)


def test_findings_come_in_the_order_of_lines() -> None:
    text = edited([("hysteresis: 2", "hysteresis: 10"), ("gives_ticket: 5 s", "gives_ticket: 6 s")])
    assert [finding.code for finding in findings(text).found] == ["ticket-time", "fan-hysteresis"]


def test_while_a_name_is_wrong_the_other_rules_wait_and_say_so() -> None:
    text = edited([("to: holding}", "to: holdin}"), ("hysteresis: 2", "hysteresis: 10")])
    found = findings(text)
    assert not found.whole
    assert [finding.code for finding in found.found] == ["unknown-state"]


# -------------------------------------------------------------------------------------------------- names


@pytest.mark.parametrize(
    ("first", "second", "near"),
    [
        ("sink.arm", "sink.arc", True),
        ("sink.arm", "sink.arms", True),
        ("sink.arm", "sin.arm", True),
        ("sink.arm", "sink.amr", True),
        ("sink.arm", "sink.arm.", True),
        ("sink.arm", "sink.ram", True),
        ("sink.arm", "sink.mra", False),
        ("sink.arm", "sink.arced", False),
        ("swing.low", "swing.high", False),
        ("a", "b", True),
        ("abcd", "badc", False),
    ],
)
def test_names_are_close_when_one_edit_apart(first: str, second: str, near: bool) -> None:
    assert close(first, second) is near
    assert close(second, first) is near


# -------------------------------------------------------------------------------------------------- units


@pytest.mark.parametrize(
    ("physics", "codes"), [("C", 2), ("J", 2), ("1", 2), ("V", 2), ("A", 2), ("Ohm", 2), ("s", 5)]
)
def test_a_unit_is_so_many_of_the_physics_own(physics: str, codes: int) -> None:
    # Outside truth: the library pint, with the UCUM codes of the library ucumvert.
    registry = PintUcumRegistry()
    assert len(units_of(physics)) == codes
    for code in units_of(physics):
        theirs = registry.from_ucum(code).to(registry.from_ucum(physics).units)
        assert si_per_unit(code) == pytest.approx(theirs.magnitude, rel=1e-12), code


def test_the_usual_spellings_are_no_ucum_codes_and_their_remedies_are() -> None:
    # Outside truth: the UCUM grammar and tables of the library ucumvert.
    registry = PintUcumRegistry()
    for wrong, right in USUAL_SPELLINGS.items():
        assert isinstance(registry.from_ucum(right), pint.Quantity | pint.Unit), right
        with pytest.raises(Exception):  # noqa: B017
            registry.from_ucum(wrong)


@pytest.mark.parametrize("path", [HUTCH, SPEC / "tarn.yaml", SPEC / "brae.yaml"], ids=lambda path: path.stem)
def test_the_units_of_the_documents_are_ucum_codes(path: Path) -> None:
    registry = PintUcumRegistry()
    for quantity in vet_file(path).document.quantities.values():
        registry.from_ucum(quantity.unit)


# ----------------------------------------------------------------------------------------------- summary


def test_the_summary_tells_who_the_document_is_and_how_it_did() -> None:
    told = summary(vet_file(HUTCH))
    assert told[0] == "hutch 0.3.1: Warm cabinet for seedlings"
    assert told[1].startswith("document ")
    assert told[2].startswith("wire ")
    assert [len(line.split()[1]) for line in told[1:3]] == [64, 64]
    assert told[3].startswith("24 points, 10 actions, 5 states, 2 trips, ")
    assert told[3].endswith(" requirements")
    assert told[4:] == ["sound: no rule is broken"]


@pytest.mark.parametrize(
    ("old", "new", "verdict"),
    [
        ("hysteresis: 2", "hysteresis: 10", "1 error, 0 warnings"),
        ("high: plate.ceiling, in", "high: 200, in", "0 errors, 1 warning"),
        ("to: holding}", "to: holdin}", "1 error; the other rules wait until these are mended"),
    ],
)
def test_the_summary_ends_with_the_verdict(old: str, new: str, verdict: str) -> None:
    assert summary(findings(edited([(old, new)])))[-1] == verdict


def test_a_flood_of_findings_is_cut_and_the_verdict_says_so() -> None:
    lost = "".join(
        f"  lost.x{i}: {{means: Lost, quantity: nowhere, signal: x, every: 1 s}}\n" for i in range(250)
    )
    found = findings(GOOD.replace("\npoints:\n", "\npoints:\n" + lost))
    assert len(found.found) == 200
    assert not found.whole
    assert "wait" in summary(found)[-1]

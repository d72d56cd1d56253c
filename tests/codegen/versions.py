"""Small documents that are versions of one another: the same instrument, its settings changed a little."""

from __future__ import annotations

from dataclasses import dataclass

from hypothesis import strategies as st

from wirevow.protocol.document.load import read_document
from wirevow.protocol.vow import Vow, compile_vow

NAMES = ("a.one", "a.two", "b", "c.one", "c.two")
WORDS = ("left", "right", "both")
QUANTITIES = {
    "length": "{unit: m, step: 0.1, low: 0.0, high: 50.0}",
    "fine": "{unit: m, step: 0.01, low: 0.00, high: 50.00}",
    "far": "{unit: m, step: 0.1, low: 0.0, high: 9000.0}",
    "shift": "{unit: K, step: 0.1, low: -5.0, high: 50.0}",
    "time": "{unit: s, step: 0.1, low: 0.0, high: 50.0}",
}
HEAD = """\
vow: {name: box, version: 1.0.0, title: A box}
wire: {version: 1, baud: 9600, line_limit: 80, reply_deadline: 200 ms, idle_typing: 30 s, idle_checked: 5 s,
  notice_queue: 2, parts: [notices]}
states:
  still: {means: Nothing., initial: true, outputs: {motor: 0}}
actions:
  keep: {means: Saves., from: [still], does: [save], repeat: safe}
  back: {means: Recalls., from: [still], does: [recall], repeat: safe}
plant: {kind: room, heater_watt: 1, loss_kelvin_per_watt: 1, window_kelvin_per_watt: 1,
  room_joule_per_kelvin: 1, sensor_lag_second: 1, outside_celsius: 1}
"""
POINTS = """\
points:
  self.vow: {means: Who., system: identity}
  self.state: {means: State., system: state}
  self.saves: {means: Saves., quantity: count, system: saves}
"""


@dataclass(frozen=True)
class Setting:
    name: str
    kind: str
    """A quantity, or words joined by commas."""
    default: int
    """In tenths, or an index."""
    saved: bool
    tied: bool
    """With the next one, if that is of the same quantity: this one is the lower."""


def text(settings: list[Setting]) -> str:
    quantities = "".join(f"  {name}: {given}\n" for name, given in QUANTITIES.items())
    count = '  count: {unit: "1", step: 1, low: 0, high: 65535}\n'
    rows = []
    lower: Setting | None = None
    for at, each in enumerate(settings):
        after = settings[at + 1] if at + 1 < len(settings) else None
        words = each.kind.split(",")
        if each.kind not in QUANTITIES:
            kind, default = f"choice: [{each.kind}]", words[each.default % len(words)]
        else:
            digits = 2 if each.kind == "fine" else 1
            kind, default = f"quantity: {each.kind}", f"{each.default / 10:.{digits}f}"
        limits = "" if lower is None else f", low: {lower.name}"
        saved = each.saved if lower is None else lower.saved
        lower = None
        if each.tied and after is not None and each.kind == after.kind and each.kind in QUANTITIES:
            # The defaults are as they have to be, whatever was drawn.
            limits += f", high: {after.name}"
            lower = Setting(each.name, each.kind, each.default, saved, True)
            default = f"{0:.{digits}f}"
        rows.append(
            f"  {each.name}: {{means: One., {kind}, access: set, default: {default}"
            f"{limits}, saved: {str(saved).lower()}}}\n"
        )
    return HEAD + "quantities:\n" + quantities + count + POINTS + "".join(rows)


def vow_of(settings: list[Setting]) -> Vow:
    return compile_vow(read_document(text(settings)).document)


kinds = st.one_of(
    st.sampled_from(sorted(QUANTITIES)), st.permutations(WORDS).map(lambda words: ",".join(words[:2]))
)


@st.composite
def documents(draw: st.DrawFn) -> list[Setting]:
    """The settings of a document; two of them are versions of one instrument."""
    names = draw(st.lists(st.sampled_from(NAMES), min_size=1, unique=True))
    return [
        Setting(name, draw(kinds), draw(st.integers(0, 40)), draw(st.integers(0, 5)) > 0, draw(st.booleans()))
        for name in names
    ]


@st.composite
def versions(draw: st.DrawFn) -> tuple[list[Setting], list[Setting]]:
    """Two versions: the second is the first with something changed, left out, put in or moved."""
    old = draw(documents())
    new = list(old)
    for _ in range(draw(st.integers(0, 3))):
        at = draw(st.integers(0, len(new) - 1))
        way = draw(st.sampled_from(("kind", "tied", "saved", "default", "moved", "gone", "come")))
        one = new[at]
        spare = [name for name in NAMES if all(each.name != name for each in new)]
        if way == "moved":
            new.insert(0, new.pop(at))
        elif way == "gone" and len(new) > 1:
            new.pop(at)
        elif way == "come" and spare:
            new.insert(at, Setting(spare[0], one.kind, one.default, True, one.tied))
        else:
            kind = draw(kinds) if way == "kind" else one.kind
            default = draw(st.integers(0, 40)) if way == "default" else one.default
            new[at] = Setting(
                one.name, kind, default, one.saved ^ (way == "saved"), one.tied ^ (way == "tied")
            )
    return old, new

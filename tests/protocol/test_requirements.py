"""Requirements: every element has its own, under ids that stay, in sentences that say what it says."""

import re
from pathlib import Path

import pytest

from wirevow.protocol.document.load import load_document, read_document
from wirevow.protocol.document.model import Wire
from wirevow.protocol.document.requirements import SECTIONS, Requirement, requirement_ids, requirements

HERE = Path(__file__).parent
SPEC = HERE.parents[1] / "spec"
GOOD = (HERE / "hutch.yaml").read_text(encoding="utf-8")
DOCUMENTS = [HERE / "hutch.yaml", SPEC / "tarn.yaml", SPEC / "brae.yaml"]


def of(text: str) -> dict[str, Requirement]:
    loaded = read_document(text)
    return {requirement.id: requirement for requirement in requirements(loaded.document, loaded.marks)}


GIVEN = of(GOOD)


def without(old: str, new: str) -> set[str]:
    """Ids that are gone when the fixture is changed."""
    assert old in GOOD
    return set(GIVEN) - set(of(GOOD.replace(old, new, 1)))


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.stem)
def test_ids_are_unique_and_made_of_section_element_and_aspect(path: Path) -> None:
    loaded = load_document(path)
    all_of_them = requirements(loaded.document, loaded.marks)
    ids = [requirement.id for requirement in all_of_them]
    assert len(ids) == len(set(ids))
    assert requirement_ids(loaded.document) == set(ids)
    for requirement in all_of_them:
        parts = (requirement.section, requirement.element, requirement.aspect)
        assert requirement.id == ".".join(part for part in parts if part)
        assert requirement.section in SECTIONS


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.stem)
def test_every_element_has_a_requirement_at_its_own_lines(path: Path) -> None:
    loaded = load_document(path)
    document, marks = loaded.document, loaded.marks
    text = path.read_text(encoding="utf-8").splitlines()
    found = requirements(document, marks)
    for section, (key, _) in SECTIONS.items():
        held = getattr(document, key)
        if isinstance(held, dict):
            for name in held:
                about = [r for r in found if (r.section, r.element) == (section, name)]
                assert about, f"{key}.{name} requires nothing"
                first = marks.line(key, name)
                assert name in text[first - 1]
                assert all(r.line is not None and r.line >= first for r in about)


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.stem)
def test_every_sentence_can_be_read(path: Path) -> None:
    for requirement in requirements(load_document(path).document):
        assert re.match(r"[A-Z`a-z0-9]", requirement.sentence)
        assert "None" not in requirement.sentence
        assert "Fraction" not in requirement.sentence
        assert requirement.line is None
        if requirement.section != "promise":
            assert requirement.sentence.endswith(".")


def test_the_rules_of_the_wire_are_those_of_its_page() -> None:
    page = (SPEC / "wire.md").read_text(encoding="utf-8")
    fields = {f"wire.{name}" for name in Wire.model_fields}
    named = set(re.findall(r"`(wire\.[a-z_.]+)`", page)) - fields
    assert {requirement.id for requirement in GIVEN.values() if requirement.section == "wire"} == named


@pytest.mark.parametrize(
    ("id_", "sentence"),
    [
        ("wire.length", "A line of more than 96 bytes is dropped and answered `refuse length`."),
        ("wire.deadline", "A reply begins within 20 ms of its request or of the reply before."),
        (
            "point.wish.warmth.bounds",
            (
                "`put wish.warmth` below 5.0 Cel or above the lower of 120.0 Cel and (roof.warmth - 5)"
                " is refused `range` with these limits."
            ),
        ),
        (
            "point.link.patience.bounds",
            "`put link.patience` below 1 s or above 60 s is refused `range` with these limits.",
        ),
        ("point.wish.warmth.default", "After a boot with nothing saved `wish.warmth` is 21.0 Cel."),
        (
            "point.plate.ceiling.set_in",
            "`put plate.ceiling` in any state but rest and ready is refused `state`.",
        ),
        ("point.air.warmth.fresh", "The answer of `air.warmth` is never older than 100 ms."),
        ("point.air.warmth.unit", "`air.warmth` is answered with 1 decimal and the unit Cel."),
        ("point.vent.duty.unit", "`vent.duty` is answered with 2 decimals and no unit."),
        ("point.self.boots.unit", "`self.boots` is answered with no decimals and no unit."),
        (
            "point.mode.kind.choices",
            "`put mode.kind` takes gentle or brisk; any other word is refused `type`.",
        ),
        ("point.air.warmth.access", "`put air.warmth` and `act air.warmth` are refused `access`."),
        ("point.trace.part.readable", "`ask trace.part K` answers part K of the record trace, of 4 in all."),
        ("state.rest.reachable", "After a boot the instrument is in state rest."),
        ("state.ready.leave.1", "State ready is left to rest 5 s after it was entered."),
        ("state.heating.leave.1", "State heating is left to holding once air.warmth >= wish.warmth for 2 s."),
        ("action.heat.start.ticket", "`act heat.start` needs the ticket of `heat.arm`."),
        ("action.heat.arm.guard", "`act heat.arm` is refused `state guard` unless air.warmth < wish.warmth."),
        (
            "trip.too_warm.fires",
            "When air.warmth > roof.warmth in heating or holding, the instrument goes to state tripped.",
        ),
        (
            "trip.too_warm.clears",
            "Clearing the trip is refused `fault too_warm` until air.warmth < roof.warmth - 2.",
        ),
        ("limit.plate", "In heating, plate.power is at most plate.ceiling, from 1 s after a change on."),
        ("fan.curve", "vent.duty follows air.warmth: 0.3 from 25 Cel, 0.6 from 35 Cel, 1 from 45 Cel."),
        ("record.store.layout", "The record store has 7 bytes, little-endian: layout, saves, wish, roof."),
        ("promise.self.quiet", "It makes no sound that a seedling could hear"),
    ],
)
def test_sentences_say_what_the_document_says(id_: str, sentence: str) -> None:
    assert GIVEN[id_].sentence == sentence


@pytest.mark.parametrize(
    ("id_", "key"),
    [
        ("point.wish.warmth.bounds", "    high: roof.warmth"),
        ("point.wish.warmth.default", "    default: 21.0"),
        ("point.wish.warmth.saved", "    saved: true"),
        ("trip.too_warm.delay", "    after: 500 ms"),
        ("state.heating.leave.1", "      - {when: air.warmth >= wish"),
        ("wire.notice.queue", "  notice_queue: 4"),
        ("fan.hysteresis", "  hysteresis: 2"),
    ],
)
def test_a_requirement_is_at_the_line_that_says_it(id_: str, key: str) -> None:
    line = GIVEN[id_].line
    assert line is not None
    assert GOOD.splitlines()[line - 1].startswith(key)


@pytest.mark.parametrize(
    ("old", "new", "gone"),
    [
        ("    local: true\n", "", {"point.wish.warmth.local"}),
        ("set_in: [rest, ready], ", "", {"point.plate.ceiling.set_in"}),
        (", always: true", "", {"action.heat.stop.always"}),
        ("    after: 500 ms\n", "", {"trip.too_warm.delay"}),
        (
            "    latched: true\n    to: tripped\n    reports: air",
            "    latched: false\n    to: tripped\n    reports: air",
            {"trip.too_warm.latch", "trip.too_warm.clears"},
        ),
        (", guard: air.warmth < wish.warmth", "", {"action.heat.arm.guard"}),
        ("parts: [notices, bulk, local, watchdog]", "parts: [notices, bulk, local]", {"wire.watchdog"}),
        (
            "parts: [notices, bulk, local, watchdog]",
            "parts: [bulk, local, watchdog]",
            {
                "wire.notice.number",
                "wire.notice.whole",
                "wire.notice.queue",
                "wire.notice.off",
                "trip.too_warm.notice",
                "trip.silent.notice",
            },
        ),
        (
            "from: [rest, ready, heating, holding], to: rest",
            "from: [rest, ready, heating, holding, tripped], to: rest",
            {"action.heat.stop.refused"},
        ),
        (
            "  trip.last: {means: What tripped last, system: last_trip}\n",
            "",
            {
                "point.trip.last.readable",
                "point.trip.last.access",
                "trip.too_warm.report",
                "trip.silent.report",
            },
        ),
        (", gives_ticket: 5 s", "", {"action.heat.arm.ticket", "wire.ticket"}),
        (
            (
                "derating: {means: Less power in warm air, temperature: air.warmth, ceiling: plate.ceiling,"
                " start: 40, end: 60, floor: 0.25}\n"
            ),
            "",
            {"derating"},
        ),
    ],
)
def test_only_what_applies_is_required(old: str, new: str, gone: set[str]) -> None:
    assert without(old, new) == gone


def test_other_numbers_change_sentences_and_no_ids() -> None:
    other = of(GOOD.replace("after: 500 ms", "after: 700 ms").replace("default: 21.0", "default: 22.0"))
    assert set(other) == set(GIVEN)
    changed = {id_ for id_, requirement in other.items() if requirement.sentence != GIVEN[id_].sentence}
    assert changed == {"trip.too_warm.delay", "point.wish.warmth.default"}


def test_a_law_that_alternates_requires_levels_widths_and_the_period() -> None:
    gap = "holds: abs(air.gap - (wish.warmth - air.warmth)) <= 0.2, in: [rest], settle: 1 s"
    assert "law.gap.settling" in without("in: [rest], settle: 1 s", "in: [rest]")
    assert gap in GOOD
    turns = "alternates: air.warmth, phases: [{level: wish.warmth, lasts: link.patience}, "
    turns += "{level: roof.warmth, lasts: link.silence}], in: [heating], tolerance_percent: 2, settle: 1 s"
    found = of(GOOD.replace(gap, turns))
    about = {name: found[name].sentence for name in found if name.startswith("law.gap")}
    assert about == {
        "law.gap.levels": (
            "In heating, air.warmth alternates between wish.warmth and roof.warmth,"
            " from 1 s after a change on."
        ),
        "law.gap.width": (
            "In heating, air.warmth is wish.warmth for link.patience and then roof.warmth for link.silence,"
            " within 2 %, from when the state is entered."
        ),
        "law.gap.period": ("In heating, air.warmth repeats every link.patience + link.silence, within 2 %."),
    }
    found = of(GOOD.replace(gap, "elapses: link.silence, in: [rest, ready]"))
    assert found["law.gap"].sentence == "In rest or ready, link.silence counts the time, within 1 %."
    found = of(GOOD.replace(gap, "rate_of: air.warmth, at_most: link.patience, when: mode.kind == 'brisk'"))
    assert found["law.gap.rate"].sentence == (
        'In any state, while mode.kind == "brisk", air.warmth changes by no more than link.patience'
        " in a second."
    )
    assert "law.gap" not in found


def test_a_declared_accuracy_is_required_whether_the_bench_shows_it_or_not() -> None:
    assert GIVEN["point.air.warmth.accuracy"].sentence == (
        "`air.warmth` reads the true value, within 0.5 % of the reading and 0.2 % of the range."
    )
    bench = "outside: {means: Temperature around the cabinet, value: warmth, base: 15.0}"
    assert bench in GOOD
    shown = of(GOOD.replace(bench, bench[:-1] + ", moves: {air.warmth: 2 h}, shown_by: [air.warmth]}"))
    assert set(shown) == set(GIVEN)
    assert shown["point.air.warmth.accuracy"].sentence == (
        "In rest, `air.warmth` reads what outside of the bench is set to,"
        " within 0.5 % of the reading and 0.2 % of the range."
    )

"""Reports say what a check found, all of it, in forms that other programs read."""

import io
import json
from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path

import jsonschema
import junitparser
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from wirevow.protocol.conformance.account import Done
from wirevow.protocol.conformance.bracket import Bracket, Kept
from wirevow.protocol.conformance.campaign import Failure, Finding, Report
from wirevow.protocol.conformance.casefile import Case, Step
from wirevow.protocol.conformance.hookup import Profile
from wirevow.protocol.conformance.replies import ReplyTimes, reply_times
from wirevow.protocol.conformance.verdict import Verdict
from wirevow.protocol.document.load import load_document
from wirevow.protocol.document.requirements import requirements
from wirevow.protocol.message import Notice, Reply
from wirevow.protocol.report import document, junit, page, terminal
from wirevow.protocol.report.matrix import matrix
from wirevow.protocol.report.outcome import Outcome, Row, number_of, outcome_of
from wirevow.protocol.report.past import past_of
from wirevow.protocol.report.plane import plane
from wirevow.protocol.report.since import since
from wirevow.protocol.report.trace import trace
from wirevow.protocol.vow import compile_vow

HUTCH = load_document(Path(__file__).with_name("hutch.yaml"))
ASKED = requirements(HUTCH.document, HUTCH.marks)
DONE = Done(
    puts=20,
    saves=3,
    saves_unanswered=1,
    boots=5,
    boots_unasked=2,
    switchings=7,
    energised_s=12.5,
    amperes=1.5,
)
DRY = "heat.start energises the input; that needs a simulated instrument or an envelope"
HOSTILE = "\x00\x1b[2J]]><script>alert(1)</script>&amp;\x7f\x9b\ud7ff"
REPLIES_NS = [200_000] * 420 + [900_000] * 10 + [25_000_000]
SCHEMA = json.loads(files("wirevow.protocol.report").joinpath("report.schema.json").read_text())


def outcome(
    *,
    verdict=Verdict.FAIL,
    note="",
    warnings=(),
    words="ok 3.0",
    steps=None,
    held=False,
    simulated=False,
):
    """A check in which the first requirement failed twice, and the next three were not so simple either."""
    findings = {each.id: Finding(each, Verdict.PASS, "", 1, 2) for each in ASKED[:-1]}
    findings[ASKED[-1].id] = Finding(ASKED[-1])
    broken, doubtful, dry, partly = (findings[each.id] for each in ASKED[:4])
    broken.verdict, broken.reason = Verdict.FAIL, f"ask: expected ok 2.0, seen {words}"
    doubtful.verdict, doubtful.reason = Verdict.INCONCLUSIVE, f"cut short by {ASKED[0].id}"
    dry.verdict, dry.reason = Verdict.NONE, DRY
    partly.reason = DRY
    partly.measured = f"4.000 s within 0.015 s, with {words}"
    taken = steps or (Step(">", "ask warmth", 0.0), Step("<", words, 0.25))

    def failure(purpose, lines):
        case = Case("hutch", ASKED[0].id, "", "", purpose, 3, taken, "ok 2.0", words)
        return Failure(ASKED[0].id, purpose, "ask warmth", "ok 2.0", words, lines, case)

    report = Report(
        "hutch",
        "0.3.1",
        "0123abcd",
        "/dev/ttyUSB0",
        3,
        findings,
        failures=[failure(ASKED[0].id, 17), failure(ASKED[1].id, 30)] if verdict >= Verdict.FAIL else [],
        lines=431,
        seconds=2.5,
        verdict=verdict,
        note=note,
        visited={(ASKED[0].id, state) for state in HUTCH.document.states} | {(ASKED[1].id, "rest")},
        bytes_sha256="5e" * 32,
        slowest_s=0.0 if held else 0.025,
        replies=ReplyTimes(431) if held else reply_times(REPLIES_NS, 300_000),
        guarantee="Any fault of the class `A` is found.",
    )
    return outcome_of(
        report,
        HUTCH,
        Profile("dry", "there is no rig"),
        rig=None,
        simulated=simulated,
        done=DONE,
        held=held,
        budget=None,
        started=datetime(2026, 3, 1, 12, 30, tzinfo=UTC),
        warnings=warnings,
        cautions=["Stay with it."],
        cases={0: "cases/first.case"},
    )


# ----------------------------------------------------------------------------------------------- outcome


def test_every_requirement_has_one_row_with_its_place_in_the_document():
    rows = outcome().rows
    assert [row.id for row in rows] == [each.id for each in ASKED]
    for row, each in zip(rows, ASKED, strict=True):
        assert row.place == f"{HUTCH.name}:{each.line}"
        assert row.sentence == each.sentence


def test_states_are_those_that_were_visited_in_the_order_of_the_document():
    assert outcome().rows[0].states == tuple(HUTCH.document.states)
    assert outcome().rows[1].states == ("rest",)
    assert outcome().rows[2].states == ()
    assert {state.name: state.requirements for state in outcome().states}["rest"] == 2


def test_what_was_not_tried_says_why():
    ended = outcome(note="the budget of 431 lines is used up")
    assert ended.rows[-1].reason == "the check ended before: the budget of 431 lines is used up"
    assert outcome().rows[-1].reason
    groups = outcome().not_selected()
    assert sorted(each for ids in groups.values() for each in ids) == sorted(
        row.id for row in outcome().rows if row.verdict == "not selected"
    )


def test_what_a_dry_check_left_out_is_listed_wholly_or_in_part():
    assert outcome().dry() == [ASKED[2].id, ASKED[3].id]
    assert outcome().rows[3].verdict == "pass"


# -------------------------------------------------------------------------------------------------- JSON


def test_the_shape_is_a_sound_schema():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize("verdict", list(Verdict))
@pytest.mark.parametrize("words", ["ok 3.0", HOSTILE])
def test_json_has_the_documented_shape(verdict, words):
    data = json.loads(document.text(outcome(verdict=verdict, words=words, warnings=["loud"])))
    jsonschema.validate(data, SCHEMA, format_checker=jsonschema.FormatChecker())
    assert data["report"] == 1
    assert data["verdict"] == str(verdict)
    assert data["warnings"] == ["loud"]


def test_json_has_no_member_that_the_schema_does_not_know():
    def strict(part):
        if isinstance(part, dict):
            if "properties" in part:
                part = {**part, "additionalProperties": False}
            return {key: strict(value) for key, value in part.items()}
        return [strict(each) for each in part] if isinstance(part, list) else part

    jsonschema.validate(json.loads(document.text(outcome())), strict(SCHEMA))


def test_json_counts_every_requirement_once():
    data = document.as_data(outcome())
    total = dict.fromkeys(("pass", "inconclusive", "fail", "not selected"), 0)
    for counts in data["counts"].values():
        for verdict, count in counts.items():
            total[verdict] += count
    assert total == {"pass": len(ASKED) - 4, "inconclusive": 1, "fail": 1, "not selected": 2}


# ------------------------------------------------------------------------------------------------- JUnit


def read_junit(made: Outcome):
    return junitparser.JUnitXml.fromstring(junit.text(made).encode())


def test_junit_has_a_case_for_every_requirement():
    suites = read_junit(outcome())
    cases = {case.name: case for suite in suites for case in suite}
    assert list(cases) == [each.id for each in ASKED]
    assert suites.tests == len(ASKED)
    assert (suites.failures, suites.errors, suites.skipped) == (1, 1, 2)
    assert [case.is_passed for case in cases.values()].count(True) == len(ASKED) - 4
    for suite in suites:
        assert suite.tests == len(list(suite))


def test_junit_says_what_broke_and_how():
    case = next(case for suite in read_junit(outcome()) for case in suite if case.name == ASKED[0].id)
    (failure,) = case.result
    assert isinstance(failure, junitparser.Failure)
    assert failure.message == "expected ok 2.0, seen ok 3.0"
    for words in ("    > ask warmth\n    < ok 3.0\n", ASKED[0].sentence, "case     cases/first.case"):
        assert words in failure.text


def test_junit_carries_reply_times_and_what_was_measured():
    suites = read_junit(outcome())
    properties = {each.name: each.value for each in next(iter(suites)).properties()}
    assert properties["reply deadline s"] == "0.02"
    assert properties["reply median s"] == "0.000200"
    assert properties["reply greatest s"] == "0.025000"
    case = next(case for suite in suites for case in suite if case.name == ASKED[3].id)
    assert case.system_out == "measured: 4.000 s within 0.015 s, with ok 3.0"


def test_json_has_the_reply_times_in_bins():
    times = document.as_data(outcome())["reply_times"]
    assert times["count"] == 431
    assert sum(each["count"] for each in times["bins"]) == 431
    assert [each["to_seconds"] for each in times["bins"]][:2] == [0.0002, 0.0005]
    assert times["p99_seconds"] == 0.0009


def test_the_page_draws_reply_times_against_the_deadline():
    drawn = page.reply_picture(outcome())
    assert [(bar.count, bar.late) for bar in drawn.bars] == [(420, False), (10, False), (1, True)]
    allowed = next(mark for mark in drawn.marks if mark.style == "allowed")
    late = drawn.bars[-1]
    assert late.x <= allowed.x + 1
    assert all(bar.x >= 0 and bar.x + bar.width <= drawn.width for bar in drawn.bars)
    assert all(bar.height > 5 for bar in drawn.bars)  # one among hundreds is seen
    assert page.reply_picture(outcome(held=True)) is None


def test_junit_skips_what_was_not_selected_with_its_reason():
    case = next(case for suite in read_junit(outcome()) for case in suite if case.name == ASKED[2].id)
    (skipped,) = case.result
    assert isinstance(skipped, junitparser.Skipped)
    assert skipped.message == DRY


def test_junit_shows_a_check_that_could_not_go_on():
    suites = read_junit(outcome(verdict=Verdict.ERROR, note="/dev/ttyUSB0: the port was lost"))
    (case,) = next(suite for suite in suites if suite.name == "check")
    (error,) = case.result
    assert isinstance(error, junitparser.Error)
    assert error.message == "/dev/ttyUSB0: the port was lost"
    assert suites.tests == len(ASKED) + 1


def test_junit_carries_seed_and_digest():
    properties = {each.name: each.value for each in next(iter(read_junit(outcome()))).properties()}
    assert properties["seed"] == "3"
    assert properties["document"] == "hutch 0.3.1 0123abcd"


@settings(max_examples=40)
@given(st.text(max_size=40))
def test_junit_is_readable_whatever_a_device_says(words):
    read_junit(outcome(words=words, note=words, verdict=Verdict.ERROR, steps=(Step("<", words),)))


# -------------------------------------------------------------------------------------------------- HTML


class Page(HTMLParser):
    """A page taken apart: ids, targets, what is loaded, text, and whether tags are balanced."""

    VOID = frozenset({"meta", "br", "link", "img", "input", "hr"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.targets: list[str] = []
        self.loaded: list[str] = []
        self.tags: set[str] = set()
        self.words: list[str] = []
        self._open: list[str] = []
        self.feed(text)
        self.close()
        assert self._open == []

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        self.tags.add(tag)
        self.ids += [given["id"]] if "id" in given else []
        if tag == "a":
            self.targets.append(given["href"])
        self.loaded += [given[name] for name in ("src", "data", "action") if name in given]
        self.loaded += [given["href"]] if tag == "link" else []
        if tag not in self.VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        self._open.pop()

    def handle_endtag(self, tag):
        assert self._open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


@pytest.mark.parametrize("verdict", list(Verdict))
@pytest.mark.parametrize("words", ["ok 3.0", HOSTILE])
def test_the_page_is_whole_and_needs_nothing_else(verdict, words):
    text = page.text(outcome(verdict=verdict, words=words))
    shown = Page(text)
    assert shown.loaded == []
    assert "url(" not in text
    assert "@import" not in text
    assert "script" not in shown.tags
    assert len(shown.ids) == len(set(shown.ids))
    assert {target.removeprefix("#") for target in shown.targets} <= set(shown.ids)
    assert all(target.startswith("#") for target in shown.targets)


def test_the_page_shows_what_broke_where_and_how():
    shown = Page(page.text(outcome(warnings=["THE INSTRUMENT MAY STILL BE HANDLING POWER"]))).text
    for words in (
        "fail",
        f"{HUTCH.name}:{ASKED[0].line}",
        "0.250 < ok 3.0",
        "expected ok 2.0",
        "seen ok 3.0",
        "wirevow replay cases/first.case PORT",
        "found after 17 lines",
        f"also after 30 lines, trying {ASKED[1].id} : seen ok 3.0",
        "dry : there is no rig; so nothing was energised",
        "Any fault of the class A is found.",
        "THE INSTRUMENT MAY STILL BE HANDLING POWER",
        "0.3.1 0123abcd",
        "How long 431 replies took, the host's own delays included: the slowest 25 ms, with 20 ms allowed",
        "These were shown before this check energised anything: Stay with it.",
        "99 of 100 within 0.9 ms",
        "4.000 s within 0.015 s",
        "Batteries can burn",
        "licensed people",
        DRY,
    ):
        assert words in shown


def test_the_page_has_every_requirement_with_its_sentence():
    shown = Page(page.text(outcome()))
    assert {each.id for each in ASKED} <= set(shown.ids)
    for each in ASKED:
        assert " ".join(each.sentence.replace("`", " ").split()) in shown.text


def test_a_long_exchange_is_folded_and_whole():
    steps = tuple(Step(">", f"ask step{number}") for number in range(100))
    shown = Page(page.text(outcome(steps=steps)))
    assert "60 steps before" in shown.text
    for step in steps:
        assert step.text in shown.text


def test_the_matrix_counts_every_requirement_once_and_every_state_it_was_seen_in():
    made = outcome()
    kinds = matrix(made)
    assert sum(kind.count for kind in kinds) == len(made.rows)
    assert sum(sum(kind.verdicts.values()) for kind in kinds) == len(made.rows)
    for index, state in enumerate(made.states):
        seen = [kind.cells[index] for kind in kinds]
        assert sum(cell.seen for cell in seen if cell is not None) == state.requirements


def test_a_cell_of_the_matrix_names_what_failed_there():
    made = outcome()
    first, second, *_ = (state.name for state in made.states)
    rows = tuple(
        page_row(f"trip.{name}.fires", verdict, states)
        for name, verdict, states in (("one", "pass", (first,)), ("two", "fail", (first, second)))
    )
    (kind,) = matrix(replace(made, rows=rows))
    at = {state.name: cell for state, cell in zip(made.states, kind.cells, strict=True)}
    assert (at[first].seen, at[first].worst, at[first].bad) == (2, "fail", ("trip.two.fires",))
    assert (at[second].seen, at[second].worst) == (1, "fail")
    assert kind.verdicts == {"pass": 1, "fail": 1}


def page_row(name, verdict, states):
    section, element, aspect = name.split(".")
    return Row(name, section, element, aspect, "", "", verdict, "", 0, 0, states)


BRACKET = Bracket("the delay", Fraction(2), Fraction(1, 5), "s", Fraction(19, 10), Fraction(21, 10))


@pytest.mark.parametrize(
    ("evidence", "words", "inside"),
    [
        (BRACKET, "between 1.9 and 2.1 s; 2 s is promised", True),
        (replace(BRACKET, high=None), "at least 1.9 s; 2 s is promised", False),
        (replace(BRACKET, low=None), "at most 2.1 s; 2 s is promised", False),
        (replace(BRACKET, low=Fraction(1)), "between 1 and 2.1 s; 2 s is promised", False),
        (Kept("abs(warmth)", Fraction(2), Fraction(1), Fraction(1, 2), "Cel"), "1 ± 0.5 of 2 Cel", True),
    ],
)
def test_a_number_is_drawn_and_told_with_its_interval_against_the_promise(evidence, words, inside):
    base = outcome()
    number = number_of(evidence)
    rows = (replace(base.rows[1], numbers=(number,)), *base.rows[2:])
    text = page.text(replace(base, rows=rows))
    assert words in Page(text).text
    assert ("reaches beyond what a pass may leave" in text) is not inside
    drawn = page.interval(number)
    assert 0 <= drawn.start < drawn.end <= drawn.width + 2
    if inside:
        assert drawn.band[0] <= drawn.start <= drawn.end <= drawn.surely <= drawn.band[1]


def test_readings_of_a_failure_are_drawn_over_time_with_states_and_hands():
    steps = (
        Step(">", "put roof.warmth 9.0 Cel", 0.0),
        Step("<", "ok 9.0 Cel", 0.0),
        Step(">", "@1 ask warmth", 0.0),
        Step("<", "@1 ok 2.0 Cel", 0.0),
        Step("bench", "sun on", 0.5),
        Step(">", "ask self.state", 1.0),
        Step("<", "ok rest", 1.0),
        Step(">", "@2 ask warmth ~{check}", 2.0),
        Step("<", Notice(3, "state", ("warm",), checked=True).line().decode(), 2.0),
        Step("<", Reply("@2", True, ("4.0", "Cel"), checked=True).line().decode(), 2.0),
    )
    drawn = trace(steps)
    (panel,) = drawn.panels
    assert (panel.name, panel.unit, panel.low, panel.high) == ("warmth", "Cel", "2", "4")
    (first, low), (last, high) = panel.dots
    assert (first, last) == (drawn.left, pytest.approx(drawn.width, abs=10))
    assert high < low  # up is less in the picture
    assert [name for _, name in drawn.states] == ["rest", "warm"]
    assert [what for _, what in drawn.hands] == ["sun on"]
    assert "What was read in it" in Page(page.text(outcome(steps=steps))).text


def test_of_several_readings_those_are_drawn_that_the_failure_names():
    steps = [
        Step(kind, text, at)
        for at in (0.0, 1.0)
        for name in ("air.warmth", "self.uptime")
        for kind, text in ((">", f"ask {name}"), ("<", f"ok {at}"))
    ]
    assert [panel.name for panel in trace(steps, "air.warmth stays").panels] == ["air.warmth"]
    assert [panel.name for panel in trace(steps, "nothing").panels] == ["air.warmth", "self.uptime"]


@pytest.mark.parametrize("at", [(0.0, 0.0), (None, None)])
def test_what_was_read_at_one_time_only_is_not_drawn(at):
    steps = [Step(">", "ask warmth", at[0]), Step("<", "ok 2.0 Cel", at[0]), Step("wait", "1 s", at[1])]
    assert trace(steps) is None


TARN = compile_vow(load_document(Path(__file__).parents[2] / "spec" / "tarn.yaml").document)


def test_the_plane_has_the_points_that_were_read_and_the_room_at_the_default_settings():
    limit = float(TARN.points["limit.current"].exact(TARN.points["limit.current"].default))
    drawn = plane(TARN, [("sinking", 10.0, 1.0), ("swinging", 10.0, 0.5), ("sinking", -1.0, 0.0)])
    assert [name for *_, name in drawn.dots] == ["sinking: 10 V, 1 A", "swinging: 10 V, 0.5 A"]
    assert drawn.states == ("sinking", "swinging")
    assert {"limit current", "limit power", "trip overcurrent"} <= set(drawn.bounds)
    highest = min(float(pair.split(",")[1]) for pair in drawn.room.split())
    unit = drawn.dots[1][1] - drawn.dots[0][1]  # half an ampere
    assert (drawn.base - highest) / unit / 2 == pytest.approx(limit, rel=0.1)


def test_what_holds_no_voltage_and_current_against_limits_has_no_plane():
    assert plane(compile_vow(HUTCH.document), []) is None


def test_the_page_says_what_has_changed():
    base = outcome()
    mended = replace(base, rows=(replace(base.rows[0], verdict="pass"), *base.rows[1:]))
    then, now = (past_of(document.text(each), "a report") for each in (base, mended))
    shown = Page(page.text(mended, since=since(then, now))).text
    assert "newly passing: 1" in shown
    assert "Since the last report" not in Page(page.text(mended)).text


def test_an_entry_stands_under_its_names():
    line = next(each.line for each in ASKED if each.section == "trip" and each.aspect == "delay")
    *above, own = HUTCH.source.entry(line)
    assert above[0] == "trips:"
    assert own.lstrip().startswith("after:")
    assert HUTCH.source.entry(0) == HUTCH.source.entry(10**6) == []


def test_what_stands_between_backquotes_is_code():
    assert page.parts("`put x` is refused `range`.") == ["", "put x", " is refused ", "range", "."]
    assert page.parts("one ` alone") == ["one ` alone"]


# ---------------------------------------------------------------------------------------------- terminal


def screen(made: Outcome, width: int = 80, brief: bool = False) -> str:
    target = io.StringIO()
    console = Console(file=target, width=width, markup=False, highlight=False, emoji=False)
    terminal.show(made, console, brief=brief)
    return target.getvalue()


@pytest.mark.parametrize("width", [60, 80, 140])
def test_the_screen_is_not_overrun(width):
    long = "ask " + "x" * 300
    steps = (Step(">", long, 0.0), Step("<", "ok " + "7" * 200, 0.5))
    shown = screen(outcome(words="ok " + "7" * 200, steps=steps), width)
    assert max(map(len, shown.splitlines())) <= width
    assert "x" * 300 in "".join(shown.split())  # folded, not cut


def test_the_screen_shows_a_failure_as_something_to_act_on():
    shown = screen(outcome(), 160)
    for words in (
        "Failure 1 of 1",
        f"{ASKED[0].id}  {HUTCH.name}:{ASKED[0].line}",
        ASKED[0].sentence,
        "0.000 > ask warmth",
        "0.250 < ok 3.0",
        "expected  ok 2.0",
        "seen      ok 3.0",
        "found     after 17 lines",
        "case      cases/first.case",
        f"also      after 30 lines, trying {ASKED[1].id}: ",
        "dry: there is no rig",
        "up to 50 ms",
        "Half within 0.2 ms, 99 of 100 within 0.9 ms, all 431 within 25 ms; 20 ms allowed.",
        "it woke up to 0.3 ms late",
        f"{ASKED[3].id}  4.000 s within 0.015 s",
    ):
        assert words in shown
    counted = f"fail: hutch 0.3.1, 1 fail, 1 inconclusive, {len(ASKED) - 4} pass, 2 not selected"
    assert shown.rstrip().splitlines()[-1] == counted


def test_in_brief_there_are_failures_and_the_verdict():
    target = io.StringIO()
    terminal.show(outcome(), Console(file=target, width=80), brief=True)
    shown = target.getvalue()
    assert "Failure 1 of 1" in shown
    assert "fail: hutch" in shown
    assert "Not selected" not in shown


def test_on_the_screen_a_long_exchange_is_cut_from_the_front():
    steps = tuple(Step(">", f"ask step{number}") for number in range(100))
    shown = screen(outcome(steps=steps))
    assert "(88 steps before these)" in shown
    assert "step99" in shown
    assert "step87" not in shown


def test_nothing_that_a_device_says_moves_the_cursor():
    made = outcome(words=HOSTILE, note=HOSTILE, warnings=[HOSTILE])
    shown = screen(made)
    assert not [sign for sign in shown if sign != "\n" and not sign.isprintable()]


def test_a_held_clock_measures_no_replies():
    assert "Reply times" not in screen(outcome(held=True))
    properties = next(iter(read_junit(outcome(held=True)))).properties()
    assert "reply p99 s" not in {each.name for each in properties}
    assert "not measured on a held clock" in Page(page.text(outcome(held=True))).text


DONE_IN_WORDS = {
    "settings put": "20",
    "saves": "3, perhaps 1 more (no answer)",
    "boots": "5 (2 of them not asked for)",
    "outputs switched": "7",
    "energised": "at most 12.5 s",
    "highest current": "1.5 A",
}


def test_every_report_says_what_was_done_to_the_instrument():
    real = outcome(verdict=Verdict.PASS)
    assert document.as_data(real)["done_to_it"]["boots"] == 5
    told = {each.name: each.value for each in next(iter(read_junit(real))).properties()}
    for what, much in DONE_IN_WORDS.items():
        assert told[f"done to it: {what}"] == much
        assert f"<dt>{what}</dt><dd>{much}</dd>" in page.text(real)
        assert any(line.split() == [*what.split(), *much.split()] for line in screen(real).splitlines())


def test_what_was_done_to_a_simulated_instrument_is_folded_small():
    shown = screen(outcome(verdict=Verdict.PASS, simulated=True))
    assert "Done to it" not in shown
    assert "boots 5 (2 of them not asked for)" in " ".join(shown.split())


def test_what_was_done_to_a_real_instrument_is_told_when_the_check_was_interrupted_too():
    assert "Done to it" in screen(outcome(), brief=True)
    assert "Done to it" not in screen(outcome(simulated=True), brief=True)

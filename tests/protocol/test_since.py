"""Reports remember: what has changed from one to the next, and when something began to fail."""

import json
from html.parser import HTMLParser
from importlib.resources import files

import jsonschema
import pytest

from tests.protocol.test_report import HOSTILE, outcome
from wirevow.protocol.report import document
from wirevow.protocol.report.history import history, json_text, lines, page, story
from wirevow.protocol.report.past import past_of
from wirevow.protocol.report.since import Kind, since
from wirevow.protocol.report.since import lines as since_lines

REPORT = document.as_data(outcome())
IDS = [row["id"] for row in REPORT["requirements"]]
ONE, OTHER, THIRD = IDS[10:13]
SHA = "ab" * 32


def made(verdicts=None, day=1, gone=(), promise=None, reasons=None, **members):
    """A report as data: all pass but for `verdicts`; sentences of `promise` are others."""
    data = json.loads(json.dumps(REPORT))
    data["started"] = f"2026-03-{day:02}T12:30:00+00:00"
    data["requirements"] = [row for row in data["requirements"] if row["id"] not in gone]
    for row in data["requirements"]:
        row["verdict"] = (verdicts or {}).get(row["id"], "pass")
        row["reason"] = (reasons or {}).get(row["id"], "")
        row["sentence"] = (promise or {}).get(row["id"], row["sentence"])
    for name, value in members.items():
        data[name] = {**data[name], **value} if isinstance(value, dict) else value
    return data


def read(*reports):
    return [past_of(json.dumps(report), "a report") for report in reports]


def kinds(before, now):
    return {(change.id, change.kind) for change in since(*read(before, now)).changes}


# -------------------------------------------------------------------------------------------------- since


def test_the_reports_that_are_made_here_are_reports():
    schema = json.loads(files("wirevow.protocol.report").joinpath("report.schema.json").read_text())
    jsonschema.validate(made({ONE: "fail"}), schema)


def test_a_report_read_again_differs_in_nothing_from_itself():
    same = since(*read(REPORT, REPORT))
    assert same.changes == same.slower == same.circumstances == ()
    assert not same.worse
    assert "every verdict is as it was" in "\n".join(since_lines(same))


@pytest.mark.parametrize(
    ("before", "now", "kind", "worse"),
    [
        ("pass", "fail", Kind.FAILS, True),
        ("not selected", "fail", Kind.FAILS, True),
        ("inconclusive", "fail", Kind.FAILS, True),
        ("fail", "pass", Kind.PASSES, False),
        ("not selected", "pass", Kind.PASSES, False),
        ("pass", "inconclusive", Kind.DOUBTFUL, True),
        ("fail", "inconclusive", Kind.DOUBTFUL, True),
        ("not selected", "inconclusive", Kind.DOUBTFUL, False),
        ("pass", "not selected", Kind.UNTRIED, True),
        ("fail", "not selected", Kind.UNTRIED, True),
    ],
)
def test_a_verdict_that_is_another_is_told_by_what_it_means(before, now, kind, worse):
    assert kinds(made({ONE: before}), made({ONE: now})) == {(ONE, kind)}
    assert since(*read(made({ONE: before}), made({ONE: now}))).worse is worse


def test_what_fails_as_before_is_named_and_is_not_worse():
    found = since(*read(made({ONE: "fail"}), made({ONE: "fail"})))
    assert found.still_failing == (ONE,)
    assert not found.worse


def test_a_pass_of_which_a_part_is_left_out_now_is_no_longer_tried_in_part():
    now = made(reasons={ONE: "energises the input"})
    assert kinds(made(), now) == {(ONE, Kind.PARTLY)}
    assert kinds(now, now) == set()


def test_what_a_document_makes_or_takes_is_no_regression():
    before = made({OTHER: "fail"}, gone=[ONE])
    now = made({ONE: "fail"}, gone=[OTHER], document={"sha256": SHA, "version": "0.4.0"})
    found = since(*read(before, now))
    assert kinds(before, now) == {(ONE, Kind.COME), (OTHER, Kind.GONE)}
    assert not found.worse
    told = "\n".join(since_lines(found))
    assert "made by the document: 1" in told
    assert f"{OTHER} (was fail)" in told
    assert "document: 0.4.0; it was 0.3.1" in told


def test_where_the_document_is_the_same_the_version_of_wirevow_makes_requirements():
    found = since(*read(made(gone=[ONE]), made(wirevow="9.1")))
    assert found.maker == "Wirevow 9.1"


def test_what_fails_a_promise_that_is_another_is_no_regression():
    now = made({ONE: "fail", OTHER: "fail"}, promise={ONE: "Something else."}, document={"sha256": SHA})
    assert kinds(made(), now) == {(ONE, Kind.FAILS_ANEW), (OTHER, Kind.FAILS)}
    assert not since(*read(made(), made({ONE: "fail"}, promise={ONE: "Else."}))).worse


def test_a_document_that_changed_under_one_version_is_told():
    told = "\n".join(since_lines(since(*read(made(), made(document={"sha256": SHA})))))
    assert "under the same version" in told
    assert "`wirevow compare OLD NEW` tells what that means" in told


def replies(p99_ms, late_ms=0.1):
    return {
        "reply_times": {
            "median_seconds": 0.001,
            "p99_seconds": p99_ms / 1e3,
            "host_late_seconds": late_ms / 1e3,
        }
    }


@pytest.mark.parametrize(
    ("before", "now", "slower"),
    [
        (replies(2), replies(3), True),
        (replies(2), replies(2.3), False),
        (replies(2), replies(3, late_ms=1.5), False),
        (replies(3), replies(2), False),
        (replies(2), {**replies(3), "clock": "held"}, False),
        (replies(2), {**replies(3), "port": "/dev/ttyUSB7"}, False),
    ],
    ids=["slower", "within a quarter", "the host was late", "faster", "another clock", "another port"],
)
def test_replies_are_slower_if_the_host_does_not_explain_it(before, now, slower):
    found = since(*read(made(**before), made(**now)))
    assert [each.what for each in found.slower] == ["99 of 100 replies"] * slower
    assert (
        "slower: 99 of 100 replies take up to 3 ms; it was 2 ms" in "\n".join(since_lines(found))
    ) is slower


def test_nothing_in_a_report_steers_a_terminal():
    now = made({ONE: "fail"}, reasons={ONE: HOSTILE}, port=HOSTILE)
    before = made()
    for line in (*since_lines(since(*read(before, now))), *lines(history(read(before, now)))):
        assert line.isprintable()


# ------------------------------------------------------------------------------------------------ history


def told_of(*verdicts, **members):
    """The story of one requirement that had these verdicts, a day apart; None: not in the report."""
    runs = [
        made({ONE: verdict} if verdict else {}, day, gone=[] if verdict else [ONE], **members)
        for day, verdict in enumerate(verdicts, 1)
    ]
    whole = history(read(*runs))
    (track,) = (track for track in whole.tracks if track.id == ONE)
    return story(track, whole.runs)


def test_a_failure_has_the_report_in_which_it_began_and_the_last_that_passed():
    assert told_of("pass", "pass", "fail", "fail") == (
        "fails since #3 (2026-03-03, 0.3.1); passed last in #2 (2026-03-02, 0.3.1)"
    )


def test_reports_that_do_not_judge_leave_the_beginning_open():
    assert told_of("pass", "not selected", "inconclusive", "fail") == (
        "fails since #4 (2026-03-04, 0.3.1); passed last in #1 (2026-03-01, 0.3.1), 2 between do not judge it"
    )
    assert told_of("pass", "fail", "not selected", "fail").startswith("fails since #2 ")


def test_what_has_always_failed_has_no_pass_to_name():
    assert told_of("fail", "fail") == "fails since #1 (2026-03-01, 0.3.1)"
    assert told_of(None, "fail").endswith("which is the first that has it")
    assert told_of("not selected", "fail").endswith("which is the first that judges it")


def test_what_comes_and_goes_is_told_with_how_often():
    assert told_of("pass", "fail", "pass", "fail").endswith("it has begun to fail 2 times")
    assert told_of("fail", "pass", "not selected", "fail").endswith("it has begun to fail 2 times")
    assert told_of("pass", "fail", "not selected", "fail", "pass").endswith(
        "failed last in #4 (2026-03-04, 0.3.1)"
    )


def test_what_is_not_judged_any_more_says_where_it_last_was():
    assert told_of("pass", "fail", "not selected").endswith("last judged in #2 (2026-03-02, 0.3.1)")


def test_a_promise_that_changed_when_it_began_to_fail_is_told():
    whole = history(read(made(), made({ONE: "fail"}, 2, promise={ONE: "Something else."})))
    (track,) = whole.failing()
    assert story(track, whole.runs).endswith("its promise is another since then")


def test_reports_are_put_in_the_order_of_time():
    whole = history(read(made({ONE: "fail"}, 3), made({}, 1), made({ONE: "fail"}, 2)))
    assert [run.started.day for run in whole.runs] == [1, 2, 3]
    assert [track.id for track in whole.failing()] == [ONE]


def test_what_fails_longest_stands_first():
    runs = read(
        made(),
        made({THIRD: "fail"}, 2),
        made({ONE: "fail", THIRD: "fail"}, 3),
        made({ONE: "fail", THIRD: "fail", OTHER: "fail"}, 4),
    )
    always = read(made({IDS[20]: "fail"}), made({IDS[20]: "fail", ONE: "fail"}, 2))
    assert [track.id for track in history(runs).failing()] == [THIRD, ONE, OTHER]
    assert [track.id for track in history(always).failing()] == [IDS[20], ONE]


def test_what_failed_before_and_passes_is_told_and_what_the_document_took_does_not_fail():
    whole = history(read(made({ONE: "fail", OTHER: "fail"}), made({}, 2, gone=[OTHER])))
    assert [track.id for track in whole.failed()] == [ONE]
    assert whole.failing() == []


def test_what_has_come_to_pass_last_stands_first():
    runs = read(made({ONE: "fail", OTHER: "fail"}), made({OTHER: "fail"}, 2), made({}, 3))
    assert [track.id for track in history(runs).failed()] == [OTHER, ONE]


class Tags(HTMLParser):
    def __init__(self):
        super().__init__()
        self.seen, self.words = [], []

    def handle_starttag(self, tag, attrs):
        self.seen.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.words.append(data)


def test_the_page_names_all_that_moved_and_needs_nothing_else():
    now = made({ONE: "fail"}, 2, reasons={ONE: HOSTILE}, port=HOSTILE)
    tags = Tags()
    tags.feed(page(history(read(made({OTHER: "not selected"}), now))))
    assert not {tag for tag, _ in tags.seen} & {"script", "link", "img", "iframe"}
    assert not [attrs for _, attrs in tags.seen if {"src", "href"} & attrs.keys()]
    assert ONE in tags.words
    assert OTHER in tags.words
    assert THIRD not in tags.words


def test_the_json_says_the_same_as_the_text():
    told = json.loads(json_text(history(read(made(), made({ONE: "fail"}, 2)))))
    assert told["failing"] == [ONE]
    (track,) = (each for each in told["requirements"] if each["id"] == ONE)
    assert track["verdicts"] == ["pass", "fail"]
    assert (track["otherwise_until"], track["as_judged_since"]) == (0, 1)
    assert told["latest"]["worse"] is True
    assert told["latest"]["changes"][0]["kind"] == "newly failing"

"""The report as JUnit XML, as continuous integration reads it.

A requirement is a test case, a section a test suite. Not selected is *skipped* with its reason, inconclusive
an *error* of type `inconclusive` (the dialect has no other word), broken a *failure* with its exchange. When
the check itself could not go on, a suite `check` has one case with an *error*.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Iterable

from wirevow.protocol.conformance.verdict import Verdict
from wirevow.protocol.report.outcome import Breach, Outcome, Row

_NOT_XML = re.compile("[^\\t\\n\\r\\x20-\\ud7ff\\ue000-\\ufffd\\U00010000-\\U0010ffff]")
"""What XML 1.0 (5th edition), production 2 (`Char`), has no way to write."""


def text(outcome: Outcome) -> str:
    """The file."""
    root = ET.Element("testsuites", name=_clean(f"{outcome.name} {outcome.version}"))
    breaches = outcome.by_requirement()
    suites = []
    for section in outcome.counts():
        rows = [row for row in outcome.rows if row.section == section]
        suites.append(_suite(root, section, [_case(outcome, row, breaches.get(row.id, [])) for row in rows]))
    if outcome.verdict == str(Verdict.ERROR):
        case = ET.Element("testcase", classname=_clean(outcome.name), name="the check comes to its end")
        ET.SubElement(case, "error", message=_clean(outcome.note), type="error")
        suites.append(_suite(root, "check", [case]))
    suites[0].insert(0, _properties(outcome))
    for count in ("tests", "failures", "errors", "skipped"):
        root.set(count, str(sum(int(suite.get(count, "0")) for suite in suites)))
    root.set("time", f"{outcome.seconds:.3f}")
    ET.indent(root)
    return ET.tostring(root, encoding="unicode", xml_declaration=True) + "\n"


def _suite(root: ET.Element, name: str, cases: list[ET.Element]) -> ET.Element:
    suite = ET.SubElement(root, "testsuite", name=name)
    for count, tag in (("failures", "failure"), ("errors", "error"), ("skipped", "skipped")):
        suite.set(count, str(sum(case.find(tag) is not None for case in cases)))
    suite.set("tests", str(len(cases)))
    suite.extend(cases)
    return suite


def _case(outcome: Outcome, row: Row, breaches: list[Breach]) -> ET.Element:
    where = ".".join(part for part in (outcome.name, row.section, row.element) if part)
    case = ET.Element("testcase", classname=_clean(where), name=_clean(row.id))
    if row.verdict == str(Verdict.NONE):
        ET.SubElement(case, "skipped", message=_clean(row.reason))
    elif row.verdict == str(Verdict.INCONCLUSIVE):
        ET.SubElement(case, "error", message=_clean(row.reason), type="inconclusive").text = _clean(
            f"{row.sentence}\n{row.place}"
        )
    elif breaches:
        first = breaches[0]
        message = f"expected {first.expected or 'nothing'}, seen {first.seen}"
        failure = ET.SubElement(case, "failure", message=_clean(message), type="broken promise")
        failure.text = _clean("\n\n".join(_told(breach) for breach in breaches))
    elif row.verdict == str(Verdict.FAIL):
        ET.SubElement(case, "failure", message=_clean(row.reason), type="broken promise").text = _clean(
            f"{row.sentence}\n{row.place}"
        )
    if row.measured:
        ET.SubElement(case, "system-out").text = _clean(f"measured: {row.measured}")
    return case


def _told(breach: Breach) -> str:
    def lines() -> Iterable[str]:
        yield breach.sentence
        yield breach.place
        for step in breach.steps:
            yield f"    {step.kind} {step.text}".rstrip()
        yield f"expected {breach.expected or 'nothing'}"
        yield f"seen     {breach.seen}"
        if breach.again:
            yield f"again    {breach.again}"
        if breach.case is not None:
            yield f"case     {breach.case}"

    return "\n".join(lines())


def _properties(outcome: Outcome) -> ET.Element:
    properties = ET.Element("properties")
    for name, value in (
        ("document", f"{outcome.name} {outcome.version} {outcome.digest}"),
        ("sha256", outcome.sha256),
        ("port", outcome.port),
        ("profile", f"{outcome.profile.name}: {outcome.profile.reason}"),
        ("seed", str(outcome.seed)),
        ("lines", str(outcome.lines)),
        ("reply deadline s", f"{outcome.deadline_s:g}"),
        *_replies(outcome),
        *((f"done to it: {what}", much) for what, much in outcome.done.pairs()),
        ("started", outcome.started),
        ("wirevow", outcome.wirevow),
    ):
        ET.SubElement(properties, "property", name=name, value=_clean(value))
    return properties


def _replies(outcome: Outcome) -> Iterable[tuple[str, str]]:
    """Reply times; there are none on a held clock unless some came late."""
    replies = outcome.replies
    if replies.greatest_s:
        yield "replies", str(replies.count)
        yield "reply median s", f"{replies.median_s:.6f}"
        yield "reply p99 s", f"{replies.p99_s:.6f}"
        yield "reply greatest s", f"{replies.greatest_s:.6f}"
        yield "host late s", f"{replies.host_late_s:.6f}"


def _clean(text: str) -> str:
    return _NOT_XML.sub(lambda found: f"\\x{ord(found.group()):02x}", text)

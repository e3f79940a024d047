"""A decision as JUnit XML for a CI server: a case a quantity, and one for the decision itself.

failure  type `refuse` or `undecided`      what stands between the release and its being let through
skipped  what was waived, with who and why; what has no number and is not required
error    the bench could not be operated
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from xml.etree import ElementTree

from harness.base.errors import ExitCode
from harness.base.words import visible_lines
from harness.compare import Difference
from harness.gate.decision import Decision, DecisionWord, Objection
from harness.nouns.names import Name
from harness.release.summary import Subject

FORBIDDEN = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""What XML 1.0 has no way to write (2.2)."""


def junit(decision: Decision, subject: Subject, differences: Sequence[Difference], quantities: Iterable[str]) -> bytes:
    """The file's bytes. `quantities` are all that were planned, by full name."""
    names = dict.fromkeys([*quantities, *(difference.name for difference in differences), *_named(decision)])
    suite = ElementTree.Element("testsuite", name=_text(f"release gate {subject.rig}"))
    properties = ElementTree.SubElement(suite, "properties")
    for name, value in (
        ("bench", "SIMULATED" if subject.simulated else "real"),
        ("decision", decision.word.value),
        ("firmware", subject.firmware),
        ("baseline", subject.baseline),
    ):
        ElementTree.SubElement(properties, "property", name=name, value=_text(value))
    findings = {difference.name: difference for difference in differences}
    for name in names:
        _case(suite, decision, name, findings.get(name), subject)
    _whole(suite, decision, subject)
    for outcome in ("failure", "error", "skipped"):
        plural = {"failure": "failures", "error": "errors", "skipped": "skipped"}[outcome]
        suite.set(plural, str(len(suite.findall(f"testcase/{outcome}"))))
    suite.set("tests", str(len(suite.findall("testcase"))))
    root = ElementTree.Element("testsuites")
    root.append(suite)
    ElementTree.indent(root)
    return bytes(ElementTree.tostring(root, encoding="utf-8", xml_declaration=True))


def _case(
    suite: ElementTree.Element, decision: Decision, name: str, difference: Difference | None, subject: Subject
) -> None:
    case = _new_case(suite, f"{subject.rig}.{Name(name).prefix}", Name(name).quantity, subject)
    against = [objection for objection in decision.objections if objection.quantity == name]
    if against:
        _failure(case, against)
        return
    for pair in decision.waived:
        if pair.objection.quantity == name:
            waiver = pair.waiver
            words = f"waived by {waiver.by} (self-declared) until {waiver.until}: {waiver.why}; {pair.objection.words}"
            ElementTree.SubElement(case, "skipped", message=_text(words))
            return
    if difference is not None and difference.measured is None:
        ElementTree.SubElement(case, "skipped", message=_text(difference.reason or "not measured"))


def _whole(suite: ElementTree.Element, decision: Decision, subject: Subject) -> None:
    """The decision as a case of its own: what is of no single quantity stands here."""
    case = _new_case(suite, f"{subject.rig}.gate", "decision", subject)
    if decision.code in (ExitCode.BENCH, ExitCode.DEFECT, ExitCode.USAGE):
        ElementTree.SubElement(case, "error", type="bench", message=_text(decision.reasons[0]))
    elif decision.word is not DecisionWord.RELEASE:
        own = [objection for objection in decision.objections if not objection.quantity]
        _failure(case, own or decision.objections, kind=decision.word.value)


def _failure(case: ElementTree.Element, against: Sequence[Objection], kind: str = "") -> None:
    refused = any(objection.refuses for objection in against)
    worst = kind or (DecisionWord.REFUSE if refused else DecisionWord.UNDECIDED).value
    failure = ElementTree.SubElement(case, "failure", type=worst, message=_text(against[0].line))
    failure.text = _text("\n".join(objection.line for objection in against))


def _new_case(suite: ElementTree.Element, group: str, name: str, subject: Subject) -> ElementTree.Element:
    case = ElementTree.SubElement(suite, "testcase", classname=_text(group), name=_text(name), time="0")
    if subject.simulated:
        properties = ElementTree.SubElement(case, "properties")
        ElementTree.SubElement(properties, "property", name="bench", value="SIMULATED")
    return case


def _named(decision: Decision) -> list[str]:
    waived = [pair.objection.quantity for pair in decision.waived]
    return [name for name in (*(objection.quantity for objection in decision.objections), *waived) if name]


def _text(words: str) -> str:
    return FORBIDDEN.sub("?", visible_lines(words))

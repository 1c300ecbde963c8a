"""What the caller of a step sees: our answer on the Task itself, and OperationOutcomes."""

from collections.abc import Iterable
from typing import Any

from service.errors import Problem
from service.facts.finding import Finding
from service.fhir.own import RULE_SYSTEM, VERDICT_SYSTEM
from service.fhir.write import wording
from service.fhir.write.bundle import RELEASES
from service.fhir.write.codes import OWN_STEP_OUTPUT, Code
from service.fhir.write.common import Resource, closed, coding, concept

CAUTION = wording.CAUTION


def answer(task: Resource, word: str | None, findings: Iterable[Finding], release: str) -> Resource:
    """A step with our answer as ``businessStatus`` and our findings as ``output``, gravest first.

    task: the stored representation, left as it is. word: a verdict's, an advice's or a return's
    word; None for a step that gets no answer, whose businessStatus is then taken off. Outputs of
    the sender stay; outputs of our own kind are replaced, so that an echo never doubles them. The
    shape is the same in both releases. Raises ValueError for an unknown release.
    """
    if release not in RELEASES:
        raise ValueError(f"no such release: {release}")
    result = {
        name: value for name, value in task.items() if name not in ("businessStatus", "output")
    }
    if word is not None:
        text = wording.WORD_TEXT.get(word, word)
        result["businessStatus"] = closed(concept(text, (VERDICT_SYSTEM, word, None)))
    output = [found for found in task.get("output", ()) if not _ours(found)]
    output += [closed(_output(finding)) for finding in wording.gravest_first(findings)]
    if word is not None:
        caution: Code = (OWN_STEP_OUTPUT, "caution", None)
        output.append(closed({"type": concept("Caution", caution), "valueString": CAUTION}))
    return result | ({"output": output} if output else {})


def operation_outcome(problems: Iterable[Problem | Finding]) -> Resource:
    """An OperationOutcome of problems with what was sent, or of findings about what was done.

    A finding is never an error here: the record was accepted. An empty list says so.
    """
    issues = [_problem(one) if isinstance(one, Problem) else _found(one) for one in problems]
    if not issues:
        issues = [_nothing()]
    return closed({"resourceType": "OperationOutcome", "issue": issues})


def _ours(output: Any) -> bool:
    codings = output.get("type", {}).get("coding", ())
    return any(found.get("system") == OWN_STEP_OUTPUT for found in codings)


def _output(finding: Finding) -> Resource:
    """Kind and word in the type, the rule and the whole sentence in the value."""
    word = wording.word_of(finding)
    codes: list[Code] = [(OWN_STEP_OUTPUT, "finding", None)]
    if word is not None:
        codes.append((VERDICT_SYSTEM, word, None))
    return {
        "type": concept(f"Finding: {word or 'for information'}", *codes),
        "valueCodeableConcept": concept(
            wording.finding_text(finding), (RULE_SYSTEM, finding.rule, None)
        ),
    }


def _problem(problem: Problem) -> Resource:
    return {
        "severity": problem.severity,
        "code": problem.code,
        "details": concept(problem.text),
        "diagnostics": problem.text,
        "expression": [problem.expression] if problem.expression else [],
    }


def _found(finding: Finding) -> Resource:
    objects = wording.gravity(finding) > 1
    word = wording.word_of(finding)
    codes: list[Code] = [(RULE_SYSTEM, finding.rule, None)]
    if word is not None:
        codes.append((VERDICT_SYSTEM, word, None))
    return {
        "severity": "warning" if objects else "information",
        "code": "business-rule" if objects else "informational",
        "details": {"coding": [coding(code) for code in codes], "text": finding.text},
        "diagnostics": wording.finding_text(finding),
    }


def _nothing() -> Resource:
    text = "Accepted; nothing to report."
    return {"severity": "information", "code": "informational", "details": concept(text)}

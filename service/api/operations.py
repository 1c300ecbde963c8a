"""Operations: ``$check-unit``, the dry run of the pre-start check."""

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from service.api.gateway import Gateway, checked
from service.api.representation import instant_text
from service.assessment.assess import dry_run, verdict_answer
from service.auth.tokens import Source
from service.errors import BadInput, Problem
from service.facts.deadline import Deadline
from service.facts.finding import Cited, Finding
from service.fhir.own import STEP_INPUT_SYSTEM, STEP_SYSTEM
from service.fhir.write.answers import CAUTION
from service.reconcile.intake import Caller

# Parameters that are not step inputs, and where the step has them.
FIELD = {"patient": "for", "unit": "focus", "performer": "owner", "order": "basedOn"}
PLAIN = FIELD.keys() | {"at"}
ONCE = PLAIN - {"order"}


async def check_unit(
    gateway: Gateway, source: Source, release: str, content: Any
) -> dict[str, Any]:
    """Judges a unit as a recorded check at ``at`` would be; stores only an audit row.

    In: Parameters ``patient`` (Reference or Identifier), ``unit`` (Reference or Identifier), ``at``
    (dateTime, default now), and any input of the step check-unit by its code. Out: Parameters
    ``verdict``, ``caution``, one ``finding`` per rule that was not simply met, and the
    ``deadline`` of what must follow.
    """
    given = _parameters(checked(content, "Parameters", release))
    task = _task(given, instant_text(gateway.reconciler.clock.now()))
    caller = Caller(
        facility=source.facility, source=source.name, actor=source.name, bases=source.bases
    )
    try:
        case, unit, check = gateway.reconciler.rehearse(caller, release, task)
    except BadInput as bad:
        raise BadInput(bad.status, *(_as_parameter(one, given) for one in bad.problems)) from bad
    judgement, deadlines = dry_run(
        case, gateway.reconciler.policy, gateway.reconciler.sites[source.facility], unit, check
    )
    answer = verdict_answer(judgement)
    await gateway.reconciler.audit_rehearsal(caller, answer.word, judgement.unit.key)
    return {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "verdict", "valueCode": answer.word},
            {"name": "profile", "valueString": gateway.reconciler.policy.profile},
            {"name": "caution", "valueString": CAUTION},
            *(_finding(finding) for finding in answer.findings),
            *(_deadline(deadline) for deadline in deadlines),
        ],
    }


def _parameters(content: dict[str, Any]) -> list[dict[str, Any]]:
    found = content.get("parameter") or []
    names = [parameter["name"] for parameter in found]
    if "patient" not in names:
        text = "Name the patient: a Reference or an Identifier."
        raise BadInput(400, Problem(code="required", expression="Parameters.parameter", text=text))
    for name in sorted(ONCE):
        if names.count(name) > 1:
            text = f"Say once which {name} is meant."
            raise BadInput(400, Problem(code="invalid", expression=_place(name), text=text))
    return list(found)


def _place(name: str) -> str:
    return f"Parameters.parameter.where(name='{name}')"


def _as_parameter(problem: Problem, given: list[dict[str, Any]]) -> Problem:
    """A problem of the step, told of the parameter that said it."""
    inputs = [n for n, parameter in enumerate(given) if parameter["name"] not in PLAIN]
    parts = (problem.expression or "").removeprefix("Parameters").split(".")
    place = next((part for part in parts if part not in ("", "Task")), "")
    field, _, number = place.partition("[")
    index = int(number.rstrip("]")) if number.rstrip("]").isdigit() else -1
    if field == "input" and 0 <= index < len(inputs):
        return replace(problem, expression=f"Parameters.parameter[{inputs[index]}]")
    named = {part: name for name, part in FIELD.items()} | {"executionPeriod": "at"}
    return replace(problem, expression=_place(named[field]) if field in named else "Parameters")


def _task(given: Iterable[dict[str, Any]], now: str) -> dict[str, Any]:
    """The step check-unit that the parameters describe."""
    task: dict[str, Any] = {
        "resourceType": "Task",
        "identifier": [
            {"system": "urn:ietf:rfc:3986", "value": "urn:transfusion-events:rehearsal"}
        ],
        "status": "completed",
        "intent": "order",
        "code": {"coding": [{"system": STEP_SYSTEM, "code": "check-unit"}]},
        "executionPeriod": {"start": now, "end": now},
        "input": [],
    }
    for parameter in given:
        name = parameter["name"]
        value = {k: v for k, v in parameter.items() if k.startswith("value")}
        if name == "at":
            instant = next(iter(value.values()), now)
            task["executionPeriod"] = {"start": instant, "end": instant}
        elif name in PLAIN:
            reference = _reference(name, value)
            if name == "order":
                task.setdefault(FIELD[name], []).append(reference)
            else:
                task[FIELD[name]] = reference
        else:
            coding = {"system": STEP_INPUT_SYSTEM, "code": name}
            task["input"].append({"type": {"coding": [coding]}, **value})
    if not task["input"]:
        del task["input"]
    return task


KIND = {
    "patient": "Patient",
    "unit": "BiologicallyDerivedProduct",
    "performer": "Practitioner",
    "order": "ServiceRequest",
}


def _reference(name: str, value: dict[str, Any]) -> dict[str, Any]:
    if "valueReference" in value:
        return dict(value["valueReference"])
    if "valueIdentifier" in value:
        return {"type": KIND[name], "identifier": value["valueIdentifier"]}
    text = f"{name} takes a Reference or an Identifier."
    raise BadInput(400, Problem(code="value", expression=_place(name), text=text))


def _deadline(deadline: Deadline) -> dict[str, Any]:
    return {
        "name": "deadline",
        "part": [
            {"name": "kind", "valueCode": deadline.kind},
            {"name": "due", "valueDateTime": instant_text(deadline.due)},
            {"name": "text", "valueString": deadline.text},
            *(_source(row) for row in deadline.cited),
        ],
    }


def _source(row: Cited) -> dict[str, Any]:
    told = f"{row.row} = {row.value} since {row.since}: {row.source}"
    return {"name": "source", "valueString": told}


def _finding(finding: Finding) -> dict[str, Any]:
    word = finding.verdict.word if finding.verdict is not None else "not-checked"
    parts: list[dict[str, Any]] = [
        {"name": "rule", "valueCode": finding.rule},
        {"name": "verdict", "valueCode": word},
        {"name": "text", "valueString": finding.text},
    ]
    parts += [{"name": "missing", "valueString": missing} for missing in finding.missing]
    if finding.remedy is not None:
        parts.append({"name": "remedy", "valueCode": finding.remedy.value})
    parts += [_source(row) for row in finding.cited]
    return {"name": "finding", "part": parts}

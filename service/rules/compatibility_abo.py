"""ABO of every component by its table (rules.md 1.2 and 1.4 to 1.8)."""

from dataclasses import dataclass

from service.facts.case import step_finished
from service.facts.finding import Cited, Finding, Remedy, Verdict
from service.facts.steps import StepCode
from service.facts.unit import Component
from service.policy.policy import VERDICTS
from service.rules.compatibility_pair import Pair, overridable
from service.rules.recipient import is_infant

MIDDLE = (Verdict.CAUTION, Verdict.AUTHORISE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """What a table says of a pair: the verdict, the reason where it objects, what to quote."""

    verdict: Verdict
    reason: str
    cited: tuple[Cited, ...]
    remark: str = ""


def red_cells(pair: Pair) -> tuple[Finding, ...]:
    """COMP-01: the table red-cells; a group on one sample carries O units only."""
    if pair.bag.component is not Component.RED_CELLS or pair.lists:
        return ()
    if pair.bag.abo is None:
        return _unread(pair, "COMP-01")
    cell = _cell(pair, "red-cells", "abo-red-cell-incompatible")
    return _stated(pair, "COMP-01", _on_one_sample(pair, cell))


def plasma(pair: Pair) -> tuple[Finding, ...]:
    """COMP-04: the table plasma; stricter for infants and for plasma flagged high-titre."""
    if pair.bag.component is not Component.PLASMA or pair.lists:
        return ()
    if pair.bag.abo is None:
        return _unread(pair, "COMP-04")
    cell = _for_infants(pair, _cell(pair, "plasma", "abo-plasma-incompatible"))
    return _stated(pair, "COMP-04", _once_per_episode(pair, _by_titre(pair, cell)))


def cryoprecipitate(pair: Pair) -> tuple[Finding, ...]:
    """COMP-05: the table cryoprecipitate; the option cryo-any-abo asks adults for a caution."""
    if pair.bag.component is not Component.CRYOPRECIPITATE or pair.lists:
        return ()
    any_group = pair.on("cryo-any-abo") and not _infant(pair)
    if pair.bag.abo is None:
        return _mixed_pool(pair) if any_group and pair.bag.pooled else _unread(pair, "COMP-05")
    cell = _for_infants(pair, _cell(pair, "cryoprecipitate", "abo-cryoprecipitate-incompatible"))
    if any_group and cell.verdict is Verdict.AUTHORISE:
        quoted = (*cell.cited, *pair.cited("cryo-any-abo"))
        cell = Cell(verdict=Verdict.CAUTION, reason=cell.reason, cited=quoted)
    return _stated(pair, "COMP-05", cell)


def platelets(pair: Pair) -> tuple[Finding, ...]:
    """COMP-06: the table platelets; minor mismatches go by titre to platelets-minor."""
    if pair.bag.component is not Component.PLATELETS or pair.lists:
        return ()
    abo = pair.bag.abo
    if abo is None:
        return _unread(pair, "COMP-06")
    table = pair.matrix("platelets")
    word = table.cell(pair.who.typed.abo, abo)
    quoted = (table.cited(pair.who.typed.abo, abo),)
    if word in VERDICTS:
        cell = Cell(verdict=VERDICTS[word], reason="abo-major-mismatch", cited=quoted)
        return _stated(pair, "COMP-06", cell)
    return _stated(pair, "COMP-06", _minor(pair, abo, word, quoted))


def whole_blood(pair: Pair) -> tuple[Finding, ...]:
    """COMP-08: the table whole-blood; low-titre O only under a site's written programme."""
    if pair.bag.component is not Component.WHOLE_BLOOD or pair.lists:
        return ()
    if pair.bag.abo is None:
        return _unread(pair, "COMP-08")
    programme = pair.on("low-titre-programme")
    low_titre_o = programme and pair.bag.abo == "O" and pair.bag.titre == "low"
    column = "O-low-titre" if low_titre_o else None
    cell = _cell(pair, "whole-blood", "abo-whole-blood-incompatible", column)
    return _stated(pair, "COMP-08", _on_one_sample(pair, cell))


def granulocytes(pair: Pair) -> tuple[Finding, ...]:
    """COMP-09: the table red-cells, irradiation, and a caution for incompatible plasma."""
    if pair.bag.component is not Component.GRANULOCYTES:
        return ()
    other = (*_irradiation(pair), *_granulocyte_plasma(pair))
    if pair.lists:
        return other
    if pair.bag.abo is None:
        return (*_unread(pair, "COMP-09"), *other)
    cell = _cell(pair, "red-cells", "abo-red-cell-incompatible")
    return (*_stated(pair, "COMP-09", _on_one_sample(pair, cell)), *other)


def _cell(pair: Pair, key: str, reason: str, column: str | None = None) -> Cell:
    table = pair.matrix(key)
    unit = column or pair.bag.abo or ""
    verdict = VERDICTS[table.cell(pair.who.typed.abo, unit)]
    return Cell(verdict=verdict, reason=reason, cited=(table.cited(pair.who.typed.abo, unit),))


def _stated(pair: Pair, rule: str, cell: Cell) -> tuple[Finding, ...]:
    say, who = pair.say(rule), pair.who.typed
    sentence = f"Group {pair.bag.abo} {pair.bag.name} for a patient of {who.text}{cell.remark}."
    if who.abo is None:
        remedy = Remedy.RETURN_UNIT if cell.verdict is Verdict.REFUSE else Remedy.CALL_LABORATORY
        also = pair.also(cited=cell.cited, remedy=remedy)
        kind = "discrepant" if who.discrepant else "unknown"
        lacking = ("recipient ABO group",)
        return say.missing(
            f"recipient-group-{kind}", sentence, lacking, verdict=cell.verdict, also=also
        )
    if cell.verdict is Verdict.NO_OBJECTION:
        identical = who.abo == pair.bag.abo
        words = "identical" if identical else "compatible, second choice"
        passed = "abo-identical" if identical else "abo-compatible"
        return say.passed(passed, f"{sentence[:-1]}: {words}.", also=pair.also(cited=cell.cited))
    second = Remedy.SECOND_SAMPLE if cell.reason == "group-on-one-sample" else None
    also = pair.also(cited=cell.cited, remedy=second)
    return say.failed(cell.reason, sentence, verdict=cell.verdict, also=also)


def _unread(pair: Pair, rule: str) -> tuple[Finding, ...]:
    what = "several ABO groups" if pair.bag.pooled else "no readable ABO group"
    text = f"The bag carries {what}, so that no table can judge it."
    reason = "unit-group-pooled" if pair.bag.pooled else "unit-group-unknown"
    return pair.say(rule).missing(reason, text, ("unit ABO group",), also=pair.also())


def _on_one_sample(pair: Pair, cell: Cell) -> Cell:
    """A non-O unit that the table allows, for a group that one sample alone carries (1.2)."""
    rests = pair.who.typed.single_sample and not pair.on("single-sample-ok")
    verdict = pair.verdict("single-sample-as")
    applies = pair.who.typed.abo is not None and pair.bag.abo != "O" and rests
    if not applies or verdict is None or cell.verdict >= verdict:
        return cell
    quoted = (*cell.cited, *pair.cited("single-sample-ok", "single-sample-as"))
    remark = ", whose group rests on one sample"
    return Cell(verdict=verdict, reason="group-on-one-sample", cited=quoted, remark=remark)


def _infant(pair: Pair) -> bool:
    return is_infant(pair.who, pair.pre.policy, pair.pre.at)


def _for_infants(pair: Pair, cell: Cell) -> Cell:
    verdict = pair.verdict("infant-plasma-as")
    if cell.verdict not in MIDDLE or verdict is None or not _infant(pair):
        return cell
    quoted = (*cell.cited, *pair.cited("infant-plasma-as"))
    return Cell(verdict=verdict, reason=cell.reason, cited=quoted, remark=", an infant")


def _by_titre(pair: Pair, cell: Cell) -> Cell:
    """Every caution and authorise of the table plasma shows the titre (1.4)."""
    if cell.verdict not in MIDDLE:
        return cell
    titre = pair.bag.titre
    verdict = pair.verdict("plasma-high-titre-as") if titre == "high" else None
    said = {"high": "high", "low": "low"}.get(titre or "", "not tested")
    return Cell(
        verdict=verdict or cell.verdict,
        reason="high-titre-plasma" if titre == "high" else "abo-plasma-second-choice",
        cited=(*cell.cited, *(pair.cited("plasma-high-titre-as") if verdict else ())),
        remark=f", titre {said}",
    )


def _once_per_episode(pair: Pair, cell: Cell) -> Cell:
    """Group A plasma for an unknown recipient is authorised once per episode (POL-16)."""
    if pair.who.typed.abo is not None or cell.verdict is not Verdict.AUTHORISE:
        return cell
    if not _authorised_before(pair, "COMP-04"):
        return cell
    remark = f"{cell.remark}, authorised earlier in the episode"
    return Cell(verdict=Verdict.NOTE, reason=cell.reason, cited=cell.cited, remark=remark)


def _authorised_before(pair: Pair, rule: str) -> bool:
    window = pair.pre.policy.row("suspects-after-end", pair.pre.at).span
    return any(
        rule in step.body.rules
        and step.body.owner is not None
        and pair.pre.case.unit_of_step(step.body) not in (None, pair.pre.unit.key)
        and pair.pre.at - window <= step_finished(step) <= pair.pre.at
        for step in pair.pre.case.steps
        if step.body.code is StepCode.AUTHORISE
    )


def _minor(pair: Pair, abo: str, word: str, quoted: tuple[Cited, ...]) -> Cell:
    titre = _titre(pair)
    table = pair.matrix("platelets-minor")
    high = titre.endswith("high-titre")
    low = "low-titre" if titre.endswith("low-titre") else "not-tested"
    return Cell(
        verdict=VERDICTS[table.cell(titre, word)],
        reason=f"high-titre-{abo}-to-non-{abo}" if high else f"minor-mismatch-{low}",
        cited=(*quoted, table.cited(titre, word)),
        remark=f", {titre.replace('-', ' ')}",
    )


def _titre(pair: Pair) -> str:
    """The row of platelets-minor: additive solution counts as low-titre, but not for infants."""
    infant = _infant(pair)
    diluted = pair.bag.additive_solution and not infant
    if pair.bag.titre == "high":
        found = "high-titre"
    elif pair.bag.titre == "low" or diluted:
        found = "low-titre"
    else:
        found = "not-tested"
    if infant:
        return f"infant-{found}"
    unknown = pair.who.typed.abo is None and found == "not-tested"
    return "not-tested-unknown" if unknown else found


def _mixed_pool(pair: Pair) -> tuple[Finding, ...]:
    also = pair.also(cited=pair.cited("cryo-any-abo"))
    text = "A pool of several ABO groups of cryoprecipitate, for an adult."
    say = pair.say("COMP-05")
    return say.failed("cryoprecipitate-mixed-pool", text, verdict=Verdict.CAUTION, also=also)


def _irradiation(pair: Pair) -> tuple[Finding, ...]:
    """Granulocytes must be irradiated; an attestation at issue counts."""
    say, also = pair.say("COMP-09"), pair.also(remedy=Remedy.CALL_LABORATORY)
    attributes = pair.bag.attributes
    attested = pair.bag.issue.body.attested if pair.bag.issue is not None else frozenset[str]()
    met = {"irradiated"}
    if pair.on("pathogen-reduced-counts-as-irradiated"):
        met.add("pathogen-reduced")
    if met & ((attributes or frozenset()) | attested):
        return ()
    if attributes is not None:
        text = "Granulocytes that are not irradiated."
        return overridable(say.failed("irradiation-missing", text, also=also))
    verdict = pair.verdict("granulocyte-irradiation-unknown-as")
    text = "Nobody said whether the granulocytes are irradiated."
    found = say.missing("irradiation-unknown", text, ("irradiated",), verdict=verdict, also=also)
    return overridable(found) if verdict is not None else ()


def _granulocyte_plasma(pair: Pair) -> tuple[Finding, ...]:
    verdict, abo = pair.verdict("granulocyte-plasma-as"), pair.bag.abo
    if verdict is None or abo is None or pair.lists:
        return ()
    table = pair.matrix("plasma")
    if table.cell(pair.who.typed.abo, abo) == Verdict.NO_OBJECTION.word:
        return ()
    text = f"Plasma of group {abo} in granulocytes for a patient of {pair.who.typed.text}."
    also = pair.also(cited=(table.cited(pair.who.typed.abo, abo),))
    say = pair.say("COMP-09")
    return overridable(
        say.failed("granulocyte-plasma-incompatible", text, verdict=verdict, also=also)
    )

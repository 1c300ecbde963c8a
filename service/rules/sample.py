"""Whether the sample behind the unit still serves at the start (rules.md 2.3, ID-30 to ID-40)."""

from calendar import monthrange
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from service.facts.case import step_time
from service.facts.fact import Fact
from service.facts.finding import Cited, Finding
from service.facts.moment import Moment, end_of_day, latest_instant, start_of_day
from service.facts.records import CrossmatchResult, Sample
from service.facts.steps import StepCode
from service.policy.policy import VERDICTS
from service.rules.context import Also, PreStart, PreStartRule, Stating
from service.rules.planned import orders_of, planned_end
from service.rules.recipient import Recipient, free_of_maternal_antibody, known_by, recipient_of
from service.rules.supplied import RED_CELL_BEARING, supplied

BY_PROFILE = ("ID-34", "ID-33", "ID-32", "ID-31", "ID-36")


@dataclass(frozen=True, slots=True, kw_only=True)
class Validity:
    """Until when a sample serves, and by what. until None: too little was said to tell."""

    until: datetime | None
    by: str
    cited: tuple[Cited, ...] = ()


def sample(pre: PreStart) -> tuple[Finding, ...]:
    """ID-30 to ID-39: the sample serves at the start, by the rule that the profile uses.

    In a life-threatening emergency ID-37 takes their place and asks for an authoriser instead.
    """
    if supplied(pre).component not in RED_CELL_BEARING:
        return ()
    used = used_sample(pre)
    who = recipient_of(pre)
    newborn = free_of_maternal_antibody(pre, who)
    validity = _validity(pre, used, who, newborn)
    say = Stating(pre, _speaking(pre, used, newborn))
    also = _also(pre, used, validity)
    unusable = used is not None and not used.body.usable
    if validity.until is not None and pre.at <= validity.until and not unusable:
        text = f"The sample serves until {_local(pre, validity.until)} ({validity.by})."
        return say.passed("sample-valid", text, also=also)
    if pre.emergency:
        return _emergency(pre, validity, also)
    if unusable:
        text = "The laboratory calls the sample unusable."
        return say.failed("sample-unusable", text, also=also)
    if validity.until is None:
        text = "Neither the collection nor an expiry of the sample is known."
        return say.missing("sample-missing", text, ("sample collection",), also=also)
    text = f"The sample served until {_local(pre, validity.until)} ({validity.by})."
    return say.failed("sample-expired", text, also=also)


def crossmatch_expiry(pre: PreStart) -> tuple[Finding, ...]:
    """ID-40: the crossmatch has not expired at the start; later during the unit is a caution.

    Without an expiry of its own the crossmatch goes by its sample.
    """
    dated = _crossmatch(pre)
    until = _expiry(pre, dated.body.valid_until) if dated is not None else None
    if supplied(pre).component not in RED_CELL_BEARING or dated is None or until is None:
        return ()
    say = Stating(pre, "ID-40")
    also = Also(facts=(dated.key, *_check_key(pre)), shown=(("valid until", _local(pre, until)),))
    if pre.at > until:
        text = f"The crossmatch served until {_local(pre, until)}."
        verdict = VERDICTS[Stating(pre, "ID-37").row.on_failure] if pre.emergency else None
        return say.failed("crossmatch-expired", text, verdict=verdict, also=also)
    row = pre.policy.row("crossmatch-expires-during-as", pre.at)
    during, ends = VERDICTS.get(row.words[0]), planned_end(pre)
    if during is not None and ends is not None and ends > until:
        text = f"The crossmatch expires at {_local(pre, until)}, before the unit is through."
        quoted = Also(facts=also.facts, shown=also.shown, cited=(row.cited,))
        return say.failed("crossmatch-expires-during", text, verdict=during, also=quoted)
    return say.passed("crossmatch-valid", "The crossmatch has not expired.", also=also)


def used_sample(pre: PreStart) -> Fact[Sample] | None:
    """The sample behind the unit, or None when it is not known.

    The label's number decides, then the crossmatch, then the order; the newest sample stands in
    only where none of them names one.
    """
    samples = [f for f in pre.case.of(Sample) if known_by(f.body.collected, pre.at, pre.site.zone)]
    named = next((names for names in _named(pre) if names), None)
    if named is not None:
        samples = [fact for fact in samples if not named.isdisjoint(_tokens(fact))]
    return max(samples, key=_collected, default=None)


def _validity(pre: PreStart, used: Fact[Sample] | None, who: Recipient, newborn: bool) -> Validity:
    """The laboratory's own expiry; else 4 months of age; else by age of the sample."""
    if used is None:
        return Validity(until=None, by="no sample")
    told = _expiry(pre, used.body.valid_until)
    if told is not None:
        return Validity(until=told, by="laboratory's expiry")
    if newborn and who.born is not None:
        age = pre.policy.row("infant-age", pre.at)
        until = _after_months(pre, who.born, age.number)
        return Validity(until=until, by="newborn without maternal antibody", cited=(age.cited,))
    return _by_age(pre, used.body.collected)


def _by_age(pre: PreStart, collected: Moment | None) -> Validity:
    spans = [pre.policy.row("sample-validity", pre.at)]
    if not recent_event(pre):
        spans.append(pre.policy.row("sample-validity-extended", pre.at))
        if any(order.body.surgery_on is not None for order in orders_of(pre)):
            spans.append(pre.policy.row("sample-validity-elective", pre.at))
    row = max(spans, key=lambda row: row.span)
    counting = pre.policy.row("sample-validity-rule", pre.at)
    by, quoted = f"{row.value} {row.unit} from collection", (row.cited, counting.cited)
    if counting.words[0] == "day-0":
        day = _day(pre, collected)
        until = None if day is None else end_of_day(day + row.span, pre.site.zone)
        return Validity(until=until, by=f"{by}, the draw day being day 0", cited=quoted)
    drawn = collected.instant if collected is not None else None
    until = None if drawn is None else drawn + row.span
    return Validity(until=until, by=by, cited=quoted)


def recent_event(pre: PreStart) -> bool:
    """Transfused or pregnant lately: said on an order, on our own record, or not ruled out.

    Our own record beats the order (ID-39); unknown counts as yes.
    """
    window = pre.policy.row("recent-event-window", pre.at).span
    if any(
        pre.at - window <= step_time(step) < pre.at
        for step in pre.case.steps
        if step.body.code is StepCode.START and pre.case.unit_of_step(step.body) != pre.unit.key
    ):
        return True
    said = [
        (order.body.recent_transfusion, order.body.recent_pregnancy) for order in orders_of(pre)
    ]
    transfused = {one for one, _ in said}
    pregnant = {other for _, other in said}
    return not (transfused - {None} == {False} and pregnant - {None} == {False})


def _speaking(pre: PreStart, used: Fact[Sample] | None, newborn: bool) -> str:
    """The id of the rule that the profile in force judges a sample by."""
    by_laboratory = used is not None and used.body.valid_until is not None
    if newborn and not by_laboratory:
        return "ID-38"
    if by_laboratory and not pre.policy.rule("ID-35", pre.at).off:
        return "ID-35"
    return next(rule for rule in BY_PROFILE if not pre.policy.rule(rule, pre.at).off)


def _emergency(pre: PreStart, validity: Validity, also: Also) -> tuple[Finding, ...]:
    say = Stating(pre, "ID-37")
    if validity.until is None:
        text = "No sample is known: the path for life-threatening emergencies."
        return say.missing("emergency-without-sample", text, ("sample collection",), also=also)
    text = "The sample no longer serves: the path for life-threatening emergencies."
    return say.failed("emergency-without-sample", text, also=also)


def _also(pre: PreStart, used: Fact[Sample] | None, validity: Validity) -> Also:
    keys = [*(order.key for order in orders_of(pre)), *_check_key(pre)]
    keys += [used.key] if used is not None else []
    regulation = pre.policy.rule("ID-30", pre.at)
    quoted = validity.cited if regulation.off else (*validity.cited, regulation.cited)
    shown = (("valid until", _local(pre, validity.until)),) if validity.until is not None else ()
    return Also(facts=tuple(sorted(keys)), cited=quoted, shown=shown)


def _check_key(pre: PreStart) -> tuple[str, ...]:
    return (pre.check.key,) if pre.check is not None else ()


def _named(pre: PreStart) -> list[frozenset[str]]:
    """Who names a sample, strongest first: label, crossmatch, order."""
    label = pre.check.body.label if pre.check is not None else None
    printed = label.sample_number if label is not None else None
    refs = [fact.body.sample for fact in pre.unit.crossmatches if fact.body.sample is not None]
    ordered = [ref for order in orders_of(pre) for ref in order.body.specimens]
    return [
        frozenset({printed.strip()} if printed is not None else ()),
        frozenset(token for ref in refs for token in ref.tokens),
        frozenset(token for ref in ordered for token in ref.tokens),
    ]


def _tokens(fact: Fact[Sample]) -> frozenset[str]:
    numbers = fact.body.numbers
    return frozenset({fact.resource, *(n.token for n in numbers), *(n.value for n in numbers)})


def _collected(fact: Fact[Sample]) -> tuple[str, str]:
    return (_stamp(fact.body.collected), fact.key)


def _stamp(moment: Moment | None) -> str:
    """A moment as text that sorts by time, the empty text for none."""
    if moment is None:
        return ""
    return moment.instant.isoformat() if moment.instant is not None else moment.text


def _crossmatch(pre: PreStart) -> Fact[CrossmatchResult] | None:
    """The newest crossmatch known by then that states an expiry; of equal times the first to go."""
    dated = [
        fact
        for fact in pre.unit.crossmatches
        if known_by(fact.body.at, pre.at, pre.site.zone)
        and _expiry(pre, fact.body.valid_until) is not None
    ]
    newest = max((_stamp(fact.body.at) for fact in dated), default="")
    latest = [fact for fact in dated if _stamp(fact.body.at) == newest]
    return min(latest, key=lambda f: (_stamp(f.body.valid_until), f.key), default=None)


def _expiry(pre: PreStart, moment: Moment | None) -> datetime | None:
    return latest_instant(moment, pre.site.zone) if moment is not None else None


def _day(pre: PreStart, moment: Moment | None) -> date | None:
    if moment is None or moment.instant is None:
        return moment.day if moment is not None else None
    return moment.instant.astimezone(pre.site.zone).date()


def _after_months(pre: PreStart, born: date, months: Decimal) -> datetime:
    """The beginning of the day on which the child reaches the age."""
    whole = born.month - 1 + int(months)
    year, month = born.year + whole // 12, whole % 12 + 1
    day = min(born.day, monthrange(year, month)[1])
    return start_of_day(date(year, month, day), pre.site.zone)


def _local(pre: PreStart, instant: datetime) -> str:
    return instant.astimezone(pre.site.zone).isoformat(timespec="minutes")


RULES: tuple[PreStartRule, ...] = (sample, crossmatch_expiry)

"""What follows from a suspected reaction (rules.md 6): clearance, resuming, samples, reports."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo

from service.facts.acts import NoticeRaised, NoticeWithdrawn
from service.facts.case import Case, step_finished
from service.facts.finding import Candidate, Finding
from service.facts.steps import StepCode
from service.facts.unit import UnitKey
from service.policy.policy import Policy
from service.rules.context import Also, PreStart, Stating
from service.rules.reaction_categories import AHTR, ALLERGIC, BY_NAME, FEBRILE, WRONG_BLOOD

# -- ACT-10: sister components


def holds_sisters(categories: tuple[str, ...], policy: Policy, instant: datetime) -> bool:
    """True when one of these categories calls for holding the donation's other components."""
    return bool(held_categories(categories, policy, instant))


def held_categories(
    categories: tuple[str, ...], policy: Policy, instant: datetime
) -> tuple[str, ...]:
    """Those of the categories for which other components of the donation are held.

    Haemolysis that wrong blood explains holds nothing: the donation is not at fault.
    """
    words = set(policy.row("hold-sister-components", instant).words)
    if policy.row("hold-sister-severe-allergic", instant).on:
        words.add("severe-allergic")
    explained = WRONG_BLOOD.name in categories
    return tuple(
        name
        for name in categories
        if (BY_NAME[name].held_as or BY_NAME[name].window) in words
        and not (name == AHTR.name and explained)
    )


# -- ACT-20: no other unit while a stop-grade reaction is open

OPENING_GRADES = frozenset({"stop", "reported"})
CLEARING = frozenset({StepCode.CLEARED_TO_TRANSFUSE, StepCode.DISMISS_REACTION})


@dataclass(frozen=True, slots=True, kw_only=True)
class Clearance:
    """Whether the patient may be given another unit, as far as reactions go.

    open: a stop-grade or reported reaction is neither cleared nor dismissed. in_doubt: the
    patient's or a unit's identity is in doubt. suspects: texts of the units that raised it.
    facts: keys of what opened it.
    """

    open: bool
    in_doubt: bool = False
    suspects: frozenset[str] = frozenset()
    facts: tuple[str, ...] = ()

    def forbids(self, unit: UnitKey | None) -> bool:
        """True for any other unit, and for every unit while identity is in doubt."""
        other = unit is None or unit.text not in self.suspects
        return self.open and (self.in_doubt or other)


def clearance(case: Case, at: datetime) -> Clearance:
    """The clearance at an instant, from the notices raised and the steps that answer them."""
    gone = {body.notice for _, body in case.acted(NoticeWithdrawn)}
    cleared = _last(case, at, CLEARING)
    opening = [
        body
        for _, body in case.acted(NoticeRaised)
        if body.grade in OPENING_GRADES
        and body.notice not in gone
        and body.onset <= at
        and (cleared is None or body.onset > cleared)
    ]
    if not opening:
        return Clearance(open=False)
    return Clearance(
        open=True,
        in_doubt=_in_doubt(case, min(body.onset for body in opening), at),
        suspects=frozenset(body.unit for body in opening),
        facts=tuple(sorted({body.origin for body in opening})),
    )


def _last(case: Case, at: datetime, codes: frozenset[StepCode]) -> datetime | None:
    done = (step_finished(step) for step in case.steps if step.body.code in codes)
    return max((when for when in done if when <= at), default=None)


def _in_doubt(case: Case, since: datetime, at: datetime) -> bool:
    """A re-check that did not match or a clerical error, unless the laboratory said otherwise."""
    said = False
    for step in case.steps:
        if not since <= step_finished(step) <= at:
            continue
        if step.body.identity_recheck == "mismatch" or step.body.code is StepCode.CLERICAL_ERROR:
            said = True
        elif step.body.code is StepCode.CLERICAL_OK:
            said = False
    return said


def open_reaction(pre: PreStart) -> tuple[Finding, ...]:
    """ACT-20: another unit needs an authorisation while a stop-grade reaction is open."""
    held = clearance(pre.case, pre.at)
    if not held.forbids(pre.unit.key):
        return ()
    say = Stating(pre, "ACT-20")
    also = Also(facts=held.facts)
    if held.in_doubt:
        text = "A suspected reaction is open and identity is in doubt: no unit until it is cleared."
        return say.failed("identity-in-doubt", text, also=also)
    text = "A suspected reaction is open: no other unit until the laboratory clears the patient."
    return say.failed("reaction-open", text, also=also)


# -- ACT-08, ACT-09: resuming

MILD_CATEGORIES = frozenset({ALLERGIC.name, FEBRILE.name})


@dataclass(frozen=True, slots=True, kw_only=True)
class Resume:
    """Whether a held unit may be resumed: not while ``reasons`` remain.

    deadline: the completion limit as it was; resuming never moves it (ACT-09).
    """

    allowed: bool
    reasons: tuple[str, ...]
    deadline: datetime | None


def resume_allowed(
    candidates: tuple[Candidate, ...],
    *,
    identity_recheck: str | None,
    resolved: bool | None,
    prescriber_decides: bool | None,
    deadline: datetime | None = None,
) -> Resume:
    """Judges resuming (ACT-08). What is not known blocks like what is not met.

    identity_recheck: match, mismatch, not-done. resolved: the signs are gone. prescriber_decides:
    the prescriber decided to resume. deadline: the unit's completion limit.
    """
    reasons = []
    if identity_recheck == "mismatch":
        reasons.append("identity-mismatch")
    elif identity_recheck != "match":
        reasons.append("identity-not-rechecked")
    if not _mild(candidates):
        reasons.append("not-mild")
    if not resolved:
        reasons.append("not-resolved")
    if not prescriber_decides:
        reasons.append("no-prescriber-decision")
    return Resume(allowed=not reasons, reasons=tuple(reasons), deadline=deadline)


def _mild(candidates: tuple[Candidate, ...]) -> bool:
    return bool(candidates) and all(
        one.category in MILD_CATEGORIES and one.severity == "mild" for one in candidates
    )


# -- ACT-06, ACT-07: samples

MILD_SAMPLES = ("edta-sample",)
SAMPLES = (
    "repeat-abo-rhd",
    "direct-antiglobulin-test",
    "visual-haemolysis",
    "antibody-screen",
    "crossmatch",
    "full-blood-count",
    "renal-function",
    "liver-function",
    "coagulation",
    "urine-haemoglobin",
)
CULTURES = ("blood-culture-patient", "culture-unit")


def samples(candidates: tuple[Candidate, ...], *, culture: bool) -> tuple[str, ...]:
    """Suggested samples, owned by the site: more than mild asks for the work-up.

    culture: the temperature is high or has risen far, or there are rigors or shock.
    """
    wanted = MILD_SAMPLES if _mild(candidates) else (*MILD_SAMPLES, *SAMPLES)
    return (*wanted, *CULTURES) if culture else wanted


# -- ACT-12 to ACT-17: reports to authorities and suppliers


@dataclass(frozen=True, slots=True, kw_only=True)
class Duty:
    """A report that somebody owes.

    when: fatal, serious, product-fault, any. within: days after the event, None for as soon as
    possible. where: profiles and regions that ask for it, empty for everywhere. voluntary: owed by
    members only.
    """

    rule: str
    to: str
    what: str
    when: str
    within: timedelta | None = None
    where: frozenset[str] = frozenset()
    voluntary: bool = False
    source: str = ""


PRODUCT = "product-fault"
US = frozenset({"us", "us-nj"})
WEEK = timedelta(days=7)
DUTIES: tuple[Duty, ...] = (
    Duty(
        rule="ACT-12",
        to="national-regulator",
        what="notice of the fatality",
        when="fatal",
        where=US,
        source="S05, S83",
    ),
    Duty(
        rule="ACT-12",
        to="national-regulator",
        what="written report of the investigation",
        when="fatal",
        within=WEEK,
        where=US,
        source="S05, S83",
    ),
    Duty(
        rule="ACT-13",
        to="collecting-establishment",
        what="copy of the investigation report",
        when=PRODUCT,
        source="S06",
    ),
    Duty(
        rule="ACT-14",
        to="national-haemovigilance",
        what="monthly haemovigilance report",
        when="any",
        where=US,
        voluntary=True,
        source="from memory: NHSN",
    ),
    Duty(
        rule="ACT-15",
        to="national-haemovigilance",
        what="serious adverse reaction or event",
        when="serious",
        where=frozenset({"uk"}),
        source="from memory: BSQR 2005 regulation 12B",
    ),
    Duty(
        rule="ACT-16",
        to="state",
        what="serious unexpected reaction",
        when="serious",
        within=WEEK,
        where=frozenset({"us-ny"}),
        source="S11",
    ),
    Duty(
        rule="ACT-17",
        to="supplier",
        what="adverse event attributable to the product; fatalities onward",
        when=PRODUCT,
        where=frozenset({"ca"}),
        source="traqprogram.ca",
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Owed:
    """A duty in one case. ``due``: the last calendar day, None for as soon as possible."""

    duty: Duty
    due: date | None


def duties(
    where: frozenset[str],
    zone: tzinfo,
    *,
    fatal_at: datetime | None = None,
    serious_at: datetime | None = None,
    product_fault: bool = False,
) -> tuple[Owed, ...]:
    """The reports owed for a reaction in a place; days are counted on its calendar.

    where: the site's profile and the regions it lies in, such as ``us`` and ``us-ny``.
    """
    since = {"fatal": fatal_at, "serious": serious_at or fatal_at}
    owed = []
    for duty in DUTIES:
        if duty.where and duty.where.isdisjoint(where):
            continue
        at = since.get(duty.when)
        if at is not None and duty.within is not None:
            owed.append(Owed(duty=duty, due=at.astimezone(zone).date() + duty.within))
        elif at is not None or duty.when == "any" or (duty.when == PRODUCT and product_fault):
            owed.append(Owed(duty=duty, due=None))
    return tuple(owed)

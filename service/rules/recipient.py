"""Who the blood is for: age, sex, weight and group as they were known at an instant."""

from calendar import monthrange
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, datetime, tzinfo
from decimal import Decimal
from functools import cached_property

from service.facts.case import EARLIEST, Case
from service.facts.fact import Fact
from service.facts.moment import Moment
from service.facts.once import once
from service.facts.quantity import Reading, Vital
from service.facts.records import (
    UNRECOGNISED,
    AntibodyResult,
    GroupResult,
    PatientRecord,
    Vitals,
)
from service.facts.unit import Group
from service.policy.policy import Policy, Site
from service.rules.context import PreStart
from service.rules.measurable import OLDEST, is_measurable


@dataclass(frozen=True, slots=True, kw_only=True)
class Typed:
    """The patient's group at an instant.

    abo: O, A, B or AB, None when unknown or discrepant. rhd: positive or negative, None when
    unknown; a weak or partial type counts as negative without the laboratory's transfuse-as type.
    single_sample: the laboratory says that one sample alone carries the group. facts: keys.
    """

    abo: str | None = None
    rhd: str | None = None
    discrepant: bool = False
    single_sample: bool = False
    facts: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        """The group in words, for sentences."""
        if self.discrepant:
            return "discrepant group"
        return "unknown group" if self.abo is None else f"group {self.abo}"


UNTYPED = Typed()


@dataclass(frozen=True, kw_only=True)
class Recipient:
    """The patient at an instant.

    sex: male, female, or None when unknown or contradicted. born: the last day of birth that the
    records allow, so that age is never taken too high; None also for a date nobody living has.
    today: the day in the facility's zone.
    weight: kg. facts: keys of the patient's records.
    """

    typed: Typed
    sex: str | None
    born: date | None
    today: date
    weight: Decimal | None
    facts: tuple[str, ...] = ()

    @property
    def years(self) -> int | None:
        """Completed years of age at the least, None without a birth date."""
        months = self.months
        return None if months is None else months // 12

    @cached_property
    def months(self) -> int | None:
        """Completed months of age at the least, None without a birth date."""
        if self.born is None:
            return None
        whole = (self.today.year - self.born.year) * 12 + self.today.month - self.born.month
        return max(0, whole - (self.today.day < self.born.day))


def known_by(moment: Moment | None, instant: datetime, zone: tzinfo) -> bool:
    """True unless the moment certainly came after the instant."""
    if moment is None:
        return True
    if moment.instant is not None:
        return moment.instant <= instant
    return moment.day is None or moment.day <= instant.astimezone(zone).date()


@once
def recipient_of(pre: PreStart) -> Recipient:
    """The patient at a judgement; a group on the compatibility label must agree with the record."""
    who = recorded(pre)
    label = pre.check.body.label if pre.check is not None else None
    printed = label.patient_group if label is not None else None
    return who if printed is None else replace(who, typed=_agreeing(who.typed, printed))


@once
def recorded(pre: PreStart) -> Recipient:
    """The patient at a judgement, by the records alone."""
    return recipient_at(pre.case, pre.site, pre.at)


def recipient_at(case: Case, site: Site, instant: datetime, *, typed: bool = True) -> Recipient:
    """The patient as the records stood at an instant; typed: with the group, where it is asked."""
    records = _trusted(case.of(PatientRecord), site)
    sexes = {record.body.sex for record in records} - {None}
    today = instant.astimezone(site.zone).date()
    days = [last_day(record.body.birth_date) for record in records]
    return Recipient(
        typed=typed_at(case, site, instant) if typed else UNTYPED,
        sex=sexes.pop() if len(sexes) == 1 else None,
        born=max((day for day in days if day is not None and _is_age(day, today)), default=None),
        today=today,
        weight=_weight(case, site, instant),
        facts=tuple(record.key for record in records),
    )


def is_temporary(record: PatientRecord, site: Site) -> bool:
    """True for the record of an unidentified patient."""
    return bool(record.temporary) or any(
        number.system in site.temporary_systems for number in record.identifiers
    )


def last_day(text: str | None) -> date | None:
    """The last day that a birth date sent as year, month or day allows; None when unreadable."""
    try:
        match len(text or ""):
            case 4:
                return date.fromisoformat(f"{text}-12-31")
            case 7:
                first = date.fromisoformat(f"{text}-01")
                return first.replace(day=monthrange(first.year, first.month)[1])
            case _:
                return date.fromisoformat(text or "")
    except ValueError:
        return None


def _is_age(born: date, today: date) -> bool:
    """True unless nobody can be of that age: a date that stands for *unknown* says none."""
    return born <= today.replace(month=12, day=31) and today.year - born.year <= OLDEST


def is_infant(who: Recipient, policy: Policy, instant: datetime) -> bool:
    """Under the policy's age or weight for infants; only where age or weight shows it."""
    light = policy.row("infant-weight", instant).number
    return is_newborn(who, policy, instant) or (who.weight is not None and who.weight < light)


def is_newborn(who: Recipient, policy: Policy, instant: datetime) -> bool:
    """Under the policy's age for infants, whatever the weight."""
    return who.months is not None and who.months < policy.row("infant-age", instant).number


def can_bear_children(who: Recipient, policy: Policy, instant: datetime) -> bool:
    """A girl or woman up to the policy's age; unknown sex or age counts."""
    if who.sex != "female":
        return who.sex != "male"
    return who.years is None or who.years <= policy.row("childbearing-age", instant).number


def is_young_male(who: Recipient, policy: Policy, instant: datetime) -> bool:
    """A male patient up to the policy's age; unknown age counts."""
    young = who.years is None or who.years <= policy.row("young-male-age", instant).number
    return who.sex == "male" and young


def antibody_results(
    case: Case, site: Site, instant: datetime, *, newborn: bool
) -> tuple[Fact[AntibodyResult], ...]:
    """Antibody results known at an instant; the mother's count for a newborn only."""
    return tuple(
        fact
        for fact in case.of(AntibodyResult)
        if known_by(fact.body.at, instant, site.zone) and (newborn or not fact.body.maternal)
    )


def counts(antigen: str, policy: Policy, instant: datetime) -> bool:
    """True for an antibody on the significance list; every one while the site lists none.

    One that nobody knows by name always counts.
    """
    listed = [word for word in policy.row("antibody-significance", instant).words if word]
    return not listed or antigen in listed or antigen.startswith(UNRECOGNISED)


def free_of_maternal_antibody(pre: PreStart, who: Recipient) -> bool:
    """A newborn whose mother's screen was sent and shows no antibody that counts (ID-38)."""
    if not is_newborn(who, pre.policy, pre.at):
        return False
    sent = antibody_results(pre.case, pre.site, pre.at, newborn=True)
    maternal = [fact.body for fact in sent if fact.body.maternal]
    found = [a.antigen for result in maternal for a in result.antibodies]
    unnamed = any(r.screen in ("positive", UNRECOGNISED) and not r.antibodies for r in maternal)
    significant = unnamed or any(counts(antigen, pre.policy, pre.at) for antigen in found)
    return any(r.screen is not None for r in maternal) and not significant


def typed_at(case: Case, site: Site, instant: datetime) -> Typed:
    """The patient's group by the results known at an instant."""
    return typed_by(f for f in case.of(GroupResult) if known_by(f.body.at, instant, site.zone))


def typed_by(known: Iterable[Fact[GroupResult]]) -> Typed:
    """The patient's group by these results, each with the others."""
    results = sorted(known, key=lambda fact: (_when(fact), fact.key))
    abo, discrepant = _abo([f for f in results if f.body.group.abo or f.body.discrepant])
    rhd = _rhd([fact for fact in results if _rhd_said(fact.body)])
    return Typed(
        abo=abo,
        rhd=None if discrepant and rhd == "positive" else rhd,
        discrepant=discrepant,
        single_sample=_single_sample(fact.body for fact in results if fact.body.group.abo == abo),
        facts=tuple(fact.key for fact in results),
    )


def _abo(said: list[Fact[GroupResult]]) -> tuple[str | None, bool]:
    """The ABO group and whether it is discrepant.

    A later result settles an earlier different one only when the laboratory confirms it, and
    never against another confirmed one.
    """
    if not said:
        return None, False
    newest = [fact.body for fact in said if _when(fact) == _when(said[-1])]
    earlier = [fact.body for fact in said if _when(fact) < _when(said[-1])]
    abo = newest[-1].group.abo
    settled = all(result.confirmed for result in newest)
    against = any(
        (result.group.abo != abo or result.discrepant) and (result.confirmed or not settled)
        for result in earlier
    )
    torn = any(result.discrepant or result.group.abo != abo for result in newest)
    return (None, True) if torn or against else (abo, False)


def _rhd(said: list[Fact[GroupResult]]) -> str | None:
    """The RhD type to transfuse for; contradicting results count as negative."""
    if not said:
        return None
    newest = [fact.body for fact in said if _when(fact) == _when(said[-1])]
    bearing = newest if all(r.confirmed for r in newest) else [fact.body for fact in said]
    types = {_rhd_said(result) for result in bearing}
    return "positive" if types == {"positive"} else "negative"


def _rhd_said(result: GroupResult) -> str | None:
    said = result.rhd_transfuse_as or result.group.rhd
    return said if said in (None, "positive") else "negative"


def _single_sample(agreeing: Iterable[GroupResult]) -> bool:
    said = [result.confirmed for result in agreeing]
    return False in said and True not in said


def _agreeing(typed: Typed, printed: Group) -> Typed:
    if typed.abo is not None and typed.abo != printed.abo:
        typed = replace(typed, abo=None, discrepant=True)
    if None not in (typed.rhd, printed.rhd) and typed.rhd != printed.rhd:
        typed = replace(typed, rhd="negative")
    return typed


def _when(fact: Fact[GroupResult]) -> datetime:
    moment = fact.body.at
    return (moment.instant if moment is not None else None) or EARLIEST


def _trusted(
    records: tuple[Fact[PatientRecord], ...], site: Site
) -> tuple[Fact[PatientRecord], ...]:
    """The records of the identified patient; the temporary ones while there is no other."""
    lasting = tuple(record for record in records if not is_temporary(record.body, site))
    return lasting or records


def _weight(case: Case, site: Site, instant: datetime) -> Decimal | None:
    found = [
        (reading.at.instant or EARLIEST, -reading.value)
        for reading in _weights(case)
        if known_by(reading.at, instant, site.zone)
    ]
    return -max(found)[1] if found else None


@once
def _weights(case: Case) -> tuple[Reading, ...]:
    return tuple(
        reading
        for fact in case.of(Vitals)
        for reading in fact.body.readings
        if reading.vital is Vital.WEIGHT and is_measurable(reading)
    )

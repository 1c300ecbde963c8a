"""VIT-17: what was not measured, cannot be placed in time, or contradicts itself."""

from collections.abc import Iterable
from datetime import datetime, timedelta
from itertools import islice

from service.facts.finding import Finding
from service.facts.quantity import Vital
from service.policy.policy import ADVICE
from service.rules.context import advice_of
from service.rules.monitoring_chart import Lost, conflicts, may_fall_in
from service.rules.monitoring_watched import Watched
from service.rules.monitoring_words import NAMES, by_content, noted, value_text
from service.rules.observed import Read

RULE = "VIT-17"
PRESSURES = frozenset({Vital.SYSTOLIC, Vital.MEAN_PRESSURE})


def missing_observations(watched: Watched) -> Iterable[Finding]:
    """The findings of VIT-17; nothing is ever inferred from what is missing."""
    row = watched.limits.rule(RULE)
    if row.when_missing != "off":
        yield from _incomplete(watched, row.when_missing)
        yield from _coarse(watched, row.when_missing)
    if row.on_failure != "off":
        yield from _contradicting(watched, row.on_failure)


def _incomplete(watched: Watched, word: str) -> Iterable[Finding]:
    """The last set that a clinician took, where it lacks a vital that every set needs."""
    until = _sets_until(watched)
    last = _last_taken(watched, until)
    if last is None:
        return
    reads, lost = _near(watched, last, until)
    near = [read for read in reads if _by_clinician(read)] + lost
    held = {read.reading.vital for read in reads}
    missing = [vital for vital in _required(watched) if not _held(vital, held)]
    if missing:
        yield _finding(
            watched,
            "set-incomplete",
            "The last set of observations is not complete; nothing follows from what is missing.",
            word=_word(watched, word, last),
            missing=tuple(_why(vital, near) for vital in missing),
            facts=tuple(sorted({item.key for item in near})),
        )


def _sets_until(watched: Watched) -> datetime:
    """Sets belong to the unit up to the end observation."""
    ended = watched.running.ended_at
    return watched.end if ended is None else ended + watched.limits.span("end-observation")


def _last_taken(watched: Watched, until: datetime) -> datetime | None:
    """When clinicians last measured, or tried to."""
    start = watched.start
    found = [lost.at for lost in watched.chart.lost if start < lost.at <= until]
    same = until == watched.end
    for vital in watched.chart.reads:
        inside = watched.inside.get(vital, [])
        reads = inside if same else watched.chart.between(vital, start, until)
        found += islice((read.at for read in reversed(reads) if _by_clinician(read)), 1)
    return max(found, default=None)


def _by_clinician(read: Read) -> bool:
    return not read.reading.device and read.reading.vital is not Vital.WEIGHT


def _near(watched: Watched, at: datetime, until: datetime) -> tuple[list[Read], list[Read | Lost]]:
    """What was measured, and what without a number, within the set window of an instant."""
    chart, window = watched.chart, watched.limits.set_window
    after = max(watched.start, at - window - timedelta.resolution)
    until = min(until, at + window)
    reads = [read for vital in chart.reads for read in chart.between(vital, after, until)]
    return reads, [lost for lost in chart.lost if after < lost.at <= until]


def _required(watched: Watched) -> list[Vital]:
    return [Vital(word) for word in watched.limits.words("first-observation-required")]


def _held(vital: Vital, held: set[Vital]) -> bool:
    """True when the set holds a vital; any pressure stands for the systolic one."""
    return vital in held or (vital in PRESSURES and not PRESSURES.isdisjoint(held))


def _why(vital: Vital, near: list[Read | Lost]) -> str:
    for item in near:
        if isinstance(item, Lost) and item.unusable.vital is vital:
            return f"{NAMES[vital]} ({item.unusable.reason})"
    return NAMES[vital]


def _coarse(watched: Watched, word: str) -> Iterable[Finding]:
    site = watched.running.site
    ended = watched.running.ended_at
    until = None if ended is None else watched.end
    keys = {
        key
        for key, text in watched.chart.coarse
        if may_fall_in(text, watched.start, until, site.zone)
    }
    if keys:
        yield _finding(
            watched,
            "time-too-coarse",
            "An observation has no time exact enough to be screened.",
            word=_word(watched, word, watched.start),
            missing=("time of the observation",),
            facts=tuple(sorted(keys)),
        )


def _contradicting(watched: Watched, word: str) -> Iterable[Finding]:
    groups = [
        sorted(group, key=by_content)
        for vital in watched.chart.reads
        for group in conflicts([*watched.baseline.get(vital, ()), *watched.inside.get(vital, ())])
    ]
    if groups:
        groups.sort(key=lambda group: by_content(group[0]))
        yield _finding(
            watched,
            "values-differ",
            "One vital has different values for one moment; the worse one is used.",
            word=_word(watched, word, groups[0][0].at),
            facts=tuple(sorted({read.key for group in groups for read in group})),
            shown=tuple(
                (NAMES[read.reading.vital], value_text(read.reading))
                for group in groups
                for read in group
            ),
        )


def _word(watched: Watched, word: str, at: datetime) -> str | None:
    """The row's word; a note in theatre, in critical care and in an emergency."""
    if word not in ADVICE or watched.masked(at) or watched.running.emergency_at(at):
        return None
    return word


def _finding(
    watched: Watched,
    reason: str,
    text: str,
    *,
    word: str | None,
    missing: tuple[str, ...] = (),
    facts: tuple[str, ...] = (),
    shown: tuple[tuple[str, str], ...] = (),
) -> Finding:
    advice = None if word is None else advice_of(word, ended=watched.ended)
    return Finding(
        rule=RULE,
        reason=reason,
        stage=watched.running.stage,
        text=text,
        verdict=noted(advice),
        advice=advice,
        known=not missing,
        missing=missing,
        unit=watched.unit,
        facts=facts,
        cited=(watched.limits.rule(RULE).cited,),
        shown=shown,
    )

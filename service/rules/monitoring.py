"""VIT-01 to VIT-17: what the readings and signs of a running or ended unit advise."""

from dataclasses import dataclass, replace
from datetime import datetime

from service.facts.finding import Advice, Finding, Stage
from service.facts.quantity import Reading, Vital
from service.policy.policy import ADVICE
from service.rules import monitoring_news
from service.rules.context import advice_of
from service.rules.monitoring_chart import Said
from service.rules.monitoring_missing import missing_observations
from service.rules.monitoring_news import ScoreSet
from service.rules.monitoring_sweep import Hit
from service.rules.monitoring_triggers import NEWS2, TRIGGERS, Trigger
from service.rules.monitoring_watched import Watched
from service.rules.monitoring_words import NAMES, by_content, noted, shown, value_text
from service.rules.observed import Read

Evidence = tuple[Read | Said, ...]
GRADES = {"pause": 1, "stop": 2}


@dataclass(frozen=True, slots=True, kw_only=True)
class Onset:
    """When a trigger of a grade was first met without an answer, and by which fact."""

    grade: str
    at: datetime
    key: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """A trigger's finding. ``onset`` where its row says stop or pause and nothing softens it."""

    trigger: Trigger
    finding: Finding
    at: datetime
    onset: Onset | None = None

    @property
    def weight(self) -> tuple[int, bool]:
        """What decides between two findings of one rule: the advice, then what is known."""
        return (rank(self.finding.advice), self.finding.known)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Firing:
    """One run of a trigger: the hit it rests on, its evidence, and the advice's word.

    word: None for a note.
    """

    hit: Hit
    evidence: Evidence
    word: str | None


def rank(advice: Advice | None) -> int:
    """Advice in order of gravity; a note comes before every advice."""
    return -1 if advice is None else int(advice)


def monitor(watched: Watched) -> tuple[tuple[Finding, ...], Onset | None]:
    """The findings of a unit's vital signs and symptoms, and the onset of the gravest trigger."""
    stated = [*_met(watched), *_left_open(watched), *_scored(watched)]
    findings = [one.finding for one in _one_per_rule(stated)]
    findings += missing_observations(watched)
    findings.sort(key=lambda finding: (finding.rule, finding.reason))
    onsets = [one.onset for one in stated if one.onset is not None]
    gravest = max((GRADES[onset.grade] for onset in onsets), default=0)
    first = min(
        (onset for onset in onsets if GRADES[onset.grade] == gravest),
        key=lambda onset: (onset.at, onset.key),
        default=None,
    )
    return tuple(findings), first


def _met(watched: Watched) -> list[Stated]:
    found = []
    for trigger in TRIGGERS:
        hits = watched.found.hits.get(trigger.reason)
        if hits and not trigger.silent:
            found.extend(_state(watched, trigger, hits))
    return found


def _state(watched: Watched, trigger: Trigger, hits: list[Hit]) -> list[Stated]:
    """The finding of a trigger that was met: its gravest run, of equal ones the latest."""
    row = watched.limits.rule(trigger.rule)
    if row.on_failure == "off":
        return []
    unanswered = [hit for hit in hits if not _answered(watched, hits[0], hit)]
    runs = watched.found.runs(trigger, unanswered or hits, watched.limits.rearm)
    word = (trigger.word or row.on_failure) if unanswered else None
    firings = [_firing(watched, run, word) for run in runs]
    best = firings[0]
    for firing in firings[1:]:
        if _rank_of(watched, trigger, firing) >= _rank_of(watched, trigger, best):
            best = firing
    graded = (firing for firing in firings if firing.word in GRADES)
    return [
        Stated(
            trigger=trigger,
            finding=_finding(watched, trigger, best),
            at=best.hit.at,
            onset=_onset(next(graded, None)),
        )
    ]


def _answered(watched: Watched, first: Hit, hit: Hit) -> bool:
    """True for what the ward has dismissed: all before, and echoes of it for the re-arm time."""
    dismissed = watched.dismissed
    if dismissed is None or hit.at <= dismissed:
        return dismissed is not None
    echo = first.at <= dismissed and not hit.by_signs
    return echo and hit.at <= dismissed + watched.limits.rearm


def _firing(watched: Watched, run: list[Hit], word: str | None) -> _Firing:
    advising = next((hit for hit in run if hit.by_signs or not watched.masked(hit.at)), None)
    hit = advising or run[0]
    evidence = watched.found.evidence(hit)
    if word is None or advising is None:
        return _Firing(hit=hit, evidence=evidence, word=None)
    alone = len(run) == 1 and len(evidence) == 1
    return _Firing(hit=hit, evidence=evidence, word=_softened(watched, hit, word, alone=alone))


def _softened(watched: Watched, hit: Hit, word: str, *, alone: bool) -> str | None:
    """The word of a finding on a single value in a life-threatening emergency; None for a note."""
    if alone and watched.running.emergency_at(hit.at):
        word = watched.limits.words("emergency-single-value-as")[0]
    return word if word in ADVICE else None


def _advice(watched: Watched, trigger: Trigger, word: str | None) -> Advice | None:
    if word is None:
        return None
    if watched.ended and trigger.ended is not None:
        return ADVICE[trigger.ended]
    return advice_of(word, ended=watched.ended)


def _rank_of(watched: Watched, trigger: Trigger, firing: _Firing) -> int:
    return rank(_advice(watched, trigger, firing.word))


def _onset(firing: _Firing | None) -> Onset | None:
    if firing is None or firing.word is None:
        return None
    fresh = [item.key for item in firing.evidence if item.at == firing.hit.at]
    key = min(fresh or [item.key for item in firing.evidence])
    return Onset(grade=firing.word, at=firing.hit.at, key=key)


def _finding(watched: Watched, trigger: Trigger, firing: _Firing) -> Finding:
    vitals = {item.reading.vital for item in firing.evidence if isinstance(item, Read)}
    before = [
        (vital, read)
        for vital in watched.compared
        if vital in vitals
        for read in sorted(watched.compared[vital], key=by_content)
    ]
    keys = {item.key for item in firing.evidence} | {read.key for _, read in before}
    advice = _advice(watched, trigger, firing.word)
    return Finding(
        rule=trigger.rule,
        reason=trigger.reason,
        stage=_stage(watched, firing.hit.at),
        text=trigger.text,
        verdict=noted(advice),
        advice=advice,
        unit=watched.unit,
        facts=tuple(sorted(keys)),
        cited=(watched.limits.rule(trigger.rule).cited, *watched.limits.cite(*trigger.rows)),
        shown=(*shown(firing.evidence), *(_baseline(watched, *pair) for pair in before)),
    )


def _baseline(watched: Watched, vital: Vital, read: Read) -> tuple[str, str]:
    old = ", old" if watched.old(read) else ""
    return (f"baseline {NAMES[vital]}{old}", value_text(read.reading))


def _stage(watched: Watched, at: datetime) -> Stage:
    ended = watched.running.ended_at
    return Stage.RUNNING if ended is None or at <= ended else Stage.ENDED


def _left_open(watched: Watched) -> list[Stated]:
    """Triggers that could not be told at last, and that nothing measured since has settled."""
    found = []
    for trigger in TRIGGERS:
        hits = watched.found.open_hits.get(trigger.reason)
        if not hits or watched.found.measured_after(trigger, hits[-1].at):
            continue
        row = watched.limits.rule(trigger.rule)
        unanswered = [hit for hit in hits if not _answered(watched, hits[0], hit)]
        if row.when_missing != "off" and row.on_failure != "off" and unanswered:
            word = trigger.unsure_word or row.when_missing
            found.append(_unknown(watched, trigger, unanswered[0], word))
    return found


def _unknown(watched: Watched, trigger: Trigger, hit: Hit, word: str) -> Stated:
    masked = watched.masked(hit.at)
    said = None if masked else _softened(watched, hit, word, alone=True)
    firing = _Firing(hit=hit, evidence=watched.found.evidence(hit), word=said)
    finding = replace(
        _finding(watched, trigger, firing),
        text=f"It cannot be told whether {trigger.whether}.",
        known=False,
        missing=_missing(watched, trigger, hit),
    )
    onset = _onset(firing) if said in GRADES else None
    return Stated(trigger=trigger, finding=finding, at=hit.at, onset=onset)


def _missing(watched: Watched, trigger: Trigger, hit: Hit) -> tuple[str, ...]:
    """What would settle it: a baseline, its site, age or weight, or a vital of the set."""
    left_open = watched.found.left_open(hit)
    absent = watched.found.absent_at(hit.at)
    found = [_lack(watched, reading) for reading in left_open]
    found += [NAMES[vital] for vital in trigger.vitals if vital in absent and not left_open]
    return tuple(dict.fromkeys(found))


def _lack(watched: Watched, reading: Reading) -> str:
    """Why a reading leaves a trigger open."""
    vital = reading.vital
    compared = watched.compared.get(vital, ())
    if vital is Vital.OXYGEN_FLOW or (vital is Vital.SATURATION and compared):
        return "oxygen need before the start"
    if not compared:
        return f"baseline {NAMES[vital]}"
    sites = {read.reading.site for read in compared}
    if vital is Vital.TEMPERATURE and reading.site not in sites:
        return "temperature at the site of the baseline"
    return "birth date" if watched.bands.adult is None else "weight"


def _scored(watched: Watched) -> list[Stated]:
    """VIT-16, where the site uses the general early-warning score: its first set, no onset."""
    limits = watched.limits
    row = limits.rule(NEWS2.rule)
    if not limits.on("news2") or row.on_failure == "off":
        return []
    sets = monitoring_news.fired(watched.chart, limits, watched.start, watched.end, watched.years)
    fresh = [one for one in sets if watched.dismissed is None or one.at > watched.dismissed]
    return [_score(watched, one, row.on_failure if fresh else None) for one in (fresh or sets)[:1]]


def _score(watched: Watched, fired: ScoreSet, word: str | None) -> Stated:
    said = None if watched.masked(fired.at) else word
    firing = _Firing(hit=Hit(fired.at, 0, False), evidence=fired.reads, word=said)
    return Stated(trigger=NEWS2, finding=_finding(watched, NEWS2, firing), at=fired.at)


def _one_per_rule(stated: list[Stated]) -> list[Stated]:
    """One finding per rule, the gravest; none where a graver trigger speaks in its place."""
    by_reason = {one.trigger.reason: one.weight for one in stated}
    kept: dict[str, Stated] = {}
    for one in sorted(stated, key=lambda one: (one.at, one.trigger.reason)):
        instead = by_reason.get(one.trigger.unless or "")
        if instead is not None and instead >= one.weight:
            continue
        held = kept.get(one.trigger.rule)
        if held is None or one.weight > held.weight:
            kept[one.trigger.rule] = one
        elif one.weight == held.weight:
            kept[one.trigger.rule] = replace(held, finding=_joined(held.finding, one.finding))
    return list(kept.values())


def _joined(first: Finding, second: Finding) -> Finding:
    return replace(
        first,
        facts=tuple(sorted({*first.facts, *second.facts})),
        missing=tuple(dict.fromkeys((*first.missing, *second.missing))),
        shown=tuple(dict.fromkeys((*first.shown, *second.shown))),
    )

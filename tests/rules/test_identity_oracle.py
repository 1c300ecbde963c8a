"""No wrong patient passes: every combination of band, label, record, order, issue and speech.

The oracle is written from the words of rules.md 2.1 alone ("exact match on every identifier in
profile", [S15][S47][S10]; "whole band against whole label", [S95][S96]; scans [S12][S13]) and
knows nothing of how the rules compare.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any, TypeVar
from unicodedata import normalize

from hypothesis import event, given, settings
from hypothesis import strategies as st

from service.facts.case import Case
from service.facts.finding import Verdict, gravest
from service.facts.identity import Identifier, PersonName, Ref
from service.facts.moment import at
from service.policy.policy import Site
from service.rules import identity
from service.rules.context import PreStart
from tests.support.cases import (
    CHECK_AT,
    CHECKED_AT,
    ISSUED_AT,
    PATIENT,
    PATIENT_SYSTEM,
    SITE,
    STRANGER,
    TEMPORARY_SYSTEM,
    a_band,
    a_case,
    a_label,
    a_patient,
    an_issue,
    an_order,
    pre_start,
)

NATIONAL = "https://harrow-vale.example/id/national"
ROOM = "https://harrow-vale.example/id/room"
WHERE: Site = replace(SITE, identity_systems=(PATIENT_SYSTEM, NATIONAL))
IDENTIFYING = (PATIENT_SYSTEM, NATIONAL, TEMPORARY_SYSTEM)

MINE = {PATIENT_SYSTEM: "0043817", NATIONAL: "N-1", TEMPORARY_SYSTEM: "T-1", ROOM: "12"}
THEIRS = {PATIENT_SYSTEM: "0099102", NATIONAL: "N-2", TEMPORARY_SYSTEM: "T-2", ROOM: "13"}
NAMES = {"family": ("Ashgrove", "Holm"), "given": ("Wren", "Pike")}
BORN = ("1961-04-12", "1961-12-04")

T = TypeVar("T")


def mostly(usual: T, *others: T) -> st.SearchStrategy[T]:
    """The usual value in most draws, so that whole cases are near to right ones."""
    return st.sampled_from([usual] * (4 * len(others)) + list(others))


def spelt(text: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Spellings that are the same, and such as only look the same."""
    looks = text.replace("e", "\u0435")
    return (text.upper(), f" {text} "), (looks, f"\u200b{text}", text[:-1], f"{text}x")


@dataclass(frozen=True, slots=True)
class Read:
    """What stands on the band or on the label."""

    numbers: tuple[Identifier, ...]
    family: str | None
    given: str | None
    born: str | None

    @property
    def name(self) -> PersonName:
        return PersonName(family=self.family, given=self.given)

    def of(self, system: str) -> set[str]:
        return {number.value.strip() for number in self.numbers if number.system == system}

    def identifying(self) -> set[tuple[str, str]]:
        return {(n.system, n.value.strip()) for n in self.numbers if n.system in IDENTIFYING}

    def texts(self) -> dict[str, str]:
        said = {"family": self.family, "given": self.given, "born": self.born}
        return {field: text for field, text in said.items() if text and text.strip()}


@st.composite
def numbers(draw: st.DrawFn, *, usual: tuple[str, ...]) -> tuple[Identifier, ...]:
    found = [Identifier(system, MINE[system]) for system in usual]
    change = draw(mostly("none", "drop", "swap", "more", "shift", "room"))
    if change == "drop":
        found = found[1:]
    if change == "swap" and found:
        found[-1] = Identifier(found[-1].system, THEIRS[found[-1].system])
    if change == "shift" and found:
        found[0] = Identifier(draw(st.sampled_from(sorted(MINE))), found[0].value)
    if change in ("more", "room"):
        system = ROOM if change == "room" else draw(st.sampled_from(sorted(MINE)))
        held = draw(st.sampled_from([MINE, THEIRS]))
        found.append(Identifier(system, held[system]))
    return tuple(dict.fromkeys(found))


@st.composite
def read(draw: st.DrawFn, usual: tuple[str, ...]) -> Read:
    said: dict[str, Any] = {}
    for field, (mine, theirs) in NAMES.items():
        same, looks = spelt(mine)
        said[field] = draw(mostly(mine, *same, *looks, theirs, None, " "))
    said["born"] = draw(mostly(BORN[0], f" {BORN[0]}", BORN[1], "1961-04", "1961", None, None))
    return Read(draw(numbers(usual=usual)), said["family"], said["given"], said["born"])


@dataclass(frozen=True, slots=True)
class World:
    """One check as it may be sent."""

    held: tuple[tuple[str, ...], ...]
    recorded: tuple[str | None, str | None, str | None]
    band: Read
    label: Read | None
    scans: tuple[str, ...]
    order: Ref
    issues: tuple[tuple[Ref, Any, str | None], ...]
    spoken: tuple[str | None, bool, bool]


@st.composite
def worlds(draw: st.DrawFn) -> World:
    held = draw(
        st.sampled_from(
            [
                ((PATIENT_SYSTEM,),),
                ((PATIENT_SYSTEM, NATIONAL),),
                ((PATIENT_SYSTEM,), (NATIONAL,)),
                ((PATIENT_SYSTEM, ROOM),),
                ((NATIONAL,),),
                ((ROOM,),),
                ((),),
            ]
        )
    )
    usual = tuple(s for record in held for s in record if s in IDENTIFYING)
    recorded = (
        draw(mostly("Ashgrove", "ASHGROVE", None)),
        draw(mostly("Wren", None)),
        draw(mostly(BORN[0], None, "1961")),
    )
    band = draw(read(usual))
    values = [number.value for number in band.numbers]
    right = tuple(values[:1])
    wrong = [("0099102",), (*right, "0099102"), (), (f"x{right[0]}",) if right else ("x",)]
    label = draw(mostly(True, False))
    when = [None, ISSUED_AT, CHECK_AT - timedelta(hours=9), CHECKED_AT + timedelta(hours=2)]
    theirs = st.tuples(
        st.just(STRANGER), st.sampled_from(when), st.sampled_from(["issued", "returned", None])
    )
    return World(
        held=held,
        recorded=recorded,
        band=band,
        label=draw(read(usual)) if label else None,
        scans=draw(mostly(right, *wrong)),
        order=draw(mostly(PATIENT, STRANGER)),
        issues=(
            *draw(mostly(((PATIENT, ISSUED_AT, "issued"),), ())),
            *draw(mostly((), *((one,) for one in [draw(theirs)]))),
        ),
        spoken=draw(
            mostly(
                ("matches", False, False),
                ("differs", True, True),
                (None, True, True),
                ("unable", True, True),
                ("unable", True, False),
                ("unable", False, True),
            )
        ),
    )


def as_sent(world: World) -> PreStart:
    """The world as the rules are given it."""
    family, given_name, born = world.recorded
    records = [
        a_patient(
            f"Patient/p{n}",
            identifiers=tuple(Identifier(system, MINE[system]) for system in systems),
            names=(PersonName(family=family, given=given_name),),
            birth_date=born,
        )
        for n, systems in enumerate(world.held)
    ]
    issues = [
        an_issue(f"Basic/i{n}", patient=who, handed_over=when and at(when), status=status)
        for n, (who, when, status) in enumerate(world.issues)
    ]
    spoken, why, by = world.spoken
    band, label = world.band, world.label
    check = {
        "band": a_band(
            scans=world.scans, identifiers=band.numbers, name=band.name, birth_date=band.born
        ),
        "label": label
        and a_label(identifiers=label.numbers, name=label.name, birth_date=label.born),
        "spoken": spoken,
        "spoken_unable": "unconscious" if why else None,
        "confirmed_by": Ref(kind="RelatedPerson", display="A relative") if by else None,
    }
    order = replace(an_order(), subject=world.order)
    case: Case = a_case(
        patient=None, order=order, issue=None, check=check, extra=(*records, *issues)
    )
    return pre_start(case, site=WHERE)


def same(field: str, one: str, other: str) -> bool:
    one, other = (normalize("NFC", text).strip() for text in (one, other))
    if field == "born":
        return one == other and len(one) == len("2000-01-01")
    return one.lower() == other.lower()


def objections(world: World) -> Iterator[str]:
    """Why the catalogue refuses, one word per reason."""
    band, label = world.band, world.label
    record = dict(zip(("family", "given", "born"), world.recorded, strict=True))
    known = {(s, MINE[s]) for systems in world.held for s in systems if s in IDENTIFYING}
    rooms = {MINE[s] for systems in world.held for s in systems if s == ROOM}
    sides = [band, *([label] if label else [])]
    if not known:
        yield "the record does not identify"
    if label is None:
        yield "no label"
    for side in sides:
        if not side.identifying():
            yield "nothing that identifies"
        if side.identifying() - known:
            yield "a number that the record does not hold"
        if rooms and side.of(ROOM) - rooms:
            yield "another room than on record"
        for field, text in side.texts().items():
            held = record[field]
            if held is None or not same(field, text, held):
                yield f"{field} is not the record's"
    if label is not None:
        if not {s for s, _ in band.identifying()} & {s for s, _ in label.identifying()}:
            yield "no number in common"
        for system in MINE:
            if band.of(system) and label.of(system) and band.of(system) != label.of(system):
                yield "numbers differ"
        for field, text in band.texts().items():
            printed = label.texts().get(field)
            if printed is None or not same(field, text, printed):
                yield f"{field} is not the label's"
    carried = set(band.texts()) | ({"number"} if band.identifying() else set())
    if len(carried) < 3 or carried <= {"family", "given"}:
        yield "too few identifiers"
    if not world.scans or any(s not in {n.value for n in band.numbers} for s in world.scans):
        yield "a scan is missing or of something else"
    if world.order is STRANGER:
        yield "another's order"
    yield from _issue(world)
    spoken, why, by = world.spoken
    if spoken != "matches" and not (spoken == "unable" and why and by):
        yield "not spoken"


def _issue(world: World) -> Iterator[str]:
    long_ago = CHECK_AT - timedelta(days=9)
    by_then = [one for one in world.issues if one[1] is None or one[1] <= CHECKED_AT]
    counted = sorted(by_then or world.issues, key=lambda one: one[1] or long_ago)
    if any(who is STRANGER and status != "returned" for who, _, status in counted):
        yield "issued to another"
    if not counted or counted[-1][0] is not PATIENT:
        yield "not issued to this patient"


def refused(pre: PreStart) -> tuple[bool, list[tuple[str, str, tuple[str, ...]]]]:
    """Whether the check is refused, and what was found."""
    found = [finding for rule in identity.RULES for finding in rule(pre)]
    told = [(finding.rule, finding.reason, finding.missing) for finding in found]
    return gravest(found) is Verdict.REFUSE, told


class TestOracle:
    """Refused exactly where the catalogue's words refuse."""

    @settings(max_examples=400, deadline=None)
    @given(worlds())
    def test_refused_if_and_only_if_the_catalogue_says_so(self, world: World) -> None:
        why = sorted(set(objections(world)))
        event(f"{min(len(why), 3)} reasons")
        was, told = refused(as_sent(world))
        assert was == bool(why), (why, told)


@st.composite
def unidentified(draw: st.DrawFn) -> tuple[Read, Read, bool]:
    """A band with a temporary number, the label, and whether the true record is joined."""
    both = draw(st.booleans())
    usual = (TEMPORARY_SYSTEM, PATIENT_SYSTEM) if both and draw(st.booleans()) else ()
    name = draw(st.sampled_from([None, "Unknown"]))
    sides = []
    for _ in range(2):
        held = draw(numbers(usual=usual or (TEMPORARY_SYSTEM,)))
        said = draw(mostly(name, "Ashgrove", "Holm", None))
        born = draw(mostly(None, *BORN))
        sides.append(Read(held, said, None, born))
    return sides[0], sides[1], both


class TestUnidentified:
    """ID-10 [S14][S95][S96]: the label is compared with the band in use, whole against whole,
    never mixing two bands; a merge voids nothing; never milder than authorise."""

    @settings(max_examples=400, deadline=None)
    @given(unidentified())
    def test_refused_if_and_only_if_the_catalogue_says_so(
        self, world: tuple[Read, Read, bool]
    ) -> None:
        band, label, both = world
        known = {(TEMPORARY_SYSTEM, MINE[TEMPORARY_SYSTEM])}
        records = [
            a_patient(
                "Patient/p1",
                identifiers=(Identifier(TEMPORARY_SYSTEM, MINE[TEMPORARY_SYSTEM]),),
                names=(),
                birth_date=None,
            )
        ]
        if both:
            known.add((PATIENT_SYSTEM, MINE[PATIENT_SYSTEM]))
            records.append(a_patient("Patient/p2"))
        scan = tuple(number.value for number in band.numbers[:1])
        check = {
            "band": a_band(
                scans=scan, identifiers=band.numbers, name=band.name, birth_date=band.born
            ),
            "label": a_label(identifiers=label.numbers, name=label.name, birth_date=label.born),
        }
        aliases = frozenset({"Patient/p1", *(f"{system}|{value}" for system, value in known)})
        case = a_case(patient=None, check=check, extra=records, aliases=aliases)
        pre = pre_start(case, site=WHERE)
        temporary = bool(band.of(TEMPORARY_SYSTEM))
        why = [
            *({"another's number"} if (band.identifying() | label.identifying()) - known else ()),
            *({"not the same numbers"} if band.identifying() != label.identifying() else ()),
            *({"not the same texts"} if band.texts() != label.texts() else ()),
            *({"rooms differ"} if band.of(ROOM) != label.of(ROOM) and label.of(ROOM) else ()),
            *({"nothing on the band"} if not band.identifying() else ()),
        ]
        was, told = refused(pre)
        event(f"{min(len(why), 2)} reasons, temporary {temporary}")
        if temporary:
            assert was == bool(why), (why, told)
            assert was or "ID-10" in {rule for rule, _, _ in told}
        else:
            assert was or not why, (why, told)

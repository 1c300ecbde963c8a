"""VOL-01: a number that cannot be right is left out, and said (derived): never a silent pass."""

from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest

from service.facts.finding import Advice, Finding, Stage, Verdict
from service.facts.identity import Ref
from service.facts.steps import StepCode
from service.rules import flow, reaction, timing, volume
from service.rules.recipient import last_day, recipient_at
from service.rules.timing_amounts import amounts
from tests.support.bedside import screened, step, vitals
from tests.support.cases import (
    CHECK_AT,
    SITE,
    START_AT,
    a_case,
    a_running,
    of_rule,
    pre_start,
    some_vitals,
)

ABSURD = ["0", "-5", "1e-30", "1e30"]


def said(**overrides: Any) -> Finding:
    (finding,) = amounts(pre_start(a_case(**overrides)))
    return finding


def watched(*steps: Any, **overrides: Any) -> tuple[Finding, ...]:
    found, _ = timing.watch(a_running(a_case(**({"start": {}} | overrides), extra=steps)))
    return of_rule(found, "VOL-01")


class TestBeforeTheStart:
    """What order, label, issue and first rate say: caution, correct the record."""

    def test_usual_numbers_say_nothing(self) -> None:
        usual: dict[str, Any] = {
            "order": {"rate": Decimal(150)},
            "issue": {"quantity": Decimal(280)},
        }
        assert amounts(pre_start(a_case(start={}, **usual))) == ()

    def test_nor_do_numbers_that_nobody_sent(self) -> None:
        bare: dict[str, Any] = {
            "order": {"quantity": None},
            "unit": {"volume": None},
            "start": {"rate": None},
        }
        assert amounts(pre_start(a_case(**bare))) == ()

    @pytest.mark.parametrize("number", ABSURD)
    @pytest.mark.parametrize(
        ("place", "name", "missing"),
        [
            ("order", "rate", "rate"),
            ("order", "quantity", "quantity"),
            ("unit", "volume", "volume"),
            ("issue", "quantity", "volume"),
            ("start", "rate", "rate"),
        ],
    )
    def test_an_absurd_number_is_a_caution(
        self, place: str, name: str, missing: str, number: str
    ) -> None:
        finding = said(**{place: {name: Decimal(number)}})
        assert (finding.verdict, finding.known) == (Verdict.CAUTION, False)
        assert finding.missing == (missing,)
        assert finding.shown[0][0] == missing

    def test_a_quantity_in_ml_has_bounds_of_its_own(self) -> None:
        order = {"quantity_unit": "mL", "quantity": Decimal(5_000)}
        assert amounts(pre_start(a_case(order=order))) == ()
        assert said(order=order | {"quantity": Decimal("1e15")}).missing == ("quantity",)

    def test_a_weight_that_nobody_has_counts_as_none(self) -> None:
        def weighed(kg: str) -> Any:
            return some_vitals(CHECK_AT - timedelta(hours=1), "Observation/w", {"weight": kg})

        case = a_case(extra=(weighed("-3"),))
        assert recipient_at(case, SITE, CHECK_AT).weight is None
        assert said(extra=(weighed("-3"),)).missing == ("weight",)
        assert amounts(pre_start(a_case(extra=(weighed("3"),)))) == ()
        later = some_vitals(START_AT + timedelta(hours=1), "Observation/w", {"weight": "1e30"})
        assert amounts(pre_start(a_case(extra=(later,)))) == ()

    def test_an_absurd_vital_sign_is_no_weight(self) -> None:
        hot = some_vitals(CHECK_AT - timedelta(hours=1), "Observation/h", {"temperature": "1e30"})
        assert amounts(pre_start(a_case(extra=(hot,)))) == ()

    @pytest.mark.parametrize("number", ["0", "-5", "1e-30"])
    def test_the_first_rate_is_no_slow_start(self, number: str) -> None:
        """TIM-09: it counts as not sent, and is no longer met."""
        (finding,) = of_rule(
            timing.RULES[3](pre_start(a_case(start={"rate": Decimal(number)}))), "TIM-09"
        )
        assert (finding.reason, finding.known) == ("first-rate-not-sent", False)

    @pytest.mark.parametrize("number", ABSURD)
    def test_the_planned_end_is_not_known(self, number: str) -> None:
        places = {"unit": {"volume": Decimal(number)}}, {"order": {"rate": Decimal(number)}}
        for place in places:
            usual: dict[str, Any] = {"order": {"rate": Decimal(150)}}
            found = timing.RULES[1](pre_start(a_case(**(usual | place))))
            assert [f.reason for f in found] == ["planned-end-unknown"]


class TestAfterTheStart:
    """The rates that were set since, and the volumes given."""

    def test_usual_ones_say_nothing(self) -> None:
        changed = step(StepCode.CHANGE_RATE, 20, rate=Decimal(180))
        assert watched(changed, end={}) == ()

    @pytest.mark.parametrize("number", ABSURD)
    def test_an_absurd_rate_is_a_caution_and_not_known(self, number: str) -> None:
        changed = step(StepCode.CHANGE_RATE, 20, rate=Decimal(number))
        (finding,) = watched(changed)
        assert (finding.verdict, finding.missing) == (Verdict.CAUTION, ("rate",))
        assert finding.stage is Stage.RUNNING
        running = a_running(a_case(start={}, extra=(changed,)))
        assert flow.flows(running.unit)[-1].rate is None
        assert flow.predicted_end(running.unit) is None

    def test_the_first_rate_was_told_at_the_start(self) -> None:
        assert watched(start={"rate": Decimal(-1)}) == ()

    @pytest.mark.parametrize("number", ["-1", "1e30"])
    def test_an_absurd_volume_given_is_left_out(self, number: str) -> None:
        (finding,) = watched(end={"volume_given": Decimal(number)})
        assert (finding.missing, finding.stage) == (("volume given",), Stage.ENDED)
        running = a_running(a_case(start={}, end={"volume_given": Decimal(number)}))
        given = flow.given_in_all(running.unit, Decimal(10))
        assert given is not None
        assert given.method == "rates"

    def test_nothing_given_is_a_volume(self) -> None:
        assert watched(end={"volume_given": Decimal(0)}) == ()


class TestVolumes:
    """The formulas answer that they cannot tell, and raise nothing."""

    def test_what_takes_longer_than_a_year_is_not_known(self) -> None:
        assert volume.time_to_give(Decimal(300), Decimal("1e-30")) is None
        assert volume.time_to_give(Decimal("1e15"), Decimal(100)) is None
        assert volume.last_instant(START_AT, Decimal("1e15"), Decimal(1)) is None
        assert volume.expected_end(START_AT, Decimal(300), Decimal("1e-6")) is None

    def test_the_closing_instant_is_never_after_the_limit(self) -> None:
        nearly = Decimal("119.99999999999999999999999999")
        due = START_AT + timedelta(hours=2)
        left = Decimal("240.0000000000000000000000001")
        closes = volume.closing_instant(START_AT, left, nearly, due, Decimal(120))
        assert closes is None or closes <= due
        slow = volume.closing_instant(START_AT, Decimal(240), nearly, due, Decimal(121))
        assert slow is None or slow <= due

    def test_a_dose_is_shown_for_what_can_be_given(self) -> None:
        assert volume.dose_shown(Decimal(0), Decimal(100)) == ()
        assert volume.dose_shown(Decimal(10), Decimal("1e30")) == ()
        assert volume.dose_shown(Decimal(10), Decimal(100))[-1] == ("per kg", "10.0 mL/kg")


class TestBirthDates:
    """Dates that stand for *unknown* say no age, so that nobody is taken for a newborn."""

    @pytest.mark.parametrize(
        ("text", "expected"),
        [
            ("9999-12", date(9999, 12, 31)),
            ("9999", date(9999, 12, 31)),
            ("2024-02", date(2024, 2, 29)),
            ("0001-01-01", date(1, 1, 1)),
            ("0001", date(1, 12, 31)),
            ("", None),
            ("2025-13", None),
        ],
    )
    def test_the_last_day_it_allows(self, text: str, expected: date | None) -> None:
        assert last_day(text) == expected

    @pytest.mark.parametrize("text", ["9999-12", "9999-12-31", "2199", "0001-01-01", "1850", ""])
    def test_no_age_follows_from_it(self, text: str) -> None:
        who = recipient_at(a_case(patient={"birth_date": text}), SITE, START_AT)
        assert (who.born, who.years, who.months) == (None, None, None)

    def test_a_year_that_is_not_over_yet_is_an_age(self) -> None:
        who = recipient_at(a_case(patient={"birth_date": "2025"}), SITE, START_AT)
        assert who.months == 0


class TestVitalSigns:
    """VIT-17: a value that nobody living has is no reading; the set is incomplete, watch."""

    @pytest.mark.parametrize(
        ("values", "name"),
        [
            ({"temp": "1e30"}, "temperature"),
            ({"temp": "-4"}, "temperature"),
            ({"hr": "-1"}, "heart rate"),
            ({"sbp": "1e15"}, "systolic pressure"),
        ],
    )
    def test_it_is_missed(self, values: dict[str, str], name: str) -> None:
        usual: dict[str, Any] = {"temp": "36.8", "hr": "78", "sbp": "124", "rr": "16"}
        screen = screened(vitals(20, **(usual | values)))
        (finding,) = screen.findings
        assert (finding.rule, finding.advice, finding.known) == ("VIT-17", Advice.WATCH, False)
        assert finding.missing == (f"{name} ({reaction_reason()})",)

    def test_a_pressure_that_cannot_be_measured_is_a_reading(self) -> None:
        screen = screened(vitals(20, sbp="0"))
        assert Advice.STOP in {finding.advice for finding in screen.findings}

    def test_a_normal_reading_beside_it_still_counts(self) -> None:
        screen = screened(vitals(20, temp="1e30"), vitals(21, temp="39.5"))
        assert Advice.STOP in {finding.advice for finding in screen.findings}


def reaction_reason() -> str:
    return "The value cannot be right"


class TestSets:
    """TIM-15: a set that only a display names has no key, and so no life."""

    def test_it_is_as_good_as_not_sent(self) -> None:
        shown = Ref(kind="Device", display="the blue one")
        running = a_running(a_case(start={"set": shown}))
        findings, deadlines = timing.watch(running)
        (finding,) = of_rule(findings, "TIM-15")
        assert (finding.reason, finding.missing) == ("set-not-sent", ("set",))
        assert not [d for d in deadlines if d.kind == "set-change"]
        assert reaction.screen(running, ()).grade is None

"""What the blood runs through: PRE-07 to PRE-10 and PRE-17 (rules.md section 3)."""

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest

from service.facts.finding import Finding, Remedy, Verdict
from service.facts.identity import Identifier, Ref
from service.facts.moment import at
from service.facts.records import DeviceRecord, DeviceUse
from service.facts.steps import StepCode
from service.facts.unit import UNDIVIDED, Component, UnitRef
from service.policy.policy import Policy
from service.rules.preparation_line import access, filtered, fluids, machines, own_set
from tests.support.cases import (
    BASELINE_AT,
    CHECK_AT,
    CHECKED_AT,
    END_AT,
    a_case,
    a_step,
    a_unit,
    fact,
    pre_start,
    some_vitals,
)
from tests.support.catalogue import check_cases
from tests.support.policies import profile, with_rows

CHILD: dict[str, Any] = {"birth_date": "2018-06-01"}
SET = Identifier("https://harrow-vale.example/id/set", "SET-1")


def alone(findings: tuple[Finding, ...]) -> Finding:
    (found,) = findings
    return found


def sent(*rules: str) -> Policy:
    """A site that says it sends the data: missing then counts as failed (rules.md section 0)."""
    row = {"site_data": False, "when_missing": "caution"}
    return with_rows(rules=dict.fromkeys(rules, row))


def a_device(device: str, key: str = "Device/d1", **said: Any) -> Any:
    return fact(DeviceRecord(device=device, **said), key, subject=None)


def in_use(key: str = "Device/d1", **said: Any) -> Any:
    kind, _, ident = key.partition("/")
    use = DeviceUse(device=Ref(kind=kind, id=ident), start=at(BASELINE_AT), **said)
    return fact(use, f"DeviceUsage/of-{ident}")


def used(device: str, **said: Any) -> tuple[Any, ...]:
    return (a_device(device, **said), in_use())


class TestFilter:
    """PRE-07: in-line filter 170-200 µm (au, nz), 170-260 µm (ca, us) [S35][S45][S46]."""

    def said(self, size: str | None, policy: Policy | None = None, **facts: Any) -> Finding:
        um = None if size is None else Decimal(size)
        case = a_case(check={"filter_um": um}, **facts)
        return alone(filtered(pre_start(case, policy=policy)))

    @pytest.mark.parametrize(
        ("name", "size", "verdict"),
        [
            ("default", "170", Verdict.NO_OBJECTION),
            ("default", "169", Verdict.CAUTION),
            ("default", "260", Verdict.NO_OBJECTION),
            ("default", "261", Verdict.CAUTION),
            ("nz", "200", Verdict.NO_OBJECTION),
            ("nz", "201", Verdict.CAUTION),
            ("au", "201", Verdict.CAUTION),
        ],
    )
    def test_its_limits(self, name: str, size: str, verdict: Verdict) -> None:
        assert self.said(size, profile(name)).verdict is verdict

    def test_not_sent_is_off_until_the_site_sends_it(self) -> None:
        found = self.said(None)
        assert (found.verdict, found.missing) == (None, ("filter",))
        assert self.said(None, sent("PRE-07")).verdict is Verdict.CAUTION

    def test_the_set_that_is_hung_says_it(self) -> None:
        device = a_device("set", identifiers=(SET,), filter_um=Decimal(300))
        named = Ref(kind="Device", identifier=SET)
        assert self.said(None, start={"set": named}, extra=(device,)).verdict is Verdict.CAUTION

    def test_a_filter_in_use_says_it(self) -> None:
        assert self.said(None, extra=used("filter", filter_um=Decimal(200))).verdict is (
            Verdict.NO_OBJECTION
        )

    def test_a_set_nobody_described_says_nothing(self) -> None:
        named = Ref(kind="Device", identifier=SET)
        assert self.said(None, start={"set": named}).verdict is None

    def test_off_for_syringe_aliquots_filtered_at_issue(self) -> None:
        unit = {"container": "syringe", "attributes": frozenset({"filtered-at-issue"})}
        assert filtered(pre_start(a_case(unit=unit))) == ()
        for other in ({"container": "syringe", "attributes": None}, {"container": None}):
            assert filtered(pre_start(a_case(unit=other))) != ()


class TestFluids:
    """PRE-08: only 0.9 % sodium chloride; fails only for a fluid shown in the same lumen [S34]."""

    def said(self, fluid: str | None, lumen: str | None) -> Finding:
        return alone(fluids(pre_start(a_case(check={"fluid": fluid, "lumen": lumen}))))

    @pytest.mark.parametrize("fluid", ["glucose", "hartmann", "calcium", "medicine", "Plasma-Lyte"])
    @pytest.mark.parametrize("lumen", ["same", "Same lumen"])
    def test_another_fluid_in_the_same_lumen_refuses(self, fluid: str, lumen: str) -> None:
        found = self.said(fluid, lumen)
        assert (found.verdict, found.reason) == (Verdict.REFUSE, "incompatible-fluid")
        assert (found.remedy, found.shown) == (Remedy.CHANGE_LINE, (("fluid", fluid),))

    @pytest.mark.parametrize("lumen", ["same", "other", None])
    def test_saline_is_met_in_any(self, lumen: str | None) -> None:
        assert self.said("sodium-chloride-0.9", lumen).verdict is Verdict.NO_OBJECTION

    def test_another_lumen_is_met(self) -> None:
        assert self.said("glucose", "other").verdict is Verdict.NO_OBJECTION

    @pytest.mark.parametrize(
        ("fluid", "lumen", "missing"),
        [(None, "same", ("fluid",)), ("glucose", None, ("lumen",)), (None, None, ("fluid",))],
    )
    def test_missing_is_off(
        self, fluid: str | None, lumen: str | None, missing: tuple[str, ...]
    ) -> None:
        found = self.said(fluid, lumen)
        assert (found.verdict, found.missing) == (None, missing)

    def test_a_start_without_check_says_nothing(self) -> None:
        found = alone(fluids(pre_start(a_case(check=None, start={}))))
        assert found.verdict is None


class TestAccess:
    """PRE-09: 18-20 G typical for adults; smaller usable for children (common practice)."""

    def said(self, gauge: int | None, policy: Policy | None = None, **facts: Any) -> Finding:
        case = a_case(check={"access_gauge": gauge}, **facts)
        return alone(access(pre_start(case, policy=policy)))

    @pytest.mark.parametrize(
        ("gauge", "patient", "verdict"),
        [
            (18, {}, Verdict.NO_OBJECTION),
            (20, {}, Verdict.NO_OBJECTION),
            (22, {}, Verdict.CAUTION),
            (24, CHILD, Verdict.NO_OBJECTION),
            (26, CHILD, Verdict.CAUTION),
            (22, {"birth_date": None}, Verdict.CAUTION),
        ],
    )
    def test_by_age(self, gauge: int, patient: dict[str, Any], verdict: Verdict) -> None:
        assert self.said(gauge, patient=patient).verdict is verdict

    def test_not_sent_is_off_until_the_site_sends_it(self) -> None:
        assert self.said(None).verdict is None
        assert self.said(None, sent("PRE-09")).verdict is Verdict.CAUTION

    def test_a_start_without_check_says_nothing(self) -> None:
        assert alone(access(pre_start(a_case(check=None, start={})))).verdict is None


class TestMachines:
    """PRE-10: approved for components; warmer at most 41 °C; warm above 50 mL/kg/h in adults and
    15 mL/kg/h in children [S35]."""

    def said(self, *extra: Any, policy: Policy | None = None, **facts: Any) -> Finding:
        return alone(machines(pre_start(a_case(extra=extra, **facts), policy=policy)))

    @pytest.mark.parametrize("device", ["pump", "warmer"])
    def test_approved(self, device: str) -> None:
        assert self.said(*used(device, approved=True)).verdict is Verdict.NO_OBJECTION
        found = self.said(*used(device, approved=False))
        assert (found.verdict, found.reason) == (Verdict.CAUTION, "device-not-approved")

    def test_not_sent_is_off_until_the_site_sends_it(self) -> None:
        assert self.said().verdict is None
        assert self.said(*used("pump")).verdict is None
        assert self.said(*used("pump"), policy=sent("PRE-10")).verdict is Verdict.CAUTION

    @pytest.mark.parametrize(
        ("celsius", "verdict"), [("41", Verdict.NO_OBJECTION), ("41.1", Verdict.CAUTION)]
    )
    def test_the_warmers_limit(self, celsius: str, verdict: Verdict) -> None:
        warm = used("warmer", approved=True, set_temperature=Decimal(celsius))
        assert self.said(*warm).verdict is verdict

    def test_granulocytes_do_not_go_through_a_pump(self) -> None:
        """No pump for granulocytes [S35]."""
        found = self.said(*used("pump", approved=True), component=Component.GRANULOCYTES)
        assert found.reason == "pump-for-granulocytes"
        warm = self.said(*used("warmer", approved=True), component=Component.GRANULOCYTES)
        assert warm.verdict is Verdict.NO_OBJECTION

    @pytest.mark.parametrize(
        ("patient", "rate", "reason"),
        [
            (CHILD, "300", "devices-not-sent"),
            (CHILD, "300.1", "not-warmed"),
            ({}, "1000", "devices-not-sent"),
            ({}, "1000.1", "not-warmed"),
        ],
    )
    def test_a_high_rate_is_warmed(self, patient: dict[str, Any], rate: str, reason: str) -> None:
        weighed = some_vitals(BASELINE_AT, "Observation/w", {"weight": "20"})
        found = self.said(weighed, start={"rate": Decimal(rate)}, patient=patient)
        assert found.reason == reason

    @pytest.mark.parametrize("component", [Component.PLATELETS, Component.PLASMA])
    @pytest.mark.parametrize(("rate", "reason"), [("300", None), ("400", "not-warmed")])
    def test_of_any_component(self, component: Component, rate: str, reason: str | None) -> None:
        """PRE-10 names no component and was read [S35]; the usual 10 to 20 mL/kg/h of VOL-09 is
        from memory, and says how fast, not how cold."""
        weighed = some_vitals(BASELINE_AT, "Observation/w", {"weight": "20"})
        facts = {"start": {"rate": Decimal(rate)}, "patient": CHILD, "component": component}
        found = self.said(weighed, **facts)
        assert found.reason == (reason or "devices-not-sent")

    def test_the_ordered_rate_counts_before_the_start(self) -> None:
        weighed = some_vitals(BASELINE_AT, "Observation/w", {"weight": "20"})
        assert self.said(weighed, order={"rate": Decimal(1200)}).reason == "not-warmed"
        warmed = self.said(weighed, *used("warmer", approved=True), order={"rate": Decimal(1200)})
        assert warmed.verdict is Verdict.NO_OBJECTION

    def test_without_weight_no_rate_is_high(self) -> None:
        assert self.said(start={"rate": Decimal(5000)}).reason == "devices-not-sent"

    def test_only_what_is_in_use_now(self) -> None:
        pump = a_device("pump", approved=False)
        over = in_use(end=at(CHECK_AT))
        assert self.said(pump, over).verdict is None
        still = in_use(end=at(CHECKED_AT + timedelta(hours=1)))
        assert self.said(pump, still).verdict is Verdict.CAUTION
        assert self.said(a_device("set", approved=False), in_use()).verdict is None


class TestPlateletsHaveTheirOwnSet:
    """PRE-17: platelets not through a set used for other components [S17]."""

    NAMED = Ref(kind="Device", identifier=SET)

    def said(self, *extra: Any, policy: Policy | None = None, **start: Any) -> Finding:
        case = a_case(component=Component.PLATELETS, start={"set": self.NAMED} | start, extra=extra)
        (begun,) = [s for s in case.steps if s.key == "Task/start"]
        view = next(u for u in case.units.values() if begun in u.steps)
        return alone(own_set(pre_start(case, unit=view, policy=policy)))

    def other(self, component: Component, when: Any, code: StepCode = StepCode.START) -> Any:
        ref = UnitRef(din="A999925123499", product="E9981", division=UNDIVIDED)
        unit = a_unit("BiologicallyDerivedProduct/o", unit=ref, component=component)
        return unit, a_step(code, "Task/other", when, unit=ref, set=self.NAMED)

    def test_a_fresh_set(self) -> None:
        assert self.said().verdict is Verdict.NO_OBJECTION

    def test_one_that_carried_red_cells(self) -> None:
        found = self.said(*self.other(Component.RED_CELLS, CHECK_AT))
        assert (found.verdict, found.facts) == (Verdict.CAUTION, ("Task/other",))

    def test_one_that_carried_platelets_or_will_carry_plasma_later(self) -> None:
        assert self.said(*self.other(Component.PLATELETS, CHECK_AT)).verdict is (
            Verdict.NO_OBJECTION
        )
        assert self.said(*self.other(Component.PLASMA, END_AT)).verdict is Verdict.NO_OBJECTION

    def test_not_sent_is_off_until_the_site_sends_it(self) -> None:
        assert self.said(set=None).verdict is None
        assert self.said(set=None, policy=sent("PRE-17")).verdict is Verdict.CAUTION

    def test_silent_for_other_components_and_before_a_set_is_named(self) -> None:
        assert own_set(pre_start(a_case(start={"set": self.NAMED}))) == ()
        before = own_set(pre_start(a_case(component=Component.PLATELETS)))
        assert alone(before).verdict is None


class TestTheCatalogue:
    """C-046 of the check cases."""

    @pytest.mark.parametrize(
        "case", [p for p in check_cases("preadmin") if p.values[0]["rule"] == "PRE-08"]
    )
    def test_case(self, case: dict[str, Any]) -> None:
        given = case["given"]
        assert given["co_infusion"] == "sodium chloride 0.9%"
        lumen = "same" if given["same_lumen"] else "other"
        check = {"fluid": "sodium-chloride-0.9", "lumen": lumen}
        found = alone(fluids(pre_start(a_case(check=check))))
        assert found.verdict is not None
        assert found.verdict.word == case["expect"]["verdict"]

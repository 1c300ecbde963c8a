"""The shares and rates: each dated and sourced, every fault told, and drawn as they stand."""

from collections import Counter
from itertools import islice
from pathlib import Path

import pytest

from service.errors import PolicyFault
from service.generate.draws import Draws
from service.generate.people import person
from service.generate.plans import BEGIN, plans
from service.generate.traffic import COMPONENTS, FILE, PER, REACTIONS, load, shipped
from service.policy.files import mappings

SHIPPED = (mappings() / FILE).read_text(encoding="utf-8")
WAYS = ("derived", "from memory", "chosen")


class TestTheFile:
    """Every table has a unit, a day, a source and a sentence."""

    @pytest.mark.parametrize("name", sorted(shipped().tables))
    def test_that_each_table_says_where_it_was_read(self, name: str) -> None:
        table = shipped().tables[name]
        assert table.unit
        assert table.text.endswith(".")
        published = any(mark in table.source for mark in ("PMC", "BMJ", "JAMA", "www.", "abstract"))
        assert published or any(way in table.source for way in WAYS), table.source

    @pytest.mark.parametrize("name", REACTIONS)
    def test_that_reactions_cite_the_published_table(self, name: str) -> None:
        assert "Transfusion 2015;55:709" in shipped().tables[name].source or (
            shipped().tables[name].source == "derived: as plasma"
        )

    def test_that_categories_agree_between_tables(self) -> None:
        named = {frozenset(shipped().of(name)) for name in (*REACTIONS, "severe", "onset")}
        assert len(named) == 1


def written(tmp_path: Path, *changes: tuple[str, str]) -> Path:
    """The shipped file with texts replaced."""
    text = SHIPPED
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    path = tmp_path / "hospital.toml"
    path.write_text(text, encoding="utf-8")
    return path


class TestFaults:
    """All of a file's faults at once, as plain sentences."""

    def test_that_every_fault_is_told(self, tmp_path: Path) -> None:
        path = written(
            tmp_path,
            ("red_cells = 65.1", "red_cells = 60.1"),
            ("night = 28.5", "night = -1"),
            ("[corrected]", "[mistyped]"),
            ('unit = "min"', 'per = "min"'),
        )
        with pytest.raises(PolicyFault) as told:
            load(path)
        text = str(told.value)
        for part in (
            "component: must add up to 100",
            "night: values must be numbers from 0 on",
            "corrected is missing",
            "mistyped is not known",
            "onset: must state",
        ):
            assert part in text

    def test_that_a_component_without_a_share_is_told(self, tmp_path: Path) -> None:
        path = written(tmp_path, ("{ red_cells = 49.3", "{ whole_blood = 49.3"))
        with pytest.raises(PolicyFault, match="female: must name"):
            load(path)

    def test_that_a_table_without_a_source_is_told(self, tmp_path: Path) -> None:
        path = written(tmp_path, ('source = "derived: as plasma"', 'source = ""'))
        with pytest.raises(PolicyFault, match="cryoprecipitate: needs a day and a source"):
            load(path)

    @pytest.mark.parametrize("text", ["not toml", "[component"])
    def test_that_a_broken_file_is_told(self, tmp_path: Path, text: str) -> None:
        path = tmp_path / "hospital.toml"
        path.write_text(text, encoding="utf-8")
        with pytest.raises(PolicyFault, match="cannot be read"):
            load(path)


class TestReactionRates:
    """Per 100,000 units, as published (Harvey, Transfusion 2015;55:709, table 4)."""

    @pytest.mark.parametrize("component", COMPONENTS)
    def test_that_a_category_takes_exactly_its_share_of_the_line(self, component: str) -> None:
        rates = shipped().of(f"reaction.{component}")
        steps = 1_000_000
        found = Counter(
            shipped().reaction(component, (place + 0.5) / steps) for place in range(steps // 50)
        )
        for category, rate in rates.items():
            assert found[category] == pytest.approx(rate * steps / PER, abs=2)

    def test_that_far_most_units_have_none(self) -> None:
        assert shipped().reaction("red_cells", 0.9) is None

    def test_that_platelets_react_about_twice_as_often_as_red_cells(self) -> None:
        sums = {name: sum(shipped().of(f"reaction.{name}").values()) for name in COMPONENTS}
        assert sums["platelets"] > 1.9 * sums["red_cells"]


ORDERS = 4000


@pytest.fixture(scope="module")
def mix() -> Counter[str]:
    """Units by component, of many orders."""
    found: Counter[str] = Counter()
    for plan in islice(plans(5, shipped(), routine=False), ORDERS):
        found[plan.component] += len(plan.units)
    return found


class TestTheMix:
    """What comes out of many orders is what the tables say."""

    @pytest.mark.parametrize("component", COMPONENTS)
    def test_that_components_have_their_shares(self, mix: Counter[str], component: str) -> None:
        share = 100 * mix[component] / mix.total()
        assert share == pytest.approx(shipped().of("component")[component], abs=2.5)

    def test_that_people_have_the_ages_sexes_and_groups_of_the_tables(self) -> None:
        day = BEGIN.date()
        found = [
            person(Draws(3, "person", index), shipped(), index, "red_cells", day)
            for index in range(ORDERS)
        ]
        groups = Counter(one.group for one in found)
        for group, share in shipped().of("group").items():
            assert 100 * groups[group] / ORDERS == pytest.approx(share, abs=2.5)
        female = 100 * sum(one.female for one in found) / ORDERS
        assert female == pytest.approx(shipped().of("female")["red_cells"], abs=2.5)
        years = sum(one.months for one in found) / 12 / ORDERS
        assert years == pytest.approx(62, abs=2), "Wells, BMJ 2002;325:803: 62.7 years"

"""The compatibility tables: total, and equal to what antigens and antibodies imply."""

from itertools import product
from pathlib import Path

import pytest
import yaml

from service.facts.finding import Verdict
from service.policy.files import mappings
from service.policy.load import load, profiles
from service.policy.policy import Matrix
from service.policy.tables import SHAPES
from service.policy.words import milder
from tests.support.policies import profile

PUBLISHED = yaml.safe_load(
    (Path(__file__).parent.parent / "data" / "abo_tables.yaml").read_text(encoding="utf-8")
)
GROUPS = ("O", "A", "B", "AB")
RECIPIENTS = (*GROUPS, "unknown")
ANTIGENS = {"O": set(), "A": {"A"}, "B": {"B"}, "AB": {"A", "B"}}
ANTIBODIES = {group: {"A", "B"} - antigens for group, antigens in ANTIGENS.items()}
PAIRS = list(product(RECIPIENTS, GROUPS))


def table(key: str, name: str = "default") -> Matrix:
    """The newest version of a table in a profile."""
    return profile(name).matrices[key][-1]


def cells_suit(recipient: str, unit: str) -> bool:
    """No antibody of the recipient meets an antigen of the unit; unknown may have both."""
    against = {"A", "B"} if recipient == "unknown" else ANTIBODIES[recipient]
    return not against & ANTIGENS[unit]


def plasma_suits(recipient: str, unit: str) -> bool:
    """No antibody of the unit meets an antigen of the recipient; unknown may have both."""
    antigens = {"A", "B"} if recipient == "unknown" else ANTIGENS[recipient]
    return not ANTIBODIES[unit] & antigens


class TestEveryTableIsTotal:
    @pytest.mark.parametrize("name", profiles(mappings()))
    @pytest.mark.parametrize("key", SHAPES)
    def test_every_recipient_and_unit_has_a_cell(self, name: str, key: str) -> None:
        shape = SHAPES[key]
        assert set(table(key, name).cells) == set(product(shape.recipients, shape.units))

    def test_an_unsaid_recipient_is_the_row_unknown(self) -> None:
        assert table("red-cells").cell(None, "A") == "refuse"
        assert table("red-cells").cited(None, "O").row == "red-cells[unknown, O]"


class TestRedCellsFollowFromAntigensAndAntibodies:
    """O plasma has anti-A and anti-B, A anti-B, B anti-A, AB neither [S18]; table [S23][S29]."""

    @pytest.mark.parametrize(("recipient", "unit"), PAIRS)
    def test_refused_exactly_when_an_antibody_meets_an_antigen(
        self, recipient: str, unit: str
    ) -> None:
        refused = table("red-cells").cell(recipient, unit) == "refuse"
        assert refused is not cells_suit(recipient, unit)

    @pytest.mark.parametrize(("recipient", "unit"), PAIRS)
    def test_a_cell_that_suits_has_no_objection_once_the_group_is_known(
        self, recipient: str, unit: str
    ) -> None:
        if cells_suit(recipient, unit):
            expected = "authorise" if recipient == "unknown" else "no-objection"
            assert table("red-cells").cell(recipient, unit) == expected


class TestPlasmaFollowsFromAntibodiesAndAntigens:
    """[S18]; tables [S25][S24][S28]."""

    @pytest.mark.parametrize("name", profiles(mappings()))
    @pytest.mark.parametrize(("recipient", "unit"), PAIRS)
    def test_no_objection_exactly_when_no_antibody_meets_an_antigen(
        self, recipient: str, unit: str, name: str
    ) -> None:
        free = table("plasma", name).cell(recipient, unit) == "no-objection"
        assert free is plasma_suits(recipient, unit)

    @pytest.mark.parametrize("recipient", ["A", "B", "AB", "unknown"])
    def test_group_o_plasma_is_refused_to_whoever_is_not_group_o(self, recipient: str) -> None:
        assert table("plasma").cell(recipient, "O") == "refuse"

    def test_in_australia_group_a_for_ab_is_a_second_choice(self) -> None:
        """POL-30 [S25][S24]."""
        ours, theirs = table("plasma").cells, table("plasma", "au").cells
        changed = {pair: word for pair, word in theirs.items() if ours[pair] != word}
        assert changed == {("AB", "A"): "caution"}


class TestCryoprecipitate:
    """As plasma, but nothing is refused to adults [S28][S25]; the row cryo-any-abo softens it."""

    @pytest.mark.parametrize(("recipient", "unit"), PAIRS)
    def test_an_objection_exactly_when_an_antibody_meets_an_antigen(
        self, recipient: str, unit: str
    ) -> None:
        word = table("cryoprecipitate").cell(recipient, unit)
        assert (word == "no-objection") is plasma_suits(recipient, unit)
        assert word != "refuse"


class TestPlatelets:
    """Minor mismatch: donor plasma against recipient red cells [S105]; by titre [S26][S24]."""

    @pytest.mark.parametrize(("recipient", "unit"), PAIRS)
    def test_a_minor_mismatch_exactly_when_the_plasma_does_not_suit(
        self, recipient: str, unit: str
    ) -> None:
        word = table("platelets").cell(recipient, unit)
        assert word.startswith("minor") is not plasma_suits(recipient, unit)
        if not plasma_suits(recipient, unit):
            assert word == ("minor-o" if unit == "O" else "minor-ab")

    @pytest.mark.parametrize("group", GROUPS)
    def test_identical_has_no_objection(self, group: str) -> None:
        assert table("platelets").cell(group, group) == "no-objection"

    @pytest.mark.parametrize("name", ["default", "us"])
    @pytest.mark.parametrize("case", ["minor-o", "minor-ab"])
    def test_less_knowledge_and_a_smaller_patient_are_never_milder(
        self, name: str, case: str
    ) -> None:
        cell = table("platelets-minor", name).cell
        for state in ("low-titre", "not-tested"):
            assert not milder(cell(f"infant-{state}", case), than=cell(state, case))
        assert not milder(cell("not-tested-unknown", case), than=cell("not-tested", case))
        assert not milder(cell("not-tested", case), than=cell("low-titre", case))
        assert cell("high-titre", case) == cell("infant-high-titre", case) == "refuse"

    def test_group_o_untested_for_an_unknown_recipient_is_authorised_in_every_profile(self) -> None:
        words = {
            table("platelets-minor", name).cell("not-tested-unknown", "minor-o")
            for name in profiles(mappings())
        }
        assert words == {"authorise"}


class TestWholeBlood:
    """Cells and plasma both: identical, or low-titre O by programme (from memory: AABB 5.15.1)."""

    @pytest.mark.parametrize(("recipient", "unit"), PAIRS)
    def test_without_a_titre_only_the_identical_group_is_not_refused(
        self, recipient: str, unit: str
    ) -> None:
        expected = "no-objection" if recipient == unit else "refuse"
        assert table("whole-blood").cell(recipient, unit) == expected

    @pytest.mark.parametrize("recipient", ["A", "B", "AB", "unknown"])
    def test_low_titre_o_is_authorised(self, recipient: str) -> None:
        assert table("whole-blood").cell(recipient, "O-low-titre") == "authorise"


def minor(name: str, recipient: str, unit: str, titre: str) -> str:
    """The word for platelets after both tables."""
    word = table("platelets", name).cell(recipient, unit)
    if not word.startswith("minor"):
        return word
    unknown = recipient == "unknown" and titre == "not-tested"
    return table("platelets-minor", name).cell("not-tested-unknown" if unknown else titre, word)


class TestCellsAsPublished:
    """Cell by cell against the tables that were read, kept in tests/data/abo_tables.yaml."""

    @pytest.mark.parametrize(
        ("published", "key", "name"),
        [
            ("red_cells", "red-cells", "default"),
            ("plasma", "plasma", "default"),
            ("plasma_au", "plasma", "au"),
            ("cryo_adult", "cryoprecipitate", "default"),
            ("whole_blood_untitred", "whole-blood", "default"),
        ],
    )
    def test_a_plain_table(self, published: str, key: str, name: str) -> None:
        for recipient, row in PUBLISHED[published].items():
            ours = {unit: table(key, name).cell(recipient, unit) for unit in row}
            assert ours == row, recipient

    @pytest.mark.parametrize(
        ("published", "name", "titre"),
        [
            ("platelets_untested", "default", "not-tested"),
            ("platelets_untested_us", "us", "not-tested"),
            ("platelets_low_titre", "default", "low-titre"),
            ("platelets_high_titre", "default", "high-titre"),
            ("platelets_untested_infant", "default", "infant-not-tested"),
            ("platelets_low_titre_infant", "default", "infant-low-titre"),
        ],
    )
    def test_platelets_after_both_tables(self, published: str, name: str, titre: str) -> None:
        for recipient, row in PUBLISHED[published].items():
            ours = {unit: minor(name, recipient, unit, titre) for unit in row}
            assert ours == row, recipient

    def test_low_titre_whole_blood(self) -> None:
        for recipient, row in PUBLISHED["whole_blood_low_titre_O"].items():
            assert table("whole-blood").cell(recipient, "O-low-titre") == row["O"], recipient

    @pytest.mark.parametrize(
        ("published", "key"), [("plasma_infant", "plasma"), ("cryo_infant", "cryoprecipitate")]
    )
    def test_the_infant_row_turns_every_objection_into_its_word(
        self, published: str, key: str
    ) -> None:
        (row,) = profile("default").rows["infant-plasma-as"]
        for recipient, expected in PUBLISHED[published].items():
            words = {unit: table(key).cell(recipient, unit) for unit in expected}
            objections = ("authorise", "caution")
            ours = {u: row.words[0] if w in objections else w for u, w in words.items()}
            assert ours == expected, recipient


def test_every_cell_is_a_verdict_after_the_named_cases() -> None:
    words = {verdict.word for verdict in Verdict}
    policy = load("default", mappings())
    cells = [
        word
        for key, tables in policy.matrices.items()
        for word in tables[-1].cells.values()
        if key != "platelets"
    ]
    assert set(cells) <= words

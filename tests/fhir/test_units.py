"""Amounts by UCUM code: exact factors, and the same answers as an independent library."""

from collections import defaultdict
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from ucumvert import PintUcumRegistry

from service.errors import PolicyFault
from service.facts.quantity import UNIT_OF
from service.fhir.units import load_units, shipped, to_unit

UNITS = shipped()
BY_DIMENSION: dict[str, list[str]] = defaultdict(list)
for _code, _unit in UNITS.items():
    BY_DIMENSION[_unit.dimension].append(_code)
# The reference library reads a code that is only an annotation as something else.
ANNOTATIONS = frozenset({"{unit}", "{score}"})
PAIRS = sorted(
    (code, others[0])
    for others in BY_DIMENSION.values()
    for code in others
    if code not in ANNOTATIONS
)
# The reference takes the conventional millimetre of mercury (133.322387 Pa), UCUM 133.322 Pa.
TOLERANCE = 1e-5

VALUES = st.decimals(min_value=-(10**6), max_value=10**6, places=4)
SAME = st.sampled_from([(a, b) for codes in BY_DIMENSION.values() for a in codes for b in codes])


@pytest.fixture(scope="module")
def reference() -> PintUcumRegistry:
    return PintUcumRegistry()


class TestAgainstAReference:
    """ucumvert, an independently written UCUM library, over every row."""

    @pytest.mark.parametrize(("code", "target"), PAIRS)
    @pytest.mark.parametrize("value", ["1", "37.25", "250"])
    def test_same_answer(
        self, reference: PintUcumRegistry, code: str, target: str, value: str
    ) -> None:
        one, other = reference.from_ucum(code), reference.from_ucum(target)
        expected = reference.Quantity(float(value), one.units).to(other.units).magnitude
        found = to_unit(Decimal(value), code, target)
        assert found is not None
        assert float(found) == pytest.approx(expected, rel=TOLERANCE)

    @pytest.mark.parametrize("code", ["mmHg", "bpm", "mL/hr", "degC", "degF", "cc", "lbs", "F"])
    def test_everyday_spellings_are_no_codes(self, code: str) -> None:
        assert code not in UNITS


class TestExactness:
    """Decimals in, exact decimals out."""

    @pytest.mark.parametrize(
        ("value", "code", "target", "expected"),
        [
            ("98.6", "[degF]", "Cel", "37"),
            ("100.4", "[degF]", "Cel", "38"),
            ("310.15", "K", "Cel", "37.00"),
            ("120", "mm[Hg]", "kPa", "15.99864"),
            ("16", "kPa", "cm[H2O]", "163.1545941"),
            ("84", "{beats}/min", "/min", "84"),
            ("16", "{breaths}/min", "/min", "16"),
            ("2", "L/min", "mL/h", "120000"),
            ("2", "mL/min", "mL/h", "120"),
            ("0.1", "mL/kg/min", "mL/kg/h", "6"),
            ("150", "[lb_av]", "kg", "68.0388555"),
            ("2500", "g", "kg", "2.5"),
            ("0.17", "mm", "um", "170"),
            ("1.5", "h", "min", "90"),
            ("9.5", "g/dL", "g/L", "95"),
            ("20", "10*3/uL", "10*9/L", "20"),
        ],
    )
    def test_known_answers(self, value: str, code: str, target: str, expected: str) -> None:
        found = to_unit(Decimal(value), code, target)
        assert found is not None
        assert found.quantize(Decimal(expected)) == Decimal(expected)

    def test_the_same_unit_keeps_the_places(self) -> None:
        assert str(to_unit(Decimal("37.10"), "Cel", "Cel")) == "37.10"
        assert str(to_unit(Decimal("72.0"), "{beats}/min", "/min")) == "72.0"

    @given(VALUES, SAME)
    def test_there_and_back(self, value: Decimal, codes: tuple[str, str]) -> None:
        there = to_unit(value, codes[0], codes[1])
        assert there is not None
        back = to_unit(there, codes[1], codes[0])
        assert back is not None
        assert abs(back - value) <= Decimal("1E-15")

    @given(VALUES, VALUES, SAME)
    def test_order_is_kept(self, one: Decimal, two: Decimal, codes: tuple[str, str]) -> None:
        first, second = to_unit(one, *codes), to_unit(two, *codes)
        assert first is not None
        assert second is not None
        assert (one < two) == (first < second)


class TestUnknown:
    """A unit that is not listed, or of another kind, gives no number: it is never guessed."""

    @given(VALUES, st.text(max_size=8).filter(lambda code: code not in UNITS))
    def test_an_unlisted_code(self, value: Decimal, code: str) -> None:
        assert to_unit(value, code, "Cel") is None
        assert to_unit(value, "Cel", code) is None

    @pytest.mark.parametrize("code", ["CEL", "cel", "MM[HG]", "Ml/h", " Cel", "{Beats}/min"])
    def test_codes_are_case_sensitive(self, code: str) -> None:
        assert all(to_unit(Decimal(1), code, target) is None for target in UNITS)

    @pytest.mark.parametrize(
        ("code", "target"),
        [("{unit}", "mL"), ("mL", "{unit}"), ("mL", "mL/h"), ("mL/h", "mL/kg/h"), ("%", "/min"),
         ("{unit}", "{score}"), ("Cel", "mm[Hg]"), ("g/L", "mmol/L"), ("[drp]/min", "mL/h")],
    )  # fmt: skip
    def test_another_dimension(self, code: str, target: str) -> None:
        assert to_unit(Decimal(1), code, target) is None

    @pytest.mark.parametrize("value", ["NaN", "Infinity"])
    def test_no_number(self, value: str) -> None:
        assert to_unit(Decimal(value), "Cel", "K") is None

    def test_every_unit_that_the_rules_use_is_there(self) -> None:
        assert set(UNIT_OF.values()) <= set(UNITS)
        assert {"mL", "mL/h", "{unit}", "um", "min"} <= set(UNITS)


class TestTable:
    """The file is read whole, with all its faults at once."""

    def test_every_row_has_a_source(self) -> None:
        assert all(unit.source for unit in UNITS.values())

    def test_all_faults_together(self, tmp_path: Path) -> None:
        row = '[[unit]]\ncode = "{}"\ndimension = "x"\nfactor = "{}"\nsource = "s"\n'
        rows = [("a", "1"), ("a", "2"), ("b", "x"), ("c", "1/0"), ("d", "-1"), ("e", "nan")]
        text = "".join(row.format(*held) for held in rows)
        text += '[[unit]]\ncode = "f"\nfactor = 1\nextra = "y"\n'
        path = tmp_path / "units.toml"
        path.write_text(text, encoding="utf-8")
        with pytest.raises(PolicyFault) as caught:
            load_units(path)
        assert len(caught.value.faults) == 9

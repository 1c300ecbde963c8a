"""Product description codes: only what published examples spell out, and never a guess."""

import tomllib
from pathlib import Path

import pytest

from service.errors import PolicyFault
from service.facts.unit import Component
from service.fhir.products import COLUMNS, FILE, Product, load_products, lookup, shipped

HEADER = ",".join(COLUMNS)


def table(folder: Path, *rows: str, header: str = HEADER) -> Path:
    path = folder / FILE
    path.parent.mkdir(parents=True)
    path.write_text("\n".join(["# a comment", header, *rows]) + "\n", encoding="utf-8")
    return folder


class TestPublishedCodes:
    """HL7's and ICCBBA's own examples, each named in its row."""

    @pytest.mark.parametrize(
        ("code", "component", "attributes"),
        [
            ("E0398", Component.RED_CELLS, {"irradiated", "leukoreduced"}),
            ("E3046", Component.PLATELETS, {"irradiated", "leukoreduced"}),
            ("E7003", Component.PLATELETS, {"leukoreduced"}),
            ("E9754", Component.PLASMA, None),
            ("E4306", Component.RED_CELLS, None),
        ],
    )
    def test_rows(self, code: str, component: Component, attributes: set[str] | None) -> None:
        product = lookup(code)
        assert product is not None
        assert product.component is component
        assert product.attributes == attributes
        assert product.source

    @pytest.mark.parametrize("code", ["E0336", "e0398", "E0398V00", "", "0398"])
    def test_a_code_without_a_row_is_unknown(self, code: str) -> None:
        assert lookup(code) is None

    def test_attributes_are_words_that_orders_use(self) -> None:
        path = Path("mappings/codes/requirements.toml")
        words = set(tomllib.loads(path.read_text(encoding="utf-8"))["words"])
        for product in shipped().values():
            assert (product.attributes or set()) <= words


class TestSiteTable:
    """A site's folder adds and replaces rows; every fault is reported at once."""

    def test_a_later_folder_wins(self, tmp_path: Path) -> None:
        one = table(
            tmp_path / "a", "E0001,plasma,,,x,2026-01-01,s", "E0002,plasma,,,x,2026-01-01,s"
        )
        two = table(tmp_path / "b", "E0002,platelets,none,no,y,2026-01-01,t")
        found = load_products([one, two, tmp_path / "without"])
        assert found["E0001"].component is Component.PLASMA
        assert found["E0002"] == Product(
            code="E0002",
            component=Component.PLATELETS,
            attributes=frozenset(),
            additive_solution=False,
            text="y",
            source="t",
        )

    def test_all_faults_together(self, tmp_path: Path) -> None:
        folder = table(
            tmp_path,
            "E0001,blood,,,x,2026-01-01,s",
            "E0002,plasma,,maybe,x,2026-01-01,s",
            "E0003,plasma,,,x,soon,",
            "E4,plasma,,,x,2026-01-01,s",
            "E0005,plasma,,,x,2026-01-01,s",
            "E0005,plasma,,,x,2026-01-01,s",
            "E0006,plasma,,,x",
            "E0007,plasma,,,x,2026-01-01,s,extra",
        )
        with pytest.raises(PolicyFault) as caught:
            load_products([folder])
        assert len(caught.value.faults) == 8

    def test_other_columns_are_refused(self, tmp_path: Path) -> None:
        folder = table(tmp_path, header="code,component")
        with pytest.raises(PolicyFault, match="columns"):
            load_products([folder])

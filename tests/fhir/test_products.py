"""Product description codes: only what published examples spell out, and never a guess."""

import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from service.cli import main
from service.errors import PolicyFault
from service.facts.unit import Component
from service.fhir.products import COLUMNS, FILE, Product, load_products, shipped
from tests.support import apps, overlays
from tests.support.authoring import resources
from tests.support.bedsides import Bed
from tests.support.worlds import BAG

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
        product = shipped().get(code)
        assert product is not None
        assert product.component is component
        assert product.attributes == attributes
        assert product.source

    @pytest.mark.parametrize("code", ["E0336", "e0398", "E0398V00", "", "0398"])
    def test_a_code_without_a_row_is_unknown(self, code: str) -> None:
        assert shipped().get(code) is None

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

    def test_an_attribute_that_no_order_can_ask_for_is_a_fault(self, tmp_path: Path) -> None:
        folder = table(tmp_path, "E0001,plasma,irradiated iradiated,,x,2026-01-01,s")
        with pytest.raises(PolicyFault, match="'iradiated' is no attribute"):
            load_products([folder], frozenset({"irradiated"}))


ROW = "E0336,red_cells,leukoreduced,yes,Red cells,2026-01-01,the site's own list"


class TestSiteOverlay:
    """The settings' overlay folder may bring products, as it may bring policy rows."""

    @pytest.mark.parametrize("release", apps.RELEASES)
    @pytest.mark.parametrize("rows", [[], [ROW]])
    def test_a_product_of_the_site_is_known(
        self, tmp_path: Path, release: str, rows: list[str]
    ) -> None:
        (tmp_path / "policy").mkdir()
        (tmp_path / "policy" / "site.toml").write_text(overlays.HEADER, encoding="utf-8")
        if rows:
            table(tmp_path, *rows)

        def laid(settings: dict[str, Any]) -> None:
            settings["service"]["overlay"] = str(tmp_path)

        with apps.house(at="2027-06-08T09:05:00+00:00", changed=laid) as house:
            bed = Bed(house=house, release=release, bag=replace(BAG, product="E0336"))
            bed.ready()
            bed.tell(resources.vitals(bed.person, "VS-0", "09:55"))
            told = bed.last(bed.check())
        assert told.word == ("no-objection" if rows else "refuse")

    def test_its_faults_are_told_with_those_of_the_policy(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        (tmp_path / "policy").mkdir()
        (tmp_path / "policy" / "site.toml").write_text(overlays.HEADER, encoding="utf-8")
        table(tmp_path, "E0336,red_cells,iradiated,,x,2026-01-01,the site's own list")
        assert main(["policy", "check", "--overlay", str(tmp_path)]) == 2
        said = capsys.readouterr()
        assert "'iradiated' is no attribute" in said.out + said.err

"""Code maps: every row has its source, every fault is reported at once, nothing is guessed."""

from datetime import date
from pathlib import Path

import pytest

from service.errors import PolicyFault
from service.facts.quantity import Vital
from service.facts.steps import StepCode
from service.facts.unit import Component
from service.fhir.codes import load_codes
from service.fhir.read import r4
from service.fhir.read.inputs import ENUMERATED
from service.fhir.read.laboratory import TESTS
from service.fhir.read.order import READ as ORDER_PARAMETERS
from service.fhir.read.unit import READ as PROPERTIES
from tests.support.reading import OWN, SNOMED, codes

SIGN_WORDS = [
    "chills",
    "rigors",
    "urticaria",
    "pruritus",
    "rash",
    "flushing",
    "localized-angioedema",
    "lip-tongue-uvula-oedema",
    "tongue-larynx-angioedema",
    "periorbital-oedema",
    "conjunctival-oedema",
    "dyspnoea",
    "wheeze",
    "bronchospasm",
    "stridor",
    "cyanosis",
    "respiratory-distress",
    "chest-tightness",
    "cough",
    "back-pain",
    "loin-pain",
    "chest-pain",
    "infusion-site-pain",
    "dark-urine",
    "bleeding",
    "oozing",
    "anxiety",
    "syncope",
    "nausea",
    "vomiting",
    "gut-severe",
    "headache",
    "orthopnoea",
    "hypotension",
    "hypertension",
    "tachycardia",
    "fever",
    "pulmonary-oedema",
    "jaundice",
    "oliguria",
]
# SNOMED CT codes read in the Global Patient Set 20200930 (the free set), section by section.
FREE_SET = frozenset(
    [
        "5447007",
        "116859006",
        "116863004",
        "71493000",
        "425513008",
        "426290002",
        "33389009",
        "180207008",
        "180206004",
        "11397000",
        "45460008",
        "278147001",
        "278148006",
        "278149003",
        "278152006",
        "278150003",
        "278153001",
        "278151004",
        "278154007",
        "58460004",
        "112144000",
        "112149005",
        "165743006",
        "131149001",
        "131150001",
        "267036007",
        "126485001",
        "418290006",
        "418363000",
        "238810007",
        "43724002",
        "38880002",
        "248456009",
        "161891005",
        "279039007",
        "422587007",
        "422400008",
        "29857009",
        "23924001",
        "386661006",
        "45007003",
        "38341003",
        "3424008",
        "56018004",
        "4386001",
        "271825005",
        "389086002",
        "19242006",
        "271807003",
        "49727002",
        "25064002",
        "83128009",
        "18165001",
        "34436003",
    ]
)


class TestTheShippedMaps:
    """Every row: word, since, source (design 7)."""

    def test_words_are_those_that_the_core_knows(self) -> None:
        concepts = codes().concepts
        assert concepts["components"].words == {component.value for component in Component}
        assert concepts["vitals"].words == {vital.value for vital in Vital}
        assert concepts["steps"].words == {step.value for step in StepCode}
        assert concepts["tests"].words == TESTS.keys()
        assert concepts["property-types"].words == PROPERTIES.keys()
        assert concepts["order-parameters"].words == ORDER_PARAMETERS.keys()
        assert ENUMERATED.keys() <= concepts["step-inputs"].words

    def test_every_sign_word_has_a_code_of_our_own(self) -> None:
        held = codes()
        for word in SIGN_WORDS:
            assert held.word("signs", f"{OWN}/CodeSystem/sign", word) == word
        assert set(SIGN_WORDS) <= held.concepts["signs"].words

    def test_no_snomed_code_is_guessed(self) -> None:
        shipped = {
            code
            for concept in codes().concepts.values()
            for system, code in concept.codes
            if system == SNOMED
        }
        assert shipped <= FREE_SET
        assert len(shipped) > 40

    def test_no_licensed_table_ships(self) -> None:
        systems = {sys for c in codes().concepts.values() for sys, _ in c.codes}
        assert not systems & {"http://meddra.org", "http://www.ama-assn.org/go/cpt"}

    def test_every_row_says_since_when_and_from_where(self) -> None:
        for concept in codes().concepts.values():
            assert concept.about
            for row in concept.codes.values():
                assert isinstance(row.since, date)
                assert row.source
                assert row.word in concept.words

    def test_facts_that_no_element_carries_have_one_of_our_own(self) -> None:
        held = codes().elements
        for fact in ("sample-valid-until", "recent-transfusion", "antibody-historical"):
            assert held[fact].url == f"{OWN}/StructureDefinition/{fact}"
        for fact in ("group-confirmed", "emergency-release", "concession", "attested"):
            assert held[fact].url.startswith(OWN)
        assert held["unit-expiry"].r5 == "BiologicallyDerivedProduct.expirationDate"
        assert held["unit-expiry"].r4 == "BiologicallyDerivedProduct.extension"

    def test_the_table_and_the_reading_of_r4_agree(self) -> None:
        held = codes().elements
        crossed = [row for row in held.values() if row.url.startswith(r4.CROSS)]
        assert len(crossed) > 15
        for row in crossed:
            assert row.url == f"{r4.CROSS}{row.r5}"
        assert held["icsr-donation-number"].url == r4.ICSR_DIN

    def test_published_spellings_are_one_system(self) -> None:
        held = codes()
        spellings = (
            "https://www.isbt128.org/uri/ProductDescriptionCode",
            "https://www.isbt128/org/uri/ProductDescriptionCode",
            "https://iccbba.org/standardterminology",
            "http://hl7.org/fhir/biologicallyderived-productcodes",
            "http://terminology.hl7.org/CodeSystem/ib",
        )
        found = {held.system(spelling) for spelling in spellings}
        assert found == {"https://www.isbt128.org/uri/productdescriptioncode"}


ROW = """
[[code]]
system = "s"
code = "c"
display = "d"
word = "yes"
since = 2026-01-01
source = "own code"
"""


class TestLoading:
    """Parse all, report all faults at once."""

    def test_all_faults_of_all_files_are_listed(self, tmp_path: Path) -> None:
        (tmp_path / "answers.toml").write_text(
            'words = ["yes"]\n' + ROW + ROW + ROW.replace('"yes"', '"maybe"')
        )
        (tmp_path / "broken.toml").write_text("words = [")
        (tmp_path / "colours.toml").write_text(
            'words = ["red"]\nshade = 1\n[[code]]\nsystem = "s"\ncode = ""\nword = "red"\nhue = 1\n'
        )
        with pytest.raises(PolicyFault) as raised:
            load_codes(tmp_path)
        told = "\n".join(raised.value.faults)
        assert "answers.toml code 2: ('s', 'c') stands twice" in told
        assert "answers.toml code 3: 'maybe' is no word of answers" in told
        assert "broken.toml" in told
        assert "colours.toml: unknown key 'shade'" in told
        for missing in ("display", "since", "source"):
            assert f"colours.toml code 1: misses '{missing}'" in told
        assert "colours.toml code 1: has unknown 'hue'" in told
        assert "colours.toml code 1: has no text in 'code'" in told

    def test_an_empty_folder_is_a_fault(self, tmp_path: Path) -> None:
        with pytest.raises(PolicyFault):
            load_codes(tmp_path)

    def test_a_site_adds_and_replaces_rows(self, tmp_path: Path) -> None:
        shipped, site = tmp_path / "shipped", tmp_path / "site"
        shipped.mkdir()
        site.mkdir()
        (shipped / "answers.toml").write_text('words = ["yes", "no"]\n' + ROW)
        local = ROW.replace('code = "c"', 'code = "L1"').replace('"yes"', '"no"')
        (site / "answers.toml").write_text(local + ROW.replace('"yes"', '"no"'))
        held = load_codes(shipped, site)
        assert held.word("answers", "s", "L1") == "no"
        assert held.word("answers", "s", "c") == "no"

    def test_a_site_cannot_invent_a_concept_or_a_word(self, tmp_path: Path) -> None:
        shipped, site = tmp_path / "shipped", tmp_path / "site"
        shipped.mkdir()
        site.mkdir()
        (shipped / "answers.toml").write_text('words = ["yes"]\n' + ROW)
        (site / "answers.toml").write_text('words = ["x"]\n' + ROW.replace('"yes"', '"x"'))
        (site / "other.toml").write_text('words = ["yes"]\n' + ROW)
        with pytest.raises(PolicyFault) as raised:
            load_codes(shipped, site)
        assert len(raised.value.faults) == 2

    def test_an_unknown_code_has_no_word(self) -> None:
        assert codes().word("signs", SNOMED, "12345") is None
        assert codes().word("signs", None, None) is None
        assert codes().text_word("polarities", "rather negative") is None

    def test_texts_are_exact_but_for_case_and_spacing(self) -> None:
        assert codes().text_word("polarities", "  NEGATIVE ") == "negative"
        assert codes().text_word("crossmatch-results", "Least  incompatible") == (
            "least-incompatible"
        )

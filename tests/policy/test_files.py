"""The shipped files: they load, every value has a source, every row that rules ask for is there."""

import re
import tomllib
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from time import perf_counter

import pytest

from service.errors import PolicyFault
from service.policy import files
from service.policy.load import load, profiles, sources
from service.policy.policy import NoRow
from service.policy.words import source_fault, source_tags
from tests.support.policies import profile

NOW = datetime(2025, 3, 14, 9, 0, tzinfo=UTC)
NAMES = profiles(files.mappings())


class TestEveryFileLoads:
    def test_the_profiles_are_those_of_the_catalogue(self) -> None:
        assert NAMES == ("au", "ca", "default", "nz", "uk", "us", "us-nj")

    @pytest.mark.parametrize("name", NAMES)
    def test_a_profile_loads_and_is_named(self, name: str) -> None:
        assert load(name, files.mappings()).profile == name

    @pytest.mark.parametrize("name", NAMES)
    def test_a_profile_loads_in_under_50_ms(self, name: str) -> None:
        def once() -> float:
            began = perf_counter()
            load(name, files.mappings())
            return perf_counter() - began

        assert min(once() for _ in range(5)) < 0.050

    def test_a_profile_that_does_not_exist_is_refused_by_name(self) -> None:
        with pytest.raises(PolicyFault, match="no profile 'fr'; there are au, ca, default"):
            load("fr", files.mappings())

    @pytest.mark.parametrize("name", NAMES)
    def test_every_row_is_in_force_for_data_of_2021(self, name: str) -> None:
        policy, instant = profile(name), datetime(2021, 1, 1, tzinfo=UTC)
        assert [policy.row(key, instant).id for key in policy.rows] == list(policy.rows)
        assert [policy.rule(key, instant).id for key in policy.rules] == list(policy.rules)
        assert [policy.matrix(key, instant).id for key in policy.matrices] == list(policy.matrices)


class TestEverySourceResolves:
    @pytest.mark.parametrize("name", NAMES)
    def test_a_source_is_a_known_tag_or_says_that_it_is_unpublished(self, name: str) -> None:
        known = frozenset(sources(files.mappings(), []))
        policy = profile(name)
        stated = [
            *(row for rows in policy.rows.values() for row in rows),
            *(rule for rules in policy.rules.values() for rule in rules),
            *(table for tables in policy.matrices.values() for table in tables),
        ]
        wrong = {row.id: source_fault(row.source, known) for row in stated}
        assert {key: fault for key, fault in wrong.items() if fault} == {}

    @pytest.mark.parametrize(
        ("source", "right"),
        [
            ("S23", True),
            ("S23, S29; derived", True),
            ("common practice, no source", True),
            ("from memory: AABB Standards 5.15.1", True),
            ("derived: the stricter", True),
            ("", False),
            ("S999", False),
            ("from memory:", False),
            ("common practice", False),
            ("S23 and S29", False),
            ("a colleague", False),
        ],
    )
    def test_the_form_of_a_source(self, source: str, right: bool) -> None:
        known = frozenset(sources(files.mappings(), []))
        assert (source_fault(source, known) is None) is right

    def test_every_source_has_a_paraphrase_an_address_and_a_tier(self) -> None:
        faults: list[str] = []
        found = sources(files.mappings(), faults)
        assert faults == []
        assert len(found) == 103
        assert all(len(source.text) >= 10 for source in found.values())
        assert all(source.url.startswith(("http://", "https://")) for source in found.values())

    def test_no_address_is_cited_under_two_tags(self) -> None:
        urls = [source.url for source in sources(files.mappings(), []).values()]
        assert len(set(urls)) == len(urls)

    def test_the_tiers_of_texts_that_the_catalogue_calls_secondary(self) -> None:
        """The FNHTR bands, hypotension bands and sepsis screen rest on secondary text only."""
        found = sources(files.mappings(), [])
        assert {found[tag].tier for tag in ("S63", "S56", "S57", "S67")} == {"secondary"}
        assert found["S23"].tier == "official"
        assert found["S105"].tier == "journal"

    def test_disagreements_between_sources_stand_as_notes(self) -> None:
        noted = " ".join(
            entry.note
            for name in NAMES
            for stated in (profile(name).rows, profile(name).rules, profile(name).matrices)
            for entries in stated.values()
            for entry in entries
        )
        points = {int(number) for number in re.findall(r"POL-(\d\d)", noted)}
        assert points == set(range(1, 37))


class TestEverySentenceIsPlain:
    def test_a_text_is_one_sentence_and_claims_no_safety(self) -> None:
        policy = profile("default")
        texts = [row.text for rows in policy.rows.values() for row in rows]
        texts += [rule.text for rules in policy.rules.values() for rule in rules]
        assert all(text.endswith(".") and "\n" not in text for text in texts)
        assert not [text for text in texts if re.search(r"\bsafe\b", text)]


SEVERITIES = {
    "COMP-01": ("refuse", "refuse"), "COMP-02": ("refuse", "authorise"),
    "COMP-03": ("refuse", "authorise"), "COMP-04": ("refuse", "refuse"),
    "COMP-05": ("refuse", "refuse"), "COMP-06": ("refuse", "refuse"),
    "COMP-07": ("caution", "note"), "COMP-08": ("refuse", "refuse"),
    "COMP-09": ("refuse", "refuse"), "COMP-10": ("refuse", "authorise"),
    "COMP-11": ("stop", "off"), "COMP-12": ("refuse", "authorise"),
    "COMP-13": ("refuse", "authorise"), "COMP-14": ("refuse", "off"),
    "COMP-15": ("authorise", "task"), "COMP-16": ("refuse", "authorise"),
    "ID-01": ("refuse", "refuse"), "ID-02": ("off", "off"), "ID-03": ("refuse", "refuse"),
    "ID-04": ("refuse", "refuse"), "ID-05": ("refuse", "refuse"), "ID-06": ("refuse", "refuse"),
    "ID-07": ("refuse", "refuse"), "ID-08": ("refuse", "off"), "ID-09": ("refuse", "off"),
    "ID-10": ("authorise", "refuse"), "ID-11": ("caution", "off"), "ID-12": ("refuse", "off"),
    "ID-13": ("authorise", "refuse"), "ID-20": ("refuse", "refuse"), "ID-21": ("refuse", "refuse"),
    "ID-22": ("caution", "off"), "ID-23": ("off", "off"), "ID-24": ("off", "off"),
    "ID-25": ("refuse", "off"), "ID-30": ("off", "off"), "ID-31": ("off", "off"),
    "ID-32": ("off", "off"), "ID-33": ("off", "off"), "ID-34": ("off", "off"),
    "ID-35": ("off", "off"), "ID-36": ("refuse", "authorise"), "ID-37": ("authorise", "authorise"),
    "ID-38": ("refuse", "authorise"), "ID-39": ("refuse", "off"), "ID-40": ("refuse", "authorise"),
    "PRE-01": ("refuse", "authorise"), "PRE-02": ("refuse", "authorise"),
    "PRE-03": ("refuse", "authorise"), "PRE-04": ("refuse", "refuse"),
    "PRE-05": ("refuse", "refuse"), "PRE-06": ("refuse", "authorise"),
    "PRE-07": ("caution", "off"), "PRE-08": ("refuse", "off"), "PRE-09": ("caution", "off"),
    "PRE-10": ("caution", "off"), "PRE-11": ("caution", "caution"), "PRE-12": ("caution", "off"),
    "PRE-13": ("note", "off"), "PRE-14": ("caution", "off"), "PRE-15": ("caution", "off"),
    "PRE-16": ("note", "off"), "PRE-17": ("caution", "off"), "PRE-18": ("refuse", "off"),
    "TIM-01": ("discard", "discard"), "TIM-02": ("discard", "off"),
    "TIM-03": ("caution", "caution"), "TIM-04": ("refuse", "caution"),
    "TIM-05": ("caution", "caution"), "TIM-06": ("caution", "caution"),
    "TIM-07": ("caution", "caution"), "TIM-08": ("refuse", "caution"), "TIM-09": ("caution", "off"),
    "TIM-10": ("reminder", "off"), "TIM-11": ("reminder", "reminder"),
    "TIM-12": ("reminder", "reminder"), "TIM-13": ("reminder", "reminder"),
    "TIM-14": ("note", "off"), "TIM-15": ("reminder", "off"), "TIM-16": ("task", "off"),
    "TIM-17": ("reminder", "off"), "TIM-18": ("note", "off"), "TIM-19": ("note", "off"),
    "VIT-01": ("pause", "watch"), "VIT-02": ("watch", "watch"), "VIT-03": ("stop", "watch"),
    "VIT-04": ("stop", "off"), "VIT-05": ("stop", "watch"), "VIT-06": ("pause", "watch"),
    "VIT-07": ("stop", "watch"), "VIT-08": ("stop", "watch"), "VIT-09": ("stop", "watch"),
    "VIT-10": ("stop", "watch"), "VIT-11": ("stop", "pause"), "VIT-12": ("stop", "watch"),
    "VIT-13": ("pause", "off"), "VIT-14": ("stop", "off"), "VIT-15": ("stop", "off"),
    "VIT-16": ("watch", "off"), "VIT-17": ("watch", "watch"),
}  # fmt: skip


class TestTheCatalogueIsCovered:
    """Every rule of the catalogue, sections 1 to 5.1: what failure and missing data give."""

    @pytest.mark.parametrize("rule", SEVERITIES)
    def test_what_a_rule_says(self, rule: str) -> None:
        row = profile("default").rule(rule, NOW)
        assert (row.on_failure, row.when_missing) == SEVERITIES[rule]

    def test_only_identity_group_product_expiry_and_status_refuse_when_missing(self) -> None:
        refusing = {key for key, (_, missing) in SEVERITIES.items() if missing == "refuse"}
        compatibility = {"COMP-01", "COMP-04", "COMP-05", "COMP-06", "COMP-08", "COMP-09"}
        identity = {
            *("ID-01", "ID-03", "ID-04", "ID-05", "ID-06"),
            *("ID-07", "ID-10", "ID-13", "ID-20", "ID-21"),
        }
        assert refusing == compatibility | identity | {"PRE-04", "PRE-05"}

    def test_rules_that_wait_for_a_site_to_send_the_data(self) -> None:
        waiting = {key for key, (row,) in profile("default").rules.items() if row.site_data}
        assert waiting == {
            *("ID-22", "PRE-07", "PRE-09", "PRE-10"),
            *("PRE-13", "PRE-14", "PRE-15", "PRE-16", "PRE-17"),
        }

    def test_what_life_threatening_urgency_softens(self) -> None:
        rules = {key: row for key, (row,) in profile("default").rules.items()}
        noted = {key for key, row in rules.items() if row.in_emergency == "note"}
        silent = {key for key, row in rules.items() if row.in_emergency == "off"}
        assert noted == {
            *("PRE-01", "PRE-11", "PRE-14", "TIM-03"),
            *("TIM-10", "TIM-11", "TIM-12", "TIM-16", "TIM-17"),
        }
        assert silent == {"TIM-09", "ACT-20"}

    def test_urgency_softens_consent_not_on_file_but_not_a_refusal(self) -> None:
        row = profile("default").rule("PRE-02", NOW)
        assert (row.in_emergency, row.missing_in_emergency) == (None, "note")

    def test_every_refusal_carries_a_remedy(self) -> None:
        rules = [row for (row,) in profile("default").rules.values()]
        refusing = [row for row in rules if "refuse" in (row.on_failure, row.when_missing)]
        assert [row.id for row in refusing if row.remedy is None] == []

    def test_what_may_never_be_loosened(self) -> None:
        kept = {key for key, (row,) in profile("default").rules.items() if row.never_loosen}
        assert kept == {
            *("COMP-01", "COMP-08", "COMP-09", "COMP-11"),
            *("ID-01", "ID-04", "ID-05", "ID-06", "ID-12"),
            *("PRE-04", "PRE-05", "PRE-06", "PRE-18"),
        }


NUMBERS = {
    "completion-limit.red_cells": "240 min", "completion-limit.platelets": "240 min",
    "completion-limit.plasma": "240 min", "completion-limit.cryoprecipitate": "240 min",
    "completion-limit.whole_blood": "240 min", "completion-limit.granulocytes": "240 min",
    "completion-warning": "30 min", "start-after-removal": "30 min", "return-window": "30 min",
    "return-temperature": "10 Cel", "slow-start-rate": "200 mL/h", "slow-start-window": "15 min",
    "first-observation": "15 min", "first-observation-early": "5 min",
    "first-observation-late": "5 min", "first-observation-overdue": "20 min",
    "later-observation": "60 min", "later-observation-tolerance": "15 min",
    "end-observation": "60 min", "set-limit": "240 min", "set-unit-limit": "0",
    "next-unit-lead": "30 min", "observation-set-window": "10 min", "baseline-age": "60 min",
    "baseline-fever": "38.0 Cel", "check-life": "10 min", "check-valid": "60 min",
    "no-check-grace": "2 min", "settle": "60 s", "recorded-late": "15 min",
    "second-check-gap": "5 s", "identifiers-minimum": "3", "sample-validity": "72 h",
    "sample-validity-extended": "0 h", "recent-event-window": "90 d", "childbearing-age": "50 a",
    "young-male-age": "18 a", "infant-age": "4 mo", "infant-weight": "12 kg", "fever": "38.0 Cel",
    "fever-rise": "1.0 Cel", "fever-rise-stop": "1.5 Cel", "high-fever": "39.0 Cel",
    "hypotension-drop": "30 mm[Hg]", "hypotension-floor": "80 mm[Hg]",
    "low-pressure": "90 mm[Hg]", "low-pressure-drop": "15 mm[Hg]", "child-drop": "25 %",
    "child-drop-watch": "20 %", "haemolysis-drop": "20 mm[Hg]", "sepsis-heart-rate": "120 /min",
    "sepsis-heart-rate-rise": "20 /min", "sepsis-heart-rate-jump": "40 /min",
    "saturation-floor": "90 %", "saturation-drop": "3 %", "pressure-rise": "30 mm[Hg]",
    "monitor-confirm": "1 min", "monitor-rearm": "15 min", "window.allergic": "4 h",
    "window.febrile": "4 h", "window.hypotensive": "1 h", "window.trali": "6 h",
    "window.taco": "12 h", "window.tad": "24 h", "window.ahtr": "24 h", "window.sepsis": "24 h",
    "window.dhtr": "28 d", "window.ptp": "14 d", "window.gvhd": "42 d", "window.mixed": "6 h",
    "window.respiratory": "24 h", "suspects-after-end": "24 h", "notice-unanswered": "15 min",
    "notice-acknowledge-stop": "10 min", "notice-acknowledge": "30 min",
    "emergency-statement": "24 h", "authorisation-life": "60 min", "waiting-alarm": "15 min",
    "seal-after": "24 h", "warmer-limit": "41 Cel", "filter-min": "170 um", "filter-max": "260 um",
    "access-gauge-max": "20 {gauge}", "retention": "30 a",
}  # fmt: skip
OPTIONS = {
    "later-observations": True, "kell-negative": False, "single-sample-ok": False,
    "cryo-any-abo": False, "low-titre-programme": False, "platelet-rhd-task": True,
    "leukoreduced-counts-as-cmv-safe": False, "pathogen-reduced-counts-as-irradiated": False,
    "news2": False,
}  # fmt: skip
WORDS = {
    "completion-anchor": ("t_out",), "return-by": ("time",), "set-change-as": ("reminder",),
    "next-unit": ("ask",), "checkers": ("two-or-machine",), "sample-validity-rule": ("hours",),
    "taco-edition": ("isbt-2018",), "may-start": (), "antibody-significance": (),
    "band-pattern": ("",),
    "baseline-required": ("temperature", "heart_rate", "systolic", "respiratory_rate"),
    "identifiers-required": ("identifier", "family", "given", "birth-date"),
}  # fmt: skip


class TestTheRowsThatRulesAskFor:
    @pytest.mark.parametrize("key", NUMBERS)
    def test_a_number(self, key: str) -> None:
        number, _, unit = NUMBERS[key].partition(" ")
        row = profile("default").row(key, NOW)
        assert (row.number, row.unit) == (Decimal(number), unit)

    @pytest.mark.parametrize("key", OPTIONS)
    def test_an_option(self, key: str) -> None:
        assert profile("default").row(key, NOW).on is OPTIONS[key]

    @pytest.mark.parametrize("key", WORDS)
    def test_words(self, key: str) -> None:
        assert profile("default").row(key, NOW).words == WORDS[key]

    def test_a_row_that_nobody_states_is_an_error_and_not_a_silence(self) -> None:
        with pytest.raises(NoRow, match=r"window\.unheard-of"):
            profile("default").row("window.unheard-of", NOW)

    def test_before_the_first_day_the_first_row_stands_in(self) -> None:
        """A record from before any row was stated is judged by the first one, never passed over."""
        row = profile("default").row("fever", datetime(2019, 12, 31, tzinfo=UTC))

        assert row.since.isoformat() == "2020-01-01"

    def test_a_value_is_not_read_as_another_kind(self) -> None:
        row = profile("default").row
        with pytest.raises(TypeError, match="policy row news2 holds no number"):
            _ = row("news2", NOW).number
        with pytest.raises(TypeError, match="policy row fever is no option"):
            _ = row("fever", NOW).on

    @pytest.mark.parametrize(
        ("key", "span"),
        [
            ("settle", timedelta(seconds=60)),
            ("return-window", timedelta(minutes=30)),
            ("sample-validity", timedelta(hours=72)),
            ("window.dhtr", timedelta(days=28)),
        ],
    )
    def test_a_time_is_a_span(self, key: str, span: timedelta) -> None:
        assert profile("default").row(key, NOW).span == span


class TestNoRuleAsksForWhatNobodyStates:
    """A missing row would stop a judgement at the bedside; it shall stop the tests instead."""

    @pytest.mark.parametrize(
        ("asking", "stated"),
        [
            (r"""\.row\(\s*"([^"{}]+)\"""", "rows"),
            (r"""(?:\.rule|Stating)\((?:\w+,\s*)?"([A-Z]+-\d+)\"""", "rules"),
            (r"""\.matrix\(\s*"([^"{}]+)\"""", "matrices"),
        ],
    )
    def test_every_name_in_the_code_is_stated(self, asking: str, stated: str) -> None:
        asked = {
            key
            for file in files.PACKAGE.rglob("*.py")
            for key in re.findall(asking, file.read_text(encoding="utf-8"))
        }
        assert asked <= set(getattr(profile("default"), stated))


DIFFERENCES = [
    ("uk", "fever-rise-stop", "2.0 Cel"), ("uk", "later-observations", "False"),
    ("uk", "set-limit", "720 min"), ("uk", "sample-validity-extended", "168 h"),
    ("us", "identifiers-minimum", "2"), ("us", "return-by", "temperature"),
    ("us", "sample-validity-rule", "day-0"), ("us", "sample-validity", "3 d"),
    ("us-nj", "checkers", "two"), ("us-nj", "return-by", "temperature"),
    ("nz", "sample-validity-extended", "168 h"), ("nz", "sample-validity-elective", "504 h"),
    ("nz", "platelets-within", "60 min"), ("nz", "later-observation", "30 min"),
    ("nz", "filter-max", "200 um"), ("au", "sample-validity-rule", "lab-expiry"),
    ("au", "filter-max", "200 um"), ("au", "set-limit", "720 min"),
    ("ca", "return-window", "60 min"),
    ("ca", "slow-start-rate", "50 mL/h"), ("ca", "set-unit-limit", "4"),
    ("ca", "set-change-as", "caution"), ("au", "fever-rise-stop", "1.5 Cel"),
    ("us", "fever-rise-stop", "1.5 Cel"),
]  # fmt: skip


class TestProfilesSayWhatTheirSourcesSay:
    @pytest.mark.parametrize(("name", "key", "shown"), DIFFERENCES)
    def test_a_value(self, name: str, key: str, shown: str) -> None:
        assert profile(name).row(key, NOW).cited.value == shown

    def test_consent_not_on_file_is_a_caution_in_the_united_kingdom(self) -> None:
        """POL-25."""
        assert profile("uk").rule("PRE-02", NOW).when_missing == "caution"
        assert profile("uk").rule("PRE-02", NOW).on_failure == "refuse"

    @pytest.mark.parametrize("name", NAMES)
    def test_exactly_one_rule_says_who_must_check(self, name: str) -> None:
        """ID-20, or ID-23 in the United Kingdom, or ID-24 in New Jersey."""
        used = [key for key in ("ID-20", "ID-23", "ID-24") if not profile(name).rule(key, NOW).off]
        assert used == [{"uk": "ID-23", "us-nj": "ID-24"}.get(name, "ID-20")]

    @pytest.mark.parametrize("name", NAMES)
    def test_exactly_one_rule_counts_identifiers(self, name: str) -> None:
        """ID-02 in the United Kingdom, New Zealand and Australia, else ID-03 (POL-04)."""
        used = [key for key in ("ID-02", "ID-03") if not profile(name).rule(key, NOW).off]
        assert used == ["ID-02" if name in ("uk", "nz", "au") else "ID-03"]

    @pytest.mark.parametrize("name", NAMES)
    def test_the_sample_rule_of_a_jurisdiction(self, name: str) -> None:
        """ID-31 to ID-35; ID-36 stands for what they lack."""
        used = [f"ID-{n}" for n in range(31, 37) if not profile(name).rule(f"ID-{n}", NOW).off]
        own = {"us": "ID-31", "us-nj": "ID-31", "uk": "ID-32", "nz": "ID-34", "au": "ID-35"}
        assert used == [*([own[name]] if name in own else []), "ID-36"]

    @pytest.mark.parametrize("name", NAMES)
    def test_the_set_change_word_is_the_same_in_row_and_rule(self, name: str) -> None:
        policy = profile(name)
        assert policy.row("set-change-as", NOW).words == (policy.rule("TIM-15", NOW).on_failure,)

    @pytest.mark.parametrize("name", [name for name in NAMES if name != "default"])
    def test_a_profile_states_only_what_differs(self, name: str) -> None:
        """A value equal to the one below it says nothing but that this source agrees."""
        document = tomllib.loads((files.mappings() / "policy" / f"{name}.toml").read_text())
        below = profile(document["file"].get("on", "default"))
        agreeing = [
            entry["id"]
            for entry in document["row"]
            if below.row(entry["id"], NOW).value == profile(name).row(entry["id"], NOW).value
        ]
        assert set(agreeing) <= {"sample-validity", "set-limit"}


class TestWhereTheMappingsAre:
    def test_in_a_checkout_beside_the_package(self) -> None:
        assert files.mappings() == files.PACKAGE.parent / "mappings"

    def test_in_an_installed_wheel_inside_the_package(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        inside = tmp_path / "service" / "data" / "mappings"
        (inside / "policy").mkdir(parents=True)
        (inside / "policy" / "default.toml").touch()
        monkeypatch.setattr(files, "PACKAGE", tmp_path / "service")
        assert files.mappings() == inside

    def test_nowhere_is_said_plainly(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(files, "PACKAGE", tmp_path / "service")
        with pytest.raises(FileNotFoundError, match="mappings folder"):
            files.mappings()


def test_a_row_shows_its_tags_in_order() -> None:
    assert source_tags("S23, S29; derived; S02") == ("S23", "S29", "S02")


def test_the_default_was_adopted_before_the_data_it_judges() -> None:
    (row,) = profile("default").rows["fever"]
    assert row.since == date(2020, 1, 1)

"""The digest of a policy, what two policies say differently, and faults in a whole folder."""

import shutil
from datetime import date
from pathlib import Path

import pytest

from service.errors import PolicyFault
from service.policy.difference import difference, rule_words
from service.policy.files import mappings
from service.policy.load import load, profiles
from tests.support.overlays import load_with, row_entry, rule_entry
from tests.support.policies import profile


@pytest.fixture
def copied(tmp_path: Path) -> Path:
    """A copy of the shipped mappings that a test may spoil."""
    shutil.copytree(mappings(), tmp_path / "mappings")
    return tmp_path / "mappings"


def edit(file: Path, old: str, new: str) -> None:
    """Replace a text that must be there."""
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new, 1), encoding="utf-8")


class TestTheDigest:
    def test_the_same_files_give_the_same_digest(self) -> None:
        assert load("uk", mappings()).digest == load("uk", mappings()).digest

    def test_profiles_differ(self) -> None:
        digests = {profile(name).digest for name in profiles(mappings())}
        assert len(digests) == len(profiles(mappings()))

    @pytest.mark.parametrize(
        "toml",
        [
            row_entry("fever", "38.1"),
            row_entry("fever", "38.0", source="S48"),
            row_entry("fever", "38.0", since="2024-02-01"),
            rule_entry("PRE-11", on_failure="note"),
            rule_entry("PRE-11", in_emergency="caution"),
            rule_entry("PRE-11", remedy="call-prescriber"),
            rule_entry("PRE-07", site_data=False),
        ],
    )
    def test_whatever_a_rule_would_read_changes_it(self, toml: str) -> None:
        same = load_with(row_entry("fever", "38.0", source="S63, S48", since="2020-01-01"))
        assert same.digest == profile("default").digest
        assert load_with(toml).digest != same.digest

    def test_sentences_notes_and_spelling_of_numbers_do_not(self, copied: Path) -> None:
        default = copied / "policy" / "default.toml"
        edit(default, 'text = "Temperature that counts as fever."', 'text = "Fever."')
        edit(default, 'note = "POL-35."', 'note = "POL-35, off."')
        edit(default, "value = 38.0", "value = 38.00")
        assert load("default", copied).digest == profile("default").digest

    def test_the_order_of_entries_does_not(self, copied: Path) -> None:
        default = copied / "policy" / "default.toml"
        head, *entries = default.read_text(encoding="utf-8").split("\n[[")
        default.write_text("\n[[".join([head, *reversed(entries)]), encoding="utf-8")
        assert load("default", copied).digest == profile("default").digest


class TestWhatTwoPoliciesSayDifferently:
    def test_a_policy_does_not_differ_from_itself(self) -> None:
        assert difference(profile("uk"), load("uk", mappings())) == ()

    def test_new_jersey_and_the_united_states(self) -> None:
        found = difference(profile("us"), profile("us-nj"))
        assert [(each.kind, each.key) for each in found] == [
            ("row", "checkers"),
            ("rule", "ID-20"),
            ("rule", "ID-24"),
        ]
        checkers = found[0]
        assert checkers.since == date(2020, 1, 1)
        assert checkers.first is not None
        assert checkers.second is not None
        assert (checkers.first.value, checkers.first.source) == ("two-or-machine", "S12, S13, S15")
        assert (checkers.second.value, checkers.second.source) == ("two", "S10")

    def test_a_cell_of_a_table_is_named(self) -> None:
        cells = [
            each for each in difference(profile("default"), profile("au")) if each.kind == "cell"
        ]
        (cell,) = cells
        assert cell.key == "plasma[AB, A]"
        assert cell.first is not None
        assert cell.second is not None
        assert (cell.first.value, cell.second.value) == ("authorise", "caution")

    def test_a_later_row_stands_on_one_side_only(self) -> None:
        changed = load_with(row_entry("return-window", "20", since="2026-01-01"))
        (only,) = difference(profile("default"), changed)
        assert (only.key, only.since, only.first) == ("return-window", date(2026, 1, 1), None)
        assert only.second is not None
        assert (only.second.value, only.second.profile) == ("20 min", "harrow-vale")

    def test_it_is_the_same_both_ways_round(self) -> None:
        one = difference(profile("uk"), profile("nz"))
        other = difference(profile("nz"), profile("uk"))
        assert [(each.key, each.first, each.second) for each in one] == [
            (each.key, each.second, each.first) for each in other
        ]

    def test_a_rule_is_shown_in_one_line(self) -> None:
        words = rule_words(profile("default").rules["ID-05"][-1])
        assert words == (
            "refuse; missing: refuse; remedy: call-laboratory; remedy when missing: rescan; "
            "never to be loosened"
        )

    def test_urgency_and_data_not_sent_are_shown(self) -> None:
        rules = profile("default").rules
        assert "emergency: note" in rule_words(rules["PRE-01"][-1])
        assert "missing in an emergency: note" in rule_words(rules["PRE-02"][-1])
        assert "silent until the site sends the data" in rule_words(rules["PRE-07"][-1])


class TestFaultsOfAWholeFolder:
    def faults(self, name: str, folder: Path) -> tuple[str, ...]:
        with pytest.raises(PolicyFault) as caught:
            load(name, folder)
        return caught.value.faults

    def test_a_profile_that_loosens_is_refused_like_an_overlay(self, copied: Path) -> None:
        with (copied / "policy" / "uk.toml").open("a", encoding="utf-8") as file:
            file.write(rule_entry("COMP-01", on_failure="authorise"))
        (fault,) = self.faults("uk", copied)
        assert "uk: COMP-01 (2024-01-01): on_failure 'authorise' is milder than 'refuse'" in fault

    def test_a_later_row_of_the_default_is_not_hidden_by_an_older_one_above(
        self, copied: Path
    ) -> None:
        """The profile agrees with the default of 2020 but is milder than that of 2023."""
        default = copied / "policy" / "default.toml"
        with default.open("a", encoding="utf-8") as file:
            file.write(
                '[[rule]]\nid = "PRE-06"\ntext = "The bag appears normal."\non_failure = "refuse"\n'
                'when_missing = "refuse"\nnever_loosen = true\nsince = 2023-01-01\nsource = "S15"\n'
            )
        with (copied / "policy" / "nz.toml").open("a", encoding="utf-8") as file:
            file.write(rule_entry("PRE-06", since="2022-01-01", when_missing="authorise"))
        (fault,) = self.faults("nz", copied)
        assert "when_missing 'authorise' is milder than 'refuse'" in fault

    def test_a_profile_on_nothing(self, copied: Path) -> None:
        edit(copied / "policy" / "us-nj.toml", 'on = "us"', 'on = "eu"')
        assert "policy/us-nj.toml: it is on 'eu', which does not exist" in self.faults(
            "us-nj", copied
        )

    def test_profiles_on_each_other(self, copied: Path) -> None:
        edit(copied / "policy" / "us.toml", 'name = "us"', 'name = "us"\non = "us-nj"')
        assert "policy/us-nj.toml: it is on 'us', which is on it in turn" in self.faults(
            "us", copied
        )

    def test_a_profile_under_another_name(self, copied: Path) -> None:
        edit(copied / "policy" / "au.toml", 'name = "au"', 'name = "nz"')
        assert self.faults("au", copied) == ("policy/au.toml: [file] name is 'nz'",)

    def test_a_missing_table(self, copied: Path) -> None:
        (copied / "matrices" / "platelets.csv").unlink()
        assert self.faults("default", copied) == ("matrices: no usable table platelets",)

    def test_a_missing_sentence_or_word_in_the_default(self, copied: Path) -> None:
        default = copied / "policy" / "default.toml"
        edit(default, 'text = "Temperature that counts as fever."\n', "")
        edit(default, 'on_failure = "stop"\n', "")
        edit(default, 'on_failure = "discard"\n', 'on_failure = "destroy"\n')
        faults = self.faults("default", copied)
        assert [fault.partition(": ")[2] for fault in faults] == [
            "text is missing",
            "on_failure is missing",
            "on_failure 'destroy' is not a word of this rule",
        ]

    def test_a_value_outside_its_own_limits_in_the_default(self, copied: Path) -> None:
        edit(copied / "policy" / "default.toml", 'value = "t_out"', 'value = "t_in"')
        (fault,) = self.faults("default", copied)
        assert "'t_in' is not one of t_out, t_spike" in fault

    def test_a_source_without_tier_or_of_an_unknown_one(self, copied: Path) -> None:
        file = copied / "sources.toml"
        edit(file, 'tier = "official"\n', "")
        edit(file, 'tier = "journal"\n', 'tier = "hearsay"\n')
        faults = self.faults("default", copied)
        assert "sources.toml S01: needs text, url and tier, and nothing else" in faults
        assert "sources.toml S92: tier is not one of official, journal, secondary" in faults

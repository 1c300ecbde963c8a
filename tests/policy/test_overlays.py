"""A site's overlay: what it may change, from when, and what it may never loosen."""

from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import PolicyFault
from service.facts.finding import Remedy
from service.policy.files import mappings
from service.policy.load import load, profiles
from service.policy.words import GRAVITY, VERDICT_WORDS, family, milder
from tests.support.overlays import HEADER, faults_of, load_with, row_entry, rule_entry
from tests.support.policies import profile

NAMES = profiles(mappings())
RULES = {key: rows[-1] for key, rows in profile("default").rules.items()}
KEPT = sorted(key for key, row in RULES.items() if row.never_loosen)
FREE = sorted(key for key, row in RULES.items() if not row.never_loosen)
FIELDS = ("on_failure", "when_missing")
LATER = datetime(2025, 1, 1, tzinfo=UTC)


def csv_of(key: str, changed: dict[tuple[str, str], str], **header: str) -> str:
    """A shipped table with cells changed, as a site would write it."""
    table = profile("default").matrices[key][-1]
    cells = dict(table.cells) | changed
    units = list(dict.fromkeys(unit for _, unit in cells))
    said = {"id": key, "since": "2024-01-01", "source": "derived", "text": "A table."} | header
    lines = [f"# {name}: {value}" for name, value in said.items()]
    lines.append(",".join(["recipient", *units]))
    for recipient in dict.fromkeys(recipient for recipient, _ in cells):
        lines.append(",".join([recipient, *(cells[recipient, unit] for unit in units)]))
    return "\n".join(lines) + "\n"


@st.composite
def milder_words(draw: st.DrawFn) -> tuple[str, str, str]:
    """A never-loosen rule, one of its two words, and a milder word of the same kind."""
    rule = RULES[draw(st.sampled_from(KEPT))]
    choices = [
        (field, word)
        for field in FIELDS
        for word in sorted(family(rule.on_failure, rule.when_missing))
        if milder(word, than=getattr(rule, field))
    ]
    return (rule.id, *draw(st.sampled_from(choices)))


@st.composite
def milder_cells(draw: st.DrawFn) -> tuple[str, tuple[str, str], str]:
    """A never-loosen table, one of its cells, and a milder verdict for it."""
    key = draw(st.sampled_from(["red-cells", "whole-blood"]))
    cells = profile("default").matrices[key][-1].cells
    pair = draw(st.sampled_from(sorted(p for p, word in cells.items() if word != "no-objection")))
    softer = sorted(word for word in VERDICT_WORDS if milder(word, than=cells[pair]))
    return key, pair, draw(st.sampled_from(softer))


class TestRowsThatMayNotBeLoosened:
    """Rule catalogue section 0, *never overridable*, and its policy constraint in section 10."""

    @given(softer=milder_words(), base=st.sampled_from(NAMES), extra=st.booleans())
    def test_any_milder_word_is_refused(
        self, softer: tuple[str, str, str], base: str, extra: bool
    ) -> None:
        key, field, word = softer
        said = {field: word} | ({"remedy": "call-laboratory"} if extra else {})
        faults = faults_of(rule_entry(key, **said), base=base)
        assert len(faults) == 1
        assert f"{key} (2024-01-01): {field} '{word}' is milder than" in faults[0]

    @given(softer=milder_cells(), base=st.sampled_from(NAMES))
    def test_any_milder_cell_is_refused(
        self, softer: tuple[str, tuple[str, str], str], base: str
    ) -> None:
        key, pair, word = softer
        faults = faults_of("", {"a.csv": csv_of(key, {pair: word})}, base=base)
        assert len(faults) == 1
        assert (
            f"cells made milder that may not be loosened: {pair[0]}, {pair[1]}: {word}"
            in (faults[0])
        )

    @pytest.mark.parametrize("key", KEPT)
    def test_urgency_may_not_soften_it(self, key: str) -> None:
        for field in ("in_emergency", "missing_in_emergency"):
            (fault,) = faults_of(rule_entry(key, **{field: "note"}))
            assert "urgency would soften it" in fault

    @pytest.mark.parametrize("key", KEPT)
    def test_it_may_not_wait_for_data(self, key: str) -> None:
        (fault,) = faults_of(rule_entry(key, site_data=True))
        assert "wait for the site's data" in fault

    @pytest.mark.parametrize("key", KEPT)
    def test_the_mark_itself_may_not_be_taken_away(self, key: str) -> None:
        (fault,) = faults_of(rule_entry(key, never_loosen=False))
        assert "never_loosen may only be set in the default file" in fault

    def test_the_mark_of_a_table_may_not_be_taken_away(self) -> None:
        table = csv_of("red-cells", {("A", "B"): "note"}, never_loosen="false")
        (fault,) = faults_of("", {"a.csv": table})
        assert "never_loosen may only be set in the default files" in fault

    @pytest.mark.parametrize("key", ["COMP-01", "ID-05", "PRE-04", "PRE-05"])
    def test_a_day_in_the_past_is_no_way_round(self, key: str) -> None:
        assert faults_of(rule_entry(key, since="1990-01-01", on_failure="note"))

    def test_the_floor_of_identifiers_holds(self) -> None:
        """POL-04: two is the legal floor [S12]."""
        assert faults_of(row_entry("identifiers-minimum", "2")) == ()
        (fault,) = faults_of(row_entry("identifiers-minimum", "1"))
        assert "1 is below 2" in fault

    def test_a_stricter_word_is_accepted_and_binds(self) -> None:
        policy = load_with(rule_entry("PRE-06", when_missing="refuse"))
        assert policy.rule("PRE-06", LATER).when_missing == "refuse"
        assert policy.rule("PRE-06", LATER).never_loosen

    def test_a_stricter_table_is_accepted_and_stays_marked(self) -> None:
        table = csv_of("red-cells", {("unknown", "O"): "refuse"})
        policy = load_with("", {"a.csv": table})
        assert policy.matrix("red-cells", LATER).cell("unknown", "O") == "refuse"
        assert policy.matrix("red-cells", LATER).never_loosen


class TestEveryOtherRowMayBeSetEitherWay:
    """Rule catalogue section 10: *every other row may be set either way*."""

    @given(st.sampled_from(FREE), st.data())
    def test_any_word_of_its_kind_is_accepted(self, key: str, data: st.DataObject) -> None:
        rule = RULES[key]
        words = st.sampled_from(sorted(family(rule.on_failure, rule.when_missing)))
        failing, missing = data.draw(words), data.draw(words)
        policy = load_with(rule_entry(key, on_failure=failing, when_missing=missing))
        row = policy.rule(key, LATER)
        assert (row.on_failure, row.when_missing) == (failing, missing)

    def test_a_table_that_is_not_marked_may_become_milder(self) -> None:
        policy = load_with("", {"a.csv": csv_of("plasma", {("AB", "A"): "note"})})
        assert policy.matrix("plasma", LATER).cell("AB", "A") == "note"

    def test_gravity_orders_every_word_of_every_family(self) -> None:
        words = {word for row in RULES.values() for word in family(row.on_failure)}
        assert words <= set(GRAVITY)
        assert len(set(GRAVITY)) == len(GRAVITY)


class TestTheRowInForceAtAnInstant:
    """Design 3.7: the row in force at the rule's own instant; a past row is never edited."""

    POLICY = load_with(
        row_entry("return-window", "20", since="2024-06-01")
        + row_entry("return-window", "25", since="2025-06-01")
        + rule_entry("TIM-03", since="2024-06-01", on_failure="note")
    )

    @pytest.mark.parametrize(
        ("instant", "minutes", "profile_of_row"),
        [
            (datetime(2021, 1, 1, tzinfo=UTC), 30, "default"),
            (datetime(2024, 5, 31, 23, 59, 59, tzinfo=UTC), 30, "default"),
            (datetime(2024, 6, 1, tzinfo=UTC), 20, "harrow-vale"),
            (datetime(2025, 5, 31, 23, 59, 59, tzinfo=UTC), 20, "harrow-vale"),
            (datetime(2025, 6, 1, tzinfo=UTC), 25, "harrow-vale"),
            (datetime(2040, 1, 1, tzinfo=UTC), 25, "harrow-vale"),
        ],
    )
    def test_each_date_takes_over_on_its_day(
        self, instant: datetime, minutes: int, profile_of_row: str
    ) -> None:
        row = self.POLICY.row("return-window", instant)
        assert (row.number, row.profile) == (minutes, profile_of_row)

    def test_a_rule_keeps_what_an_entry_leaves_out(self) -> None:
        before = self.POLICY.rule("TIM-03", datetime(2024, 5, 31, tzinfo=UTC))
        after = self.POLICY.rule("TIM-03", datetime(2024, 6, 1, tzinfo=UTC))
        assert (before.on_failure, after.on_failure) == ("caution", "note")
        assert (after.when_missing, after.remedy, after.in_emergency) == (
            "caution",
            Remedy.RETURN_UNIT,
            "note",
        )

    def test_an_overlay_lies_on_the_profile_and_the_profile_on_the_default(self) -> None:
        policy = load_with(row_entry("checkers", '"two"', since="2024-01-01"), base="us-nj")
        assert policy.profile == "us-nj"
        assert policy.row("checkers", LATER).profile == "harrow-vale"
        assert policy.row("return-by", LATER).profile == "us"
        assert policy.rule("ID-24", LATER).profile == "us-nj"
        assert policy.row("fever", LATER).profile == "default"

    def test_decimals_stay_exact(self) -> None:
        row = load_with(row_entry("fever", "38.3")).row("fever", LATER)
        assert str(row.number) == "38.3"
        assert isinstance(row.number, Decimal)


class TestDataThatASiteBeginsToSend:
    """*Off (site)*: silent until the site says that it sends the data."""

    def test_silent_by_default(self) -> None:
        row = profile("default").rule("PRE-07", LATER)
        assert (row.on_failure, row.when_missing, row.site_data) == ("caution", "off", True)

    def test_missing_counts_as_failed_once_it_is_sent(self) -> None:
        row = load_with(rule_entry("PRE-07", site_data=False)).rule("PRE-07", LATER)
        assert (row.on_failure, row.when_missing, row.site_data) == ("caution", "caution", False)

    def test_a_site_may_say_another_word_for_missing(self) -> None:
        entry = rule_entry("PRE-07", site_data=False, when_missing="note")
        assert load_with(entry).rule("PRE-07", LATER).when_missing == "note"


WRONG = {
    "the default file knows no such row": row_entry("no-such-row", "1"),
    "the default file knows no such rule": rule_entry("PRE-99", on_failure="note"),
    "value is of another kind than the default's": row_entry("news2", "5"),
    "does not measure the same as 'Cel'": row_entry("fever", "100.4", unit="[degF]"),
    "'three' is not one of two-or-machine, two, site-one": row_entry("checkers", '"three"'),
    "'shoe-size' is not one of": row_entry("identifiers-required", '["family", "shoe-size"]'),
    "5 is above 4": row_entry("identifiers-minimum", "5"),
    "-1 is below 0": row_entry("check-valid", "-1"),
    "value has the wrong type (Decimal)": row_entry("high-fever", "nan"),
    "value has the wrong type (datetime)": row_entry("settle", "2024-01-01T00:00:00Z"),
    "since has the wrong type (str)": row_entry("retention", "40", since='"2024-01-01"'),
    "since has the wrong type (datetime)": row_entry(
        "residual-volume", "9", since="2024-01-01T00:00:00Z"
    ),
    "unknown key 'colour'": row_entry("fever-rise", "1.0", colour="red"),
    "choices has the wrong type (str)": row_entry("next-unit", '"ask"', choices="ask"),
    "source is missing": '[[row]]\nid = "filter-min"\nvalue = 100\nsince = 2024-01-01\n',
    "S999 is not in sources.toml": row_entry("filter-max", "250", source="S999"),
    "'a colleague' is neither tags": row_entry("warmer-limit", "40", source="a colleague"),
    ": id is missing": '[[row]]\nvalue = 1\nsince = 2024-01-01\nsource = "derived"\n',
    "on_failure 'refused' is not a word of this rule": rule_entry("PRE-01", on_failure="refused"),
    "on_failure 'stop' is not a word of this rule": rule_entry("PRE-02", on_failure="stop"),
    "when_missing 'discard' is not a word": rule_entry("VIT-05", when_missing="discard"),
    "remedy 'pray' is not a remedy": rule_entry("PRE-03", remedy="pray"),
    "site_data has the wrong type (str)": rule_entry("PRE-09", site_data="yes"),
}  # fmt: skip


class TestEveryFaultIsReportedAtOnce:
    def test_all_of_them_from_one_file(self) -> None:
        faults = faults_of("".join(WRONG.values()))
        unheard = [text for text in WRONG if not any(text in fault for fault in faults)]
        assert unheard == []
        assert len(faults) == len(WRONG)

    @pytest.mark.parametrize("text", WRONG)
    def test_each_alone(self, text: str) -> None:
        faults = faults_of(WRONG[text])
        assert len(faults) == 1
        assert text in faults[0]

    def test_rows_rules_and_tables_together(self) -> None:
        faults = faults_of(
            row_entry("fever", "true")
            + rule_entry("COMP-01", on_failure="note")
            + rule_entry("ID-05", when_missing="off"),
            {
                "a.csv": csv_of("plasma", {("O", "O"): "maybe"}),
                "b.csv": csv_of("red-cells", {("O", "A"): "authorise"}),
            },
        )
        assert len(faults) == 5

    def test_the_same_id_twice_for_one_day(self) -> None:
        faults = faults_of(row_entry("fever", "38.1") + row_entry("fever", "38.2"))
        assert faults == ("harrow-vale: row fever is stated 2 times since 2024-01-01",)

    def test_a_file_that_is_no_toml(self) -> None:
        faults = faults_of("[[row]\n")
        assert "site.toml: cannot be read" in faults[0]

    def test_a_table_that_no_policy_file_has(self) -> None:
        assert faults_of("[[rows]]\nid = 1\n") == ("overlay site.toml: unknown table 'rows'",)

    def test_rows_that_are_not_a_list(self) -> None:
        assert faults_of("[row]\nid = 1\n") == (
            "overlay site.toml: row is not a list of [[row]] tables",
        )

    def test_a_header_that_is_no_table(self) -> None:
        faults = faults_of("", header='file = "harrow-vale"\n')
        assert faults[0] == "overlay site.toml: [file] is not a table"

    def test_a_table_that_is_no_text(self, tmp_path: Path) -> None:
        (tmp_path / "policy").mkdir()
        (tmp_path / "matrices").mkdir()
        (tmp_path / "policy" / "site.toml").write_text(HEADER, encoding="utf-8")
        (tmp_path / "matrices" / "plasma.csv").write_bytes(b"\xff\xfe")
        with pytest.raises(PolicyFault, match=r"matrices plasma\.csv: cannot be read"):
            load("default", mappings(), tmp_path)

    def test_an_overlay_names_who_approved_it(self) -> None:
        (fault,) = faults_of("", header='[file]\nname = "harrow-vale"\n')
        assert "approved_by" in fault

    def test_an_overlay_chooses_no_profile(self) -> None:
        (fault,) = faults_of("", header=HEADER + 'on = "us"\n')
        assert "an overlay lies on the chosen profile" in fault

    def test_an_empty_overlay_is_a_mistake(self, tmp_path: Path) -> None:
        with pytest.raises(PolicyFault, match="states no policy"):
            load("default", mappings(), tmp_path)


class TestTablesOfAnOverlay:
    PLASMA = csv_of("plasma", {})

    def wrong(self, old: str, new: str) -> tuple[str, ...]:
        assert old in self.PLASMA
        return faults_of("", {"site.csv": self.PLASMA.replace(old, new, 1)})

    def test_an_unchanged_copy_loads(self) -> None:
        assert faults_of("", {"site.csv": self.PLASMA}) == ()

    @pytest.mark.parametrize(
        ("old", "new", "text"),
        [
            ("unknown,refuse,authorise,refuse,no-objection\n", "", "recipient unknown is missing"),
            ("recipient,O,A,B,AB", "recipient,O,A,B,C", "column AB is missing"),
            ("recipient,O,A,B,AB", "recipient,O,A,B,C", "column C is not of this table"),
            ("\nA,refuse", "\nZ,refuse", "recipient Z is not of this table"),
            ("\nA,refuse", "\nB,refuse", "a recipient stands twice"),
            ("\nA,refuse,", "\nA,", "recipient A has 3 cells, not 4"),
            ("\nA,refuse", "\nA,minor-o", "unknown word 'minor-o'"),
            ("\nA,refuse", "\nA,stop", "unknown word 'stop'"),
            ("# id: plasma", "# id: serum", "there is no table 'serum'"),
            ("# id: plasma\n", "", "# id is missing"),
            ("# since: 2024-01-01\n", "", "# since is missing"),
            ("since: 2024-01-01", "since: in spring", "'in spring' is not a date"),
            ("# source: derived\n", "", "# source is missing"),
            ("source: derived", "source: S999", "S999 is not in sources.toml"),
            ("# text: A table.", "# text: A table.\n# colour: red", "unknown header 'colour'"),
        ],
    )
    def test_a_table_that_is_not_total_or_not_of_known_words(
        self, old: str, new: str, text: str
    ) -> None:
        assert any(text in fault for fault in self.wrong(old, new))

    def test_a_table_takes_over_from_its_day(self) -> None:
        policy = load_with("", {"site.csv": csv_of("plasma", {("A", "B"): "refuse"})})
        assert policy.matrix("plasma", datetime(2023, 12, 31, tzinfo=UTC)).cell("A", "B") == (
            "authorise"
        )
        assert policy.matrix("plasma", LATER).cell("A", "B") == "refuse"

"""JSON at the edge: RFC 8259 without its loopholes, decimals kept (FHIR: precision counts)."""

import json
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import BadInput
from service.fhir.edge.strict_json import MAX_DEPTH, MAX_ELEMENTS, dump, parse

DECIMALS = st.decimals(allow_nan=False, allow_infinity=False, places=6, min_value=-(10**9),
                       max_value=10**9) | st.from_regex(
    r"\A-?(0|[1-9][0-9]{0,20})\.[0-9]{1,20}\Z").map(Decimal)  # fmt: skip
TEXTS = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]))
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(10**40), 10**40) | DECIMALS | TEXTS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXTS, inner, max_size=4),
    max_leaves=20,
)


def refusal(body: bytes) -> str:
    with pytest.raises(BadInput) as caught:
        parse(body)
    (problem,) = caught.value.problems
    assert (caught.value.status, problem.code, problem.severity) == (400, "structure", "fatal")
    return problem.text


class TestOneMeaning:
    """What two parsers could read in two ways is refused."""

    @pytest.mark.parametrize(
        "body",
        [
            b'{"status":"final","status":"entered-in-error"}',
            b'{"a":{"b":1,"b":1}}',
            b'[{"":1,"":2}]',
            b'{"a":1,"\\u0061":2}',
        ],
    )
    def test_a_key_twice(self, body: bytes) -> None:
        assert "twice" in refusal(body)

    @pytest.mark.parametrize(
        "body", [b"NaN", b"[Infinity]", b"[-Infinity]", b'{"value":NaN}', b"[nan]", b"[inf]"]
    )
    def test_not_a_number(self, body: bytes) -> None:
        refusal(body)

    @pytest.mark.parametrize(
        "body",
        [b"1e400", b"-1e400", b"[1.0E+309]", b"1e99999999999999999999", b"0e100000",
         b"9" * 4301, b"-" + b"9" * 101, b"0." + b"1" * 5000, b"1e-99999999999"],
    )  # fmt: skip
    def test_numbers_that_others_cannot_hold(self, body: bytes) -> None:
        assert "number" in refusal(body).lower()

    @pytest.mark.parametrize(
        ("body", "text"),
        [(b"9007199254740993", "9007199254740993"), (b"1e-400", "1E-400"), (b"-0.0", "-0.0"),
         (b"1e5", "1E+5"), (b"0.10", "0.10"), (b"37.20", "37.20"), (b"100.00", "100.00"),
         (b"12345678901234567890.123456789", "12345678901234567890.123456789")],
    )  # fmt: skip
    def test_other_numbers_are_exact(self, body: bytes, text: str) -> None:
        assert str(parse(body)) == text

    def test_an_integer_is_no_decimal(self) -> None:
        assert type(parse(b"5")) is int
        assert type(parse(b"5.0")) is Decimal

    @pytest.mark.parametrize(
        "body",
        [
            b"\xef\xbb\xbf{}",
            b"\xff\xfe{\x00}\x00",
            b'"\xff"',
            b'"\xc0\x80"',
            b'"\xe0\x80\xaf"',
            b'"\xed\xa0\x80"',
            b'"\xf4\x90\x80\x80"',
            b'{"a":"\xe9"}',
        ],
    )
    def test_bytes_that_are_no_utf_8(self, body: bytes) -> None:
        refusal(body)

    @pytest.mark.parametrize(
        "body",
        [b'"\\ud800"', b'"\\uDFFF"', b'"a\\ud83d"', b'"\\ude00\\ud83d"', b'{"\\ud800":1}',
         b'"\\u0000"', b'{"a":["x\\u0000"]}', b'{"\\u0000":1}'],
    )  # fmt: skip
    def test_characters_that_a_store_cannot_hold(self, body: bytes) -> None:
        assert "string" in refusal(body)

    def test_a_whole_pair_and_an_escaped_backslash_pass(self) -> None:
        assert parse(b'"\\ud83d\\ude00"') == "\U0001f600"
        assert parse(b'"\\\\u0000 \\\\ud800"') == "\\u0000 \\ud800"


class TestLimits:
    """Sizes beyond which nothing is read: depth 64, 50,000 elements."""

    @pytest.mark.parametrize(("open_", "close"), [(b"[", b"]"), (b'{"a":', b"}")])
    def test_depth(self, open_: bytes, close: bytes) -> None:
        def nested(levels: int) -> bytes:
            inner = b"1" if close == b"}" else b""
            return open_ * levels + inner + close * levels

        parse(nested(MAX_DEPTH))
        for levels in (MAX_DEPTH + 1, 500, 1100, 20_000):
            assert "levels" in refusal(nested(levels))

    def test_depth_without_end(self) -> None:
        refusal(b"[" * 100_000)
        refusal(b'[{"a":' * 20_000)

    def test_a_wide_body_is_not_deep(self) -> None:
        assert len(parse(b"[" + b",".join([b"{}"] * 1000) + b"]")) == 1000

    def test_elements(self) -> None:
        assert len(parse(b"[" + b"1," * (MAX_ELEMENTS - 2) + b"1]")) == MAX_ELEMENTS - 1
        assert "elements" in refusal(b"[" + b"{}," * (MAX_ELEMENTS - 2) + b"{}]")


class TestGrammar:
    """RFC 8259: what is no JSON text is refused, and what is one is read."""

    @pytest.mark.parametrize(
        "body",
        [b"", b" ", b"{", b"[1,]", b'{"a":1,}', b"[1 2]", b"{1:2}", b"{a:1}", b"{'a':1}", b"[01]",
         b"[+1]", b"[.5]", b"[5.]", b"[1e]", b"[0x1F]", b"[--1]", b"[1_000]", b'["\t"]', b'["\n"]',
         b'["\\x41"]', b'["\\u12"]', b'["\\u 041"]', b'["a]', b"[tru]", b"[True]", b"[null",
         b"{}{}", b"{} x", b"// c\n{}", b"/*c*/{}", b"[\xc2\xa01]", b"[\x0c1]", b"[\xd9\xa3]",
         b"[-]", b"[,1]", b'{"a" 1}', b'{"a"::1}', b"[1]]", b"\x00", b"{}\x00", b"undefined"],
    )  # fmt: skip
    def test_refused(self, body: bytes) -> None:
        refusal(body)

    @pytest.mark.parametrize(
        "body",
        [b"{}", b"[]", b" [1 , 2] \r\n\t", b"null", b"true", b'""', b"-1", b"1E+2",
         b'"\\/\\b\\u00e9"', '{"clé":"ß – é"}'.encode(), b'{"":{}}', b"[[[]]]", b'"\x7f"'],
    )  # fmt: skip
    def test_read(self, body: bytes) -> None:
        assert parse(body) == json.loads(body)

    @given(st.binary(max_size=40))
    def test_any_bytes_are_answered(self, body: bytes) -> None:
        try:
            value = parse(body)
        except BadInput:
            return
        assert value == json.loads(body)


class TestLaws:
    """Writing and reading are inverse, and decimals keep their places."""

    @given(VALUES)
    def test_reading_what_was_written(self, value: Any) -> None:
        again = parse(dump(value))
        assert again == value
        assert dump(again) == dump(value)

    @given(DECIMALS)
    def test_a_decimal_keeps_its_places(self, number: Decimal) -> None:
        again = parse(dump([number]))[0]
        assert again == number
        if "." in str(number):
            assert str(again) == str(number)

    @pytest.mark.parametrize("text", ["37.10", "100.00", "0.10", "1E+2", "-5.000"])
    def test_published_traps(self, text: str) -> None:
        """fhir.resources 8.3.0 writes 37.10 as 37.1 and 100.00 as 100.0."""
        body = f'{{"value":{text}}}'.encode()
        assert dump(parse(body)) == body

    @pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "sNaN"])
    def test_what_is_no_number_is_not_written(self, number: str) -> None:
        with pytest.raises(ValueError, match="no number"):
            dump({"a": [Decimal(number)]})

    def test_the_word_nan_may_be_text(self) -> None:
        assert dump({"a": "NaN Infinity", "b": Decimal("1.0")}) == b'{"a":"NaN Infinity","b":1.0}'

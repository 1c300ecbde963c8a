"""Who may call, and what they may say: static tokens per source."""

import pytest

from tests.support.apps import SOURCES, House, Json, problem
from tests.support.apps import house as opened
from tests.support.authoring import resources
from tests.support.worlds import WREN, vitals


def base(release: str) -> str:
    return f"/fhir/{release.lower()}"


class TestUnknownCallers:
    """401 with a challenge, the same words whatever was wrong; nothing was looked at."""

    @pytest.mark.parametrize(
        "header",
        [
            None,
            "Basic d2FyZDp0b2tlbg==",
            "Bearer",
            "Bearer ",
            "Bearer token-ward2",
            "Bearer TOKEN-WARD",
            "Bearer token-ward token-lab",
            "token-ward",
        ],
    )
    @pytest.mark.parametrize("path", ["Patient", "Patient/x", "Patient/x/_history/1"])
    def test_reads(self, house: House, release: str, header: str | None, path: str) -> None:
        said = {} if header is None else {"authorization": header}
        answer = house.get(f"{base(release)}/{path}", source=None, **said)
        assert problem(answer)[:2] == (401, "login")
        assert answer.headers["www-authenticate"] == "Bearer"

    @pytest.mark.parametrize(
        ("method", "path"),
        [("POST", ""), ("POST", "/Patient"), ("PUT", "/Patient/x"), ("POST", "/$check-unit")],
    )
    def test_writes_before_the_body_is_looked_at(
        self, house: House, release: str, method: str, path: str
    ) -> None:
        answer = house.ask(method, f"{base(release)}{path}", b"{", source=None)
        assert problem(answer)[:2] == (401, "login")
        assert house.counts()["received"] == 0

    def test_two_headers(self, house: House, release: str) -> None:
        async def twice() -> int:
            held = [("authorization", "Bearer token-ward"), ("authorization", "Bearer token-lab")]
            answer = await house.client.get(f"{base(release)}/Patient", headers=held)
            return int(answer.status_code)

        assert house.run(twice()) == 401

    def test_a_token_in_the_address(self, house: House, release: str) -> None:
        answer = house.get(f"{base(release)}/Patient?access_token=token-ward", source=None)
        assert problem(answer)[0] == 401

    @pytest.mark.parametrize("path", ["/fhir/r4/metadata", "/fhir/r5/metadata", "/health/live"])
    def test_what_needs_no_token(self, house: House, path: str) -> None:
        assert house.get(path, source=None).status_code == 200

    @pytest.mark.parametrize("scheme", ["Bearer", "bearer", "BEARER"])
    def test_that_the_scheme_has_no_case(self, house: House, release: str, scheme: str) -> None:
        """RFC 9110 section 11.1."""
        answer = house.get(
            f"{base(release)}/Patient", source=None, authorization=f"{scheme} token-ward"
        )
        assert answer.status_code == 200


class TestWhatASourceMayState:
    """A source states the kinds of fact its settings name, and no others: 403."""

    def test_its_own_kind(self, house: House, release: str) -> None:
        answer = house.post(
            f"{base(release)}/Observation", vitals(WREN, "08:00")[release], source="monitor"
        )
        assert answer.status_code == 201

    def test_another_kind(self, house: House, release: str) -> None:
        before = house.counts()
        answer = house.post(
            f"{base(release)}/Patient", resources.patient(WREN)[release], source="monitor"
        )
        assert problem(answer)[:2] == (403, "forbidden")
        assert house.counts() == before

    def test_one_of_many_in_a_transaction(self, house: House, release: str) -> None:
        bundle: Json = {
            "resourceType": "Bundle",
            "type": "transaction",
            "entry": [
                {
                    "resource": both[release],
                    "request": {"method": "POST", "url": both[release]["resourceType"]},
                }
                for both in (vitals(WREN, "08:00"), resources.patient(WREN))
            ],
        }
        before = house.counts()
        assert problem(house.post(base(release), bundle, source="monitor"))[0] == 403
        assert house.counts() == before

    def test_that_it_reads_all_of_its_facility(self, house: House, release: str) -> None:
        made = house.create(release, resources.patient(WREN)[release])
        answer = house.get(f"{base(release)}/Patient/{made['id']}", source="monitor")
        assert answer.status_code == 200


class TestFacilities:
    """The facility comes from the credential; one never sees the other's records."""

    def test_that_equal_numbers_are_two_patients(self, house: House, release: str) -> None:
        ours = house.create(release, resources.patient(WREN)[release])
        theirs = house.create(release, resources.patient(WREN)[release], source="elsewhere")
        assert ours["id"] != theirs["id"]
        assert house.get(f"{base(release)}/Patient/{theirs['id']}").status_code == 404


class TestWithoutTokens:
    """A loopback installation without tokens is open to one source; a token is then a mistake."""

    def test_open(self, release: str) -> None:
        with opened(tokens=False) as house:
            made = house.post(
                f"{base(release)}/Patient", resources.patient(WREN)[release], source=None
            )
            assert made.status_code == 201
            source = house.rows("SELECT source FROM resource")[0][0]
            assert source == next(iter(SOURCES))

    def test_a_token_nobody_gave(self, release: str) -> None:
        with opened(tokens=False) as house:
            assert problem(house.get(f"{base(release)}/Patient", source="ward"))[0] == 401

"""Media types, releases, formats and preferences (FH-23 to FH-34)."""

import pytest

from service.fhir.edge.strict_json import parse
from tests.support.apps import BASE, House, dumped, issues, problem, read_json
from tests.support.authoring import resources
from tests.support.worlds import WREN, a_check, admission, tell

VERSION = {"R4": "4.0", "R5": "5.0"}
OTHER = {"R4": "5.0", "R5": "4.0"}


def base(release: str) -> str:
    return f"/fhir/{release.lower()}"


class TestWhatIsServed:
    """FH-24, FH-25: JSON of the address's release, in UTF-8; anything else 406, said in JSON."""

    @pytest.mark.parametrize(
        "accept",
        [
            "application/fhir+json",
            "application/json",
            "*/*",
            "application/*",
            "text/html, application/fhir+json;q=0.4",
            "application/fhir+xml;q=0.9, */*;q=0.1",
        ],
    )
    def test_what_can_be_had(self, house: House, release: str, accept: str) -> None:
        answer = house.get(f"{base(release)}/metadata", accept=accept)
        assert answer.status_code == 200
        told = answer.headers["content-type"]
        assert told == f"application/fhir+json; fhirVersion={VERSION[release]}; charset=utf-8"

    def test_that_the_release_may_be_named(self, house: House, release: str) -> None:
        """FH-23: ours is served, another is 406."""
        ours = f"application/fhir+json; fhirVersion={VERSION[release]}"
        theirs = f"application/fhir+json; fhirVersion={OTHER[release]}"
        assert house.get(f"{base(release)}/metadata", accept=ours).status_code == 200
        assert problem(house.get(f"{base(release)}/metadata", accept=theirs))[0] == 406

    @pytest.mark.parametrize(
        "accept", ["application/fhir+xml", "text/turtle", "image/png", "nonsense", "text/html"]
    )
    def test_what_cannot_be_had(self, house: House, release: str, accept: str) -> None:
        answer = house.get(f"{base(release)}/metadata", accept=accept)
        assert problem(answer)[:2] == (406, "not-supported")


class TestFormat:
    """FH-26, FH-27: _format goes before Accept, and says nothing about what is sent."""

    @pytest.mark.parametrize("wanted", ["json", "application/json", "application/fhir%2Bjson"])
    def test_that_it_overrides_accept(self, house: House, release: str, wanted: str) -> None:
        where = f"{base(release)}/metadata?_format={wanted}"
        assert house.get(where, accept="application/fhir+xml").status_code == 200

    @pytest.mark.parametrize("wanted", ["xml", "application/fhir%2Bxml", "junk", "text/html"])
    def test_that_nothing_else_is_served(self, house: House, release: str, wanted: str) -> None:
        assert problem(house.get(f"{base(release)}/metadata?_format={wanted}"))[0] == 406

    def test_that_it_does_not_make_json_of_what_is_sent(self, house: House, release: str) -> None:
        answer = house.post(
            f"{base(release)}/Patient?_format=json",
            resources.patient(WREN)[release],
            content_type="application/fhir+xml",
        )
        assert problem(answer)[0] == 415


class TestWhatIsTaken:
    """FH-28, FUZ-10, FUZ-15: JSON of this release in UTF-8, uncompressed; anything else 415."""

    @pytest.mark.parametrize(
        "sent", ["application/fhir+json", "application/json", "application/json; charset=UTF-8"]
    )
    def test_what_can_be_sent(self, house: House, release: str, sent: str) -> None:
        answer = house.post(
            f"{base(release)}/Patient", resources.patient(WREN)[release], content_type=sent
        )
        assert answer.status_code == 201

    @pytest.mark.parametrize(
        "sent",
        [
            "text/plain",
            "application/fhir+xml",
            "application/xml",
            "application/json; charset=latin-1",
            "application/x-www-form-urlencoded",
            "",
        ],
    )
    def test_what_cannot(self, house: House, release: str, sent: str) -> None:
        before = house.counts()
        answer = house.post(
            f"{base(release)}/Patient", resources.patient(WREN)[release], content_type=sent
        )
        assert problem(answer)[:2] == (415, "not-supported")
        assert house.counts() == before

    def test_another_release(self, house: House, release: str) -> None:
        sent = f"application/fhir+json; fhirVersion={OTHER[release]}"
        answer = house.post(
            f"{base(release)}/Patient", resources.patient(WREN)[release], content_type=sent
        )
        assert problem(answer)[0] == 415

    def test_a_compressed_body(self, house: House, release: str) -> None:
        answer = house.post(f"{base(release)}/Patient", b"\x1f\x8b", content_encoding="gzip")
        assert problem(answer)[0] == 415


class TestPrefer:
    """FH-29 to FH-33: nothing, the resource, or what the checks have to say."""

    def test_minimal(self, house: House, release: str) -> None:
        answer = house.post(
            f"{base(release)}/Patient", resources.patient(WREN)[release], prefer="return=minimal"
        )
        assert (answer.status_code, answer.content) == (201, b"")
        assert answer.headers["etag"] == 'W/"1"'
        assert "location" in answer.headers

    @pytest.mark.parametrize("prefer", [None, "return=representation", "return=nonsense"])
    def test_the_resource(self, house: House, release: str, prefer: str | None) -> None:
        said = {"prefer": prefer} if prefer else {}
        answer = house.post(f"{base(release)}/Patient", resources.patient(WREN)[release], **said)
        assert read_json(answer)["resourceType"] == "Patient"

    def test_what_the_checks_say(self, house: House, release: str) -> None:
        """FH-31: the standard channel for our findings."""
        house.clock.set(house.clock.now().replace(hour=9, minute=10))
        tell(house, admission(), release)
        step = a_check()[release]
        answer = house.post(f"{base(release)}/Task", step, prefer="return=OperationOutcome")
        assert answer.status_code == 201
        shown = house.get(answer.headers["location"].removeprefix(BASE))
        word = read_json(shown)["businessStatus"]["coding"][0]["code"]
        assert word == "refuse"
        told = [issue for issue in issues(answer) if issue["code"] == "business-rule"]
        assert {issue["severity"] for issue in told} == {"warning"}
        assert "refuse" in {coding["code"] for i in told for coding in i["details"]["coding"]}

    def test_that_there_is_always_something_to_say(self, house: House, release: str) -> None:
        answer = house.post(
            f"{base(release)}/Patient",
            resources.patient(WREN)[release],
            prefer="return=OperationOutcome",
        )
        assert answer.status_code == 201
        assert issues(answer)[0]["severity"] == "information"

    @pytest.mark.parametrize("prefer", ["return=minimal", "return=representation"])
    def test_that_a_refusal_always_says_why(self, house: House, release: str, prefer: str) -> None:
        answer = house.post(f"{base(release)}/Patient", b"{", prefer=prefer)
        assert problem(answer)[0] == 400

    def test_that_a_decimal_is_not_rounded(self, house: House, release: str) -> None:
        """1.9: the received digits are what comes back."""
        sent = resources.vitals(WREN, "V-1", "09:30")[release]
        body = house.create(release, sent)
        assert dumped(body["component"]) == dumped(parse(dumped(sent["component"])))


class TestHandling:
    """FH-34: strict refuses an unknown parameter, lenient leaves it out and says so."""

    def test_strict(self, house: House, release: str) -> None:
        where = f"{base(release)}/Patient?shoe-size=42"
        assert problem(house.get(where, prefer="handling=strict"))[:2] == (400, "not-supported")

    def test_lenient(self, house: House, release: str) -> None:
        found = read_json(house.get(f"{base(release)}/Patient?shoe-size=42&_count=3"))
        (own,) = [link["url"] for link in found["link"] if link["relation"] == "self"]
        assert own == f"{BASE}{base(release)}/Patient?_count=3"

"""Provenance and the transaction that carries it with its targets."""

import json
from datetime import timedelta

import msgspec
import pytest

from service.fhir.own import EMITTED_SYSTEM
from service.fhir.write import provenance, render, transaction
from tests.support.desired import (
    RECORDED,
    a_context,
    a_procedure,
    a_volume,
    desired,
    one_of_each,
)
from tests.support.validators import RELEASES, assert_valid

WANTED = [desired(a_procedure()), desired(a_volume())]
TARGETS = [("Procedure", "aaaa"), ("Observation", "bbbb")]


@pytest.mark.parametrize("release", RELEASES)
class TestProvenance:
    """design.md 3 rule 7: the digest is stamped in Provenance, not hashed."""

    def test_it_is_valid(self, release: str) -> None:
        assert_valid(provenance(TARGETS, WANTED, release, a_context()), release)

    def test_policy_software_and_hospital(self, release: str) -> None:
        resource = provenance(TARGETS, WANTED, release, a_context())
        assert resource["policy"] == [
            "https://transfusion-events.example/fhir/policy/uk?digest=9b1c"
        ]
        (agent,) = resource["agent"]
        assert agent["who"]["display"] == "Transfusion event service 0.1.0"
        assert agent["onBehalfOf"]["display"] == "Harrow Vale Hospital"
        assert resource["recorded"] == "2025-06-02T12:30:00Z"

    def test_the_facts_it_rests_on_each_resource_once(self, release: str) -> None:
        resource = provenance(TARGETS, WANTED, release, a_context())
        assert {entity["role"] for entity in resource["entity"]} == {"source"}
        named = [entity["what"]["identifier"]["value"] for entity in resource["entity"]]
        assert named == ["7c1d", "5a3e1b7c"]

    def test_a_repeat_is_the_same_resource(self, release: str) -> None:
        once = provenance(TARGETS, WANTED, release, a_context())
        again = provenance(reversed(TARGETS), reversed(WANTED), release, a_context())
        assert once == again

    def test_a_later_commit_is_another(self, release: str) -> None:
        later = a_context(recorded=RECORDED + timedelta(seconds=1))
        first = provenance(TARGETS, WANTED, release, a_context())
        assert provenance(TARGETS, WANTED, release, later)["id"] != first["id"]

    def test_two_commits_at_one_instant_are_told_apart_by_the_versions(self, release: str) -> None:
        first = provenance(TARGETS, WANTED, release, a_context(), "procedure/u@1")
        assert (
            provenance(TARGETS, WANTED, release, a_context(), "procedure/u@2")["id"] != first["id"]
        )

    def test_its_key_is_the_tag(self, release: str) -> None:
        """Provenance has no identifier element in either release."""
        resource = provenance(TARGETS, WANTED, release, a_context())
        assert "identifier" not in resource
        assert resource["meta"]["tag"] == [{"system": EMITTED_SYSTEM, "code": resource["id"]}]

    def test_targets_are_literal(self, release: str) -> None:
        resource = provenance(TARGETS, WANTED, release, a_context())
        named = [target["reference"] for target in resource["target"]]
        assert named == ["Observation/bbbb", "Procedure/aaaa"]

    def test_without_a_target_there_is_none(self, release: str) -> None:
        with pytest.raises(ValueError, match="target"):
            provenance([], WANTED, release, a_context())


@pytest.mark.parametrize("release", RELEASES)
class TestTransaction:
    """delivery-probe 4, rung A: PUT Type/uuid with literal references."""

    def bundle(self, release: str) -> dict[str, object]:
        context = a_context()
        made = [render(desired(content), release, context) for content in one_of_each()]
        entries = [(r["resourceType"], r["id"], r) for r in made]
        about = provenance([(t, i) for t, i, _ in entries], WANTED, release, context)
        entries.append(("Provenance", about["id"], about))
        return transaction(entries, release, {("Procedure", made[0]["id"]): 'W/"3"'})

    def test_it_is_valid(self, release: str) -> None:
        assert_valid(self.bundle(release), release)

    def test_every_entry_is_a_put_under_our_uuid(self, release: str) -> None:
        for entry in self.bundle(release)["entry"]:  # type: ignore[attr-defined]
            resource = entry["resource"]
            assert entry["request"]["method"] == "PUT"
            assert entry["request"]["url"] == f"{resource['resourceType']}/{resource['id']}"
            assert entry["fullUrl"] == f"urn:uuid:{resource['id']}"
            assert "ifNoneExist" not in entry["request"]

    def test_a_known_version_is_guarded(self, release: str) -> None:
        """delivery-probe 0.6: a stale ifMatch stops a late older version."""
        requests = [e["request"] for e in self.bundle(release)["entry"]]  # type: ignore[attr-defined]
        assert [r.get("ifMatch") for r in requests] == ['W/"3"', *[None] * 6]

    def test_the_order_is_kept(self, release: str) -> None:
        types = [e["resource"]["resourceType"] for e in self.bundle(release)["entry"]]  # type: ignore[attr-defined]
        assert types[0] == "Procedure"
        assert types[-1] == "Provenance"

    def test_bytes_rendered_once_travel_unchanged(self, release: str) -> None:
        body = msgspec.Raw(b'{"resourceType":"Task","id":"x","restriction":{"repetitions":1}}')
        sent = msgspec.json.encode(transaction([("Task", "x", body)], release, {}))
        assert bytes(body) in sent
        assert json.loads(sent)["entry"][0]["request"] == {"method": "PUT", "url": "Task/x"}

    def test_an_empty_one_is_refused(self, release: str) -> None:
        with pytest.raises(ValueError, match="entry"):
            transaction([], release, {})


class TestReleases:
    def test_only_two(self) -> None:
        with pytest.raises(ValueError, match="R4B"):
            transaction([("Task", "x", {})], "R4B", {})
        with pytest.raises(ValueError, match="R4B"):
            provenance(TARGETS, WANTED, "R4B", a_context())

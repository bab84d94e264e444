"""The crate of a shared zip against the public RO-Crate validator (roc-validator, by CRS4), at every level it knows."""

from pathlib import Path

import pytest
import requests
import rocrate
from rocrate_validator import models, services

# What RO-Crate 1.3 recommends and a private record cannot give: a publisher, and a licence with a public address.
NOT_FOR_PRIVATE_RECORDS = ("`publisher`", "License entity SHOULD have an absolute")


@pytest.fixture
def no_network(monkeypatch):
    """Answer the one request that validation makes, for the RO-Crate context, from the copy that rocrate ships."""
    context = (Path(rocrate.__file__).parent / "data" / "ro-crate.jsonld").read_bytes()

    def answer(self, method, url, **options):
        found = requests.Response()
        found.url, found.headers["Content-Type"] = str(url), "application/ld+json"
        found.status_code = 200 if "w3id.org/ro/crate/1.3/context" in str(url) else 404
        found._content = context
        return found

    monkeypatch.setattr(requests.Session, "request", answer)


@pytest.mark.usefixtures("no_network")
def test_the_public_validator_finds_nothing_against_it(shared):
    settings = services.ValidationSettings(
        rocrate_uri=str(shared.path),
        profile_identifier="ro-crate-1.3",
        requirement_severity=models.Severity.RECOMMENDED,
        no_cache=True,
    )
    issues = list(services.validate(settings).get_issues())
    assert [i.message for i in issues if i.severity >= models.Severity.REQUIRED] == []
    assert [i.message for i in issues if not any(text in i.message for text in NOT_FOR_PRIVATE_RECORDS)] == []
    assert len(issues) == 2  # it did look

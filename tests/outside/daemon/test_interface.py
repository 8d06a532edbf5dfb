"""The interface held against its own description, by a generator of requests that knows nothing else of it."""

import json

import pytest
import schemathesis
from hypothesis import HealthCheck, settings
from schemathesis.checks import CHECKS

# What a bench does with a request that is right depends on its state: 404 and 409 are as good an answer as 200.
NOT_HELD = {"positive_data_acceptance", "missing_required_header", "use_after_free", "ensure_resource_availability"}


@pytest.fixture(scope="session")
def description(daemon):
    schema = schemathesis.openapi.from_dict(json.loads(daemon.get("/api/v1/openapi.json")))
    schema.config.update(base_url=daemon.url)
    # A stream of events does not end, and a token that is revoked is this check's own.
    return schema.exclude(path_regex="/events$|/revoke$")


schema = schemathesis.pytest.from_fixture("description")


@schema.parametrize()
@settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
def test_answers_are_as_described(case, daemon):
    left_out = [CHECKS.get_one(name) for name in CHECKS.get_all_names() if name in NOT_HELD]
    response = case.call(headers=daemon.headers)
    case.validate_response(response, headers=daemon.headers, excluded_checks=left_out)
    if response.status_code >= 400 and "problem" in response.headers.get("content-type", [""])[0]:
        assert response.json()["instead"], "a refusal says what to do instead"


def test_the_description_is_of_its_version(daemon):
    described = json.loads(daemon.get("/api/v1/openapi.json"))
    assert described["openapi"].startswith("3.1")
    rights = {
        operation["x-right"] for methods in described["paths"].values() for operation in methods.values()
    }
    assert rights == {"none", "look", "operate", "maintain"}

"""The interface held against its own description, by a generator of requests that knows nothing else of it."""

import json

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis import GenerationMode
from schemathesis.checks import CHECKS

# What a bench does with a request that is right depends on its state: 404 and 409 are as good an answer as 200.
NOT_HELD = {"positive_data_acceptance", "missing_required_header", "use_after_free", "ensure_resource_availability"}

EXAMPLES = settings(
    max_examples=25, deadline=None, derandomize=True, database=None, suppress_health_check=list(HealthCheck)
)


@pytest.fixture(scope="session")
def description(daemon):
    schema = schemathesis.openapi.from_dict(json.loads(daemon.get("/api/v1/openapi.json")))
    schema.config.update(base_url=daemon.url)
    # A stream of events does not end, and a token that is revoked may be this check's own.
    return schema.exclude(path_regex="/events$|/revoke$")


def check(operation, mode, daemon):
    left_out = [CHECKS.get_one(name) for name in CHECKS.get_all_names() if name in NOT_HELD]

    @EXAMPLES
    @given(case=operation.as_strategy(generation_mode=mode))
    def of(case):
        response = case.call(headers=daemon.headers)
        case.validate_response(response, headers=daemon.headers, excluded_checks=left_out)
        if response.status_code >= 400 and response.status_code != 503:
            assert response.json()["instead"], "a refusal says what to do instead"

    of()


@pytest.mark.parametrize("mode", [GenerationMode.POSITIVE, GenerationMode.NEGATIVE])
def test_answers_are_as_described_whatever_is_sent(description, daemon, mode):
    operations = [found.ok() for found in description.get_all_operations()]
    assert len(operations) >= 25
    wrong = []
    for operation in operations:
        if mode == GenerationMode.NEGATIVE and not (operation.body or operation.query or operation.path_parameters):
            # There is nothing to send that could be wrong.
            continue
        try:
            check(operation, mode, daemon)
        except BaseExceptionGroup as several:
            wrong += [f"{operation.label}: {one}" for one in several.exceptions]
        except Exception as one:
            wrong.append(f"{operation.label}: {one}")
    assert not wrong, "\n\n".join(wrong)


def test_the_description_is_of_its_version(daemon):
    described = json.loads(daemon.get("/api/v1/openapi.json"))
    assert described["openapi"].startswith("3.1")
    rights = {
        operation["x-right"] for methods in described["paths"].values() for operation in methods.values()
    }
    assert rights == {"none", "look", "operate", "maintain"}

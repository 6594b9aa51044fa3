"""The OpenAPI document and the application, held against each other by tools of others."""

import json
from collections.abc import Iterator

import pytest
import schemathesis
from ebbmark_collector.http.operation import Operation, Scope
from ebbmark_collector.http.resources import every_operation
from ebbmark_collector.intake import accept
from ebbmark_collector.settings import Settings
from ebbmark_collector.store.sqlite import SqliteStore
from hypothesis import HealthCheck, Phase, given
from hypothesis import settings as hypothesis_settings
from hypothesis.errors import Unsatisfiable
from openapi_spec_validator import OpenAPIV31SpecValidator
from schemathesis import GenerationMode
from schemathesis.specs.openapi.checks import (
    ignored_auth,
    missing_required_header,
    positive_data_acceptance,
    unsupported_method,
)

from tests.collector import wire
from tests.collector.conftest import Api, SetClock, make_api


def test_the_document_is_openapi_3_1(api: Api) -> None:
    """The document served is valid OpenAPI 3.1 (openapi-spec-validator)."""
    document = api.client(None).get("/openapi.json").get_json()

    OpenAPIV31SpecValidator(document).validate()
    assert document["openapi"].startswith("3.1")


def test_every_operation_is_in_the_document(api: Api) -> None:
    """Each route is described, with a summary, and each body with an example or a description."""
    document = api.client(None).get("/openapi.json").get_json()

    described = {(method.upper(), path) for path, item in document["paths"].items() for method in item}
    assert described == {(operation.method, operation.path) for operation in every_operation()}
    assert all(operation.summary for operation in every_operation())


def test_schemas_have_names_of_one_word(api: Api) -> None:
    """No schema is called by its module: clients make classes of these names."""
    document = api.client(None).get("/openapi.json").get_json()

    schemas = document["components"]["schemas"]
    assert [name for name in schemas if not name.isalnum()] == []
    assert all(schema["title"] == name for name, schema in schemas.items())


def test_operation_names_are_unique() -> None:
    """A client made from the document gets one function for each operation."""
    names = [operation.name for operation in every_operation()]

    assert sorted(set(names)) == sorted(names)


def test_examples_fit_their_schemas() -> None:
    """Every example of a body is accepted by the model it is an example of."""
    for operation in every_operation():
        if operation.body is not None and operation.body_example is not None and not operation.raw_body:
            operation.body.model_validate_json(json.dumps(operation.body_example))


@pytest.fixture(scope="module")
def behind(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Api]:
    """An application that the generated requests of this module share."""
    store = SqliteStore(tmp_path_factory.mktemp("api") / "collector.db")
    settings = Settings.model_validate({"serve": {"requests_a_minute": 1_000_000}})
    api = make_api(store, SetClock(), settings)
    now = api.time.now
    accept(store, wire.inventory(now), host_id=api.host_id, received_at=now)
    accept(store, wire.soak(now, 90e6), host_id=api.host_id, received_at=now)
    yield api
    store.close()


@pytest.fixture(scope="module")
def schema(behind: Api) -> schemathesis.BaseSchema:
    """The document as schemathesis reads it."""
    return schemathesis.openapi.from_wsgi("/openapi.json", behind.app)


@pytest.mark.parametrize(
    "mode", [GenerationMode.POSITIVE, GenerationMode.NEGATIVE], ids=["fits", "does not fit"]
)
@pytest.mark.parametrize(
    "operation", every_operation(), ids=lambda operation: f"{operation.method} {operation.path}"
)
def test_no_request_finds_a_fault(
    behind: Api, schema: schemathesis.BaseSchema, operation: Operation, mode: GenerationMode
) -> None:
    """Whatever fits the document is answered as it says; what does not is refused; nothing is a 500."""
    described = schema[operation.path][operation.method]
    scope = "agent" if operation.scopes == {Scope.AGENT} else "admin"

    excluded = [ignored_auth, missing_required_header, unsupported_method]
    if operation.method != "GET":
        excluded.append(
            positive_data_acceptance
        )  # "in the future" and "a role that exists" no schema can say

    @hypothesis_settings(
        max_examples=4,
        deadline=None,
        database=None,
        derandomize=True,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=described.as_strategy(generation_mode=mode))
    def hold(case: schemathesis.Case) -> None:
        if mode is GenerationMode.POSITIVE:
            case.query.pop("cursor", None)  # only one that was made here is taken
        case.call_and_validate(
            headers={"Authorization": f"Bearer {behind.tokens[scope]}", "Accept-Encoding": "identity"},
            excluded_checks=excluded,
        )

    try:
        hold()
    except Unsatisfiable:
        assert mode is GenerationMode.NEGATIVE  # nothing of this operation can be wrong

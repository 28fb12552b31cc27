"""The whole OpenAPI document against the application: no fault of ours, no answer that is not documented."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import schemathesis
from api_client import ALL, client_of, planned_desk
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.schemas import APIOperation
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from router.api.app import create_app
from router.service.desk import Desk

EXAMPLES = 10
CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]


@pytest.fixture(scope="module")
def made(planned: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Desk, str]]:
    desk = planned_desk(planned, tmp_path_factory.mktemp("openapi"))
    yield desk, str(client_of(desk, scopes=ALL).headers["authorization"])


def operations(desk: Desk) -> list[APIOperation]:
    found = schemathesis.openapi.from_asgi("/openapi.json", create_app(desk))
    return [result.ok() for result in found.get_all_operations()]


def test_every_answer_is_documented(made: tuple[Desk, str]) -> None:
    desk, token = made
    asked = 0
    wrong: list[str] = []
    for operation in operations(desk):
        if operation.path.endswith("/stream"):
            continue  # an endless answer by design; test_api.py follows one to its end

        @settings(
            max_examples=EXAMPLES,
            deadline=None,
            derandomize=True,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(case=operation.as_strategy())
        def ask(case: schemathesis.Case) -> None:
            nonlocal asked
            asked += 1
            case.call_and_validate(headers={"Authorization": token}, checks=CHECKS)

        try:
            ask()
        except BaseExceptionGroup as failure:
            wrong.append(f"{operation.label}: {str(failure)[:1500]}")
    assert not wrong, "\n\n".join(wrong)
    assert asked > 40 * EXAMPLES / 2


def test_the_document_is_openapi_3_1_and_names_every_operation(made: tuple[Desk, str]) -> None:
    document = create_app(made[0]).openapi()
    assert document["openapi"].startswith("3.1")
    for path, operations in document["paths"].items():
        for method, operation in operations.items():
            assert operation.get("description"), (method, path)
            documented = set(operation["responses"])
            assert {"401", "403"} <= documented, (method, path)
            assert documented & {"404", "422"}, (method, path)

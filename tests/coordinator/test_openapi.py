"""The interface's description: kept in fixtures/, so that every change to it is seen and meant."""

import json
from pathlib import Path

import pytest
from django.conf import settings
from schemathesis.specs.openapi.definitions import OPENAPI_31_VALIDATOR

from tests.site import make_site

KEPT = Path(settings.BASE_DIR) / "fixtures" / "openapi.json"


@pytest.mark.django_db
def test_the_description_is_the_one_that_is_kept() -> None:
    answer = make_site().client("observer", writes=False).get("/api/v1/openapi.json")
    served = json.loads(answer.content)
    kept = json.loads(KEPT.read_text(encoding="utf-8"))
    assert served["openapi"].startswith("3.1")
    assert served == kept, (
        "write it anew with: python -m coordinator spectacular --format openapi-json --file fixtures/openapi.json"
    )


@pytest.mark.django_db
def test_every_address_names_what_it_answers_and_who_may_ask() -> None:
    description = json.loads(KEPT.read_text(encoding="utf-8"))
    names = [
        operation["operationId"]
        for methods in description["paths"].values()
        for method, operation in methods.items()
        if method in ("get", "post", "patch", "put", "delete")
    ]
    assert len(names) == len(set(names)) > 25
    for path, methods in description["paths"].items():
        for method, operation in methods.items():
            if method in ("get", "post", "patch", "put", "delete"):
                assert operation["security"] == [{"token": []}], path


def test_every_write_may_be_repeated_and_every_edit_names_its_version() -> None:
    description = json.loads(KEPT.read_text(encoding="utf-8"))
    for path, methods in description["paths"].items():
        for method, operation in methods.items():
            headers = {item["name"] for item in operation["parameters"] if item["in"] == "header"}
            if operation["operationId"] == "token_revoke":
                continue
            assert ("Idempotency-Key" in headers) == (method != "get"), (method, path)
            assert ("If-Match" in headers) == (method in ("put", "patch", "delete")), (method, path)
            assert ("428" in operation["responses"]) == ("If-Match" in headers), (method, path)
            assert operation["responses"]["401"]["content"].keys() == {"application/problem+json"}


def test_the_description_fits_the_schema_of_openapi_3_1() -> None:
    """The schema of OpenAPI 3.1 of its authors (oas/3.1/schema/2022-10-07), in the copy that schemathesis carries."""
    description = json.loads(KEPT.read_text(encoding="utf-8"))
    OPENAPI_31_VALIDATOR.validate(description)

"""The promise of v1: what was described once stays, whatever else comes.

`fixtures/interface-v1.txt` holds the interface line by line; lines are added to it and never taken out. After adding to the
interface: FAIRBAND_PROMISE=1 .venv/bin/python -m pytest tests/coordinator/test_promise.py
"""

import copy
import json
import os
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from django.conf import settings

KEPT = settings.BASE_DIR / "fixtures" / "interface-v1.txt"
DESCRIPTION = settings.BASE_DIR / "fixtures" / "openapi.json"
METHODS = ("get", "post", "put", "patch", "delete")
ASKED = " must be given"


def described() -> dict[str, Any]:
    return json.loads(DESCRIPTION.read_text(encoding="utf-8"))


def promised() -> set[str]:
    return set(KEPT.read_text(encoding="utf-8").splitlines())


def lines_of(description: dict[str, Any]) -> set[str]:
    """Everything that a client may count on, and everything that it has to give."""
    return {*_operations(description), *_schemas(description)}


def _operations(description: dict[str, Any]) -> Iterator[str]:
    for path, methods in description["paths"].items():
        for method in METHODS:
            if method not in methods:
                continue
            operation, door = methods[method], f"{method.upper()} {path}"
            yield f"{door} is {operation['operationId']}"
            for given in operation.get("parameters", ()):
                yield f"{door} takes {given['in']} {given['name']}: {_type(given['schema'])}"
                if given.get("required"):
                    yield f"{door} {given['in']} {given['name']}{ASKED}"
            body = operation.get("requestBody", {})
            for media, content in body.get("content", {}).items():
                yield f"{door} takes {media}: {_type(content.get('schema', {}))}"
            if body.get("required"):
                yield f"{door} body{ASKED}"
            for status, answer in operation["responses"].items():
                for media, content in answer.get("content", {}).items():
                    yield f"{door} answers {status} {media}: {_type(content.get('schema', {}))}"


def _schemas(description: dict[str, Any]) -> Iterator[str]:
    sent = _sent(description)
    for name, schema in description["components"]["schemas"].items():
        for value in schema.get("enum", ()):
            yield f"{name} may be {json.dumps(value)}"
        for field, what in schema.get("properties", {}).items():
            yield f"{name}.{field}: {_type(what)}"
            if name in sent and field in schema.get("required", ()) and not what.get("readOnly"):
                yield f"{name}.{field}{ASKED}"


def _sent(description: dict[str, Any]) -> set[str]:
    """The schemas that clients send, and those inside of them."""
    schemas, found = description["components"]["schemas"], set()
    waiting = [
        operation.get("requestBody", {})
        for methods in description["paths"].values()
        for method, operation in methods.items()
        if method in METHODS
    ]
    while waiting:
        for name in _references(waiting.pop()):
            if name not in found:
                found.add(name)
                waiting.append(schemas[name])
    return found


def _references(part: Any) -> Iterator[str]:
    if isinstance(part, dict):
        if "$ref" in part:
            yield part["$ref"].rsplit("/", 1)[1]
        part = list(part.values())
    for inner in part if isinstance(part, list) else ():
        yield from _references(inner)


def _type(schema: dict[str, Any]) -> str:
    """The shape of a value in few words; limits and descriptions may change."""
    if "$ref" in schema:
        return schema["$ref"].rsplit("/", 1)[1]
    for several in ("allOf", "oneOf", "anyOf"):
        if several in schema:
            return " or ".join(sorted(_type(inner) for inner in schema[several]))
    kinds = schema.get("type", "anything")
    words = " or ".join(kinds) if isinstance(kinds, list) else kinds
    if "items" in schema:
        return f"{words} of {_type(schema['items'])}"
    return f"{words} {schema['format']}" if "format" in schema else words


def broken(before: set[str], now: set[str]) -> list[str]:
    """What a client of before misses now, and what it would have to give that it did not know of."""
    gone = [f"gone: {line}" for line in before - now if not line.endswith(ASKED)]
    known = {line.split(": ")[0] for line in before if ": " in line}
    doors = {line.split(" is ")[0] for line in before if " is " in line}
    for line in now - before:
        if line.endswith(ASKED):
            of = line.removesuffix(ASKED)
            owner = of.rsplit(".", 1)[0] if not of.startswith(tuple(m.upper() for m in METHODS)) else ""
            old = (
                any(key.startswith(f"{owner}.") for key in known) if owner else of.rsplit(" ", 2)[0] in doors
            )
            if old or of.removesuffix(" body") in doors:
                gone.append(f"asked for anew: {line}")
    return sorted(gone)


def test_nothing_of_v1_went_away_and_nothing_more_is_asked_for() -> None:
    assert broken(promised(), lines_of(described())) == []


def test_what_came_is_promised_too() -> None:
    before, now = promised() if KEPT.exists() else set(), lines_of(described())
    if os.environ.get("FAIRBAND_PROMISE"):
        KEPT.write_text("\n".join(sorted(before | now)) + "\n", encoding="utf-8")
    assert sorted(now - promised()) == [], "say FAIRBAND_PROMISE=1, as this file's first lines do"


def without_a_field(description: dict[str, Any]) -> None:
    del description["components"]["schemas"]["Run"]["properties"]["placed"]


def of_another_type(description: dict[str, Any]) -> None:
    description["components"]["schemas"]["Run"]["properties"]["placed"] = {"type": "string"}


def without_an_address(description: dict[str, Any]) -> None:
    del description["paths"]["/api/v1/events/{slug}/runs/"]


def without_a_state(description: dict[str, Any]) -> None:
    description["components"]["schemas"]["RunState"]["enum"].remove("cancelled")


def asking_for_a_field(description: dict[str, Any]) -> None:
    schema = description["components"]["schemas"]["RunRequest"]
    schema["required"] = [*schema.get("required", ()), "seed"]


def asking_for_a_new_field(description: dict[str, Any]) -> None:
    schema = description["components"]["schemas"]["RunRequest"]
    schema["properties"]["hue"] = {"type": "string"}
    schema["required"] = ["hue"]


def asking_for_a_parameter(description: dict[str, Any]) -> None:
    door = description["paths"]["/api/v1/events/{slug}/runs/"]["get"]
    door["parameters"].append({"in": "query", "name": "hue", "schema": {"type": "string"}, "required": True})


@pytest.mark.parametrize(
    "change",
    [
        without_a_field, of_another_type, without_an_address, without_a_state, asking_for_a_field,
        asking_for_a_new_field, asking_for_a_parameter,
    ],
)  # fmt: skip
def test_each_way_of_breaking_it_is_seen(change: Callable[[dict[str, Any]], None]) -> None:
    changed = copy.deepcopy(described())
    change(changed)
    assert broken(lines_of(described()), lines_of(changed))


def test_what_only_adds_breaks_nothing() -> None:
    changed = copy.deepcopy(described())
    changed["components"]["schemas"]["Run"]["properties"]["hue"] = {"type": "string"}
    changed["paths"]["/api/v1/hues/"] = {
        "post": {"operationId": "hues", "responses": {}, "requestBody": {"required": True, "content": {}}}
    }
    assert broken(lines_of(described()), lines_of(changed)) == []

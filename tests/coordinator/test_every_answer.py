"""Every operation of the interface under made-up requests, by schemathesis, from its own description and in this process.

No request may end in an error of the server, and every answer must be one that the description has: status, media type,
headers and shape (RFC 9110 and OpenAPI 3.1). Requests are made from a fixed seed, and nothing they did is kept.
"""

from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import count
from typing import Any

import pytest
import schemathesis
from django.core.signals import request_finished, request_started
from django.db import close_old_connections, transaction
from hypothesis import HealthCheck, Phase, given, seed, settings
from schemathesis import GenerationMode, checks
from schemathesis.specs.openapi import checks as described

from apps.planning import actions as planning
from apps.planning import running, surveying
from apps.planning.actions import Selection
from apps.publishing.actions import publish
from apps.registry import permitting
from apps.registry.models import Carrier, Registration
from apps.spectrum import reading
from apps.spectrum.actions import add_outsider, plan_range
from coordinator.wsgi import application
from tests.site import Site, line, make_site, register

pytestmark = [pytest.mark.django_db, pytest.mark.slow]  # the interface is described alike for every database
EXAMPLES = {GenerationMode.POSITIVE: 4, GenerationMode.NEGATIVE: 3}
CHECKS = [
    checks.not_a_server_error, described.status_code_conformance, described.content_type_conformance,
    described.response_headers_conformance, described.response_schema_conformance,
]  # fmt: skip


@pytest.fixture
def site() -> Site:
    """An event with something of everything: registered, planned, agreed, published, a run that waits, a survey."""
    site = make_site()
    register(site.coordinator, line("vocals", quantity=2, external_id="X1"), line("crane", department="VID"))
    carriers = Carrier.objects.order_by("code")
    for carrier, hertz in zip(carriers, (481_000_000, 493_000_000, 520_000_000), strict=True):
        planning.change_frequency(actor=site.coordinator, carrier=carrier, frequency_hz=hertz, reason="seen")
    planning.approve(actor=site.coordinator, selection=Selection(filter={}))
    publish(actor=site.coordinator, note="first")
    running.request_run(actor=site.coordinator)
    plan_range(
        actor=site.coordinator, label="late", low_hz=470_000_000, high_hz=471_000_000, purpose="for late arrivals"
    )  # fmt: skip
    add_outsider(
        actor=site.coordinator, label="theatre", zone=site.zone("gate"), frequency_hz=601_000_000, bandwidth_hz=200_000
    )  # fmt: skip
    asked = {"low_hz": 700_000_000, "high_hz": 701_000_000, "width_hz": 200_000, "power_mw": 50}
    permitting.answer(actor=site.coordinator, rows=[asked])
    sweep = b"".join(b"%d;%d\n" % (480_000_000 + step * 25_000, -110 + step % 7 * 9) for step in range(400))
    survey = surveying.keep_survey(
        actor=site.coordinator, zone=site.zone("main"), name="sweep.csv", content=[sweep], resolution_hz=25_000,
        taken_at=datetime(2027, 6, 12, 12, tzinfo=UTC),
    )  # fmt: skip
    reading.read(survey.pk, "test")
    return site


@pytest.fixture(autouse=True)
def one_connection() -> Iterator[None]:
    """Requests share the test's own transaction, so they must not close its connection (as Django's test client has it)."""
    signals = [request_started, request_finished]
    for signal in signals:
        signal.disconnect(close_old_connections)
    yield
    for signal in signals:
        signal.connect(close_old_connections)


def known(site: Site) -> dict[str, list[Any]]:
    """What stands for each part of an address, so that requests meet something that is there."""
    return {
        "id": list(Registration.objects.values_list("pk", flat=True)),
        "number": [1],
        "carrier": ["AUD-001", "VID-001"],
        "departments": ["AUD", "GRD"],
        "zones": ["main", "gate"],
        "zone": ["main", "gate"],
        "kinds": ["mic", "hopping"],
        "permissions": ["PER-001"],
        "outsiders": ["OUT-001"],
    }


def operations(site: Site) -> Iterator[Any]:
    client = site.client("coordinator")
    headers = {"Authorization": client._credentials["HTTP_AUTHORIZATION"]}
    schema = schemathesis.openapi.from_wsgi("/api/v1/openapi.json", application, headers=headers)
    for found in schema.get_all_operations():
        yield found.ok(), headers


@pytest.mark.parametrize(
    "mode", [GenerationMode.POSITIVE, GenerationMode.NEGATIVE], ids=["fitting", "unfitting"]
)
def test_no_request_breaks_the_server_or_gets_an_answer_that_is_not_described(
    site: Site, mode: GenerationMode
) -> None:
    there, failures = known(site), []
    answered: Counter[tuple[str, int]] = Counter()
    for operation, headers in operations(site):
        try:
            ask(operation, mode, headers, there, answered)
        except BaseExceptionGroup as failure:
            failures.append(f"{operation.label}: {failure}")
    assert not failures, "\n\n".join(failures)
    assert len({label for label, _ in answered}) > 45


def ask(
    operation: Any,
    mode: GenerationMode,
    headers: dict[str, str],
    there: dict[str, list[Any]],
    answered: Counter[Any],
) -> None:
    turns = count()

    @seed(1)
    @settings(
        max_examples=EXAMPLES[mode], database=None, deadline=None, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(case=operation.as_strategy(generation_mode=mode))
    def each(case: Any) -> None:
        point(case, there, next(turns))
        case.headers = {
            name: text for name, text in case.headers.items() if name.lower() != "authorization"
        } | headers
        with transaction.atomic():
            answer = case.call()
            transaction.set_rollback(True)
        answered[operation.label, answer.status_code] += 1
        case.validate_response(answer, checks=CHECKS)

    each()


def point(case: Any, there: dict[str, list[Any]], turn: int) -> None:
    """Point most requests at the event, and at rows that are there under the version that they are at."""
    for name in case.path_parameters or {}:
        if name == "slug":
            case.path_parameters[name] = "harbour-days"
        elif turn % 4:
            fit = there[case.path.split("/{code}")[0].rsplit("/", 1)[-1] if name == "code" else name]
            case.path_parameters[name] = fit[turn % len(fit)]
    if "If-Match" in case.headers and turn % 4:
        case.headers["If-Match"] = "*"

"""Common to all tests: a data folder of their own, and what cannot run on this machine is left out loudly."""

import os
import tempfile
from pathlib import Path

# Before Django reads its settings: nothing that a test does may touch the data of a real service.
if "FAIRBAND_DATA" not in os.environ:
    os.environ["FAIRBAND_DATA"] = tempfile.mkdtemp(prefix="fairband-tests-")
os.environ.setdefault(
    "DJANGO_ALLOW_ASYNC_UNSAFE", "true"
)  # playwright keeps an event loop in the test's thread

import pytest
from hypothesis import HealthCheck, settings

from tests import surroundings

# A machine that others use too is slow at times; that is no fault of what is tested.
settings.register_profile(
    "shared", max_examples=50, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("shared")

ROOT = Path(__file__).resolve().parent.parent


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Tests whose surroundings are missing are deselected; the summary names them. The slow ones begin, so that none is last."""
    present = {"browser": surroundings.browser() is not None}
    left = [
        item for item in items if all(ok or not item.get_closest_marker(name) for name, ok in present.items())
    ]
    config.hook.pytest_deselected(items=[item for item in items if item not in left])
    items[:] = sorted(left, key=lambda item: item.get_closest_marker("slow") is None)


@pytest.fixture(autouse=True)
def nothing_remembered(request: pytest.FixtureRequest) -> None:
    """Rows of another test may bear the same keys and versions: what was worked out from them is forgotten."""
    if request.node.get_closest_marker("django_db"):
        from apps.planning.siting import _sited  # noqa: PLC0415 - only where the apps are loaded

        _sited.cache_clear()

"""What is safe on a laptop is refused where others depend on it, each with a hint."""

import pytest

from coordinator.checks import production_is_safe


def found(settings, **values: object) -> set[str]:
    for name, value in values.items():
        setattr(settings, name, value)
    return {error.id for error in production_is_safe(None)}


def test_a_laptop_is_left_alone(settings) -> None:
    assert found(settings, PRODUCTION=False, DEBUG=True) == set()


def test_production_is_refused_with_laptop_settings(settings) -> None:
    refused = found(
        settings, PRODUCTION=True, DEBUG=True, SECRET_KEY_IS_OWN=True, DATABASE_URL="", REDIS_URL="", BEHIND_TLS=False,
        ALLOWED_HOSTS=["*"],
    )  # fmt: skip
    assert refused == {f"fairband.E00{number}" for number in range(1, 7)}
    assert all(error.hint for error in production_is_safe(None))


@pytest.mark.parametrize(
    ("name", "value", "identity"),
    [
        ("REDIS_URL", "", "fairband.E004"),
        ("BEHIND_TLS", False, "fairband.E005"),
        ("DEBUG", True, "fairband.E001"),
    ],
)
def test_each_is_named_alone(settings, name: str, value: object, identity: str) -> None:
    safe = {
        "PRODUCTION": True, "DEBUG": False, "SECRET_KEY_IS_OWN": False, "DATABASE_URL": "postgresql://db/fairband",
        "REDIS_URL": "redis://queue:6379/0", "BEHIND_TLS": True, "ALLOWED_HOSTS": ["plan.example"],
    }  # fmt: skip
    assert found(settings, **safe) == set()
    assert found(settings, **{name: value}) == {identity}

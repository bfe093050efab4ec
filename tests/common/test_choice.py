"""Choices of many rows: what one field of a form carries comes back as it was, and a changed row refuses it."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from apps.common.choice import Choice
from apps.common.errors import Conflict, Faulty

KEYS = st.text(st.characters(categories=["L", "N"], include_characters="-"), min_size=1, max_size=12)


@given(st.dictionaries(KEYS, st.integers(0, 10**6)))
def test_a_choice_survives_its_field(versions: dict[str, int]) -> None:
    choice = Choice(versions)
    assert Choice.read([choice.text]) == choice
    assert Choice.read(choice.text.split()) == choice
    assert Choice(dict(reversed(versions.items()))).digest == choice.digest


@given(st.dictionaries(KEYS, st.integers(0, 100), min_size=1), st.data())
def test_any_change_of_a_row_changes_the_digest_and_refuses_the_choice(
    versions: dict[str, int], data: st.DataObject
) -> None:
    key = data.draw(st.sampled_from(sorted(versions)))
    changed = {**versions, key: versions[key] + 1}
    assert Choice(changed).digest != Choice(versions).digest
    with pytest.raises(Conflict, match=f"1 of these {len(versions)} rows"):
        Choice(versions).refuse_changed(changed)
    with pytest.raises(Conflict):
        Choice(versions).refuse_changed({name: v for name, v in versions.items() if name != key})
    Choice(versions).refuse_changed({**versions, "another": 3})


@pytest.mark.parametrize(
    "text", ["AUD-001", ":3", "AUD-001:x", "AUD-001:-1", "AUD-001:", "AUD-001:²", "AUD-001:" + "9" * 5000]
)
def test_nonsense_is_named(text: str) -> None:
    with pytest.raises(Faulty) as refused:
        Choice.read([text])
    assert refused.value.faults[0].value == text[:60]

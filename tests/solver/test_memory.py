"""Where memory cannot hold all maps, places have their turn one after the other: the plan keeps every promise all the same."""

import time
from functools import cache

import pytest

from apps.solver import Progress, read_problem, verify
from apps.solver.events import event
from apps.solver.problem import Problem
from apps.solver.search import Search


@cache
def problem() -> Problem:
    return read_problem(event(carriers=50, stages=8, slots=4, seed=3))


def bytes_of_all_maps() -> int:
    air = Search(problem()).air
    return sum(ward.maps.bytes_per_slot for site in air.sites for ward in site.wards) * len(air.slots)


def plan_of(search: Search) -> dict[str, int]:
    return {carrier.id: int(hz) for carrier, hz in zip(search.problem.carriers, search.hz, strict=True) if hz}


@pytest.mark.parametrize("share", [0.6, 0.3])
def test_little_memory_leaves_nobody_out_and_is_kept(share: float) -> None:
    room = int(share * bytes_of_all_maps())
    search = Search(problem(), memory_bytes=room)
    assert not search.air.roomy
    most = 0

    def look(progress: Progress) -> None:
        nonlocal most
        awake = [ward.maps for site in search.air.sites for ward in site.wards if ward.maps.awake]
        most = max(most, sum(maps.rows.nbytes for maps in awake))

    search.on_progress = look
    search.run()
    plan = plan_of(search)
    assert verify(problem(), plan).ok
    assert len(plan) == len(problem().carriers)
    # One carrier's own places have to be there at once, whatever the room.
    largest = max(
        sum(ward.maps.bytes_per_slot for site in sites for ward in site.wards) * len(search.air.slots)
        for sites in search.air.sites_of
    )
    assert 0 < most <= room + largest


def test_places_have_their_turn_one_after_the_other_and_neighbours_follow_each_other() -> None:
    """Places in a row of which each hears the next, written down in no order, have their turn along the row."""
    row = "abcdefgh"
    near = {code: [row[k] for k in (at - 1, at, at + 1) if 0 <= k < len(row)] for at, code in enumerate(row)}
    tuning = [{"low_hz": 500_000_000, "high_hz": 510_000_000, "step_hz": 25_000}]
    document = {
        "format": "planning-problem/1",
        "zones": [{"id": code, "hears": dict.fromkeys(near[code], -3.0)} for code in "dhbfagce"],
        "carriers": [{"id": f"in {code}", "zone": code, "kind": "mic", "tuning": tuning} for code in row],
        "products": [{"family": "2A-B", "guard_hz": 100_000, "treatment": "forbid"}],
    }
    search = Search(read_problem(document))
    assert search._turns() == [0] * len(row)
    search.air.memory_bytes = 0
    turns = search._turns()
    assert sorted(turns) == list(range(len(row)))
    assert all(abs(turns[k] - turns[k + 1]) == 1 for k in range(len(row) - 1))


def test_pricing_hears_of_the_end() -> None:
    """Prices of a large event take long where maps have to be built for each: a wish to stop is heard in between."""
    heard: list[str] = []
    search = Search(problem(), on_progress=lambda progress: heard.append(progress.stage))
    search.deadline = time.monotonic() + 1000
    search.should_stop = lambda: "moving" in heard
    search.run()
    assert search.stopped == "cancelled"
    assert heard.count("moving") == 1

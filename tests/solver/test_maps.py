"""Load maps against plain enumeration of products, for every family of the format."""

from itertools import permutations

import numpy as np
import pytest

from apps.solver.axis import Axis, Domain, bands_hz
from apps.solver.bench import third_order_map
from apps.solver.maps import Maps
from apps.solver.problem import FAMILIES, Carrier, ProductRule, Tuning, coefficients

BINS, GUARD = 60, 3
WHEN = slice(0, 2)


def carrier(low: int = 1000, high: int = 1000 + BINS - 1) -> Carrier:
    tuning = (Tuning(low, high, 1),)
    return Carrier("c", "z", ("z",), ("z",), "c", tuning, 0, ("s", "t"), 2, 0.0, True, None, None)


def rule(family: str) -> ProductRule:
    return ProductRule(family, GUARD, "forbid", -40.0, 1.0, "receivers", None, None)


def plain_load(family: str, at: int, sources: list[tuple[int, float]]) -> float:
    """The load at a frequency, by trying every choice of letters; letters of equal coefficient are unordered."""
    factors, total = coefficients(family), 0.0
    for chosen in permutations(range(len(sources)), len(factors)):
        twins = [chosen[p] < chosen[p + 1] for p in range(len(factors) - 1) if factors[p] == factors[p + 1]]
        lands = sum(k * sources[i][0] for k, i in zip(factors, chosen, strict=True))
        if all(twins) and abs(lands - at) < GUARD:
            total += float(np.prod([sources[i][1] ** abs(k) for k, i in zip(factors, chosen, strict=True)]))
    return total


def weights(maps: Maps, level: float, urgency: float, on: list[int]) -> np.ndarray:
    mine = [level ** abs(k) for k in maps.factors[:-1]] + [urgency]
    return np.outer(mine, on)


def filled(family: str, everybody: list[tuple[int, float, list[int]]], *, awake: bool) -> Maps:
    axis = Axis(bands_hz(carrier()), bands_hz(carrier()), [rule(family)])
    maps = Maps(coefficients(family), axis.box(rule(family), coefficients(family)), axis, 2)
    if awake:
        maps.wake()
    for i, (hz, level, on) in enumerate(everybody):
        maps.add(i, hz, axis.bin(hz), weights(maps, level, 1.0, on))
    return maps


def crowd(seed: int, n: int = 6) -> list[tuple[int, float, list[int]]]:
    random = np.random.default_rng(seed)
    ways = [[1, 1], [1, 0], [0, 1]]
    return [
        (1000 + int(random.integers(BINS)), float(random.uniform(0.1, 1)), ways[int(random.integers(3))])
        for _ in range(n)
    ]


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("seed", range(3))
def test_suffered_and_caused_are_what_enumeration_finds(family, seed):
    everybody = crowd(seed)
    maps = filled(family, everybody, awake=True)
    bins = np.arange(BINS)
    suffers = maps.read(maps.victim, bins, WHEN)
    causes = maps.caused(bins, np.full(BINS, 0.7), WHEN)
    for t in (0, 1):
        here = [(hz, level) for hz, level, on in everybody if on[t]]
        for c in range(0, BINS, 7):
            hz = 1000 + c
            assert suffers[t, c] == pytest.approx(plain_load(family, hz, here), abs=1e-9)
            added = sum(
                plain_load(family, v, [*(o for k, o in enumerate(here) if k != at), (hz, 0.7)])
                - plain_load(family, v, [o for k, o in enumerate(here) if k != at])
                for at, (v, _) in enumerate(here)
            )
            assert causes[t, c] == pytest.approx(added, abs=1e-9)


@pytest.mark.parametrize("family", FAMILIES)
def test_coming_and_going_leaves_nothing_behind(family):
    everybody = crowd(7, 8)
    maps = filled(family, everybody, awake=True)
    for i in (3, 0, 7):
        maps.remove(i)
    kept = [one for i, one in enumerate(everybody) if i not in (3, 0, 7)]
    assert np.allclose(maps.rows, filled(family, kept, awake=True).rows)


@pytest.mark.parametrize("family", FAMILIES)
def test_maps_that_slept_are_built_alike(family):
    everybody = crowd(3, 8)
    asleep = filled(family, everybody, awake=False)
    asleep.wake()
    assert np.allclose(asleep.rows, filled(family, everybody, awake=True).rows)


@pytest.mark.parametrize("family", FAMILIES)
def test_loads_of_all_victims_at_once(family):
    everybody = crowd(5, 8)
    maps = filled(family, everybody, awake=False)
    loads = np.zeros((len(everybody), 2))
    for i, load in maps.loads(GUARD):
        loads[i] += load
    for t in (0, 1):
        here = {i: (hz, level) for i, (hz, level, on) in enumerate(everybody) if on[t]}
        for i, (hz, _) in here.items():
            others = [source for j, source in here.items() if j != i]
            assert loads[i, t] == pytest.approx(plain_load(family, hz, others), abs=1e-9)


def test_bands_far_apart_get_windows_of_their_own():
    near, far = carrier(), carrier(4_000_000, 4_000_500)
    bands = bands_hz(near) + bands_hz(far)
    axis = Axis(bands, bands, [rule("A+B-C")])
    assert axis.windows == [(0, BINS), (3_999_000, 3_999_501)]
    maps = Maps((1, 1, -1), axis.box(rule("A+B-C"), (1, 1, -1)), axis, 1)
    maps.wake()
    for i, hz in enumerate((4_000_100, 4_000_120, 1010)):
        maps.add(i, hz, axis.bin(hz), weights(maps, 1.0, 1.0, [1]))
    # 1010 + 4000120 − 4000100 = 1030, and nothing else lands in the low band but 990, which is outside.
    assert np.flatnonzero(maps.read(maps.victim, np.arange(BINS), slice(0, 1))[0]).tolist() == [
        28,
        29,
        30,
        31,
        32,
    ]
    assert maps.bytes_per_slot < 200_000


def test_places_of_a_domain():
    domain = Domain([(10, 14), (-3, 0), (13, 16)])
    assert domain.size == 9
    assert domain.at(np.array([-3, -1, 0, 9, 10, 15, 16])).tolist() == [0, 2, -1, -1, 3, 8, -1]


def test_the_whole_third_order_map_by_convolution():
    everybody = crowd(11, 9)
    at, level = np.array([hz - 1000 for hz, _, _ in everybody]), np.array([p for _, p, _ in everybody])
    exact = [
        sum(
            level[a] * level[b] * level[c]
            for a, b, c in permutations(range(9), 3)
            if a < b and at[a] + at[b] - at[c] == k
        )
        for k in range(BINS)
    ]
    assert np.allclose(third_order_map(at, level, BINS), exact, atol=1e-9)

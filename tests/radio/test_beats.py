"""Counting products by convolution against listing every one of them."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from apps.radio import beats
from apps.radio.products import FAMILIES, products_hz


def listed(family, carriers_hz, levels, victim_hz, victim, guard_hz):
    """The load by enumeration: every product of distinct carriers, none of them the victim."""
    others = [i for i in range(len(carriers_hz)) if i != victim]
    hz, letters = products_hz(FAMILIES[family], np.asarray(carriers_hz)[others])
    powers = np.abs(FAMILIES[family])
    weights = (np.asarray(levels)[others][letters] ** powers).prod(axis=1)
    return weights[np.abs(hz - victim_hz) < guard_hz].sum()


def counted(carriers_hz, levels, victims_hz, own, guards, sets=None):
    to_hz = [np.asarray(x, dtype=np.int64) for x in (carriers_hz, victims_hz)]
    return beats.third_order_loads(
        to_hz[0],
        np.atleast_2d(np.asarray(levels, dtype=float)),
        to_hz[1],
        np.asarray(own, dtype=float),
        np.array([np.full(len(victims_hz), guard, dtype=np.int64) for guard in guards]),
        np.zeros(len(victims_hz), dtype=np.int64) if sets is None else np.asarray(sets),
    )


@given(
    st.lists(st.integers(0, 120), min_size=2, max_size=9),
    st.data(),
    st.sampled_from([(100_000, 50_000), (75_000, 25_000), (12_500, 12_500), (150_000, 0)]),
)
def test_every_carrier_as_its_own_victim(marks, data, guards):
    carriers = 470_000_000 + 25_000 * np.array(marks)
    levels = np.array(data.draw(st.lists(st.floats(0.01, 1.0), min_size=len(marks), max_size=len(marks))))
    two, three = counted(carriers, levels, carriers, levels, guards)
    for victim, hz in enumerate(carriers):
        expected_two = listed("2A-B", carriers, levels, hz, victim, guards[0])
        expected_three = listed("A+B-C", carriers, levels, hz, victim, guards[1])
        assert two[victim] == pytest.approx(expected_two, abs=1e-9)
        assert three[victim] == pytest.approx(expected_three, abs=1e-9)


@given(st.lists(st.integers(0, 80), min_size=2, max_size=8), st.integers(-100, 200))
def test_a_victim_that_is_no_carrier(marks, victim):
    carriers = 470_000_000 + 25_000 * np.array(marks)
    levels = np.linspace(1.0, 0.2, len(marks))
    victim_hz = 470_000_000 + 25_000 * victim
    two, three = counted(carriers, levels, [victim_hz], [0.0], (100_000, 50_000))
    assert two[0] == pytest.approx(listed("2A-B", carriers, levels, victim_hz, None, 100_000), abs=1e-9)
    assert three[0] == pytest.approx(listed("A+B-C", carriers, levels, victim_hz, None, 50_000), abs=1e-9)


def test_a_product_exactly_at_the_guard_does_not_count():
    carriers = [470_000_000, 470_300_000]
    two, _ = counted(carriers, [1.0, 1.0], [470_700_000, 470_675_000], [0.0, 0.0], (100_000, 0))
    assert two.tolist() == pytest.approx([0.0, 1.0], abs=1e-12)


def test_a_golomb_ruler_has_no_load():
    # OEIS A003022, 8 marks: no third-order product on any mark.
    carriers = 470_000_000 + 100_000 * np.array([0, 1, 4, 9, 15, 22, 32, 34])
    two, three = counted(carriers, np.ones(8), carriers, np.ones(8), (100_000, 100_000))
    assert np.abs(two).max() < 1e-9 and np.abs(three).max() < 1e-9


def test_bands_far_apart_are_counted_apart():
    low = 174_000_000 + 25_000 * np.array([0, 3, 9])
    high = 863_000_000 + 25_000 * np.array([0, 3, 9])
    apart = counted(low, np.ones(3), low, np.ones(3), (100_000, 50_000))
    both = np.concatenate([low, high])
    together = counted(both, np.ones(6), both, np.ones(6), (100_000, 50_000))
    for one, two in zip(apart, together, strict=True):
        assert two[:3] == pytest.approx(one) and two[3:] == pytest.approx(one)


def test_products_across_sixty_megahertz_count_and_a_lone_carrier_is_no_letter_of_its_own():
    # 2·537 − 597.7 = 476.3, 2·476.3 − 537 = 415.6 and 537 + 476.3 − 597.7 = 415.6 MHz
    carriers = np.array([476_300_000, 537_000_000, 597_700_000])
    two, three = counted(
        carriers, np.ones(3), [*carriers, 415_600_000], [1.0, 1.0, 1.0, 0.0], (100_000, 50_000)
    )
    assert two == pytest.approx([1.0, 0.0, 1.0, 1.0], abs=1e-9)
    assert three == pytest.approx([0.0, 0.0, 0.0, 1.0], abs=1e-9)
    lone = np.array([470_000_000, 470_300_000, 863_100_000])
    two, three = counted(lone, np.ones(3), lone, np.ones(3), (100_000, 50_000))
    assert two[2] == three[2] == 0.0


@given(st.lists(st.integers(0, 40), min_size=8, max_size=90), st.integers(1, 5), st.randoms())
def test_sets_counted_together_are_each_counted_for_themselves(marks, many, random):
    carriers = 470_000_000 + 25_000 * np.array(marks)
    levels = np.array([[random.choice([0.0, 0.5, 1.0]) for _ in marks] for _ in range(many)])
    victims = [random.randrange(len(marks)) for _ in range(12)]
    sets = [random.randrange(many) for _ in victims]
    own = levels[sets, victims]
    together = counted(carriers, levels, carriers[victims], own, (100_000, 50_000), sets)
    for row, (victim, one) in enumerate(zip(victims, sets, strict=True)):
        alone = counted(carriers, levels[one], carriers[[victim]], [own[row]], (100_000, 50_000))
        for all_of_them, single in zip(together, alone, strict=True):
            assert all_of_them[row] == pytest.approx(single[0], rel=1e-9, abs=1e-7)


@given(st.lists(st.integers(0, 14), min_size=12, max_size=14), st.data())
def test_listing_and_convolution_count_alike(marks, data):
    # Few bins: the product map comes by convolution, where elsewhere it is listed.
    carriers = 470_000_000 + 6_250 * np.array(marks)
    levels = np.array(data.draw(st.lists(st.floats(0.01, 1.0), min_size=len(marks), max_size=len(marks))))
    two, three = counted(carriers, levels, carriers, levels, (25_000, 12_500))
    for victim, hz in enumerate(carriers):
        assert two[victim] == pytest.approx(listed("2A-B", carriers, levels, hz, victim, 25_000), abs=1e-9)
        assert three[victim] == pytest.approx(listed("A+B-C", carriers, levels, hz, victim, 12_500), abs=1e-9)


def test_the_bin_is_the_widest_on_which_all_lie():
    assert beats.common_bin_hz(np.array([470_000_000, 470_025_000, 470_100_000])) == 25_000
    assert beats.common_bin_hz(np.array([470_000_000, 470_001_000])) == beats.FLOOR_BIN_HZ
    assert beats.common_bin_hz(np.array([470_000_000])) == beats.FLOOR_BIN_HZ

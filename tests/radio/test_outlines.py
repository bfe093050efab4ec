"""Distances of outlines against plain sampling of their areas and shapes whose answer is known, and what a plan makes of them."""

import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from apps.radio.outlines import apart_m, point
from apps.radio.paths import distances_between, path
from apps.radio.places import Place
from apps.radio.settings import Settings

SQUARE = (((0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0)),)
FRAME = (*SQUARE, ((2.0, 2.0), (8.0, 2.0), (8.0, 8.0), (2.0, 8.0)))


def moved(outline, east, north):
    return tuple(tuple((x + east, y + north) for x, y in ring) for ring in outline)


@pytest.mark.parametrize(
    ("one", "other", "near", "far"),
    [
        # Euclid I.47 on whole numbers.
        (SQUARE, moved(SQUARE, 13.0, 14.0), 5.0, math.hypot(23.0, 24.0)),
        (SQUARE, moved(SQUARE, 20.0, 3.0), 10.0, math.hypot(30.0, 13.0)),
        (SQUARE, point(5.0, 5.0), 0.0, math.hypot(5.0, 5.0)),
        (SQUARE, point(5.0, -7.0), 7.0, math.hypot(5.0, 17.0)),
        # A hole: whoever stands in it is as far as its edge; whoever crosses the frame meets it.
        (FRAME, point(5.0, 5.0), 3.0, math.hypot(5.0, 5.0)),
        (FRAME, moved(SQUARE, 9.0, 9.0), 0.0, math.hypot(19.0, 19.0)),
        (point(0.0, 0.0), point(3.0, 4.0), 5.0, 5.0),
        # A cross: no corner of either lies in the other, and yet they meet.
        (
            (((-9.0, 4.0), (19.0, 4.0), (19.0, 6.0), (-9.0, 6.0)),),
            (((4.0, -9.0), (6.0, -9.0), (6.0, 19.0), (4.0, 19.0)),),
            0.0,
            math.hypot(15.0, 15.0),
        ),
    ],
)
def test_shapes_whose_distances_are_known(one, other, near, far):
    assert apart_m(one, other) == pytest.approx((near, far))
    assert apart_m(other, one) == pytest.approx((near, far))


def star(east, north, radii):
    """A ring about a place, its corners at these radii: never crossing itself."""
    turn = 2 * math.pi / len(radii)
    return (
        (*((east + r * math.cos(i * turn), north + r * math.sin(i * turn)) for i, r in enumerate(radii)),),
    )


def sampled(east, north, radii, many, rng):
    """Places of the same star, found without any of its edges: barycentric draws from its triangles, and along its rim."""
    corners = star(east, north, radii)[0]
    for _ in range(many):
        i = rng.randrange(len(corners))
        a, b = corners[i], corners[(i + 1) % len(corners)]
        u, v = rng.random(), rng.random() if rng.random() < 0.5 else 1.0
        rim = a[0] + u * (b[0] - a[0]), a[1] + u * (b[1] - a[1])
        yield east + v * (rim[0] - east), north + v * (rim[1] - north)
    yield from corners


RADII = st.lists(st.floats(2.0, 30.0), min_size=3, max_size=9)


@given(RADII, RADII, st.floats(0.0, 80.0), st.integers(0, 2**16))
@settings(max_examples=60, deadline=None)
def test_no_two_sampled_places_are_nearer_or_farther(first, second, east, seed):
    rng = random.Random(seed)
    one, other = star(0.0, 0.0, first), star(east, 5.0, second)
    near, far = apart_m(one, other)
    a, b = list(sampled(0.0, 0.0, first, 150, rng)), list(sampled(east, 5.0, second, 150, rng))
    found = [math.dist(p, q) for p in a for q in b]
    assert near <= min(found) + 1e-6 and max(found) <= far + 1e-6
    assert max(found) == pytest.approx(far)  # corners are among the samples
    # Dense along the rims, so the sampled nearest is close to the true one.
    assert min(found) - near < 6.0


def bodies(name, outline=(), **changes):
    return Place(name, stands="bodies", outline=outline, **changes)


def test_an_interferer_is_taken_at_the_nearest_edge_and_the_wanted_at_the_farthest_corner():
    crowd = bodies("crowd/bodies", moved(SQUARE, 90.0, -5.0), east_m=95.0)
    antennas = Place("stage/antennas", height_m=4.5)
    found, agreed = distances_between(crowd, antennas, Settings())
    # Edge 90 m off, corners at (100, 5), antennas 3 m above heads.
    assert not agreed
    assert found.nearest_m == pytest.approx(math.hypot(90.0, 3.0))
    assert found.usual_m == pytest.approx(math.hypot(95.0, 3.0))
    assert found.farthest_m == pytest.approx(math.sqrt(100**2 + 5**2 + 3**2))
    assert "90 m apart at the nearest edge" in path(crowd, antennas, 6e8, 6e8, Settings()).words()


def test_who_has_no_outline_strays_by_a_radius_about_his_place():
    crowd = bodies("crowd/bodies", moved(SQUARE, 90.0, -5.0), east_m=95.0)
    walker = bodies("gate/bodies", radius_m=40.0)
    found, _ = distances_between(crowd, walker, Settings())
    assert found.nearest_m == pytest.approx(50.0)
    assert found.farthest_m == pytest.approx(math.hypot(100.0, 5.0) + 40.0)


@given(st.floats(0.0, 400.0), st.floats(1.0, 60.0))
def test_a_larger_area_is_never_quieter(east, half):
    def strongest(size):
        ring = ((east - size, -size), (east + size, -size), (east + size, size), (east - size, size))
        crowd = bodies("crowd/bodies", (ring,), east_m=east)
        return path(crowd, Place("stage/antennas", height_m=4.5), 6e8, 6e8, Settings()).loss

    small, large = strongest(half), strongest(half * 1.5)
    assert large.strong_db <= small.strong_db + 1e-9 and large.weak_db >= small.weak_db - 1e-9

"""Path loss against the Recommendations' formulas as other libraries evaluate them."""

import numpy as np
import pytest

from apps.radio import propagation

# ITU-R P.525: the exact loss as the open library pycraf 2.1.0 gives it, and the rounded 32.4 form.
FREE_SPACE = [
    (174, 300, 66.801, 66.753),
    (470, 1, 25.890, 25.842),
    (500, 10, 46.427, 46.379),
    (600, 3, 37.553, 37.505),
    (600, 30, 57.553, 57.505),
    (600, 100, 68.011, 67.963),
    (694, 1000, 89.275, 89.227),
    (1800, 50, 71.533, 71.485),
    (2400, 100, 80.052, 80.004),
    (5800, 20, 73.737, 73.689),
]


@pytest.mark.parametrize(("mhz", "distance_m", "exact_db", "rounded_db"), FREE_SPACE)
def test_free_space(mhz, distance_m, exact_db, rounded_db):
    loss = float(propagation.free_space_db(mhz * 1e6, distance_m))
    assert loss == pytest.approx(exact_db, abs=0.001)
    assert loss == pytest.approx(rounded_db, abs=0.05)


def test_free_space_arrays_keep_their_shape():
    assert propagation.free_space_db(600e6, np.array([[3.0, 30.0]])).shape == (1, 2)


@pytest.mark.parametrize("distance_m", [0.0, -3.0])
def test_no_distance_is_refused(distance_m):
    with pytest.raises(ValueError, match="distance_m must be more than 0"):
        propagation.free_space_db(600e6, distance_m)

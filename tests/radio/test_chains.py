"""Chains against printed figures and the textbook cascades."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from apps.radio import chains, units
from apps.radio.chains import ReceivingChain, SendingChain, Stage, passive


def test_radiated_power_through_cable_and_antenna():
    # 50 mW through 3 dB of cable and an 8 dBd antenna radiate 158 mW e.r.p. (16.99 - 3 + 8 = 21.99 dBm).
    chain = SendingChain(float(units.dbm(50.0)), cable_db=3.0, antenna_dbi=8.0 + 2.15)
    assert float(units.milliwatts(chain.erp_dbm)) == pytest.approx(158.0, abs=0.2)
    assert chain.eirp_dbm - chain.erp_dbm == pytest.approx(2.15)


def test_a_combiner_counts_before_the_antenna():
    chain = SendingChain(17.0, cable_db=1.5, combiner_db=6.0, antenna_dbi=5.0)
    assert chain.at_antenna_dbm == pytest.approx(9.5)
    assert chain.eirp_dbm == pytest.approx(14.5)


@pytest.mark.parametrize(
    ("basis", "room_db"),
    # 100 mW e.i.r.p. and 50 mW e.r.p. are close but not equal: 20.00 against 19.14 dBm e.i.r.p.
    [("eirp", 20.0 - 19.14), ("erp", 20.0 - 16.99), ("conducted", 20.0 - 16.99)],
)
def test_limit_on_each_basis(basis, room_db):
    chain = SendingChain(float(units.dbm(50.0)), antenna_dbi=2.15)
    assert chains.room_under_limit_db(chain, 100.0, basis) == pytest.approx(room_db, abs=0.01)


def test_too_much_is_negative_room():
    # 47 CFR 15.236: 50 mW e.i.r.p.; 100 mW into a dipole is 5.16 dB over.
    chain = SendingChain(20.0, antenna_dbi=2.15)
    assert chains.room_under_limit_db(chain, 50.0, "eirp") == pytest.approx(-5.16, abs=0.01)
    with pytest.raises(ValueError, match="limit_mw"):
        chains.room_under_limit_db(chain, 0.0, "erp")


AMPLIFIER = Stage("amplifier", 15.0, 3.0, 10.0)
RECEIVER = Stage("receiver", 0.0, 10.0, -5.0)


def test_noise_figure_of_a_cascade():
    # Friis 1944 by hand: cable 2 dB, amplifier 15 dB with 3 dB, splitter 6 dB, receiver 10 dB.
    # F = 1.585 + (1.995-1)/0.631 + (3.981-1)/19.95 + (10-1)/5.012 = 5.107 -> 7.08 dB
    chain = ReceivingChain(0.0, (passive("cable", 2.0), AMPLIFIER, passive("splitter", 6.0), RECEIVER))
    assert chain.noise_figure_db == pytest.approx(7.08, abs=0.01)
    assert chain.gain_db == pytest.approx(7.0)
    assert chain.noise_dbm(200_000) == pytest.approx(-120.96 + 7.08, abs=0.01)


def test_intercept_of_a_cascade():
    # By hand, amplifier (gain 15, IIP3 +10) then receiver (-5): 1/10 + 31.62/0.3162 = 100.1/mW, -20.00 dBm.
    chain = ReceivingChain(0.0, (AMPLIFIER, RECEIVER))
    assert chain.iip3_dbm == pytest.approx(-20.004, abs=0.001)
    # 6 dB of loss in front raise it by 6 dB: one dB of attenuation is one dB of intercept point.
    behind = ReceivingChain(0.0, (passive("splitter", 6.0), AMPLIFIER, RECEIVER))
    assert behind.iip3_dbm == pytest.approx(chain.iip3_dbm + 6.0)
    assert behind.noise_figure_db == pytest.approx(chain.noise_figure_db + 6.0)


def test_passive_parts_make_no_products():
    assert ReceivingChain(0.0, (passive("cable", 2.0),)).iip3_dbm == math.inf


def test_a_chain_tells_its_parts_and_their_sum():
    alone = ReceivingChain(0.0, (Stage("receiver", 0.0, 6.0, 0.0),)).words()
    assert alone.endswith("together noise figure 6.0 dB, intercept point 0.0 dBm at the antenna")
    chain = SendingChain(17.0, cable_db=1.5, combiner_db=6.0, antenna_dbi=5.0)
    assert chain.words().startswith(
        "17.0 dBm − combiner 6.0 − cable 1.5 + antenna 5.0 dBi = 14.5 dBm e.i.r.p."
    )


def test_level_at_the_antenna():
    # 0 dBm e.i.r.p. less 95 dB: IEEE 802.22-09/0068r2, -95 dBm at an isotropic antenna.
    assert ReceivingChain(0.0, (RECEIVER,)).level_dbm(0.0, 95.0) == pytest.approx(-95.0)


def test_intercept_from_a_specified_response():
    # EN 300 086 (from memory): response of 70 dB. Two signals at S+70 make a product at the sensitivity:
    # 3·(-110+70) - 2·IIP3 = -110 -> IIP3 = -5 dBm.
    assert chains.iip3_from_response_dbm(-110.0, 70.0) == pytest.approx(-5.0)


def test_a_gain_is_no_loss():
    with pytest.raises(ValueError, match="cable: a loss is 0 dB or more"):
        passive("cable", -1.0)


LOSS = st.floats(0.0, 20.0)


@given(LOSS, LOSS)
def test_more_cable_is_less_radiated_power(loss_db, more_db):
    less = SendingChain(17.0, cable_db=loss_db + more_db).eirp_dbm
    assert less == pytest.approx(SendingChain(17.0, cable_db=loss_db).eirp_dbm - more_db)


@given(LOSS, st.floats(0.1, 20.0))
def test_loss_before_the_amplifier_costs_what_loss_behind_it_does_not(loss_db, more_db):
    def figure(before_db, behind_db):
        stages = (passive("cable", before_db), AMPLIFIER, passive("splitter", behind_db), RECEIVER)
        return ReceivingChain(0.0, stages).noise_figure_db

    assert figure(loss_db + more_db, 0.0) == pytest.approx(figure(loss_db, 0.0) + more_db)
    assert figure(loss_db, more_db) < figure(loss_db + more_db, 0.0)

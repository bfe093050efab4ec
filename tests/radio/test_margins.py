"""Margins of a plan against a plain recount of every sum, and the directions in which they must move."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from apps.radio import bench
from apps.radio import margins as module
from apps.radio.chains import SendingChain
from apps.radio.kinds import BODY_LOSS, Kind
from apps.radio.margins import Plan, contributors, lowest_sufficient_power, margins
from apps.radio.paths import Override
from apps.radio.places import Distances, stage
from apps.radio.products import FAMILIES, product_dbm, products_hz
from apps.radio.selectivity import frequency_dependent_rejection_db
from apps.radio.settings import Settings
from apps.radio.site import Service, Site
from apps.radio.units import power_sum_dbm

MIC = Kind(
    "mic",
    "digital",
    200_000,
    600_000_000,
    600_000_000,
    SendingChain(17.0),
    use="body_worn",
    body=BODY_LOSS["body_worn"],
    iip3_dbm=5.0,
)
IN_EAR = Kind(
    "in-ear",
    "analogue stereo",
    200_000,
    600_000_000,
    600_000_000,
    SendingChain(17.0),
    use="in_ear",
    receiver_body=BODY_LOSS["body_worn"],
    iip3_dbm=0.0,
)
OWN = Distances(3.0, 15.0, 40.0)


def festival(apart_m=300.0, mic=MIC, in_ear=IN_EAR, overrides=(), building="", **how):
    return Site(
        places=(*stage("main", 0.0, 0.0, OWN), *stage("side", apart_m, 0.0, OWN, building=building)),
        kinds=(mic, in_ear),
        services=(
            Service("mic", ("main/bodies",), ("main/antennas",)),
            Service("in-ear", ("main/rack",), ("main/bodies",)),
            Service("mic", ("side/bodies",), ("side/antennas",)),
            Service("mic", ("main/bodies", "side/bodies"), ("main/antennas", "side/antennas")),
        ),
        overrides=overrides,
        settings=Settings(**how),
    )


def plan(steps, services, on=None, power_db=None):
    hz = 600_000_000 + 25_000 * np.asarray(steps, dtype=np.int64)
    on = np.ones((hz.size, 1), dtype=bool) if on is None else np.asarray(on, dtype=bool)
    return Plan(hz, np.asarray(services, dtype=np.int64), on, power_db)


# ------------------------------------------------------------------------- a plain recount of one link


def recount(site, plan, carrier, receiver, slot, far=True):
    """Wanted, noise, single interferers and products of one link in one slot, in dBm, carrier by carrier.

    `far`: who carries an in-ear receiver stands farthest from its rack, otherwise nearest to it.
    """
    service = site.services[plan.service[carrier]]
    kind = site.kind_of[service.kind]
    on = [c for c in range(plan.hz.size) if plan.on[c, slot] and c != carrier]
    power = plan.power
    rack = service.sent_from[0] if kind.use == "in_ear" else ""

    def from_rack(name):
        row, loss = site.kind_of[name], site.path(rack, receiver, name).loss
        return row.sending.eirp_dbm - (loss.weak_db if far else loss.strong_db)

    def heard(name, sender):
        return from_rack(name) if sender == rack else site.together_dbm(name, sender, receiver)

    def together(c):
        other = site.services[plan.service[c]]
        return max(heard(other.kind, s) for s in other.sent_from) + power[c]

    def strongest(other):
        if rack in other.sent_from:
            return from_rack(other.kind) - kind.receiver_body.usual_db
        return max(site.interferer_dbm(other.kind, s, service, receiver) for s in other.sent_from)

    singles, usual = {}, {}
    for c in on:
        other = site.services[plan.service[c]]
        level = strongest(other) + power[c]
        rejection = site.rejection(other.kind, kind.id)
        fdr = frequency_dependent_rejection_db(
            rejection.emission, rejection.response, abs(int(plan.hz[c] - plan.hz[carrier]))
        )
        singles[c] = level - float(fdr)
        usually = max(site.usual_dbm(other.kind, s, receiver) for s in other.sent_from) + power[c]
        usual[c] = min(level, usually - kind.receiver_body.usual_db) - float(fdr)
    body = kind.receiver_body.least_db
    received = [together(c) - body for c in on]
    products = {}
    for family in ("2A-B", "A+B-C"):
        hz, letters = products_hz(FAMILIES[family], plan.hz[on])
        levels = product_dbm(
            FAMILIES[family], np.array(received)[letters], site.chain(receiver, kind.id).iip3_dbm
        )
        for where, indices, level in zip(hz, letters, np.atleast_1d(levels), strict=True):
            if abs(int(where - plan.hz[carrier])) < kind.guards[family]:
                products[family, "receivers", tuple(on[i] for i in indices)] = float(level)
    for place in site.places:
        beside = [c for c in on if place.id in site.services[plan.service[c]].sent_from]
        senders = [s for s in site.services if place.id in s.sent_from]
        if not senders:
            continue
        radiated = {
            s.kind: site.kind_of[s.kind].sending.eirp_dbm - site.kind_of[s.kind].body.least_db
            for s in senders
        }
        loudest = max(heard(s.kind, place.id) for s in senders) - body
        loss = site.settings.coupling_db[place.stands] + site.settings.conversion_db
        relative = [
            radiated[site.services[plan.service[c]].kind] + power[c] - max(radiated.values()) for c in beside
        ]
        hz, letters = products_hz(FAMILIES["2A-B"], plan.hz[beside])
        for where, (a, b) in zip(hz, letters, strict=True):
            if abs(int(where - plan.hz[carrier])) < kind.guards["2A-B"]:
                key = "2A-B", "transmitters", (beside[a], beside[b])
                products[key, place.id] = loudest + 2 * relative[a] + relative[b] - loss
    wanted = min(site.weak_dbm(kind.id, s, receiver) for s in service.sent_from) + power[carrier]
    if rack and not far:
        wanted = from_rack(kind.id) - kind.receiver_body.usual_db + power[carrier]
    nearest = max(singles, key=lambda c: 10 ** (singles[c] / 10) - 10 ** (usual[c] / 10), default=None)
    at_once = {c: singles[c] if c == nearest else usual[c] for c in singles}
    return wanted - site.settings.fade_db, site.noise_dbm(receiver, kind.id), singles, at_once, products


CASES = [
    ([0, 8, 16, 20, 24, 40], [0, 0, 1, 2, 0, 1]),
    ([0, 0, 4, 9, 15, 22, 32, 34], [0, 2, 0, 1, 2, 3, 1, 0]),
    ([3, 10, 17, 24, 31, 38], [0, 1, 3, 0, 1, 2]),
]


@pytest.mark.parametrize(("steps", "services"), CASES)
@pytest.mark.parametrize("overrides", [(), (Override(("side/bodies", "main/antennas"), 60.0, "measured"),)])
def test_every_sum_agrees_with_a_recount(steps, services, overrides):
    site = festival(overrides=overrides)
    rng = np.random.default_rng(len(steps))
    on = rng.random((len(steps), 3)) < 0.7
    on[:, 0] |= ~on.any(axis=1)
    some = plan(steps, services, on, power_db=-3.0 * rng.integers(0, 3, len(steps)))
    found = margins(site, some)
    links = {(c, p) for c, p in zip(found.carrier.tolist(), found.place.tolist(), strict=True)}
    assert len(links) == sum(len(site.services[s].received_in) for s in services)
    for link in range(found.carrier.size):
        carrier, receiver = int(found.carrier[link]), site.places[found.place[link]].id
        cases = {}
        for far in (True, False):
            for slot in np.nonzero(some.on[carrier])[0].tolist():
                wanted, noise, singles, at_once, products = recount(site, some, carrier, receiver, slot, far)
                total = float(power_sum_dbm([noise, *at_once.values(), *products.values()]))
                cases[far, slot] = wanted - total, wanted, noise, singles, at_once, products
        far = not site.spots_of(site.services[some.service[carrier]], receiver)[1:]
        far = far or bool(site.spots[found.spot[link]].far_from)
        left, wanted, noise, singles, at_once, products = cases[far, int(found.slot[link])]
        # Whole decibels decide between the two ends, so that they may differ by less than one.
        assert np.floor(left + 1e-6) <= min(left for left, *_ in cases.values()) + 1e-6
        total = wanted - left
        assert found.wanted_dbm[link] == pytest.approx(wanted)
        assert found.noise_dbm[link] == pytest.approx(noise)
        kind = site.kind_of[site.services[some.service[carrier]].kind]
        co, adjacent = [], []
        for c, level in at_once.items():
            other = site.kind_of[site.services[some.service[c]].kind]
            overlap = 2 * abs(int(some.hz[c] - some.hz[carrier])) < kind.bandwidth_hz + other.bandwidth_hz
            (co if overlap else adjacent).append(level)
        for ours, levels in ((found.cochannel_dbm[link], co), (found.adjacent_dbm[link], adjacent)):
            expected = float(power_sum_dbm(levels))
            assert ours == pytest.approx(expected, abs=0.01) or max(ours, expected) < -160.0
        expected = float(power_sum_dbm(list(products.values())))
        assert (
            found.products_dbm[link] == pytest.approx(expected, abs=0.01)
            or max(found.products_dbm[link], expected) < -160.0
        )
        assert found.margin_db[link] == np.floor(wanted - kind.protection - total + 1e-6)
        (named,) = contributors(site, some, found, [link])
        everything = sorted([*singles.values(), *products.values()], reverse=True)[:3]
        assert [c.level_dbm for c in named] == [pytest.approx(level, abs=0.01) for level in everything]


@pytest.mark.parametrize("seed", [0, 6])
def test_products_listed_one_by_one_add_up_to_what_is_counted(seed):
    # A plan of 90 carriers in six zones with strong base stations beside people, in hours of their own.
    site, some = bench.event(90, 6, 4, seed)
    found = margins(site, some)
    strongest = [site.levels.strong_dbm[:, place].max() for place in found.place]
    checked = 0
    for link in range(found.carrier.size):
        (named,) = contributors(site, some, found, [link], 100_000)
        # What cannot be among three is passed over, and nothing else; equals may change places.
        (three,) = contributors(site, some, found, [link])
        assert [row.level_dbm for row in three] == [row.level_dbm for row in named[:3]]
        products = [row.level_dbm for row in named if row.family]
        listed, counted = float(power_sum_dbm(products)), float(found.products_dbm[link])
        near_the_limit = max(listed, counted) > strongest[link] - 20.0
        if max(listed, counted) > found.noise_dbm[link] - 25.0 and not near_the_limit:
            kind = site.kind_of[site.services[some.service[found.carrier[link]]].kind]
            bearable = 10 ** ((found.wanted_dbm[link] - kind.protection) / 10)
            apart = abs(10 ** (counted / 10) - 10 ** (listed / 10))
            assert counted == pytest.approx(listed, abs=0.01) or apart < 1e-3 * bearable
            checked += 1
    assert checked > 10


def test_slots_that_cannot_be_the_worst_are_passed_over_without_changing_it():
    site, some = bench.event(120, 4, 6, 3)
    found = margins(site, some)
    alone = [margins(site, replace(some, on=some.on[:, [slot]])) for slot in range(some.on.shape[1])]
    for link in range(found.carrier.size):
        row = found.carrier[link], found.place[link]
        least = [
            part.margin_db[i]
            for part in alone
            for i in np.nonzero((part.carrier == row[0]) & (part.place == row[1]))[0]
        ]
        assert found.margin_db[link] == min(least)


def test_a_link_that_is_alone_has_only_noise():
    site = festival()
    found = margins(site, plan([0], [0]))
    assert found.cochannel_dbm[0] == found.adjacent_dbm[0] == found.products_dbm[0] == -np.inf
    expected = site.weak_dbm("mic", "main/bodies", "main/antennas") - 20.0 - 20.0
    assert found.margin_db[0] == np.floor(expected - site.noise_dbm("main/antennas", "mic"))
    assert found.usual_margin_db[0] > found.margin_db[0]
    assert contributors(site, plan([0], [0]), found, [0]) == [[]]


def test_carriers_that_are_never_on_together_do_not_disturb_each_other():
    apart = margins(festival(), plan([0, 0], [0, 0], on=[[True, False], [False, True]]))
    together = margins(festival(), plan([0, 0], [0, 0], on=[[True, True], [False, True]]))
    assert (apart.cochannel_dbm == -np.inf).all()
    assert (together.cochannel_dbm > -100.0).all() and together.slot.tolist() == [1, 1]


def test_a_carrier_never_on_the_air_has_no_link():
    found = margins(festival(), plan([0, 8], [0, 0], on=[[True], [False]]))
    assert found.carrier.tolist() == [0]


def test_an_empty_plan_has_no_margins():
    found = margins(festival(), plan([], [], on=np.zeros((0, 1))))
    assert found.carrier.size == found.margin_db.size == 0


def test_what_the_passband_keeps_out_is_not_heard():
    site = festival()
    cut = replace(
        site,
        places=tuple(
            replace(p, passband=((599_000_000, 601_000_000),)) if p.stands == "antennas" else p
            for p in site.places
        ),
    )
    wide = plan([0, 80], [0, 0])
    assert margins(site, wide).adjacent_dbm[0] > -120.0
    assert margins(cut, wide).adjacent_dbm[0] == -np.inf


def test_background_of_a_survey_adds_to_noise():
    # equal powers: 3.01 dB more
    site = festival()
    place = site.index_of["main/antennas"]
    noise = site.noise_dbm("main/antennas", "mic")
    found = margins(site, plan([0], [0]), background_dbm={(0, place): noise})
    assert found.noise_dbm[0] == pytest.approx(noise + 3.01, abs=0.01)


def test_some_carriers_alone_have_the_same_margins():
    site, whole = festival(), plan(*CASES[1])
    every = margins(site, whole)
    some = margins(site, whole, only=np.arange(whole.hz.size) == 5)
    which = every.carrier == 5
    assert some.margin_db.tolist() == every.margin_db[which].tolist()
    assert some.products_dbm == pytest.approx(every.products_dbm[which], abs=0.01)


def test_a_plan_whose_arrays_do_not_fit_is_refused():
    with pytest.raises(ValueError, match=r"plan of 2 carriers needs service \(2,\)"):
        plan([0, 8], [0], on=[[True], [True]])


def test_slots_contained_in_others_are_not_counted_again():
    on = np.array([[1, 1, 0, 1], [1, 0, 0, 1], [0, 0, 1, 1]], dtype=bool)
    assert module._slots_that_matter(on).tolist() == [3]
    apart = np.array([[1, 0, 1], [0, 1, 0]], dtype=bool)
    assert module._slots_that_matter(apart).tolist() == [0, 1]


def test_a_product_is_never_stronger_than_the_carriers_that_make_it():
    site = festival(mic=replace(MIC, iip3_dbm=-60.0))
    found = margins(site, plan([0, 8, 16], [0, 0, 0]))
    assert (found.products_dbm <= site.strong_dbm("mic", "main/bodies", "main/antennas") + 0.01).all()
    for link in range(3):
        assert contributors(site, plan([0, 8, 16], [0, 0, 0]), found, [link])[0][0].level_dbm <= 0.0


# ----------------------------------------------------------------------------------------------- power


def test_the_lowest_sufficient_power_of_a_group():
    site = festival()
    quiet = plan([0, 40, 100], [0, 0, 0])
    group = np.array([0, 1, 2])
    suggestion = lowest_sufficient_power(site, quiet, group, [0.0, -3.0, -7.0, -30.0], 0)
    assert suggestion.enough and suggestion.least_margin_db >= 0

    def least(step):
        return margins(site, replace(quiet, power_db=np.full(3, step))).margin_db.min()

    assert suggestion.least_margin_db == least(suggestion.step_db)
    assert all(least(step) < 0 for step in (-30.0, -7.0, -3.0) if step < suggestion.step_db)


def test_not_even_full_power_is_said():
    crowded = plan([0, 0], [0, 0])
    suggestion = lowest_sufficient_power(festival(), crowded, np.array([0]), [0.0, -7.0], 10)
    assert not suggestion.enough and suggestion.step_db == 0.0 and suggestion.least_margin_db < 10
    with pytest.raises(ValueError, match="at least one step"):
        lowest_sufficient_power(festival(), crowded, np.array([0]), [], 10)


def test_lowering_a_group_lowers_its_products_threefold():
    # All three letters 2 dB down: third-order products 6 dB down; one carrier 2 dB down: by its coefficient.
    site, three = festival(), plan([0, 8, 16], [0, 0, 0])
    lower = margins(site, replace(three, power_db=np.full(3, -2.0)))
    one = margins(site, replace(three, power_db=np.array([0.0, -2.0, 0.0])))
    full = margins(site, three)
    assert full.products_dbm[0] - lower.products_dbm[0] == pytest.approx(6.0, abs=1e-6)
    assert full.products_dbm[0] - one.products_dbm[0] == pytest.approx(
        4.0, abs=1e-6
    )  # 2·B - C with B lowered


# ------------------------------------------------------------------------------------------- directions

STEPS = st.lists(st.integers(0, 60), min_size=3, max_size=7, unique=True)


@settings(max_examples=25, deadline=None)
@given(STEPS, st.floats(120.0, 1500.0), st.floats(1.2, 3.0))
def test_a_stage_farther_away_never_takes_margin(steps, metres, times):
    some = plan(steps, [i % 3 for i in range(len(steps))])
    near, far = margins(festival(metres), some), margins(festival(metres * times), some)
    assert (far.margin_db >= near.margin_db).all()


@settings(max_examples=25, deadline=None)
@given(STEPS, st.data(), st.floats(0.5, 15.0))
def test_a_louder_carrier_takes_margin_from_others_only(steps, data, more_db):
    some = plan(steps, [i % 3 for i in range(len(steps))])
    loud = data.draw(st.integers(0, len(steps) - 1))
    power = np.where(np.arange(len(steps)) == loud, more_db, 0.0)
    before, after = margins(festival(), some), margins(festival(), replace(some, power_db=power))
    others = before.carrier != loud
    assert (after.margin_db[others] <= before.margin_db[others]).all()
    assert (after.margin_db[~others] >= before.margin_db[~others]).all()


@settings(max_examples=25, deadline=None)
@given(STEPS)
def test_a_wall_around_the_other_stage_never_takes_margin_at_this_one(steps):
    some = plan(steps, [i % 3 for i in range(len(steps))])
    free, walled = margins(festival(), some), margins(festival(building="hall"), some)
    here = some.service[free.carrier] < 2
    assert (walled.margin_db[here] >= free.margin_db[here]).all()


@settings(max_examples=25, deadline=None)
@given(STEPS, st.floats(0.3, 0.95))
def test_a_narrower_filter_never_takes_margin(steps, share):
    shape = ((0.0, 0.0), (0.5, 0.0), (0.8, -50.0), (1.25, -70.0))
    some = plan(steps, [i % 3 for i in range(len(steps))])
    wide = margins(festival(mic=replace(MIC, filter=shape)), some)
    narrow = margins(
        festival(mic=replace(MIC, filter=tuple((offset * share, level) for offset, level in shape))), some
    )
    assert (narrow.margin_db >= wide.margin_db).all()


@settings(max_examples=25, deadline=None)
@given(STEPS, st.floats(0.0, 20.0))
def test_a_better_intercept_point_never_takes_margin(steps, better_db):
    some = plan(steps, [0] * len(steps))
    plain = margins(festival(), some)
    better = margins(festival(mic=replace(MIC, iip3_dbm=5.0 + better_db)), some)
    assert (better.margin_db >= plain.margin_db).all()

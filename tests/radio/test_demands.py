"""What a site demands of a plan: directions, bounds and the records behind the figures."""

from dataclasses import asdict, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from apps.radio import demands as module
from apps.radio.chains import SendingChain
from apps.radio.demands import demands, harmonic_demands, separation
from apps.radio.kinds import BODY_LOSS, Kind
from apps.radio.paths import Override
from apps.radio.places import Distances, Place, stage
from apps.radio.products import ANY_PRODUCT_DB
from apps.radio.settings import Settings
from apps.radio.site import Service, Site

MIC = Kind(
    "mic",
    "digital",
    200_000,
    600_000_000,
    600_000_000,
    SendingChain(17.0),
    use="body_worn",
    body=BODY_LOSS["body_worn"],
    iip3_dbm=10.0,
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
    iip3_dbm=-10.0,
)
OWN = Distances(3.0, 15.0, 40.0)


def festival(apart_m=300.0, mic=MIC, in_ear=IN_EAR, building="", overrides=(), **how):
    return Site(
        places=(*stage("main", 0.0, 0.0, OWN), *stage("side", apart_m, 0.0, OWN, building=building)),
        kinds=(mic, in_ear),
        services=tuple(
            service
            for name in ("main", "side")
            for service in (
                Service(mic.id, (f"{name}/bodies",), (f"{name}/antennas",)),
                Service(in_ear.id, (f"{name}/rack",), (f"{name}/bodies",)),
            )
        ),
        overrides=overrides,
        settings=Settings(**how),
    )


def row(site, sender, receiver, kinds=("mic", "mic")):
    """What the first kind sent from a place asks of the second kind received in another."""
    victim = next(s for s in site.services if s.kind == kinds[1] and receiver in s.received_in)
    return separation(site, kinds[0], sender, victim, receiver)


def test_the_strongest_carrier_heard_is_zero():
    heard = demands(festival()).heard
    for receiver in {h.receiver for h in heard}:
        levels = [h.level_db for h in heard if h.receiver == receiver]
        assert max(levels) == 0.0
    assert all(h.level_db <= 0.0 for h in heard)


def test_every_place_down_to_the_lowest_limit_is_listed():
    found = demands(festival())
    site = festival()
    for receiver in ("main/antennas", "main/bodies"):
        lowest = min([p.limit_db for p in found.products if receiver in p.places] + [ANY_PRODUCT_DB])
        strongest = max(h.level_dbm for h in found.heard if h.receiver == receiver)
        for sender, kind in (("side/bodies", "mic"), ("side/rack", "in-ear"), ("main/rack", "in-ear")):
            listed = any(h.sender == sender and h.receiver == receiver for h in found.heard)
            assert listed == (site.strong_dbm(kind, sender, receiver) - strongest >= lowest)


def test_levels_of_a_place_with_a_weaker_kind():
    # 10 mW beside 50 mW from the same bodies: 17.0 - 10.0 = 7.0 dB under the strongest.
    weak = replace(MIC, id="weak", sending=SendingChain(10.0))
    main = festival()
    site = replace(
        main,
        kinds=(*main.kinds, weak),
        services=(*main.services, Service("weak", ("main/bodies",), ("main/antennas",))),
    )
    levels = {(r.service.kind, r.service.sent_from[0]): r.level_db for r in demands(site).levels}
    assert levels["weak", "main/bodies"] == pytest.approx(-7.0)
    assert levels["mic", "main/bodies"] == 0.0


def test_no_figure_of_a_place_and_a_carrier_is_above_the_strongest():
    found = demands(festival())
    for heard in found.heard:
        for level in found.levels:
            if heard.sender in level.service.sent_from:
                assert heard.level_db + level.level_db <= 0.0


def test_carriers_of_one_rack_need_no_near_far_allowance():
    # Same path for wanted and unwanted: protection 30 dB and fade 20 dB, whatever the distance.
    assert row(festival(), "main/rack", "main/bodies", ("in-ear", "in-ear")).needed_db == pytest.approx(50.0)


def test_a_pack_beside_an_in_ear_receiver_is_said_to_be_too_near():
    reason = row(festival(), "main/bodies", "main/bodies", ("mic", "in-ear"))
    assert reason.short_db > 0 and reason.overload_db > 0
    assert "missing" in reason.words() and "move them apart" in reason.words()


def test_a_row_holds_the_largest_of_both_directions():
    site = festival()
    for demand in demands(site).separations:
        if demand.treatment == "forbid":
            (place_1, place_2), (kind_1, kind_2) = demand.places, demand.kinds
            asked = [
                separation(site, kind, sender, victim, receiver).min_hz
                for sender, kind, receiver, other in (
                    (place_1, kind_1, place_2, kind_2),
                    (place_2, kind_2, place_1, kind_1),
                )
                for victim in site.services
                if victim.kind == other and receiver in victim.received_in
                if (kind, sender) in site.emissions
            ]
            assert demand.min_hz == max(asked) > 0


def test_every_pair_that_needs_a_separation_has_a_row():
    site = festival()
    listed = {
        frozenset(zip(d.places, d.kinds, strict=True))
        for d in demands(site).separations
        if d.treatment == "forbid"
    }
    for victim in site.services:
        for receiver in victim.received_in:
            for kind, sender in site.emissions:
                if separation(site, kind, sender, victim, receiver).min_hz > 0:
                    assert frozenset([(sender, kind), (receiver, victim.kind)]) in listed


def test_wishes_cost_only_near_far():
    wishes = [r for r in demands(festival()).separations if r.treatment == "penalise"]
    assert wishes and all(w.min_hz == 6_000_000 and w.weight == 0.5 and w.note for w in wishes)
    assert all(w.reason.needed_db >= 60.0 for w in wishes)
    assert not any({w.places[0][:4], w.places[1][:4]} == {"main", "side"} for w in wishes)


def test_a_loss_set_by_hand_frees_the_frequency():
    shared = festival(overrides=(Override(("side/bodies", "main/antennas"), 130.0, "measured"),))
    found = row(shared, "side/bodies", "main/antennas")
    assert found.min_hz == 0 and "may share" in found.words()
    assert shared.path("side/bodies", "main/antennas", "mic").note == "measured"


def test_without_figures_any_product_counts():
    rows = demands(festival(mic=replace(MIC, iip3_dbm=None))).products
    for rule in rows:
        if rule.kind == "mic" and rule.made_in == "receivers":
            assert rule.reasons[0].computed_db is None
            assert rule.limit_db <= ANY_PRODUCT_DB < rule.limit_db + 3.0


def test_a_computed_limit_never_lifts_the_ban_among_one_places_carriers():
    loose = festival(coupling_db={"bodies": 90.0, "rack": 90.0, "antennas": 90.0})
    rows = [p for p in demands(loose).products if p.made_in == "transmitters"]
    assert rows
    assert all(p.reasons[0].computed_db > 0 and p.limit_db <= ANY_PRODUCT_DB for p in rows)


def test_only_the_two_carrier_product_is_forbidden_near_a_faded_signal_unless_somebody_says_so():
    # ITU-R SM.1134: more than two strong unwanted signals have a very small probability.
    found = {(p.family, p.treatment, p.reasons[0].victim.fade_db) for p in demands(festival()).products}
    assert found == {
        ("2A-B", "forbid", 20.0),
        ("A+B-C", "penalise", 20.0),
        (
            "A+B-C",
            "forbid",
            0.0,
        ),  # three strong signals are improbable, but not with a wanted one that has not faded
        ("3A-2B", "penalise", 20.0),
    }
    strict = demands(festival(treatments={"2A-B": "forbid", "A+B-C": "forbid"})).products
    assert {p.treatment for p in strict if p.family == "A+B-C"} == {"forbid"}


def test_without_an_intercept_point_nothing_is_said_of_overload():
    site = festival(in_ear=replace(IN_EAR, iip3_dbm=None))
    reason = row(site, "main/bodies", "main/bodies", ("mic", "in-ear"))
    assert reason.overload_db is None and "overloads" not in reason.words()


def test_wideband_is_neither_protected_nor_guarded():
    wide = replace(MIC, modulation="wideband", bandwidth_hz=6_000_000, mixes=False)
    assert not [p for p in demands(festival(mic=wide)).products if p.kind == "mic"]


def test_limits_are_rounded_down():
    for rule in demands(festival()).products:
        for reason in rule.reasons:
            if reason.computed_db is not None:
                assert rule.limit_db <= reason.computed_db
        assert rule.limit_db % 3.0 == 0.0


def test_a_record_can_be_written_down():
    heard = next(h for h in demands(festival()).heard if h.receiver == "main/antennas")
    plain = asdict(heard)
    assert plain["path"]["distances"]["nearest_m"] == 3.0
    assert plain["path"]["model"] == "free space (ITU-R P.525)"


def test_harmonics_of_a_strong_two_way_transmitter():
    # 5 W at 462.55 MHz: second harmonic at 925.1 MHz, within 902-928 MHz.
    radio = replace(MIC, id="radio", modulation="two-way", sending=SendingChain(37.0))
    site = festival(mic=radio)
    rows = harmonic_demands(site, 462_543_750, 462_556_250, 960_000_000, "radio", "main/bodies")
    assert [(r.harmonic.number, r.harmonic.low_hz, r.harmonic.high_hz) for r in rows] == [
        (2, 925_087_500, 925_112_500)
    ]
    assert harmonic_demands(site, 462_543_750, 462_556_250, 960_000_000, "in-ear", "main/rack") == []
    assert module.STRONG_DBM == 30.0


def test_a_place_heard_by_nobody_is_in_no_row():
    site = festival()
    far = replace(site, places=(*site.places, Place("gate", east_m=5000.0)))
    assert all("gate" not in (h.receiver, h.sender) for h in demands(far).heard)


def needed(site, kinds=("mic", "mic"), between=("side/bodies", "main/antennas")):
    return row(site, *between, kinds).needed_db


@settings(max_examples=25, deadline=None)
@given(st.floats(100.0, 3000.0), st.floats(1.1, 3.0))
def test_twice_as_far_needs_less(metres, times):
    here, there = (
        row(festival(metres), "side/bodies", "main/antennas"),
        row(festival(metres * times), "side/bodies", "main/antennas"),
    )
    assert there.needed_db < here.needed_db + 1e-9
    assert there.min_hz <= here.min_hz


@settings(max_examples=25, deadline=None)
@given(st.floats(100.0, 1000.0), st.floats(0.5, 20.0))
def test_a_louder_interferer_needs_more(metres, more_db):
    plain = festival(metres)
    loud = replace(MIC, id="mic", sending=SendingChain(17.0 + more_db))
    louder = Site(
        places=plain.places,
        kinds=(MIC, IN_EAR, replace(loud, id="loud")),
        services=(
            *plain.services[:2],
            Service("loud", ("side/bodies",), ("side/antennas",)),
        ),
    )
    before, after = (
        row(plain, "side/bodies", "main/antennas"),
        row(louder, "side/bodies", "main/antennas", ("loud", "mic")),
    )
    assert after.needed_db == pytest.approx(before.needed_db + more_db)
    assert after.min_hz >= before.min_hz


@settings(max_examples=25, deadline=None)
@given(st.floats(100.0, 1000.0))
def test_a_wall_between_needs_less(metres):
    free, walled = festival(metres), festival(metres, building="hall")
    assert needed(walled) < needed(free)
    assert (
        row(walled, "side/bodies", "main/antennas").min_hz <= row(free, "side/bodies", "main/antennas").min_hz
    )


@settings(max_examples=25, deadline=None)
@given(st.floats(0.3, 0.95))
def test_a_narrower_filter_never_needs_a_wider_separation(share):
    shape = ((0.0, 0.0), (0.5, 0.0), (0.8, -50.0), (1.25, -70.0))
    wide = festival(mic=replace(MIC, filter=shape))
    narrow = festival(mic=replace(MIC, filter=tuple((offset * share, level) for offset, level in shape)))
    for between in (("main/bodies", "main/antennas"), ("side/bodies", "main/antennas")):
        assert row(narrow, *between).min_hz <= row(wide, *between).min_hz


@settings(max_examples=25, deadline=None)
@given(st.floats(-10.0, 20.0), st.floats(0.5, 10.0))
def test_a_better_intercept_point_allows_more(iip3, better):
    def limit(value):
        rows = demands(festival(mic=replace(MIC, iip3_dbm=value))).products
        return next(
            reason.computed_db
            for rule in rows
            if (rule.kind, rule.family, rule.made_in) == ("mic", "2A-B", "receivers")
            for reason in rule.reasons
        )

    assert limit(iip3 + better) == pytest.approx(limit(iip3) + 2 * better)

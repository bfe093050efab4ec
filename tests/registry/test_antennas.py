"""A zone's antenna system and a kind's radio figures: typed once, they move what the model reckons with and what the law allows.

Sums by hand are dB arithmetic; the cascades are those of Friis 1944 and the textbook relation for intercept points.
"""

from typing import Any

import pytest

from apps.common.errors import Faulty, Stale
from apps.planning import chaining
from apps.planning.siting import sited
from apps.planning.snapshot import freeze, standing_carriers
from apps.registry import actions
from apps.registry.forms import KindForm
from apps.registry.models import Antennas, Kind, KindRole, Registration
from tests.site import Site, line, make_site, register

pytestmark = pytest.mark.django_db

PAGE = "/e/harbour-days/set-up/zones/main/antennas/"
NOTHING = {
    "gain_dbi": "0", "cable_db": "0", "low_hz": "", "high_hz": "", "amplifier_db": "0", "amplifier_noise_db": "",
    "amplifier_iip3_dbm": "", "splitter_db": "0", "send_combiner_db": "0", "send_cable_db": "0", "send_gain_dbi": "",
    "note": "", "version": "0",
}  # fmt: skip


@pytest.fixture
def site() -> Site:
    """Microphones and an in-ear rack on the main stage; both are permitted 50 mW e.r.p. there."""
    made = make_site()
    iem = Kind.objects.create(
        event=made.event, code="iem", name="In-ear", use="in_ear", modulation="analogue_stereo", power_mw=[10, 50]
    )  # fmt: skip
    KindRole.objects.create(
        kind=iem, position=1, code="iem", name="rack to packs", sent_by="base", received_by="device", spacing_hz=400_000,
        tuning=[{"low_hz": 470_100_000, "high_hz": 607_900_000, "step_hz": 25_000}], bandwidth_hz=200_000,
    )  # fmt: skip
    KindRole.objects.filter(code="mic").update(radio={"noise_figure_db": 10, "iip3_dbm": -5})
    register(made.lead, line(quantity=2), line("monitors", kind="iem"))
    return made


def rows(site: Site) -> tuple[dict, dict]:
    """{kind: what it radiates} and {kind: through what it is received}."""
    carriers = standing_carriers(site.event)
    model = sited(site.event, carriers)
    return (
        {row["kind"]: row for row in chaining.sent(site.event, model, carriers)},
        {row["kind"]: row for row in chaining.received(model)},
    )


def test_without_antennas_everything_has_its_own(site: Site) -> None:
    sent, received = rows(site)
    assert sent["iem"]["eirp_dbm"] == 17.0  # 50 mW into 0 dBi
    assert (received["mic"]["noise_figure_db"], received["mic"]["iip3_dbm"]) == (10.0, -5.0)


def test_the_receiving_chain_is_the_cascade_of_its_parts(site: Site) -> None:
    """By hand: 2 dB of cable, an amplifier of 15 dB with 3 dB and +10 dBm, 6 dB of splitter, a receiver with 10 dB and −5 dBm.

    F = 1.585 + 0.995/0.631 + 2.981/19.95 + 9/5.012 = 5.107, 7.08 dB; 1/P = 0.0631 + 5.012/0.3162 = 15.91/mW, −12.0 dBm.
    """
    before = [heard.level_dbm for heard in sited(site.event, standing_carriers(site.event)).demands.heard]
    given = {"gain_dbi": "6", "cable_db": "2", "amplifier_db": "15", "amplifier_noise_db": "3",
             "amplifier_iip3_dbm": "10", "splitter_db": "6", "note": "measured in the shop"}  # fmt: skip
    assert site.browser("coordinator").post(PAGE, NOTHING | given).status_code == 302
    row = rows(site)[1]["mic"]
    assert row["noise_figure_db"] == pytest.approx(7.1)
    assert row["iip3_dbm"] == pytest.approx(-12.0)
    assert row["noise_dbm"] == pytest.approx(-120.96 + 7.08, abs=0.06)  # kTB in 200 kHz at 290 K
    after = [heard.level_dbm for heard in sited(site.event, standing_carriers(site.event)).demands.heard]
    # What the main stage's own antennas hear is 6 dB stronger; its packs hear the rack as before.
    assert {round(new - old, 6) for old, new in zip(before, after, strict=True)} == {6.0, 0.0}
    page = site.browser("coordinator").get("/e/harbour-days/site/main/main/").content.decode()
    assert "cable −2.0 dB, amplifier +15.0 dB" in page and "together noise figure 7.1 dB" in page


def test_what_fixed_transmitters_radiate_is_held_against_the_limit(site: Site) -> None:
    """50 mW through 3 dB of cable into 8 dBd radiate 158 mW e.r.p. (17 − 3 + 8 = 22 dBm), 10 mW 32 mW: the law says 50."""
    monitors = Registration.objects.get(label="monitors")
    actions.equip(actor=site.coordinator, zone=site.zone("main"), send_cable_db=3.0, send_gain_dbi=10.15)
    sent, _ = rows(site)
    assert 10 ** (sent["iem"]["erp_dbm"] / 10) == pytest.approx(158, rel=0.02)
    assert sent["iem"]["limits"][0]["room_db"] == pytest.approx(17.0 - 22.0, abs=0.1)
    assert sent["mic"]["eirp_dbm"] == 17.0  # what people carry is not touched
    carrier = monitors.carriers.get(spare_of=None).code
    assert freeze(site.event).power_mw[carrier] == 10
    # Without the cable even 10 mW are 63 mW e.r.p.: nothing of it is permitted, and the line waits.
    actions.equip(actor=site.coordinator, zone=site.zone("main"), version=1, send_cable_db=0.0)
    monitors.refresh_from_db()
    assert "at most 50 mW erp" in monitors.not_permitted and monitors.state == "submitted"
    actions.unequip(actor=site.coordinator, antennas=Antennas.objects.get())
    monitors.refresh_from_db()
    assert monitors.not_permitted == "" and monitors.state == "accepted"
    assert freeze(site.event).power_mw[carrier] == 50


def test_nobody_is_given_what_the_filter_keeps_from_the_receiver(site: Site) -> None:
    actions.equip(
        actor=site.coordinator, zone=site.zone("main"), low_hz=470_000_000, high_hz=530_000_000
    )  # fmt: skip
    frozen = freeze(site.event)
    by_kind = {row["kind"]: row for row in frozen.problem["carriers"]}
    assert max(part["high_hz"] for part in by_kind["mic"]["tuning"]) <= 530_000_000
    # Packs are not behind it.
    assert max(part["high_hz"] for part in by_kind["iem"]["tuning"]) > 600_000_000
    assert by_kind["mic"]["received_in"] == ["main/antennas, 470.1–530 MHz"]
    (cause,) = frozen.kept[by_kind["mic"]["id"]]
    assert "Main stage lets in only 470–530 MHz" in cause["why"]


def test_receivers_that_tune_nothing_of_the_filter_have_antennas_of_their_own(site: Site) -> None:
    actions.equip(
        actor=site.coordinator, zone=site.zone("main"), low_hz=700_000_000, high_hz=800_000_000, gain_dbi=9.0
    )  # fmt: skip
    row = rows(site)[1]["mic"]
    assert row["antenna_dbi"] == 0.0 and row["place"] == "main/antennas, 470.1–607.9 MHz"


def test_what_does_not_fit_together_is_refused_field_by_field(site: Site) -> None:
    with pytest.raises(Faulty) as refused:
        actions.equip(
            actor=site.coordinator, zone=site.zone("main"), amplifier_db=15.0, low_hz=600_000_000, high_hz=500_000_000
        )  # fmt: skip
    assert {fault.field for fault in refused.value.faults} == {
        "high_hz",
        "amplifier_noise_db",
        "amplifier_iip3_dbm",
    }
    page = site.browser("coordinator").post(PAGE, NOTHING | {"amplifier_db": "15"}).content.decode()
    assert "from its data sheet" in page and not Antennas.objects.exists()


def test_two_coordinators_do_not_overwrite_each_other(site: Site) -> None:
    boss = site.browser("coordinator")
    boss.post(PAGE, NOTHING | {"cable_db": "3"})
    page = boss.post(PAGE, NOTHING | {"cable_db": "4"}).content.decode()
    assert Antennas.objects.get().cable_db == 3 and "Loss of cable and filter behind it, dB" in page
    with pytest.raises(Stale):
        actions.equip(actor=site.coordinator, zone=site.zone("main"), cable_db=5.0)


def test_machines_read_and_write_it_under_its_version(site: Site) -> None:
    client, address = site.client("coordinator"), "/api/v1/events/harbour-days/zones/main/antennas/"
    nothing = client.get(address)
    assert nothing.json()["version"] == 0 and nothing.json()["cable_db"] == 0
    assert client.patch(address, {"cable_db": 2}, format="json").status_code == 428
    written = client.patch(address, {"cable_db": 2}, format="json", headers={"If-Match": nothing["ETag"]})
    assert written.status_code == 200 and written["ETag"] == '"1"'
    refused = client.patch(address, {"amplifier_db": 9}, format="json", headers={"If-Match": '"1"'})
    assert refused.status_code == 422
    assert (
        site.client("lead")
        .patch(address, {"cable_db": 9}, format="json", headers={"If-Match": "*"})
        .status_code
        == 403
    )
    assert (
        client.delete(address, headers={"If-Match": '"1"'}).status_code == 204
        and not Antennas.objects.exists()
    )


def test_a_kinds_figures_are_set_one_by_one_and_go_back(site: Site) -> None:
    client, address = site.client("coordinator"), "/api/v1/events/harbour-days/kinds/mic/"
    given = {"roles": [{"code": "mic", "radio": {"cable_db": 1.5, "antenna_gain_dbi": -3, "iip3_dbm": None}}]}
    assert client.patch(address, given, format="json", headers={"If-Match": "*"}).status_code == 200
    role = KindRole.objects.get(code="mic")
    assert role.radio == {"noise_figure_db": 10, "cable_db": 1.5, "antenna_gain_dbi": -3}
    sent, received = rows(site)
    assert sent["mic"]["eirp_dbm"] == 12.5 and received["mic"]["iip3_dbm"] is None  # 17 − 1.5 − 3
    page = site.browser("coordinator").get("/e/harbour-days/set-up/kinds/mic/").content.decode()
    assert "Loss of its own cable, dB" in page and 'value="1.5"' in page


def test_a_quieter_transmitter_and_a_narrower_receiver_ask_for_no_more(site: Site) -> None:
    """Broadband noise and far rejection are figures of a kind: better ones never push devices apart."""

    def apart() -> list[int]:
        return [row.min_hz for row in sited(site.event, standing_carriers(site.event)).demands.separations]

    before = apart()
    Kind.objects.update(version=2)
    KindRole.objects.all().update(
        radio={"floor_db": -120, "blocking_db": 110, "noise_figure_db": 10, "iip3_dbm": -5}
    )
    after = apart()
    assert sum(after) <= sum(before) and after != before


# A made-up transmitter and receiver of 200 kHz, tighter than their modulation's starting shapes.
TIGHT = "0 0\n90 0\n90 -40\n150 −75,5\n300 -95 dB"
NARROW = "0 0\n95 kHz 0 dB\n130: -70\n200 -95"


def test_a_mask_and_a_filter_of_its_own_are_typed_point_by_point(site: Site) -> None:
    browser, address = site.browser("coordinator"), "/e/harbour-days/set-up/kinds/mic/"
    kind = Kind.objects.get(code="mic")
    form = {name: value for name, value in KindForm.of(kind).items() if value is not None}
    page = browser.get(address).content.decode()
    assert "Empty, by its modulation: 0 0, 70 0, 70 -20, 100 -60, 200 -80" in page

    refused = browser.post(address, {**form, "version": kind.version, "mask-mic": "0 0\nfar down"})
    words = refused.content.decode()
    assert (
        "«far down»: write the distance from the carrier in kHz" in words and "far down</textarea>" in words
    )
    for typed, complaint in (
        ("10 0\n90 -40", "Begin at the carrier"),
        ("0 0\n90 -40\n80 -50", "Point 3 is nearer to the carrier"),
        ("0 0\n90 -40\n100 -20", "Point 3 is higher than the one before"),
        ("0 0", "Give 2 to 32 points, not 1"),
    ):
        assert (
            complaint
            in browser.post(address, {**form, "version": kind.version, "filter-mic": typed}).content.decode()
        )

    browser.post(address, {**form, "version": kind.version, "mask-mic": TIGHT, "filter-mic": NARROW})
    radio = KindRole.objects.get(code="mic").radio
    assert radio["mask"][3:] == [
        {"offset_hz": 150_000, "level_db": -75.5},
        {"offset_hz": 300_000, "level_db": -95},
    ]
    assert KindForm.of(Kind.objects.get(code="mic"))["filter-mic"] == "0 0\n95 0\n130 -70\n200 -95"


def test_a_mask_and_a_filter_of_its_own_move_separations_and_go_back(site: Site) -> None:
    def apart() -> int:
        rows = sited(site.event, standing_carriers(site.event)).demands.separations
        return max(row.min_hz for row in rows if row.kinds == ("mic", "mic") and row.treatment == "forbid")

    client, address = site.client("coordinator"), "/api/v1/events/harbour-days/kinds/mic/"

    def give(**radio: Any) -> Any:
        body = {"roles": [{"code": "mic", "radio": radio}]}
        return client.patch(address, body, format="json", headers={"If-Match": "*"})

    def points(*pairs: tuple[int, int]) -> list[dict[str, int]]:
        return [{"offset_hz": offset, "level_db": level} for offset, level in pairs]

    before = apart()
    flat = points((0, 0), (100_000, 0), (100_000, -90), (110_000, -90))
    assert give(mask=flat, filter=flat, floor_db=-90, blocking_db=90).status_code == 200
    # Two rectangles of 200 kHz over floors 90 dB down: they part where they no longer overlap (ITU-R SM.337).
    assert 190_000 <= apart() <= 200_000 < before
    wide = points((0, 0), (100_000, 0), (900_000, -80))
    assert give(mask=wide, filter=wide).status_code == 200
    assert apart() > before
    assert client.get(address).json()["roles"][0]["radio"]["mask"] == wide
    assert give(mask=None, filter=None, floor_db=None, blocking_db=None).status_code == 200
    assert apart() == before
    refused = give(mask=points((0, 0), (5_000, -10), (6_000, -5)))
    assert refused.status_code == 422 and "Point 3 is higher" in str(refused.json())

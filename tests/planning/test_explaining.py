"""What is explained of a run: the terms beside each number add up to it, by the relations that they are taken from."""

import json
from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from apps.planning import documents
from apps.planning.explaining import explained
from apps.planning.models import Run, RunDocument
from apps.registry.models import KindRole
from tests.planning.test_pages import place
from tests.site import Site, line, make_site, register

pytestmark = pytest.mark.django_db


@pytest.fixture
def site() -> Site:
    site = make_site()
    KindRole.objects.filter(code="mic").update(
        radio={
            "iip3_dbm": 0,
            "filter": [{"offset_hz": 0, "level_db": 0}, {"offset_hz": 150_000, "level_db": -70}],
        }
    )
    register(site.lead, line(quantity=3), line("side", zone="side"))
    register(site.coordinator, line("agents on foot", department="GRD"))
    for code, hertz in (("AUD-001", 500_100_000), ("AUD-002", 501_100_000), ("AUD-003", 503_000_000)):
        place(site, code, hertz)
    place(site, "GRD-001", 502_100_000)  # 2 · 501.1 − 500.1
    site.event.refresh_from_db()
    return site


PLACED = {"AUD-001": 500_100_000, "AUD-002": 501_100_000, "AUD-003": 503_000_000, "GRD-001": 502_100_000}


def test_the_terms_of_a_separation_add_up(site: Site) -> None:
    """ITU-R SM.337: the rejection at the offset covers what the interferer exceeds the threshold by; I/N −6 dB, RR 5.225A."""
    rows = [row for row in explained(site.event, PLACED)["kind_pairs"] if "interferer" in row]
    assert rows
    for row in rows:
        harmless = max(row["wanted_dbm"] - row["protection_db"], row["noise_dbm"] - 6.0)
        assert row["threshold_dbm"] == pytest.approx(harmless, abs=0.11)
        assert row["needed_db"] == pytest.approx(row["interferer_dbm"] - row["threshold_dbm"], abs=0.11)
        assert row["over_wanted_db"] == pytest.approx(row["interferer_dbm"] - row["wanted_dbm"], abs=0.11)
        if row["treatment"] == "forbid" and not row["short_db"]:
            assert row["rejection_db"] >= row["needed_db"] - 0.1 > row["rejection_on_tune_db"] - 0.2
        # What is radiated less the least loss arrives, less what bodies take at most.
        assert row["interferer_dbm"] <= 17.0 - row["least_loss_db"] + 0.1


def test_paths_kinds_and_assignments_are_told_with_their_figures(site: Site) -> None:
    said = explained(site.event, PLACED)
    for row in said["zone_pairs"]:
        assert row["nearest_m"] <= row["distance_m"] <= row["farthest_m"]
        assert row["least_loss_db"] <= row["loss_db"] <= row["greatest_loss_db"]
        assert row["loss_db"] == pytest.approx(sum(part["loss_db"] for part in row["parts"]), abs=0.21)
        assert row["hears_db"] <= 0 and row["model"]
    kind = said["kinds"]["mic"]
    assert (kind["filter_from"], kind["emission_from"]) == ("its own points", "its modulation")
    assert {"offset_hz": 150_000, "level_db": -70.0} in kind["filter"]
    for limit in said["products"]:
        assert all(reason["computed_db"] is None or reason["computed_db"] >= limit["limit_db"] - 0.1
                   or limit["made_in"] == "transmitters" for reason in limit["reasons"])  # fmt: skip
    one = said["assignments"]["GRD-001"]
    assert one["frequency_hz"] == 502_100_000
    assert {"2A-B"} <= {row["family"] for row in one["contributors"]}
    assert ["AUD-001", "AUD-002"] in [sorted(row["carriers"]) for row in one["contributors"]]
    assert set(one) >= {"wanted_dbm", "noise_dbm", "interference_dbm", "products_dbm", "margin_db"}


def test_the_command_says_it_of_a_run_that_has_a_result(site: Site) -> None:
    with pytest.raises(CommandError, match="no such run"):
        call_command("explain_run", "7")
    run = Run.objects.create(event=site.event, number=7, revision=site.event.revision, seconds=1)
    with pytest.raises(CommandError, match="has no result"):
        call_command("explain_run", "7")
    documents.keep(run, RunDocument.Role.RESULT, {"assignments": PLACED})
    out = StringIO()
    call_command("explain_run", "7", stdout=out)
    said = json.loads(out.getvalue())
    assert (said["run"], said["event"], set(said["assignments"])) == (7, "harbour-days", set(PLACED))

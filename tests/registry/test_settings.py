"""Settings of devices: what a kind asks for, a field for each in the form of a line, and nothing typed that is lost."""

from html.parser import HTMLParser
from typing import Any

import pytest
from django.test import Client

from apps.journal.models import Entry
from apps.registry.models import Draft, Kind, Registration
from tests.site import Site, line, make_site, register

pytestmark = pytest.mark.django_db  # what pages read and write runs on every database by its own tests
BASE = "/e/harbour-days/"
TYPED = {
    "label": "lead vocals", "kind": "mic", "zone": "main", "quantity": "1", "units": "1", "spares": "0", "all_day": "on",
    "priority": "2", "can_change": "freely", "settings": "",
}  # fmt: skip
BOTH, ONE = "setting:pairing key", "setting:low cut"


@pytest.fixture
def site() -> Site:
    site = make_site()
    Kind.objects.filter(code="repeater").update(
        settings=["tone squelch", "pairing key"], settings_at_one_end=["channel name"]
    )
    return site


class Shown(HTMLParser):
    """What a browser makes of a form of lines: fields with what stands in them, groups with their labels, ids."""

    def __init__(self, answer: Any) -> None:
        super().__init__()
        self.fields: dict[str, str] = {}
        self.groups: list[tuple[str, list[str]]] = []
        self.ids: list[str] = []
        self.labelled: list[str] = []
        self._area = self._within = ""
        self.feed(answer.content.decode())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        said = {name: value or "" for name, value in attrs}
        if "id" in said:
            self.ids.append(said["id"])
        if tag == "input" and said.get("type") == "text":
            self.fields[said["name"]] = said.get("value", "")
        elif tag == "textarea":
            self._area = said["name"]
            self.fields[self._area] = ""
        elif tag == "fieldset" and said.get("class") == "fb-ends":
            self.groups.append(("", []))
        elif tag == "label":
            self.labelled.append(said.get("for", ""))
        self._within = tag

    def handle_endtag(self, tag: str) -> None:
        self._within = ""
        if tag == "textarea":
            # HTML: a line feed right behind the tag is none of its text.
            self.fields[self._area] = self.fields[self._area].removeprefix("\n")
            self._area = ""
        elif tag == "fieldset" and self.groups:
            self.groups[-1][1].append("")

    def handle_data(self, data: str) -> None:
        if self._area:
            self.fields[self._area] += data
        elif self.groups and self._within == "legend" and not self.groups[-1][0]:
            self.groups[-1] = (data.strip(), [])
        elif self.groups and self._within == "label" and "" not in self.groups[-1][1]:
            self.groups[-1][1].append(data.strip())


def groups_in(answer: Any) -> list[tuple[str, list[str]]]:
    return [(words, [label for label in labels if label]) for words, labels in Shown(answer).groups]


def settings_in(answer: Any) -> dict[str, str]:
    fields = Shown(answer).fields
    return {name: text for name, text in fields.items() if name.startswith("setting:") or name == "settings"}


def test_the_kind_has_a_field_for_each_setting_in_two_groups(site: Site) -> None:
    lead = site.browser("lead")
    assert groups_in(lead.get(f"{BASE}devices/new/")) == []
    turned = lead.post(f"{BASE}devices/help/", TYPED | {"asked-for": ""})
    assert groups_in(turned) == [("The same at both ends", ["Pairing key"]), ("At one end only", ["Low cut"])]
    # The fields under somebody's hands stay as they are until another kind is chosen.
    same = lead.post(f"{BASE}devices/help/", TYPED | {"asked-for": "mic"})
    assert groups_in(same) == [] and 'id="settings"' not in same.content.decode()


def test_what_stands_in_the_fields_is_saved_with_what_is_said_further(site: Site) -> None:
    given = TYPED | {BOTH: "17", ONE: " 80 Hz ", "settings": "gain = -6\r\n\r\nlimiter=on"}
    assert site.browser("lead").post(f"{BASE}devices/new/", given).status_code == 302
    said = {"pairing key": "17", "low cut": "80 Hz", "gain": "-6", "limiter": "on"}
    assert Registration.objects.get().settings == said


def test_without_scripts_the_box_alone_says_the_same(site: Site) -> None:
    lead = site.browser("lead")
    assert (
        lead.post(f"{BASE}devices/new/", TYPED | {"settings": "low cut=80 Hz; pairing key=17"}).status_code
        == 302
    )
    row = Registration.objects.get()
    assert row.settings == {"low cut": "80 Hz", "pairing key": "17"}
    assert settings_in(lead.get(f"{BASE}devices/{row.pk}/")) == {BOTH: "17", ONE: "80 Hz", "settings": ""}


def test_another_kind_keeps_what_was_typed(site: Site) -> None:
    lead = site.browser("lead")
    typed = TYPED | {BOTH: "17", ONE: "80 Hz", "settings": "gain=-6\nchannel name=stage", "asked-for": "mic"}
    turned = lead.post(f"{BASE}devices/help/", typed | {"kind": "repeater"})
    assert settings_in(turned) == {
        "setting:tone squelch": "", BOTH: "17", "setting:channel name": "stage", "settings": "gain=-6\nlow cut=80 Hz",
    }  # fmt: skip
    # And back again, it is as it was.
    back = lead.post(f"{BASE}devices/help/", {**TYPED, **settings_in(turned), "asked-for": "repeater"})
    assert settings_in(back) == {BOTH: "17", ONE: "80 Hz", "settings": "gain=-6\nchannel name=stage"}
    # Whoever has no scripts saves another kind with the fields of the first.
    lead.post(f"{BASE}devices/new/", typed | {"kind": "repeater"})
    assert Registration.objects.get().settings == {
        "pairing key": "17", "channel name": "stage", "gain": "-6", "low cut": "80 Hz",
    }  # fmt: skip


def test_a_kind_without_settings_leaves_all_of_it_in_the_box(site: Site) -> None:
    typed = TYPED | {BOTH: "17", ONE: "80 Hz", "settings": "", "kind": "hopping", "asked-for": "mic"}
    turned = site.browser("lead").post(f"{BASE}devices/help/", typed)
    assert settings_in(turned) == {"settings": "pairing key=17\nlow cut=80 Hz"}


def test_faults_and_drafts_keep_the_fields(site: Site) -> None:
    lead = site.browser("lead")
    typed = TYPED | {"quantity": "many", BOTH: "<17>", ONE: "80 Hz", "settings": "gain"}
    answer = lead.post(f"{BASE}devices/new/", typed)
    assert answer.status_code == 422 and not Registration.objects.exists()
    kept = {BOTH: "<17>", ONE: "80 Hz", "settings": "gain"}
    assert settings_in(answer) == kept
    assert "«gain» has no equals sign" in answer.content.decode()
    lead.post(f"{BASE}devices/help/", typed)
    assert Draft.objects.count() == 1
    assert settings_in(lead.get(f"{BASE}devices/new/")) == kept


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({BOTH: "17; 18"}, "«pairing key»: a setting may not hold a semicolon"),
        ({BOTH: "17; low cut=on"}, "«pairing key»: a setting may not hold a semicolon"),
        ({BOTH: "17", "settings": "pairing key=18"}, "The setting «pairing key» stands twice"),
        ({"settings": "gain=1\ngain=2"}, "The setting «gain» stands twice"),
        ({BOTH: "x" * 501}, "The setting «pairing key» is too long"),
    ],
)
def test_settings_at_fault_are_named_and_stay(site: Site, typed: dict[str, str], said: str) -> None:
    answer = site.browser("lead").post(f"{BASE}devices/new/", TYPED | typed)
    assert answer.status_code == 422 and said in answer.content.decode()
    shown = settings_in(answer)
    assert {name: shown[name] for name in typed} == typed


def saved_again(browser: Client, row: Registration, **more: str) -> Registration:
    """What the form shows, sent back as it stands."""
    answer = browser.get(f"{BASE}devices/{row.pk}/")
    typed = {**TYPED, **Shown(answer).fields, "version": str(row.version), **more}
    assert browser.post(f"{BASE}devices/{row.pk}/", typed).status_code == 302
    row.refresh_from_db()
    return row


def test_an_untouched_line_is_unchanged_whatever_stands_in_its_settings(site: Site) -> None:
    said = {"gain": "-3", "low cut": "", "pairing key": "two\nlines", "Low cut": "80 = high"}
    register(site.lead, line(settings=said))
    row = Registration.objects.get()
    before = site.client("lead").get(f"/api/v1/events/harbour-days/registrations/{row.pk}/").json()
    listed = site.browser("lead").get(f"{BASE}devices/export.csv").content
    assert saved_again(site.browser("lead"), row).version == before["version"]
    assert site.client("lead").get(f"/api/v1/events/harbour-days/registrations/{row.pk}/").json() == before
    assert site.browser("lead").get(f"{BASE}devices/export.csv").content == listed


def test_a_field_that_is_emptied_is_said_no_more(site: Site) -> None:
    register(site.lead, line(settings={"pairing key": "17", "gain": "-3"}))
    row = saved_again(site.browser("lead"), Registration.objects.get(), **{BOTH: ""})
    assert row.settings == {"gain": "-3"} and row.open_settings == ["pairing key"]


def test_a_copy_takes_its_settings_along(site: Site) -> None:
    register(site.lead, line(settings={"low cut": "80 Hz", "gain": "-3"}))
    copied = site.browser("lead").get(f"{BASE}devices/new/?copy={Registration.objects.get().pk}")
    assert settings_in(copied) == {BOTH: "", ONE: "80 Hz", "settings": "gain=-3"}


def test_two_who_type_at_once_see_both_values_of_a_setting(site: Site) -> None:
    register(site.lead, line(settings={"pairing key": "1"}))
    row = Registration.objects.get()
    saved_again(site.browser("coordinator"), row, **{BOTH: "2"})
    typed = TYPED | {BOTH: "3", "version": "1"}
    answer = site.browser("lead").post(f"{BASE}devices/{row.pk}/", typed)
    assert answer.status_code == 409
    assert ("Pairing key", "3", "2") in answer.context["differing"]
    assert settings_in(answer)[BOTH] == "3"


def test_each_field_has_a_label_and_an_id_that_a_link_can_name(site: Site) -> None:
    """HTML, id attribute: at least one character, no blanks, once in the document."""
    register(site.lead, line(kind="repeater"))
    shown = Shown(site.browser("lead").get(f"{BASE}devices/{Registration.objects.get().pk}/"))
    assert len(set(shown.ids)) == len(shown.ids)
    named = [each for each in shown.ids if each.startswith("id_setting-")]
    assert len(named) == 3 and set(named) <= set(shown.labelled)
    assert [each for each in shown.ids if " " in each] == []


# -- what a kind asks for -------------------------------------------------------------------

KIND = {
    "name": "Microphone", "power_mw": "10, 50", "cells": "2 × AA", "running_h": "6", "version": "1",
    "tuning-mic": "470.1 to 607.9 by 0.025", "bandwidth_hz-mic": "200", "spacing_hz-mic": "350",
}  # fmt: skip


def test_both_lists_of_a_kind_are_changed_on_its_page(site: Site) -> None:
    boss, address = site.browser("coordinator"), f"{BASE}set-up/kinds/mic/"
    page = boss.get(address).content.decode()
    assert "Settings that must match at both ends" in page and "Settings at one end only" in page
    given = KIND | {"settings": "pairing key\nencryption", "settings_at_one_end": " gain \n\ndisplay name"}
    assert boss.post(address, given).status_code == 302
    kind = site.event.kinds.get(code="mic")
    assert (kind.settings, kind.settings_at_one_end) == (
        ["pairing key", "encryption"],
        ["gain", "display name"],
    )
    told = Entry.objects.get(verb="changed a kind").changes["mic"]
    assert told["settings_at_one_end"] == [["low cut"], ["gain", "display name"]]


@pytest.mark.parametrize(
    ("both", "one", "said"),
    [
        ("pairing key", "pairing key", "«pairing key» stands twice; keep one of the two."),
        ("gain\ngain", "", "«gain» stands twice"),
        ("gain=3", "", "holds no equals sign and no semicolon"),
        ("", "a;b", "holds no equals sign and no semicolon"),
        ("x" * 101, "", "at most 100 characters"),
    ],
)
def test_names_that_no_line_could_fill_in_are_refused(site: Site, both: str, one: str, said: str) -> None:
    given = KIND | {"settings": both, "settings_at_one_end": one, "note": "kept"}
    page = site.browser("coordinator").post(f"{BASE}set-up/kinds/mic/", given).content.decode()
    assert said in page and 'value="kept"' in page
    # All at once: what is wrong elsewhere is said beside it, on top with a link to its field.
    both_wrong = given | {"power_mw": "strong"}
    page = site.browser("coordinator").post(f"{BASE}set-up/kinds/mic/", both_wrong).content.decode()
    assert said in page and '<a href="#id_power_mw">Power steps, mW</a>: Write milliwatts' in page
    kind = site.event.kinds.get(code="mic")
    assert (kind.settings, kind.settings_at_one_end, kind.version) == (["pairing key"], ["low cut"], 1)


def test_the_interface_reads_and_writes_both_lists(site: Site) -> None:
    client, address = site.client("coordinator"), "/api/v1/events/harbour-days/kinds/"
    shown = client.get(f"{address}mic/").json()
    assert (shown["settings"], shown["settings_at_one_end"]) == (["pairing key"], ["low cut"])
    given = {"settings_at_one_end": ["gain"]}
    assert client.patch(f"{address}mic/", given, format="json", HTTP_IF_MATCH="*").json()[
        "settings_at_one_end"
    ] == ["gain"]
    refused = client.patch(
        f"{address}mic/", {"settings_at_one_end": ["pairing key"]}, format="json", HTTP_IF_MATCH="*"
    )
    assert refused.status_code == 422 and "stands twice" in refused.content.decode()
    # A kind of the catalogue brings its own.
    assert client.post(address, [{"code": "iem-stereo"}], format="json").json()[0]["status"] == "new"
    copied = client.get(f"{address}iem-stereo/").json()
    assert "mono or stereo" in copied["settings"] and "receiver limiter" in copied["settings_at_one_end"]


def test_only_what_must_match_at_both_ends_counts_as_missing(site: Site) -> None:
    lead = site.browser("lead")
    register(site.lead, line(contact="Ada", settings={"low cut": "80 Hz"}))
    row = Registration.objects.get()
    assert row.open_settings == ["pairing key"]
    assert f"devices/{row.pk}/" in lead.get(f"{BASE}devices/?sheet=open").content.decode()
    saved_again(lead, row, **{BOTH: "17", ONE: ""})
    assert row.open_settings == []
    assert f"devices/{row.pk}/" not in lead.get(f"{BASE}devices/?sheet=open").content.decode()

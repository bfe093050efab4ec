"""The back door is for staff alone, and looks without touching."""

import re

import pytest
from django.contrib import admin
from django.test import Client

from apps.events.models import Person
from tests.site import Site, line, make_site, register

pytestmark = [pytest.mark.django_db, pytest.mark.store]


@pytest.fixture
def site() -> Site:
    return make_site()


@pytest.fixture
def staff(site: Site) -> Client:
    Person.objects.create_superuser("root@harbour-days.example", None, name="Root")
    register(site.coordinator, line())
    client = Client()
    client.force_login(Person.objects.get(is_staff=True), backend="django.contrib.auth.backends.ModelBackend")
    return client


def test_nobody_else_comes_in(site: Site) -> None:
    for who in ("coordinator", "lead", "stranger"):
        assert site.browser(who).get("/backdoor/").status_code == 302


def test_every_list_opens_and_nothing_can_be_added_or_deleted(staff: Client) -> None:
    ours = [model for model in admin.site._registry if model.__module__.startswith("apps.")]
    assert len(ours) > 15
    for model in ours:
        base = f"/backdoor/{model._meta.app_label}/{model._meta.model_name}/"
        page = staff.get(base)
        assert page.status_code == 200, base
        assert staff.get(f"{base}add/").status_code == 403, base
        for row in re.findall(rf'href="({base}[^"/]+/change/)', page.content.decode())[:1]:
            assert staff.get(row).status_code == 200, row
            assert staff.post(row.replace("change", "delete")).status_code == 403, row


def test_an_account_can_be_closed_and_is_out_at_once(site: Site, staff: Client) -> None:
    browser = site.browser("lead")
    assert browser.get("/e/harbour-days/").status_code == 200
    lead = site.people["lead"]
    staff.post(f"/backdoor/events/person/{lead.pk}/change/", {"is_staff": ""})
    lead.refresh_from_db()
    assert not lead.is_active
    assert browser.get("/e/harbour-days/").status_code == 302

"""A small event with its people, as most tests need it: two departments and a confidential one, three zones, three kinds."""

from dataclasses import dataclass
from datetime import date
from typing import Any

from django.test import Client
from rest_framework.test import APIClient

from apps.events import actions as events
from apps.events import queries
from apps.events.actors import Actor
from apps.events.models import Department, Event, Person, Zone
from apps.registry import actions as registry
from apps.registry.models import Kind, KindRole

MICROPHONE = {"low_hz": 470_100_000, "high_hz": 607_900_000, "step_hz": 25_000}
RADIO_LOW = {"low_hz": 450_000_000, "high_hz": 455_000_000, "step_hz": 12_500}


@dataclass
class Site:
    """The event and who acts in it. `lead` leads AUD, `other` leads VID, `guard` leads the confidential GRD."""

    event: Event
    coordinator: Actor
    lead: Actor
    other: Actor
    guard: Actor
    desk: Actor
    observer: Actor
    people: dict[str, Person]

    def department(self, code: str) -> Department:
        return self.event.departments.get(code=code)

    def zone(self, code: str) -> Zone:
        return self.event.zones.get(code=code)

    def client(self, who: str, *, writes: bool = True, department: str | None = None) -> APIClient:
        """The REST interface with a token of one of the people."""
        actor = queries.actor_in(self.people[who], self.event.slug)
        issued = events.issue_token(
            actor=actor,
            person=self.people[who],
            writes=writes,
            department=self.department(department) if department else None,
        )
        client = APIClient()
        client.credentials(HTTP_AUTHORIZATION=f"Token {issued.secret}")
        return client

    def browser(self, who: str) -> Client:
        """The pages as one of the people sees them, logged in."""
        client = Client()
        client.force_login(self.people[who], backend="django.contrib.auth.backends.ModelBackend")
        return client

    def again(self, who: str) -> Actor:
        return queries.actor_in(self.people[who], self.event.slug)


def make_site(slug: str = "harbour-days", **fields: Any) -> Site:
    names = ["coordinator", "lead", "other", "guard", "desk", "observer", "stranger"]
    people = {
        name: events.create_person(email=f"{name}@{slug}.example", name=name.title(), password=None)
        for name in names
    }
    actor = events.create_event(
        person=people["coordinator"],
        slug=slug,
        name="Harbour Days",
        timezone_name="Europe/Vienna",
        starts_on=date(2027, 6, 11),
        ends_on=date(2027, 6, 13),
        ruleset="cept",
        **fields,
    )
    for code, name, east in (("main", "Main stage", 0), ("side", "Side stage", 220), ("gate", "Gate", 2000)):
        events.add_zone(actor=actor, code=code, name=name, east_m=east, north_m=0)
    events.add_department(actor=actor, code="AUD", name="Audio", shares_time=True)
    events.add_department(actor=actor, code="VID", name="Video")
    events.add_department(actor=actor, code="GRD", name="Guest protection", confidential=True)
    make_kinds(actor.event)
    for who, role, code in (
        ("lead", "lead", "AUD"),
        ("other", "lead", "VID"),
        ("guard", "lead", "GRD"),
        ("desk", "desk", None),
        ("observer", "observer", None),
    ):
        department = actor.event.departments.get(code=code) if code else None
        events.add_member(actor=actor, person=people[who], role=role, department=department)
    actors = {name: queries.actor_in(people[name], slug) for name in names[:-1]}
    return Site(event=actor.event, people=people, **actors)


def make_kinds(event: Event) -> None:
    """A microphone, a two-way radio through a repeater, and a kind that gets no carrier."""
    common = {
        "event": event,
        "power_mw": [10, 50],
        "cells": "2 × AA",
        "running_h": 6.0,
        "settings": ["pairing key"],
        "settings_at_one_end": ["low cut"],
    }
    mic = Kind.objects.create(
        code="mic", name="Microphone", use="hand_held", modulation="analogue_mono", **common
    )
    guards = {"2A-B": 100_000, "A+B-C": 50_000}
    KindRole.objects.create(
        kind=mic, position=1, code="mic", name="microphone to receiver", sent_by="device", received_by="base",
        tuning=[MICROPHONE], bandwidth_hz=200_000, spacing_hz=350_000, guards_hz=guards,
    )  # fmt: skip
    radio = Kind.objects.create(
        code="repeater", name="Two-way radio", use="two_way", modulation="narrow_fm", **common
    )
    for position, code, offset in ((1, "in", None), (2, "out", 10_000_000)):
        KindRole.objects.create(
            kind=radio, position=position, code=code, name=f"repeater {code}put", sent_by="device", received_by="base",
            tuning=[{**RADIO_LOW, **({} if position == 1 else {"low_hz": 460_000_000, "high_hz": 465_000_000})}],
            bandwidth_hz=12_500, spacing_hz=25_000, offset_hz=offset, guards_hz={},
        )  # fmt: skip
    Kind.objects.create(
        code="hopping", name="Hopping intercom", use="intercom", modulation="wideband", event=event, assigned=False,
        not_assigned_why="finds its own channels", power_mw=[100],
    )  # fmt: skip


def line(label: str = "lead vocals", **fields: Any) -> dict[str, Any]:
    return {"label": label, "kind": "mic", "department": "AUD", "zone": "main", **fields}


def register(actor: Actor, *rows: dict[str, Any]) -> list[Any]:
    return registry.register(actor=actor, rows=list(rows))

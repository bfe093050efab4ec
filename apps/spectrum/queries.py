"""Shared reads of what is known about the spectrum at a site: television channels, surveys, band plan, permissions."""

from dataclasses import dataclass

from django.db.models import QuerySet

from apps.events import queries as events
from apps.events.actors import Actor
from apps.events.models import Event
from apps.radio.rasters import RASTERS, Channel
from apps.spectrum.models import Occupied, Outsider, Permission, PlannedRange, Survey, TelevisionChannel
from apps.spectrum.rulesets import Ruleset, ruleset
from apps.spectrum.states import PermissionState, SurveyState


@dataclass(frozen=True)
class ChannelHere:
    """A television channel of the event's region, and what is known of it."""

    raster: str
    channel: Channel
    mark: TelevisionChannel | None
    reserved: str = ""  # why the ruleset keeps all of it out of anybody's hands, if it does

    @property
    def key(self) -> str:
        return f"{self.raster}/{self.channel.name}"

    @property
    def label(self) -> str:
        return f"channel {self.channel.name}"

    @property
    def version(self) -> int:
        return self.mark.version if self.mark else 0

    @property
    def state(self) -> str:
        if self.mark is None:
            return "unknown"
        return "occupied" if self.mark.occupied else "free"


def channels_of(event: Event) -> list[ChannelHere]:
    """The channels of the rasters that the event's ruleset names, in order of frequency within each raster."""
    marks = {(row.raster, row.name): row for row in event.television_channels.select_related("taken")}
    law = ruleset(event.ruleset)
    return [
        ChannelHere(key, channel, marks.get((key, channel.name)), _reserved(law, channel))
        for key in law.television_rasters
        for channel in RASTERS[key].channels
        if not channel.former or (key, channel.name) in marks
    ]


def _reserved(law: Ruleset, channel: Channel) -> str:
    return next(
        (
            row.words or row.why
            for row in law.reserved
            if row.low_hz <= channel.low_hz and channel.high_hz <= row.high_hz
        ),
        "",
    )


def surveys_of(actor: Actor) -> QuerySet[Survey]:
    """Surveys show everybody's carriers, so only who sees every department sees them. Newest first."""
    found = actor.event.surveys.select_related("zone", "event").order_by("-number")
    return found if actor.sees_all else found.none()


def counting_surveys(event: Event) -> QuerySet[Survey]:
    """The surveys that hold, median and the next run are made of, with their traces."""
    found = event.surveys.filter(state=SurveyState.READ, counts=True, resolution_hz__isnull=False)
    return found.select_related("zone", "trace").order_by("number")


def band_plan_of(actor: Actor) -> QuerySet[PlannedRange]:
    """The band plan tells of every department, so only who sees them all reads it; others read what it keeps from them."""
    found = actor.event.band_plan.select_related("event").order_by("low_hz", "pk")
    return found if actor.sees_all else found.none()


def occupied_of(actor: Actor) -> QuerySet[Occupied]:
    """Ranges that others use, for who sees every department: the help beside the form names those that reach a line."""
    found = actor.event.occupied.select_related("event").order_by("low_hz", "pk")
    return found if actor.sees_all else found.none()


def outsiders_of(actor: Actor) -> QuerySet[Outsider]:
    """Transmissions of others, for who sees every department: a lead reads of them on sheets and in reasons."""
    found = actor.event.outsiders.select_related("zone", "event").order_by("code")
    return found if actor.sees_all else found.none()


def permissions_of(actor: Actor) -> QuerySet[Permission]:
    """Permissions by code. Whoever sees only some departments sees theirs: one for all may tell of any of them."""
    found = Permission.objects.filter(event=actor.event).select_related("department").order_by("code")
    return found if actor.sees_all else found.filter(events.in_scope(actor))


def granted_in(event: Event) -> list[Permission]:
    return list(event.permissions.filter(state=PermissionState.GRANTED).order_by("code"))

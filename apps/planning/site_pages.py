"""The site as the model sees it: zones on a plan, who hears whom, and how each figure between two zones came about."""

import math
import re
from collections import defaultdict
from dataclasses import dataclass
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from apps.common.errors import Missing
from apps.events import queries
from apps.events.actors import Actor
from apps.events.models import Zone
from apps.events.rules import refusal_to_coordinate
from apps.events.views import EventPage
from apps.planning import chaining
from apps.planning.demanding import possible_harmonics
from apps.planning.margins import Margin
from apps.planning.reuse import Reuse, by_zones, reuse
from apps.planning.siting import Sited, outline_of, sited, zone_of
from apps.planning.snapshot import standing_carriers
from apps.radio.demands import LimitReason, ProductDemand, SeparationReason, separation
from apps.radio.outlines import apart_m, point
from apps.radio.products import FAMILIES, order, over_two_carrier_db
from apps.registry.models import Carrier
from apps.registry.queries import kinds_of
from apps.spectrum import actions as spectrum
from apps.spectrum.models import KnownLoss

WIDTH, MARGIN = 720, 60  # of the drawing, in its own units
WIDE, NARROW = 13, 24  # the size of names in those units, on a desk and on a phone


def refusal_to_see_the_site(actor: Actor) -> str:
    if actor.sees_all:
        return ""
    return "The site shows every department's devices, so only coordinators and the site desk see it."


class KnownLossForm(forms.Form):
    """A figure in place of the model's."""

    loss_db = forms.FloatField(label="Path loss, dB", min_value=1, max_value=250)
    note = forms.CharField(
        label="How it is known", max_length=500, help_text="Measured when and how, or by whose word."
    )
    version = forms.IntegerField(widget=forms.HiddenInput, initial=0)


@dataclass(frozen=True)
class Mark:
    """A zone on the drawing, in its units. `outline` draws the area that it covers, where that is known."""

    zone: Zone
    x: float
    y: float
    outline: str = ""


@dataclass(frozen=True)
class Label:
    """A name on the drawing: where its line of writing begins, has its middle or ends, and the box that it fills."""

    x: float
    y: float
    anchor: str
    box: tuple[float, float, float, float]

    @classmethod
    def around(cls, mark: Mark, words: str, size: int) -> "list[Label]":
        """Where a name may stand beside its mark, the nicest first."""
        x, y, w, h = mark.x, mark.y, 0.58 * size * len(words), 1.1 * size
        return [
            cls(x, y - 10, "middle", (x - w / 2, y - 8 - h, x + w / 2, y - 8)),
            cls(x, y + 10 + 0.8 * size, "middle", (x - w / 2, y + 8, x + w / 2, y + 8 + h)),
            cls(x + 11, y + 0.35 * size, "start", (x + 10, y - h / 2, x + 10 + w, y + h / 2)),
            cls(x - 11, y + 0.35 * size, "end", (x - 10 - w, y - h / 2, x - 10, y + h / 2)),
        ]

    def cost(self, others: "list[Label]", marks: list[Mark], lines: list[tuple[Mark, Mark]]) -> float:
        """How badly it stands: on other names or marks, outside the drawing, across lines."""
        left, top, right, bottom = self.box
        on = sum(
            left < b[2] and b[0] < right and top < b[3] and b[1] < bottom
            for b in (other.box for other in others)
        )
        on += sum(left - 6 < mark.x < right + 6 and top - 6 < mark.y < bottom + 6 for mark in marks)
        outside = left < 0 or right > WIDTH or top < 0
        across = 0
        for a, b in lines:
            steps = [(a.x + (b.x - a.x) * k / 60, a.y + (b.y - a.y) * k / 60) for k in range(61)]
            across += any(left < x < right and top < y < bottom for x, y in steps)
        return 100 * on + 50 * outside + across


@dataclass(frozen=True)
class Drawing:
    """Zones to scale, north up, and the straight lines between those that hear each other."""

    marks: list[Mark]
    names: list[tuple[Label, str, str]]
    lines: list[tuple[Mark, Mark]]
    height: float
    scale_m: float
    scale: float

    @classmethod
    def of(cls, zones: list[Zone], near: set[frozenset[str]]) -> "Drawing":
        corners = [corner for z in zones for ring in outline_of(z) for corner in ring]
        corners += [(z.east_m, z.north_m) for z in zones]
        (west, south), (east, north) = (
            map(min, zip(*corners, strict=True)),
            map(max, zip(*corners, strict=True)),
        )
        per_m = (WIDTH - 2 * MARGIN) / max(east - west, north - south, 1.0)

        def at(x: float, y: float) -> tuple[float, float]:
            return round(MARGIN + (x - west) * per_m, 1), round(MARGIN + (north - y) * per_m, 1)

        marks = [
            Mark(
                z,
                *at(z.east_m, z.north_m),
                outline=_drawn([[at(*corner) for corner in ring] for ring in outline_of(z)]),
            )
            for z in zones
        ]
        lines = [
            (a, b)
            for at, a in enumerate(marks)
            for b in marks[at + 1 :]
            if frozenset((a.zone.code, b.zone.code)) in near
        ]
        round_m = 10.0 ** math.floor(math.log10(max(1.0, 200 / per_m)))
        names = [(label, m.zone.name, "wide") for label, m in _named(marks, lines, WIDE, "name")]
        names += [(label, m.zone.code, "narrow") for label, m in _named(marks, lines, NARROW, "code")]
        return cls(
            marks,
            names,
            lines,
            round((north - south) * per_m + 2 * MARGIN, 1),
            round_m,
            round(round_m * per_m, 1),
        )


def _named(
    marks: list[Mark], lines: list[tuple[Mark, Mark]], size: int, what: str
) -> list[tuple[Label, Mark]]:
    """Each mark's name where it stands best beside those of the others; looked at twice, as the first knows of no later one."""
    chosen: dict[int, Label] = {}
    for _ in range(2):
        for at, mark in enumerate(marks):
            others = [label for number, label in chosen.items() if number != at]
            places = Label.around(mark, getattr(mark.zone, what), size)
            chosen[at] = min(places, key=lambda label: label.cost(others, marks, lines))
    return [(chosen[at], mark) for at, mark in enumerate(marks)]


def _drawn(rings: list[list[tuple[float, float]]]) -> str:
    """Rings as a path of the drawing."""
    return " ".join("M" + " L".join(f"{x} {y}" for x, y in ring) + " Z" for ring in rings)


class SitePage(EventPage):
    """Zones on a plan, and for each whom its receivers hear, the loudest first."""

    here = "planning:site"
    template = "planning/site.html"
    refusal = staticmethod(refusal_to_see_the_site)

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        zones = list(queries.zones_of(self.actor))
        model = sited(self.event, standing_carriers(self.event))
        loudest: dict[tuple[str, str], float] = defaultdict(lambda: -math.inf)
        for heard in model.demands.heard:
            key = zone_of(heard.receiver), zone_of(heard.sender)
            loudest[key] = max(loudest[key], heard.level_db)
        known = {zone.code: zone for zone in zones}
        rows = [
            (
                zone,
                [
                    (known[other], round(level), round(_apart_m(zone, known[other])))
                    for (listener, other), level in sorted(loudest.items(), key=lambda row: -row[1])
                    if listener == zone.code and other != zone.code
                ],
            )
            for zone in zones
        ]
        near = {frozenset(pair) for pair in loudest if pair[0] != pair[1]}
        again = [
            (
                *(known[code] for code in sorted(pair)),
                _round_apart(known, pair),
                len(shared),
                _nearest_call(shared),
                _least_left(shared),
            )
            for pair, shared in sorted(by_zones(reuse(self.event)).items(), key=lambda row: sorted(row[0]))
        ]
        return self.render(
            rows=rows, drawing=Drawing.of(zones, near) if zones else None, width=WIDTH, anybody=bool(model.services),
            outlined=any(zone.outline for zone in zones), again=again,
        )  # fmt: skip


class Words:
    """Puts names in place of the model's identities, in sentences too."""

    def __init__(self, model: Sited, zones: dict[str, Zone], kinds: dict[str, str]) -> None:
        places = {place.id for place in model.site.places} | {spot.id for spot in model.site.spots}
        self._of = {place: self._place(place, zones) for place in places}
        for kind in model.site.kinds:
            code, _, role = kind.id.partition("/")
            self._of[kind.id] = kinds.get(code, code) + (f", {role}" if role else "")
        longest_first = sorted(self._of, key=len, reverse=True)
        self._pattern = re.compile("|".join(map(re.escape, longest_first)) or "(?!)")

    @staticmethod
    def _place(place: str, zones: dict[str, Zone]) -> str:
        at, _, far = place.partition(", far from ")
        code, _, rest = at.partition("/")
        name = zones[code].name if code in zones else code
        return f"{name}, {rest}{', farthest from its rack' if far else ''}"

    def __call__(self, text: str) -> str:
        return self._pattern.sub(lambda found: self._of[found[0]], text)


class PairPage(EventPage):
    """What one zone's receivers hear of another, what that asks of frequencies, and how each figure came about."""

    here = "planning:site"
    template = "planning/pair.html"
    refusal = staticmethod(refusal_to_see_the_site)

    def zones(self) -> tuple[Zone, Zone]:
        known = {zone.code: zone for zone in queries.zones_of(self.actor)}
        try:
            return known[self.kwargs["listener"]], known[self.kwargs["sender"]]
        except KeyError:
            raise Missing() from None

    def known_loss(self, listener: Zone, sender: Zone) -> KnownLoss | None:
        one, other = sorted((listener, sender), key=lambda zone: zone.pk)
        return self.event.known_losses.filter(one=one, other=other).first()

    def get(self, request: HttpRequest, slug: str, listener: str, sender: str) -> HttpResponse:
        known = self.known_loss(*self.zones())
        given = {"loss_db": known.loss_db, "note": known.note, "version": known.version} if known else None
        return self.shown(KnownLossForm(initial=given))

    def post(self, request: HttpRequest, slug: str, listener: str, sender: str) -> HttpResponse:
        zones = self.zones()
        if "remove" in request.POST:
            known = self.known_loss(*zones)
            if known and self.attempt(lambda: spectrum.drop_known_loss(actor=self.actor, known=known)):
                messages.success(request, "The model says again what the two are apart.")
            return redirect(request.path)
        form = KnownLossForm(request.POST)
        if form.is_valid() and self.attempt(
            lambda: spectrum.set_known_loss(actor=self.actor, zones=zones, **form.cleaned_data), form
        ):
            messages.success(request, "The figure stands in place of the model's from the next run on.")
            return redirect(request.path)
        return self.shown(form, status=422)

    def shown(self, form: KnownLossForm, status: int = 200) -> HttpResponse:
        listener, sender = self.zones()
        carriers = standing_carriers(self.event)
        model = sited(self.event, carriers)
        here, there = listener.code, sender.code
        names = {zone.code: zone for zone in queries.zones_of(self.actor)}
        say = Words(model, names, dict(kinds_of(self.actor).values_list("code", "name")))
        heard = [
            (
                say(row.receiver),
                say(row.sender),
                round(row.level_dbm),
                round(row.level_db, 1),
                say(row.path.words()),
            )
            for row in model.demands.heard
            if (zone_of(row.receiver), zone_of(row.sender)) == (here, there)
        ]
        rules = [
            (say(reason.words()), round(min_hz / 1000, 3)) for reason, min_hz in _reasons(model, here, there)
        ]
        wishes = [
            (row.note, round(row.min_hz / 1e6, 3), " and ".join(map(say, row.kinds)))
            for row in model.demands.separations
            if row.treatment == "penalise" and {zone_of(place) for place in row.places} == {here, there}
        ]
        limits = (
            [_limit_in_words(row, reason, say) for row, reason in _limits(model, here)]
            if here == there
            else []
        )
        chains = self._chains(model, carriers, here, say) if here == there else {}
        pair = frozenset((here, there))
        shared = [
            _shared_in_words(row.facing(here), say)
            for row in (reuse(self.event) if here != there else [])
            if row.zones == pair
        ]
        return self.render(
            **chains, shared=shared,
            form=form, status=status, listener=listener, sender=sender, heard=heard, rules=rules, wishes=wishes,
            limits=limits, apart_m=round(_apart_m(listener, sender)),
            edges=_edges_m(listener, sender), known=self.known_loss(listener, sender),
            refused=refusal_to_coordinate(self.actor),
        )  # fmt: skip

    def _chains(self, model: Sited, carriers: list[Carrier], here: str, say: Words) -> dict[str, Any]:
        """What the kinds of a zone radiate, with harmonics that could fall among them, and through what they are received."""

        def named(row: dict[str, Any]) -> dict[str, Any]:
            return {**row, "kind": say(row["kind"]), "place": say(row["place"])}

        return {
            "sent": [named(row) for row in chaining.sent(self.event, model, carriers, here)],
            "received": [named(row) for row in chaining.received(model, here)],
            "harmonics": [
                (say(kind), number, f"{low / 1e6:g}–{high / 1e6:g}", ", ".join(map(say, hit)))
                for kind, number, low, high, hit in possible_harmonics(model, here)
            ],
        }


def _round_apart(known: dict[str, Zone], pair: frozenset[str]) -> int:
    one, other = (known[code] for code in pair)
    return round(_apart_m(one, other))


def _nearest_call(shared: list[Reuse]) -> str:
    """The least that two carriers stay under what does no harm, in words."""
    under = [row.worst.under_db for row in shared if row.worst is not None]
    return _under_in_words(min(under)) if under else "their receivers do not let each other in"


def _whole(level_dbm: float) -> str:
    return f"{level_dbm:.0f}".replace("-", "−")


def _least_left(shared: list[Reuse]) -> Margin | None:
    """The least that any of those who share has left over in the whole plan."""
    margins = [margin for row in shared for margin in row.margins if margin is not None]
    return min(margins, key=lambda margin: margin.order, default=None)


def _under_in_words(under_db: float) -> str:
    if under_db < 0:
        return f"▲ {math.ceil(-under_db)} dB over what does no harm"
    return f"{math.floor(under_db)} dB under what does no harm"


def _shared_in_words(row: Reuse, say: Words) -> dict[str, Any]:
    """A shared frequency with the figure that lets the two share it."""
    if row.worst is None:
        because = "the receivers of neither let the other in"
    else:
        why = row.worst.why
        because = (
            f"at its strongest {say(why.kind)} from {say(why.sender)} reaches {say(why.victim.kind)} in {say(why.receiver)} at "
            f"{_whole(why.interferer_dbm)} dBm, {_under_in_words(row.worst.under_db)}"
        )
    return {
        "hz": row.hz, "other_hz": row.other_hz, "one": row.one, "other": row.other,
        "because": because, "margins": row.margins,
    }  # fmt: skip


def _apart_m(one: Zone, other: Zone) -> float:
    return math.dist((one.east_m, one.north_m), (other.east_m, other.north_m))


def _edges_m(one: Zone, other: Zone) -> tuple[int, int] | None:
    """Nearest edges and farthest corners of two zones in whole metres; None where neither has an outline."""
    if one == other or not (one.outline or other.outline):
        return None
    a, b = (outline_of(zone) or point(zone.east_m, zone.north_m) for zone in (one, other))
    near, far = apart_m(a, b)
    return round(near), round(far)


def _reasons(model: Sited, here: str, there: str) -> list[tuple[SeparationReason, int]]:
    """For each kind sent there and each received here, at the receivers where it is worst: the separation and why."""
    worst: dict[tuple[str, str], SeparationReason] = {}
    for victim in model.site.services:
        for receiver in victim.received_in:
            if zone_of(receiver) != here:
                continue
            for kind, sender in model.site.emissions:
                if zone_of(sender) != there or not model.site.lets_in(receiver, kind):
                    continue
                reason = separation(model.site, kind, sender, victim, receiver)
                held = worst.get((kind, victim.kind))
                if held is None or (reason.min_hz, reason.needed_db) > (held.min_hz, held.needed_db):
                    worst[kind, victim.kind] = reason
    ordered = sorted(worst.values(), key=lambda reason: (-reason.min_hz, -reason.needed_db))
    return [(reason, reason.min_hz) for reason in ordered]


def _limits(model: Sited, here: str) -> list[tuple[ProductDemand, LimitReason]]:
    return [
        (row, reason) for row in model.demands.products for reason in row.reasons if zone_of(reason.place) == here
    ]  # fmt: skip


def _limit_in_words(row: ProductDemand, reason: LimitReason, say: Words) -> dict[str, Any]:
    """One limit with the sum that it came from."""
    return {
        "kind": say(row.kind), "family": row.family.replace("-", "−"), "made_in": row.made_in, "place": say(reason.place),
        "guard_khz": round(row.guard_hz / 1000, 3), "limit_db": row.limit_db, "treatment": row.treatment,
        "how": _sum_in_words(row, reason),
    }  # fmt: skip


def _sum_in_words(row: ProductDemand, reason: LimitReason) -> str:
    victim, intercept = reason.victim, reason.intercept_dbm
    if reason.computed_db is None:
        return "this kind has no intercept point, so any product of carriers near full strength counts"
    own = f"own {victim.own_db:.1f} − protection {victim.protection_db:.0f} − fade {victim.fade_db:.0f}"
    if row.made_in == "transmitters":
        found = f"{own} + coupling and conversion loss = {reason.computed_db:.1f} dB"
        return f"{found}, but never above −40 dB among carriers sent from one place"
    family = FAMILIES[row.family]
    over = over_two_carrier_db(family)
    more = f" − {over:.1f}" if over else ""
    start = f"{order(family) - 1}·({intercept:.1f} − {victim.strongest_dbm:.1f})"
    return f"{start} + {own}{more} = {reason.computed_db:.1f} dB"

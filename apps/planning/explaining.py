"""How the numbers of a run came about, for whoever coordinates: every figure of the model with what it was made of."""

from collections.abc import Iterable, Mapping
from typing import Any

from apps.events.models import Event
from apps.planning import chaining
from apps.planning.demanding import spacings
from apps.planning.margins import margins_of
from apps.planning.siting import Sited, sited
from apps.planning.snapshot import standing_carriers
from apps.radio.demands import SeparationDemand
from apps.radio.selectivity import Spectrum


def explained(event: Event, assignments: Mapping[str, int]) -> dict[str, Any]:
    """Paths, kinds, separations, limits, and the margin of every assignment ({carrier: hertz}) with who disturbs it."""
    carriers = standing_carriers(event)
    model = sited(event, carriers)
    margins = margins_of(event, assignments, named=True)
    return {
        "zone_pairs": list(_paths(model)),
        "kinds": _kinds(model),
        "kind_pairs": [_separation(model, row) for row in model.demands.separations]
        + [
            row | {"treatment": "forbid", "rule": "the spacing that the kinds themselves ask for in one zone"}
            for row in spacings(carriers, model)
        ],
        "sending": chaining.sent(event, model, carriers),
        "receiving": chaining.received(model),
        "products": list(_limits(model)),
        "assignments": {
            code: {"frequency_hz": assignments[code], **margin.as_dict()} for code, margin in margins.items()
        },
    }


def _paths(model: Sited) -> Iterable[dict[str, Any]]:
    for heard in model.demands.heard:
        distances, loss = heard.path.distances, heard.path.loss
        yield {
            "receiver": heard.receiver,
            "sender": heard.sender,
            "kind": heard.kind,
            "distance_m": _tenth(distances.usual_m),
            "nearest_m": _tenth(distances.nearest_m),
            "farthest_m": _tenth(distances.farthest_m),
            "model": heard.path.model,
            "loss_db": _tenth(loss.usual_db),
            "least_loss_db": _tenth(loss.strong_db),
            "greatest_loss_db": _tenth(loss.weak_db),
            "parts": [{"part": name, "loss_db": _tenth(part.usual_db)} for name, part in heard.path.parts],
            "hears_db": _tenth(heard.level_db),
            "level_dbm": _tenth(heard.level_dbm),
            "note": heard.path.note,
            "words": heard.path.words(),
        }


def _kinds(model: Sited) -> dict[str, Any]:
    """What separations are made of on the side of each kind: its emission, its filter and what it must be spared."""
    found = {}
    for kind in model.site.kinds:
        rejection = model.site.rejection(kind.id, kind.id)
        found[kind.id] = {
            "modulation": kind.modulation,
            "bandwidth_hz": kind.bandwidth_hz,
            "emission": _points(rejection.emission),
            "emission_from": "its own points" if kind.mask else "its modulation",
            "floor_db": kind.floor_db,
            "filter": _points(rejection.response),
            "filter_from": "its own points" if kind.filter else "its modulation",
            "blocking_db": kind.blocking_db,
            "protection_db": kind.protection,
            "guards_hz": dict(kind.guards),
        }
    return found


def _points(shape: Spectrum) -> list[dict[str, float]]:
    """The upper half of a spectrum: where each piece begins and ends, and how low it is there."""
    found: list[dict[str, float]] = []
    pieces = zip(shape.edges_hz, shape.edges_hz[1:], shape.start_db, shape.end_db, strict=False)
    for low, high, start, end in pieces:
        if high <= 0:
            continue
        for offset, level in ((max(low, 0.0), start), (high, end)):
            point = {"offset_hz": round(offset), "level_db": _tenth(level)}
            if point not in found[-1:]:
                found.append(point)
    return found


def _separation(model: Sited, row: SeparationDemand) -> dict[str, Any]:
    """A separation with its terms: the interferer as near as it comes, what does no harm, and the rejection in between."""
    why, site = row.reason, model.site
    path = site.path(why.sender, why.receiver, why.kind)
    rejection = site.rejection(why.kind, why.victim.kind)
    return {
        "places": list(row.places),
        "kinds": list(row.kinds),
        "min_hz": row.min_hz,
        "treatment": row.treatment,
        "rule": row.note or why.words(),
        "interferer": why.kind,
        "sender": why.sender,
        "victim": why.victim.kind,
        "receiver": why.receiver,
        "nearest_m": _tenth(path.distances.nearest_m),
        "least_loss_db": _tenth(path.loss.strong_db),
        "interferer_dbm": _tenth(why.interferer_dbm),
        "wanted_dbm": _tenth(why.wanted_dbm),
        "over_wanted_db": _tenth(why.interferer_dbm - why.wanted_dbm),
        "noise_dbm": _tenth(why.noise_dbm),
        "protection_db": site.kind_of[why.victim.kind].protection,
        "threshold_dbm": _tenth(why.threshold_dbm),
        "needed_db": _tenth(why.needed_db),
        "rejection_db": _tenth(float(rejection.at(row.min_hz))),
        "rejection_on_tune_db": _tenth(float(rejection.at(0))),
        "short_db": _tenth(why.short_db),
        "overload_db": None if why.overload_db is None else _tenth(why.overload_db),
    }


def _limits(model: Sited) -> Iterable[dict[str, Any]]:
    for row in model.demands.products:
        yield {
            "family": row.family,
            "kind": row.kind,
            "places": list(row.places),
            "made_in": row.made_in,
            "guard_hz": row.guard_hz,
            "limit_db": row.limit_db,
            "treatment": row.treatment,
            "reasons": [
                {
                    "place": reason.place,
                    "strongest_dbm": _tenth(reason.victim.strongest_dbm),
                    "own_db": _tenth(reason.victim.own_db),
                    "protection_db": reason.victim.protection_db,
                    "fade_db": reason.victim.fade_db,
                    "iip3_dbm": None if reason.intercept_dbm is None else _tenth(reason.intercept_dbm),
                    "computed_db": None if reason.computed_db is None else _tenth(reason.computed_db),
                }
                for reason in row.reasons
            ],
        }


def _tenth(level: float) -> float:
    return round(level, 1) + 0.0

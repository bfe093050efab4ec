"""The chains of a site's kinds in figures and words: what each radiates against the ruleset's limits, what receives it."""

from collections.abc import Iterable
from typing import Any

from apps.events.models import Event
from apps.planning.siting import Sited, solver_kind, zone_of
from apps.radio.chains import SendingChain, room_under_limit_db
from apps.registry.models import Carrier
from apps.spectrum.rulesets import permitted_stretches, ruleset


def sent(
    event: Event, model: Sited, carriers: Iterable[Carrier], zone: str | None = None
) -> list[dict[str, Any]]:
    """What every kind radiates from where it is sent (in one zone alone), at its strongest step, and the limits it meets."""
    by_kind = {solver_kind(carrier): carrier for carrier in carriers}
    return [
        {
            "kind": kind,
            "place": place,
            "conducted_dbm": round(chain.power_dbm, 1),
            "combiner_db": chain.combiner_db,
            "cable_db": chain.cable_db,
            "antenna_dbi": chain.antenna_dbi,
            "eirp_dbm": round(chain.eirp_dbm, 1),
            "erp_dbm": round(chain.erp_dbm, 1),
            "limits": list(_limits(event, by_kind[kind], chain)),
            "words": chain.words(),
        }
        for kind, place in model.site.emissions
        if zone in (None, zone_of(place))
        for chain in [model.site.sending(kind, place)]
    ]


def _limits(event: Event, carrier: Carrier, chain: SendingChain) -> Iterable[dict[str, Any]]:
    """Each limit of the ruleset within the kind's tuning once, with the room under it; negative: a lower step is set there."""
    kind, role = carrier.registration.kind, carrier.role
    seen = set()
    for part in role.tuning:
        for stretch in permitted_stretches(
            ruleset(event.ruleset), kind.use, part["low_hz"], part["high_hz"], role.bandwidth_hz
        ):
            row = stretch.by
            if row.power_mw is None or (row.power_mw, row.basis, row.source) in seen:
                continue
            seen.add((row.power_mw, row.basis, row.source))
            yield {
                "power_mw": row.power_mw,
                "basis": row.basis,
                "source": row.source,
                "status": row.status,
                "room_db": round(room_under_limit_db(chain, row.power_mw, row.basis), 1),
                "words": f"at most {row.power_mw:g} mW {row.basis_in_words} ({row.told_by})",
            }


def received(model: Sited, zone: str | None = None) -> list[dict[str, Any]]:
    """What every kind is received through, wherever it is (in one zone alone): referred to the antenna's terminals."""
    rows = []
    for service in model.site.services:
        for place in service.received_in:
            if zone not in (None, zone_of(place)):
                continue
            chain, kind = model.site.chain(place, service.kind), model.site.kind_of[service.kind]
            rows.append(
                {
                    "kind": service.kind,
                    "place": place,
                    "antenna_dbi": chain.antenna_dbi,
                    "gain_db": round(chain.gain_db, 1),
                    "noise_figure_db": round(chain.noise_figure_db, 1),
                    "iip3_dbm": None if kind.iip3_dbm is None else round(chain.iip3_dbm, 1),
                    "noise_dbm": round(model.site.noise_dbm(place, service.kind), 1),
                    "bandwidth_hz": kind.bandwidth_hz,
                    "words": chain.words(assumed=kind.iip3_dbm is None),
                }
            )
    return rows

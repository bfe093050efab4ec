"""Measures the margins of a large plan, against listing every product in the same run.

    python -m apps.radio.bench [--carriers N] [--zones N] [--slots N]

Prints processor seconds of this process: on a busy machine the clock says something else.
"""

import argparse
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from apps.radio.beats import third_order_loads
from apps.radio.chains import SendingChain
from apps.radio.kinds import BODY_LOSS, Kind
from apps.radio.margins import Plan, margins
from apps.radio.places import Distances, Place, stage
from apps.radio.products import FAMILIES, products_hz
from apps.radio.site import Service, Site

UHF, LOW, HIGH = (470_100_000, 607_900_000), (450_000_000, 455_000_000), (460_000_000, 465_000_000)
NONE, HELD, WORN = BODY_LOSS[""], BODY_LOSS["hand_held"], BODY_LOSS["body_worn"]
KINDS = {
    "mic": Kind(
        "mic", "analogue mono", 200_000, *UHF, SendingChain(17.0), "hand_held", HELD, NONE, iip3_dbm=0.0
    ),
    "pack": Kind("pack", "digital", 200_000, *UHF, SendingChain(17.0), "body_worn", WORN, NONE, iip3_dbm=0.0),
    "in-ear": Kind(
        "in-ear", "analogue stereo", 200_000, *UHF, SendingChain(17.0), "in_ear", NONE, WORN, iip3_dbm=0.0
    ),
    "base": Kind("base", "two-way", 12_500, *LOW, SendingChain(36.0), "two_way", NONE, HELD, iip3_dbm=0.0),
    "radio": Kind("radio", "two-way", 12_500, *HIGH, SendingChain(33.0), "two_way", HELD, NONE, iip3_dbm=0.0),
}
"""Kinds with the two ends between which they work and their share of a zone's carriers."""
ENDS = {
    "mic": ("bodies", "antennas", 0.3),
    "pack": ("bodies", "antennas", 0.3),
    "in-ear": ("rack", "bodies", 0.2),
    "base": ("rack", "bodies", 0.1),
    "radio": ("bodies", "antennas", 0.1),
}


def event(carriers: int, zones: int, slots: int, seed: int = 0) -> tuple[Site, Plan]:
    """An invented event: zones 120 m apart in rows, carriers anywhere on their raster, half the lines on all day."""
    rng = np.random.default_rng(seed)
    places: list[Place] = []
    services: list[Service] = []
    across = int(np.ceil(np.sqrt(zones)))
    for zone in range(zones):
        three = stage(
            f"z{zone}", 120.0 * (zone % across), 120.0 * (zone // across), Distances(3.0, 15.0, 40.0)
        )
        places += three
        at: dict[str, Place] = {place.stands: place for place in three}
        for kind, (sender, receiver, _) in ENDS.items():
            row = KINDS[kind]
            front = replace(
                at[receiver], id=f"{at[receiver].id} {kind}", passband=((row.low_hz, row.high_hz),)
            )
            if kind != "pack":
                places.append(front)
            name = front.id.replace("pack", "mic")
            services.append(Service(kind, (at[sender].id,), (name,)))
    site = Site(tuple(places), tuple(KINDS.values()), tuple(services))
    kinds = [KINDS[name] for name in ENDS]
    which = rng.choice(len(kinds), carriers, p=[share for *_, share in ENDS.values()])
    service = rng.integers(0, zones, carriers) * len(kinds) + which
    steps = np.array([25_000 if kind.bandwidth_hz > 100_000 else 12_500 for kind in kinds])[which]
    low, high = np.array([(kind.low_hz, kind.high_hz) for kind in kinds]).T[:, which]
    hz = low + steps * rng.integers(0, (high - low) // steps + 1)
    # A zone's carriers of one kind are two lines of its list, each with hours of its own.
    lines = 2 * len(services)
    first = rng.integers(0, slots, lines)
    last = first + rng.integers(1, max(2, slots // 2), lines)
    hours = (first[:, None] <= np.arange(slots)) & (np.arange(slots) <= last[:, None])
    hours |= rng.random((lines, 1)) < 0.5
    on = hours[2 * service + rng.integers(0, 2, carriers)]
    return site, Plan(hz.astype(np.int64), service, on)


def spent(work: Callable[[], Any], repeats: int = 3) -> float:
    """The shortest of several runs, in seconds of this process."""
    seconds = []
    for _ in range(repeats):
        began = time.process_time()
        work()
        seconds.append(time.process_time() - began)
    return min(seconds)


def listed(hz: np.ndarray, guard_hz: int) -> int:
    """How many products of the third order land nearer than `guard_hz` to a carrier, by listing them all."""
    found = 0
    for family in ("2A-B", "A+B-C"):
        where, _ = products_hz(FAMILIES[family], hz)
        found += int((np.abs(where[:, None] - hz[None, :]) < guard_hz).sum())
    return found


def main(arguments: list[str] | None = None) -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m apps.radio.bench", description=__doc__)
    parser.add_argument("--carriers", type=int, default=3_000)
    parser.add_argument("--zones", type=int, default=36)
    parser.add_argument("--slots", type=int, default=40)
    said = parser.parse_args(arguments)
    site, plan = event(said.carriers, said.zones, said.slots)
    site_s = spent(lambda: margins(replace(site), plan, only=np.arange(plan.hz.size) < 1), 1)
    found = margins(site, plan)
    print(
        f"{said.carriers} carriers, {said.zones} zones, {said.slots} slots, {found.carrier.size} links: "
        f"{spent(lambda: margins(site, plan)):.2f} s; the site and one carrier {site_s:.2f} s"
    )
    few = plan.hz[:60]
    ones, guards, sets = np.ones(few.size), np.full((2, few.size), 100_000), np.zeros(few.size, np.int64)
    counting = spent(lambda: third_order_loads(few, ones[None], few, ones, guards, sets))
    listing = spent(lambda: listed(few, 100_000), 1)
    print(f"third order of {few.size} carriers: counted in {counting:.4f} s, listed in {listing:.3f} s")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())

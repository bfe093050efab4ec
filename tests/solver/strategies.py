"""Random small problems of the format that use every clause, and random plans for them (hypothesis)."""

from typing import Any

from hypothesis import strategies as st

from tests.solver.plain import FAMILIES

LEVELS_DB = st.sampled_from([0.0, -3.0, -10.0, -20.0, -35.5])
KINDS = ["mic", "iem", "link"]


def some(names: list[str]) -> st.SearchStrategy[list[str]]:
    return st.lists(st.sampled_from(names), min_size=1, unique=True)


def with_some(required: dict[str, Any], optional: dict[str, Any]) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries(required, optional=optional)


def tunings(points: int) -> st.SearchStrategy[list[dict[str, int]]]:
    """One or two ranges of a few points each, between 100 Hz and 150 Hz."""
    one = st.builds(
        lambda low, step, count: {"low_hz": low, "high_hz": low + step * (count - 1), "step_hz": step},
        st.integers(100, 125), st.integers(1, 4), st.integers(1, points),
    )  # fmt: skip
    return st.lists(one, min_size=1, max_size=2)


@st.composite
def documents(draw: st.DrawFn, carriers: int = 5, points: int = 4, linked: bool = True) -> dict[str, Any]:
    zones = ["z1", "z2", "z3"][: draw(st.integers(1, 3))]
    slots = ["s1", "s2", "s3"][: draw(st.integers(1, 3))]
    ids = [f"c{k}" for k in range(draw(st.integers(1, carriers)))]
    hertz = st.integers(100, 140)
    ranges = st.tuples(hertz, st.integers(0, 12)).map(lambda r: {"low_hz": r[0], "high_hz": r[0] + r[1]})
    rows = []
    for i in ids:
        rows.append(
            draw(
                with_some(
                    {
                        "id": st.just(i), "zone": st.sampled_from(zones), "kind": st.sampled_from(KINDS),
                        "tuning": tunings(points),
                    },
                    {
                        "sent_from": some(zones), "received_in": some(zones), "slots": some(slots),
                        "bandwidth_hz": st.integers(0, 7), "priority": st.integers(1, 3), "level_db": LEVELS_DB,
                        "mixes": st.booleans(),
                        "fixed_hz": hertz if draw(st.integers(0, 4)) == 0 else st.none(),
                        "previous_hz": hertz if draw(st.integers(0, 2)) == 0 else st.none(),
                    },
                )
            )
        )  # fmt: skip
    kinds = sorted({row["kind"] for row in rows})
    two = (
        st.lists(st.sampled_from(ids), min_size=2, max_size=2, unique=True) if len(ids) > 1 else st.nothing()
    )
    general = {
        "zones": st.lists(st.sampled_from(zones), min_size=2, max_size=2),
        "kinds": st.lists(st.sampled_from(KINDS), min_size=2, max_size=2),
        "min_hz": st.integers(0, 8),
    }
    treated = {
        "treatment": st.sampled_from(["forbid", "penalise"]),
        "weight": st.sampled_from([0.25, 1, 3.5]),
    }
    separations = st.one_of(
        with_some(general, treated), with_some({"carriers": two, "min_hz": st.integers(0, 8)}, treated)
    )
    scope = {"zones": some(zones), "kinds": some(kinds)}
    document = {
        "format": "planning-problem/1",
        "zones": [
            {"id": zone}
            | draw(
                with_some(
                    {},
                    {
                        "hears": st.dictionaries(st.sampled_from(zones), LEVELS_DB),
                        "passband": st.lists(ranges, min_size=1, max_size=2),
                    },
                )
            )
            for zone in zones
        ],
        "slots": slots,
        "carriers": rows,
        "separations": draw(st.lists(separations, max_size=4)),
        "blocked": draw(
            st.lists(st.tuples(ranges, with_some({}, scope | {"slots": some(slots)})).map(lambda b: b[0] | b[1]), max_size=2)
        ),
        "noise": draw(
            st.lists(
                with_some(
                    {
                        "low_hz": st.integers(90, 130), "step_hz": st.integers(1, 5),
                        "level_dbm": st.lists(st.sampled_from([-110.0, -100.0, -90.5, -80.0]), min_size=1, max_size=6),
                        "reference_dbm": st.sampled_from([-100.0, -95.0]),
                    },
                    scope | {"weight": st.sampled_from([0.1, 2])},
                ),
                max_size=2,
            )
        ),
        "products": draw(
            st.lists(
                with_some(
                    {
                        "family": st.sampled_from(sorted(FAMILIES)), "guard_hz": st.integers(1, 4),
                        "treatment": st.sampled_from(["forbid", "penalise", "ignore"]),
                    },
                    scope
                    | {
                        "limit_db": st.sampled_from([0.0, -20.0, -60.0]), "weight": st.sampled_from([0.5, 2]),
                        "made_in": st.sampled_from(["receivers", "transmitters"]),
                    },
                ),
                max_size=3,
            )
        ),
    }  # fmt: skip
    if linked and len(ids) > 1:
        document["pairs"] = draw(
            st.lists(
                with_some({"carriers": two, "offset_hz": st.integers(-9, 9)}, {"either_way": st.booleans()}),
                max_size=1,
            )
        )
        document["spans"] = draw(
            st.lists(with_some({"carriers": some(ids), "max_span_hz": st.integers(0, 15)}, {}), max_size=1)
        )
    return document


@st.composite
def plans(draw: st.DrawFn, document: dict[str, Any]) -> dict[str, int]:
    """Some of the carriers at points of their rasters, now and then elsewhere; fixed ones mostly where they are."""
    plan = {}
    for carrier in document["carriers"]:
        raster = [f for t in carrier["tuning"] for f in range(t["low_hz"], t["high_hz"] + 1, t["step_hz"])]
        fixed = carrier.get("fixed_hz")
        choice = draw(st.integers(0, 9))
        if fixed is not None and choice:
            plan[carrier["id"]] = fixed
        elif choice < 8:
            plan[carrier["id"]] = draw(st.sampled_from(raster))
        elif choice == 8:
            plan[carrier["id"]] = draw(st.integers(95, 145))
    return plan


@st.composite
def crowded(draw: st.DrawFn) -> dict[str, Any]:
    """Too many carriers for a short raster: one or two places, distances between kinds, products at 0 dB."""
    zones = ["z1", "z2"][: draw(st.integers(1, 2))]
    slots = ["s1", "s2"][: draw(st.integers(1, 2))]
    kinds = ["mic", "iem"][: draw(st.integers(1, 2))]
    step, low = draw(st.sampled_from([1, 2])), 100
    length = st.integers(0, 7).map(lambda n: [{"low_hz": low, "high_hz": low + n * step, "step_hz": step}])
    shared = draw(length)
    carriers = [
        draw(
            with_some(
                {
                    "id": st.just(f"c{k}"), "zone": st.sampled_from(zones), "kind": st.sampled_from(kinds),
                    "tuning": st.one_of(st.just(shared), st.just(shared), length),
                },
                {"slots": some(slots), "bandwidth_hz": st.integers(0, 3), "level_db": st.sampled_from([0.0, -5.0, -20.0])},
            )
        )
        for k in range(draw(st.integers(3, 5)))
    ]  # fmt: skip
    if draw(st.integers(0, 3)) == 0:
        carriers[0]["fixed_hz"] = draw(st.integers(95, 110))
    separations = [
        {"zones": [a, b], "kinds": [k, m], "min_hz": draw(st.integers(0 if draw(st.booleans()) else 1, 6))}
        for a in zones for b in zones for k in kinds for m in kinds if draw(st.integers(0, 4))
    ]  # fmt: skip
    if draw(st.booleans()):
        separations.append({"carriers": ["c0", "c1"], "min_hz": draw(st.integers(0, 4))})
    products = draw(
        st.lists(
            with_some(
                {"family": st.sampled_from(["2A-B", "A+B-C"]), "guard_hz": st.integers(1, 4), "treatment": st.just("forbid")},
                {"made_in": st.sampled_from(["receivers", "transmitters"]), "limit_db": st.sampled_from([-10.0, -60.0])},
            ),
            max_size=3,
        )
    )  # fmt: skip
    return {
        "format": "planning-problem/1",
        "zones": [
            {"id": zone}
            | draw(
                with_some(
                    {}, {"hears": st.dictionaries(st.sampled_from(zones), st.sampled_from([0.0, -8.0]))}
                )
            )
            for zone in zones
        ],
        "slots": slots,
        "carriers": carriers,
        "separations": separations,
        "blocked": draw(st.sampled_from([[], [{"low_hz": 103, "high_hz": 105}]])),
        "products": products,
    }

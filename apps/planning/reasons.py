"""Why a carrier has no frequency, in words that people read."""

from collections import Counter
from collections.abc import Iterable
from typing import Any

CAUSES = {
    "tuning": "nothing that it can tune is permitted or free here",
    "blocked": "occupied range",
    "separation": "too near to",
    "product": "intermodulation {family}with",
    "pair": "its duplex partner finds no place",
    "span": "too far from the rest of its group",
}


# How the solver ends before it is through, and what that means to who was left out; a cause that takes no share.
CUT_SHORT: dict[str, dict[str, Any]] = {
    "deadline": {
        "cause": "time", "share": 0.0,
        "why": "the run's time was up before everything was tried: a longer one may find room",
    },
    "cancelled": {
        "cause": "time", "share": 0.0,
        "why": "the run was stopped before everything was tried: another may find room",
    },
}  # fmt: skip
# Causes that are no share of what a carrier can tune; they stand first.
WITHOUT_SHARE = ("limits", "time")
LEAST_TOLD = 0.005  # of what it can tune; less is named among the details alone


def named(names: Iterable[str]) -> str:
    """Those who are in the way together: one or two by name, of more only some are in any one product."""
    each = sorted(set(names))
    return f"{'some of ' if len(each) > 2 else ''}{listed(each)}"


def listed(names: Iterable[str]) -> str:
    """«A, B and C»: each name once, in order."""
    *others, last = sorted(set(names))
    return f"{', '.join(others)} and {last}" if others else last


def in_print(family: str) -> str:
    """A family of products with a minus sign, as people write it: «2A−B»."""
    return family.replace("-", "−")


# The causes as parts of one sentence about what a carrier can tune.
PARTS = {
    "blocked": "occupied",
    "separation": "too near to others",
    "product": "hit by intermodulation",
    "pair": "without a place for its duplex partner",
    "span": "too far from the rest of its group",
}


def in_short(causes: Iterable[dict[str, Any]]) -> str:
    """Why a carrier has no frequency, as plainly as it can be said; the causes one by one are the detail behind it."""
    causes, shares = list(causes), Counter[str]()
    own = "; ".join(str(cause["why"]) for cause in causes if cause["cause"] in WITHOUT_SHARE)
    for cause in causes:
        if cause["cause"] not in WITHOUT_SHARE:
            part = PARTS.get(cause["cause"]) or str(
                cause.get("why") or CAUSES.get(cause["cause"], cause["cause"])
            )
            shares[part] += cause["share"]
    rest = ""
    if set(shares) == {CAUSES["tuning"]}:
        rest = CAUSES["tuning"]
    elif shares:
        (part, share), *others = shares.most_common(3)
        more = "".join(f", {share:.0%} {part}" for part, share in others if share >= LEAST_TOLD)
        rest = f"{share:.0%} of what it can tune is {part}{more}"
    # What the line's own limits do is a sentence of its own; the shares are of what they leave.
    limited = any(cause["cause"] == "limits" for cause in causes)
    return (". Within that range, " if limited else "; ").join(filter(None, [own, rest]))


def cause_in_words(cause: dict[str, Any]) -> str:
    """One cause of being left out with its share of the raster, as people read it."""
    if cause["cause"] == "product" and not cause.get("carriers"):
        return f"intermodulation with several others ({cause['share']:.0%} of what it can tune)"
    if cause["cause"] in WITHOUT_SHARE:
        return str(cause.get("detail") or cause["why"])
    if cause["cause"] == "band plan":
        return f"{cause['why']} ({cause['share']:.0%} of what it can tune)"
    whom = cause.get("carrier") or cause.get("carriers") or cause.get("blocked") or ""
    if isinstance(whom, list):
        whom = named(whom)
    family = f"{in_print(cause['family'])} " if cause.get("family") else ""
    words = CAUSES.get(cause["cause"], "{family}{cause}").format(family=family, cause=cause["cause"])
    return f"{words} {whom}".strip() + f" ({cause['share']:.0%} of what it can tune)"

"""What a margin or an accepted breach means for whoever holds the device: a word to act on, and what to expect."""

from apps.planning.margins import Margin

FINE, TEST, TROUBLE = "fine", "test at rehearsal", "expect trouble"
OUTLOOKS = (TROUBLE, TEST, FINE)

SUFFERS = {
    "product": "expect interference on it while the others transmit",
    "separation": "expect to hear each other where the devices come near",
    "blocked": "expect to hear, or to disturb, whoever is in that range",
}
CAUSES = {"product": "this device may disturb that one; keep it off when it is not needed"}


def outlook(margin: Margin) -> str:
    """Fine: enough even when everything is at its worst. Test: short at worst only. Trouble: short as a rule."""
    if margin.usual_margin_db < 0:
        return TROUBLE
    return TEST if margin.margin_db < 0 else FINE


def expectation(rule: str, *, suffers: bool) -> str:
    """What a breach of this rule that stays lets the holder of one of its carriers expect."""
    told = SUFFERS.get(rule, "expect that the common equipment does not fit")
    return told if suffers else CAUSES.get(rule, told)

"""Filters of the pages: the shape beside a state, frequencies in megahertz, durations and figures in words."""

import math
import re
from collections import Counter
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django import template
from django.utils import timezone
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString

from apps.publishing import rendering
from apps.registry.forms import RegistrationForm
from apps.registry.lines import hours_in_words
from apps.registry.models import Registration

register = template.Library()

SHAPES = {
    "locked": "■",
    "approved": "●",
    "proposed": "○",
    "left out": "✕",
    "not permitted here": "▲",
    "not planned yet": "◌",
    "not agreed yet": "◌",
    "draft": "□",
    "late": "◔",
    "submitted": "◐",
    "accepted": "✓",
    "sent back": "↩",
    "withdrawn": "−",
    "queued": "◌",
    "running": "▷",
    "kept": "◌",
    "saving": "▷",
    "saved": "✓",
    "done": "✓",
    "failed": "✕",
    "cancelled": "−",
    "outsider": "◆",
    "new": "+",
    "changed": "≠",
    "unchanged": "=",
    "moved": "→",
    "gone": "−",
    "as published": "=",
    "not published yet": "◌",
    "faulty": "✕",
    "taken": "✓",
    "fits no line": "·",
    "outside the event": "◌",
    "open": "◌",
    "answered": "✓",
    "delivered": "✓",
    "sent": "✓",
    "given up": "✕",
    "on": "●",
    "not reached": "▲",
    "off": "−",
    "asked": "◌",
    "granted": "✓",
    "refused": "✕",
    "lapsed": "−",
    "counts": "■",
    "replaced": "✕",
    "occupied": "■",
    "free": "○",
    "unknown": "?",
    "waiting": "◌",
    "reading": "▷",
    "read": "✓",
    "seen": "✓",
    "fine": "✓",
    "test at rehearsal": "◐",
    "expect trouble": "▲",
    "missing": "✕",
    "valid": "✓",
    "expired": "✕",
}


@register.filter
def shape(state: str) -> str:
    """The shape that stands beside the word of a state, so that neither colour nor language is needed."""
    return SHAPES.get(str(state), "·")


@register.filter
def field_words(name: str) -> str:
    """The name of a column as people read it: «low_hz» is «low»."""
    return re.sub(r"_(hz|mw|id)$", "", str(name)).replace("_", " ")


@register.filter
def field_label(name: str) -> str:
    """A column as the form calls it: «quantity» is «Frequencies»."""
    field = RegistrationForm.base_fields.get(str(name))
    return str((field and field.label) or field_words(name).capitalize())


@register.filter
def mhz(hertz: int | None) -> str:
    """A frequency in megahertz, exact; a dash for none."""
    return rendering.megahertz(hertz) if hertz else "–"


@register.filter
def khz(hertz: int | None) -> str:
    """A bandwidth in kilohertz, exact; a dash for none."""
    return f"{hertz / 1000:.10g}" if hertz else "–"


@register.filter
def from_now(moment: datetime | None) -> str:
    """How far a moment is: «in 3 days», «in 40 minutes», «2 hours ago»."""
    if moment is None:
        return ""
    seconds = (moment - timezone.now()).total_seconds()
    size = abs(seconds)
    for unit, length in (("day", 86_400), ("hour", 3_600), ("minute", 60)):
        count = int(size // length)
        if count >= (2 if unit != "minute" else 1):
            words = f"{count} {unit}{'s' if count != 1 else ''}"
            return f"in {words}" if seconds > 0 else f"{words} ago"
    return "in less than a minute" if seconds > 0 else "just now"


@register.filter
def on_air(registration: Registration) -> str:
    """From when to when a line's devices are on, in the event's time."""
    zone = timezone.get_current_timezone()
    assert isinstance(zone, ZoneInfo)
    return hours_in_words(registration.hours, zone) if registration.hours else "all day"


# What a run is doing, for whoever never saw how it does that; the interface gives the short words.
STAGES = {
    "reading": "reading what is asked for",
    "placing": "placing one after the other",
    "setting marks": "trying the tightest patterns for a crowded place",
    "trying everything": "trying every possibility",
    "bringing back": "looking for room for those without a frequency",
    "going home": "moving back to where they were, or would rather be",
    "moving": "moving those that cost others most",
    "recounting": "counting the result once more, apart from the search",
    "queued again": "its worker fell silent; waiting for another",
}


@register.filter
def stage(word: str) -> str:
    return STAGES.get(word, word)


@register.filter
def moment_of_slot(slot: str) -> str:
    """A stretch of time by its beginning, in the event's time: «from 12 Jun, 17:50»."""
    try:
        began = datetime.strptime(slot, "%Y-%m-%dT%H:%MZ").replace(tzinfo=UTC)
    except ValueError:
        return slot
    return f"from {timezone.localtime(began):%d %b, %H:%M}"


@register.filter
def dbm(level: float) -> str:
    """A level in tenths of a decibel over a milliwatt; a dash for no signal at all."""
    return f"{level:.1f} dBm".replace("-", "−") if math.isfinite(level) else "–"


# Figures that a telephone can call; spoken channels and frequencies are too short, or have a point.
NUMBER_TO_CALL = re.compile(r"(?<!\d)(?<!\d[.,])\+?(?:\(\d+\) ?)?\d+(?:(?: ?\(0\) ?|[ /-])\d+)*(?!\d|[.,]\d)")


@register.filter
def to_call(words: str) -> SafeString:
    """Whom to call, as somebody wrote it, with each telephone number in it as a link that calls it."""
    parts, end = [], 0
    for found in NUMBER_TO_CALL.finditer(words):
        written = found[0]
        number = re.sub(r"[^\d+]", "", written.replace("(0)", "") if written.startswith("+") else written)
        if len(number) >= 6:
            parts += [words[end : found.start()], format_html('<a href="tel:{}">{}</a>', number, written)]
            end = found.end()
    return format_html_join("", "{}", ((part,) for part in [*parts, words[end:]]))


@register.filter
def percent(share: float | None) -> str:
    return "" if share is None else f"{share:.0%}"


@register.filter
def at(mapping: Any, key: Any) -> Any:
    """mapping[key], or nothing; a counter's missing entry is 0."""
    return mapping[key] if isinstance(mapping, Counter) else mapping.get(key, "")

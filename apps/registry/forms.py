"""Forms of the registry. They collect raw values and judge nothing: the same words come from form, file and interface."""

import itertools
import re
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.http import QueryDict
from django.utils import timezone

from apps.common.choice import whole_number
from apps.common.errors import Fault, Faulty
from apps.events.actors import Actor
from apps.events.forms import keep_to_days
from apps.registry.calendars import MAX_MARGIN_MIN, Rule, Target
from apps.registry.importing import check_size
from apps.registry.lines import Names, read_hertz, row_of
from apps.registry.models import CURVES, FIGURES, Change, Kind, Registration
from apps.registry.rules import curve as checked_curve
from apps.registry.rules import faults_in_settings, usual_curve
from apps.registry.states import LATE, NOT_PERMITTED, RegistrationState
from apps.registry.tuning import Range
from apps.spectrum.forms import MegahertzField
from apps.spectrum.models import Permission
from apps.spectrum.states import PermissionState

IN_MEGAHERTZ = ("fixed_hz", "low_hz", "high_hz")
PRIORITIES = [
    (1, "1 – the show stops without it"),
    (2, "2 – usual"),
    *((number, str(number)) for number in range(3, 9)),
    (9, "9 – if there is room"),
]
CAN_CHANGE = [
    (Change.FREELY, "freely"),
    (Change.BETWEEN_SHOWS, "between shows only"),
    (Change.NO, "not at all: it stays where it is"),
]


def in_hertz(text: str) -> str:
    """What somebody types as megahertz, as the reader of lines understands it: what has no unit gets it."""
    text = text.strip()
    return text if not text or re.search(r"hz$", text, re.IGNORECASE) else f"{text.rstrip('.,')} MHz"


def in_one_line(text: str) -> str:
    """What stands on lines of its own in a form, as files write it: with semicolons between."""
    return ";".join(line for line in text.splitlines() if line.strip())


def in_megahertz(hertz: int | None) -> str:
    """Exact, without trailing noughts."""
    if hertz is None:
        return ""
    whole, rest = divmod(hertz, 1_000_000)
    return f"{whole}.{rest:06d}".rstrip("0").rstrip(".")


def next_label(label: str, taken: Iterable[str]) -> str:
    """The label of a copy: the same words with the next number that is free."""
    words = re.sub(r"\s+\d+$", "", label)
    known = set(taken)
    return next(text for number in itertools.count(2) if (text := f"{words} {number}") not in known)


LEAVE_OUT = (
    "What stands here holds for every device of this line; what each has for itself, such as a key of its own, or what is not "
    "known yet, leave empty: the sheet leaves room for it."
)
UNSEEN = ("version", "opened")  # what a form carries along and nobody types
SETTING = "setting:"  # stands before the name of a setting that has a field of its own


class Offer(forms.ChoiceField):
    """A choice that is offered, not enforced: whatever comes is judged with the rest of the line, in the same words."""

    def valid_value(self, value: Any) -> bool:
        return True


class RegistrationForm(forms.Form):
    """One line of a department's list, as people type it."""

    label = forms.CharField(
        help_text="What your crew calls it, unique in your department, such as «lead vocals»."
    )
    kind = Offer(label="Kind of device")
    department = Offer()
    zone = Offer(help_text="Where it is used.")
    quantity = forms.CharField(
        label="Frequencies",
        initial="1",
        help_text="How many are needed at the same time: eight microphones need eight.",
    )
    units = forms.CharField(
        label="Devices on each", initial="1", help_text="More than one where devices share a frequency."
    )
    spares = forms.CharField(
        label="Spare frequencies",
        initial="0",
        help_text="In reserve, off until needed. Each stands in for one frequency only: 1 is for the first alone, "
        "as many as frequencies are one for each.",
    )
    all_day = forms.BooleanField(label="On the air all day, every day", initial=True)
    start = forms.CharField(label="Switched on from", widget=forms.DateTimeInput({"type": "datetime-local"}))
    end = forms.CharField(label="until", widget=forms.DateTimeInput({"type": "datetime-local"}))
    stretches = forms.CharField(
        label="Or on more than once, one stretch on each line",
        widget=forms.Textarea({"rows": 2}),
    )
    priority = Offer(choices=PRIORITIES, initial=2)
    power_mw = forms.CharField(label="Power, in mW", help_text="Empty: the strongest that is permitted.")
    fixed_hz = forms.CharField(
        label="Uses now, in MHz",
        help_text="Only where it is set to a frequency already, such as 606.125 or 606,125.",
    )
    can_change = Offer(label="Can that frequency change?", choices=CAN_CHANGE, initial=Change.FREELY)
    low_hz = forms.CharField(label="Only from, in MHz", help_text="Leave both empty to use all it can tune.")
    high_hz = forms.CharField(label="Only up to, in MHz")
    contact = forms.CharField(
        help_text="Who answers for it on the day: a name and a number. May be filled in later."
    )
    settings = forms.CharField(
        label="Further settings",
        widget=forms.Textarea({"rows": 2}),
        help_text="For its sheet, one on each line, such as: gain=-6 dB. What the kind asks for has fields of its own.",
    )
    notes = forms.CharField(widget=forms.Textarea({"rows": 2}))
    external_id = forms.CharField(
        label="Your own number", help_text="For lists that you import again; else leave it empty."
    )
    version = forms.CharField(widget=forms.HiddenInput)
    opened = forms.CharField(widget=forms.HiddenInput)  # since when a new line has been typed

    def __init__(
        self, *args: Any, actor: Actor, registration: Registration | None = None, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        names = Names(actor)
        departments = {row.code: row for row in names.departments.values()}
        for name, rows in (("kind", names.kinds), ("zone", names.zones), ("department", departments)):
            known = {row.code: row.name for row in rows.values()}
            ordered = sorted(known.items(), key=lambda item: item[1].casefold())
            self._choice(name).choices = [("", "Choose…"), *ordered] if len(ordered) != 1 else ordered
        if registration is not None or len(departments) == 1:
            del self.fields["department"]
        for name in IN_MEGAHERTZ:
            self.fields[name].widget.attrs |= {"inputmode": "decimal", "autocomplete": "off"}
        for name in ("quantity", "units", "spares", "power_mw"):
            self.fields[name].widget.attrs |= {"inputmode": "numeric", "autocomplete": "off"}
        keep_to_days(actor.event, self.fields["start"], self.fields["end"])
        self.fields["stretches"].help_text = (
            f"From and until of each, such as {names.days.example()}–23:00; past midnight, {names.days.example(22)}–2:00. "
            "The two fields above may then stay empty."
        )
        self.registration = registration
        self.initial = {**self.initial, "opened": timezone.now().isoformat()}
        self.chosen: Kind | None = names.kinds.get(str(self["kind"].value() or "").casefold())
        self._ask_for_settings()
        for field in self.fields.values():
            # What is missing is said by the same judge that reads files.
            field.required = False

    def _choice(self, name: str) -> forms.ChoiceField:
        field = self.fields[name]
        assert isinstance(field, forms.ChoiceField)
        return field

    def _ask_for_settings(self) -> None:
        """A field for each setting that the kind asks for. What is said of them in the box for further ones moves there, and
        what was typed for another kind moves into the box: nothing is lost when the kind changes."""
        given = self.data if self.is_bound else self.initial
        typed = {
            name.removeprefix(SETTING): str(text) for name, text in given.items() if name.startswith(SETTING)
        }
        asked = [*self.chosen.settings, *self.chosen.settings_at_one_end] if self.chosen else []
        if not asked:
            self.fields["settings"].label = "Settings"
        said = [part for part in re.split(r"[;\r\n]+", str(given.get("settings") or "")) if part.strip()]
        further = [
            *said,
            *(f"{name}={text}" for name, text in typed.items() if name not in asked and text.strip()),
        ]
        for name in asked:
            own = [part for part in said if "=" in part and part.split("=", 1)[0].strip() == name]
            # What is said twice stays where it is, for whoever typed it to decide.
            if len(own) == 1 and not typed.get(name, "").strip():
                further.remove(own[0])
                typed[name] = own[0].split("=", 1)[1].strip()
        laid_out = {f"{SETTING}{name}": typed.get(name, "") for name in asked}
        if further != said:
            laid_out["settings"] = "\n".join(further)
        if self.is_bound:
            data: Any = self.data.copy()
            for name, text in laid_out.items():
                data[name] = text
            self.data = data
        else:
            self.initial = {**self.initial, **laid_out}
        for number, name in enumerate(asked, 1):
            # A value of several lines came from elsewhere, and a field of one line would join them.
            widget = forms.Textarea if "\n" in typed.get(name, "") else forms.TextInput
            attrs = {"class": "form-control", "id": f"id_setting-{number}", "autocomplete": "off"}
            attrs |= {"rows": "2"} if widget is forms.Textarea else {}
            self.fields[f"{SETTING}{name}"] = forms.CharField(
                label=f"{name[:1].upper()}{name[1:]}", widget=widget(attrs)
            )

    @property
    def settings_by_ends(self) -> list[tuple[str, str, list[forms.BoundField]]]:
        """(words, what they mean, its fields) for what must match at both ends, and for what is set at one."""
        if self.chosen is None:
            return []
        groups = (
            (
                "The same at both ends",
                f"Transmitter and receiver must agree. {LEAVE_OUT}",
                self.chosen.settings,
            ),
            (
                "At one end only",
                "The transmitter alone or the receiver alone.",
                self.chosen.settings_at_one_end,
            ),
        )
        return [
            (words, meaning, [self[f"{SETTING}{name}"] for name in names])
            for words, meaning, names in groups
            if names
        ]

    def _settings(self) -> Any:
        """All settings as files write them."""
        before = self.registration.settings if self.registration else {}
        own = {
            name.removeprefix(SETTING): str(self[name].value() or "")
            for name in self.fields
            if name.startswith(SETTING)
        }
        # What stood there empty is no change while it stays empty.
        own = {name: text for name, text in own.items() if text.strip() or before.get(name) == ""}
        if any(";" in text for text in own.values()):
            return own  # joined with the others it would fall apart; its reader says so
        return ";".join(
            [*(f"{name}={text}" for name, text in own.items()), in_one_line(self["settings"].value() or "")]
        )

    def row(self) -> dict[str, Any]:
        """The line as typed, in the columns of lines.COLUMNS."""
        columns = [name for name in self.fields if name not in UNSEEN and not name.startswith(SETTING)]
        typed: dict[str, Any] = {name: str(self[name].value() or "") for name in columns}
        for name in IN_MEGAHERTZ:
            typed[name] = in_hertz(typed[name])
        typed["all_day"] = "yes" if self["all_day"].value() else "no"
        typed["stretches"] = in_one_line(typed["stretches"])
        typed["settings"] = self._settings()
        return typed

    def typed(self) -> dict[str, str]:
        """Every field as it stands on the screen, to be shown again later."""
        return {name: str(self[name].value() or "") for name in self.fields}

    @property
    def seen_version(self) -> int | None:
        return whole_number(str(self["version"].value() or ""))

    @property
    def opened_at(self) -> datetime | None:
        try:
            at = datetime.fromisoformat(str(self["opened"].value() or ""))
        except ValueError:
            return None
        return at if at.tzinfo else None


class ManyForm:
    """Several new lines as a table: the same fields for each, as typed. Rows in which nothing is said are passed over."""

    FIELDS = {
        "label": "Label", "kind": "Kind of device", "department": "Department", "zone": "Zone", "quantity": "Frequencies",
        "units": "Devices on each", "spares": "Spares", "start": "On from", "end": "until", "fixed_hz": "Uses now, MHz",
        "can_change": "Can change", "contact": "Contact",
    }  # fmt: skip
    # What a browser sends of a row that nobody touched.
    UNTOUCHED = frozenset(["can_change"])
    ROWS = 8

    def __init__(self, *, actor: Actor, rows: Iterable[Mapping[str, str]] = (), more: int = 0) -> None:
        self.names = Names(actor)
        self.fields = {
            name: words
            for name, words in self.FIELDS.items()
            if name != "department" or self.names.only_department is None
        }
        self.rows = [{name: str(row.get(name, "")) for name in self.fields} for row in rows]
        blank = dict.fromkeys(self.fields, "")
        self.rows += [blank] * max(more, self.ROWS - len(self.rows))
        self.faults: list[Fault] = []

    @classmethod
    def typed_into(cls, data: QueryDict, *, actor: Actor, more: int = 0) -> "ManyForm":
        """Every row sends every field once, so that the fields' lists run side by side."""
        columns = {name: data.getlist(name) for name in cls.FIELDS if name in data}
        rows = zip(*columns.values(), strict=False)
        return cls(actor=actor, rows=[dict(zip(columns, row, strict=True)) for row in rows], more=more)

    def said(self) -> dict[int, dict[str, str]]:
        """The rows in which something is said, by their number in the table, in the columns of lines.COLUMNS."""
        return {
            number: {**row, "fixed_hz": in_hertz(row["fixed_hz"])}
            for number, row in enumerate(self.rows, 1)
            if any(text.strip() for name, text in row.items() if name not in self.UNTOUCHED)
        }

    def blame(self, faults: Iterable[Fault]) -> None:
        """Put faults of the rows in which something is said to their places in the table."""
        numbers = list(self.said())
        self.faults = [replace(fault, row=numbers[fault.row - 1]) for fault in faults if fault.row]

    @property
    def begun(self) -> int:
        """The number of the first row in which nothing is said any more, behind all others: where one goes on."""
        return max(self.said(), default=0) + 1

    @property
    def table(self) -> list[tuple[int, list[tuple[str, str, str, bool]], list[Fault]]]:
        """(number, its cells as (field, words, text, faulty), its faults), as the page shows them."""
        by_row: dict[int, list[Fault]] = defaultdict(list)
        for fault in self.faults:
            by_row[fault.row].append(fault)
        return [
            (
                number,
                [
                    (name, self.fields[name], text, any(fault.field == name for fault in by_row[number]))
                    for name, text in row.items()
                ],
                by_row[number],
            )
            for number, row in enumerate(self.rows, 1)
        ]

    @property
    def offers(self) -> dict[str, list[str]]:
        """What may stand in cells that name something of the event."""
        known = {"kind": self.names.kinds, "zone": self.names.zones, "department": self.names.departments}
        return {
            name: sorted({row.name for row in rows.values()}, key=str.casefold)
            for name, rows in known.items()
            if name in self.fields
        }


class BatchForm(RegistrationForm):
    """What is to be set on many lines at once: only the groups of fields that are ticked."""

    GROUPS = {
        "zone": ("Zone", ["zone"]),
        "hours": ("On the air", ["all_day", "start", "end", "stretches"]),
        "priority": ("Priority", ["priority"]),
        "range": ("Range that they may use", ["low_hz", "high_hz"]),
        "power": ("Power", ["power_mw"]),
        "can_change": ("Whether the frequency in use can change", ["can_change"]),
        "kind": ("Kind of device", ["kind"]),
        "contact": ("Contact", ["contact"]),
    }
    set = forms.MultipleChoiceField(
        choices=[(name, words) for name, (words, _) in GROUPS.items()], required=False
    )

    def __init__(self, *args: Any, actor: Actor, **kwargs: Any) -> None:
        super().__init__(*args, actor=actor, **kwargs)
        kept = {"set", *(name for _, names in self.GROUPS.values() for name in names)}
        for name in [name for name in self.fields if name not in kept]:
            del self.fields[name]
        self.ticked = [name for name in self["set"].value() or [] if name in self.GROUPS]

    @property
    def groups(self) -> list[tuple[str, str, bool, list[forms.BoundField]]]:
        """(name, words, ticked, its fields), as the page shows them."""
        return [
            (name, words, name in self.ticked, [self[field] for field in fields])
            for name, (words, fields) in self.GROUPS.items()
        ]

    def values(self) -> dict[str, str]:
        """What the ticked groups set, in the columns of lines.COLUMNS."""
        typed = {}
        for name in (field for group in self.ticked for field in self.GROUPS[group][1]):
            text = str(self[name].value() or "")
            typed[name] = in_hertz(text) if name in IN_MEGAHERTZ else text
        if "all_day" in typed:
            typed["all_day"] = "yes" if self["all_day"].value() else "no"
            typed["stretches"] = in_one_line(typed["stretches"])
        return typed


def typed_of(registration: Registration, zone: ZoneInfo) -> dict[str, Any]:
    """A registration as its form shows it."""
    row = row_of(registration, zone)
    for name in IN_MEGAHERTZ:
        row[name] = in_megahertz(row[name])
    for name in ("start", "end"):
        row[name] = row[name][:16] if row[name] and not registration.stretches else ""
    row["stretches"] = "\n".join("/".join(half[:16] for half in part.split("/")) for part in row["stretches"])
    row |= {f"{SETTING}{name}": text for name, text in row.pop("settings").items()}
    row["power_mw"] = f"{row['power_mw']:g}" if row["power_mw"] else ""
    return row


STEP = re.compile(r"([0-9.,]+)\s*(?:to|–|-)\s*([0-9.,]+)\s*by\s*([0-9.,]+)|([0-9.,]+)")


def read_tuning(text: str) -> list[Range]:
    """Ranges as people type them, one on each line: «470.1 to 557.9 by 0.025», or a single frequency, in megahertz.

    Raises ValidationError that names each line which cannot be read.
    """
    found: list[Range] = []
    wrong = []
    for line in filter(None, map(str.strip, text.splitlines())):
        match = STEP.fullmatch(line)
        try:
            low, high, step = (
                [read_hertz(None, f"{part} MHz") for part in match.groups()[:3]]
                if match and match[1]
                else [read_hertz(None, f"{line} MHz")] * 2 + [1]
            )
        except ValueError:
            low = high = step = 0
        if not match or not low or not high or not step or low > high or (high - low) % step:
            wrong.append(f"«{line}»: write «470.1 to 557.9 by 0.025», in MHz; the range must end on a step.")
        else:
            found.append(Range(low_hz=low, high_hz=high, step_hz=step))
    if wrong or not found:
        raise forms.ValidationError(wrong or ["Name at least one range."])
    return found


def tuning_as_typed(ranges: list[Range]) -> str:
    return "\n".join(
        in_megahertz(part["low_hz"])
        if part["low_hz"] == part["high_hz"]
        else f"{in_megahertz(part['low_hz'])} to {in_megahertz(part['high_hz'])} by {in_megahertz(part['step_hz'])}"
        for part in ranges
    )


POINT = re.compile(r"([0-9]+(?:[.,][0-9]+)?)\s*(?:kHz)?\s*[:;]?\s+([-−–]?[0-9]+(?:[.,][0-9]+)?)\s*(?:dB)?")


def read_curve(text: str) -> list[dict[str, float]] | None:
    """A mask or filter as people type it, a point on each line: «300 -60», in kHz and dB; None where nothing is typed.

    Raises ValidationError that names the line, or says what does not fit.
    """
    found: list[dict[str, float]] = []
    for line in filter(None, map(str.strip, text.splitlines())):
        match = POINT.fullmatch(line)
        if not match:
            raise forms.ValidationError(
                f"«{line}»: write the distance from the carrier in kHz and the level in dB, such as 300 -60."
            )
        offset, level = (
            Decimal(part.replace(",", ".").replace("−", "-").replace("–", "-")) for part in match.groups()
        )
        found.append({"offset_hz": int(offset * 1000), "level_db": float(level)})
    try:
        checked_curve(found or None, 1)
    except ValueError as wrong:
        words = str(wrong)
        raise forms.ValidationError(f"{words[0].upper()}{words[1:]}.") from None
    return found or None


def curve_as_typed(points: Iterable[Mapping[str, float]] | None) -> str:
    return "\n".join(f"{point['offset_hz'] / 1000:g} {point['level_db']:g}" for point in points or ())


class KindForm(forms.Form):
    """A kind's figures; of each of its roles tuning, width, spacing, and what the radio model reckons with."""

    of_role = (
        "tuning",
        "bandwidth_hz",
        "spacing_hz",
        *(figure.name for figure in FIGURES),
        *(curve.name for curve in CURVES),
    )

    name = forms.CharField(max_length=200)
    note = forms.CharField(
        max_length=500, required=False, help_text="Stands beside the form of whoever registers one."
    )
    power_mw = forms.CharField(label="Power steps, mW", help_text="Such as: 10, 30, 50.")
    cells = forms.CharField(max_length=60, required=False, help_text="Such as: 2 × AA.")
    running_h = forms.FloatField(
        label="Hours on one set of cells", required=False, min_value=0.1, max_value=1000
    )
    settings = forms.CharField(
        label="Settings that must match at both ends", required=False, widget=forms.Textarea({"rows": 4}),
        help_text="Transmitter and receiver must agree, such as: pairing key. A name on each line; each line of a list is "
        "asked for them, and sheets leave room for what stays empty.",
    )  # fmt: skip
    settings_at_one_end = forms.CharField(
        label="Settings at one end only", required=False, widget=forms.Textarea({"rows": 4}),
        help_text="Such as: microphone gain, low cut, display name. A name on each line.",
    )  # fmt: skip

    def __init__(self, *args: Any, kind: Kind, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.roles = list(kind.roles.all())
        for role in self.roles:
            self.fields[f"tuning-{role.code}"] = forms.CharField(
                label="Tunes, MHz", widget=forms.Textarea({"rows": 2}),
                help_text="One range on each line, such as: 470.1 to 557.9 by 0.025.",
            )  # fmt: skip
            for name, words in (("bandwidth_hz", "Width, kHz"), ("spacing_hz", "Spacing to its like, kHz")):
                self.fields[f"{name}-{role.code}"] = forms.DecimalField(
                    label=words,
                    min_value=Decimal("0.001"),
                    max_value=Decimal(1_000_000),
                    decimal_places=3,
                )
            for figure in FIGURES:
                self.fields[f"{figure.name}-{role.code}"] = forms.FloatField(
                    label=figure.label, required=False, min_value=figure.low, max_value=figure.high,
                    help_text=f"Empty: {figure.otherwise}.",
                )  # fmt: skip
            for curve in CURVES:
                usual = usual_curve(curve.name, kind.modulation, role.bandwidth_hz)
                points = ", ".join(f"{offset / 1000:g} {level:g}" for offset, level in usual)
                self.fields[f"{curve.name}-{role.code}"] = forms.CharField(
                    label=curve.label, required=False, widget=forms.Textarea({"rows": 4}), max_length=2000,
                    help_text=(
                        "A point on each line, such as 300 -60; from 0 0 outwards, straight between points, two at one distance "
                        f"make a step. Empty, by its modulation: {points}. Further out {curve.beyond} holds."
                    ),
                )  # fmt: skip
        if not kind.assigned:
            self.fields["power_mw"].required = False

    def own(self) -> list[forms.BoundField]:
        """The kind's own fields."""
        return [self[name] for name in self.base_fields]

    def by_role(self) -> list[tuple[str, list[forms.BoundField], list[forms.BoundField]]]:
        """(role, its tuning and widths, its figures of the radio model)."""
        return [
            (
                role.name,
                [self[f"{name}-{role.code}"] for name in self.of_role[:3]],
                [self[f"{name}-{role.code}"] for name in self.of_role[3:]],
            )
            for role in self.roles
        ]

    @classmethod
    def of(cls, kind: Kind) -> dict[str, Any]:
        """The kind as the form shows it."""
        shown: dict[str, Any] = {
            "name": kind.name, "note": kind.note, "cells": kind.cells, "running_h": kind.running_h,
            "power_mw": ", ".join(f"{step:g}" for step in kind.power_mw), "settings": "\n".join(kind.settings),
            "settings_at_one_end": "\n".join(kind.settings_at_one_end),
        }  # fmt: skip
        for role in kind.roles.all():
            shown[f"tuning-{role.code}"] = tuning_as_typed(role.tuning)
            shown[f"bandwidth_hz-{role.code}"] = f"{role.bandwidth_hz / 1000:g}"
            shown[f"spacing_hz-{role.code}"] = f"{role.spacing_hz / 1000:g}"
            shown |= {f"{figure.name}-{role.code}": role.radio.get(figure.name) for figure in FIGURES}
            shown |= {
                f"{curve.name}-{role.code}": curve_as_typed(role.radio.get(curve.name)) for curve in CURVES
            }
        return shown

    def clean_power_mw(self) -> list[float]:
        parts = [part.strip() for part in self.cleaned_data["power_mw"].split(",") if part.strip()]
        try:
            steps = sorted({float(part) for part in parts})
        except ValueError:
            raise forms.ValidationError(
                "Write milliwatts separated by commas, such as: 10, 30, 50."
            ) from None
        if any(not 0 < step <= 1_000_000 for step in steps):
            raise forms.ValidationError("A power step lies above 0 and up to 1,000,000 mW.")
        return steps

    def clean_settings(self) -> list[str]:
        return [line.strip() for line in self.cleaned_data["settings"].splitlines() if line.strip()]

    def clean_settings_at_one_end(self) -> list[str]:
        return [
            line.strip() for line in self.cleaned_data["settings_at_one_end"].splitlines() if line.strip()
        ]

    def clean(self) -> dict[str, Any]:
        given = super().clean() or self.cleaned_data
        for fault in faults_in_settings(given.get("settings", []), given.get("settings_at_one_end", [])):
            self.add_error(fault.field, fault.message)
        found: dict[str, dict[str, Any]] = {}
        for role in self.roles:
            fields: dict[str, Any] = {}
            if text := given.pop(f"tuning-{role.code}", ""):
                try:
                    fields["tuning"] = read_tuning(text)
                except forms.ValidationError as wrong:
                    self.add_error(f"tuning-{role.code}", wrong)
            for name in ("bandwidth_hz", "spacing_hz"):
                if kilohertz := given.pop(f"{name}-{role.code}", None):
                    fields[name] = int(kilohertz * 1000)
            fields["radio"] = {
                figure.name: given.pop(f"{figure.name}-{role.code}", None) for figure in FIGURES
            }
            for curve in CURVES:
                try:
                    fields["radio"][curve.name] = read_curve(given.pop(f"{curve.name}-{role.code}", ""))
                except forms.ValidationError as wrong:
                    self.add_error(f"{curve.name}-{role.code}", wrong)
            found[role.code] = fields
        return {**given, "roles": found}


class AntennasForm(forms.Form):
    """What stands between a zone's antennas and its receivers, and between its fixed transmitters and theirs."""

    gain_dbi = forms.FloatField(
        label="Gain of the receiving antenna, dBi", initial=0, min_value=-60, max_value=60,
        help_text="Towards the zone's devices. A half-wave dipole has 2.15 dBi.",
    )  # fmt: skip
    cable_db = forms.FloatField(
        label="Loss of cable and filter behind it, dB", initial=0, min_value=0, max_value=90,
        help_text="From the antenna to the amplifier; without one, to the splitter or the receivers.",
    )  # fmt: skip
    low_hz = MegahertzField(label="Its filter lets in from, MHz", required=False)
    high_hz = MegahertzField(
        label="to, MHz", required=False,
        help_text=(
            "Empty, both: everything. Receivers that tune nothing of it are taken to have antennas of their own; all others are "
            "given frequencies inside it."
        ),
    )  # fmt: skip
    amplifier_db = forms.FloatField(
        label="Gain of the amplifier, dB", initial=0, min_value=0, max_value=60, help_text="0: there is none."
    )
    amplifier_noise_db = forms.FloatField(
        label="Its noise figure, dB", required=False, min_value=0, max_value=40
    )
    amplifier_iip3_dbm = forms.FloatField(
        label="Its third-order intercept point at the input, dBm", required=False, min_value=-60, max_value=80,
        help_text="Data sheets often give it at the output: take the gain off.",
    )  # fmt: skip
    splitter_db = forms.FloatField(
        label="Loss of splitter and cables behind it, dB", initial=0, min_value=0, max_value=60
    )
    send_combiner_db = forms.FloatField(
        label="Sending: loss of the combiner, dB", initial=0, min_value=0, max_value=60,
        help_text="Of in-ear racks, repeaters and other fixed transmitters here. What people carry is not touched.",
    )  # fmt: skip
    send_cable_db = forms.FloatField(
        label="Sending: loss of the cable, dB", initial=0, min_value=0, max_value=60
    )
    send_gain_dbi = forms.FloatField(
        label="Sending: gain of the antenna, dBi", required=False, min_value=-60, max_value=60,
        help_text="Empty: each transmitter's own antenna. More gain may call for less power under the same limit.",
    )  # fmt: skip
    note = forms.CharField(
        max_length=500,
        required=False,
        label="In words",
        help_text="Which parts, and where the figures are from.",
    )


class DeviceFilter(forms.Form):
    """Which lines of the list show. Kept in the address, so that a list can be sent on as a link."""

    text = forms.CharField(label="Words", required=False)
    state = forms.ChoiceField(required=False)
    department = forms.ChoiceField(required=False)
    zone = forms.ChoiceField(required=False)
    kind = forms.ChoiceField(required=False)

    def __init__(self, *args: Any, actor: Actor, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        names = Names(actor)
        for name, rows in (("department", names.departments), ("zone", names.zones), ("kind", names.kinds)):
            known = sorted(
                {(row.code, row.name) for row in rows.values()}, key=lambda item: item[1].casefold()
            )
            self.fields[name] = forms.ChoiceField(choices=[("", "all"), *known], required=False)
        states = [*(state.value for state in RegistrationState), NOT_PERMITTED, LATE]
        self.fields["state"] = forms.ChoiceField(
            choices=[("", "all but withdrawn"), *((state, state) for state in states)], required=False
        )
        if len(self.fields["department"].choices) == 2 and not actor.sees_all:
            del self.fields["department"]

    def chosen(self) -> dict[str, str]:
        """The filters that are set; unknown values are kept, and leave nothing."""
        values = {name: str(self[name].value() or "").strip() for name in self.fields}
        return {name: value for name, value in values.items() if value}


class UploadForm(forms.Form):
    """A device list to be judged."""

    file = forms.FileField(label="Device list (XLSX or CSV)", allow_empty_file=True)
    department = forms.ChoiceField(label="Department of rows that name none", required=False)

    def __init__(self, *args: Any, actor: Actor, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        known = {row.code: row.name for row in Names(actor).departments.values()}
        if len(known) == 1 and not actor.sees_all:
            del self.fields["department"]
        else:
            self.fields["department"] = forms.ChoiceField(
                label="Department of rows that name none", required=False,
                choices=[("", "none: every row names its own"), *sorted(known.items())],
            )  # fmt: skip

    def clean_file(self) -> Any:
        """What is too large is not even read into memory."""
        file = self.cleaned_data["file"]
        try:
            check_size(file.size)
        except Faulty as refusal:
            raise forms.ValidationError(refusal.faults[0].message) from None
        return file


class ReasonForm(forms.Form):
    """Why something is done."""

    reason = forms.CharField(widget=forms.Textarea({"rows": 2}), required=False)

    def __init__(self, *args: Any, needed: bool = False, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["reason"].label = "Reason" if needed else "Reason, may stay empty"
        if needed:
            self.fields["reason"].widget.attrs["aria-required"] = "true"


class CalendarForm(UploadForm):
    """A calendar to be judged."""

    file = forms.FileField(label="Calendar (.ics)", allow_empty_file=True)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if "department" in self.fields:
            choices = self.fields["department"].choices[1:]
            self.fields["department"] = forms.ChoiceField(
                label="Whose lines it speaks of",
                required=False,
                choices=[("", "of all departments"), *choices],
            )


class RuleForm(forms.Form):
    """How the entries of a calendar are matched to lines. Kept in the address while it is tried out."""

    prop = forms.ChoiceField(label="An entry's")
    target = forms.ChoiceField(
        label="equals a line's",
        choices=[
            (Target.ZONE, "zone, by code or name"),
            (Target.LABEL, "label"),
            (Target.EXTERNAL_ID, "own number"),
        ],
    )
    before_min = forms.IntegerField(
        label="Switched on before, minutes", min_value=0, max_value=MAX_MARGIN_MIN
    )
    after_min = forms.IntegerField(label="Switched off after, minutes", min_value=0, max_value=MAX_MARGIN_MIN)

    def __init__(self, data: Any, *, properties: Mapping[str, str], likely: Rule) -> None:
        # What is not in the address is as likely as it can be: nobody has to begin with an empty form.
        given = {name: data[name] for name in likely.as_dict() if name in data}
        super().__init__({**likely.as_dict(), **given})
        known = {likely.prop: "", **properties}
        self.fields["prop"] = forms.ChoiceField(
            label="An entry's",
            choices=[
                (name, f"{name} (such as «{text}»)" if text else name) for name, text in sorted(known.items())
            ],
        )

    def rule(self) -> Rule | None:
        """The rule, or None while a field says something that is no rule."""
        if not self.is_valid():
            return None
        return Rule(**{**self.cleaned_data, "target": Target(self.cleaned_data["target"])})


class FeedForm(forms.Form):
    """A calendar out: of which department, of which zone."""

    department = forms.ChoiceField(required=False)
    zone = forms.ChoiceField(required=False)

    def __init__(self, *args: Any, actor: Actor, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        names = Names(actor)
        departments = sorted(
            {(row.code, row.name) for row in names.departments.values() if not row.confidential},
            key=lambda item: item[1].casefold(),
        )
        zones = sorted(
            {(row.code, row.name) for row in names.zones.values()}, key=lambda item: item[1].casefold()
        )
        every = [("", "all that are not confidential")] if actor.coordinates else []
        self.fields["department"] = forms.ChoiceField(
            required=False, choices=[*every, *departments], label="Hours of"
        )
        self.fields["zone"] = forms.ChoiceField(
            required=False, choices=[("", "all zones"), *zones], label="In"
        )


class PermissionForm(forms.Form):
    """What was asked for, and what was answered, as people type it; judged where rows of a list are judged."""

    state = forms.ChoiceField(choices=PermissionState.choices)
    frequency_hz = forms.CharField(
        label="Frequency, MHz", required=False, help_text="For one carrier; or give a range instead."
    )
    low_hz = forms.CharField(label="Range from, MHz", required=False)
    high_hz = forms.CharField(
        label="to, MHz", required=False, help_text="The whole width of every carrier lies inside."
    )
    width_hz = forms.CharField(label="Width of a carrier, kHz", help_text="Such as: 200.")
    power_mw = forms.CharField(label="Radiated power, mW")
    basis = forms.ChoiceField(
        choices=Permission.Basis.choices,
        help_text="Which of the two the paper means: 50 mW e.r.p. are 82 mW e.i.r.p.",
    )
    antenna_height_m = forms.CharField(
        label="Antenna height, m",
        required=False,
        help_text="Of fixed transmitters, at most; empty: not said.",
    )
    department = forms.ChoiceField(required=False, help_text="Whose lines it is for.")
    use = forms.ChoiceField(required=False, label="Use")
    zones = forms.MultipleChoiceField(
        required=False, widget=forms.CheckboxSelectMultiple, help_text="None ticked: the whole site."
    )
    place = forms.CharField(max_length=300, required=False, help_text="In the words of whoever decides.")
    start = forms.CharField(
        required=False,
        label="On the air from",
        widget=forms.DateTimeInput({"type": "datetime-local"}),
        help_text="Empty, with the end: all days of the event.",
    )
    end = forms.CharField(required=False, label="to", widget=forms.DateTimeInput({"type": "datetime-local"}))
    wanted_for = forms.CharField(max_length=500, required=False, label="Wanted for")
    authority = forms.CharField(
        max_length=200,
        required=False,
        label="Who decides",
        help_text="Regulator, band manager or primary user.",
    )
    reference = forms.CharField(max_length=200, required=False, help_text="As it stands on their paper.")
    conditions = forms.CharField(
        required=False, widget=forms.Textarea({"rows": 3}), label="Conditions, or why it was refused"
    )
    until = forms.CharField(
        required=False,
        label="Good until",
        widget=forms.DateTimeInput({"type": "datetime-local"}),
        help_text="Then it lapses; empty: no end is named.",
    )
    field_order = [
        "state", "authority", "reference", "until", "conditions", "frequency_hz", "low_hz", "high_hz", "width_hz", "power_mw",
        "basis", "antenna_height_m", "zones", "start", "end", "department", "use", "wanted_for", "place",
    ]  # fmt: skip

    def __init__(self, *args: Any, actor: Actor, uses: list[str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        names = Names(actor)
        departments = {row.code: row.name for row in names.departments.values()}
        self.fields["department"].choices = [("", "all departments"), *sorted(departments.items())]
        self.fields["use"].choices = [("", "any"), *((use, use.replace("_", " ")) for use in uses)]
        self.fields["zones"].choices = sorted({row.code: row.name for row in names.zones.values()}.items())
        keep_to_days(actor.event, self.fields["start"], self.fields["end"])

    @classmethod
    def of(cls, row: dict[str, Any]) -> dict[str, Any]:
        """A row of the list (asking.row_of) as the form shows it."""
        shown = {**row, "width_hz": f"{row['width_hz'] / 1000:g}" if row["width_hz"] else ""}
        for name in ("frequency_hz", "low_hz", "high_hz"):
            shown[name] = in_megahertz(row[name])
        for name in ("power_mw", "antenna_height_m"):
            shown[name] = "" if row[name] is None else f"{row[name]:g}"
        for name in ("start", "end", "until"):
            shown[name] = (row[name] or "")[:16]
        return shown | {"zones": [part.strip() for part in row["zones"].split(";") if part.strip()]}

    def row(self) -> dict[str, Any]:
        """As the list writes it."""
        given = {name: self.cleaned_data.get(name, "") for name in self.fields}
        width = str(given["width_hz"]).strip()
        if re.fullmatch(r"[0-9]+([.,][0-9]*)?", width):
            given["width_hz"] = f"{width} kHz"
        for name in ("frequency_hz", "low_hz", "high_hz"):
            given[name] = in_hertz(given[name])
        return given


class AnswersForm(forms.Form):
    """The list with the answers filled in: as a file, or as its text."""

    file = forms.FileField(label="The list with the answers (CSV)", required=False, allow_empty_file=True)
    text = forms.CharField(
        required=False, strip=False, widget=forms.Textarea({"rows": 8, "spellcheck": "false", "wrap": "off"}),
        label="Its text", help_text="Stands here after you sent a file; mend it here, or paste a list.",
    )  # fmt: skip

"""What import contracts cannot see: which files an app may hold, where writes happen, and who is looked up by name."""

import ast
import re
from pathlib import Path

import pytest

APPS = Path(__file__).resolve().parent.parent / "apps"
FRAMEWORK_FREE = {"radio", "solver"}
# Each file kind has one home …
KINDS = {
    "__init__", "models", "states", "rules", "queries", "actions", "forms", "serializers", "views", "api", "urls", "admin",
    "tasks", "apps",
}  # fmt: skip
# … and a file with an idea of its own has a name of its own, listed here with its app.
OWN = {
    "common": {"choice", "describing", "errors", "envelope", "leases", "paging"},
    "journal": set(),
    "events": {
        "actors",
        "authentication",
        "setting_up",
        "letters",
        "geodesy",
        "maps",
        "map_pages",
        "repeats",
    },
    "spectrum": {"rulesets", "surveys", "reading"},
    "registry": {
        "lines",
        "moments",
        "judging",
        "importing",
        "workbooks",
        "uploads",
        "catalogue",
        "antenna_pages",
        "tuning",
        "guidance",
        "kind_pages",
        "calendars",
        "calendar_pages",
        "batching",
        "asking",
        "permitting",
        "permission_lists",
        "permission_pages",
        "permission_api",
    },
    "planning": {
        "joining",
        "demanding",
        "explaining",
        "site_pages",
        "renewing",
        "reuse",
        "snapshot",
        "band_plan",
        "siting",
        "chaining",
        "listening",
        "surveying",
        "survey_pages",
        "survey_api",
        "drawing",
        "margins",
        "running",
        "adopting",
        "working",
        "documents",
        "verdicts",
        "recounting",
        "reasons",
        "outlook",
        "asking",
        "inquiring",
        "curing",
        "limits",
    },
    "publishing": {
        "freezing",
        "sheets",
        "paper",
        "rendering",
        "batteries",
        "sheet_pages",
        "changes",
        "differences",
        "turns",
        "occurrences",
        "relaying",
        "noticing",
        "signing",
        "reaching",
        "delivering",
        "letters",
        "hook_pages",
        "notice_pages",
        "undoing",
        "batch_pages",
    },
    "onsite": set(),
    "overview": {"standing", "reading", "fairband"},
}
# Where rows may be written: actions, and the rooms that are actions under a name of their own.
WRITERS = {
    "actions", "running", "joining", "inquiring", "adopting", "documents", "verdicts", "models", "uploads", "surveys", "repeats",
    "turns", "leases", "relaying", "noticing", "delivering", "letters", "batching", "permitting",
}  # fmt: skip
WRITES = re.compile(r"\.(save|delete|create|update|bulk_create|bulk_update|get_or_create|update_or_create)\(")


def modules() -> list[Path]:
    return [
        path
        for path in sorted(APPS.rglob("*.py"))
        if path.relative_to(APPS).parts[0] not in FRAMEWORK_FREE
        and "migrations" not in path.parts
        and path.parent != APPS
    ]


def test_every_app_is_known_and_holds_only_files_of_the_vocabulary() -> None:
    assert {path.name for path in APPS.iterdir() if path.is_dir() and path.name != "__pycache__"} == set(
        OWN
    ) | FRAMEWORK_FREE
    strangers = [
        f"{path.relative_to(APPS)}"
        for path in modules()
        if path.stem not in KINDS | OWN[path.relative_to(APPS).parts[0]]
    ]
    assert strangers == []


def test_rows_are_written_in_actions_only() -> None:
    found = [
        f"{path.relative_to(APPS)}:{number}"
        for path in modules()
        if path.stem not in WRITERS
        for number, text in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if WRITES.search(text) and not re.search(r"(row|__dict__|super\(\))\.(update|save)\(", text)
    ]
    assert found == []


def test_nobody_is_looked_up_by_name() -> None:
    for path in modules():
        text = path.read_text(encoding="utf-8")
        assert "import_module" not in text and "get_model(" not in text, path


def test_every_module_says_what_belongs_there() -> None:
    for path in [*modules(), *(APPS / "radio").rglob("*.py"), *(APPS / "solver").rglob("*.py")]:
        text = path.read_text(encoding="utf-8")
        if text.strip():
            assert ast.get_docstring(ast.parse(text)), path


@pytest.mark.parametrize("name", ["utils", "helpers", "services", "misc", "managers"])
def test_there_is_no_drawer_for_everything(name: str) -> None:
    assert not list(APPS.rglob(f"{name}.py")) and not list(APPS.rglob(f"{name}/__init__.py"))

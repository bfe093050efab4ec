"""The invented event of fixtures/demo, taken through every station as people and their machines would.

The site is set up by actions; everything after that goes over the running service's own REST interface with tokens:
lists are registered by their leads, a run is asked for and watched, its plan approved, locked and published. Every
step may be repeated: what is done already is found done.
"""

import json
import secrets
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import date, datetime
from pathlib import Path
from random import Random
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings

from apps.common.choice import Choice
from apps.events import actions as events
from apps.events import queries
from apps.events.actors import Actor
from apps.events.models import Event, Person, Role
from apps.planning import surveying
from apps.registry import actions as registry
from apps.registry import permitting
from apps.spectrum import actions as spectrum
from apps.spectrum.states import READING

FOLDER = Path(settings.BASE_DIR) / "fixtures" / "demo"
RUN_SECONDS = 60.0  # at most; it ends by itself when nothing better is found
# The service is on this machine: a proxy that the environment names for the web has no part in it.
DIRECT = urllib.request.build_opener(urllib.request.ProxyHandler({}))


@dataclass(frozen=True)
class LogIn:
    """Somebody of the demo with what they need to get in. Made at random at the first start, kept in the data folder."""

    name: str
    role: str
    department: str
    email: str
    password: str
    token: str


@dataclass(frozen=True)
class Station:
    """Where the demo's event stands after the last station."""

    event: str
    run: int
    carriers: int
    placed: int
    left_out: list[dict[str, Any]]
    worst_load_db: float | None
    edition: int
    digest: str
    departments: list[str]


class Answered(RuntimeError):
    """The service answered with an error; the text holds status and body."""


class Machine:
    """A person's machine: the REST interface with their token."""

    def __init__(self, address: str, slug: str, token: str) -> None:
        self.base, self.slug, self.token = f"{address}/api/v1/events/{slug}/", slug, token

    def call(
        self, method: str, path: str, content: bytes | None = None, media: str = "application/json"
    ) -> bytes:
        request = urllib.request.Request(self.base + path, data=content, method=method)  # noqa: S310 - our own http address
        request.add_header("Authorization", f"Token {self.token}")
        if content is not None:
            request.add_header("Content-Type", media)
        try:
            with DIRECT.open(request, timeout=600) as answer:
                return bytes(answer.read())
        except urllib.error.HTTPError as error:
            raise Answered(f"{method} {path}: {error.code} {error.read().decode()[:2000]}") from None

    def read(self, path: str) -> Any:
        return json.loads(self.call("GET", path))

    def post(self, path: str, content: Any) -> Any:
        return json.loads(self.call("POST", path, json.dumps(content).encode()))

    def send_file(self, path: str, fields: dict[str, str], name: str, content: bytes) -> None:
        """A form with a file, as browsers send it (RFC 7578)."""
        edge = secrets.token_hex(16)
        parts = [
            f'--{edge}\r\nContent-Disposition: form-data; name="{key}"\r\n\r\n{value}\r\n'
            for key, value in fields.items()
        ]
        head = f'--{edge}\r\nContent-Disposition: form-data; name="file"; filename="{name}"\r\nContent-Type: text/csv\r\n\r\n'
        body = "".join(parts).encode() + head.encode() + content + f"\r\n--{edge}--\r\n".encode()
        self.call("POST", path, body, f"multipart/form-data; boundary={edge}")


# -- set up ---------------------------------------------------------------------------------


def set_up() -> list[LogIn]:
    """Make the event with its zones, departments, kinds, people and surroundings, unless it is there. Returns log-ins."""
    content = json.loads((FOLDER / "event.json").read_text(encoding="utf-8"))
    kept = Path(settings.DATA_DIR) / "demo-people.json"
    if Event.objects.filter(slug=content["slug"]).exists() and kept.exists():
        return [LogIn(**row) for row in json.loads(kept.read_text(encoding="utf-8"))]
    people = {row["email"]: (row, secrets.token_urlsafe(12)) for row in content["people"]}
    persons = {email: _person(row, password) for email, (row, password) in people.items()}
    first = next(row for row in content["people"] if row["role"] == Role.COORDINATOR)
    if not Event.objects.filter(slug=content["slug"]).exists():
        _make_event(content, persons, persons[first["email"]])
    log_ins = []
    for email, (row, password) in people.items():
        actor = queries.actor_in(persons[email], content["slug"])
        issued = events.issue_token(
            actor=actor, person=persons[email], writes=row["role"] != Role.OBSERVER, label="demo"
        )
        log_ins.append(
            LogIn(row["name"], row["role"], row["department"] or "", email, password, issued.secret)
        )
    kept.touch(mode=0o600)
    kept.write_text(json.dumps([asdict(log_in) for log_in in log_ins], ensure_ascii=False), encoding="utf-8")
    return log_ins


def _person(row: dict[str, Any], password: str) -> Person:
    person = events.create_person(email=row["email"], name=row["name"])
    person.set_password(password)
    person.save()
    return person


def _make_event(content: dict[str, Any], persons: dict[str, Person], coordinator: Person) -> None:
    origin = content.get("origin") or {}
    zone = ZoneInfo(content["timezone"])
    closes = content.get("registration_closes_at")
    closes_at = datetime.fromisoformat(closes) if closes else None
    actor = events.create_event(
        person=coordinator, slug=content["slug"], name=content["name"], site=content["site"],
        timezone_name=content["timezone"], starts_on=date.fromisoformat(content["starts_on"]),
        ends_on=date.fromisoformat(content["ends_on"]), ruleset=content["ruleset"],
        latitude_deg=origin.get("latitude"), longitude_deg=origin.get("longitude"),
        registration_closes_at=closes_at if closes_at is None or closes_at.tzinfo else closes_at.replace(tzinfo=zone),
        contact_on_site=content.get("contact_on_site", ""),
    )  # fmt: skip
    for row in content["zones"]:
        events.add_zone(actor=actor, **row)
    departments = {row["code"]: events.add_department(actor=actor, **row) for row in content["departments"]}
    for row in content["people"]:
        if persons[row["email"]] != coordinator:
            department = departments[row["department"]] if row["role"] == Role.LEAD else None
            events.add_member(
                actor=actor, person=persons[row["email"]], role=row["role"], department=department
            )
    registry.copy_kinds(actor=actor, codes=content["kinds"])
    _surround(actor, content)


def _surround(actor: Actor, content: dict[str, Any]) -> None:
    """What is known of the site and its spectrum."""
    zones = {row.code: row for row in actor.event.zones.all()}
    for row in content["antennas"]:
        registry.equip(actor=actor, **{**row, "zone": zones[row["zone"]]})
    for row in content["television"]:
        spectrum.mark_channels(
            actor=actor, choice=Choice(dict.fromkeys(row["channels"], 0)), state=row["state"], source=row["source"],
            known_on=date.fromisoformat(row["known_on"]),
        )  # fmt: skip
    for row in content["occupied"]:
        hours = {name: datetime.fromisoformat(row[name]) for name in ("starts_at", "ends_at") if name in row}
        spectrum.mark_occupied(actor=actor, **row | hours)
    for row in content["outsiders"]:
        spectrum.add_outsider(actor=actor, **{**row, "zone": zones[row["zone"]]})
    for row in content["known_losses"]:
        one, other = (zones[code] for code in row["zones"])
        spectrum.set_known_loss(actor=actor, zones=(one, other), loss_db=row["loss_db"], note=row["note"])
    for row in content["band_plan"]:
        spectrum.plan_range(actor=actor, **row)
    permitting.answer(actor=actor, rows=content["permissions"])


# -- the stations ---------------------------------------------------------------------------


def go_through(address: str, log_ins: list[LogIn], say: Any) -> Station:
    """Register, solve, approve, lock and publish over the service at `address`. `say` is told of each station."""
    content = json.loads((FOLDER / "event.json").read_text(encoding="utf-8"))
    slug, surveys = content["slug"], content["surveys"]
    coordinator = Machine(address, slug, next(row.token for row in log_ins if row.role == Role.COORDINATOR))
    if not coordinator.read("editions/")["count"]:
        _listen(coordinator, surveys, surveys["empty"])
        for row, path in _lists(log_ins):
            _register(Machine(address, slug, row.token), path)
        say(f"registered {coordinator.read('registrations/')['count']} lines")
        _solve(coordinator, say)
        coordinator.post("plan/approve/", {"filter": {}, "reason": "first plan, looked through"})
        coordinator.post("plan/lock/", {"filter": {}, "reason": "agreed with all departments"})
        coordinator.post("editions/", {"note": "first edition"})
        _listen(coordinator, surveys, surveys["show"])
    return where_it_stands(coordinator, slug)


def _listen(coordinator: Machine, invented: dict[str, Any], one: dict[str, Any]) -> None:
    """Send a survey that nobody made, unless it is there, and wait until it is read: the next run counts with it."""
    there = coordinator.read("surveys/")["results"]
    if not any(row["name"] == one["name"] for row in there):
        taken_at = datetime.fromisoformat(one["taken_at"])
        own = surveying.own_carriers(Event.objects.get(slug=coordinator.slug), taken_at)
        fields = {name: one[name] for name in ("zone", "taken_at", "antenna")}
        coordinator.send_file(
            "surveys/",
            fields | {"resolution_hz": str(invented["step_hz"])},
            one["name"],
            _sweep(invented, one, own),
        )
    while any(row["state"] in READING for row in coordinator.read("surveys/")["results"]):
        time.sleep(0.1)


def _sweep(invented: dict[str, Any], one: dict[str, Any], own: list[dict[str, Any]]) -> bytes:
    """Two columns, MHz and dBm: noise, what others send, and of our own carriers all but every so many-th."""
    chance = Random(invented["seed"])
    heard = [(row["low_hz"], row["high_hz"], row["level_dbm"]) for row in invented["heard"]]
    for number, row in enumerate(own, 1):
        if number % one["silent"]:
            half = row["bandwidth_hz"] // 2
            level = one["own_dbm"] if row["zone"] == one["zone"] else one["others_dbm"]
            heard.append((row["frequency_hz"] - half, row["frequency_hz"] + half, level))
    lines = ["frequency MHz;level dBm"]
    for hz in range(invented["low_hz"], invented["high_hz"] + 1, invented["step_hz"]):
        level = max([invented["floor_dbm"], *(level for low, high, level in heard if low <= hz <= high)])
        lines.append(f"{hz / 1e6:.3f};{level + chance.gauss(0, 1.2):.1f}")
    return "\n".join(lines).encode()


def _lists(log_ins: list[LogIn]) -> Iterator[tuple[LogIn, Path]]:
    leads = {row.department: row for row in log_ins if row.role == Role.LEAD}
    coordinator = next(row for row in log_ins if row.role == Role.COORDINATOR)
    for path in sorted((FOLDER / "registrations").iterdir()):
        yield leads.get(path.stem.upper(), coordinator), path


def _register(machine: Machine, path: Path) -> None:
    if path.suffix == ".csv":
        machine.call("POST", "registrations/", path.read_bytes(), "text/csv")
    else:
        machine.call("POST", "registrations/?all_or_nothing=true", path.read_bytes())


def _solve(coordinator: Machine, say: Any) -> None:
    """Ask for a run unless one was adopted already, and wait for its end."""
    runs = coordinator.read("runs/")["results"]
    if any(run["adopted_at"] for run in runs):
        return
    active = [run for run in runs if run["state"] in ("queued", "running")]
    run = active[0] if active else coordinator.post("runs/", {"seconds": RUN_SECONDS, "seed": 1})
    shown = ""
    while run["state"] in ("queued", "running"):
        now = f"run {run['id']}: {run['stage'] or run['state']}" + (
            f", {run['placed']} of {run['carriers']} placed" if run["placed"] is not None else ""
        )
        if now != shown:
            say(now)
            shown = now
        time.sleep(0.2)
        run = coordinator.read(f"runs/{run['id']}/")
    if run["state"] != "done":
        raise Answered(f"run {run['id']} {run['state']}: {run['failure']}")


def where_it_stands(coordinator: Machine, slug: str) -> Station:
    """The event as it is now, read over the interface: it may have been changed since the demo was made."""
    rows = coordinator.read("plan/?page_size=5000")["results"]
    run = next(run for run in coordinator.read("runs/")["results"] if run["adopted_at"])
    edition = coordinator.read("editions/")["results"][0]
    departments = sorted(row["code"] for row in coordinator.read("departments/"))
    left = [row for row in rows if row["frequency_hz"] is None]
    return Station(
        event=slug,
        run=run["id"],
        carriers=len(rows),
        placed=len(rows) - len(left),
        left_out=left,
        worst_load_db=run["worst_load_db"],
        edition=edition["number"],
        digest=edition["digest"],
        departments=departments,
    )


def write_files(address: str, log_ins: list[LogIn], station: Station, out: Path) -> list[Path]:
    """problem.json, result.json, summary.json and the sheets of the newest edition; only what changed is written again."""
    known = out / "summary.json"
    if known.exists() and json.loads(known.read_text(encoding="utf-8")).get("digest") == station.digest:
        summary = json.loads(known.read_text(encoding="utf-8")) | {"address": address}
        known.write_text(json.dumps(summary, ensure_ascii=False, indent=1), encoding="utf-8")
        return [known, *sorted((out / "sheets").iterdir())]
    coordinator = Machine(
        address, station.event, next(row.token for row in log_ins if row.role == Role.COORDINATOR)
    )
    sheets = out / "sheets"
    sheets.mkdir(parents=True, exist_ok=True)
    files = {
        out / "problem.json": coordinator.call("GET", f"runs/{station.run}/problem/"),
        out / "result.json": coordinator.call("GET", f"runs/{station.run}/result/"),
        sheets / "all.json": coordinator.call("GET", f"editions/{station.edition}/sheet/?as=json"),
    }
    for code in station.departments:
        for kind in ("pdf", "csv", "json"):
            path = f"editions/{station.edition}/sheet/?department={code}&as={kind}"
            files[sheets / f"{code}.{kind}"] = coordinator.call("GET", path)
    summary = {
        "event": station.event,
        "address": address,
        "carriers": station.carriers,
        "placed": station.placed,
        "left_out": len(station.left_out),
        "edition": station.edition,
        "digest": station.digest,
        "people": [{name: value for name, value in asdict(row).items() if name != "name"} for row in log_ins],
    }
    files[out / "summary.json"] = json.dumps(summary, ensure_ascii=False, indent=1).encode()
    for path, content in files.items():
        path.write_bytes(content)
    return list(files)

"""The whole path in a real browser, on a service started as a user starts it: as a lead, as a coordinator, by keyboard alone.

Every page is judged by axe (rules of WCAG 2.1 A and AA, and its best practices) in light and dark, and may neither
write an error to the console nor scroll sideways, at 390 and at 1440 pixels.
"""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.core.files.uploadedfile import SimpleUploadedFile
from playwright.sync_api import Browser, Page, expect, sync_playwright

from tests import surroundings
from tests.service import ROOT, Service, started

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.xdist_group("browser")]
SWITCHES = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
WIDE, NARROW = {"width": 1440, "height": 900}, {"width": 390, "height": 844}
PASSWORD = "a password for tests"
BASE = "/e/harbour-days"

LIST = """label,kind,zone,quantity,spares,settings,contact,low_hz,high_hz
presenters,mic,main,2,1,pairing key=4,Ada 555 0100,,
backing vocals,mic,main,4,0,pairing key=5,Ada 555 0100,,
brass,mic,side,4,1,pairing key=6,Bo 555 0101,470.1 MHz,520 MHz
choir,mic,side,3,0,pairing key=7,Bo 555 0101,,
crew radio,repeater,gate,1,0,pairing key=8,Cleo 555 0102,,
desk intercom,hopping,main,2,0,,Cleo 555 0102,,
"""


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    with started(tmp_path_factory.mktemp("service"), FAIRBAND_RUN_HEARTBEAT_S="0.3") as running:
        sweep = "".join(f"{470 + step / 40};{-110 + (step % 97 == 0) * 40}\n" for step in range(5000))
        said = {"zone": "main", "taken_at": "2027-06-11T18:00:00Z", "resolution_hz": 25_000}
        running.send(
            "coordinator", "surveys/", {**said, "file": SimpleUploadedFile("sweep.csv", sweep.encode())}
        )
        yield running


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=surroundings.browser(), args=SWITCHES)
        yield chromium
        chromium.close()


class Visitor:
    """One person at one screen: looks at pages with axe's eyes and remembers what the console said."""

    def __init__(self, browser: Browser, service: Service, who: str, screen: dict[str, int] = WIDE) -> None:
        self.address, self.screen, self.said = service.address, screen, []
        self.page: Page = browser.new_context(viewport=screen, locale="en-GB").new_page()
        self.page.on("console", self._hear)
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.goto(f"{self.address}/login/")
        self.page.fill("[name=username]", f"{who}@harbour-days.example")
        self.page.fill("[name=password]", PASSWORD)
        self.page.get_by_role("button", name="Log in").click()
        self.page.wait_for_url(f"{self.address}/**")

    def _hear(self, message) -> None:
        # A form that is sent back answers 422, which the browser notes as a failed resource; that is meant.
        if message.type in ("error", "warning") and "status of 4" not in message.text:
            self.said.append(message.text)

    def go(self, path: str) -> None:
        self.page.goto(f"{self.address}{BASE}/{path}")

    def look(self, picture: str = "") -> None:
        """Judge the page as it stands, in light and dark; keep a picture of it for the README where that is asked for."""
        for scheme in ("light", "dark"):
            self.page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
            expect(self.page.locator("html")).to_have_attribute("data-bs-theme", scheme)
            found = Axe().run(self.page).response["violations"]
            told = [
                (rule["id"], rule["help"], [node["target"] for node in rule["nodes"]][:3]) for rule in found
            ]
            assert told == [], (self.page.url, scheme, told)
        self.page.emulate_media(color_scheme="light")
        width = self.page.evaluate("document.documentElement.scrollWidth")
        assert width <= self.screen["width"], f"{self.page.url} scrolls sideways: {width} px"
        assert self.said == [], self.page.url
        folder = os.environ.get("FAIRBAND_PICTURES")
        if folder and picture:
            target = (ROOT / folder if folder != "1" else ROOT / "fixtures" / "pictures") / f"{picture}.png"
            target.parent.mkdir(parents=True, exist_ok=True)
            self.page.screenshot(path=target)

    def tab_to(self, selector: str, patience: int = 120) -> None:
        """Press Tab until the focus is where it should be, and seen to be there."""
        for _ in range(patience):
            self.page.keyboard.press("Tab")
            if self.page.evaluate("selector => document.activeElement.matches(selector)", selector):
                outline = self.page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
                assert outline != "none", f"the focus on {selector} cannot be seen"
                return
        raise AssertionError(f"Tab never reaches {selector}")


def listing(folder: Path, content: str) -> Path:
    path = folder / "list.csv"
    path.write_text(content, encoding="utf-8")
    return path


def test_1_a_lead_registers_mends_and_imports(browser: Browser, service: Service, tmp_path: Path) -> None:
    lead = Visitor(browser, service, "lead")
    page = lead.page
    lead.go("devices/")
    expect(page.get_by_text("No devices yet")).to_be_visible()
    lead.look()
    page.get_by_role("link", name="Register the first line").click()
    lead.look()
    page.get_by_label("Label").fill("lead vocals")
    page.get_by_role("searchbox", name="Search the kinds in plain words").fill("microphone")
    page.get_by_role("radio", name="Microphone").check()
    expect(page.locator("#help")).to_contain_text("470.1–607.9 MHz")
    # What the kind asks for has fields; another kind keeps what was typed, and the first finds it again.
    both_ends = page.get_by_role("group", name="The same at both ends")
    both_ends.get_by_label("Pairing key").fill("17")
    page.get_by_role("searchbox", name="Search the kinds in plain words").fill("")
    page.get_by_role("radio", name="Hopping intercom").check()
    expect(page.get_by_label("Settings", exact=True)).to_have_value("pairing key=17")
    page.get_by_role("radio", name="Microphone").check()
    expect(both_ends.get_by_label("Pairing key")).to_have_value("17")
    expect(page.get_by_label("Further settings")).to_have_value("")
    # On twice: each time is picked, and kept in a list.
    page.get_by_label("On the air all day").uncheck()
    for day in (11, 12):
        page.get_by_label("Switched on from").fill(f"2027-06-{day}T18:00")
        page.get_by_label("until", exact=True).fill(f"2027-06-{day}T23:00")
        page.get_by_role("button", name="Keep these hours, add others").click()
        expect(page.get_by_label("Switched on from")).to_be_focused()
    hours = "2027-06-11T18:00/2027-06-11T23:00\n2027-06-12T18:00/2027-06-12T23:00"
    expect(page.get_by_label("Or on more than once")).to_have_value(hours)
    page.get_by_label("Or on more than once").fill("")
    page.get_by_label("On the air all day").check()
    page.get_by_label("Zone").select_option(label="Main stage")
    page.get_by_label("Frequencies", exact=True).fill("many")
    page.get_by_label("Uses now, in MHz").fill("470,11")
    expect(page.locator("#help")).to_contain_text("The nearest that it can tune: 470.1 MHz and 470.125 MHz")
    # What is wrong stands at its field too, and is gone from there once the field says something else.
    at_field = page.locator("#div_id_fixed_hz .invalid-feedback")
    expect(at_field).to_contain_text("in steps of 25 kHz, nearest 470.1 MHz and 470.125 MHz")
    page.get_by_role("button", name="Register", exact=True).click()
    expect(page.get_by_text("Not a whole number; use 1 to 500.").first).to_be_visible()
    expect(at_field).to_have_count(1)
    page.get_by_label("Uses now, in MHz").fill("")
    expect(at_field).to_have_count(0)
    page.get_by_label("Uses now, in MHz").fill("470,11")
    expect(at_field).to_have_count(1)
    expect(page.get_by_label("Label")).to_have_value("lead vocals")
    lead.look("register")
    # Loaded again, the page shows the draft and does not send the old once more.
    page.reload()
    expect(page.get_by_text("did not save it")).to_be_visible()
    # A closed browser loses nothing: the same person finds it as it was typed.
    lead.go("devices/")
    lead.go("devices/new/")
    expect(page.get_by_text("did not save it")).to_be_visible()
    expect(page.get_by_label("Label")).to_have_value("lead vocals")
    page.get_by_label("Frequencies", exact=True).fill("1")
    page.get_by_label("Uses now, in MHz").fill("470,125")
    page.get_by_role("button", name="Register", exact=True).click()
    expect(page.get_by_role("status")).to_contain_text("the frequencies next. Nothing need be done now")
    lead.look()
    lead.go("notices/")
    lead.look()
    lead.go("webhooks/")
    page.get_by_label("Address").fill("http://10.0.0.1/")
    page.get_by_role("button", name="Set it up").click()
    expect(page.get_by_text("which the public cannot reach").first).to_be_visible()
    lead.look()
    lead.go("devices/")

    page.get_by_role("link", name="Import", exact=True).click()
    lead.look()
    page.get_by_label("Device list (XLSX or CSV)").set_input_files(
        listing(tmp_path, LIST.replace("choir,mic", "choir,harp"))
    )
    page.get_by_role("button", name="Judge this list").click()
    expect(page.get_by_text("1 of 6 rows cannot be taken")).to_be_visible()
    expect(page.get_by_text("There is no kind «harp»")).to_be_visible()
    lead.look("import")
    page.get_by_label("Device list (XLSX or CSV)").set_input_files(listing(tmp_path, LIST))
    page.get_by_role("button", name="Judge this list").click()
    page.get_by_role("button", name="Save 6 rows").click()
    expect(page.get_by_role("status")).to_contain_text("Saved: 6 new")
    expect(page.get_by_role("link", name="brass", exact=True)).to_be_visible()
    page.get_by_role("link", name="brass", exact=True).click()
    lead.look()


def test_2_a_coordinator_runs_reviews_and_publishes(browser: Browser, service: Service) -> None:
    boss = Visitor(browser, service, "coordinator")
    page = boss.page
    boss.go("runs/")
    boss.look()
    page.get_by_label("Seconds").fill("4")
    page.get_by_role("button", name="Start the run").click()
    expect(page.get_by_text("Adopted on")).to_be_visible(timeout=60_000)
    boss.look()
    page.get_by_role("link", name="Review the plan").click()
    expect(page.get_by_text("AUD-001").first).to_be_visible()
    boss.look()

    # One frequency by hand: what it breaks stands there before it is saved.
    page.get_by_role("link", name="AUD-002").first.click()
    boss.look()
    page.get_by_label("Frequency in MHz").fill("470.2")
    page.get_by_label("Reason").fill("the receiver is set to it")
    page.get_by_role("button", name="Show what it would break").click()
    expect(page.get_by_text("✕ It would break")).to_be_visible()
    boss.look("frequency")
    page.get_by_role("link", name="‹ Review").click()

    for deed, done in (("Approve…", "approved"), ("Lock…", "locked")):
        page.get_by_label("that the filters leave").check()
        page.get_by_role("button", name=deed, exact=True).click()
        boss.look()
        page.locator("button[name=confirmed]").click()
        expect(page.get_by_role("status")).to_contain_text(done)
    boss.look("review")

    boss.go("breaches/")
    boss.look()
    page.get_by_role("link", name="Publish", exact=True).click()
    boss.look("publish")
    page.get_by_label("Note").fill("First edition, for the build-up.")
    page.get_by_role("button", name="Publish…", exact=True).click()
    boss.look()
    sent: list[str] = []
    page.on("request", lambda request: sent.append(request.url) if request.method == "POST" else None)
    # Pressed twice, it is sent once, and says at once that it works.
    pressed = page.evaluate("""() => {
        const button = document.querySelector("button[name=confirmed]");
        button.click(); button.click();
        return [button.textContent, button.getAttribute("aria-disabled"), document.getElementById("working").textContent];
    }""")
    assert pressed == ["Working…", "true", "Working…"]
    expect(page.get_by_role("status")).to_contain_text("Edition 1 is published")
    assert len(sent) == 1
    boss.look()
    page.locator("main a[href*='/sheets/AUD']").first.click()
    expect(page.get_by_text("AUD-001").first).to_be_visible()
    boss.look("sheet")
    boss.go("")
    boss.look("event")


def test_3_a_later_run_is_a_proposal_that_somebody_adopts(browser: Browser, service: Service) -> None:
    status, _ = service.call("other", "POST", "registrations/", [
        {"label": "camera talkback", "kind": "mic", "department": "VID", "zone": "side", "quantity": 2},
    ])  # fmt: skip
    assert status == 201
    boss = Visitor(browser, service, "coordinator")
    page = boss.page
    boss.go("runs/")
    page.get_by_label("Seconds").fill("4")
    page.get_by_role("button", name="Start the run").click()
    expect(page.get_by_text("What adopting it would change")).to_be_visible(timeout=60_000)
    expect(page.get_by_text("2 new, 0 moved, 0 taken away")).to_be_visible()
    boss.look("run")
    page.get_by_role("button", name="Adopt: change 2 carriers").click()
    expect(page.get_by_role("status")).to_contain_text("Adopted: 2 carriers changed")
    boss.go("publish/")
    expect(page.get_by_role("link", name="Look at the 2 proposed of Video")).to_be_visible()
    boss.look()


def test_4_the_keyboard_alone_registers_and_approves(browser: Browser, service: Service) -> None:
    lead = Visitor(browser, service, "other")
    keys = lead.page.keyboard
    lead.go("devices/new/")
    lead.tab_to("a.fb-skip")
    keys.press("Enter")
    lead.tab_to("[name=label]")
    keys.type("sound recordist")
    lead.tab_to("[name=words]")
    keys.type("Microphone")
    expect(lead.page.get_by_text("1 kind for «Microphone»")).to_be_visible()
    lead.tab_to("[name=kind]")
    keys.press("Space")
    lead.tab_to("[name=zone]")
    keys.type("Side")
    # What the kind asks for comes with the answer; who tabs on sees it first.
    expect(lead.page.locator("#id_setting-1")).to_be_visible()
    lead.tab_to("#id_setting-1")
    keys.type("4711")
    lead.tab_to("button:not([name])")
    keys.press("Enter")
    expect(lead.page.get_by_role("status")).to_contain_text("sound recordist")
    lead.page.get_by_role("link", name="sound recordist", exact=True).click()
    expect(lead.page.get_by_label("Pairing key")).to_have_value("4711")

    boss = Visitor(browser, service, "coordinator")
    keys = boss.page.keyboard
    boss.go("review/?state=proposed")
    boss.tab_to("[name=row]")
    keys.press("Space")
    boss.tab_to("button[value=approve]")
    keys.press("Enter")
    expect(boss.page.get_by_role("heading", name="Approve 1 of the 1 chosen?")).to_be_visible()
    boss.tab_to("[name=reason]")
    keys.type("heard it")
    boss.tab_to("[name=confirmed]")
    keys.press("Enter")
    expect(boss.page.get_by_role("status")).to_contain_text("1 carrier approved")


def test_5_a_report_is_taken_on_before_it_is_answered(browser: Browser, service: Service) -> None:
    lead, boss = Visitor(browser, service, "lead"), Visitor(browser, service, "coordinator")
    lead.go("reports/")
    lead.page.get_by_label("Which device?").fill("aud 1")
    lead.page.get_by_role("button", name="Tell the coordinators").click()
    expect(lead.page.get_by_text("Say what you hear or see").first).to_be_visible()
    lead.look()
    lead.page.get_by_label("What happens, and since when?").fill("clicks since the screens are on")
    lead.page.get_by_role("button", name="Tell the coordinators").click()
    expect(lead.page.get_by_text("Nobody has answered yet")).to_be_visible()
    boss.go("reports/1/")
    boss.look()
    boss.page.get_by_role("button", name="I am on it").click()
    expect(boss.page.get_by_text("Coordinator is on it")).to_be_visible()
    boss.look()
    lead.page.reload()
    expect(lead.page.get_by_text("Coordinator is on it")).to_be_visible()
    lead.look()
    boss.page.get_by_label("What was it, and what is to be done?").fill("a cable; it is back")
    boss.page.get_by_role("button", name="Answer, and close it").click()
    expect(boss.page.get_by_role("status")).to_contain_text("is answered")


def test_6_paper_says_at_its_code_whether_it_still_counts(browser: Browser, service: Service) -> None:
    lead = Visitor(browser, service, "lead", NARROW)
    lead.go("sheets/AUD/")
    lead.page.get_by_role("link", name="AUD-001/1", exact=True).click()
    lead.look()
    address = lead.page.get_by_role("link", name="The page behind its QR code").get_attribute("href")
    for query, said in (("?e=1", "Your paper counts"), ("", "Edition 1 counts")):
        lead.page.goto(f"{lead.address}{address}{query}")
        expect(lead.page.get_by_text(said)).to_be_visible()
        lead.look()
    lead.page.goto(f"{lead.address}/u/no-such-key/")
    expect(lead.page.get_by_text("There is nothing here that you may see")).to_be_visible()


FOR_COORDINATORS = [
    "", "devices/", "devices/new/", "devices/1/", "import/", "import/1/", "runs/", "runs/1/", "review/", "review/AUD-001/",
    "breaches/", "publish/", "sheets/", "journal/", "devices/?state=withdrawn", "review/?zone=nowhere",
    "review/?order=margin", "set-up/kinds/", "set-up/kinds/mic/", "set-up/surroundings/",
    "devices/?frequency=locked", "import/?page=9", "set-up/television/", "surveys/", "surveys/1/", "surveys/zones/main/",
    "devices/?sheet=open", "review/?state=left out", "remedies/", "reports/", "site/", "site/main/main/", "rules/",
    "set-up/zones/main/antennas/", "sheets/AUD/", "sheets/zone/main/",
]  # fmt: skip
FOR_LEADS = [
    "", "devices/", "devices/1/", "import/", "sheets/", "journal/", "review/", "runs/", "reports/", "sheets/AUD/",
]  # fmt: skip


@pytest.mark.parametrize(
    "screen",
    [WIDE, NARROW],
    ids=lambda screen: f"{screen['width']}px" if isinstance(screen, dict) else screen,
)
@pytest.mark.parametrize(("who", "paths"), [("coordinator", FOR_COORDINATORS), ("lead", FOR_LEADS)])
def test_7_every_page_at_every_width(
    browser: Browser, service: Service, who: str, paths: list[str], screen: dict[str, int]
) -> None:
    visitor = Visitor(browser, service, who, screen)
    for path in paths:
        visitor.go(path)
        visitor.look(
            f"phone-{path.strip('/')}" if screen is NARROW and who == "lead" and path == "devices/" else ""
        )
    if screen is NARROW:
        # What folds into one row on a phone opens by keyboard and leads on.
        visitor.go("")
        visitor.tab_to(".fb-menu > summary")
        visitor.page.keyboard.press("Enter")
        visitor.look()
        visitor.page.get_by_role("link", name="Devices", exact=True).click()
        visitor.page.wait_for_url("**/devices/")

"""Notices by e-mail: who is told of what, gathered into one letter, and how to have no more of them."""

import re
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.core import mail
from django.test import Client
from django.utils import timezone

from apps.common.choice import Choice
from apps.events import actions as events
from apps.events.models import Event, Membership
from apps.journal.models import Entry
from apps.publishing import actions, letters, queries, relaying, turns
from apps.publishing.models import Mailbox, Notice, Reading
from apps.publishing.rules import letter_due_at
from apps.publishing.states import NoticeTopic
from apps.registry.batching import Act, act_on_many
from apps.registry.models import Registration
from tests.publishing.test_webhooks import published, send_back
from tests.site import Site, line, make_site, register

pytestmark = [pytest.mark.django_db, pytest.mark.store]


@pytest.fixture
def site() -> Site:
    return make_site()


def read(site: Site) -> None:
    relaying.sweep()
    relaying.read(Reading.objects.get(event=site.event).pk)


def post_letters() -> list[Any]:
    """What goes out once everything has gathered for long enough."""
    mail.outbox.clear()
    Mailbox.objects.exclude(due_at=None).update(due_at=timezone.now())
    for key in list(queries.mailboxes_due().values_list("pk", flat=True)):
        letters.write(key)
    return list(mail.outbox)


def to(sent: list[Any]) -> list[str]:
    return sorted(letter.to[0].split("@")[0] for letter in sent)


def test_twenty_lines_sent_back_one_by_one_make_one_letter(site: Site) -> None:
    register(site.lead, *(line(f"mic {number}") for number in range(20)))
    register(site.other, line("camera", department="VID"))
    for number in range(20):
        send_back(site, f"mic {number}", f"reason {number}")
        if number % 5 == 4:
            read(site)
    [letter] = post_letters()
    assert letter.to == ["lead@harbour-days.example"]
    assert letter.subject == "Harbour Days: 20 notices"
    assert all(
        f"«mic {number}» of AUD was sent back by Coordinator: reason {number}" in letter.body
        for number in range(20)
    )
    assert "camera" not in letter.body
    assert letter.body.count("/e/harbour-days/devices/") == 1
    assert post_letters() == [], "told once"


def test_many_sent_back_at_once_are_one_notice(site: Site) -> None:
    register(site.lead, *(line(f"mic {number}") for number in range(8)))
    rows = Registration.objects.order_by("label")
    choice = Choice.of((row.pk, row.version) for row in rows)
    act_on_many(actor=site.coordinator, choice=choice, act=Act("send back"), reason="which channels?")
    read(site)
    [letter] = post_letters()
    assert letter.subject.startswith("Harbour Days: «mic 0», «mic 1»")
    assert "«mic 4» and 3 more of AUD were sent back by Coordinator: which channels?" in letter.body
    assert "/e/harbour-days/devices/?department=AUD&state=sent+back" in letter.body


def test_an_edition_is_told_to_who_holds_something_of_it(site: Site) -> None:
    published(site)
    read(site)
    sent = post_letters()
    assert to(sent) == ["desk", "guard", "lead", "observer"], (
        "not to video, of which it holds nothing, nor to whoever did it"
    )
    assert all(letter.subject == "Harbour Days: Edition 1 is published" for letter in sent)
    actions.publish(actor=site.coordinator, note="For guests.", department=site.department("GRD"))
    read(site)
    sent = post_letters()
    assert to(sent) == ["desk", "guard"], "nobody else learns of a confidential department's part"
    assert "published for GRD: For guests. Paper of earlier editions counts no more." in sent[0].body


def test_a_deadline_that_comes_near_is_told_once_to_leads_and_again_when_it_moves(
    site: Site, settings: Any
) -> None:
    settings.NOTICE_DEADLINE_H = 48
    register(site.lead, line("mics"), line("in-ears"))
    send_back(site, "mics")
    read(site)
    post_letters()
    closes = timezone.now() + timedelta(hours=72)
    Event.objects.update(registration_closes_at=closes)
    assert not queries.unread().exists(), "not near yet"
    closes = timezone.now() + timedelta(hours=47)
    Event.objects.update(registration_closes_at=closes)
    for _ in range(2):
        read(site)
    sent = post_letters()
    assert to(sent) == ["guard", "lead", "other"]
    mine = next(letter for letter in sent if letter.to[0].startswith("lead"))
    local = closes.astimezone(ZoneInfo("Europe/Vienna"))
    assert (
        f"Registration closes on {local:%A %d %B, %H:%M}. Audio: 2 lines, 1 of them sent back." in mine.body
    )
    Event.objects.update(registration_closes_at=closes - timedelta(hours=2))
    read(site)
    assert to(post_letters()) == ["guard", "lead", "other"]
    Event.objects.update(registration_closes_at=timezone.now() - timedelta(minutes=1))
    assert not queries.unread().exists()


def test_what_gathers_goes_out_later_and_daily_post_in_the_morning(site: Site, settings: Any) -> None:
    settings.NOTICE_GATHER_S, settings.NOTICE_DAILY_HOUR = 600, 7
    event = site.event  # in Vienna: two hours ahead in summer
    noon = datetime(2027, 6, 11, 12, tzinfo=ZoneInfo("UTC"))
    assert letter_due_at(event, "soon", noon) == noon + timedelta(minutes=10)
    assert letter_due_at(event, "daily", noon).isoformat() == "2027-06-12T07:00:00+02:00"
    night = datetime(2027, 6, 11, 2, tzinfo=ZoneInfo("UTC"))
    assert letter_due_at(event, "daily", night).isoformat() == "2027-06-11T07:00:00+02:00"
    register(site.lead, line("mics"))
    send_back(site, "mics")
    read(site)
    assert not queries.mailboxes_due().exists()
    actions.choose_notices(actor=site.lead, wanted=list(NoticeTopic.values), pace="daily")
    assert timezone.localtime(Mailbox.objects.get().due_at, ZoneInfo("Europe/Vienna")).hour == 7


def test_who_wants_none_gets_none(site: Site) -> None:
    actions.choose_notices(actor=site.desk, wanted=[], pace="soon")
    register(site.lead, line("sent back"))
    send_back(site, "sent back")
    read(site)
    actions.choose_notices(actor=site.lead, wanted=["published"], pace="soon")
    assert not Notice.objects.exists(), "what waits and is not wanted goes"
    published(site)
    read(site)
    assert to(post_letters()) == ["guard", "lead", "observer"]


def test_the_link_in_a_letter_ends_them_without_logging_in(site: Site, settings: Any) -> None:
    settings.PUBLIC_ADDRESS, settings.BEHIND_TLS = "https://fairband.example", True
    register(site.lead, line("mics"))
    send_back(site, "mics")
    read(site)
    [letter] = post_letters()
    found = re.fullmatch(
        r"<https://fairband\.example(/\S+)>", letter.extra_headers["List-Unsubscribe"]
    )  # RFC 2369 §3.2
    assert found and found[1] in letter.body
    assert letter.extra_headers["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"  # RFC 8058 §3.1
    anybody = Client(enforce_csrf_checks=True)
    assert "No more letters" in anybody.get(found[1]).content.decode()
    assert Mailbox.objects.get().unwanted == [], (
        "a mail program that only looks at links ends nothing (RFC 8058 §3.1)"
    )
    assert anybody.post(found[1], {"List-Unsubscribe": "One-Click"}).status_code == 200
    send_back(make_other(site), "more")
    read(site)
    assert post_letters() == []
    assert anybody.get(found[1][:-3] + "x/").status_code == 404
    assert anybody.post("/no-notices/1/").status_code == 404


def make_other(site: Site) -> Site:
    register(site.lead, line("more"))
    return site


def test_a_letter_that_cannot_be_sent_waits_and_goes_out_later(site: Site, settings: Any) -> None:
    settings.POST_WAITS_S = [3600]
    register(site.lead, line("mics"))
    send_back(site, "mics")
    read(site)
    settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", 1  # tcpmux: nobody listens there
    assert post_letters() == []
    mailbox = Mailbox.objects.get()
    assert mailbox.failures == 1 and mailbox.quiet_until is not None
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
    assert post_letters() == [], "left quiet for a while"
    Mailbox.objects.update(quiet_until=timezone.now())
    assert to(post_letters()) == ["lead"]
    mailbox.refresh_from_db()
    assert (mailbox.failures, mailbox.due_at) == (0, None)


def test_a_process_killed_before_it_noted_the_letter_sends_it_again(site: Site) -> None:
    register(site.lead, line("mics"))
    send_back(site, "mics")
    read(site)
    taken = turns.take(Mailbox, Mailbox.objects.get().pk)
    assert taken
    letters.letter(taken, queries.waiting_in(taken)).send()  # … and here it ends
    assert post_letters() == [], "the turn is somebody else's"
    Mailbox.objects.update(lease_until=timezone.now() - timedelta(seconds=1))
    assert to(post_letters()) == ["lead"]


def test_whoever_lost_the_role_is_not_told_any_more(site: Site) -> None:
    register(site.lead, line("mics"))
    send_back(site, "mics")
    read(site)
    events.end_member(actor=site.coordinator, membership=Membership.objects.get(person=site.people["lead"]))
    assert post_letters() == []
    assert not Notice.objects.exists()


def test_the_page_shows_what_was_told_and_keeps_what_is_chosen(site: Site) -> None:
    browser = site.browser("lead")
    page = browser.get("/e/harbour-days/notices/").content.decode()
    assert "No notice yet" in page and "/e/harbour-days/notices/" in page
    register(site.lead, line("mics"))
    send_back(site, "mics", "which <channel>?")
    read(site)
    page = browser.get("/e/harbour-days/notices/").content.decode()
    assert "waiting" in page and "which &lt;channel&gt;?" in page
    post_letters()
    assert "✓</span> sent" in browser.get("/e/harbour-days/notices/").content.decode()
    assert "mics" not in site.browser("other").get("/e/harbour-days/notices/").content.decode()
    entries = Entry.objects.count()
    answer = browser.post("/e/harbour-days/notices/", {"wanted": ["deadline"], "pace": "daily"})
    assert answer.status_code == 302
    mailbox = Mailbox.objects.get()
    assert (mailbox.unwanted, mailbox.pace) == (["sent back", "published"], "daily")
    assert Entry.objects.count() == entries, "nobody else's business"
    assert (
        browser.post("/e/harbour-days/notices/", {"wanted": ["weather"], "pace": "never"}).status_code == 422
    )

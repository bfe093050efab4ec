"""The doors of the queue for the post. Each message carries a row's key; the row says whether there is work."""

from celery import shared_task

from apps.publishing import delivering, letters, relaying, turns


@shared_task(name=turns.READ, acks_late=True)
def read(reading: int) -> None:
    """Read an event's journal on."""
    relaying.read(reading)


@shared_task(name=turns.DELIVER, acks_late=True)
def deliver(hook: int) -> None:
    """Send what is due to a webhook's address."""
    delivering.deliver(hook)


@shared_task(name=turns.WRITE, acks_late=True)
def write(mailbox: int) -> None:
    """Send a person's letter."""
    letters.write(mailbox)

"""The states of a webhook's delivery and of a notice, and what notices speak of."""

from django.db import models


class PostState(models.TextChoices):
    WAITING = "waiting", "waiting"
    DELIVERED = "delivered", "delivered"
    GIVEN_UP = "given up", "given up"


# What a webhook is, beside its deliveries.
ON, NOT_REACHED, OFF = "on", "not reached", "off"


class NoticeTopic(models.TextChoices):
    """What people can be told of by e-mail."""

    DEADLINE = "deadline", "registration is about to close"
    SENT_BACK = "sent back", "a line of my department is sent back"
    PUBLISHED = "published", "an edition is published"

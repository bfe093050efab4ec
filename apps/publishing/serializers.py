"""The messages of webhooks as the description of the interface tells them; occurrences.py makes them."""

from typing import Any

from drf_spectacular.utils import OpenApiWebhook, extend_schema, inline_serializer
from rest_framework import serializers

from apps.publishing.occurrences import Topic


class HappenedSerializer(serializers.Serializer[Any]):
    event = serializers.CharField(help_text="the event's address")
    entry = serializers.IntegerField(help_text="number of the journal's entry; rises")
    by = serializers.CharField(help_text="who did it")
    department = serializers.CharField(allow_null=True, help_text="code; null: the whole event")


class ToldLineSerializer(serializers.Serializer[Any]):
    id = serializers.IntegerField(allow_null=True)
    external_id = serializers.CharField(allow_null=True, allow_blank=True)
    label = serializers.CharField()
    state = serializers.CharField()
    reason = serializers.CharField(allow_blank=True)


class ToldEditionSerializer(serializers.Serializer[Any]):
    number = serializers.IntegerField()
    published_at = serializers.DateTimeField()
    note = serializers.CharField(allow_blank=True)
    replaces = serializers.IntegerField(allow_null=True)
    digest = serializers.CharField()
    lines = serializers.IntegerField(help_text="how many of its lines the webhook may know")


class ToldRunSerializer(serializers.Serializer[Any]):
    number = serializers.IntegerField()
    state = serializers.CharField(help_text="done, failed or cancelled")
    carriers = serializers.IntegerField()
    placed = serializers.IntegerField(allow_null=True)
    left_out = serializers.IntegerField(allow_null=True)
    failure = serializers.CharField(allow_blank=True)


class LineHappenedSerializer(HappenedSerializer):
    registration = ToldLineSerializer()
    address = serializers.CharField(allow_null=True, help_text="where to read it")


class EditionHappenedSerializer(HappenedSerializer):
    edition = ToldEditionSerializer()
    address = serializers.CharField(help_text="where to read it")


class RunHappenedSerializer(HappenedSerializer):
    run = ToldRunSerializer()
    address = serializers.CharField(help_text="where to read it")


class ReportHappenedSerializer(HappenedSerializer):
    report = serializers.CharField(help_text="what the journal calls it")


SIGNED = (
    "Signed as https://www.standardwebhooks.com/ has it, in the headers `webhook-id` (the same in every attempt), "
    "`webhook-timestamp` and `webhook-signature`. Any answer of 2xx takes the message; otherwise it comes again, for days; "
    "those of one registration, of the editions and of the runs come in order. 410 ends the webhook."
)


def _signed(data: serializers.Serializer[Any]) -> serializers.Serializer[Any]:
    fields: dict[str, serializers.Field[Any, Any, Any, Any]] = {
        "type": serializers.CharField(),
        "timestamp": serializers.DateTimeField(help_text="when it happened"),
        "data": data,
    }
    return inline_serializer(type(data).__name__.removesuffix("Serializer") + "Message", fields)


def _message(topic: Topic, content: serializers.Serializer[Any]) -> OpenApiWebhook:
    words = str(topic.label).capitalize()
    told = extend_schema(request=content, responses={204: None}, summary=words, description=SIGNED)
    return OpenApiWebhook(name=topic.value, decorator=told)


_line = _signed(LineHappenedSerializer())
ACCEPTED, SENT_BACK = _message(Topic.ACCEPTED, _line), _message(Topic.SENT_BACK, _line)
PUBLISHED = _message(Topic.PUBLISHED, _signed(EditionHappenedSerializer()))
REPORTED = _message(Topic.REPORTED, _signed(ReportHappenedSerializer()))
RUN_ENDED = _message(Topic.RUN_ENDED, _signed(RunHappenedSerializer()))

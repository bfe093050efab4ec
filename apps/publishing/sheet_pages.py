"""Sheets on screen: per department, zone and device, and the live page behind the QR code."""

from django.http import Http404, HttpRequest, HttpResponse
from django.views import View


class LivePage(View):
    """What a unit's QR code opens."""

    def get(self, request: HttpRequest, key: str) -> HttpResponse:
        raise Http404

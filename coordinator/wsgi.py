"""The door for web servers."""

import os

from django.core.wsgi import get_wsgi_application
from django.urls import get_resolver

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "coordinator.settings")
application = get_wsgi_application()
get_resolver().url_patterns  # noqa: B018 - once before the workers fork, not at the first request of each

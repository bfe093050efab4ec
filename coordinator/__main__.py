"""`python -m coordinator <command>`: what other projects call manage.py."""

import os
import sys

from django.core.management import execute_from_command_line

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "coordinator.settings")
# Django repeats argv[0] in its messages and in the auto-reloader.
sys.argv[0] = "coordinator"
execute_from_command_line(sys.argv)

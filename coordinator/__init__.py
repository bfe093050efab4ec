"""The Django project: settings, addresses, queue, system checks, commands. Wiring, no behaviour."""

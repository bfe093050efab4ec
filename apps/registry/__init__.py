"""Kinds of device, registrations, their carriers and units, imports and exports."""

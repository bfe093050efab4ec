"""The apps of the service, lowest layer first: radio, solver, common, journal, events, spectrum,
registry, planning, publishing, onsite, overview. Each imports those before it, never those after."""

"""Framework-free frequency assignment: problem, load maps, search, repair, bound, explanation, verification."""

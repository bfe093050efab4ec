"""Snapshots, runs, the plan: assignments, manual changes, approval, locks, verdicts."""

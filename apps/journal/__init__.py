"""Who did what, when and why, with exact old and new values. Append-only."""

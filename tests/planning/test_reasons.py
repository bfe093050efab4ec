"""Causes of being left out as people read them."""

from apps.planning.reasons import cause_in_words


def test_causes_name_whom_and_how_much() -> None:
    cases = [
        ({"cause": "separation", "carrier": "AUD-001", "share": 0.5}, "too near to AUD-001 (50% of what it can tune)"),
        (
            {"cause": "product", "family": "2A-B", "carriers": ["A-1", "B-1"], "share": 0.25},
            "intermodulation 2A−B with A-1 and B-1 (25% of what it can tune)",
        ),
        (
            {"cause": "product", "family": "2A-B", "carriers": ["A-1", "B-1", "C-1"], "share": 0.25},
            "intermodulation 2A−B with some of A-1, B-1 and C-1 (25% of what it can tune)",
        ),
        ({"cause": "blocked", "blocked": "channel 30", "share": 0.1}, "occupied range channel 30 (10% of what it can tune)"),
        ({"cause": "product", "share": 0.2}, "intermodulation with several others (20% of what it can tune)"),
        ({"cause": "weather", "share": 1}, "weather (100% of what it can tune)"),
    ]  # fmt: skip
    for cause, words in cases:
        assert cause_in_words(cause) == words

"""When to change batteries: fresh cells at switch-on, then before they run out, with a margin."""

from datetime import datetime, timedelta

MARGIN = 0.2  # of the rated running time, for cold, age and a late set; common practice, no source


def changes(
    starts_at: datetime, ends_at: datetime, running_h: float, margin: float = MARGIN
) -> tuple[datetime, ...]:
    """The moments at which cells are changed: at switch-on, then every rated time less the margin until switch-off."""
    if running_h <= 0 or not 0 <= margin < 1:
        raise ValueError("running time must be above 0 and the margin between 0 and 1")
    step = timedelta(hours=running_h * (1 - margin))
    count = max(1, -(-(ends_at - starts_at) // step))
    return tuple(starts_at + step * number for number in range(count))


def interval_h(running_h: float, margin: float = MARGIN) -> float:
    """For what is on all day: hours between changes."""
    return running_h * (1 - margin)

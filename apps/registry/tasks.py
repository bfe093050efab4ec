"""The doors of the queue: a message carries an upload's number and nothing else."""

from celery import shared_task

from apps.registry.uploads import carry_out


@shared_task(name="registry.save_upload", acks_late=True)
def save_upload(upload_id: int) -> None:
    """Save a long list; a second message for the same list finds nothing to do."""
    carry_out(upload_id)

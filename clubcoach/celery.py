import os
from typing import Any

from celery import Celery
from celery.signals import worker_ready

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clubcoach.settings")

app = Celery("clubcoach")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks(["clubcoach"], related_name="jobs")


@worker_ready.connect
def sweep_at_start(**_signal: Any) -> None:
    """What a killed worker left is looked for when its successor starts, not only at the next full minute."""
    from clubcoach.jobs import sweep

    sweep.delay()

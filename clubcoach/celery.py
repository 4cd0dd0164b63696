import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clubcoach.settings")

app = Celery("clubcoach")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks(["clubcoach"], related_name="jobs")

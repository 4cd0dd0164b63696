"""A Celery app with one more handler: it writes its effect, and takes its time before it commits."""

import time

from clubcoach.celery import app

__all__ = ["app"]


@app.on_after_finalize.connect
def register(**_signal):
    from clubcoach import jobs

    def slow(work):
        from clubcoach.models import AuditEvent

        with work.finish():
            AuditEvent.objects.create(action="effect", target_type="t", target_id=str(work.job.pk))
            time.sleep(float(work.args["seconds"]) if work.job.attempt == 1 else 0)

    jobs.HANDLERS["test.slow"] = slow

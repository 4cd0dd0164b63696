"""Bringing data in and taking them out: what people ask for. The work itself is done by jobs."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from smtplib import SMTPException
from typing import Any
from uuid import uuid4

import structlog
from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.mail import send_mail
from django.db import IntegrityError, transaction
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone, translation
from django.utils.translation import gettext as _

from clubcoach import audit
from clubcoach.access import Can, Role, viewer_of
from clubcoach.jobs import enqueue, stop
from clubcoach.models import Club, Job, User
from reports.exchange import shelf
from reports.models import Batch, Parcel

log = structlog.get_logger(__name__)
PARCEL_DAYS = 7
# Files of so many imports at most wait at a time; each may be as large as a film.
MOST_WAITING = 10
AT_WORK = (Job.State.WAITING, Job.State.RUNNING)


def bring_in(
    *,
    by: User,
    club: Club,
    uploads: Sequence[Any] = (),
    folder: Path | None = None,
    kind: Any = Batch.Kind.FOLDER,
) -> Batch:
    """Keep what arrived, or what lies in a folder of this machine, and have it read."""
    viewer_of(by, club).must(Can.MOVE_DATA)
    waiting = Batch.objects.filter(club=club, state__in=[Batch.State.ARRIVED, Batch.State.READ])
    if waiting.count() >= MOST_WAITING:
        raise ValidationError(
            _("%(n)d imports wait here already. Write some of them or throw them away first.")
            % {"n": MOST_WAITING}
        )
    batch = Batch(uuid=uuid4(), club=club, by=by, kind=kind)
    batch.folder = str(batch.uuid)
    into = shelf.place(batch.folder)
    if folder is not None:
        shelf.copy_folder(folder, into)
        batch.name = folder.name[:200] or str(folder)[:200]
    else:
        batch.kind, batch.name = shelf.keep(uploads, into, kind)
    try:
        with transaction.atomic():
            batch.save()
            audit.record(by=by, club=club, action="data.arrived", target=batch)
            _set_to_work(batch, "import.read", by)
    except BaseException:
        shelf.remove(into)
        raise
    return batch


def write_batch(*, by: User, batch: Batch) -> Batch:
    """Have what was read written. It is read once more then, since the club goes on meanwhile."""
    viewer_of(by, batch.club).must(Can.MOVE_DATA)
    try:
        with transaction.atomic():
            # Two clicks at once both come this far; only one of them changes the row.
            mine = Batch.objects.filter(pk=batch.pk, state=Batch.State.READ)
            if not mine.update(state=Batch.State.WRITING):
                raise ValidationError(_("Only what was read and not written yet can be written."))
            audit.record(by=by, club=batch.club, action="data.write_asked", target=batch)
            _set_to_work(batch, "import.write", by)
    except IntegrityError:
        raise ValidationError(
            _("Another import of this club is being written. Wait until it is done.")
        ) from None
    batch.refresh_from_db()
    return batch


@transaction.atomic
def drop_batch(*, by: User, batch: Batch, now: datetime | None = None) -> Batch:
    """Throw an import away that is not in place yet; what was written of it is swept."""
    viewer_of(by, batch.club).must(Can.MOVE_DATA)
    if batch.job is not None:
        # The job's row first, as the job itself does when it ends: then one of the two sees the other's end.
        stop(batch.job)
    batch.refresh_from_db()
    audit.record(by=by, club=batch.club, action="data.dropped", target=batch)
    if batch.state == Batch.State.WRITING:
        enqueue("import.sweep", key="import.sweep")
        return batch
    left = Batch.objects.filter(pk=batch.pk, state__in=[Batch.State.ARRIVED, Batch.State.READ])
    if not left.update(
        state=Batch.State.GONE,
        folder="",
        remarks=[_("It was thrown away; nothing of it was written.")],
        ended_at=now or timezone.now(),
    ):
        raise ValidationError(_("This import is over: there is nothing left to throw away."))
    forget_files(batch)
    batch.refresh_from_db()
    return batch


def forget_files(batch: Batch) -> None:
    """Once it is certain that nobody needs them."""
    if batch.folder:
        path = shelf.place(batch.folder)
        transaction.on_commit(lambda: shelf.remove(path))


def take_out(*, by: User, club: Club, kind: str, now: datetime | None = None) -> Parcel:
    """Have a file made of the club's data. That it was asked for is on record, and the managers hear of it."""
    viewer_of(by, club).must(Can.MOVE_DATA)
    moment = now or timezone.now()
    with transaction.atomic():
        # Everybody who asks passes this row, so that two do not both find nothing at work.
        Club.objects.select_for_update(no_key=True).get(pk=club.pk)
        if Parcel.objects.filter(club=club, kind=kind, file="", job__state__in=AT_WORK).exists():
            raise ValidationError(_("Such a file is being made already. It is in the list in a moment."))
        parcel = Parcel.objects.create(
            club=club,
            by=by,
            kind=kind,
            created_at=moment,
            expires_at=moment + timedelta(days=PARCEL_DAYS),
        )
        audit.record(by=by, club=club, action="data.taken_out", target=parcel)
        parcel.job = enqueue("export.make", club=club, by=by, key=str(parcel.uuid), parcel=parcel.pk)
        parcel.save(update_fields=["job"])
        transaction.on_commit(lambda: _tell_managers(parcel))
    return parcel


def _set_to_work(batch: Batch, kind: str, by: User) -> None:
    batch.job = enqueue(kind, club=batch.club, by=by, key=str(batch.uuid), batch=batch.pk)
    batch.save(update_fields=["job"])


def _tell_managers(parcel: Parcel) -> None:
    managers = User.objects.filter(
        is_active=True, memberships__club=parcel.club, memberships__role=Role.MANAGER
    ).distinct()
    values = {
        "parcel": parcel,
        "club": parcel.club,
        "by": parcel.by,
        "link": settings.SITE_URL + reverse("data", args=[parcel.club.slug]),
    }
    for manager in managers.order_by("pk"):
        with translation.override(manager.language):
            subject = " ".join(render_to_string("reports/mail/taken_out_subject.txt", values).split())
            text = render_to_string("reports/mail/taken_out.txt", values)
        try:
            send_mail(subject, text, None, [manager.email])
        except (OSError, SMTPException) as error:
            # The export goes on: that it was asked for stands in the audit trail and on the page.
            log.warning("parcel.not_told", parcel=parcel.pk, error=type(error).__name__)

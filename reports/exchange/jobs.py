"""Reading, writing and making in the background, and clearing away what is over."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import structlog
from django.db import IntegrityError, transaction
from django.db.models import Q
from django.utils import timezone, translation
from django.utils.translation import gettext as _

from clubcoach import audit
from clubcoach.jobs import CannotWork, Work, handles
from clubcoach.models import Job, User
from reports.exchange import shelf
from reports.exchange.columns import PLAYERS
from reports.exchange.folder import read_folder, unpack
from reports.exchange.out import write_folder, zip_folder
from reports.exchange.plan import Plan, make_plan
from reports.exchange.problems import Problems
from reports.exchange.roster_in import make_roster_plan, read_roster
from reports.exchange.scores import write_scores
from reports.exchange.services import AT_WORK, forget_files
from reports.exchange.switch import sweep, switch_over
from reports.exchange.tables import Table, Tables
from reports.exchange.workbook import name_sheets, read_workbook
from reports.exchange.write import write
from reports.jobs import KEPT, ask_for_fit
from reports.models import Batch, BatchQuerySet, Parcel

log = structlog.get_logger(__name__)

# What arrived and waits, and what was wrong with it, carry names of people.
FILES_DAYS, WORDS_DAYS = 30, 60
_READ, _PLANNED = 60, 70


@handles("import.read")
def read_batch(work: Work) -> None:
    """Say what would be written and what is wrong, and write nothing."""
    batch = _batch_of(work, Batch.State.ARRIVED)
    with spoken(work):
        plan, problems = _planned(work, batch)
        with work.finish():
            if plan is None or problems:
                _refuse(batch, problems)
            elif plan.empty:
                _end_without_writing(batch, plan)
            else:
                _told(batch, state=Batch.State.READ, counts=plan.counts, remarks=_sentences(plan))


@handles("import.write")
def write_batch(work: Work) -> None:
    """Read once more, write where nobody sees it, and put it in place together with the end of the job."""
    batch = _batch_of(work, Batch.State.WRITING)
    with spoken(work):
        # What an attempt before this one left.
        sweep(batch, work.tell)
        plan, problems = _planned(work, batch)
        if plan is None or problems or plan.empty:
            with work.finish():
                if plan is None or problems:
                    _refuse(batch, problems)
                else:
                    _end_without_writing(batch, plan)
            return
        write(batch, plan, lambda done, note: work.tell(_PLANNED + done * (95 - _PLANNED) // 100, note))
        work.tell(95, _("Putting it in place"))
        try:
            with work.finish():
                switch_over(batch, plan)
                _told(batch, folder="", remarks=_sentences(plan))
                forget_files(batch)
                ask_for_fit(batch.club)
        except CannotWork as reason:
            sweep(batch)
            _gone(Batch.objects.filter(pk=batch.pk), batch, [str(reason)])
            raise


def _planned(work: Work, batch: Batch) -> tuple[Plan | None, Problems]:
    """What would be written; None where the files could not be read without a problem."""
    problems = Problems()
    box = shelf.place(batch.folder) if batch.folder else None
    if box is None or not box.is_dir():
        raise CannotWork(_("The files are not here any more. Bring them in again."))
    if batch.by is None:
        raise CannotWork(_("Whoever brought this in has no account any more. Bring it in again."))
    work.tell(0, _("Reading"))
    roster = _roster(box, problems) if batch.kind == Batch.Kind.ROSTER else None
    tables = _tables(work, box, problems) if roster is None else Tables()
    if problems:
        # Rows that could not be read are missing in the tables: whatever names them would seem wrong as well.
        return None, problems
    work.tell(_READ, _("Comparing with what is there"))
    if roster is not None:
        plan = make_roster_plan(club=batch.club, by=batch.by, table=roster, problems=problems)
    else:
        plan = make_plan(
            club=batch.club,
            by=batch.by,
            tables=tables,
            problems=problems,
            tell=lambda: work.tell(_READ, _("Comparing with what is there")),
        )
        name_sheets(problems, tables)
    work.tell(_PLANNED, _("Compared with what is there"))
    return plan, problems


def _roster(box: Path, problems: Problems) -> Table:
    book = box / shelf.WORKBOOK
    return read_roster(book if book.exists() else box / shelf.FOLDER / PLAYERS.name, problems)


def _tables(work: Work, box: Path, problems: Problems) -> Tables:
    if (box / shelf.WORKBOOK).exists():
        return read_workbook(box / shelf.WORKBOOK, problems)
    if not (box / shelf.ARCHIVE).exists():
        return _folder_tables(work, box / shelf.FOLDER, problems)
    # A folder of its own for each attempt: two workers may believe in one job.
    opened = box / f"open-{work.job.pk}-{work.job.attempt}"
    shelf.remove(opened)
    opened.mkdir()
    try:
        if not unpack(box / shelf.ARCHIVE, opened, problems):
            return Tables()
        return _folder_tables(work, opened, problems)
    finally:
        shelf.remove(opened)


def _folder_tables(work: Work, folder: Path, problems: Problems) -> Tables:
    return read_folder(folder, problems, lambda done, note: work.tell(done * _READ // 100, note))


def _batch_of(work: Work, state: Any) -> Batch:
    batch = (
        Batch.objects.select_related("club", "by", "holding")
        .filter(pk=work.args["batch"], state=state)
        .first()
    )
    if batch is None:
        raise CannotWork(_("This import is over."))
    return batch


def _refuse(batch: Batch, problems: Problems) -> None:
    _told(
        batch,
        state=Batch.State.REFUSED,
        counts={},
        problems=problems.as_rows(),
        problem_count=problems.count,
        remarks=[],
        folder="",
        ended_at=timezone.now(),
    )
    forget_files(batch)


def _end_without_writing(batch: Batch, plan: Plan) -> None:
    there = _("Everything in it was here already: nothing was written.")
    said = there if plan.counts else _("There is no row in it: nothing was written.")
    _told(
        batch,
        state=Batch.State.DONE,
        counts=plan.counts,
        remarks=[said, *_sentences(plan)],
        folder="",
        ended_at=timezone.now(),
    )
    forget_files(batch)


def _told(batch: Batch, **fields: Any) -> None:
    Batch.objects.filter(pk=batch.pk).update(**fields)


def _sentences(plan: Plan) -> list[str]:
    return [str(remark) for remark in plan.remarks]


@contextmanager
def spoken(work: Work) -> Iterator[None]:
    """What is kept as a sentence is kept in the language of the person who asked."""
    asked: User | None = work.job.asked_by
    with translation.override(asked.language if asked else None):
        yield


@handles("export.make")
def make_parcel(work: Work) -> None:
    parcel = Parcel.objects.select_related("club").filter(pk=work.args["parcel"], file="").first()
    if parcel is None:
        raise CannotWork(_("This file was made already."))
    name = f"{parcel.uuid}/{work.job.attempt}"
    box = shelf.place(name)
    # An attempt with this number may have been killed here.
    shelf.remove(box)
    box.mkdir(parents=True)
    try:
        with spoken(work):
            file, counts = (_folder if parcel.kind == Parcel.Kind.CLUB else _scores)(work, parcel, box)
            with work.finish():
                Parcel.objects.filter(pk=parcel.pk).update(
                    file=f"{name}/{file.name}", size=file.stat().st_size, counts=counts
                )
    except BaseException:
        shelf.remove(box)
        raise


def _folder(work: Work, parcel: Parcel, box: Path) -> tuple[Path, dict[str, int]]:
    folder, file = box / shelf.FOLDER, box / f"{_file_name(parcel)}.zip"
    counts = write_folder(parcel.club, folder, lambda done, note: work.tell(done * 80 // 100, note))
    work.tell(80, _("Packing"))
    zip_folder(folder, file)
    shelf.remove(folder)
    return file, counts


def _scores(work: Work, parcel: Parcel, box: Path) -> tuple[Path, dict[str, int]]:
    file = box / f"{_file_name(parcel)}-scores.csv"
    work.tell(10, _("Writing the scores"))
    with file.open("w", encoding="utf-8", newline="") as text:
        return file, {"scores": write_scores(parcel.club, text)}


def _file_name(parcel: Parcel) -> str:
    return f"{parcel.club.slug}-{parcel.club.day_of(parcel.created_at).isoformat()}"


@handles("import.sweep", every=timedelta(minutes=5))
def sweep_up(work: Work) -> None:
    """Take away what imports left that nobody is at work on any more, and what has lain here long enough."""
    now = timezone.now()
    for batch in _left_alone():
        work.tell(10, _("Taking away what an import left"))
        try:
            sweep(batch, work.tell)
        except IntegrityError:
            # A worker that does not know yet that it is over wrote one more piece; the next round takes it.
            log.warning("batch.not_swept", batch=batch.pk)
        else:
            with transaction.atomic():
                _end_of(batch)
    _forget_old(now)
    with work.finish():
        # A row each time would be a hundred thousand a year.
        Job.objects.filter(kind=work.job.kind, state=Job.State.DONE, created_at__lt=now - KEPT).delete()


def _left_alone() -> list[Batch]:
    """Imports that no job will bring to an end; a job that may still begin or go on is not disturbed."""
    alone = Batch.objects.alive().exclude(job__state__in=AT_WORK)
    # The holding club of one that is over: its worker was alive while others believed it was not.
    left = Batch.objects.filter(holding__isnull=False).exclude(job__state__in=AT_WORK)
    return list((alone | left).distinct().select_related("holding", "job"))


def _end_of(batch: Batch) -> None:
    said = _("It came to no end and was swept away: nothing of it is in the club. Bring it in again.")
    reason = batch.job.note if batch.job and batch.job.state == Job.State.FAILED else ""
    # One that was put in place a moment ago is not gone: its job is over, and its state says so.
    alone = Batch.objects.alive().filter(pk=batch.pk).exclude(job__state__in=AT_WORK)
    _gone(alone, batch, [said, *([reason] if reason else [])])


def _gone(rows: BatchQuerySet, batch: Batch, said: list[str]) -> None:
    if rows.update(state=Batch.State.GONE, remarks=said, folder="", ended_at=timezone.now()):
        forget_files(batch)
        audit.record(by=None, club=batch.club, action="data.swept", target=batch)


def _forget_old(now: datetime) -> None:
    old = Q(created_at__lt=now - timedelta(days=FILES_DAYS))
    for batch in Batch.objects.filter(old, state=Batch.State.READ):
        said = _("It waited for %(n)d days and nobody wrote it. Bring it in again.") % {"n": FILES_DAYS}
        with transaction.atomic():
            _gone(Batch.objects.filter(pk=batch.pk, state=Batch.State.READ), batch, [said])
    Batch.objects.filter(created_at__lt=now - timedelta(days=WORDS_DAYS)).exclude(name="").update(
        name="", problems=[], remarks=[]
    )
    for parcel in Parcel.objects.filter(expires_at__lte=now).exclude(file=""):
        Parcel.objects.filter(pk=parcel.pk).update(file="")
        shelf.remove(shelf.place(parcel.uuid))
    known = {str(row) for row in Batch.objects.exclude(folder="").values_list("uuid", flat=True)}
    known |= {str(row) for row in Parcel.objects.filter(expires_at__gt=now).values_list("uuid", flat=True)}
    for path in shelf.forgotten(now - timedelta(days=1), known):
        shelf.remove(path)

"""What a person may do with an analysis, and why not: the page's buttons and the services ask the same rules."""

from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import Any
from uuid import UUID

from django.core.exceptions import ValidationError
from django.db.models import Max
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from clubcoach.access import ALLOWED, Answer, Can, Refusal, Viewer, insist
from sessions.models import Analysis, Op
from sessions.models.analyses import has_stake

State = Analysis.State
# The largest number that an operation can have; a larger one is no number of a device of ours.
MOST_OPS = 2**31 - 1
STAKE = gettext_lazy("You or your family played in this match, so somebody else looks at it.")
NOT_YOURS = gettext_lazy("Only the analyst hands it in.")
NOT_YOUR_HUNCHES = gettext_lazy("Only the analyst writes hunches.")


@dataclass(frozen=True)
class NotNow(Refusal):
    """The person might, but not in the state in which it is: an error of input, not of rights."""


def hold(answer: Answer) -> None:
    """Raise what an answer refuses: 403 for who may not, a sentence on the page for what cannot be now."""
    if isinstance(answer, NotNow):
        raise ValidationError(str(answer.reason))
    insist(answer)


class Standing:
    """One person before one analysis."""

    def __init__(self, viewer: Viewer, analysis: Analysis) -> None:
        self.viewer = viewer
        self.analysis = analysis

    @cached_property
    def mine(self) -> bool:
        analyst = self.analysis.analyst
        return analyst is not None and analyst.user_id == self.viewer.user.pk

    @cached_property
    def untouched(self) -> Answer:
        """Nobody judges a match that they or their family played in."""
        return Refusal(STAKE) if has_stake(self.viewer.user, self.analysis.match) else ALLOWED

    @cached_property
    def reviewer(self) -> Answer:
        right = self.viewer.can(Can.REVIEW)
        return right and self.untouched

    def _in(self, *states: Any, sentence: Any) -> Answer:
        return ALLOWED if self.analysis.state in states else NotNow(sentence)

    def assign(self) -> Answer:
        return self.viewer.can(Can.REQUEST_ANALYSIS) and self._in(
            State.REQUESTED,
            State.ASSIGNED,
            State.IN_PROGRESS,
            State.RETURNED,
            sentence=_("It is %(state)s: nobody can be given it any more.") % self._state,
        )

    def submit(self) -> Answer:
        if not self.mine:
            return Refusal(NOT_YOURS)
        return self.untouched and self._in(
            *Analysis.WRITABLE, sentence=_("It is %(state)s: it cannot be handed in.") % self._state
        )

    def first_look(self) -> Answer:
        if not self.mine:
            return Refusal(NOT_YOUR_HUNCHES)
        return self.untouched and self._in(
            *Analysis.WRITABLE, sentence=_("It is %(state)s: no hunch can be written any more.") % self._state
        )

    def send_back(self) -> Answer:
        return self.reviewer and self._in(
            State.SUBMITTED,
            sentence=_("It is %(state)s: only a submitted analysis can be returned.") % self._state,
        )

    def publish(self) -> Answer:
        # A coach alone publishes her own in one step; what somebody else analyses has to be handed in first.
        own = Analysis.WRITABLE if self.mine else ()
        return self.reviewer and self._in(
            State.SUBMITTED,
            *own,
            sentence=_("It is %(state)s: only a submitted analysis can be published.") % self._state,
        )

    def cancel(self) -> Answer:
        return self.viewer.can(Can.REVIEW) and self._in(
            *Analysis.OPEN, sentence=_("It is %(state)s: there is nothing left to cancel.") % self._state
        )

    def withdraw(self) -> Answer:
        return self.reviewer and self._in(
            State.PUBLISHED,
            sentence=_("It is %(state)s: only a published analysis can be withdrawn.") % self._state,
        )

    def new_version(self) -> Answer:
        able = self.reviewer and self._in(
            State.PUBLISHED,
            State.WITHDRAWN,
            sentence=_("It is %(state)s: only what was published gets a new version.") % self._state,
        )
        if able and Analysis.objects.filter(supersedes=self.analysis.pk).exists():
            return NotNow(_("There is a newer version already. Correct that one."))
        return able

    def words(self) -> Answer:
        return self.reviewer and self._in(
            *Analysis.OPEN, State.PUBLISHED, sentence=_("It is %(state)s: nobody reads it.") % self._state
        )

    @property
    def _state(self) -> dict[str, Any]:
        return {"state": self.analysis.get_state_display()}


def lock(analysis: Analysis) -> None:
    """Take the rows that writing marks takes too, so that no mark slips in behind a step, and read them again."""
    rows = Analysis.objects.select_for_update(of=("self", "match")).select_related("match")
    analysis.refresh_from_db(from_queryset=rows)


def move(analysis: Analysis, states: tuple[Any, ...], **fields: Any) -> None:
    """Change it if it still is in one of the states: where there are no row locks, the second of two loses here."""
    if not Analysis.objects.filter(pk=analysis.pk, state__in=states).update(**fields):
        raise ValidationError(_("Somebody changed this analysis a moment ago. Reload the page."))
    for name, value in fields.items():
        setattr(analysis, name, value)


def all_arrived(analysis: Analysis, devices: Any) -> None:
    """Refuse while a device has operations that are not here; what it says is its last number."""
    arrived = {
        str(device): last
        for device, last in Op.objects.filter(analysis=analysis)
        .order_by()
        .values_list("device")
        .annotate(Max("seq"))
    }
    missing = sum(max(0, last - arrived.get(device, 0)) for device, last in _read_devices(devices).items())
    if missing:
        raise ValidationError(
            {
                "devices": ngettext(
                    "%(n)d mark has not arrived from your device yet. Stay online until it has, then try again.",
                    "%(n)d marks have not arrived from your device yet. Stay online until they have, then try again.",
                    missing,
                )
                % {"n": missing}
            }
        )


def _read_devices(devices: Any) -> dict[str, int]:
    wrong = ValidationError({"devices": _("Say for each device the number of its last operation.")})
    if not isinstance(devices, dict):
        raise wrong
    read = {}
    for device, last in devices.items():
        if isinstance(last, bool) or not isinstance(last, int) or not 0 <= last <= MOST_OPS:
            raise wrong
        try:
            read[str(UUID(str(device)))] = last
        except ValueError:
            raise wrong from None
    return read


def long_enough(field: str, text: str, most: int) -> str:
    """The text without blank ends, refused when the page could not hold it."""
    plain = text.strip()
    if len(plain) > most:
        raise ValidationError(
            {field: _("This has %(n)d characters; %(most)d are the most.") % {"n": len(plain), "most": most}}
        )
    return plain


def in_time(now: datetime | None) -> datetime:
    """The moment a step is taken at: given by a test or an import, else this one."""
    return now or timezone.now()

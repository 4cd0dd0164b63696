from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from clubcoach.access import Can, club_view
from players import services
from players.consent import BY_GUARDIAN, BY_PLAYER, consent_state
from players.forms import ConsentForm, PaperConsentForm, tell
from players.models import FilmConsent, Guardianship, Player, own_player_ids
from players.services.consent import is_own
from players.views.people import player_here


@require_http_methods(["GET", "POST"])
@club_view(Can.OWN_PADEL)
def consent(request: Any, player: UUID) -> HttpResponse:
    """The player and each guardian say yes, or no, for themselves."""
    mine = Player.objects.filter(pk__in=own_player_ids(request.viewer)).with_level()
    row = get_object_or_404(mine, uuid=player)
    as_ = BY_PLAYER if is_own(request.user, row) else BY_GUARDIAN
    here = redirect("consent", slug=request.club.slug, player=row.uuid)
    if request.method == "POST" and "withdraw" in request.POST:
        services.withdraw_consent(by=request.user, player=row)
        messages.success(request, _("The consent has ended. No film with this player is shown from now on."))
        return here
    ask_age = as_ == BY_PLAYER and row.born_on is None
    form = ConsentForm(request.POST or None, club=request.club, ask_age=ask_age)
    if request.method == "POST" and form.is_valid():
        try:
            services.give_consent(by=request.user, player=row, as_=as_, **form.cleaned_data)
        except ValidationError as error:
            tell(form, error)
        else:
            messages.success(request, _("Your consent is kept. You can take it back here at any time."))
            return here
    return _page(request, row, form, "players/consent.html", as_)


@require_http_methods(["GET", "POST"])
@club_view(Can.EDIT_ROSTER)
def consent_paper(request: Any, player: UUID) -> HttpResponse:
    """A signed form, written down; a word that takes it back is written down on the same page."""
    row = player_here(request.viewer, player)
    there = redirect("player", slug=request.club.slug, player=row.uuid)
    if request.method == "POST" and "withdraw" in request.POST:
        services.withdraw_consent(by=request.user, player=row, way=str(FilmConsent.Way.PAPER))
        messages.success(request, _("The consent has ended. No film with this player is shown from now on."))
        return there
    form = PaperConsentForm(request.POST or None, club=request.club)
    signers = [by for by in FilmConsent.By.choices if by[0] == BY_PLAYER or row.is_minor()]
    form.fields["as_"].choices = signers  # type: ignore[attr-defined]
    if request.method == "POST" and form.is_valid():
        try:
            services.give_consent(
                by=request.user, player=row, way=str(FilmConsent.Way.PAPER), **form.cleaned_data
            )
        except ValidationError as error:
            tell(form, error)
        else:
            messages.success(request, _("The consent on paper is written down."))
            return there
    return _page(request, row, form, "players/consent_paper.html", "")


def _page(request: Any, row: Player, form: Any, template: str, as_: str) -> HttpResponse:
    today = request.club.today()
    state = consent_state(row, today)
    minor = row.is_minor(today)
    context = {
        "player": row,
        "form": form,
        "as_player": as_ == BY_PLAYER,
        "own": next((given for given in state.given if given.by == as_), None),
        "state": state,
        "both": BY_GUARDIAN in state.needed,
        "unguarded": minor
        and BY_GUARDIAN not in {given.by for given in state.given}
        and not Guardianship.objects.filter(player=row).exists(),
        "history": row.film_consents.select_related("given_by").order_by("-given_at", "-pk"),
        "today": today,
    }
    return render(request, template, context, status=422 if form.is_bound and form.errors else 200)

"""The keys of the sheet: a person's own, on a page, and from the sheet itself."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponseBase, JsonResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_http_methods

from clubcoach.access import Can, club_view
from players.forms import tell
from sessions import sheet_keys as keys


class KeyForm(forms.Form):
    act = forms.ChoiceField(label=gettext_lazy("What the key does"))
    code = forms.ChoiceField(label=gettext_lazy("Key"), required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["act"].choices = [(act.name, act.words) for act in keys.ACTS]  # type: ignore[attr-defined]
        places = [(code, place["words"]) for code, place in keys.places().items()]
        self.fields["code"].choices = [("", _("the usual one")), *places]  # type: ignore[attr-defined]


@require_http_methods(["GET", "POST"])
@club_view(Can.CODE, Can.REVIEW)
def sheet_keys(request: Any) -> HttpResponseBase:
    """Nobody else's: what is read and written are the keys of whoever asks."""
    if request.method == "GET":
        return _page(request, KeyForm())
    scripted = request.get_preferred_type(["text/html", "application/json"]) == "application/json"
    form = KeyForm(request.POST)
    try:
        now = _change(request)
    except ValidationError as error:
        if scripted:
            return JsonResponse({"message": " ".join(error.messages)}, status=422)
        form.is_valid()
        tell(form, error)
        return _page(request, form, status=422)
    if scripted:
        return JsonResponse({"keys": now})
    messages.success(request, _("Your keys are saved."))
    return redirect("sheet_keys", slug=request.club.slug)


def _change(request: Any) -> dict[str, str]:
    sent = request.POST
    if sent.get("all") == "usual":
        return keys.set_usual(user=request.user)
    return keys.set_key(
        user=request.user,
        act=sent.get("act", "")[:40],
        code=sent.get("code", "")[:40],
        printed=sent.get("printed", "")[:1],
    )


def _page(request: Any, form: KeyForm, status: int = 200) -> HttpResponseBase:
    own, places, letters = keys.keys_of(request.user), keys.places(), keys.letters_of(request.user)
    rows = [
        {
            "act": act,
            "words": places[own[act.name]]["words"],
            "own": own[act.name] != act.usual,
            # An area may have been given this letter since: on the sheet the area has it.
            "area": letters.get(own[act.name].removeprefix("Key"), ""),
        }
        for act in keys.ACTS
    ]
    context = {"form": form, "rows": rows, "changed": any(row["own"] for row in rows)}
    return render(request, "sessions/sheet_keys.html", context, status=status)

"""What people type; the rules are in the services, whose refusals are shown at the fields."""

from typing import Any

from django import forms
from django.conf import settings
from django.contrib.auth.password_validation import password_validators_help_text_html
from django.core.exceptions import ValidationError
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from clubcoach.access import Role
from clubcoach.models import Club
from players.models import Area, Level, Player, Side, Squad, Unit
from players.models.people import years_after


class LanguageField(forms.ChoiceField):
    """Asked only where there is a choice."""

    def __init__(self, **kwargs: Any) -> None:
        one = len(settings.LANGUAGES) == 1
        if one:
            kwargs.update(initial=settings.LANGUAGES[0][0], required=False)
        super().__init__(
            choices=settings.LANGUAGES, widget=forms.HiddenInput if one else forms.Select, **kwargs
        )


class DayInput(forms.DateInput):
    input_type = "date"

    def __init__(self, **kwargs: Any) -> None:
        # A browser's date field takes this form only, whatever the language.
        super().__init__(format="%Y-%m-%d", **kwargs)


def tell(form: forms.Form, error: ValidationError) -> None:
    """Put a service's refusal at the fields it names, or above the form."""
    if not hasattr(error, "error_dict"):
        form.add_error(None, error)
        return
    for name, errors in error.error_dict.items():
        form.add_error(name if name in form.fields else None, errors)


class RosterFilter(forms.Form):
    name = forms.CharField(label=_("Name"), max_length=80, required=False)
    level = forms.ModelChoiceField(
        label=_("Level"), queryset=Level.objects.none(), required=False, empty_label=_("all levels")
    )
    squad = forms.ModelChoiceField(
        label=_("Squad"), queryset=Squad.objects.none(), required=False, empty_label=_("all squads")
    )
    lack = forms.ChoiceField(
        label=_("What is missing"),
        required=False,
        choices=[
            ("", _("everybody")),
            ("level", _("without a level")),
            ("guardian", _("a minor without a guardian")),
            ("consent", _("without consent to be filmed")),
        ],
    )
    left = forms.BooleanField(label=_("also who left"), required=False)

    def __init__(self, *args: Any, club: Club, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        _choose(self, "level", Level.objects.filter(club=club))
        _choose(self, "squad", Squad.objects.filter(club=club, retired_on=None))


class PlayerForm(forms.Form):
    given_name = forms.CharField(label=_("Given name"), max_length=80)
    family_name = forms.CharField(label=_("Family name"), max_length=80, required=False)
    born_on = forms.DateField(
        label=_("Date of birth"),
        required=False,
        widget=DayInput(),
        help_text=_("Needed for minors: it decides who has to agree to films."),
    )
    birth_year = forms.IntegerField(
        label=_("Year of birth"),
        required=False,
        help_text=_("Where the day is not known. The player counts as a minor until the end of the year."),
    )
    email = forms.EmailField(
        label=_("E-mail"),
        max_length=254,
        required=False,
        help_text=_(
            "Offered when this player is invited. Nothing is sent before that; other players do not see it."
        ),
    )
    hand = forms.ChoiceField(label=_("Hand"), choices=Player.Hand.choices)
    side = forms.ChoiceField(
        label=_("Usual side"), choices=[("", _("both or unknown")), *Side.choices], required=False
    )
    ref = forms.CharField(
        label=_("Reference"),
        max_length=60,
        required=False,
        help_text=_("The number in your own member list, if you keep one."),
    )


class NewPlayerForm(PlayerForm):
    level = forms.ModelChoiceField(
        label=_("Level"), queryset=Level.objects.none(), required=False, empty_label=_("not known yet")
    )

    def __init__(self, *args: Any, club: Club, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        _choose(self, "level", Level.objects.filter(club=club))


class EditPlayerForm(PlayerForm):
    active = forms.BooleanField(label=_("In the programme"), required=False)


class LevelForm(forms.Form):
    level = forms.ModelChoiceField(
        label=_("Level"), queryset=Level.objects.none(), required=False, empty_label=_("not known yet")
    )

    def __init__(self, *args: Any, club: Club, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        _choose(self, "level", Level.objects.filter(club=club))


class GuardianForm(forms.Form):
    email = forms.EmailField(
        label=_("E-mail of the guardian"),
        help_text=_("Somebody who is in the club already is added at once; anybody else gets an invitation."),
    )


class GoalForm(forms.Form):
    unit = forms.ModelChoiceField(label=_("For whom"), queryset=Unit.objects.none(), empty_label=None)
    area = forms.ModelChoiceField(label=_("Area"), queryset=Area.objects.none())
    target = forms.IntegerField(
        label=_("Score to reach"), min_value=1, max_value=100, help_text=_("Between 1 and 100.")
    )
    due_on = forms.DateField(label=_("By"), widget=DayInput())

    def __init__(self, *args: Any, player: Player, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        units = Unit.objects.filter(Q(first=player) | Q(second=player)).order_by("-kind", "pk")
        _choose(self, "unit", units.select_related("first", "second"))
        _choose(self, "area", Area.objects.filter(club=player.club_id, on=True))


class ConsentForm(forms.Form):
    purpose = forms.CharField(
        label=_("What the films are for"), max_length=200, initial=_("to analyse matches for lessons")
    )
    expires_on = forms.DateField(label=_("Until"), widget=DayInput())

    def __init__(self, *args: Any, club: Club, ask_age: bool = False, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["expires_on"].initial = years_after(club.today(), 1)
        if ask_age:
            label = _("I am %(age)d or older") % {"age": club.majority_age}
            self.fields["of_age"] = forms.BooleanField(label=label, required=False)


class PaperConsentForm(ConsentForm):
    as_ = forms.ChoiceField(label=_("Who signed"))
    witness = forms.CharField(
        label=_("Who saw the signature"), max_length=120, help_text=_("Name of a person at the club.")
    )
    field_order = ["as_", "witness", "purpose", "expires_on"]


class InviteForm(forms.Form):
    email = forms.EmailField(label=_("E-mail"))
    role = forms.ChoiceField(label=_("As"))
    person = forms.ModelChoiceField(
        label=_("Player"),
        queryset=Player.objects.none(),
        to_field_name="uuid",
        required=False,
        empty_label=_("nobody"),
        help_text=_("For a student: who it is. For a guardian: whom they look after."),
    )
    language = LanguageField(label=_("Language of the mail"))

    def __init__(self, *args: Any, club: Club, roles: list[Role], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["role"].choices = [(role.value, role.label) for role in roles]  # type: ignore[attr-defined]
        self.fields["language"].initial = club.language
        _choose(self, "person", Player.objects.filter(club=club, active=True))


class AcceptForm(forms.Form):
    given_name = forms.CharField(label=_("Given name"), max_length=80)
    family_name = forms.CharField(label=_("Family name"), max_length=80, required=False)
    language = LanguageField(label=_("Language"))
    password = forms.CharField(
        label=_("Password"),
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        help_text=password_validators_help_text_html,
    )


def _choose(form: forms.Form, name: str, rows: Any) -> None:
    form.fields[name].queryset = rows  # type: ignore[attr-defined]

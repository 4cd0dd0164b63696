from django import forms
from django.utils.translation import gettext_lazy as _


class TokenForm(forms.Form):
    name = forms.CharField(label=_("What is the key for?"), max_length=80)

"""What people send to bring data in."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _


class SeveralFiles(forms.ClearableFileInput):
    allow_multiple_selected = True


class FilesField(forms.FileField):
    """Files by one choice; the value is a list of them."""

    widget = SeveralFiles(attrs={"accept": ".csv,.zip,.xlsx"})

    def clean(self, data: Any, initial: Any = None) -> list[Any]:
        return [super(FilesField, self).clean(one, initial) for one in data or [None]]


class BringForm(forms.Form):
    files = FilesField(
        label=_("Files"),
        help_text=_("The CSV files together, or one ZIP of them, or one workbook."),
        max_length=200,
        # A file without a line is told of by the reader, with all else that is wrong.
        allow_empty_file=True,
        error_messages={"required": _("Choose the files, one ZIP of them, or one workbook.")},
    )

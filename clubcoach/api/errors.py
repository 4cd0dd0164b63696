from typing import Any

from django.core.exceptions import RequestDataTooBig, ValidationError
from django.utils.translation import gettext_lazy as _
from rest_framework import exceptions
from rest_framework.response import Response
from rest_framework.views import exception_handler


class TooLarge(exceptions.APIException):
    status_code = 413
    default_detail = _("This is more than can be read at once. Send it in smaller parts.")
    default_code = "too_large"


def handle(error: Exception, context: dict[str, Any]) -> Response | None:
    """Our services raise Django's ValidationError: the caller gets 400 with the field and the sentence."""
    if isinstance(error, ValidationError):
        detail = error.message_dict if hasattr(error, "error_dict") else {"message": error.messages}
        error = exceptions.ValidationError(detail)
    elif isinstance(error, RequestDataTooBig):
        error = TooLarge()
    return exception_handler(error, context)

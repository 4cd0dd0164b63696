from typing import Any

from django.core.exceptions import ValidationError
from rest_framework import exceptions
from rest_framework.response import Response
from rest_framework.views import exception_handler


def handle(error: Exception, context: dict[str, Any]) -> Response | None:
    """Our services raise Django's ValidationError: the caller gets 400 with the field and the sentence."""
    if isinstance(error, ValidationError):
        detail = error.message_dict if hasattr(error, "error_dict") else {"message": error.messages}
        error = exceptions.ValidationError(detail)
    return exception_handler(error, context)

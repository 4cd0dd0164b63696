from typing import Any

from django.http import Http404
from rest_framework.permissions import BasePermission
from rest_framework.request import Request

from clubcoach.access import Can, viewer_for


class InClub(BasePermission):
    """Finds the person as a member of the club in the address and puts ``request.viewer`` there.

    A view says which right opens it: ``rights = {"GET": Can.SEE_ROSTER, "POST": Can.EDIT_ROSTER}``. A view that
    says nothing is closed.
    """

    def has_permission(self, request: Request, view: Any) -> bool:
        if not request.user or not request.user.is_authenticated:
            return False
        slug = view.kwargs.get("slug")
        if slug is None:
            return False
        try:
            viewer = viewer_for(request.user, slug)
        except Http404:
            raise Http404 from None
        request.viewer = request._request.viewer = viewer  # type: ignore[attr-defined]
        rights: dict[str, Can | tuple[Can, ...]] = getattr(view, "rights", {})
        method = "GET" if request.method in ("HEAD", "OPTIONS") else str(request.method)
        needed = rights.get(method)
        if needed is None:
            return method not in view.allowed_methods
        answers = [viewer.can(right) for right in (needed if isinstance(needed, tuple) else (needed,))]
        if any(answers):
            return True
        self.message = str(getattr(answers[0], "reason", ""))
        return False

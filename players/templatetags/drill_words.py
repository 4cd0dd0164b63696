"""A drill's plan of the court for templates."""

from django import template
from django.utils.safestring import SafeString
from django.utils.translation import gettext as _

from players.diagrams import diagram
from players.models import Drill

register = template.Library()


@register.simple_tag
def court_plan(drill: Drill) -> SafeString:
    return diagram(drill.court, title=_("Plan of “%(drill)s”") % {"drill": drill.name})

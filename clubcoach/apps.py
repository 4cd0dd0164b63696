from django.apps import AppConfig
from django.utils.translation import gettext_lazy as _


class CoreConfig(AppConfig):
    name = "clubcoach"
    verbose_name = _("Club")

    def ready(self) -> None:
        from clubcoach import celery, checks  # noqa: F401

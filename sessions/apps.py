from django.apps import AppConfig
from django.utils.translation import gettext_lazy as _


class TrainingConfig(AppConfig):
    name = "sessions"
    label = "training"
    verbose_name = _("On court")

    def ready(self) -> None:
        from sessions import receivers  # noqa: F401

from django.apps import AppConfig
from django.utils.translation import gettext_lazy as _


class ReportsConfig(AppConfig):
    name = "reports"
    label = "reports"
    verbose_name = _("What follows")

    def ready(self) -> None:
        from reports import receivers  # noqa: F401

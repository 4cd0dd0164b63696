from django.apps import AppConfig
from django.utils.translation import gettext_lazy as _


class PlayersConfig(AppConfig):
    name = "players"
    label = "players"
    verbose_name = _("People")

    def ready(self) -> None:
        from players import receivers  # noqa: F401

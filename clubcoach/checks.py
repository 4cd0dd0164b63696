"""What is checked when the program starts: settings that are missing, fields without a retention rule."""

from typing import Any

from django.apps import apps
from django.conf import settings
from django.core.checks import CheckMessage, Error, Tags, Warning, register

OURS = ("clubcoach", "players", "training", "reports")


@register(Tags.models)
def every_field_is_kept_by_a_rule(app_configs: Any, **kwargs: Any) -> list[CheckMessage]:
    problems: list[CheckMessage] = []
    for label in OURS:
        for model in apps.get_app_config(label).get_models():
            rules = model.__dict__.get("kept", {})
            names = {field.name for field in model._meta.concrete_fields}
            missing, unknown = sorted(names - rules.keys()), sorted(rules.keys() - names)
            if missing:
                problems.append(
                    Error(
                        f"No retention rule for {', '.join(missing)} of {model.__name__}.",
                        hint="Name them in the model's kept = kept_as(...); see clubcoach/retention.py.",
                        obj=model,
                        id="clubcoach.E001",
                    )
                )
            if unknown:
                problems.append(
                    Error(
                        f"{model.__name__} has a retention rule for {', '.join(unknown)}, which it does not have.",
                        hint="Remove the names from kept.",
                        obj=model,
                        id="clubcoach.E002",
                    )
                )
    return problems


@register()
def site_address_is_whole(app_configs: Any, **kwargs: Any) -> list[CheckMessage]:
    if settings.SITE_URL.startswith(("http://", "https://")) and not settings.SITE_URL.endswith("/"):
        return []
    return [
        Error(
            f"SITE_URL is {settings.SITE_URL!r}.",
            hint="Give the address people type, with https:// and without a slash at the end.",
            id="clubcoach.E004",
        )
    ]


@register(Tags.security, deploy=True)
def jobs_have_workers(app_configs: Any, **kwargs: Any) -> list[CheckMessage]:
    if settings.REDIS_URL or "sqlite" in settings.DATABASES["default"]["ENGINE"]:
        return []
    return [
        Warning(
            "PostgreSQL without Redis: jobs run inside the web process.",
            hint="Set REDIS_URL and start Celery workers.",
            id="clubcoach.W001",
        )
    ]

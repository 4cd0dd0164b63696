from typing import Any

from clubcoach.models import AuditEvent, Club


def record(
    *, by: Any, club: Club | None, action: str, target: Any, fields: list[str] | tuple[str, ...] = ()
) -> AuditEvent:
    """Write who did what. Call it inside the transaction that does it, so that neither is there alone."""
    return AuditEvent.objects.create(
        actor=by if by is not None and by.pk else None,
        club=club,
        action=action,
        target_type=target._meta.label_lower,
        target_id=str(target.pk),
        fields=sorted(fields),
    )

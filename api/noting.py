"""Writes into the audit trail what programs change: who, by which token, what of which thing, old and new."""

from django.utils import timezone
from rest_framework.request import Request

from api.models import ApiToken
from fleet.models import AuditArea
from fleet.people import audit
from shared.messages import message


def note(request: Request, what: str, area: AuditArea, about: object, detail: str = "") -> None:
    """Add an entry. Tables with a history of their own (work orders) need none."""
    way = (
        message("token {name}", name=request.auth.name)
        if isinstance(request.auth, ApiToken)
        else message("API in the browser")
    )
    told = message("{detail} ({way})", detail=detail, way=way) if detail else way
    audit.note(what, area=area, about=about, detail=told, by=request.user, now=timezone.now())


def told_changes(before: dict, after: dict) -> str:
    """Return what differs between a row as it was shown and as it is now: ``name: old → new``."""
    changed = [name for name in after if before.get(name) != after[name]]
    return "; ".join(f"{name}: {before.get(name)!s} → {after[name]!s}" for name in changed)

"""The roles table put to pages. Needs Django, knows no room."""

from collections.abc import Callable
from functools import wraps

from django.conf import settings
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied

from shared.messages import message
from shared.roles import Permission, may
from shared.translation import translate


def requires(permission: Permission) -> Callable:
    """Let a page in only for people whose role may do this; others get 403, strangers the log-in."""

    def wrap(view: Callable) -> Callable:
        @wraps(view)
        def guarded(request, *args, **kwargs):
            if not may(request.user.role, permission):
                raise PermissionDenied(
                    translate(message("Your role may not {value}.", value=message(permission.value)))
                )
            return view(request, *args, **kwargs)

        guarded = login_required(guarded)
        guarded.required_permission = permission
        return guarded

    return wrap


def client_address(request) -> str:
    """Return the caller's address; empty when only our own proxy's is known.

    Each proxy adds the address it was called from at the right of ``X-Forwarded-For``; what stands further
    left anybody may write. So our own outermost proxy counts: the entry ``TAPWARD_PROXIES`` from the right.
    """
    count = settings.PROXY_COUNT
    if not count:
        return request.META.get("REMOTE_ADDR", "")
    told = [one.strip() for one in request.headers.get("X-Forwarded-For", "").split(",") if one.strip()]
    return told[-count] if len(told) >= count else ""


def opened_by_secret(view: Callable) -> Callable:
    """Mark a page that asks for no log-in because its address itself is the key."""
    view.is_open_by_secret = True
    return view


def page_frame(request) -> dict:
    """Give every page the company's name and what the person may do (by permission name)."""
    role = getattr(request.user, "role", "") if hasattr(request, "user") else ""
    allowed = {permission.name.lower(): may(role, permission) for permission in Permission}
    return {"company_name": settings.COMPANY_NAME, "currency": settings.CURRENCY, "can": allowed}

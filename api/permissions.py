"""DRF's question put to the roles table, narrowed by what the token was allowed."""

from rest_framework.permissions import BasePermission
from rest_framework.request import Request

from api.models import ApiToken
from api.tokens import NEVER_BY_TOKEN
from shared.roles import Permission


def request_may(request: Request, permission: Permission) -> bool:
    """Say whether this call may do a thing: the person's role, and the token's list where there is one."""
    if not request.user.is_authenticated or not request.user.may(permission):
        return False
    if isinstance(request.auth, ApiToken):
        return permission not in NEVER_BY_TOKEN and permission.name.lower() in request.auth.permissions
    return True


class MayDo(BasePermission):
    """Lets a call in when it may do one of the operation's ``needs``. No needs: nobody."""

    message = "You may not do this: your role or your token does not allow it."

    def has_permission(self, request: Request, view) -> bool:
        """Ask the table."""
        return any(request_may(request, permission) for permission in view.needs)

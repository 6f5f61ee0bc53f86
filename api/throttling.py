"""How often one caller may call, by token; by person where a session calls."""

from rest_framework.request import Request
from rest_framework.throttling import ScopedRateThrottle

from api.models import ApiToken


class CallRate(ScopedRateThrottle):
    """Counts reads, writes and bulk calls apart; the rates are settings."""

    def get_cache_key(self, request: Request, view) -> str:
        """Return whose calls of which kind are counted together."""
        if isinstance(request.auth, ApiToken):
            who = f"token-{request.auth.pk}"
        else:
            who = f"person-{request.user.pk or self.get_ident(request)}"
        return self.cache_format % {"scope": self.scope, "ident": who}

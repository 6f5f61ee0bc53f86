"""Who is calling, and how often: a token in the Authorization header, or the pages' session, DRF's own."""

from math import ceil

from django.utils import timezone
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from rest_framework.authentication import BaseAuthentication, get_authorization_header
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.request import Request
from rest_framework.throttling import ScopedRateThrottle

from api.models import ApiToken
from api.tokens import find_token
from fleet.models import Person
from shared.call_rates import CountedRate


class TokenAuthentication(BaseAuthentication):
    """Knows a caller by ``Authorization: Bearer <token>`` (RFC 6750)."""

    def authenticate(self, request: Request) -> tuple[Person, ApiToken] | None:
        """Return the token's person, None without such a header; refuse a token that opens nothing."""
        words = get_authorization_header(request).split()
        if not words or words[0].lower() != b"bearer":
            return None
        secret = words[1].decode("latin-1") if len(words) == 2 else ""
        token = find_token(secret, timezone.now())
        if token is None:
            raise AuthenticationFailed("This token is not known, has expired or was revoked.")
        return token.person, token

    def authenticate_header(self, request: Request) -> str:
        """Return what a 401 asks for."""
        return "Bearer"


class TokenScheme(OpenApiAuthenticationExtension):
    """The same, said in the schema."""

    target_class = TokenAuthentication
    name = "token"

    def get_security_definition(self, auto_schema) -> dict:
        """Return OpenAPI's words for a bearer token."""
        return {
            "type": "http",
            "scheme": "bearer",
            "description": "A token, made on the page of tokens.",
        }


class CallRate(ScopedRateThrottle, CountedRate):
    """Counts reads, writes and bulk calls apart, for all processes together; the rates are settings."""

    def headers(self) -> dict[str, str]:
        """Return what is allowed and what is left, as the IETF draft "RateLimit header fields" has it."""
        if self.rate is None:
            return {}
        left = max(0, self.num_requests - self.count)
        return {
            "RateLimit-Policy": f'"{self.scope}";q={self.num_requests};w={self.duration}',
            "RateLimit": f'"{self.scope}";r={left};t={ceil(self.left_s)}',
        }

    def get_cache_key(self, request: Request, view) -> str:
        """Return whose calls of which kind are counted together."""
        if isinstance(request.auth, ApiToken):
            who = f"token-{request.auth.pk}"
        else:
            who = f"person-{request.user.pk or self.get_ident(request)}"
        return self.cache_format % {"scope": self.scope, "ident": who}

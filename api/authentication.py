"""Who is calling: a token in the Authorization header. The pages' session is the other way, DRF's own."""

from django.utils import timezone
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from rest_framework.authentication import BaseAuthentication, get_authorization_header
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.request import Request

from api.models import ApiToken
from api.tokens import find_token
from fleet.models import Person

WORD = "bearer"


class TokenAuthentication(BaseAuthentication):
    """Knows a caller by ``Authorization: Bearer <token>`` (RFC 6750)."""

    def authenticate(self, request: Request) -> tuple[Person, ApiToken] | None:
        """Return the token's person, None without such a header; refuse a token that opens nothing."""
        words = get_authorization_header(request).split()
        if not words or words[0].lower() != WORD.encode():
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

    target_class = "api.authentication.TokenAuthentication"
    name = "token"

    def get_security_definition(self, auto_schema) -> dict:
        """Return OpenAPI's words for a bearer token."""
        return {
            "type": "http",
            "scheme": "bearer",
            "description": "A token, made on the page of tokens.",
        }

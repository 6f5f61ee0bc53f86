"""Whatever nobody answers to under /api/."""

from django.http import Http404
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView


@extend_schema(exclude=True)
class NothingHere(APIView):
    """Says so as problem details."""

    authentication_classes: list = []
    permission_classes: list = []
    throttle_classes: list = []
    schema = None

    def dispatch(self, request: Request, *args, **kwargs) -> Response:
        """Refuse every method alike."""
        self.http_method_names = []
        self.http_method_not_allowed = self._refuse
        return super().dispatch(request, *args, **kwargs)

    def _refuse(self, request: Request, *args, **kwargs) -> Response:
        raise Http404

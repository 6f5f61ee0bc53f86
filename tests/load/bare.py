"""A bare view of the REST framework that gives back bytes it was handed: what our pages are compared with.

Settings, addresses and server in one module: no log-in, no database, no middleware.
"""

import os
from pathlib import Path

from django.conf import settings

settings.configure(
    SECRET_KEY="only-for-the-load-test",
    ALLOWED_HOSTS=["127.0.0.1"],
    ROOT_URLCONF=__name__,
    INSTALLED_APPS=["rest_framework"],
    REST_FRAMEWORK={"DEFAULT_AUTHENTICATION_CLASSES": [], "UNAUTHENTICATED_USER": None},
    USE_TZ=True,
)

from django.core.wsgi import get_wsgi_application  # noqa: E402
from django.http import HttpResponse  # noqa: E402
from django.urls import path  # noqa: E402
from rest_framework.views import APIView  # noqa: E402

KEPT = Path(os.environ["TAPWARD_LOAD_BYTES"])


class Same(APIView):
    """The very bytes a page of ours gave."""

    def get(self, request, name):
        """Give them back."""
        return HttpResponse((KEPT / Path(name).name).read_bytes(), content_type="text/html")

    post = get


urlpatterns = [path("<str:name>", Same.as_view())]
application = get_wsgi_application()

"""The door for a web server."""

import contextlib
import os

from django.conf import settings
from django.core.wsgi import get_wsgi_application
from django.urls import get_resolver

from shared import chart_process

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shared.config.settings")
application = get_wsgi_application()
# All pages and what they import are read now, not while the first visitor of each process waits.
_ = get_resolver().url_patterns
if settings.CHART_FOLDER:
    # Warm before the first chart is wanted; where it cannot be had, charts are drawn in place.
    with contextlib.suppress(OSError):
        chart_process.begin(settings.CHART_FOLDER)

"""The door for a web server."""

import os

from django.core.wsgi import get_wsgi_application
from django.urls import get_resolver

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shared.wiring.settings")
application = get_wsgi_application()
# All pages and what they import are read now, not while the first visitor of each process waits.
_ = get_resolver().url_patterns

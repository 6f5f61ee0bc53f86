"""Limits how often one person may have a page do heavy work (ASVS 2.4.1). Needs Django, knows no room."""

from collections.abc import Callable
from functools import wraps
from math import ceil

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from rest_framework.throttling import UserRateThrottle

from shared.call_rates import CountedRate


class HeavyPostRate(UserRateThrottle, CountedRate):
    """``TAPWARD_HEAVY_POSTS`` a minute and person, all heavy pages together; counted for all processes."""

    scope = "heavy-posts"

    def get_rate(self) -> str | None:
        """Return the setting as a rate; None: no limit."""
        return f"{settings.HEAVY_POSTS_PER_MINUTE}/min" if settings.HEAVY_POSTS_PER_MINUTE else None


def rate_limited(view: Callable) -> Callable:
    """Answer 429 to a person's posts beyond the rate. Stands under ``requires``: no stranger gets here."""

    @wraps(view)
    def limited(request: HttpRequest, *args, **kwargs) -> HttpResponse:
        throttle = HeavyPostRate()
        if request.method == "POST" and not throttle.allow_request(request, view):
            wait_s = ceil(throttle.wait())
            answer = render(request, "429.html", {"wait_s": wait_s}, status=429)
            answer.headers["Retry-After"] = str(wait_s)
            return answer
        return view(request, *args, **kwargs)

    limited.rate_limited = True
    return limited

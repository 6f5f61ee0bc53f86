"""Limits how often one person may have a page do heavy work (ASVS 2.4.1). Needs Django, knows no room."""

import time
from collections.abc import Callable
from functools import wraps
from typing import Final

from django.conf import settings
from django.core.cache import cache
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

MINUTE_S: Final = 60


def is_heavy(view: Callable) -> Callable:
    """Answer 429 to a person's posts beyond ``TAPWARD_HEAVY_POSTS`` a minute, all heavy pages together.

    Stands under ``requires``, so that strangers never get here. Counted in the cache: with Redis over all
    processes, without it in each.
    """

    @wraps(view)
    def limited(request: HttpRequest, *args, **kwargs) -> HttpResponse:
        if request.method == "POST" and (wait_s := _wait(request.user.pk, time.time())):
            answer = render(request, "429.html", {"wait_s": wait_s}, status=429)
            answer["Retry-After"] = str(wait_s)
            return answer
        return view(request, *args, **kwargs)

    limited.is_heavy = True
    return limited


def _wait(person_pk: int, now_s: float) -> int:
    """Count one post; return how long to wait, 0 for not at all. [s]"""
    if not settings.HEAVY_POSTS_PER_MINUTE:
        return 0
    minute, gone_s = divmod(int(now_s), MINUTE_S)
    key = f"heavy-posts-{person_pk}-{minute}"
    cache.add(key, 0, 2 * MINUTE_S)
    try:
        count = cache.incr(key)
    except ValueError:
        # The cache threw it out between the two lines; one post more is no harm.
        return 0
    return 0 if count <= settings.HEAVY_POSTS_PER_MINUTE else MINUTE_S - gone_s

"""What templates of both rooms use: marks, numbers with measures, wear bars, due windows, links."""

from datetime import date

from django import template
from django.utils.html import format_html
from django.utils.translation import gettext

from fleet.display.figures import (
    digits,
    place_window,
    show,
    two_dates_words,
    wear_length,
    wear_tone,
    wear_words,
)
from fleet.display.navigation import navigation as pages_for
from fleet.register.places import to_confirm, without_place
from shared.periods import days_late
from shared.translation import translate, written

register = template.Library()
register.filter("translated", translate)

READINESS_TONES = {
    "in_service": "good",
    "flush_owed": "bad",
    "bedding": "watch",
    "idle": "watch",
    "out_of_service": "off",
}
NOTHING = "–"


@register.inclusion_tag("parts/navigation.html", takes_context=True)
def navigation(context):
    """Lead to the pages a person may see: those of every day, the rest under headings."""
    match = getattr(context.get("request"), "resolver_match", None)
    daily, groups = pages_for(context.get("can", {}), match.url_name or "" if match else "")
    is_known = getattr(context.get("user"), "is_authenticated", False)
    return {"daily": daily if is_known else [], "groups": groups if is_known else []}


@register.inclusion_tag("parts/mark.html")
def mark(tone: str, word: str, large: bool = False):
    """Tell a state by word, shape and colour. Tones: good, watch, bad, info, off."""
    return {"tone": tone, "word": translate(word), "large": large}


@register.inclusion_tag("parts/mark.html")
def readiness_mark(state: str, word: str, large: bool = False):
    """Tell a treatment unit's readiness."""
    return {
        "tone": READINESS_TONES.get(state, "off"),
        "word": word or gettext("Not assessed"),
        "large": large,
    }


@register.simple_tag(takes_context=True)
def measured(context, value, quantity: str):
    """Write a working value in the person's measures: ``{% measured flow "gpm" %}``."""
    if value is None:
        return NOTHING
    system = getattr(context.get("user"), "measure_system", "us")
    shown = show(value, quantity, system)
    return format_html(
        '<span class="num">{} <span class="measure">{}</span></span>', shown.number, shown.measure
    )


@register.filter
def percent(value):
    """Write a fraction as whole percent."""
    return NOTHING if value is None else f"{value:.0%}"


@register.filter
def change(value):
    """Write a relative change with its sign."""
    return NOTHING if value is None else f"{value:+z.0%}".replace("-", "−")


@register.filter
def number(value):
    """Write a number with about three figures."""
    return NOTHING if value is None else digits(float(value))


@register.filter
def day(value):
    """Write a calendar day the same everywhere, e.g. 3 Nov 2026."""
    return f"{value.day} {written(value, '%b %Y')}" if value else NOTHING


@register.inclusion_tag("parts/wear_bar.html")
def wear_bar(wear: float | None, governing: str = ""):
    """Draw how much of a part's life is used; the line is its limit."""
    return {"length": wear_length(wear), "tone": wear_tone(wear), "words": wear_words(wear, governing)}


@register.inclusion_tag("parts/due_window.html")
def due_window(early: date | None, likely: date | None, late: date | None, today: date):
    """Draw early, likely and late on a road of a year."""
    return place_window(early, likely, late, today).__dict__


@register.inclusion_tag("parts/due_window.html")
def order_window(window_from: date, best_by: date | None, limit: date, today: date):
    """Draw when an order may be done, its best-by date and its limit."""
    places = place_window(window_from, best_by or limit, limit, today)
    told = two_dates_words(best_by, limit, today)
    return places.__dict__ | {"words": told, "is_late": days_late(limit, today) > 0}


@register.inclusion_tag("parts/list_files.html", takes_context=True)
def list_files(context, name: str, words: str = ""):
    """Link a list of this page as CSV and XLSX, under the filter of this page."""
    query = context["request"].GET.copy()
    for key in ("page", "as", "list"):
        query.pop(key, None)
    links = []
    for form in ("csv", "xlsx"):
        query["list"], query["as"] = name, form
        links.append((form.upper(), f"?{query.urlencode()}"))
    return {"links": links, "words": words or context["lists"][name].said}


@register.inclusion_tag("parts/table.html", takes_context=True)
def table(context, name: str, files: bool = True):
    """Show a declared list of this page, with its links as files below."""
    page = context.flatten()
    shown = page["lists"][name].on_page(page)
    return {**shown, "name": name, "files": files, "lists": page["lists"], "request": page["request"]}


@register.inclusion_tag("parts/places_notice.html", takes_context=True)
def places_notice(context):
    """Tell how many sites have no place, and how many are placed by their town only."""
    branch_id = getattr(context.get("user"), "branch_id", None)
    return {
        "can": context.get("can", {}),
        "without": without_place(branch_id).count(),
        "rough": to_confirm(branch_id).count(),
    }

"""The guides: how each person does the job, and how the service is run."""

from typing import Final

from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

GUIDES: Final = {
    "planner": _("The planner’s guide"),
    "technician": _("The technician’s guide"),
    "owner": _("The owner’s guide"),
    "operator": _("The operator’s guide"),
}
"""By the role it is for; the operator runs the service and may have any."""


@login_required
def guide(request: HttpRequest, about: str = "") -> HttpResponse:
    """Show a guide; without a name the one for the person's own role."""
    role = getattr(request.user, "role", "")
    about = about or (role if role in GUIDES else "operator")
    if about not in GUIDES:
        raise Http404(gettext("There is no such guide."))
    own_first = sorted(GUIDES, key=lambda key: key != role)
    context = {
        "about": about,
        "title": GUIDES[about],
        "guides": [(key, GUIDES[key]) for key in own_first],
        "text": f"guide/{about}.html",
    }
    return render(request, "guide/guide.html", context)

"""A person's own log-in: the password, the browsers that are logged in, the second factor."""

from datetime import datetime

import segno
from django import forms
from django.contrib import messages
from django.contrib.auth import update_session_auth_hash
from django.contrib.auth.decorators import login_required
from django.contrib.auth.forms import PasswordChangeForm
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext, gettext_lazy, ngettext
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from fleet.people import log_ins as people_log_ins
from fleet.people import second_factors
from fleet.people.views import CodeForm, caller_of, mark_browser
from shared.errors import CannotDo
from shared.translation import translate


class OwnPasswordForm(forms.Form):
    """The own password, asked for before a thing that whoever finds a browser open should not do."""

    password = forms.CharField(
        label=gettext_lazy("Your password"),
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
    )


class SetUpForm(OwnPasswordForm, CodeForm):
    """The own password and the app's first code."""

    field_order = ("code", "password")


@login_required
@require_GET
@never_cache
def own_log_in(request: HttpRequest) -> HttpResponse:
    """Show the own log-in."""
    return _page(request)


@sensitive_post_parameters()
@login_required
@require_POST
def change_own_password(request: HttpRequest) -> HttpResponse:
    """Set a new password and end the other sessions."""
    now = timezone.now()
    form = PasswordChangeForm(request.user, request.POST)
    try:
        if not _password_is_right(request, request.POST.get("old_password", ""), now) or not form.is_valid():
            form.is_valid()
            return _page(request, 422, password_form=form)
    except CannotDo as error:
        form.is_valid()
        form.add_error(None, translate(error))
        return _page(request, 429, password_form=form)
    person, key = request.user, request.session.session_key
    people_log_ins.change_password(
        person, form.cleaned_data["new_password1"], keep_key=key, by=person, now=now
    )
    update_session_auth_hash(request, person)
    messages.success(request, gettext("Your new password counts. Other browsers were logged out."))
    return mark_browser(redirect("own_log_in"), person, now)


@sensitive_post_parameters()
@login_required
@require_POST
def end_own_sessions(request: HttpRequest) -> HttpResponse:
    """End another session, or all others, once the password was given."""
    refused = _without_password(request, "sessions")
    if refused is not None:
        return refused
    count = people_log_ins.end_sessions(
        request.user,
        keep_key=request.session.session_key,
        by=request.user,
        now=timezone.now(),
        mark=request.POST.get("mark", ""),
    )
    messages.success(
        request,
        ngettext("%(count)s session ended.", "%(count)s sessions ended.", count) % {"count": count},
    )
    return redirect("own_log_in")


@sensitive_post_parameters()
@login_required
@never_cache
@require_http_methods(["GET", "POST"])
def set_up_second_factor(request: HttpRequest) -> HttpResponse:
    """Show the picture an app reads, and take its first code."""
    now = timezone.now()
    form = SetUpForm(request.POST or None)
    try:
        factor = second_factors.begin(request.user, now=now)
    except CannotDo:
        return redirect("own_log_in")
    if request.method == "POST" and form.is_valid():
        try:
            _ask_password(request, form.cleaned_data["password"], now)
            codes = second_factors.confirm(request.user, form.cleaned_data["code"], now=now)
        except CannotDo as error:
            form.add_error(error.field or None, translate(error))
        else:
            request.session["second_factor"] = True
            return render(request, "people/recovery_codes.html", {"codes": codes})
    context = {
        "form": form,
        "secret": second_factors.secret_of(factor),
        "picture": segno.make(second_factors.app_address(factor)).svg_data_uri(scale=5, light="#fff"),
        "is_required": second_factors.is_required(request.user),
    }
    return render(request, "people/set_up_second_factor.html", context, status=422 if form.errors else 200)


@sensitive_post_parameters()
@login_required
@require_POST
def remove_second_factor(request: HttpRequest) -> HttpResponse:
    """Take the second factor away, once the password was given."""
    refused = _without_password(request)
    if refused is not None:
        return refused
    if second_factors.remove(request.user, by=request.user, now=timezone.now()):
        request.session["second_factor"] = False
        messages.success(request, gettext("The second factor is taken away; the password alone logs you in."))
    return redirect("own_log_in")


@sensitive_post_parameters()
@login_required
@never_cache
@require_POST
def renew_recovery_codes(request: HttpRequest) -> HttpResponse:
    """Make new recovery codes, once the password was given, and show them this once."""
    refused = _without_password(request)
    if refused is not None:
        return refused
    try:
        codes = second_factors.renew_recovery_codes(request.user, now=timezone.now())
    except CannotDo as error:
        messages.error(request, translate(error))
        return redirect("own_log_in")
    return render(request, "people/recovery_codes.html", {"codes": codes})


def _without_password(request: HttpRequest, about: str = "factor") -> HttpResponse | None:
    """Return the page that refuses in the card the form stands in, unless the password is right."""
    form = OwnPasswordForm(request.POST, auto_id=f"{about}_%s")
    if form.is_valid():
        try:
            _ask_password(request, form.cleaned_data["password"], timezone.now())
        except CannotDo as error:
            form.add_error(error.field or None, translate(error))
        else:
            return None
    return _page(request, 422, **{f"{about}_form": form})


def _ask_password(request: HttpRequest, password: str, now: datetime) -> None:
    """Raise CannotDo unless this is the own password, or when too many were wrong."""
    if not _password_is_right(request, password, now):
        raise CannotDo(
            gettext("That is not your password."), remedy=gettext("Type it again."), field="password"
        )


def _password_is_right(request: HttpRequest, password: str, now: datetime) -> bool:
    """Say so; wrong ones count as failed log-ins. Raises CannotDo when too many were wrong."""
    caller = caller_of(request, request.user.username)
    people_log_ins.check_may_try(caller, now=now)
    if request.user.check_password(password):
        people_log_ins.note_success(caller)
        return True
    people_log_ins.note_failure(caller, now=now)
    return False


def _page(
    request: HttpRequest,
    status: int = 200,
    password_form: forms.Form | None = None,
    factor_form: forms.Form | None = None,
    sessions_form: forms.Form | None = None,
) -> HttpResponse:
    now = timezone.now()
    factor = second_factors.standing_factor(request.user)
    context = {
        "password_form": password_form or PasswordChangeForm(request.user),
        "factor_form": factor_form or OwnPasswordForm(auto_id="factor_%s"),
        "sessions_form": sessions_form or OwnPasswordForm(auto_id="sessions_%s"),
        "factor": factor,
        "codes_left": factor.recovery_codes.filter(used_at=None).count() if factor else 0,
        "is_required": second_factors.is_required(request.user),
        "sessions": people_log_ins.sessions_of(request.user, this_key=request.session.session_key, now=now),
    }
    return render(request, "people/own_log_in.html", context, status=status)

"""People's data: what is kept about one person, taken out as a file or erased. For the owner."""

from django import forms
from django.contrib import messages
from django.http import FileResponse, Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_POST

from scheduling.services import personal_data as services
from scheduling.services import personal_data_rows as queries
from scheduling.services.personal_data_file import take_out
from scheduling.services.personal_data_rows import Kind, Subject
from shared.access import requires
from shared.errors import CannotDo
from shared.heavy_posts import is_heavy
from shared.roles import Permission


class EraseForm(forms.Form):
    """The code typed once more, so that nobody is erased by a slip."""

    code = forms.CharField(max_length=160, widget=forms.TextInput(attrs={"autocomplete": "off"}))

    def __init__(self, *args, subject: Subject, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.subject = subject
        self.fields["code"].label = f"Type {subject.code} to erase this person"

    def clean_code(self) -> str:
        """Ask for the very code."""
        if self.cleaned_data["code"].strip() != self.subject.code:
            raise forms.ValidationError(f"That is not {self.subject.code}. Nothing was erased.")
        return self.subject.code


@requires(Permission.HANDLE_PERSONAL_DATA)
@require_GET
def personal_data(request: HttpRequest) -> HttpResponse:
    """Look a person up among log-ins, technicians and customers."""
    words = request.GET.get("words", "").strip()[:80]
    found = queries.search(words) if words else []
    context = {"words": words, "found": found, "most": queries.MOST_FOUND}
    return render(request, "scheduling/personal_data.html", context)


@requires(Permission.HANDLE_PERSONAL_DATA)
@require_GET
@never_cache
def one_persons_data(request: HttpRequest, kind: str, code: str) -> HttpResponse:
    """Show what is kept about a person, what erasing does and what stays."""
    subject = _subject(kind, code)
    return _page(request, subject, EraseForm(subject=subject))


@requires(Permission.HANDLE_PERSONAL_DATA)
@require_POST
@is_heavy
def personal_data_file(request: HttpRequest, kind: str, code: str) -> HttpResponseBase:
    """Hand everything kept about a person out as one file."""
    subject = _subject(kind, code)
    file = take_out(subject, by=request.user, now=timezone.now())
    name = f"personal-data-{subject.kind}-{subject.row.pk}.zip"
    return FileResponse(file, as_attachment=True, filename=name, content_type="application/zip")


@requires(Permission.HANDLE_PERSONAL_DATA)
@require_POST
def erase_personal_data(request: HttpRequest, kind: str, code: str) -> HttpResponse:
    """Erase a person, once the code was typed."""
    subject = _subject(kind, code)
    form = EraseForm(request.POST, subject=subject)
    if form.is_valid():
        try:
            erasure = services.erase(subject, by=request.user, now=timezone.now())
        except CannotDo as error:
            form.add_error(None, str(error))
        else:
            messages.success(request, f"Erased; “{erasure.mark}” stands in the name’s place: {erasure.told}.")
            return redirect("personal_data")
    return _page(request, subject, form)


def _subject(kind: str, code: str) -> Subject:
    if kind not in list(Kind):
        raise Http404("Log-in, technician or customer.")
    try:
        return queries.find(kind, code)
    except CannotDo as error:
        raise Http404(str(error)) from error


def _page(request: HttpRequest, subject: Subject, form: EraseForm) -> HttpResponse:
    is_open = subject.customer is not None and queries.is_served(subject.customer)
    context = {
        "subject": subject,
        "counted": queries.counted(subject),
        "stays": (*services.STAYS[subject.kind], *services.STAYS_ANYHOW),
        "is_open": is_open,
        "form": form,
    }
    return render(request, "scheduling/personal_data_one.html", context, status=422 if form.errors else 200)

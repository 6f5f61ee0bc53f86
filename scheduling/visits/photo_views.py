"""Photos of close-outs: taken in from the phone, shown to those who may see them, never by their file."""

import hashlib
import uuid
from datetime import datetime

from django.conf import settings
from django.db.models import QuerySet
from django.db.models.fields.files import FieldFile
from django.http import FileResponse, Http404, HttpRequest, JsonResponse
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_POST

from scheduling.models import CloseOut, CloseOutPhoto
from scheduling.pages.request_context import branch_of
from scheduling.visits import photos as service
from scheduling.visits.photos import MOST_BYTES, is_on_earth, too_large
from shared.access import requires
from shared.errors import DomainError
from shared.messages import message
from shared.roles import Permission
from shared.translation import translate


@requires(Permission.CLOSE_OWN_STOPS)
@require_POST
def send_photo(request: HttpRequest, client_id: uuid.UUID) -> JsonResponse:
    """Take one photo of an own close-out from the phone: ``photo``, ``client_id``, ``taken_at`` as a form.

    Answers 200 kept (also when it was known), 404 when the person has no such close-out, 400 and 422 for what
    can't be taken, each with its remedy. The phone keeps everything but a 200.
    """
    close_out = service.close_out_of(client_id, person_id=request.user.pk)
    if close_out is None:
        return _answer(
            404,
            gettext("You have sent no such close-out."),
            remedy=gettext("Send the close-out first, then its photos."),
        )
    number, upload = _number(request.POST.get("client_id", "")), request.FILES.get("photo")
    if number is None or upload is None:
        return _answer(
            400,
            gettext("The photo or its number is missing."),
            remedy=gettext("Load the day again, then it is sent."),
        )
    try:
        row = service.known_photo(close_out, number) or service.keep_photo(
            close_out,
            service.check_photo(
                upload_content(upload),
                client_id=number,
                taken_at=_moment(request),
                now=timezone.now(),
                place=_place(request),
                keeps_place=settings.PHOTOS_KEEP_PLACE,
            ),
        )
    except DomainError as error:
        return _answer(422, translate(error.message), remedy=translate(error.remedy))
    return JsonResponse({"message": gettext("The photo is kept."), "client_id": str(row.client_id)})


@requires(Permission.SEE_WORK)
@require_GET
@never_cache
def photo(request: HttpRequest, pk: int) -> FileResponse:
    """Return a photo of any close-out in the person's branch."""
    found = CloseOutPhoto.objects.all()
    if branch_id := branch_of(request):
        found = found.filter(close_out__order__site__branch_id=branch_id)
    return _file(found, pk)


@requires(Permission.CLOSE_OWN_STOPS)
@require_GET
@never_cache
def my_photo(request: HttpRequest, pk: int) -> FileResponse:
    """Return a photo to the technician who took it."""
    return _file(CloseOutPhoto.objects.filter(close_out__technician__person_id=request.user.pk), pk)


def checked_uploads(request: HttpRequest, client_id: uuid.UUID, now: datetime) -> list[service.CheckedPhoto]:
    """Return the photos a plain form brought, checked. The same file again has the same number.

    Raises DomainError naming the first file that is no photo.
    """
    checked = []
    for upload in request.FILES.getlist("photos"):
        if not upload.size:
            continue
        try:
            raw = upload_content(upload)
            number = uuid.uuid5(client_id, hashlib.sha256(raw).hexdigest())
            checked.append(
                service.check_photo(
                    raw, client_id=number, taken_at=None, now=now, keeps_place=settings.PHOTOS_KEEP_PLACE
                )
            )
        except DomainError as error:
            raise DomainError(
                message(
                    "{upload_name}: {error_message}", upload_name=upload.name, error_message=error.message
                ),
                remedy=gettext("%(remedy)s Choose all photos again.") % {"remedy": error.remedy},
                field=error.field,
            ) from None
    if len(checked) > service.MOST_PHOTOS:
        raise DomainError(
            gettext("%(checked)s photos are too many.") % {"checked": len(checked)},
            remedy=gettext("Choose up to %(MOST_PHOTOS)s.") % {"MOST_PHOTOS": service.MOST_PHOTOS},
            field="photos",
        )
    return checked


def keep_all(close_out: CloseOut, checked: list[service.CheckedPhoto]) -> None:
    """Keep checked photos with their close-out. Raises DomainError at the first that can't be kept."""
    for one in checked:
        service.keep_photo(close_out, one)


def upload_content(upload) -> bytes:
    """Return the bytes of an uploaded photo. Raises DomainError for one that is too large to be looked at."""
    if upload.size > MOST_BYTES:
        raise too_large()
    return upload.read()


def _file(found: QuerySet[CloseOutPhoto], pk: int) -> FileResponse:
    row = get_object_or_404(found, pk=pk)
    return image_answer(row.image, f"photo-{row.pk}.jpg")


def image_answer(image: FieldFile, name: str) -> FileResponse:
    """Return a kept photo. Raises Http404 where its file is gone."""
    try:
        content = image.open("rb")
    except FileNotFoundError as error:
        raise Http404(
            gettext("The photo's file is gone. Bring it back from a backup of the media folder.")
        ) from error
    answer = FileResponse(content, content_type="image/jpeg")
    answer["Content-Disposition"] = f'inline; filename="{name}"'
    answer["X-Content-Type-Options"] = "nosniff"
    return answer


def _number(text: str) -> uuid.UUID | None:
    try:
        return uuid.UUID(text)
    except ValueError:
        return None


def _moment(request: HttpRequest) -> datetime | None:
    try:
        said = parse_datetime(request.POST.get("taken_at", ""))
    except ValueError:
        return None
    return said if said is not None and said.tzinfo is not None else None


def _place(request: HttpRequest) -> tuple[float, float] | None:
    try:
        place = float(request.POST["latitude"]), float(request.POST["longitude"])
    except (KeyError, ValueError):
        return None
    return place if is_on_earth(*place) else None


def _answer(status: int, message: str, *, remedy: str) -> JsonResponse:
    return JsonResponse({"message": message, "remedy": remedy}, status=status)

"""Every file a person takes out is an entry of the audit trail, wherever it is made."""

import re
from datetime import UTC, datetime

from fleet.models import AuditArea
from fleet.services import audit

FILE_NAME = re.compile(r'filename="?([^";]+)')


class ExportsNoted:
    """Middleware, inside the log-in's own."""

    def __init__(self, get_response):
        self.get_response = get_response

    def __call__(self, request):
        answer = self.get_response(request)
        given = answer.headers.get("Content-Disposition", "")
        if given.startswith("attachment") and answer.status_code == 200 and request.user.is_authenticated:
            name = FILE_NAME.search(given)
            audit.note(
                "file taken out",
                area=AuditArea.FILES,
                about=name[1] if name else "a file",
                detail=f"from {request.path}",
                by=request.user,
                now=datetime.now(tz=UTC),
            )
        return answer

"""Sends notices, each at most once. What may have gone out is never sent again without a person's word.

A notice is claimed by changing its state, and the claim is committed before anything is sent. Whoever dies in
between leaves it claimed: a person looks at it, and chooses whether to send it again.
"""

import smtplib
from datetime import datetime, timedelta
from email.mime.text import MIMEText
from typing import Final

from django.core.mail import EmailMessage, get_connection
from django.core.mail.backends.base import BaseEmailBackend
from django.core.mail.message import BadHeaderError
from django.db.models import F

from fleet.models import Person
from scheduling.customers.models import CUT_OFF_AFTER
from scheduling.models import Notice, NoticeKind, NoticeState
from shared.errors import DomainError
from shared.messages import message

AT_ONCE: Final = 200
MOST_TRIES: Final = 6
FIRST_WAIT: Final = timedelta(minutes=5)
"""Each further wait is four times as long: 5 min, 20 min, 1 h 20, 5 h 20, 21 h."""
NOT_TAKEN: Final = (
    smtplib.SMTPRecipientsRefused, smtplib.SMTPSenderRefused, smtplib.SMTPDataError, smtplib.SMTPHeloError,
    smtplib.SMTPAuthenticationError, smtplib.SMTPConnectError, smtplib.SMTPNotSupportedError,
)  # fmt: skip
"""With these the mail server said itself that it did not take the message (RFC 5321, 4.2)."""


def send_notices(*, now: datetime) -> int:
    """Send what is due. Returns how many were sent. May run twice, also at once."""
    _drop_what_came_too_late(now)
    due = Notice.objects.filter(state=NoticeState.WAITING, next_try_at__lte=now)
    ids = list(due.order_by("next_try_at", "pk").values_list("pk", flat=True)[:AT_ONCE])
    if not ids:
        return 0
    connection = get_connection()
    try:
        connection.open()
    except (OSError, smtplib.SMTPException) as error:
        due.filter(pk__in=ids).update(next_try_at=now + FIRST_WAIT, problem=_said(error))
        return 0
    try:
        return sum(_send(pk, connection, now) for pk in ids)
    finally:
        connection.close()


def can_send_again(notice: Notice, now: datetime) -> bool:
    """Say whether a person may have a notice sent again: it failed, or its sender died."""
    was_cut_off = (
        notice.state == NoticeState.CLAIMED
        and notice.claimed_at is not None
        and notice.claimed_at <= now - CUT_OFF_AFTER
    )
    return notice.state == NoticeState.FAILED or was_cut_off


def send_again(notice: Notice, *, by: Person, now: datetime) -> None:
    """Have a notice sent again that failed or was cut off. Raises DomainError for any other."""
    rows = Notice.objects.filter(pk=notice.pk)
    claimed_long_ago = rows.filter(state=NoticeState.CLAIMED, claimed_at__lte=now - CUT_OFF_AFTER)
    given = {"state": NoticeState.WAITING, "next_try_at": now, "tries": 0, "resent_by": by}
    if not (rows.filter(state=NoticeState.FAILED).update(**given) or claimed_long_ago.update(**given)):
        raise DomainError(
            message("This notice is not one that failed or was cut off."),
            remedy=message("Only those can be sent again; one just being sent is settled within 15 minutes."),
        )


def _send(pk: int, connection: BaseEmailBackend, now: datetime) -> bool:
    claimed = Notice.objects.filter(pk=pk, state=NoticeState.WAITING, next_try_at__lte=now).update(
        state=NoticeState.CLAIMED, claimed_at=now, tries=F("tries") + 1
    )
    if not claimed:
        return False
    notice = Notice.objects.select_related("customer", "visit").get(pk=pk)
    if not notice.customer.wants_notices or not notice.customer.email:
        return _settle(notice, state=NoticeState.NOT_WANTED)
    try:
        taken = connection.send_messages([mail_of(notice)])
    except NOT_TAKEN as error:
        return _try_later(notice, error, now)
    except (BadHeaderError, ValueError) as error:
        return _settle(notice, state=NoticeState.FAILED, problem=_said(error))
    except (OSError, smtplib.SMTPException) as error:
        return _settle(
            notice, state=NoticeState.CLAIMED, problem=message("Cut off: {error}", error=_said(error))
        )
    if not taken:
        return _try_later(notice, RuntimeError("The mail server took nothing."), now)
    _settle(notice, state=NoticeState.SENT, sent_at=now, problem="")
    return True


def mail_of(notice: Notice) -> EmailMessage:
    """Return the e-mail with its calendar entry. Its Message-ID is the cause's own, the same every time."""
    mail = EmailMessage(
        subject=notice.subject,
        body=notice.body,
        to=[notice.customer.email],
        headers={
            "Message-ID": f"<{notice.visit.uid}.{notice.cause_key.rsplit(':', 1)[1]}@visits.tapward>",
            "Auto-Submitted": "auto-generated",
        },
    )
    entry = MIMEText(notice.calendar, "calendar", "utf-8")
    entry.set_param("method", "CANCEL" if notice.kind == NoticeKind.CANCELLED else "PUBLISH")
    entry.add_header("Content-Disposition", "attachment", filename="visit.ics")
    mail.attach(entry)
    return mail


def _drop_what_came_too_late(now: datetime) -> None:
    waiting = Notice.objects.filter(state=NoticeState.WAITING, visit__arrives_until__lte=now)
    waiting.update(
        state=NoticeState.OVERTAKEN, problem=message("Its visit's time went by before it was sent.")
    )


def _try_later(notice: Notice, error: Exception, now: datetime) -> bool:
    if notice.tries >= MOST_TRIES or _is_final(error):
        return _settle(notice, state=NoticeState.FAILED, problem=_said(error))
    wait = FIRST_WAIT * 4 ** (notice.tries - 1)
    return _settle(notice, state=NoticeState.WAITING, next_try_at=now + wait, problem=_said(error))


def _is_final(error: Exception) -> bool:
    """Say whether the server refused for good: every recipient with a code of 500 or more."""
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        return all(code >= 500 for code, _ in error.recipients.values())
    return False


def _settle(notice: Notice, **given) -> bool:
    """Write what became of a claimed notice; false, because it was not sent."""
    Notice.objects.filter(pk=notice.pk, state=NoticeState.CLAIMED).update(**given)
    return False


def _said(error: Exception) -> str:
    return f"{type(error).__name__}: {error}"[:200]

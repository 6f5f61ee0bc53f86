"""``makemessages`` that also gathers ``message("…")`` (``shared.messages``)."""

from django.core.management.commands import makemessages


class Command(makemessages.Command):
    """Django's own, with one more keyword."""

    xgettext_options = [*makemessages.Command.xgettext_options, "--keyword=message"]

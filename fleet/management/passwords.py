"""A new password at the shell."""

import os
from getpass import getpass

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.management.base import CommandError

from fleet.models import Person


def ask_password(person: Person) -> str:
    """Ask for a password, or take TAPWARD_NEW_PASSWORD; raise CommandError for one that is too weak."""
    password = os.environ.get("TAPWARD_NEW_PASSWORD") or getpass("Password: ")
    try:
        validate_password(password, person)
    except ValidationError as error:
        raise CommandError(" ".join(error.messages)) from error
    return password

"""The form behind the page of tokens."""

from typing import Final

from django import forms
from django.utils.translation import gettext, gettext_lazy

from api.tokens import permissions_on_offer
from fleet.models import Person
from shared.roles import Permission

LASTS: Final = [
    (7, gettext_lazy("7 days")),
    (30, gettext_lazy("30 days")),
    (90, gettext_lazy("90 days")),
    (365, gettext_lazy("a year")),
]


class TokenForm(forms.Form):
    """What a new token is for."""

    name = forms.CharField(
        max_length=80,
        label=gettext_lazy("Which program will use it"),
        help_text=gettext_lazy("So that you know what stops when you revoke it."),
    )
    days = forms.TypedChoiceField(choices=LASTS, coerce=int, initial=90, label=gettext_lazy("It works for"))
    permissions = forms.MultipleChoiceField(widget=forms.CheckboxSelectMultiple, label=gettext_lazy("It may"))

    def __init__(self, *args, person: Person, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["permissions"].choices = [
            (permission.name.lower(), gettext(permission.value))
            for permission in permissions_on_offer(person)
        ]

    def clean_permissions(self) -> list[Permission]:
        """Return the table's own names."""
        return [Permission[name.upper()] for name in self.cleaned_data["permissions"]]

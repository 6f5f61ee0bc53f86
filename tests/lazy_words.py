"""For mypy: a lazily translated text counts as a str, as Django lets it be used where text is shown."""

from collections.abc import Callable

from mypy.plugin import FunctionContext, Plugin
from mypy.types import Type

LAZY = ("gettext_lazy", "pgettext_lazy", "ngettext_lazy", "npgettext_lazy")


def _as_text(context: FunctionContext) -> Type:
    return context.api.named_generic_type("builtins.str", [])


class LazyWords(Plugin):
    """Answers str for Django's lazy translations."""

    def get_function_hook(self, fullname: str) -> Callable[[FunctionContext], Type] | None:
        room, _, name = fullname.rpartition(".")
        return _as_text if name in LAZY and room.startswith("django.utils.translation") else None


def plugin(version: str) -> type[Plugin]:
    """Entry point that mypy calls."""
    return LazyWords

"""Topics with named places: ``sites/{any}/units/{serial}/water``."""

from typing import Final

from shared.errors import CannotDo

SERIAL: Final = "{serial}"
ANY: Final = "{any}"


def check_pattern(pattern: str) -> None:
    """Refuse a pattern no broker could serve. Raises CannotDo."""
    levels = pattern.split("/")
    odd = [
        level
        for level in levels
        if level not in (SERIAL, ANY, "+") and any(sign in level for sign in "{}+#\x00")
    ]
    if not pattern.strip() or pattern.startswith("$") or odd:
        raise CannotDo(
            f"{pattern!r} is no topic that can be listened to.",
            remedy="Write levels between slashes; a whole level may be {serial} or {any}.",
            field="topic",
        )
    if pattern.count(SERIAL) > 1:
        raise CannotDo("{serial} stands in it twice.", remedy="Write {any} for the other.", field="topic")


def filter_of(pattern: str) -> str:
    """Return the MQTT topic filter of a pattern."""
    return "/".join("+" if level in (SERIAL, ANY) else level for level in pattern.split("/"))


def match(pattern: str, topic: str) -> dict[str, str] | None:
    """Return what stands at the named places of a topic, or None when it is another topic."""
    wanted, given = pattern.split("/"), topic.split("/")
    if len(wanted) != len(given):
        return None
    found = {}
    for level, text in zip(wanted, given, strict=True):
        if level == SERIAL:
            found["serial"] = text
        elif level not in (ANY, "+") and level != text:
            return None
    return found

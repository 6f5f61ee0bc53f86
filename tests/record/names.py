"""Names that others build on: of addresses, commands, tasks, the timetable, the API's operations."""

from collections.abc import Iterator

from celery import current_app
from django.apps import apps
from django.core.management import get_commands, load_command_class
from drf_spectacular.settings import spectacular_settings

from tests.record.walk import addresses

LABELS = ("fleet", "scheduling", "api")
OF_EVERY_COMMAND = {
    "--help", "--version", "--verbosity", "--settings", "--pythonpath", "--traceback", "--no-color",
    "--force-color", "--skip-checks",
}  # fmt: skip


def names() -> dict[str, object]:
    """Return "kind of name: name" → what belongs to it. No module's place is told: modules move."""
    return dict([*_addresses(), *_commands(), *_tasks(), *_timetable(), *_operations()])


def _addresses() -> Iterator[tuple[str, object]]:
    found: dict[str, list[str]] = {}
    for address, name in addresses().items():
        found.setdefault(name, []).append(address)
    for name, places in found.items():
        yield f"address: {name}", sorted(places)


def _commands() -> Iterator[tuple[str, object]]:
    rooms = {config.name: config.label for config in apps.get_app_configs()}
    for name, where in get_commands().items():
        if not isinstance(where, str) or rooms.get(where, where).split(".")[0] not in LABELS:
            continue
        parser = load_command_class(where, name).create_parser("manage.py", name)
        actions = [action for action in parser._actions if not OF_EVERY_COMMAND & set(action.option_strings)]
        yield f"command: {name}", sorted(" ".join(action.option_strings) or action.dest for action in actions)


def _tasks() -> Iterator[tuple[str, object]]:
    current_app.loader.import_default_modules()
    for name in current_app.tasks:
        if name.split(".")[0] in LABELS:
            yield f"task: {name.split('.')[-1]}", True


def _timetable() -> Iterator[tuple[str, object]]:
    for title, row in current_app.conf.beat_schedule.items():
        yield f"timetable: {title}", f"{row['task'].split('.')[-1]} {row['schedule']}"


def _operations() -> Iterator[tuple[str, object]]:
    schema = spectacular_settings.DEFAULT_GENERATOR_CLASS().get_schema(request=None, public=True)
    for path, methods in schema["paths"].items():
        for method, operation in methods.items():
            yield (
                f"operation: {operation['operationId']}",
                {
                    "at": f"{method.upper()} {path}",
                    "asks": sorted(one["name"] for one in operation.get("parameters", [])),
                    "answers": sorted(operation["responses"]),
                },
            )
    for name, part in schema["components"]["schemas"].items():
        yield f"schema: {name}", sorted(part.get("properties", part.get("enum", [])), key=str)

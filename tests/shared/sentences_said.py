"""Finds the sentences the rooms say in English and writes the tables by which pages tell them anew.

``python -m tests.shared.sentences_said`` writes ``fleet/sentences`` and ``scheduling/sentences`` afresh; a
test holds them against the code. A sentence made of parts becomes a template with a named hole for each.
"""

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]
NOT_SAID: Final = re.compile(
    r"^\s*(FROM|COPY|INSERT|CASE|SELECT|UNION|UNIQUE constraint)\b|EXCLUDED"
    r"|^[\w-]*:\S*$|^[\w-]+:\{|^\{[\w.]+\}:|__"
    r"|^staged_|^[A-Z][a-z]+[A-Z]\w+$|^tapward\.|^(Standing|Law|Intercept)$"
    r"|^(disk is full|No space left|database is locked|(lock|statement) timeout)$"
    r"|^<|^https?:|^[\w./{}-]+\.(pdf|jpg|csv|xlsx|html|json)$|^[A-Z][\w-]+-[A-Z][\w-]+$|^application/|%[YHM]"
    r"|_id\b|^[\w-]+/[\w.;= +-]+$|^[a-z_]+\.[a-z_]+$|^test |^table/"
)
"""Keys, addresses, names of files, database text."""
NOT_SAID_TO: Final = {
    "ValueError", "TypeError", "KeyError", "RuntimeError", "OSError", "getattr", "filter", "exclude",
    "values", "values_list", "order_by", "annotate", "only", "defer", "select_related", "prefetch_related",
    "Prefetch",
    "execute", "executemany", "copy", "uuid5", "add_header", "info", "warning", "exception", "debug",
    "EmailMessage", "create_sheet", "exists", "require_unique", "error",
    "EngineTrouble", "_TooBig", "send_mail",
    "BadZipFile", "gettext", "gettext_lazy", "ngettext",
}  # fmt: skip
"""Calls whose texts no page shows."""
NOTES: Final = {"note", "note_all", "note_change", "History"}
"""Calls that keep a word in a history."""


@dataclass(frozen=True)
class Table:
    """One table: where it stands, what it is of, and the files it is gathered from."""

    path: str
    what: str
    files: tuple[str, ...]
    but: str = "$^"


TABLES: Final = (
    Table("fleet/sentences/services.py", "services, and of the log of changes",
          ("fleet/services/*.py", "fleet/assessment/explanation.py", "fleet/people/audit.py",
           "fleet/people/services.py", "fleet/outgoing/*.py", "fleet/assessment/scaling_opinion.py",
           "shared/roles.py", "shared/access.py", "shared/config/middleware.py"),
          r"benchmark|made_up|backups|explain|signing|bulk_rows|web_role|partition|change_marks|marks"),
    Table("fleet/sentences/telemetry.py", "telemetry", ("fleet/telemetry/*.py",), r"broker|listener"),
    Table("fleet/sentences/workbook.py", "refused rows of a workbook", ("fleet/workbook/*.py",),
          r"write_file|sheets_|columns|registry|measures_met"),
    Table("fleet/sentences/science.py", "patterns and of what the fleet taught",
          ("fleet/science/patterns.py", "fleet/science/laws.py", "fleet/science/sources.py",
           "fleet/science/learning.py")),
    Table("fleet/sentences/laws.py", "laws: all but their sources", ("fleet/science/laws_*.py",)),
    Table("scheduling/sentences/planning.py", "plans and routes", ("scheduling/planning/*.py",),
          r"benchmark|synthetic|academic|compare|rival|apart|figures|checker"),
    Table("scheduling/sentences/steps.py", "cautions and steps as the house wrote them",
          ("scheduling/orders/steps.py",)),
    Table("scheduling/sentences/close_outs.py", "work orders and their close-outs",
          ("scheduling/services/close_out*.py", "scheduling/services/order*.py",
           "scheduling/orders/raising.py", "scheduling/services/undo*.py",
           "scheduling/visits/photos.py", "scheduling/visits/entry.py")),
    Table("scheduling/sentences/services.py", "services",
          ("scheduling/services/*.py", "scheduling/documents/label_sheet.py", "scheduling/money/forecast.py",
           "scheduling/overview/activity.py", "scheduling/views/*.py"),
          r"step_texts|services/(close_out|order|raising|undo)|route_(moves|p|s)|replanning|/routes"),
    Table("scheduling/sentences/routes.py", "services that keep plans and routes",
          ("scheduling/services/route*.py", "scheduling/routes/replanning.py")),
    Table("scheduling/sentences/workbook.py", "refused rows of plans, prices and shifts",
          ("scheduling/workbook/*.py",), r"/sheets|paid_sheet|registry|write_terms\.py$|plan_terms_sheet"),
    Table("api/sentences.py", "tokens", ("api/tokens.py", "api/pages.py")),
)  # fmt: skip


def said_in(table: Table) -> list[str]:
    """Return the templates of a table, each once, in the order of the code."""
    names = (name for pattern in table.files for name in sorted(ROOT.glob(pattern)))
    return list(dict.fromkeys(text for name in names if not re.search(table.but, str(name.relative_to(ROOT)))
                              for text in _said(name, table)))  # fmt: skip


def _said(name: Path, table: Table) -> Iterator[str]:
    only_notes = bool(re.search("/views/|queries/audit|api/pages", str(name)))
    for node, above in _walk(ast.parse(name.read_text(encoding="utf-8")), ()):
        calls = [_name_of(one) for one in _statement(above) if isinstance(one, ast.Call)]
        text = _template(node)
        if not text.strip() or _is_code(node, above, calls):
            continue
        if calls and calls[0] in NOTES:
            yield from (
                [text] if re.search("[a-z]{3}", text) and (calls[0] != "History" or " " in text) else []
            )
        elif not only_notes and _is_said(text) and not _is_law_key(above):
            yield text


def _walk(node: ast.AST, above: tuple[ast.AST, ...]) -> Iterator[tuple[ast.expr, tuple[ast.AST, ...]]]:
    """Yield every text with what stands around it; the texts of an annotation are left out."""
    if isinstance(node, ast.JoinedStr) or (isinstance(node, ast.Constant) and isinstance(node.value, str)):
        yield node, above
        inner = [part.value for part in getattr(node, "values", ()) if isinstance(part, ast.FormattedValue)]
        for one in inner:
            yield from _walk(one, (*above, node))
        return
    for field, value in ast.iter_fields(node):
        if field not in {"returns", "annotation", "decorator_list"}:
            for one in value if isinstance(value, list) else [value]:
                if isinstance(one, ast.AST):
                    yield from _walk(one, (*above, node))


def _statement(above: tuple[ast.AST, ...]) -> Iterator[ast.AST]:
    """Yield what stands around a text up to its statement, the nearest first."""
    for one in reversed(above):
        yield one
        if isinstance(one, ast.stmt):
            return


def _is_code(node: ast.expr, above: tuple[ast.AST, ...], calls: list[str]) -> bool:
    parent = above[-1]
    in_text = any(isinstance(one, ast.FunctionDef) and one.name in {"__str__", "__repr__"} for one in above)
    argument = parent.arg if isinstance(parent, ast.keyword) else ""
    return (
        isinstance(parent, ast.Expr | ast.Compare | ast.Subscript)
        or bool(NOT_SAID_TO.intersection(calls[:2]))
        or in_text
        or argument in {"cause_key", "related_name", "default", "help_text", "verbose_name_plural"}
    )


def _is_said(text: str) -> bool:
    bare = re.sub(r"%\(\w+\)s", "", text)
    has_words = re.search(r"[A-Za-z]{2,}[,;:.]? [A-Za-z]|[A-Za-z]{3,}[.:]|\S [a-z]{3,}|[a-z]{2,} ", bare)
    return bool(has_words or re.match(r"[A-Z][a-z]{2,}", bare)) and not NOT_SAID.search(text)


def _is_law_key(above: tuple[ast.AST, ...]) -> bool:
    return any(isinstance(one, ast.keyword) and one.arg in {"used_in", "source"} for one in above)


def _template(node: ast.expr) -> str:
    """Return a text as a template: each part put in becomes a hole named after it."""
    if isinstance(node, ast.Constant):
        return str(node.value)
    made, seen = "", {}
    for part in getattr(node, "values", ()):
        if isinstance(part, ast.Constant):
            made += str(part.value).replace("%", "%%")
            continue
        code, name = ast.unparse(part), re.sub(r"\W", "", _hole(part.value)).strip("_") or "value"
        place, number = name, 2
        while seen.get(place, code) != code:
            place, number = f"{name}{number}", number + 1
        seen[place] = code
        made += f"%({place})s"
    return made


def _hole(value: ast.expr) -> str:
    match value:
        case ast.Name():
            return value.id
        case ast.Attribute():
            return value.attr
        case ast.Subscript(slice=ast.Constant(value=str() as key)):
            return key
        case ast.Subscript() | ast.UnaryOp() | ast.BinOp() | ast.BoolOp() | ast.IfExp() | ast.Compare():
            inner = next((one for one in ast.iter_child_nodes(value) if isinstance(one, ast.expr)), None)
            return _hole(inner) if inner is not None else "value"
        case ast.Call(func=ast.Attribute(attr="join")):
            return "list"
        case ast.Call(func=ast.Attribute(attr=attr, value=inner)) if not value.args:
            return attr[4:-8] if attr.startswith("get_") else _hole(inner)
        case ast.Call(args=[first, *_]) if not isinstance(first, ast.Constant):
            return _hole(first)
    return "value"


def _name_of(call: ast.Call) -> str:
    return call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")


def table_text(table: Table) -> str:
    """Return a table as it stands in its file."""
    lines = "".join(f"    gettext_noop({_quoted(text)}),\n" for text in said_in(table))
    return (
        f'"""Sentences of {table.what}.\n\nGathered by ``python -m tests.shared.sentences_said``.\n"""\n\n'
        "from typing import Final\n\nfrom django.utils.translation import gettext_noop\n\n"
        f"SENTENCES: Final = (\n{lines})  # fmt: skip\n"
    )


def _quoted(text: str) -> str:
    """Return a text as source, in pieces that fit a line."""
    pieces, rest = [], text
    while len(rest) > 84:
        cut = rest.rfind(" ", 0, 84) + 1 or rest.find(" ") + 1
        if not cut:
            break
        pieces.append(rest[:cut])
        rest = rest[cut:]
    quoted = [_one(piece) for piece in (*pieces, rest)]
    return quoted[0] if len(quoted) == 1 else "\n        " + "\n        ".join(quoted)


def _one(text: str) -> str:
    return repr(text) if '"' in text else '"' + repr(f'{text}"')[1:-2].replace("\\'", "'") + '"'


if __name__ == "__main__":
    for table in TABLES:
        (ROOT / table.path).write_text(table_text(table), encoding="utf-8")

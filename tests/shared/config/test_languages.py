"""The language files: complete, in step with the sources, and nothing visible in a template left unmarked."""

import ast
import gettext
import io
import json
import re
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import pytest
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from django.conf import settings
from django.template.base import Lexer, TokenType
from django.template.loader import render_to_string
from django.utils import translation
from django.utils.translation.template import templatize

ROOT = Path(settings.BASE_DIR)
ROOMS = ("templates", "shared", "fleet", "scheduling", "api")
OTHER_LANGUAGES = [code for code, _ in settings.LANGUAGES if code != settings.LANGUAGE_CODE]
CATALOGUES = [
    path
    for room in ROOMS
    for code in OTHER_LANGUAGES
    if (path := ROOT / room / "locale" / code / "LC_MESSAGES" / "django.po").exists()
]
TEMPLATES = sorted((ROOT / "templates").rglob("*.html"))
SCRIPTS_WITH_WORDS = sorted((ROOT / "templates").rglob("*.js"))
PHONE = ROOT / "shared" / "static" / "tapward" / "phone"
CALLS = {
    "_": 1, "gettext": 1, "gettext_lazy": 1, "gettext_noop": 1,
    "ngettext": 2, "ngettext_lazy": 2, "pgettext": -1, "pgettext_lazy": -1, "message": 1,
}  # fmt: skip
"""Name of a call and how many of its texts are the message's; -1: a context, then the message."""
WORD = re.compile(r"[^\W\d_]")
HOLE = re.compile(r"\{[^}]*\}|%\(\w+\)[a-z]")
"""A message of holes alone is the same in every language."""
MARKED = re.compile(r"\b(gettext|ngettext|pgettext|npgettext|_)\(")
TEXT = re.compile(r"u?(\"(?:\\.|[^\"\\])*\"|'(?:\\.|[^'\\])*')\s*,?\s*")
SHOWN = {
    "aria-label",
    "title",
    "placeholder",
    "alt",
    "label",
    "data-label",
    "data-confirm",
    "data-ready",
    "data-busy",
}
"""Attributes that people see or hear."""
SAME_EVERYWHERE = {"API", "CSV", "GPX", "GeoJSON", "HTTP", "PDF", "XLSX", "XML", "id", "ll"}


@cache
def catalogue(path: Path):
    with path.open("rb") as file:
        return read_po(file, locale=path.parts[-3])


def messages(path: Path) -> dict:
    return {(m.context, m.id if isinstance(m.id, str) else m.id[0]): m for m in catalogue(path) if m.id}


def in_template(path: Path) -> set[tuple]:
    """Yield (context, message) of a template, as Django's own extraction sees them."""
    code = templatize(path.read_text(encoding="utf-8"), origin=str(path))
    found = set()
    for call in MARKED.finditer(code):
        texts, at = [], call.end()
        while (text := TEXT.match(code, at)) and len(texts) < 2:
            texts.append(ast.literal_eval(text[1]))
            at = text.end()
        if texts:
            has_context = call[1] in ("pgettext", "npgettext")
            found.add((texts[0], texts[1]) if has_context else (None, texts[0]))
    return found


def in_module(path: Path) -> set[tuple]:
    """Yield (context, message) of a Python file."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        name = getattr(getattr(node, "func", None), "id", None)
        if not isinstance(node, ast.Call) or name not in CALLS or not node.args:
            continue
        texts = [one.value for one in node.args[:2] if isinstance(one, ast.Constant)]
        if CALLS[name] == -1 and len(texts) == 2:
            found.add((texts[0], texts[1]))
        elif CALLS[name] > 0 and texts and isinstance(texts[0], str):
            found.add((None, texts[0]))
    return {one for one in found if WORD.search(HOLE.sub("", one[1]))}


def sources(room: str) -> set[tuple]:
    if room == "templates":
        return set().union(*(in_template(path) for path in [*TEMPLATES, *SCRIPTS_WITH_WORDS]))
    return set().union(*(in_module(path) for path in (ROOT / room).rglob("*.py")))


def placeholders(text: str) -> list[str]:
    return sorted(re.findall(r"%\(\w+\)[a-z]|%%|\{\w*\}|<[^>]*>", text))


def test_there_is_another_language_and_a_catalogue_for_the_pages():
    assert OTHER_LANGUAGES
    assert CATALOGUES


@pytest.mark.parametrize("path", CATALOGUES, ids=lambda p: str(p.relative_to(ROOT)))
def test_every_message_is_translated_with_its_placeholders(path):
    wrong = []
    for (_, source), message in messages(path).items():
        said = message.string if isinstance(message.string, tuple) else (message.string,)
        forms = message.id if isinstance(message.id, tuple) else (message.id,) * len(said)
        if message.fuzzy or not all(said) or len(said) != len(forms):
            wrong.append(f"{source!r} has no translation, or an unsure one")
        for one, form in zip(said, forms, strict=False):
            # In the singular a language may write the number out; it may not invent one.
            if placeholders(one) != placeholders(form):
                wrong.append(f"{form!r} and {one!r} differ in their placeholders or tags")
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("path", CATALOGUES, ids=lambda p: str(p.relative_to(ROOT)))
def test_the_catalogue_is_in_step_with_its_sources(path):
    """Cure: ``manage.py makemessages`` as DEVELOPERS.md has it, then translate what is new."""
    have, want = set(messages(path)), sources(path.relative_to(ROOT).parts[0])
    assert not want - have, f"not in the catalogue: {sorted(map(str, want - have))}"
    assert not have - want, f"no longer in the sources: {sorted(map(str, have - want))}"


@pytest.mark.parametrize("path", CATALOGUES, ids=lambda p: str(p.relative_to(ROOT)))
def test_what_the_pages_read_is_compiled_from_the_catalogue(path):
    """Cure: ``manage.py compilemessages``."""
    file = io.BytesIO()
    write_mo(file, catalogue(path))
    fresh = gettext.GNUTranslations(io.BytesIO(file.getvalue()))._catalog
    with path.with_suffix(".mo").open("rb") as kept:
        stored = gettext.GNUTranslations(kept)._catalog
    fresh.pop("", None)
    stored.pop("", None)
    assert stored == fresh


def test_no_catalogue_renames_what_django_itself_says():
    """Our catalogues stand before Django's: “May” of a table would become the month."""
    months = {
        "January",
        "February",
        "March",
        "April",
        "May",
        "June",
        "July",
        "August",
        "September",
        "October",
    }
    days = {"Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday", "Sat", "Sun", "Mon"}
    for path in CATALOGUES:
        assert not {source for context, source in messages(path) if not context} & (months | days)


class Shown(HTMLParser):
    """Collects text and spoken attributes that stand in a template's own text."""

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.found, self.inside = [], []

    def handle_starttag(self, tag, attrs):
        if tag in ("script", "style", "pre", "code"):
            self.inside.append(tag)
        self.found += [f"{key}={value}" for key, value in attrs if key in SHOWN and _has_words(value or "")]

    def handle_startendtag(self, tag, attrs):
        self.found += [f"{key}={value}" for key, value in attrs if key in SHOWN and _has_words(value or "")]

    def handle_endtag(self, tag):
        if self.inside and self.inside[-1] == tag:
            self.inside.pop()

    def handle_data(self, data):
        if not self.inside and _has_words(data):
            self.found.append(" ".join(data.split()))


def _has_words(text: str) -> bool:
    text = re.sub("\ue000.", "", text)
    return any(WORD.search(word) for word in re.split(r"\W+", text) if word not in SAME_EVERYWHERE)


HANDED_ON = re.compile(
    r"(?:\b(?:title|text|lead|action|trail|where|words)=|\|(?:default|default_if_none|yesno):|^mark\s+\S+\s+"
    r"|^list_files\s+\S+\s+)(?P<quote>[\"'])(?P<said>.*?)(?P=quote)"
)
"""Words that a tag hands on to be shown."""


def unmarked(path: Path) -> list[str]:
    """Return visible words of a template that stand in it outside any mark."""
    handed = []
    parser, skipped, in_comment = Shown(), False, False
    out = []
    for token in Lexer(path.read_text(encoding="utf-8")).tokenize():
        name = token.contents.split()[0] if token.contents.split() else ""
        if token.token_type in (TokenType.BLOCK, TokenType.VAR):
            handed += [one["said"] for one in HANDED_ON.finditer(token.contents) if _has_words(one["said"])]
        if token.token_type == TokenType.BLOCK:
            in_comment = in_comment or name == "comment"
            skipped = skipped or name == "blocktranslate"
            if name == "endcomment":
                in_comment = False
            if name == "endblocktranslate":
                skipped = False
            out.append("\ue000 ")
        elif token.token_type == TokenType.VAR:
            out.append("\ue000 ")
        elif token.token_type == TokenType.TEXT and not skipped and not in_comment:
            out.append(token.contents)
    parser.feed("".join(out))
    parser.close()
    return parser.found + handed


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda p: str(p.relative_to(ROOT / "templates")))
def test_no_template_shows_words_that_are_not_marked(path):
    assert not unmarked(path)


def test_the_look_for_unmarked_words_finds_them(tmp_path):
    page = tmp_path / "page.html"
    page.write_text(
        '<p title="Why not">{{ x }} left</p>{% translate "ok" %}<b aria-label="{% translate "ok" %}"></b>'
    )
    assert unmarked(page) == ["title=Why not", "\ue000 left"]


def test_what_the_phones_scripts_say_comes_with_the_page():
    said = set()
    for path in PHONE.glob("*.js"):
        code = path.read_text(encoding="utf-8")
        said |= set(re.findall(r'\bsay\("([^"]+)"[,)]', re.sub(r"/\*.*?\*/", "", code, flags=re.S)))
        said |= {one for pair in re.findall(r'\bsayMany\([^"]+"([^"]+)", "([^"]+)"', code) for one in pair}
        assert not re.search(r'(?:textContent|alt|innerText)(?: =|:) ["`][A-Za-z]', code), (
            f"{path.name} says words of its own"
        )
    page = (ROOT / "templates/parts/phone_words.html").read_text(encoding="utf-8")
    pairs = re.findall(r'^"([^"]+)": .*\{% translate "([^"]+)" %\}', page, flags=re.M)
    assert all(key == text for key, text in pairs)
    assert {key for key, _ in pairs} == said


def test_a_page_in_spanish_brings_words_that_the_scripts_can_read():
    with translation.override("es"):
        page = render_to_string("parts/phone_words.html")
    words = json.loads(page[page.index(">") + 1 : page.rindex("</script>")])
    assert words["Stop the clock"] == "Detener el reloj"
    assert all(placeholders(key) == placeholders(said) for key, said in words.items())
    assert render_to_string("parts/phone_words.html").strip() == ""

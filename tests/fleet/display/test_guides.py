"""The guides: own one first, words that stand on pages, commands that exist, small pictures of our own."""

import re
from html import unescape
from pathlib import Path

import pytest
from babel.messages.pofile import read_po
from django.core.management import get_commands
from django.urls import reverse
from django.utils import translation
from PIL import Image

from fleet.display.guide import GUIDES
from tests import factories as make

ROOT = Path(__file__).resolve().parents[3]
TEXTS = ROOT / "templates" / "guide"
PICTURES = ROOT / "shared" / "static" / "tapward" / "guide"
MOST_PICTURES, MOST_BYTES = 12, 60_000
ROOMS = ("templates", "fleet", "scheduling")
BOLD = re.compile(r"<b>(.*?)</b>")
SHELL = {"migrate", "collectstatic"}


def pages() -> str:
    """Everything a page's words can come from, with spaces made even."""
    files = [f for f in (ROOT / "templates").rglob("*.html") if "guide" not in f.parts]
    files += [f for room in ("fleet", "scheduling", "shared") for f in (ROOT / room).rglob("*.py")]
    return " ".join(unescape(" ".join(f.read_text() for f in files)).split())


@pytest.mark.parametrize("about", list(GUIDES))
def test_words_in_bold_stand_so_on_a_page(about):
    said = pages()
    bold = re.findall(r"<b>(.*?)</b>", (TEXTS / f"{about}.html").read_text().split("{% endcomment %}")[1])
    assert bold
    assert [words for words in bold if words not in said] == []


def translated(language: str) -> tuple[dict[str, str], dict[str, set[str]]]:
    """Return guides' sentences with bold words, and of every other message all its wordings."""
    sentences: dict[str, str] = {}
    words: dict[str, set[str]] = {}
    guides = " ".join((TEXTS / f"{about}.html").read_text() for about in GUIDES)
    guides = re.sub(r"\{\{ (\w+) \}\}", r"%(\1)s", guides)
    for room in ROOMS:
        with (ROOT / room / "locale" / language / "LC_MESSAGES" / "django.po").open("rb") as file:
            for message in read_po(file, locale=language):
                ids = message.id if isinstance(message.id, tuple) else (message.id,)
                said = message.string if isinstance(message.string, tuple) else (message.string,)
                if BOLD.search(ids[0]) and ids[0] in guides:
                    sentences[ids[0]] = said[0]
                else:
                    for one in filter(None, ids):
                        words.setdefault(one, set()).update(said)
    return sentences, words


def test_words_in_bold_of_a_translated_guide_stand_so_on_the_translated_page():
    sentences, words = translated("es")
    marked = [bold for text in sentences for bold in BOLD.findall(text)]
    written = [
        bold
        for about in GUIDES
        for bold in BOLD.findall((TEXTS / f"{about}.html").read_text().split("{% endcomment %}")[1])
    ]
    assert sorted(marked) == sorted(written), "a bold word stands in a sentence that is not translated"
    wrong = []
    for english, other in sentences.items():
        there = BOLD.findall(other)
        assert len(there) == len(BOLD.findall(english)), english
        for bold in BOLD.findall(english):
            # A button whose words are part of a longer message is held to that message.
            known = words.get(bold) or set().union(*(words[one] for one in words if bold in one), set())
            if not any(
                label == known_as or (bold not in words and label in known_as)
                for label in there
                for known_as in known
            ):
                wrong.append((bold, sorted(known)[:3], there))
    assert wrong == []


@pytest.mark.django_db
def test_a_guide_is_read_in_the_readers_language(client):
    person = make.person("technician")
    client.force_login(person)
    page = client.get(reverse("guide_of", args=["technician"]))
    assert "The words in the pictures" not in page.text
    person.language = "es"
    person.save()
    page = client.get(reverse("guide_of", args=["technician"]))
    with translation.override("es"):
        heading = translation.gettext("2. Open the visit")
        assert heading != "2. Open the visit"
    assert heading in page.text
    assert "Las palabras de las imágenes están en inglés." in page.text
    article = page.text[page.text.index('<article class="guide"') :]
    assert 'lang="en"' not in article
    assert "A day on the phone" not in article


def test_every_command_a_guide_tells_is_there():
    known = set(get_commands()) | SHELL
    for about in GUIDES:
        told = re.findall(r"manage\.py ([a-z_]+)", (TEXTS / f"{about}.html").read_text())
        assert set(told) <= known, about


def test_pictures_are_few_small_and_all_used():
    said = " ".join((TEXTS / f"{about}.html").read_text() for about in GUIDES)
    used = set(re.findall(r"guide/([\w-]+\.webp)", said))
    kept = {file.name: file for file in PICTURES.glob("*")}
    assert used == set(kept)
    assert len(kept) <= MOST_PICTURES
    for name, file in kept.items():
        assert file.stat().st_size <= MOST_BYTES, name
        with Image.open(file) as picture:
            assert picture.size in ((900, 520), (390, 720)), name


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("role", "first"), [("planner", "planner"), ("technician", "technician"), ("owner", "owner")]
)
def test_a_persons_own_guide_comes_first(client, role, first):
    client.force_login(make.person(role))
    answer = client.get(reverse("guide"))
    assert answer.context["about"] == first
    assert next(key for key, _words in answer.context["guides"]) == first
    for about in GUIDES:
        assert client.get(reverse("guide_of", args=[about])).status_code == 200
    assert client.get(reverse("guide_of", args=["gardener"])).status_code == 404

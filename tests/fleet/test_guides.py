"""The guides: own one first, words that stand on pages, commands that exist, small pictures of our own."""

import re
from html import unescape
from pathlib import Path

import pytest
from django.core.management import get_commands
from django.urls import reverse
from PIL import Image

from fleet.views.guide import GUIDES
from tests import factories as make

ROOT = Path(__file__).resolve().parents[2]
TEXTS = ROOT / "templates" / "guide"
PICTURES = ROOT / "shared" / "static" / "tapward" / "guide"
MOST_PICTURES, MOST_BYTES = 12, 60_000
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

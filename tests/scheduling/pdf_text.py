"""Takes the words out of a PDF as a reader would: by each font's own table from codes to letters.

Knows what these documents use: text shown by ``Tj`` and ``TJ``, fonts with a ToUnicode table or Latin-1
(ISO 32000-1, sections 9.4.3 and 9.10.3). Enough for tests, no more.
"""

import re
import zlib

_OBJECT = re.compile(rb"(\d+) 0 obj(.*?)endobj", re.DOTALL)
_STREAM = re.compile(rb"stream\r?\n(.*?)\r?\nendstream", re.DOTALL)
_SHOWN = re.compile(rb"/(F\d+) [\d.]+ Tf|\(((?:\\.|[^\\()])*)\)", re.DOTALL)


def pdf_text(content: bytes) -> str:
    """Return the words of all pages, in the order they were drawn."""
    objects = {int(number): body for number, body in _OBJECT.findall(content)}
    streams = {number: _stream(body) for number, body in objects.items()}
    fonts = _fonts(objects, streams)
    words = [_page_text(one, fonts) for one in streams.values() if b" Tf" in one and b"BT" in one]
    return re.sub(r"\s+", " ", " ".join(words))


def page_count(content: bytes) -> int:
    """Return how many pages a PDF has."""
    return len(re.findall(rb"/Type /Page\b(?!s)", content))


def _stream(body: bytes) -> bytes:
    found = _STREAM.search(body)
    if found is None:
        return b""
    try:
        # A stream whose last byte is a carriage return loses it to the pattern; its words are all there.
        return zlib.decompressobj().decompress(found[1])
    except zlib.error:
        return found[1]


def _fonts(objects: dict[int, bytes], streams: dict[int, bytes]) -> dict[bytes, dict[int, str] | None]:
    fonts: dict[bytes, dict[int, str] | None] = {}
    for body in objects.values():
        for name, number in re.findall(rb"/(F\d+) (\d+) 0 R", body):
            table = re.search(rb"/ToUnicode (\d+) 0 R", objects[int(number)])
            fonts[name] = _letters(streams[int(table[1])]) if table else None
    return fonts


def _letters(table: bytes) -> dict[int, str]:
    pairs = re.findall(rb"<([0-9A-Fa-f]{4})>\s*<([0-9A-Fa-f]{4,})>", table)
    return {int(code, 16): bytes.fromhex(text.decode()).decode("utf-16-be") for code, text in pairs}


def _page_text(stream: bytes, fonts: dict[bytes, dict[int, str] | None]) -> str:
    words, letters = [], None
    for name, shown in _SHOWN.findall(stream):
        if name:
            letters = fonts.get(name)
            continue
        raw = _unescaped(shown)
        if letters is None:
            words.append(raw.decode("latin-1"))
        else:
            codes = [int.from_bytes(raw[at : at + 2], "big") for at in range(0, len(raw), 2)]
            words.append("".join(letters.get(code, "\ufffd") for code in codes))
    return " ".join(words)


def _unescaped(shown: bytes) -> bytes:
    known = {b"n": b"\n", b"r": b"\r", b"t": b"\t"}
    return re.sub(rb"\\(.)", lambda one: known.get(one[1], one[1]), shown, flags=re.DOTALL)

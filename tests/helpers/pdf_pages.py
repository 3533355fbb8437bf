"""What each page of a browser's PDF writes, as far as a test needs it (ISO 32000-1:2008, sections 7.3, 7.7.3, 9.4)."""

from __future__ import annotations

import re
import zlib


def page_contents(data: bytes) -> list[bytes]:
    """The content stream of each page in order; of files without object streams, as printing writes them."""
    objects = {
        int(number): body for number, body in re.findall(rb"(?:^|\n)(\d+) 0 obj\s*(.*?)\s*endobj", data, re.DOTALL)
    }
    found: list[bytes] = []

    def walk(number: int) -> None:
        node = objects[number]
        if re.search(rb"/Type\s*/Pages\b", node):
            for kid in re.findall(rb"(\d+) 0 R", re.search(rb"/Kids\s*\[(.*?)\]", node, re.DOTALL).group(1)):
                walk(int(kid))
            return
        stream = objects[int(re.search(rb"/Contents\s+(\d+) 0 R", node).group(1))]
        inside = re.split(rb"stream\r?\n", stream, maxsplit=1)[1].rsplit(b"endstream", 1)[0]
        found.append(zlib.decompress(inside) if b"FlateDecode" in stream else inside)

    catalogue = next(body for body in objects.values() if re.search(rb"/Type\s*/Catalog", body))
    walk(int(re.search(rb"/Pages\s+(\d+) 0 R", catalogue).group(1)))
    return found


def texts_by_page(data: bytes) -> list[int]:
    """How many pieces of text each page has: at least one a line."""
    return [content.count(b"BT") for content in page_contents(data)]

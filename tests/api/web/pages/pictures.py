"""A picture as the tests of the charts look at it, and a code as a camera does."""

from __future__ import annotations

import re
from xml.etree import ElementTree
from xml.etree.ElementTree import Element

import numpy as np
from numpy.typing import NDArray

_PIXELS = 4


def parsed(picture: str) -> Element:
    """The picture, which is an error where it is not well formed."""
    return ElementTree.fromstring(picture)


def of_class(picture: str, name: str) -> list[Element]:
    """What is drawn with a class, in the order drawn."""
    return [e for e in parsed(picture).iter() if name in (e.get("class") or "").split()]


def words(picture: str) -> list[str]:
    """All that can be read in the picture."""
    return [e.text for e in parsed(picture).iter() if e.text]


def pixels_of_code(svg: str) -> NDArray[np.uint8]:
    """The modules of a code as pixels: black where its dark path has a run, white elsewhere."""
    picture = ElementTree.fromstring(svg)
    side = int((picture.get("viewBox") or "").split()[2])
    pixels = np.full((side, side), 255, np.uint8)
    (dark,) = (p.get("d") or "" for p in picture.iter() if p.get("stroke") == "#000")
    x = y = 0.0
    # Strokes one module thick, along the middle of a row.
    for command, first, second in re.findall(r"([Mmh])\s*(-?[\d.]+)(?:[ ,]?(-?[\d.]+))?", dark):
        if command == "h":
            pixels[int(y), int(x) : int(x) + int(first)] = 0
            x += int(first)
        elif command == "M":
            x, y = float(first), float(second)
        else:
            x, y = x + float(first), y + float(second)
    return np.kron(pixels, np.ones((_PIXELS, _PIXELS), np.uint8))

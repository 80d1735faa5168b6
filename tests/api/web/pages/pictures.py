"""A picture as the tests of the charts look at it."""

from __future__ import annotations

from xml.etree import ElementTree
from xml.etree.ElementTree import Element


def parsed(picture: str) -> Element:
    """The picture, which is an error where it is not well formed."""
    return ElementTree.fromstring(picture)


def of_class(picture: str, name: str) -> list[Element]:
    """What is drawn with a class, in the order drawn."""
    return [e for e in parsed(picture).iter() if name in (e.get("class") or "").split()]


def words(picture: str) -> list[str]:
    """All that can be read in the picture."""
    return [e.text for e in parsed(picture).iter() if e.text]
